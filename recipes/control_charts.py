"""Control charts for single values: limits, weighted averages, runs and capability.

Owns the arithmetic of a series of numbers in the order they came. Knows nothing of what was
measured, in which unit, or what is to be done about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, lgamma, log, sqrt
from statistics import fmean, median

D2 = 1.128
"""Mean range of two values in standard deviations, 2/sqrt(pi), to the three places of the tables
(NIST/SEMATECH e-Handbook 6.3.2.2; ASTM E2587; ISO 7870-2)."""
D4 = 3.267
"""Upper limit of a moving range of two, in mean moving ranges (same tables)."""
D2_MEDIAN = 0.954
"""Median range of two values in standard deviations, 0.6745 sqrt(2): for a sigma that a few strays
do not widen (Wheeler's tables, from memory)."""
SIGMAS = 3.0
"""Where control limits are put, in standard deviations (Shewhart; same sources)."""
WEIGHT = 0.2
"""An EWMA's usual weight: 0.2 to 0.3 (e-Handbook 6.3.2.4)."""
ROUGH_BELOW = 20
"""Limits from fewer values are rough: tables ask for 20 to 25 before a chart is relied on (ASTM
E2587, from memory)."""


@dataclass(frozen=True, slots=True)
class Individuals:
    """A chart of individuals and moving ranges: centre and limits, in the values' unit."""

    mean: float
    range_mean: float
    """Mean of the moving ranges, each between neighbours."""
    sigma: float
    low: float
    high: float
    range_high: float
    ranges: tuple[float, ...]

    @property
    def rough(self) -> bool:
        """Whether too few values stand behind the limits."""
        return len(self.ranges) + 1 < ROUGH_BELOW


def individuals(values: Sequence[float], sigmas: float = SIGMAS) -> Individuals:
    """The chart of two or more values (NIST/SEMATECH e-Handbook 6.3.2.2); ValueError for fewer.

    Sigma comes from the moving ranges, so that a slow drift does not widen its own limits.
    """
    if len(values) < 2:
        raise ValueError("a moving range needs two values")
    ranges = tuple(abs(b - a) for a, b in pairwise(values))
    mean, range_mean = fmean(values), fmean(ranges)
    sigma = range_mean / D2
    return Individuals(
        mean,
        range_mean,
        sigma,
        mean - sigmas * sigma,
        mean + sigmas * sigma,
        D4 * range_mean,
        ranges,
    )


def sigma_without_strays(values: Sequence[float], least: float = 0.0) -> float:
    """Sigma from the median of the moving ranges, never below `least`; 0 or `least` for one value.

    Neither a few strays nor a shift of the whole series widens it, as they do the mean's.
    """
    ranges = [abs(b - a) for a, b in pairwise(values)]
    return max(median(ranges) / D2_MEDIAN, least) if ranges else least


# -- weighted averages ---------------------------------------------------------------------------


def ewma(values: Sequence[float], start: float, weight: float = WEIGHT) -> tuple[float, ...]:
    """The exponentially weighted moving average after each value (e-Handbook 6.3.2.4).

    `weight` (above 0, up to 1) is the share of the newest value; `start` stands before the first.
    """
    found, level = [], start
    for value in values:
        level += weight * (value - level)
        found.append(level)
    return tuple(found)


def ewma_half_width(
    sigma: float, weight: float = WEIGHT, sigmas: float = SIGMAS, count: int | None = None
) -> float:
    """How far an EWMA may stray from its centre: `sigmas` of its own standard deviations.

    sigma * sqrt(w / (2 - w)) in the long run (e-Handbook 6.3.2.4); after `count` values from a
    known start it is narrower by sqrt(1 - (1 - w)^(2 count)) (Lucas and Saccucci, 1990).
    """
    begun = 1.0 if count is None else 1 - (1 - weight) ** (2 * count)
    return sigmas * sigma * sqrt(weight / (2 - weight) * begun)


# -- runs ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Signal:
    """The value at `index` shows something by that rule; `side` is 1 above the centre, -1 below."""

    index: int
    rule: str
    side: int


BEYOND, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT = "3 sigma", "2 of 3", "4 of 5", "8 on one side"
_RULES = (
    (BEYOND, 1, 1, 3.0),
    (TWO_OF_THREE, 2, 3, 2.0),
    (FOUR_OF_FIVE, 4, 5, 1.0),
    (EIGHT, 8, 8, 0.0),
)
"""The Western Electric rules (Statistical Quality Control Handbook, 1956; e-Handbook 6.3.2): so
many of so many values beyond so many sigmas, all on one side. Together they cry wolf once in 92
values of a process that is well, the first alone once in 370 (Champ and Woodall, 1987): good for
looking back at a chart, too many for an alarm."""


def signals(values: Sequence[float], centre: float, sigma: float) -> tuple[Signal, ...]:
    """Every value that completes a Western Electric rule; of several rules the first."""
    return tuple(
        found
        for index in range(len(values))
        if (found := _signal(values[max(0, index - 7) : index + 1], index, centre, sigma))
    )


def _signal(last: Sequence[float], index: int, centre: float, sigma: float) -> Signal | None:
    side = 1 if last[-1] > centre else -1
    off = [side * (value - centre) for value in last]
    for rule, needed, of, sigmas in _RULES:
        beyond = [one > sigmas * sigma for one in off[-of:]]
        if len(off) >= of and beyond[-1] and sum(beyond) >= needed:
            return Signal(index, rule, side)
    return None


def run_length(values: Sequence[float], centre: float = 0.0) -> int:
    """How many of the newest values in a row lie on the same side of the centre."""
    if not values or values[-1] == centre:
        return 0
    above, count = values[-1] > centre, 0
    for value in reversed(values):
        if value == centre or (value > centre) is not above:
            break
        count += 1
    return count


# -- capability ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Capability:
    """How a process fits its limits (e-Handbook 6.1.6): 1 means that three sigmas just fit."""

    cp: float
    cpu: float
    cpl: float

    @property
    def cpk(self) -> float:
        """The worse side: what counts where the process is off the middle."""
        return min(self.cpu, self.cpl)

    @property
    def k(self) -> float:
        """How far it is off the middle, as a share of half the width; cpk = (1 - k) cp."""
        return 1 - self.cpk / self.cp


def capability(mean: float, sigma: float, low: float, high: float) -> Capability:
    """The capability for limits `low` < `high`; ValueError unless sigma is above 0."""
    if sigma <= 0 or low >= high:
        raise ValueError("sigma is above 0, and the lower limit below the upper one")
    return Capability(
        (high - low) / (6 * sigma), (high - mean) / (3 * sigma), (mean - low) / (3 * sigma)
    )


def cp_interval(cp: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """The interval for Cp behind the estimate from `count` values (two or more): by chi-square."""
    freedom, tail = count - 1, (1 - confidence) / 2
    low, high = (chi_square_at(share, freedom) for share in (tail, 1 - tail))
    return cp * sqrt(low / freedom), cp * sqrt(high / freedom)


def chi_square_at(share: float, freedom: int) -> float:
    """The value that this share (above 0, below 1) of a chi-square distribution lies under."""
    low, high = 0.0, 1.0
    while _chi_square_under(high, freedom) < share:
        low, high = high, 2 * high
    for _ in range(60):
        middle = (low + high) / 2
        if _chi_square_under(middle, freedom) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _chi_square_under(value: float, freedom: int) -> float:
    """The lower incomplete gamma function by its series: sum of x^i / (a (a+1) ... (a+i))."""
    a, x = freedom / 2, value / 2
    if x <= 0:
        return 0.0
    term = total = 1 / a
    for i in range(1, 10_000):
        term *= x / (a + i)
        total += term
        if term < 1e-15 * total:
            break
    return min(total * exp(a * log(x) - x - lgamma(a)), 1.0)
