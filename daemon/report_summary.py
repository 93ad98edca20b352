"""What the record comes to: what to mind, what was promised against what came out, the cautions.

Owns which figures are put side by side and when something has to be minded. Knows no markup.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from daemon.cautions import DAMP, DUST, EPOXY, HEAT, ISOCYANATE, TANK, VENT
from daemon.record import Record
from daemon.record_batch import BatchLine
from daemon.report_words import NOT_KNOWN, figure, listed, percent, some
from recipes.model import Role

Row = tuple[str, str, str]
"""What, as promised, as it came out."""


# -- to mind -------------------------------------------------------------------------------------


def to_mind(record: Record) -> list[str]:
    """What somebody who reads nothing else has to know, each in a sentence."""
    return [*_pieces(record), *_mixes(record), *_clocks(record), *_jugs(record), *_money(record)]


def _pieces(record: Record) -> Iterator[str]:
    tally, wanted = record.tally, record.pieces
    if wanted is not None and tally.good < wanted:
        yield f"{wanted - tally.good} of {wanted} good pieces are still to come."
    started = sum(batch.pieces or 0 for batch in record.mixed)
    if started > tally.counted:
        yield f"{some(started - tally.counted, 'piece')} poured and not counted yet."
    for cell in record.cells:
        if cell.stands_out:
            where = [f"mold {cell.mold}"] * bool(cell.mold) + [f"cavity {cell.cavity}"] * bool(
                cell.cavity
            )
            yield (
                f"{', '.join(where).capitalize()} gave {some(cell.rejected, 'reject')}, more than"
                " chance gives: look at it before the next pour."
            )


def _mixes(record: Record) -> Iterator[str]:
    off = [batch.number for batch in record.mixed if ratio_off(record, batch)]
    if off:
        yield f"The ratio was off by more than the recipe allows in {batches(off)}."
    given_up = [batch.number for batch in record.batches if batch.state == "abandoned"]
    if given_up:
        yield f"Given up: {batches(given_up)}."
    if record.drift:
        yield record.drift


def ratio_off(record: Record, batch: BatchLine) -> bool:
    """Whether this mix's ratio was off by more than its recipe allows; no where nobody knows."""
    if record.recipe is None or batch.ratio_error_pct is None:
        return False
    return abs(batch.ratio_error_pct) > record.recipe.stops.ratio_tolerance_pct + 1e-9


def batches(numbers: list[int]) -> str:
    """These batches in words."""
    return f"{'batch' if len(numbers) == 1 else 'batches'} {listed(numbers)}"


_MISSED = {
    "pour-by": "Poured after the mix no longer levels",
    "press-by": "Under pressure too late",
    "pot-life": "Poured past the pot life",
    "trim": "Trimmed too late",
    "pressure": "Vented before the pressure's time was over",
    "demold": "Demolded before its time",
}
"""What a missed clock means; stirring is left to whoever stirs."""


def _clocks(record: Record) -> Iterator[str]:
    for kind, words in _MISSED.items():
        late = [
            batch.number
            for batch in record.batches
            if any(c.kind == kind and c.state == "missed" for c in batch.clocks)
        ]
        if late and not (kind == "pot-life" and _told_better(record, late)):
            yield f"{words}: {batches(late)}."


def _told_better(record: Record, late: list[int]) -> bool:
    """Whether the sharper clock, pour-by, tells of the same batches."""
    sharper = {b.number for b in record.batches for c in b.clocks if c.kind == "pour-by"}
    return set(late) <= sharper


def _jugs(record: Record) -> Iterator[str]:
    use_by = {jug.name: jug.use_by for jug in record.jugs if jug.use_by}
    for name, date in use_by.items():
        late = [
            b.number for b in record.mixed if name in b.jugs.values() and b.opened_at[:10] > date
        ]
        if late:
            yield f"Jug {name} was past its date, {date}, in {batches(late)}."


def _money(record: Record) -> Iterator[str]:
    quoted = (record.plan.get("cost") or {}).get("total")
    if record.cost is None or not quoted or not is_done(record):
        return
    over = float(record.cost.total) / float(quoted) - 1
    if over > 0.05:
        yield f"It cost {percent(over, 0)} more than was quoted."


# -- side by side --------------------------------------------------------------------------------


def is_done(record: Record) -> bool:
    """Whether all good pieces are there; a run that promised none is what it is."""
    return record.pieces is None or record.tally.good >= record.pieces


