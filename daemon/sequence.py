"""The sequence at the scale, as a table: phase by phase, what a reading and a due instant lead to.

Owns what follows what from an empty pan to a mixed cup. Knows nothing of ports, outlets or the
journal: it changes a `Turn`. What may be commanded in which phase is in `acts`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from daemon import pour as pouring
from daemon.batch import (
    Batch,
    Doubt,
    Phase,
    Question,
    goal,
    grams,
    item_targets_g,
    lift_level_g,
    opened,
    parts_data,
    plan_data,
    plan_to_save,
    same_load,
    total_g,
    with_poured,
)
from daemon.bench import Bench, Plan, Turn, hand_key, hand_of, temperature
from daemon.effects import Pattern
from daemon.finishing import Live
from daemon.timers import TimerKind
from daemon.view import Step, Zone
from recipes.mix import mixed as mix_of
from recipes.potlife import GelMark, pot_life, scaled_to_pot_life_s

SLOW_CUP_S = 3.0
"""A cup is put down in less; what comes steadily for longer may be resin poured before the tare."""
LATE_DRIP_S = 4.0
"""What still falls from the spout or runs off the rim so soon after a landing is that part's."""
RESTING_G = 4.0
"""What stays after a jump that no pour makes, and is more than this, is a thing on the pan."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: what outsiders see, and what each thing that happens leads to."""

    step: Step
    on_reading: Callable[[Turn], None]
    follows: str


def min_cup_g(bench: Bench) -> float:
    """The least load that can be a cup: above a drifting zero, below the lightest paper cup."""
    return max(2.0, 4 * bench.weighing.scale.division_g)


# --- opening -----------------------------------------------------------------------------------


def next_plan(bench: Bench) -> Plan | None:
    """What is to be opened next, None when nothing is."""
    if bench.once is not None:
        return bench.once
    if bench.plan is None or bench.plan.left == 0:
        return None
    return bench.plan


def schedule_opening(turn: Turn) -> None:
    """Open the next batch at once if there is one to open."""
    wanted = turn.bench.batch is None and next_plan(turn.bench) is not None
    turn.put(opening_at_s=turn.at_s if wanted else None)


def open_batch(turn: Turn) -> None:
    """Open the next batch: from here its log begins."""
    plan = next_plan(turn.bench)
    turn.put(opening_at_s=None)
    if plan is None or turn.bench.batch is not None:
        return
    number = turn.bench.next_batch
    batch = replace(
        opened(number, plan.recipe, plan.size_g, plan.tint), pan_clear=turn.bench.pan_clear
    )
    turn.put(batch=batch, next_batch=number + 1)
    turn.record("batch.opened", {"recipe": plan.recipe.name, "parts": parts_data(batch)})
    if turn.bench.weighing.stable:
        reading_at_cup(turn)


def take_from_plan(turn: Turn) -> None:
    """The batch on the scale counts as one of those planned."""
    if turn.bench.once is not None:
        turn.put(once=None)
    elif turn.bench.plan is not None and turn.bench.plan.left is not None:
        turn.put(plan=replace(turn.bench.plan, left=turn.bench.plan.left - 1))


# --- cup ---------------------------------------------------------------------------------------


def reading_at_cup(turn: Turn) -> None:
    """Watch for a cup on a pan that has been seen empty, and tare it once it rests."""
    w, batch = turn.bench.weighing, turn.batch
    _watch_arrival(turn)
    if not w.stable or w.settled_g is None:
        return
    if turn.bench.empty_g is None:
        _first_sight(turn, w.settled_g)
    empty = turn.bench.empty_g or 0.0
    load = w.settled_g - empty
    least = min_cup_g(turn.bench)
    if load < least:
        turn.put(empty_g=w.settled_g, pan_clear=True)
        turn.put_batch(pan_clear=True, arrives_from_s=None, question=None)
    elif turn.batch.pan_clear:
        slow = batch.arrives_from_s is not None and (
            batch.arrives_until_s - batch.arrives_from_s > SLOW_CUP_S
        )
        if slow:
            _ask(turn, Doubt.SLOW_CUP, load, Phase.CUP)
        else:
            tare_cup(turn)


def _first_sight(turn: Turn, settled_g: float) -> None:
    """The pan's own reading is not known yet: nought where it is near it or a cup stands there."""
    far = settled_g >= min_cup_g(turn.bench)
    turn.put(empty_g=0.0 if far else settled_g)


