"""What becomes of a mixed cup: stirred, poured, pressed, vented, demolded, trimmed; what is due.

Owns the order of the marks and which clocks each starts and ends. Knows nothing of the scale.
Several batches are alive at once; those in the tank together share its one pressure cycle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from daemon.timers import Timer, TimerKind, TimerState, extended, started
from recipes.model import Recipe


class Mark(StrEnum):
    """What the person says has been done. The order is that of the bench."""

    COMBINED = "combined"
    STIRRED = "stirred"
    POURED = "poured"
    IN_TANK = "in-tank"
    WITNESS_SOFT = "witness-soft"
    WITNESS_HARD = "witness-hard"
    VENTED = "vented"
    OUT_OF_TANK = "out-of-tank"
    GELLED = "gelled"
    DEMOLDED = "demolded"
    TRIMMED = "trimmed"


SHARED = (Mark.WITNESS_SOFT, Mark.WITNESS_HARD, Mark.VENTED, Mark.OUT_OF_TANK)
"""Marks about the tank: they hold for every batch that is in it."""

OF_A_CYCLE = (Mark.WITNESS_HARD, Mark.VENTED)
"""Marks that hold for one pressure cycle: a tank that is closed again has to be vented again."""

CLEARS: dict[Mark, tuple[TimerKind, ...]] = {
    Mark.STIRRED: (TimerKind.STIR,),
    Mark.POURED: (TimerKind.STIR, TimerKind.POUR_BY),
    Mark.IN_TANK: (TimerKind.STIR, TimerKind.POUR_BY, TimerKind.PRESS_BY, TimerKind.POT_LIFE),
    Mark.GELLED: (TimerKind.POUR_BY, TimerKind.PRESS_BY, TimerKind.POT_LIFE),
    Mark.DEMOLDED: (
        TimerKind.STIR,
        TimerKind.POUR_BY,
        TimerKind.PRESS_BY,
        TimerKind.POT_LIFE,
        TimerKind.DEMOLD,
    ),
    Mark.TRIMMED: (TimerKind.TRIM,),
}
"""Which of its batch's clocks a mark makes pointless."""

SOFT_S = 60.0
"""The least that a witness cup which is still soft is given before it is felt again; a fifth of the
cycle where that is more. (Common practice, no source.)"""


@dataclass(frozen=True, slots=True)
class Live:
    """A mixed batch on its way to finished pieces. `marks` are (mark, at_s), in order."""

    number: int
    recipe: Recipe
    mixed_at_s: float
    contact_at_s: float | None
    total_g: float = 0.0
    pieces: int | None = None
    marks: tuple[tuple[Mark, float], ...] = ()
    good: int = 0
    rejected: int = 0


@dataclass(frozen=True, slots=True)
class Due:
    """The next thing to do for a batch, and since when it could have been done."""

    mark: Mark
    batch: int
    since_s: float


def pressed(recipe: Recipe) -> bool:
    """Whether this recipe's molds go under pressure."""
    return recipe.times.pressure_s is not None


def stages(recipe: Recipe) -> tuple[Mark, ...]:
    """The marks this recipe goes through, in order."""
    tank = (Mark.IN_TANK, Mark.WITNESS_HARD, Mark.VENTED, Mark.OUT_OF_TANK)
    stir = (Mark.STIRRED,) if recipe.times.stir_s else ()
    trim = (Mark.TRIMMED,) if recipe.times.trim_until_s else ()
    return (
        *stir,
        Mark.POURED,
        *(tank if pressed(recipe) else ()),
        Mark.DEMOLDED,
        *trim,
    )


def marked_at_s(live: Live, mark: Mark) -> float | None:
    """When this batch was last marked so; None if never."""
    return next((at for kind, at in reversed(live.marks) if kind is mark), None)


def stage_done(live: Live) -> int:
    """How many of the batch's stages are behind it: a later mark takes the earlier ones with it.

    What was marked of a cycle in the tank counts no more once another cycle has begun.
    """
    order = stages(live.recipe)
    cycle_s = marked_at_s(live, Mark.IN_TANK)
    made = {
        mark
        for mark, at in live.marks
        if mark not in OF_A_CYCLE or cycle_s is None or at >= cycle_s
    }
    return max((i + 1 for i, mark in enumerate(order) if mark in made), default=0)


def finished(live: Live) -> bool:
    """Whether nothing remains to be marked."""
    return stage_done(live) >= len(stages(live.recipe))


def in_tank(live: Live) -> bool:
    """Whether this batch's molds are in the tank."""
    inside = marked_at_s(live, Mark.IN_TANK)
    if inside is None:
        return False
    return not any(
        mark in (Mark.OUT_OF_TANK, Mark.DEMOLDED) and at >= inside for mark, at in live.marks
    )


