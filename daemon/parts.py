"""Part after part: begun, cued, landed, short or over, decided.

Owns what a pour's news lead to in the batch. The cues themselves are decided in `pour`.
"""

from __future__ import annotations

from dataclasses import replace

from daemon import pour as pouring
from daemon.batch import (
    Batch,
    Phase,
    goal,
    grams,
    maybe_grams,
    parts_data,
    plan_data,
    plan_to_save,
    with_aim,
    with_poured,
)
from daemon.bench import Turn, hand_key, hand_of
from daemon.effects import Pattern
from daemon.mixing import all_landed, contact
from daemon.presence import has_left, keep_believed, rests_on_pan

LATE_DRIP_S = 4.0
"""What still falls from the spout or runs off the rim so soon after a landing is that part's."""


def begin_part(turn: Turn) -> None:
    """Begin to pour the first item of the queue on the present reading."""
    bench, batch = turn.bench, turn.batch
    w = bench.weighing
    index = batch.queue[0]
    already = batch.poured_g[index] or 0.0
    resting = w.settled_g if w.settled_g is not None else batch.believed_g
    assert resting is not None
    aim = goal(batch, w.scale.division_g, bench.settings.risk_pct)
    pour = pouring.begin(aim, resting, batch.sign, turn.at_s, w, hand_of(bench), already)
    turn.put(batch=with_aim(batch, index, aim.target_g))
    turn.put_batch(
        phase=Phase.POUR, base_g=resting, pour=pour, below=0, question=None, jumped=False
    )
    data = {
        "part": aim.part,
        "target_g": grams(aim.target_g),
        "stops_g": dict(zip(("coarse", "fine"), map(maybe_grams, pour.stops_g), strict=True)),
    }
    turn.record("part.started", data | ({"round": batch.round} if batch.round > 1 else {}))


def reading_at_pour(turn: Turn) -> None:
    """Judge the pour by the new reading, unless the cup is no longer under it."""
    if has_left(turn):
        return
    if rests_on_pan(turn):
        return
    keep_believed(turn)
    _follow_rest(turn)
    pour = turn.batch.pour
    assert pour is not None
    hand = hand_of(turn.bench)
    pour, news = pouring.on_reading(pour, turn.bench.weighing, hand)
    turn.put_batch(pour=pour)
    _take_news(turn, news)


def time_at_pour(turn: Turn) -> None:
    """A cue's instant has come between two readings."""
    pour = turn.batch.pour
    if pour is None or pour.due_s is None or pour.due_s > turn.at_s:
        return
    due_s = pour.due_s
    pour, news = pouring.on_time(pour, turn.bench.weighing, hand_of(turn.bench), due_s)
    if pour.due_s is not None and pour.due_s <= due_s:
        pour = replace(pour, due_s=None)
    turn.put_batch(pour=pour)
    _take_news(turn, news)


def _follow_rest(turn: Turn) -> None:
    """Before the first drop a resting reading may creep: late drips are resin, drift is not."""
    w, batch = turn.bench.weighing, turn.batch
    pour = batch.pour
    assert pour is not None
    if pour.begun_at_s is not None or not w.stable or w.settled_g is None or w.disturbed:
        return
    crept = w.settled_g - batch.base_g
    if abs(crept) < 0.5 * w.scale.division_g:
        return
    if _late_drip(turn, batch.sign * crept):
        return
    if abs(crept) <= max(3 * w.scale.division_g, 0.3):
        turn.put_batch(base_g=batch.base_g + crept)
        turn.put_batch(pour=replace(pour, base_g=pour.base_g + crept))


def _late_drip(turn: Turn, crept_g: float) -> bool:
    """Give what fell just after a landing to that part, and let the next target follow."""
    batch, w = turn.batch, turn.bench.weighing
    last = _last_landed(batch)
    if last is None or batch.own_cups or batch.landed_at_s is None or batch.round > 1:
        return False
    if not 0 < crept_g <= 1.5 or turn.at_s - batch.landed_at_s > LATE_DRIP_S:
        return False
    poured, base, pour = batch.poured_g[last], w.settled_g, batch.pour
    assert poured is not None and base is not None and pour is not None
    batch = with_poured(batch, last, poured + crept_g)
    aim = goal(batch, w.scale.division_g, turn.bench.settings.risk_pct)
    pour = pouring.retarget(replace(pour, base_g=base), aim)
    batch = with_aim(batch, batch.queue[0], aim.target_g)
    turn.put(batch=replace(batch, base_g=base, pour=pour))
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "over"})
    return True


def _last_landed(batch: Batch) -> int | None:
    index = batch.current
    return index - 1 if index is not None and index > 0 else None


def _take_news(turn: Turn, news: tuple[pouring.PourNews, ...]) -> None:
    for item in news:
        match item:
            case pouring.Begun():
                _first_drop(turn)
            case pouring.StopCoarse():
                turn.record("stop.coarse", _stop_data(turn, item))
                turn.sound(Pattern.COARSE)
            case pouring.StopFine():
                turn.record("stop.fine", _stop_data(turn, item))
                turn.sound(Pattern.FINE)
            case pouring.OverSeen():
                turn.sound(Pattern.OVER)
            case pouring.HandLearned():
                _learn_hand(turn, item)
            case pouring.Short():
                data = {
                    "part": turn.batch.name,
                    "actual_g": grams(item.actual_g),
                    "short_g": grams(item.short_g),
                }
                turn.record("part.short", data)
                turn.sound(Pattern.SHORT)
            case pouring.Landed():
                _landed(turn, item)
            case pouring.Over():
                _over(turn, item)


