"""Pieces as they were counted: rejects by cause, and by mold and cavity, so that a bad one shows.

Owns those sums and when a cavity stands out. Knows no order beyond how many cavities there are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.record_batch import CountLine
from recipes.yields import chance_of_enough, share_interval

BY_CHANCE = 0.05
"""A cavity stands out where chance alone gave any of them so many rejects less often than this."""


@dataclass(frozen=True, slots=True)
class Tally:
    """All that was counted. `low` and `high` bound the reject rate (Clopper and Pearson, 95 %)."""

    good: int
    rejected: int
    low: float
    high: float

    @property
    def counted(self) -> int:
        """Pieces that were looked at."""
        return self.good + self.rejected

    @property
    def share(self) -> float | None:
        """The share of rejects; None before anything was counted."""
        return self.rejected / self.counted if self.counted else None


@dataclass(frozen=True, slots=True)
class Cell:
    """One cavity of one mold, as the person named them; empty names where none was said."""

    mold: str
    cavity: str
    rejected: int
    causes: str
    stands_out: bool


def tally(counts: Sequence[CountLine]) -> Tally:
    """Good and rejected, and how sure the rate is."""
    good, rejected = sum(c.good for c in counts), sum(c.rejected for c in counts)
    low, high = share_interval(rejected, good + rejected)
    return Tally(good, rejected, low, high)


def causes(counts: Sequence[CountLine]) -> tuple[tuple[str, int], ...]:
    """Rejects by cause, the most frequent first; an unnamed cause is empty and comes last."""
    found: Counter[str] = Counter()
    for count in counts:
        found[count.cause] += count.rejected
    named = [(cause, rejects) for cause, rejects in found.most_common() if rejects]
    return tuple(sorted(named, key=lambda item: item[0] == ""))


def cells(
    counts: Sequence[CountLine], cavities: int | None = None, molds: int = 1
) -> tuple[Cell, ...]:
    """Rejects by cavity, the worst first; only of counts that name a mold or a cavity.

    `cavities` of one mold and `molds` in hand are the order's; without them as many are assumed as
    were named. A cavity stands out where so many of these rejects would come by chance to any of
    equally good ones in fewer than one order in 20 (binomial, times the number of cavities).
    """
    placed = [count for count in counts if count.rejected and (count.mold or count.cavity)]
    found: dict[tuple[str, str], Counter[str]] = {}
    for count in placed:
        causes_here = found.setdefault((count.mold, count.cavity), Counter())
        causes_here[count.cause] += count.rejected
    many = max(_how_many(placed, cavities, molds), len(found), 1)
    total = sum(count.rejected for count in placed)
    lines = [
        _cell(place, where, total, many)
        for place, where in sorted(found.items(), key=lambda item: -item[1].total())
    ]
    return tuple(lines)


def _how_many(placed: Sequence[CountLine], cavities: int | None, molds: int) -> int:
    """Cavities that a reject could have come from, as finely as the counts tell them apart."""
    of_a_mold = cavities if any(count.cavity for count in placed) else 1
    if of_a_mold is None:
        numbers = [int(count.cavity) for count in placed if count.cavity.isdecimal()]
        of_a_mold = max(numbers, default=1)
    return of_a_mold * (molds if any(count.mold for count in placed) else 1)


def _cell(place: tuple[str, str], where: Counter[str], total: int, many: int) -> Cell:
    rejected = where.total()
    chance = chance_of_enough(rejected, total, 1 / many) * many if many > 1 else 1.0
    said = ", ".join(
        f"{cause} {n}" if n > 1 else cause for cause, n in where.most_common() if cause
    )
    return Cell(*place, rejected, said, chance < BY_CHANCE)
