"""One batch of the record, read from its events: masses, jugs, temperatures, clocks, counts.

Owns which events say what of a batch, and whether a clock was kept. Knows no journal, no file and
no other batch; a member that an event lacks is left open, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from daemon.record_clocks import ClockLine, Cycle, Told, clock_lines


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part: what it was to come to and what it came to, grams as weighed, dye included."""

    name: str
    target_g: float | None = None
    actual_g: float | None = None
    seconds: float | None = None
    top_ups: int = 0
    over_g: float | None = None
    """How far it went past its target's tolerance, where it did."""

    @property
    def error_g(self) -> float | None:
        """Off its target, positive where there is too much."""
        if self.target_g is None or self.actual_g is None:
            return None
        return round(self.actual_g - self.target_g, 3) + 0.0


@dataclass(frozen=True, slots=True)
class CountLine:
    """One count of pieces; `mold` and `cavity` as the person named them."""

    batch: int | None
    at: str
    good: int
    rejected: int
    cause: str = ""
    mold: str = ""
    cavity: str = ""


@dataclass(frozen=True, slots=True)
class BatchLine:
    """One batch, from its opening to the last that was heard of it."""

    number: int
    opened_at: str
    recipe: str = ""
    state: str = "open"
    """open, mixed, closed or abandoned."""
    reason: str = ""
    pieces: int | None = None
    parts: tuple[PartLine, ...] = ()
    ratio_error_pct: float | None = None
    index: float | None = None
    dye_g: float | None = None
    total_g: float | None = None
    mixed_at: str | None = None
    dispense_s: float | None = None
    pot_life_s: float | None = None
    jugs: Mapping[str, str] = field(default_factory=dict)
    """The jug of each part."""
    lots: Mapping[str, str] = field(default_factory=dict)
    celsius: Mapping[str, float] = field(default_factory=dict)
    person: str = ""
    clocks: tuple[ClockLine, ...] = ()
    counts: tuple[CountLine, ...] = ()
    marks: tuple[tuple[str, str], ...] = ()
    """(what, when), in order."""
    gel_s: float | None = None
    corrected: tuple[str, ...] = ()
    """Why targets moved."""
    warned: tuple[str, ...] = ()
    scale_lost: int = 0

    @property
    def good(self) -> int:
        """Pieces counted good."""
        return sum(count.good for count in self.counts)

    @property
    def rejected(self) -> int:
        """Pieces counted as rejects."""
        return sum(count.rejected for count in self.counts)

    @property
    def mixed(self) -> bool:
        """Whether everything came into the cup."""
        return self.mixed_at is not None


# -- the batch -----------------------------------------------------------------------------------


def batch_line(events: Sequence[Told], cycles: Sequence[Cycle] = ()) -> BatchLine:
    """The batch that these events, all of it and in order, tell of.

    `cycles` are the tank's pressure clocks, whosoever batch they are told of.
    """
    line = BatchLine(events[0].batch or 0, events[0].at)
    for event in events:
        line = _told(line, event)
    parts = tuple(_parts(events).values())
    return replace(
        line,
        parts=parts,
        dispense_s=_between(events, "cup.tared", "batch.mixed"),
        clocks=tuple(clock_lines(events, cycles)),
    )


def _told(line: BatchLine, event: Told) -> BatchLine:
    data = event.data
    match event.kind:
        case "batch.opened":
            jugs = {str(k): str(v) for k, v in (data.get("jugs") or {}).items()}
            recipe = str(data.get("recipe") or "")
            return replace(line, recipe=recipe, pieces=data.get("pieces"), jugs=jugs)
        case "mix.contact":
            return replace(line, pot_life_s=data.get("pot_life_s"))
        case "mix.corrected":
            jugs = {str(k): str(v) for k, v in (data.get("jugs") or line.jugs).items()}
            corrected = (*line.corrected, str(data.get("reason") or ""))
            return replace(line, corrected=corrected, jugs=jugs)
        case "batch.warned":
            return replace(line, warned=(*line.warned, *map(str, data.get("warnings") or ())))
        case "batch.mixed":
            names = ("ratio_error_pct", "index", "dye_g", "total_g")
            figures: dict[str, Any] = {name: data.get(name) for name in names}
            return replace(line, state="mixed", mixed_at=event.at, **figures)
        case "batch.closed" | "batch.abandoned":
            state = event.kind.removeprefix("batch.")
            return replace(line, state=state, reason=str(data.get("reason") or ""))
        case "batch.marked":
            return _marked(line, event)
        case "batch.counted":
            return replace(line, counts=(*line.counts, _count(event)))
        case "scale.lost":
            return replace(line, scale_lost=line.scale_lost + 1)
    return line


def _marked(line: BatchLine, event: Told) -> BatchLine:
    kind = str(event.data.get("kind") or "")
    gel_s = event.data.get("seconds") if kind == "gelled" else line.gel_s
    return replace(line, marks=(*line.marks, (kind, event.at)), gel_s=gel_s)


def _count(event: Told) -> CountLine:
    data = event.data
    where = {name: str(data.get(name) or "") for name in ("cause", "mold", "cavity")}
    good, rejected = int(data.get("good") or 0), int(data.get("rejected") or 0)
    return CountLine(event.batch, event.at, good, rejected, **where)


def _between(events: Iterable[Told], first: str, last: str) -> float | None:
    """Seconds from the last event of one kind to the first of another after it."""
    since: int | None = None
    for event in events:
        if event.kind == first:
            since = event.at_us
        elif event.kind == last and since is not None:
            return (event.at_us - since) / 1e6
    return None


# -- parts ---------------------------------------------------------------------------------------


def _parts(events: Iterable[Told]) -> dict[str, PartLine]:
    parts: dict[str, PartLine] = {}
    for event in events:
        for told in event.data.get("parts") or ():
            name = str(told.get("name"))
            parts[name] = _aimed(parts.get(name, PartLine(name)), event.kind, told)
        poured = str(event.data.get("part"))
        if poured in parts:
            parts[poured] = _poured(parts[poured], event)
    return parts


def _aimed(part: PartLine, kind: str, told: Mapping[str, Any]) -> PartLine:
    """A target counts until the part is poured; the mixed cup says what truly went in."""
    if kind == "batch.mixed":
        aimed = part.target_g if part.target_g is not None else told.get("target_g")
        return replace(part, actual_g=told.get("actual_g", part.actual_g), target_g=aimed)
    return replace(part, target_g=told.get("target_g")) if part.actual_g is None else part


def _poured(part: PartLine, event: Told) -> PartLine:
    data = event.data
    if event.kind in ("part.started", "part.landed") and "target_g" in data:
        part = replace(part, target_g=data["target_g"])
    if event.kind not in ("part.short", "part.landed", "part.over"):
        return part
    part = replace(part, actual_g=data.get("actual_g", part.actual_g))
    match event.kind:
        case "part.short":
            return replace(part, top_ups=part.top_ups + 1)
        case "part.over":
            return replace(part, over_g=data.get("over_g"))
    return replace(part, seconds=data.get("seconds"))
