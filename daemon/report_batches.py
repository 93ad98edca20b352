"""Tables of the record's page on its batches: what went into each, and its clocks.

Owns which columns they have and what stands out in them. Knows no charts and no page around it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from daemon.record import Record
from daemon.record_batch import BatchLine
from daemon.record_clocks import LIMITS, ClockLine
from daemon.report_markup import Cell, Column, Markup, note, section, table
from daemon.report_summary import ratio_off
from daemon.report_words import NOT_KNOWN, Local, clock, day, figure, span

NOTHING = Markup("")


def batches(record: Record, local: Local) -> Markup:
    """One row for each batch: masses, ratio, index, jugs, temperature, pieces."""
    if not record.batches:
        return section("Batches", note("None has been poured yet."))
    parts = list(dict.fromkeys(part.name for batch in record.batches for part in batch.parts))
    seen = _Seen(record.batches)
    columns = [Column("Batch"), Column("At", figures=False)]
    for part in parts:
        columns += [Column(f"{part}, g"), Column("off, g")]
    columns += [Column(head, figures, prose=not head) for head, figures in seen.columns()]
    rows, last_day = [], ""
    for batch in record.batches:
        today = day(batch.opened_at, local)
        at = clock(batch.opened_at, local)
        at = at if today == last_day else f"{today[5:]} {at}"
        last_day = today
        rows.append([batch.number, at, *_masses(batch, parts), *seen.cells(record, batch)])
    dyed = " A tinted part is weighed with its dye." if _tinted(record) else ""
    words = (
        "Off: what landed less the target, which follows what was poured before."
        f"{dyed} +n: top-ups after a short landing. Bold: past what the recipe allows. Raised: what"
        " was poured after an overshoot followed it. Accepted: the mix was taken as it was."
    )
    return section("Batches", table(columns, rows), note(words), long=True)


def _tinted(record: Record) -> bool:
    return record.recipe is not None and record.recipe.dye_part is not None


def _masses(batch: BatchLine, parts: Sequence[str]) -> Iterator[object]:
    own = {part.name: part for part in batch.parts}
    for name in parts:
        part = own.get(name)
        if part is None:
            yield from (NOT_KNOWN, NOT_KNOWN)
            continue
        yield figure(part.actual_g, 2)
        more = f" +{part.top_ups}" if part.top_ups else ""
        yield Cell(figure(part.error_g, 2, sign=True) + more, off=part.over_g is not None)


class _Seen:
    """The columns that at least one batch has something for."""

    def __init__(self, all_batches: Sequence[BatchLine]) -> None:
        self.ratio = any(b.ratio_error_pct is not None for b in all_batches)
        self.index = any(b.index is not None for b in all_batches)
        self.jugs = any(b.jugs for b in all_batches)
        self.warm = any(b.celsius for b in all_batches)
        self.pieces = any(b.pieces or b.counts for b in all_batches)

    def columns(self) -> Iterator[tuple[str, bool]]:
        """Head, and whether it holds figures."""
        yield from [("Ratio, %", True)] * self.ratio + [("Index", True)] * self.index
        yield from [("Jugs, lots", False)] * self.jugs + [("\u00b0C", False)] * self.warm
        yield from [("Good", True), ("Bad", True)] * self.pieces
        yield "", False

    def cells(self, record: Record, batch: BatchLine) -> Iterator[object]:
        """One batch in these columns."""
        if self.ratio:
            said = figure(batch.ratio_error_pct, 2, sign=True)
            yield Cell(said, off=ratio_off(record, batch))
        if self.index:
            yield figure(batch.index)
        if self.jugs:
            yield _drawn(batch)
        if self.warm:
            yield _warm(batch.celsius)
        if self.pieces:
            of = "" if batch.pieces is None else f" of {batch.pieces}"
            yield f"{batch.good if batch.counts else NOT_KNOWN}{of}"
            yield Cell(str(batch.rejected), off=batch.rejected > 0) if batch.counts else NOT_KNOWN
        yield _remarks(batch)


def _drawn(batch: BatchLine) -> str:
    said = []
    for part, jug in batch.jugs.items():
        lot = batch.lots.get(part)
        said.append(f"{jug} {lot}" if lot else jug)
    return ", ".join(said) or NOT_KNOWN


def _warm(celsius: Mapping[str, float]) -> str:
    if len(set(celsius.values())) == 1:
        return figure(next(iter(celsius.values())))
    return ", ".join(f"{of} {figure(value)}" for of, value in celsius.items()) or NOT_KNOWN


def _remarks(batch: BatchLine) -> str:
    said = []
    if batch.state in ("open", "abandoned"):
        said.append("given up" if batch.state == "abandoned" else "open")
    if batch.state == "abandoned" and batch.reason:
        said.append(batch.reason)
    if any(part.over_g is not None for part in batch.parts) and "over" in batch.corrected:
        said.append("raised")
    if "accepted" in batch.corrected:
        said.append("accepted")
    if batch.gel_s is not None:
        said.append(f"gelled after {span(batch.gel_s)}")
    if batch.scale_lost:
        said.append(
            "scale lost" if batch.scale_lost == 1 else f"scale lost {batch.scale_lost}\u00d7"
        )
    return "; ".join(dict.fromkeys(said))


# -- clocks --------------------------------------------------------------------------------------

_KINDS = {
    "pour-by": "Poured by",
    "press-by": "Under pressure by",
    "pressure": "Pressure held",
    "demold": "Demolded after",
    "trim": "Trimmed by",
}


def clocks(record: Record) -> Markup:
    """Each clock of each batch: how much time was to spare, or by how much it was missed."""
    told = {c.kind for b in record.batches for c in b.clocks if c.state != "open"}
    kinds = [kind for kind in _KINDS if kind in told]
    if not kinds:
        return NOTHING
    columns = [Column("Batch"), Column("Pot life, s"), *(Column(_KINDS[kind]) for kind in kinds)]
    rows = []
    for batch in record.batches:
        own = {c.kind: c for c in batch.clocks if c.state != "open" and c.kind in kinds}
        if own:
            said = [_clock_cell(own.get(kind)) for kind in kinds]
            rows.append([batch.number, figure(batch.pot_life_s, 0), *said])
    words = (
        "Time to spare for what had to be done by then, and time past the end of a wait."
        f" {NOT_KNOWN}: not marked; batches without a mark are left out."
    )
    return section("Clocks kept and missed", table(columns, rows), note(words), long=True)


def _clock_cell(line: ClockLine | None) -> object:
    if line is None:
        return NOT_KNOWN
    if line.spare_s is None:
        return "kept"
    if line.state == "missed":
        return Cell(f"{span(line.spare_s)} {'late' if line.kind in LIMITS else 'early'}", off=True)
    return span(line.spare_s)
