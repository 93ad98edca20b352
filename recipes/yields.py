"""How many to start so that enough come out good, and how sure one can be of a reject rate.

Owns the binomial arithmetic of counted pieces. Knows nothing of orders, molds or batches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import exp, lgamma, log

TIE = 1e-12
"""Chances closer than this are equal: what is left between them is rounding."""


def pieces_to_start(need: int, good_share: float, confidence: float) -> int:
    """The smallest number of pieces of which at least `need` are good with that `confidence`.

    Each piece is good with the chance `good_share` (above 0, up to 1), whatever becomes of the
    others; `confidence` is from 0 to below 1. The rejects met before the `need`th good piece are
    negative binomial, so their chances are added up until they suffice. Raises ValueError for a
    share or a confidence out of range.
    """
    if not 0 < good_share <= 1 or not 0 <= confidence < 1:
        raise ValueError("the good share is above 0 and up to 1, the confidence from 0 to below 1")
    if need <= 0 or good_share == 1:
        return max(need, 0)
    rejects = 0
    chance = exp(_log_chance_of_rejects(need, rejects, good_share))
    while chance < confidence - TIE:
        rejects += 1
        chance += exp(_log_chance_of_rejects(need, rejects, good_share))
    return need + rejects


def _log_chance_of_rejects(need: int, rejects: int, good_share: float) -> float:
    """Log of the chance that just so many rejects come before the `need`th good piece."""
    ways = lgamma(need + rejects) - lgamma(need) - lgamma(rejects + 1)
    return ways + need * log(good_share) + rejects * log(1 - good_share)


def chance_of_enough(need: int, started: int, good_share: float) -> float:
    """The chance that at least `need` of `started` pieces are good: the binomial's upper tail."""
    if need <= 0:
        return 1.0
    if need > started or good_share <= 0:
        return 0.0
    return 1.0 if good_share >= 1 else min(sum(_tail(need, started, good_share)), 1.0)


def _tail(need: int, started: int, good_share: float) -> Iterator[float]:
    hit, miss = log(good_share), log(1 - good_share)
    for good in range(need, started + 1):
        ways = lgamma(started + 1) - lgamma(good + 1) - lgamma(started - good + 1)
        yield exp(ways + good * hit + (started - good) * miss)


def share_interval(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval (Clopper and Pearson, 1934) for the share behind `hits` of `of`.

    The lower end is the share at which so many hits or more have half of 1 - `confidence` left,
    the upper end that at which so many or fewer do. With nothing counted it is 0 to 1. Raises
    ValueError where `hits` is not from 0 to `of`, or the confidence not from 0 to below 1.
    """
    if not 0 <= hits <= of or not 0 <= confidence < 1:
        raise ValueError("hits are from 0 to all of them, the confidence from 0 to below 1")
    left = (1 - confidence) / 2
    low = 0.0 if hits == 0 else _where(lambda p: chance_of_enough(hits, of, p) - left)
    high = 1.0 if hits == of else _where(lambda p: 1 - chance_of_enough(hits + 1, of, p) - left)
    return low, high


def share_at_most(hits: int, of: int, confidence: float = 0.95) -> float:
    """The share that is not exceeded with this confidence, 0.5 to below 1: one-sided, exact."""
    return share_interval(hits, of, 1 - 2 * (1 - confidence))[1]


def _where(over: Callable[[float], float]) -> float:
    """The share from 0 to 1 at which a function that only rises, or only falls, crosses 0."""
    low, high = 0.0, 1.0
    rises = over(1.0) > over(0.0)
    for _ in range(60):
        middle = (low + high) / 2
        if (over(middle) > 0) == rises:
            high = middle
        else:
            low = middle
    return (low + high) / 2
