"""What the core asks for: a record, a sound, an answer. Frozen requests; nothing here acts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Pattern(StrEnum):
    """What can be heard. Each has a rhythm and pitch of its own."""

    COARSE = "coarse"
    FINE = "fine"
    OVER = "over"
    LANDED = "landed"
    SHORT = "short"
    TARED = "tared"
    ASK = "ask"
    CLOCK_WARN = "clock-warn"
    CLOCK_END = "clock-end"
    TROUBLE = "trouble"
    MIXED = "mixed"


@dataclass(frozen=True, slots=True)
class Record:
    """Write this event in the journal, then tell it. `data` is JSON-ready and already rounded."""

    at_s: float
    kind: str
    batch: int | None
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Sound:
    """Let this be heard now; waits for nothing."""

    pattern: Pattern


@dataclass(frozen=True, slots=True)
class Answer:
    """The one answer to a command; told after the commit of what the command did."""

    id: str | int | float | None
    ok: bool
    error: str | None = None


Effect = Record | Sound | Answer
