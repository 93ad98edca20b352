"""One weighing as a scale sent it, or one line that could not be read.

Knows bytes already turned into values; does not know how they were framed, and keeps no history.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reading:
    """One good frame from a scale.

    `at_s` is the arrival of the frame's last byte on the daemon's own time line, in seconds.
    `text` is the signed weight in reading order with the scale's own decimals ("-12.30"), None when
    the frame carries no weight (overload, status only). `grams` is None without a known mass unit.
    `declared` is the frame's own word on stability: True, False, or None where it does not say.
    `net` likewise says whether the scale's own tare is in use. `trusted` is the driver's judgement
    that at least two agreeing frames stand behind this weight and that nothing contradicts it being
    at rest; it is never True for an overload, a changed unit, or the first frame after a gap.
    """

    at_s: float
    text: str | None
    grams: float | None
    unit: str | None = None
    declared: bool | None = None
    overload: bool = False
    net: bool | None = None
    trusted: bool = False
    offset: int = 0
    """Byte offset in the stream at which the frame was complete."""


@dataclass(frozen=True, slots=True)
class Garbled:
    """A run of bytes that is no legal frame: counted, never believed."""

    at_s: float
    data: bytes
    why: str