def _watch_arrival(turn: Turn) -> None:
    """Note since when the load has been rising, and whether it has ever fallen back."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or turn.bench.empty_g is None:
        return
    load = w.gross_g - turn.bench.empty_g
    slack = 2 * w.scale.division_g
    if load < slack:
        if batch.arrives_from_s is not None:
            turn.put_batch(arrives_from_s=None)
        return
    if batch.arrives_from_s is None or load < batch.arrives_high_g - slack:
        turn.put_batch(arrives_from_s=turn.at_s, arrives_high_g=load, arrives_until_s=turn.at_s)
    elif load > batch.arrives_high_g + 1e-9:
        until = turn.at_s if load > batch.arrives_high_g + slack else batch.arrives_until_s
        turn.put_batch(arrives_high_g=load, arrives_until_s=until)


def tare_cup(turn: Turn) -> None:
    """Take what rests on the pan as the cup, and begin the first (or next) part."""
    w = turn.bench.weighing
    assert w.settled_g is not None
    cup_g = w.settled_g - (turn.bench.empty_g or 0.0)
    turn.put_batch(cup_g=cup_g, base_g=w.settled_g, believed_g=w.settled_g, question=None)
    turn.put(pan_clear=False)
    turn.record("cup.tared", {"cup_g": grams(cup_g)})
    turn.sound(Pattern.TARED)
    begin_part(turn)


# --- pour --------------------------------------------------------------------------------------


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
    turn.put_batch(
        phase=Phase.POUR, base_g=resting, pour=pour, below=0, question=None, jumped=False
    )
    data = {
        "part": aim.part,
        "target_g": grams(aim.target_g),
        "stops_g": dict(zip(("coarse", "fine"), map(_maybe, pour.stops_g), strict=True)),
    }
    turn.record("part.started", data | ({"round": batch.round} if batch.round > 1 else {}))


def _maybe(value: float | None) -> float | None:
    return None if value is None else grams(value)


def reading_at_pour(turn: Turn) -> None:
    """Judge the pour by the new reading, unless the cup is no longer under it."""
    if _has_left(turn):
        return
    if _rests_on_pan(turn):
        return
    _keep_believed(turn)
    _follow_rest(turn)
    pour = turn.batch.pour
    assert pour is not None
    hand = hand_of(turn.bench)
    pour, news = pouring.on_reading(pour, turn.bench.weighing, hand)
    turn.put_batch(pour=pour)
    _take_news(turn, news)


def _rests_on_pan(turn: Turn) -> bool:
    """Whether a jump that no pour makes has come to rest as more than it left behind: a thing."""
    w, batch = turn.bench.weighing, turn.batch
    if w.disturbed:
        if not batch.jumped:
            turn.put_batch(jumped=True)
        return False
    if not batch.jumped or not w.stable or w.settled_g is None or batch.believed_g is None:
        return False
    turn.put_batch(jumped=False)
    change = w.settled_g - batch.believed_g
    if abs(change) <= max(RESTING_G, 5 * w.scale.division_g):
        return False
    _ask(turn, Doubt.RESTING, change, Phase.POUR)
    return True


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


def _keep_believed(turn: Turn) -> None:
    """Remember the load while nothing but resin moves it."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None or w.disturbed:
        return
    if w.stable or batch.sign * w.flow_g_per_s >= -0.5:
        turn.put_batch(believed_g=w.settled_g if w.settled_g is not None else w.gross_g)


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
    poured = batch.poured_g[last]
    assert poured is not None and w.settled_g is not None and batch.pour is not None
    batch = with_poured(batch, last, poured + crept_g)
    base = w.settled_g
    turn.put(batch=replace(batch, base_g=base))
    aim = goal(turn.batch, w.scale.division_g, turn.bench.settings.risk_pct)
    turn.put_batch(pour=pouring.retarget(replace(batch.pour, base_g=base), aim))
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


def contact(turn: Turn) -> None:
    """The reaction starts: work out the pot life here and now, and start its clocks."""
    batch, times = turn.batch, turn.batch.recipe.times
    turn.put_batch(contact_at_s=turn.at_s)
    marks = tuple(GelMark(*m[1:]) for m in turn.bench.gel_marks if m[0] == batch.recipe.name)
    celsius = temperature(turn.bench, "resin", "room")
    size_g = sum(item_targets_g(batch))
    life = pot_life(batch.recipe, celsius, size_g, marks)
    if life is None:
        return
    turn.put_batch(pot_life_s=life.seconds)
    turn.record("mix.contact", {"pot_life_s": round(life.seconds, 1), "basis": life.basis})
    clocks = (
        (TimerKind.POUR_BY, times.pour_by_s),
        (TimerKind.PRESS_BY, times.press_by_s),
        (TimerKind.POT_LIFE, life.seconds),
        (TimerKind.DEMOLD, times.demold_s),
    )
    for kind, length_s in clocks:
        if length_s is None:
            continue
        if kind in (TimerKind.POUR_BY, TimerKind.PRESS_BY):
            length_s = scaled_to_pot_life_s(batch.recipe, length_s, life.seconds)
        turn.start_timer(batch.number, kind, turn.at_s, length_s)


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
        _all_landed(turn)
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


