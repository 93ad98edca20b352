"""Part after part: cued, landed, short or over, decided.

Owns what a pour's news lead to in the batch. The cues themselves are decided in `pour`; what is
before the first drop, in `first_drop`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from daemon import pour as pouring
from daemon.batch import (
    Doubt,
    Held,
    Phase,
    grams,
    has_begun,
    parts_data,
    plan_data,
    plan_to_save,
    still_to_add,
    with_poured,
)
from daemon.bench import Turn, hand_key, hand_of
from daemon.effects import Pattern
from daemon.first_drop import begin_part, follow_rest, pour_from
from daemon.mixing import all_landed, contact
from daemon.presence import (
    SMALL_THING_G,
    ask,
    believe,
    forgive,
    has_left,
    held,
    note_rest,
)

TICK_S = 1e-6
"""The time line's resolution: a pour that wants to be woken no later than this has been."""
LANDINGS_KEPT = 120
"""Thirty landings of each of four parts: what a drift is judged by."""


# --- poured --------------------------------------------------------------------------------------


def reading_at_pour(turn: Turn) -> None:
    """Judge the pour by the new reading, unless something but resin moves the pan."""
    if has_left(turn):
        return
    follow_rest(turn)
    if held(turn):
        return
    if turn.batch.calming:
        forgive(turn)
        turn.put_batch(calming=turn.bench.weighing.disturbed)
    pour = turn.batch.pour
    assert pour is not None
    pour, news = pouring.on_reading(pour, turn.bench.weighing, hand_of(turn.bench))
    turn.put_batch(pour=pour)
    _ask_about_things(turn)
    believe(turn)
    note_rest(turn)
    _take_news(turn, news)


def time_at_pour(turn: Turn) -> None:
    """A cue's instant has come between two readings."""
    pour = turn.batch.pour
    if pour is None or pour.due_s is None or pour.due_s > turn.at_s:
        return
    due_s = pour.due_s
    pour, news = pouring.on_time(pour, turn.bench.weighing, hand_of(turn.bench), due_s)
    if pour.due_s is not None and pour.due_s <= max(due_s, turn.at_s) + TICK_S:
        pour = replace(pour, due_s=None)
    turn.put_batch(pour=pour)
    _take_news(turn, news)


def _ask_about_things(turn: Turn) -> None:
    """What the pour knows to be no resin and has come to rest: a spoon, a hand, a lid."""
    batch, w = turn.batch, turn.bench.weighing
    if batch.pour is None or batch.pour.foreign_g == 0.0 or not w.stable:
        return
    if w.settled_g is None or batch.believed_g is None:
        return
    change = w.settled_g - batch.believed_g
    if not has_begun(batch) and abs(change) <= SMALL_THING_G:
        return  # the next reading takes it for what stays in the cup
    turn.put_batch(held=Held.ON if batch.sign * change > 0 else Held.OFF)
    ask(turn, Doubt.RESTING, change, Phase.POUR)


# --- what a pour tells ---------------------------------------------------------------------------


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
                _short(turn, item)
            case pouring.Landed():
                _landed(turn, item)
            case pouring.Over():
                _over(turn, item)


def _stop_data(turn: Turn, item: pouring.StopCoarse | pouring.StopFine) -> dict[str, Any]:
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
        "lead_s": round(item.hand.lead_s, 4) + 0.0,
        "spread_s": round(item.hand.spread_s, 4) + 0.0,
        "count": item.hand.count,
    }
    turn.record("hand.learned", data)


def _first_drop(turn: Turn) -> None:
    batch = turn.batch
    if batch.contact_at_s is not None or batch.recipe.cup.one_per_part:
        return
    if batch.current == batch.recipe.contact_part:
        contact(turn, turn.at_s)


def _short(turn: Turn, item: pouring.Short) -> None:
    data = {
        "part": turn.batch.name,
        "actual_g": grams(item.actual_g),
        "short_g": grams(item.short_g),
    }
    turn.record("part.short", data)
    turn.sound(Pattern.SHORT)


def _landed(turn: Turn, item: pouring.Landed) -> None:
    batch = turn.batch
    assert batch.pour is not None and batch.current is not None
    data = {
        "part": batch.name,
        "target_g": grams(batch.pour.goal.target_g),
        "actual_g": grams(item.actual_g),
        "error_g": grams(item.error_g),
        "seconds": round(item.seconds, 2) + 0.0,
    }
    turn.record("part.landed", data)
    turn.sound(Pattern.LANDED)
    _note_poured(turn, item.actual_g, item.error_g)
    next_part(turn)


