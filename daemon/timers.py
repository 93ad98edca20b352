"""The clocks of a batch: started, warned before they end, ended, cleared; and which is next.

Owns when a clock warns and ends. Knows no wall time, no sound and no screen, and does not know what
a batch does when a clock ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class TimerKind(StrEnum):
    """The clocks the trade runs on a batch."""

    POT_LIFE = "pot-life"
    POUR_BY = "pour-by"
    PRESS_BY = "press-by"
    STIR = "stir"
    PRESSURE = "pressure"
    DEMOLD = "demold"
    TRIM = "trim"


class TimerState(StrEnum):
    """Where a clock stands; a cleared one is gone."""

    RUNNING = "running"
    WARNED = "warned"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Timer:
    """One clock on the daemon's time line (seconds)."""

    id: str
    batch: int | None
    kind: TimerKind
    started_at_s: float
    warn_at_s: float | None
    ends_at_s: float
    state: TimerState = TimerState.RUNNING


@dataclass(frozen=True, slots=True)
class TimerNews:
    """A clock that has just warned or ended."""

    timer: Timer


_LIMITS = frozenset({TimerKind.POT_LIFE, TimerKind.POUR_BY, TimerKind.PRESS_BY, TimerKind.TRIM})
"""Clocks that end a chance: these warn early. The others end a wait: a short notice is enough."""


def warn_before_s(kind: TimerKind, length_s: float) -> float | None:
    """Seconds before the end at which this clock warns; None where a warning would only be noise.

    A limit warns with a fifth of its length left, at least 15 s and at most 10 min (time to leave
    what one is doing and come); a wait gives one minute's notice, or a tenth where it is short.
    (Common practice, no source.)
    """
    if kind in _LIMITS:
        return min(max(length_s / 5, 15.0), 600.0) if length_s > 20.0 else None
    if kind is TimerKind.STIR or length_s < 60.0:
        return None
    return min(60.0, length_s / 10)


def started(batch: int, kind: TimerKind, at_s: float, length_s: float) -> Timer:
    """A clock of `length_s` seconds that starts at `at_s`; a batch has one of each kind."""
    before = warn_before_s(kind, length_s)
    return Timer(
        id=f"{kind.value}-{batch}",
        batch=batch,
        kind=kind,
        started_at_s=at_s,
        warn_at_s=None if before is None else at_s + length_s - before,
        ends_at_s=at_s + length_s,
    )


def extended(timer: Timer, extend_s: float, at_s: float) -> Timer:
    """The same clock ending `extend_s` later (from now, where it has already ended)."""
    ends_at_s = max(timer.ends_at_s, at_s) + extend_s
    before = warn_before_s(timer.kind, ends_at_s - timer.started_at_s)
    warn_at_s = None if before is None else max(at_s, ends_at_s - before)
    return replace(timer, ends_at_s=ends_at_s, warn_at_s=warn_at_s, state=TimerState.RUNNING)


def next_due_s(timers: tuple[Timer, ...]) -> float | None:
    """The next instant at which one of these clocks has something to say."""
    due = [at for at in map(_due_s, timers) if at is not None]
    return min(due, default=None)


def advance(
    timers: tuple[Timer, ...], at_s: float
) -> tuple[tuple[Timer, ...], tuple[TimerNews, ...]]:
    """These clocks at `at_s`, and what they say, earliest first.

    A clock whose end has passed (the daemon was down) says only that it has ended: a warning after
    the end helps nobody.
    """
    if not any((due := _due_s(timer)) is not None and due <= at_s for timer in timers):
        return timers, ()
    moved = tuple(_moved(timer, at_s) for timer in timers)
    news = [TimerNews(new) for old, new in zip(timers, moved, strict=True) if new is not old]
    news.sort(key=lambda item: (item.timer.ends_at_s, item.timer.id))
    return moved, tuple(news)


def _due_s(timer: Timer) -> float | None:
    if timer.state is TimerState.ENDED:
        return None
    if timer.state is TimerState.RUNNING and timer.warn_at_s is not None:
        return timer.warn_at_s
    return timer.ends_at_s


def _moved(timer: Timer, at_s: float) -> Timer:
    if timer.state is TimerState.ENDED:
        return timer
    if at_s >= timer.ends_at_s:
        return replace(timer, state=TimerState.ENDED)
    if (
        timer.state is TimerState.RUNNING
        and timer.warn_at_s is not None
        and at_s >= timer.warn_at_s
    ):
        return replace(timer, state=TimerState.WARNED)
    return timer