def due(live: Live, timers: tuple[Timer, ...]) -> Due | None:
    """The next thing to do for this batch, or None while it has to wait for a clock.

    The tank is never called for early: the witness cup comes after the pressure clock, venting
    after the witness cup is hard, the molds after the tank was vented and not closed again.
    """
    done = stage_done(live)
    order = stages(live.recipe)
    if done >= len(order):
        return None
    mark = order[done]
    since_s = live.marks[-1][1] if live.marks else live.mixed_at_s
    if mark in SHARED:
        since_s = _ended_at_s(timers, TimerKind.PRESSURE, None, since_s)
    if mark is Mark.DEMOLDED:
        since_s = _ended_at_s(timers, TimerKind.DEMOLD, live.number, since_s)
    return None if since_s == float("inf") else Due(mark, live.number, since_s)


def oldest_due(lives: tuple[Live, ...], timers: tuple[Timer, ...]) -> Due | None:
    """Of all batches, what has been due longest: the one thing that `next` does."""
    found = [item for live in lives if (item := due(live, timers)) is not None]
    return min(found, key=lambda item: (item.since_s, item.batch), default=None)


def _ended_at_s(
    timers: tuple[Timer, ...], kind: TimerKind, batch: int | None, otherwise_s: float
) -> float:
    """When the clock ended: inf while it runs, `otherwise_s` where there is none (any more)."""
    for timer in timers:
        if timer.kind is kind and (batch is None or timer.batch == batch):
            ended = timer.state is TimerState.ENDED
            return max(timer.ends_at_s, otherwise_s) if ended else float("inf")
    return otherwise_s


def why_not(live: Live, mark: Mark) -> str | None:
    """Why this mark cannot be made on this batch now: one sentence, or None if it can."""
    if mark is Mark.COMBINED:
        return f"Batch {live.number} is mixed already."
    if mark in (*SHARED, Mark.IN_TANK) and not pressed(live.recipe):
        return f"The recipe of batch {live.number} gives no pressure_s, so it has no tank step."
    if mark in SHARED and not in_tank(live):
        return f"Batch {live.number} is not marked in-tank."
    if mark is Mark.TRIMMED and marked_at_s(live, Mark.DEMOLDED) is None:
        return f"Batch {live.number} is not demolded yet."
    repeatable = (Mark.WITNESS_SOFT, Mark.IN_TANK)
    if mark not in repeatable and marked_at_s(live, mark) is not None:
        return f"Batch {live.number} is already marked {mark.value}."
    if mark is Mark.IN_TANK and in_tank(live):
        return f"Batch {live.number} is already marked in-tank."
    order = stages(live.recipe)
    if mark in order and order.index(mark) < stage_done(live):
        return f"Batch {live.number} is past {mark.value}."
    return None


def with_mark(live: Live, mark: Mark, at_s: float) -> Live:
    """The batch with the mark made."""
    return replace(live, marks=(*live.marks, (mark, at_s)))


def of_batch(timers: tuple[Timer, ...], batch: int) -> tuple[Timer, ...]:
    """The clocks that are this batch's alone: the tank's is everybody's who is in it."""
    return tuple(t for t in timers if t.batch == batch and t.kind is not TimerKind.PRESSURE)


def timers_after(
    live: Live, mark: Mark, at_s: float, timers: tuple[Timer, ...]
) -> tuple[tuple[Timer, ...], tuple[Timer, ...], tuple[Timer, ...]]:
    """The clocks after a mark: (all, cleared ones, started or restarted ones)."""
    gone = tuple(t for t in timers if _cleared_by(t, live, mark))
    new = _started_by(live, mark, at_s, timers)
    replaced = {t.id for t in new}
    kept = tuple(t for t in timers if t not in gone and t.id not in replaced)
    return (*kept, *new), tuple(t for t in gone if t.id not in replaced), new


def _cleared_by(timer: Timer, live: Live, mark: Mark) -> bool:
    if timer.kind is TimerKind.PRESSURE:
        return mark in (Mark.IN_TANK, Mark.VENTED, Mark.OUT_OF_TANK)
    kinds = CLEARS.get(mark, ())
    if mark is Mark.POURED and not pressed(live.recipe):
        kinds = (*kinds, TimerKind.PRESS_BY, TimerKind.POT_LIFE)
    return timer.batch == live.number and timer.kind in kinds


def _started_by(
    live: Live, mark: Mark, at_s: float, timers: tuple[Timer, ...]
) -> tuple[Timer, ...]:
    times = live.recipe.times
    pressure = [t for t in timers if t.kind is TimerKind.PRESSURE]
    if mark is Mark.IN_TANK and times.pressure_s is not None:
        running = [t.ends_at_s - t.started_at_s for t in pressure]
        return (started(live.number, TimerKind.PRESSURE, at_s, max([times.pressure_s, *running])),)
    if mark is Mark.WITNESS_SOFT and times.pressure_s is not None:
        more_s = max(SOFT_S, times.pressure_s / 5)
        found = [extended(t, more_s, at_s) for t in pressure]
        return tuple(found) or (started(live.number, TimerKind.PRESSURE, at_s, more_s),)
    if mark is Mark.DEMOLDED and times.trim_until_s is not None:
        return (started(live.number, TimerKind.TRIM, at_s, times.trim_until_s),)
    return ()
