"""What can happen to the bench. Frozen values, past tense; time comes inside them.

`at_s` is seconds on the daemon's own time line, which never runs backwards and goes on across a
restart; wall time is that plus an offset which `WallStepped` changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from drivers.reading import Garbled, Reading


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """A good frame arrived."""

    reading: Reading

    @property
    def at_s(self) -> float:
        """When its last byte arrived."""
        return self.reading.at_s


@dataclass(frozen=True, slots=True)
class LineGarbled:
    """Bytes arrived that are no frame."""

    garbled: Garbled

    @property
    def at_s(self) -> float:
        """When they were given up."""
        return self.garbled.at_s


@dataclass(frozen=True, slots=True)
class Commanded:
    """Somebody asked for something: a key, a phone, a script. `do` is the validated command."""

    at_s: float
    do: dict[str, Any]
    id: str | int | float | None = None
    asked_by: str = ""


@dataclass(frozen=True, slots=True)
class PortLost:
    """The scale's port went away or fell silent."""

    at_s: float
    port: str
    why: str


@dataclass(frozen=True, slots=True)
class PortFound:
    """The scale's port is open (again)."""

    at_s: float
    port: str


@dataclass(frozen=True, slots=True)
class ProfileFound:
    """The line shape was recognised or given."""

    at_s: float
    profile: str


@dataclass(frozen=True, slots=True)
class WallStepped:
    """The wall clock was set: wall = at_s + wall_offset_s from now on."""

    at_s: float
    wall_offset_s: float


@dataclass(frozen=True, slots=True)
class Started:
    """The daemon started on this store (`resumed`: with a batch or clocks still alive).

    `wall_offset_s` is the wall clock's as it was found; 0: as it was before.
    """

    at_s: float
    version: str
    resumed: bool
    bench: str = "bench"
    risk_pct: float = 2.0
    wall_offset_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TimeCame:
    """An instant that the core asked to be woken at: `at_s` is the instant, not the waking."""

    at_s: float


Event = (
    ReadingTaken
    | LineGarbled
    | Commanded
    | PortLost
    | PortFound
    | ProfileFound
    | WallStepped
    | Started
    | TimeCame
)