def _stop_data(turn: Turn, item: pouring.StopCoarse | pouring.StopFine) -> dict[str, object]:
    return {
        "part": turn.batch.name,
        "reading_g": grams(item.reading_g),
        "flow": grams(item.flow_g_per_s),
        "landing_g": grams(item.landing_g),
    }


def _learn_hand(turn: Turn, item: pouring.HandLearned) -> None:
    key = hand_key(turn.bench)
    hands = dict(turn.bench.hands) | {key: item.hand}
    turn.put(hands=tuple(sorted(hands.items())))
    data = {
        "hand": key,
        "lead_s": round(item.hand.lead_s, 4),
        "spread_s": round(item.hand.spread_s, 4),
        "count": item.hand.count,
    }
    turn.record("hand.learned", data)


def _first_drop(turn: Turn) -> None:
    batch = turn.batch
    if batch.contact_at_s is not None or batch.recipe.cup.one_per_part:
        return
    if batch.current == batch.recipe.contact_part:
        contact(turn)


def _landed(turn: Turn, item: pouring.Landed) -> None:
    batch = turn.batch
    assert batch.pour is not None and batch.current is not None
    data = {
        "part": batch.name,
        "target_g": grams(batch.pour.goal.target_g),
        "actual_g": grams(item.actual_g),
        "error_g": grams(item.error_g),
        "seconds": round(item.seconds, 2),
    }
    turn.record("part.landed", data)
    turn.sound(Pattern.LANDED)
    turn.put(landings=(*turn.bench.landings, (str(batch.name), grams(item.error_g)))[-12:])
    _note_poured(turn, item.actual_g)
    next_part(turn)


def _note_poured(turn: Turn, actual_g: float) -> None:
    index = turn.batch.queue[0]
    turn.put(batch=with_poured(turn.batch, index, actual_g))
    settled = turn.bench.weighing.settled_g
    turn.put_batch(
        landed_at_s=turn.at_s,
        believed_g=settled if settled is not None else turn.batch.believed_g,
    )


def next_part(turn: Turn) -> None:
    """Go on after an item that has landed or was accepted."""
    queue = turn.batch.queue[1:]
    turn.put_batch(queue=queue, pour=None, question=None)
    if not queue:
        all_landed(turn)
    elif turn.batch.own_cups and not turn.batch.items.items[queue[0]].is_dye:
        turn.put_batch(phase=Phase.CUP, pan_clear=False, arrives_from_s=None)
        turn.put(pan_clear=False)
    else:
        begin_part(turn)


def _over(turn: Turn, item: pouring.Over) -> None:
    batch, division = turn.batch, turn.bench.weighing.scale.division_g
    index = batch.queue[0]
    turn.put(landings=(*turn.bench.landings, (str(batch.name), grams(item.over_g)))[-12:])
    _note_poured(turn, item.actual_g)
    plan = plan_to_save(turn.batch, division, turn.at_s)
    data = {
        "part": batch.name,
        "actual_g": grams(item.actual_g),
        "over_g": grams(item.over_g),
        "plan": plan_data(plan),
    }
    turn.record("part.over", data)
    alone = batch.recipe.is_fill or batch.items.items[index].is_dye
    follows = len(batch.queue) > 1 and plan.possible and not plan.adds
    if follows and not alone:
        turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "over"})
        turn.sound(Pattern.LANDED)
        next_part(turn)
        return
    turn.put_batch(phase=Phase.DECIDE, below=0)
    turn.sound(Pattern.ASK)


def reading_at_decide(turn: Turn) -> None:
    """While the person decides: the cup may be lifted; a lone material may be taken out again."""
    if has_left(turn):
        return
    keep_believed(turn)
    w, batch = turn.bench.weighing, turn.batch
    alone = batch.queue[0] == 0 and batch.round == 1 and batch.pour is not None
    if not alone or not w.stable or w.settled_g is None or w.disturbed:
        return
    assert batch.pour is not None
    aim = batch.pour.goal
    actual = batch.sign * (w.settled_g - batch.base_g)
    error = actual - aim.target_g
    if abs(error) <= aim.tolerance_g:
        _landed(turn, pouring.Landed(turn.at_s, actual, error, 0.0))


def accept(turn: Turn) -> None:
    """Keep what was poured and go on."""
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "accepted"})
    next_part(turn)


def correct(turn: Turn) -> None:
    """Pour more of what is now too little, up to new cumulative targets."""
    batch = turn.batch
    plan = plan_to_save(batch, turn.bench.weighing.scale.division_g, turn.at_s)
    again = tuple(i for i, part in enumerate(plan.parts) if part.add_g > 0)
    later = tuple(i for i in batch.queue[1:] if i not in again)
    turn.put_batch(queue=(*again, *later), round=batch.round + 1, pour=None)
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "over"})
    if turn.batch.own_cups:
        turn.put_batch(phase=Phase.CUP, pan_clear=False, arrives_from_s=None)
        turn.put(pan_clear=False)
    else:
        begin_part(turn)
