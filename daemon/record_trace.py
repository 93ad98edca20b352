"""A batch's pours as lines to be drawn: grams of each part over the seconds of its dispense.

Owns how readings become a part's mass, and how a line is thinned without changing its looks. Knows
no decoder and no journal: readings come as pairs of an instant and what the scale showed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot

from daemon.record_clocks import Told

POINTS_WIDE, POINTS_HIGH = 440, 260
"""A drawing is looked at no finer than this; what lies within half a step of a line is left out."""
CUES = ("stop.coarse", "stop.fine")
ENDS = ("batch.mixed", "batch.abandoned", "batch.closed")

Point = tuple[float, float]
"""Seconds from the first part's start, and grams of the part."""


@dataclass(frozen=True, slots=True)
class PartTrace:
    """One part: how its mass rose, where it was told to ease off and to stop, and its target."""

    name: str
    target_g: float | None
    points: tuple[Point, ...]
    cues: tuple[tuple[str, Point], ...]


@dataclass(frozen=True, slots=True)
class Trace:
    """The pours of one batch; a part that was poured twice has two lines."""

    batch: int
    parts: tuple[PartTrace, ...]

    @property
    def seconds(self) -> float:
        """From the first part's start to the last point."""
        return max((p[-1][0] for part in self.parts if (p := part.points)), default=0.0)


def span_us(events: Sequence[Told]) -> tuple[int, int] | None:
    """When a batch was dispensed, from its first part's start to its end; None before it began."""
    begins = next((e.at_us for e in events if e.kind == "part.started"), None)
    if begins is None:
        return None
    ends = next((e.at_us for e in events if e.kind in ENDS), None)
    return begins, ends if ends is not None else max(e.at_us for e in events)


def trace(
    events: Sequence[Told], readings: Iterable[tuple[int, float]], *, loss: bool = False
) -> Trace | None:
    """The pours of the batch that these events are of; None where nothing of it can be drawn.

    `readings` are (instant on the daemon's time line in us, grams shown), in order, and begin
    before the first part. A part's mass counts from what was shown as it began; `loss`: the
    container stands on the scale, so that what is shown falls.
    """
    span = span_us(events)
    if span is None:
        return None
    shown = list(readings)
    parts = [part for part in _parts(events, shown, span, -1 if loss else 1) if part.points]
    return Trace(events[0].batch or 0, tuple(parts)) if parts else None


def _parts(
    events: Sequence[Told], shown: Sequence[tuple[int, float]], span: tuple[int, int], sign: int
) -> Iterator[PartTrace]:
    begins_us, ends_us = span
    starts = [e for e in events if e.kind == "part.started"]
    landed: dict[str, float] = {}
    for index, start in enumerate(starts):
        name = str(start.data.get("part"))
        until_us = starts[index + 1].at_us if index + 1 < len(starts) else ends_us
        before = [grams for at_us, grams in shown if at_us <= start.at_us]
        own = [
            e for e in events if e.data.get("part") == name and start.at_us <= e.at_us <= until_us
        ]
        base_g = before[-1] if before else None
        offset_g = landed.get(name, 0.0) if (start.data.get("round") or 1) > 1 else 0.0
        points = [
            ((at_us - begins_us) / 1e6, sign * (grams - base_g) + offset_g)
            for at_us, grams in shown
            if base_g is not None and start.at_us <= at_us <= until_us
        ]
        cues = tuple(
            (e.kind, ((e.at_us - begins_us) / 1e6, float(e.data.get("reading_g") or 0.0)))
            for e in own
            if e.kind in CUES
        )
        landed[name] = next(
            (e.data["actual_g"] for e in reversed(own) if "actual_g" in e.data), offset_g
        )
        yield PartTrace(name, start.data.get("target_g"), thinned(points), cues)


# -- thinned -------------------------------------------------------------------------------------


def thinned(points: Sequence[Point]) -> tuple[Point, ...]:
    """The points that a drawing needs: each one left out lies within half a step of the line.

    (Douglas and Peucker, 1973; without recursion, so that no pour is too long for it.)
    """
    if len(points) < 3:
        return tuple(points)
    wide = POINTS_WIDE / ((points[-1][0] - points[0][0]) or 1.0)
    high = POINTS_HIGH / ((max(g for _, g in points) - min(g for _, g in points)) or 1.0)
    scaled = [(s * wide, g * high) for s, g in points]
    kept, stretches = {0, len(points) - 1}, [(0, len(points) - 1)]
    while stretches:
        first, last = stretches.pop()
        far, index = max(
            ((_off(scaled[i], scaled[first], scaled[last]), i) for i in range(first + 1, last)),
            default=(0.0, 0),
        )
        if far > 0.5:
            kept.add(index)
            stretches += [(first, index), (index, last)]
    return tuple((round(points[i][0], 2), round(points[i][1], 2)) for i in sorted(kept))


def _off(point: Point, first: Point, last: Point) -> float:
    """How far a point is from the straight line between two others."""
    dx, dy = last[0] - first[0], last[1] - first[1]
    length = hypot(dx, dy)
    if length == 0:
        return hypot(point[0] - first[0], point[1] - first[1])
    return abs(dx * (first[1] - point[1]) - dy * (first[0] - point[0])) / length