def material_rows(record: Record) -> list[Row]:
    """Pieces, batches and material; what neither side knows is left out."""
    return _known([*_counts(record), *_materials(record)])


def money_rows(record: Record) -> list[Row]:
    """Hours, cost and price likewise."""
    return _known([*_times(record), *_prices(record)])


def _known(rows: list[Row]) -> list[Row]:
    return [row for row in rows if (row[1], row[2]) != (NOT_KNOWN, NOT_KNOWN)]


def _counts(record: Record) -> Iterator[Row]:
    plan, tally = record.plan, record.tally
    started = sum(batch.pieces or 0 for batch in record.mixed)
    yield "Good pieces", _told(record.pieces), str(tally.good) if tally.counted else NOT_KNOWN
    yield "Pieces started", _told(plan.get("pieces_to_start")), _told(started or None)
    yield "Batches", _told(plan.get("batches")), str(len(record.mixed))
    if record.extended:
        yield "Batches added for rejects", NOT_KNOWN, str(record.extended)
    if record.dropped:
        yield "Batches not needed", NOT_KNOWN, str(record.dropped)
    expected = None if record.order is None else record.order.allow.reject_pct
    found = NOT_KNOWN
    if tally.share is not None:
        found = f"{percent(tally.share)} ({percent(tally.low)} to {percent(tally.high)})"
    yield "Rejects", NOT_KNOWN if expected is None else f"{figure(expected)} %", found


def _materials(record: Record) -> Iterator[Row]:
    planned, used = record.plan.get("material_g") or {}, record.used_g
    for name in dict.fromkeys([*planned, *used]):
        yield f"{name}, g", _told_g(planned.get(name)), _told_g(used.get(name))
    dye_g = sum(batch.dye_g or 0.0 for batch in record.mixed)
    promised_g = record.plan.get("dye_g")
    if promised_g or dye_g:
        yield "Dye in it, g", figure(promised_g, 2), figure(dye_g, 2)


def _times(record: Record) -> Iterator[Row]:
    schedule = record.plan.get("schedule") or {}
    hours, setup = schedule.get("hours"), schedule.get("setup_hours") or 0.0
    if setup:
        yield "Set-up, h", figure(setup), "as quoted"
    quoted = None if hours is None else hours - setup
    yield "At the bench, h", figure(quoted), figure(record.hours or None)


COSTS = (
    ("resin", "Resin"),
    ("dye", "Dye"),
    ("left_over", "Tinted and left over"),
    ("consumables", "Consumables"),
    ("labour", "Labour"),
    ("setup_labour", "Set-up"),
    ("once", "Once: mold, jig"),
    ("total", "Total"),
    ("per_piece", "Each good piece"),
)
"""The cost's figures by name, and in words."""


def _prices(record: Record) -> Iterator[Row]:
    quoted, spent = record.plan.get("cost") or {}, record.cost
    currency = str(quoted.get("currency") or (spent.currency if spent else ""))
    for name, words in COSTS:
        actual = None if spent is None else getattr(spent, name)
        if not (quoted.get(name) or actual):
            continue
        if name == "per_piece" and not is_done(record):
            actual = None
        yield f"{words}, {currency}", _money_said(quoted.get(name)), _money_said(actual)
    price = quoted.get("price")
    if price:
        known = spent is not None and is_done(record)
        left = 1 - float(spent.total) / float(price) if known and spent is not None else None
        margin = figure(quoted.get("margin_pct"))
        now = NOT_KNOWN if left is None else percent(left)
        yield f"Price of all, {currency}", _money_said(price), NOT_KNOWN
        yield "Margin, of the price", f"{margin} %", now


def _money_said(amount: Any) -> str:
    return NOT_KNOWN if amount is None else figure(float(amount), 2)


def _told(value: Any) -> str:
    return NOT_KNOWN if value is None else str(value)


def _told_g(value: Any) -> str:
    return NOT_KNOWN if value is None else figure(float(value), 0)


# -- cautions ------------------------------------------------------------------------------------


def cautions(record: Record) -> list[str]:
    """The cautions that belong to what was poured, short; the bench shows them at their step."""
    recipe = record.recipe
    if recipe is None:
        return [HEAT]
    roles = recipe.cautions_for
    found = [ISOCYANATE, DAMP] if Role.ISOCYANATE in roles else []
    found += [EPOXY] if Role.EPOXY in roles else []
    found += [HEAT]
    found += [TANK, VENT] if recipe.uses_tank else []
    return found + ([DUST] if Role.ISOCYANATE in roles else [])
