"""The only clock: this machine's, one moved by hand, and the daemon's own time line on either.

Owns how the time line goes on after a restart and how a stepped wall clock is noticed. Does not
know what runs on it. Whole microseconds throughout, so that a replay computes with the same values.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Protocol

STEP_US = 500_000
"""A change of wall time against elapsed time that is a step. Drift moves both clocks alike, so what
is left between two looks is far below this; a time server's correction or a person's is above."""

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Ticks(Protocol):
    """What a driver or the loop needs of a clock."""

    def now_us(self) -> int:
        """Microseconds on this clock's line; never runs backwards."""

    def now_s(self) -> float:
        """The same in seconds."""

    def wall_offset_us(self) -> int:
        """What to add to `now_us` for microseconds of wall time since the epoch, UTC."""

    def boot_id(self) -> str:
        """Names this start of the machine; empty where the machine does not say."""


class Clock:
    """The machine's clock: time since it started, the time it slept included."""

    def now_us(self) -> int:
        """Microseconds since the machine started."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000

    def now_s(self) -> float:
        """Seconds since the machine started."""
        return self.now_us() / 1e6

    def wall_offset_us(self) -> int:
        """Wall time minus `now_us`, as it is at this moment; a few microseconds of jitter."""
        return time.time_ns() // 1000 - self.now_us()

    def boot_id(self) -> str:
        """The kernel's name for this start; empty where it cannot be read."""
        try:
            return _BOOT_ID.read_text(encoding="ascii").strip()
        except OSError:
            return ""


def wall_s() -> float:
    """Seconds since the epoch by the machine's wall clock."""
    return time.time()


def today() -> date:
    """The day it is in UTC by the machine's wall clock."""
    return datetime.now(UTC).date()


class HandClock:
    """A clock that stands still until it is moved, with the shape of `Clock`."""

    def __init__(self, now_s: float = 0.0, wall_s: float = 1_767_225_600.0) -> None:
        """Start `now_s` after the machine did; the wall shows `wall_s` (2026-01-01T00:00:00Z)."""
        self._now_us = round(now_s * 1e6)
        self._wall_us = round(wall_s * 1e6)
        self._boot = 1

    def now_us(self) -> int:
        """Microseconds since the pretended start of the machine."""
        return self._now_us

    def now_s(self) -> float:
        """Seconds since the pretended start of the machine."""
        return self._now_us / 1e6

    def wall_offset_us(self) -> int:
        """Wall time minus `now_us`."""
        return self._wall_us - self._now_us

    def boot_id(self) -> str:
        """Another one after each `reboot`."""
        return f"boot-{self._boot}"

    def advance(self, seconds: float) -> None:
        """Let time pass, on the wall too. Raises ValueError for a time that is gone."""
        if seconds < 0:
            raise ValueError("time does not run backwards")
        self._now_us += round(seconds * 1e6)
        self._wall_us += round(seconds * 1e6)

    def step_wall(self, seconds: float) -> None:
        """Set the wall clock forward, or back, while no time passes."""
        self._wall_us += round(seconds * 1e6)

    def reboot(self, off_s: float = 0.0) -> None:
        """Start the machine again after `off_s` without power, during which the wall clock ran."""
        self._now_us = 0
        self._wall_us += round(off_s * 1e6)
        self._boot += 1


@dataclass(frozen=True, slots=True)
class Mark:
    """One instant on every clock at once: what has to be kept for the time line to go on."""

    at_us: int
    boot_id: str
    boottime_us: int
    wall_us: int


class GoesOn(StrEnum):
    """How far a time line that was taken up again can be trusted."""

    NEW = "new"
    SAME_BOOT = "same-boot"
    """The machine ran all the while: exact."""
    BY_WALL = "by-wall"
    """The machine was restarted: as good as its wall clock."""
    WALL_BEHIND = "wall-behind"
    """The wall clock shows a time before the last mark, so how long it was off is not known."""


def elapsed_us(saved: Mark, boot_id: str, boottime_us: int, wall_us: int) -> tuple[int, GoesOn]:
    """Microseconds from a mark to now, never negative, and by which clock they were measured."""
    if boot_id and boot_id == saved.boot_id and boottime_us >= saved.boottime_us:
        return boottime_us - saved.boottime_us, GoesOn.SAME_BOOT
    if wall_us >= saved.wall_us:
        return wall_us - saved.wall_us, GoesOn.BY_WALL
    return 0, GoesOn.WALL_BEHIND


class Timeline:
    """The daemon's own time: starts at 0 with a store, never runs backwards, outlives restarts.

    The wall offset is the one last adopted, so times told earlier and later agree until a step of
    the wall clock has been noticed.
    """

    def __init__(self, clock: Ticks, saved: Mark | None = None) -> None:
        """Begin at 0, or where `saved` says that the line has got to by now."""
        self._clock = clock
        self._boot_id = clock.boot_id()
        now_us, offset_us = clock.now_us(), clock.wall_offset_us()
        at_us, self.goes_on = 0, GoesOn.NEW
        if saved is not None:
            gone_us, self.goes_on = elapsed_us(saved, self._boot_id, now_us, now_us + offset_us)
            at_us = saved.at_us + gone_us
        self._shift_us = at_us - now_us
        self._clock_offset_us = offset_us

    def now_us(self) -> int:
        """Microseconds on the daemon's time line."""
        return self._clock.now_us() + self._shift_us

    def now_s(self) -> float:
        """Seconds on the daemon's time line."""
        return self.now_us() / 1e6

    def wall_offset_us(self) -> int:
        """What to add to `now_us` for wall time; changes only when `stepped` says so."""
        return self._clock_offset_us - self._shift_us

    def boot_id(self) -> str:
        """Names the start of the machine."""
        return self._boot_id

    def mark(self) -> Mark:
        """The present instant, to be kept. Its wall time is the machine's, stepped or not."""
        now_us = self._clock.now_us()
        wall_us = now_us + self._clock.wall_offset_us()
        return Mark(now_us + self._shift_us, self._boot_id, now_us, wall_us)

    def stepped(self) -> int | None:
        """The new wall offset in microseconds if the wall clock was set since, and adopt it."""
        offset_us = self._clock.wall_offset_us()
        if abs(offset_us - self._clock_offset_us) <= STEP_US:
            return None
        self._clock_offset_us = offset_us
        return self.wall_offset_us()
