"""What an order still takes: batches left, and when its last cup is poured, with an honest range.

Owns that reckoning. Knows no clock: it counts on from the last batch, so the answer changes with a
batch and not with the hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from statistics import median

from daemon.messages import parse_rfc3339, rfc3339
from daemon.record import Record
from daemon.record_work import BREAK_S
from recipes.yields import pieces_to_start, share_interval

BELIEVED_PIECES = 40
"""Until so many are counted, the expected reject rate stands for the rest of them (common practice,
no source)."""
SURE = 0.9
"""The range holds the true reject rate so often."""
LAST_GAPS = 10
"""The pace is that of the last few batches."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Batches still to pour and when the last is mixed: likely, and from the least to the most."""

    batches: int
    least: int
    most: int
    at: str | None = None
    early_at: str | None = None
    late_at: str | None = None


def forecast(record: Record) -> Forecast | None:
    """What is left of an order; None without one, or where its file is not understood."""
    if record.order is None:
        return None
    planned = len(record.planned) or int(record.plan.get("batches") or 0)
    left = max(planned + record.extended - record.dropped - len(record.mixed), 0)
    least, most = _range(record, left)
    pace = _pace(record)
    if pace is None or left == 0 or not record.mixed:
        return Forecast(left, least, most)
    last_s = parse_rfc3339(record.mixed[-1].mixed_at or record.last_at)
    quick_s, usual_s, slow_s = pace
    return Forecast(
        left,
        least,
        most,
        rfc3339(last_s + left * usual_s),
        rfc3339(last_s + least * quick_s),
        rfc3339(last_s + most * slow_s),
    )


def _range(record: Record, left: int) -> tuple[int, int]:
    """The fewest and the most batches, by the range of the reject rate as counted so far.

    The most: at the highest rate, with as many started as make sure of the order.
    """
    order, counted = record.order, record.tally
    if order is None:
        return left, left
    believed = max(BELIEVED_PIECES - counted.counted, 0)
    expected = round(order.allow.reject_pct / 100 * believed)
    low, high = share_interval(expected + counted.rejected, believed + counted.counted, SURE)
    started = sum(batch.pieces or 0 for batch in record.mixed)
    to_count = max(started - counted.counted, 0)
    need = max(order.pieces - counted.good, 0)
    full = max((pieces or 0 for pieces, _ in record.planned), default=0) or order.mold.cavities
    least, most = (
        max(ceil((pieces_to_start(need, 1 - share, sure) - to_count) / full), 0)
        for share, sure in ((low, 0.5), (min(high, 0.9), order.allow.confidence_pct / 100))
    )
    return min(least, left), max(most, left)


def _pace(record: Record) -> tuple[float, float, float] | None:
    """Seconds from one batch to the next: quick, usual and slow; None before two were mixed."""
    mixed_s = [parse_rfc3339(batch.mixed_at) for batch in record.mixed if batch.mixed_at]
    gaps = [b - a for a, b in pairwise(mixed_s) if 0 < b - a <= BREAK_S][-LAST_GAPS:]
    if not gaps:
        return None
    ordered = sorted(gaps)
    quarter = len(ordered) // 4
    return ordered[quarter], median(ordered), ordered[-1 - quarter]