# --- decide ------------------------------------------------------------------------------------


def reading_at_decide(turn: Turn) -> None:
    """While the person decides: the cup may be lifted; a lone material may be taken out again."""
    if _has_left(turn):
        return
    _keep_believed(turn)
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


# --- mixed -------------------------------------------------------------------------------------


def _all_landed(turn: Turn) -> None:
    batch = turn.batch
    if batch.recipe.is_fill:
        turn.record("batch.closed", {"reason": "filled", "total_g": grams(total_g(batch))})
        take_from_plan(turn)
        turn.put(batch=None, pan_clear=False)
        return
    if batch.recipe.cup.one_per_part and batch.contact_at_s is None:
        turn.put_batch(phase=Phase.COMBINE)
        turn.sound(Pattern.ASK)
        return
    mixed(turn)


def mixed(turn: Turn) -> None:
    """Everything is in the cup: say what went in, start to stir."""
    batch = turn.batch
    mix = mix_of(batch.recipe, batch.items, batch.poured_g)
    data: dict[str, object] = {
        "parts": [
            {"name": name, "target_g": part["target_g"], "actual_g": grams(poured or 0.0)}
            for name, part, poured in zip(
                batch.items.names, parts_data(batch), batch.poured_g, strict=True
            )
        ],
        "ratio_error_pct": _maybe(mix.ratio_error_pct),
        "dye_g": grams(mix.dye_g),
        "total_g": grams(mix.total_g),
    }
    if mix.index is not None:
        data["index"] = round(mix.index, 1)
    turn.record("batch.mixed", data)
    turn.sound(Pattern.MIXED)
    live = Live(batch.number, batch.recipe, turn.at_s, batch.contact_at_s, mix.total_g)
    turn.put(lives=(*turn.bench.lives, live))
    take_from_plan(turn)
    _count_batch(turn)
    turn.put_batch(phase=Phase.STIR, pour=None, below=0)
    if batch.recipe.times.stir_s:
        turn.start_timer(batch.number, TimerKind.STIR, turn.at_s, batch.recipe.times.stir_s)


def _count_batch(turn: Turn) -> None:
    progress = turn.bench.progress
    if progress is not None:
        turn.put(progress=replace(progress, batches_done=progress.batches_done + 1))


def reading_at_stir(turn: Turn) -> None:
    """The mixed cup leaves the pan when it likes; the next batch then opens."""
    _keep_believed(turn)
    if _gone(turn):
        turn.put(batch=None, pan_clear=True)
        schedule_opening(turn)


def reading_at_combine(turn: Turn) -> None:
    """The cups are being emptied into one another: nothing on the scale matters."""


# --- away and back -----------------------------------------------------------------------------


def _gone(turn: Turn) -> bool:
    """Two readings in a row below what a cup on the pan must show."""
    w, batch = turn.bench.weighing, turn.batch
    if w.gross_g is None:
        return False
    load = w.gross_g - (turn.bench.empty_g or 0.0)
    below = batch.below + 1 if load < lift_level_g(batch) else 0
    if below != batch.below:
        turn.put_batch(below=below)
    return below >= 2


def _has_left(turn: Turn) -> bool:
    if not _gone(turn):
        return False
    batch, pour = turn.batch, turn.batch.pour
    untouched = batch.landed_g == 0 and batch.round == 1 and not batch.own_cups
    if untouched and pour is not None and pour.begun_at_s is None:
        turn.put_batch(phase=Phase.CUP, pan_clear=True, pour=None, arrives_from_s=None, below=0)
        turn.put(pan_clear=True)
        return True
    turn.put_batch(phase=Phase.AWAY, back_to=batch.phase, lost=False, below=0)
    return True


def go_away(turn: Turn) -> None:
    """The scale is lost, silent or overloaded: keep the cup's state, believe nothing."""
    batch = turn.bench.batch
    if batch is None or batch.phase in (Phase.CUP, Phase.STIR, Phase.COMBINE):
        return
    if batch.phase not in (Phase.AWAY, Phase.CONFIRM):
        turn.put_batch(back_to=batch.phase)
    turn.put_batch(phase=Phase.AWAY, lost=True, below=0, question=None)


