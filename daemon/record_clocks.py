"""The clocks of a batch as they turned out: what was done in time, and what too late or too early.

Owns which mark belongs to which clock and how the two compare. Knows no journal, and nothing of a
batch but its clocks and marks. Instants are those of the daemon's time line, so that a wall clock
that was set meanwhile shortens nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from daemon.messages import parse_rfc3339

LIMITS: Mapping[str, str] = {
    "pour-by": "poured",
    "press-by": "in-tank",
    "pot-life": "poured",
    "trim": "trimmed",
}
"""Clocks that end a chance, and the mark that has to come before their end."""
WAITS: Mapping[str, str] = {"stir": "stirred", "pressure": "vented", "demold": "demolded"}
"""Clocks that end a wait, and the mark that must not come before their end."""
STAGES = ("stirred", "poured", "in-tank", "witness-hard", "vented", "out-of-tank", "demolded")
"""Marks in the order of the bench: a later one tells that the earlier ones are behind it."""


class Told(Protocol):
    """An event as it stands in the journal."""

    @property
    def seq(self) -> int:
        """Its number."""

    @property
    def at_us(self) -> int:
        """Its instant on the daemon's time line, which no stepped wall clock moves."""

    @property
    def at(self) -> str:
        """The same as wall time."""

    @property
    def kind(self) -> str:
        """What happened."""

    @property
    def batch(self) -> int | None:
        """The batch it belongs to."""

    @property
    def data(self) -> dict[str, Any]:
        """Its members."""


Cycle = tuple[int, int, str]
"""One pressure clock: when it was started and when it was to end, us; that end as wall time."""


@dataclass(frozen=True, slots=True)
class ClockLine:
    """One clock of a batch. `spare_s`: seconds between its end and the mark, negative if missed.

    `state`: kept, missed, or open (not marked, or not yet due).
    """

    kind: str
    mark: str
    ends_at: str
    marked_at: str | None
    spare_s: float | None
    state: str


def clock_lines(events: Sequence[Told], cycles: Sequence[Cycle]) -> Iterator[ClockLine]:
    """Every clock that was started, judged by the mark that belongs to it."""
    ends: dict[str, tuple[int, str]] = {}
    marks = [event for event in events if event.kind == "batch.marked"]
    for event in events:
        if event.kind == "timer.started":
            kind = str(event.data.get("timer_kind") or "")
            ends[kind] = timer_end(event)
    ends.pop("pressure", None)
    under = _own_cycle(marks, cycles)
    if under is not None:
        ends["pressure"] = under
    for kind, (end_us, ends_at) in ends.items():
        if kind in LIMITS:
            yield _limit(kind, end_us, ends_at, marks)
        elif kind in WAITS:
            yield _wait(kind, end_us, ends_at, marks)


def timer_end(event: Told) -> tuple[int, str]:
    """When a clock that was started ends, on the time line and as wall time."""
    ends_at = str(event.data.get("ends_at") or event.at)
    try:
        length_s = parse_rfc3339(ends_at) - parse_rfc3339(event.at)
    except ValueError:
        length_s = 0.0
    return event.at_us + round(length_s * 1e6), ends_at


def _own_cycle(marks: Sequence[Told], cycles: Sequence[Cycle]) -> tuple[int, str] | None:
    """The pressure clock that this batch was last under: molds in the tank share one."""
    inside = [m.at_us for m in marks if m.data.get("kind") == "in-tank"]
    outside = [m.at_us for m in marks if m.data.get("kind") == "vented"]
    if not inside:
        return None
    until = outside[-1] if outside else None
    mine = [
        (end_us, ends_at)
        for start_us, end_us, ends_at in cycles
        if start_us >= inside[0] and (until is None or start_us <= until)
    ]
    return mine[-1] if mine else None


def _limit(kind: str, end_us: int, ends_at: str, marks: Sequence[Told]) -> ClockLine:
    mark = LIMITS[kind]
    made = next((m for m in marks if m.data.get("kind") == mark), None)
    if made is not None:
        spare_s = (end_us - made.at_us) / 1e6
        state = "kept" if spare_s >= 0 else "missed"
        return ClockLine(kind, mark, ends_at, made.at, round(spare_s, 1), state)
    later = STAGES[STAGES.index(mark) + 1 :] if mark in STAGES else ()
    behind = any(m.data.get("kind") in later and m.at_us <= end_us for m in marks)
    return ClockLine(kind, mark, ends_at, None, None, "kept" if behind else "open")


def _wait(kind: str, end_us: int, ends_at: str, marks: Sequence[Told]) -> ClockLine:
    mark = WAITS[kind]
    made = next((m for m in reversed(marks) if m.data.get("kind") == mark), None)
    if made is None:
        return ClockLine(kind, mark, ends_at, None, None, "open")
    spare_s = (made.at_us - end_us) / 1e6
    # A clock that rings and a mark made at its ringing are one instant.
    state = "kept" if spare_s >= -1.0 else "missed"
    return ClockLine(kind, mark, ends_at, made.at, round(spare_s, 1), state)


def cycles_of(events: Sequence[Told]) -> Iterator[Cycle]:
    """All pressure clocks that were started, in order."""
    for event in events:
        if event.kind == "timer.started" and event.data.get("timer_kind") == "pressure":
            yield (event.at_us, *timer_end(event))