def _note_poured(turn: Turn, actual_g: float, error_g: float) -> None:
    batch, settled = turn.batch, turn.bench.weighing.settled_g
    turn.put(
        batch=with_poured(batch, batch.queue[0], actual_g),
        landings=(*turn.bench.landings, (str(batch.name), grams(error_g)))[-LANDINGS_KEPT:],
    )
    believed = settled if settled is not None else batch.believed_g
    turn.put_batch(landed_at_s=turn.at_s, believed_g=believed)


def next_part(turn: Turn) -> None:
    """Go on after an item that has landed or was accepted."""
    turn.put_batch(queue=turn.batch.queue[1:], pour=None, question=None)
    if not turn.batch.queue:
        all_landed(turn)
    else:
        _pour_next(turn)


def _pour_next(turn: Turn) -> None:
    """Begin the first of the queue, where need be in a cup (or from a container) of its own."""
    batch = turn.batch
    if batch.own_cups and (batch.loss or batch.cup_of != batch.in_cup_of):
        turn.put_batch(phase=Phase.CUP, pan_clear=False, arrives_from_s=None, pour=None)
        turn.put(pan_clear=False)
    else:
        begin_part(turn)


# --- too much ------------------------------------------------------------------------------------


def _over(turn: Turn, item: pouring.Over) -> None:
    _note_poured(turn, item.actual_g, item.over_g)
    batch = turn.batch
    plan = plan_to_save(batch, turn.at_s)
    data = {
        "part": batch.name,
        "actual_g": grams(item.actual_g),
        "over_g": grams(item.over_g),
        "plan": plan_data(plan),
    }
    turn.record("part.over", data)
    if len(batch.queue) > 1 and plan.possible and not still_to_add(batch, plan):
        turn.record("mix.corrected", {"parts": parts_data(batch), "reason": "over"})
        turn.sound(Pattern.LANDED)
        next_part(turn)
        return
    turn.put_batch(phase=Phase.DECIDE, below=0, over_at_g=item.actual_g)
    turn.sound(Pattern.ASK)


def reading_at_decide(turn: Turn) -> None:
    """While the person decides: the cup may be lifted; a lone item may be taken out again."""
    if has_left(turn):
        return
    believe(turn)
    w, batch = turn.bench.weighing, turn.batch
    if not batch.queue or not batch.alone or batch.pour is None:
        return
    if not w.stable or w.settled_g is None or w.disturbed:
        return
    actual = batch.pour.already_g + batch.sign * (w.settled_g - batch.pour.base_g)
    actual = min(actual, batch.over_at_g)  # what lies on top of it is no resin
    aim = batch.pour.goal
    error = actual - aim.target_g
    if abs(error) <= aim.tolerance_g + 1e-9:
        _landed(turn, pouring.Landed(turn.at_s, actual, error, 0.0))
    elif error < 0:
        _too_much_taken_out(turn, actual, error)
    elif abs(actual - (batch.poured_g[batch.queue[0]] or 0.0)) >= 0.5 * w.scale.division_g:
        turn.put(batch=with_poured(batch, batch.queue[0], actual))


def _too_much_taken_out(turn: Turn, actual_g: float, error_g: float) -> None:
    """More was taken out than was too much: pour on to the target."""
    _short(turn, pouring.Short(turn.at_s, actual_g, -error_g))
    base, index = turn.bench.weighing.settled_g, turn.batch.queue[0]
    assert base is not None
    turn.put(batch=with_poured(turn.batch, index, None))
    pour = pour_from(turn, base, actual_g)
    turn.put_batch(phase=Phase.POUR, pour=pour, base_g=base, held=Held.NOT)
    turn.put_batch(seen_g=base, seen_at_s=turn.at_s)


def accept(turn: Turn) -> None:
    """Keep what was poured and go on."""
    turn.put_batch(accepted=True)
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": "accepted"})
    if turn.batch.queue:
        next_part(turn)
    else:
        all_landed(turn)


def correct(turn: Turn) -> None:
    """Pour more of what is now too little, up to new cumulative targets."""
    batch = turn.batch
    dye = bool(batch.queue) and batch.items.items[batch.queue[0]].is_dye
    again = still_to_add(batch, plan_to_save(batch, turn.at_s))
    turn.put_batch(queue=(*again, *batch.queue[1:]), round=batch.round + 1, pour=None)
    reason = "dye" if dye else "over"
    turn.record("mix.corrected", {"parts": parts_data(turn.batch), "reason": reason})
    _pour_next(turn)