def reading_at_away(turn: Turn) -> None:
    """Believe the cup again only when it rests and weighs what it must."""
    w, batch = turn.bench.weighing, turn.batch
    if not w.stable or w.settled_g is None or batch.believed_g is None:
        return
    empty = turn.bench.empty_g or 0.0
    change = w.settled_g - batch.believed_g
    division = w.scale.division_g
    if same_load(change, batch.believed_g - empty, division):
        _resume(turn)
        return
    if w.settled_g - empty < lift_level_g(batch):
        if batch.lost and abs(w.settled_g) <= max(1.0, 3 * division):
            _ask(turn, Doubt.REZEROED, change, batch.back_to)
        return
    _ask(turn, Doubt.RETURNED, change, batch.back_to)


def _resume(turn: Turn) -> None:
    turn.put_batch(phase=turn.batch.back_to, lost=False, question=None, below=0)


def _ask(turn: Turn, doubt: Doubt, change_g: float, back_to: Phase) -> None:
    if turn.batch.phase is not Phase.CONFIRM:
        turn.sound(Pattern.ASK)
    turn.put_batch(phase=Phase.CONFIRM, back_to=back_to, question=Question(doubt, change_g))


def reading_at_confirm(turn: Turn) -> None:
    """While the person is asked: the answer may also come from the pan itself."""
    batch, w = turn.batch, turn.bench.weighing
    assert batch.question is not None
    if batch.question.doubt is Doubt.SLOW_CUP:
        load = (w.gross_g or 0.0) - (turn.bench.empty_g or 0.0)
        if w.gross_g is not None and load < min_cup_g(turn.bench):
            turn.put_batch(phase=Phase.CUP, question=None, arrives_from_s=None)
        return
    if batch.question.doubt is Doubt.RETURNED and _gone(turn):
        turn.put_batch(phase=Phase.AWAY, question=None, below=0)
        return
    reading_at_away(turn)


def confirm(turn: Turn) -> None:
    """The person says that what the scale shows is right."""
    batch, w = turn.batch, turn.bench.weighing
    assert batch.question is not None
    doubt = batch.question.doubt
    if doubt is Doubt.SLOW_CUP:
        tare_cup(turn)
        return
    settled = w.settled_g if w.settled_g is not None else w.gross_g
    assert settled is not None and batch.believed_g is not None
    change = settled - batch.believed_g
    if doubt is Doubt.REZEROED:
        turn.put(empty_g=(turn.bench.empty_g or 0.0) + change)
    elif batch.sign * change > 0 and batch.back_to is Phase.POUR:
        change = 0.0  # it was poured while the cup was off the pan: the part's own
    if change:
        turn.put_batch(base_g=batch.base_g + change)
        if batch.pour is not None:
            turn.put_batch(pour=replace(batch.pour, base_g=batch.pour.base_g + change))
    turn.put_batch(believed_g=settled)
    _resume(turn)


TABLE: dict[Phase, Row] = {
    Phase.CUP: Row(Step.CUP, reading_at_cup, "a resting cup: tare, pour; slow arrival: confirm"),
    Phase.POUR: Row(
        Step.POUR,
        reading_at_pour,
        "landed: next part, combine or stir; over: next part or decide; cup lifted, scale lost: "
        "away; short: pour on",
    ),
    Phase.DECIDE: Row(
        Step.DECIDE,
        reading_at_decide,
        "accept: next part or stir; correct: pour; taken out again: next part; cup lifted: away",
    ),
    Phase.AWAY: Row(
        Step.AWAY, reading_at_away, "same load back: where it was; another load: confirm"
    ),
    Phase.CONFIRM: Row(
        Step.DECIDE, reading_at_confirm, "confirm: where it was; right load: where it was"
    ),
    Phase.COMBINE: Row(Step.STIR, reading_at_combine, "mark combined: contact, stir"),
    Phase.STIR: Row(Step.STIR, reading_at_stir, "cup gone: next batch opens, or idle"),
}
"""The phases: the step outsiders see, what handles a reading, and what may follow."""


def step_of(batch: Batch) -> Step:
    """The step outsiders see: a pour that has been cut is settling."""
    if batch.phase is Phase.CUP and batch.landed_at_s is not None:
        return Step.CUP
    if batch.phase is Phase.POUR and batch.pour is not None and batch.pour.zone is Zone.STOP:
        return Step.SETTLE
    return TABLE[batch.phase].step
