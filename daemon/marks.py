"""Marks on the batches: what each does to its batch and clocks, and what is due.

Owns the making of a mark. Which marks there are and in which order is in `finishing`.
"""

from __future__ import annotations

from typing import Any

from daemon.batch import Phase, total_g
from daemon.bench import Bench, Turn, temperature
from daemon.effects import Pattern
from daemon.finishing import (
    SHARED,
    Due,
    Live,
    Mark,
    finished,
    in_tank,
    oldest_due,
    timers_after,
    why_not,
    with_mark,
)
from daemon.mixing import contact, mixed
from daemon.openings import abandon, close
from daemon.timers import Timer, TimerKind, TimerState
from recipes.model import Recipe

LATEST_GEL = 5.0
"""A gel mark is believed up to so many times the stated pot life."""
GEL_MARKS_KEPT = 200


class RefusedError(Exception):
    """The command is not allowed now; the text says why and what to do."""


def due_now(bench: Bench) -> Due | None:
    """The oldest thing that is due: what `next` marks."""
    batch = bench.batch
    if batch is not None and batch.phase is Phase.COMBINE:
        return Due(Mark.COMBINED, batch.number, batch.landed_at_s or bench.at_s)
    return oldest_due(bench.lives, bench.timers)


def make_mark(turn: Turn, mark: Mark, number: int | None) -> None:
    """Make this mark on that batch (None: on the one it fits); raises RefusedError."""
    if mark is Mark.COMBINED:
        _combined(turn, number)
        return
    if mark is Mark.GELLED and _gelled_in_cup(turn, number):
        return
    live = _live_for(turn.bench, mark, number)
    together = [one for one in turn.bench.lives if mark in SHARED and in_tank(one)]
    timers, cleared, new = timers_after(live, mark, turn.at_s, turn.bench.timers)
    turn.put(timers=timers)
    for one in together or [live]:
        _note(turn, one, mark)
    for timer in cleared:
        turn.say_timer("timer.cleared", timer)
    for timer in new:
        turn.say_timer("timer.started", timer)
    _tank_after(turn, mark)
    for one in turn.bench.lives:
        if finished(one):
            close(turn, one, "finished")


def _note(turn: Turn, live: Live, mark: Mark) -> None:
    _replace(turn, with_mark(live, mark, turn.at_s))
    data: dict[str, Any] = {"kind": mark.value}
    if mark is Mark.GELLED and live.contact_at_s is not None:
        data["seconds"] = _note_gel(turn, live.recipe, live.contact_at_s, live.total_g)
    turn.record("batch.marked", data, live.number)


def _replace(turn: Turn, live: Live) -> None:
    lives = turn.bench.lives
    turn.put(lives=tuple(live if one.number == live.number else one for one in lives))


def _tank_after(turn: Turn, mark: Mark) -> None:
    """Whoever is in the tank begins its cycle anew with each batch put in; an empty tank has none.

    Nobody marks the batches that stay inside: that the tank was open is plain from the new one.
    """
    inside = [one for one in turn.bench.lives if in_tank(one)]
    for one in inside if mark is Mark.IN_TANK else ():
        _replace(turn, with_mark(one, Mark.IN_TANK, turn.at_s))
    for timer in turn.bench.timers if not inside else ():
        if timer.kind is TimerKind.PRESSURE:
            turn.clear_timer(timer)


def _combined(turn: Turn, number: int | None) -> None:
    batch = turn.bench.batch
    if batch is None or batch.phase is not Phase.COMBINE or number not in (None, batch.number):
        raise RefusedError("No batch waits for its cups to be combined.")
    turn.record("batch.marked", {"kind": Mark.COMBINED.value})
    contact(turn, turn.at_s)
    mixed(turn)


def _gelled_in_cup(turn: Turn, number: int | None) -> bool:
    """A mix that gels while still on the scale is a gel time too, and the end of the batch."""
    batch = turn.bench.batch
    here = batch is not None and batch.phase is not Phase.STIR and batch.contact_at_s is not None
    if batch is None or not here or number not in (None, batch.number):
        return False
    assert batch.contact_at_s is not None
    seconds = _note_gel(turn, batch.recipe, batch.contact_at_s, total_g(batch))
    turn.record("batch.marked", {"kind": Mark.GELLED.value, "seconds": seconds})
    abandon(turn, "gelled in the cup")
    return True


def _note_gel(turn: Turn, recipe: Recipe, contact_at_s: float, mix_g: float) -> float:
    """Keep a gel time: the pot life of the next batches learns from it. Returns its seconds.

    A mark made hours later is a mark, and no gel time.
    """
    seconds = round(turn.at_s - contact_at_s, 1)
    celsius = temperature(turn.bench, "resin", "room")
    if celsius is None:
        celsius = recipe.times.pot_life_at.celsius
    stated_s = recipe.times.pot_life_s
    if stated_s is not None and seconds <= LATEST_GEL * stated_s:
        mark = (recipe.name, max(seconds, 1.0), celsius, max(mix_g, 1.0))
        turn.put(gel_marks=(*turn.bench.gel_marks, mark)[-GEL_MARKS_KEPT:])
    return seconds


def _live_for(bench: Bench, mark: Mark, number: int | None) -> Live:
    if number is not None:
        return _live_of(bench, mark, number)
    fits = [one for one in bench.lives if why_not(one, mark) is None]
    if fits:
        return fits[0]
    if not bench.lives:
        raise RefusedError("No mixed batch is under way.")
    raise RefusedError(why_not(bench.lives[0], mark) or "No batch can be marked so now.")


def _live_of(bench: Bench, mark: Mark, number: int) -> Live:
    live = next((one for one in bench.lives if one.number == number), None)
    if live is None and bench.batch is not None and bench.batch.number == number:
        raise RefusedError(f"Batch {number} is not mixed yet.")
    if live is None:
        raise RefusedError(f"Batch {number} is not under way.")
    why = why_not(live, mark)
    if why is not None:
        raise RefusedError(why)
    return live


def clock_rang(turn: Turn, timer: Timer) -> None:
    """A clock has warned or ended: say so, and by ear."""
    ended = timer.state is TimerState.ENDED
    turn.say_timer("timer.ended" if ended else "timer.warned", timer)
    turn.sound(Pattern.CLOCK_END if ended else Pattern.CLOCK_WARN)
    if ended and timer.kind is TimerKind.STIR:
        turn.put(timers=tuple(t for t in turn.bench.timers if t.id != timer.id))
