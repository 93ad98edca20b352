"""How much dye a measured target needs: Kubelka-Munk fitted to the jug's own measured castings.

Owns that fit and what it teaches for later jugs. Knows nothing of judgements by eye, and does not
say what to weigh in.

Unknown are the base's K/S and that of one unit of each dye, band by band: straight lines in the
amounts, none of them below 0. What is likely is found by fitting many times over, each time with
colours as they may have been as well, and from another guess at what the castings leave open
(randomise, then optimise: Bardsley and others 2014). Three bands and a single constant are not the
whole truth, so that a casting tells the less the further it is from the one nearest to the target;
from that one on the way is reckoned, and the way itself is doubted, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import dist, exp, hypot, sqrt
from random import Random

from recipes.colour import Lab, ciede2000, lab_of_wide, wide_of
from recipes.kubelka_munk import amounts_for, ks_of, mixed_ks, reflectance_of
from recipes.tint_castings import Past, Prior, Prior3, Seen, seen_in, with_pairs
from recipes.tint_fit import DRAWS, SEED, cholesky, forward, nonnegative, quantile
from recipes.tint_ledger import Ledger, spread_of
from recipes.tint_likely import Likely

FIRM = 4.0
"""So many readings' worth of trust in what is thought of the meter beforehand."""
DRIFT = 0.06
"""How far the sum over three bands strays, as a share of the way from one casting to another: about
what mixes computed wavelength by wavelength show."""
ALONE = 0.2
"""The part of its square that is a casting's own; in the rest castings near one another agree."""
LEEWAY = 0.8
"""How far, as a logarithm, the dyes' proportion may be off the jug's where bands leave a choice."""
NEAR = 0.25
"""A colour as near as this to the target counts as reached, in L*."""
NEW_BASE, NEW_LOT = 0.3, 0.15
"""How much another jug's base, or the same dye another day, may differ: a share of its K/S."""
LESSONS = 200
"""Draws that tell what a jug taught: mean and spread need fewer than a tail."""
SURELY_LEFT = 0.1
"""What is told to be left even with the best of these dyes is more in all but this share of draws:
a meter's scatter alone must not ask for another dye."""
MANY, HAIR = 3, 1.0
"""From so many dyes on three bands hardly tell one from a mix of the others: what is too much of it
by less than this, in L*, is not held against a dose."""
FAINT = 0.05
"""K/S that a dye may bring to a band in which nothing was seen yet."""

Triangle = Sequence[Sequence[float]]


# -- the fit -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Band:
    """One band's straight lines, with the castings made independent and of spread 1."""

    root: Triangle
    rows: tuple[tuple[float, ...], ...]
    priors: tuple[Prior, ...]
    gram: tuple[tuple[float, ...], ...]

    def fitted(self, ks: Sequence[float], guess: Sequence[float]) -> tuple[float, ...]:
        """K/S of the base and of one unit of each dye, from the castings' K/S and a guess."""
        seen = forward(self.root, ks)
        moment = [
            sum(row[i] * y for row, y in zip(self.rows, seen, strict=True)) + at / spread**2
            for i, (at, (_, spread)) in enumerate(zip(guess, self.priors, strict=True))
        ]
        return nonnegative(self.gram, moment)

    def off(self, ks: Sequence[float], found: Sequence[float]) -> float:
        """The squares of how far the castings are off such a fit, summed."""
        seen = forward(self.root, ks)
        return sum(
            (y - sum(r * f for r, f in zip(row, found, strict=True))) ** 2
            for row, y in zip(self.rows, seen, strict=True)
        )


@dataclass(frozen=True, slots=True)
class _Fit:
    """The castings, their covariance's root in each of L*, a*, b*, and the three bands' lines."""

    seen: tuple[Seen, ...]
    roots: tuple[Triangle, ...]
    bands: tuple[_Band, ...]

    def likeliest(self) -> list[tuple[float, ...]]:
        """The fit to the colours as they were seen."""
        ks = [_bands(one.lab) for one in self.seen]
        return [
            band.fitted([k[b] for k in ks], [mean for mean, _ in band.priors])
            for b, band in enumerate(self.bands)
        ]

    def draws(self, random: Random) -> Iterator[list[tuple[float, ...]]]:
        """Fits to the colours as they may have been, without end."""
        while True:
            ks = [_bands(lab) for lab in self._as_may_be(random)]
            yield [
                band.fitted(
                    [k[b] for k in ks], [abs(random.gauss(m, spread)) for m, spread in band.priors]
                )
                for b, band in enumerate(self.bands)
            ]

    def _as_may_be(self, random: Random) -> list[Lab]:
        moved = []
        for root in self.roots:
            by = [random.gauss(0.0, 1.0) for _ in self.seen]
            moved.append([sum(r * g for r, g in zip(row, by, strict=True)) for row in root])
        return [
            (one.lab[0] + light, one.lab[1] + a, one.lab[2] + b)
            for one, light, a, b in zip(self.seen, *moved, strict=True)
        ]


def _lab(ks: Sequence[float]) -> Lab:
    r, g, b = (reflectance_of(max(k, 0.0)) for k in ks)
    return lab_of_wide((r, g, b))


def _bands(lab: Lab) -> tuple[float, ...]:
    return tuple(ks_of(r) for r in wide_of(lab))


def _fit(
    ledger: Ledger, seen: tuple[Seen, ...], past: Past, target: Lab | None, by: float = 1.0
) -> _Fit:
    """The fit, the meter's spread taken `by` times; without a target all castings count alike."""
    nearest = _nearest(seen, target)
    covariances = [_covariance(seen, nearest, k, by) for k in range(3)]
    mean = [
        [sum(v) / 3 for v in zip(*rows, strict=True)] for rows in zip(*covariances, strict=True)
    ]
    roots = tuple(cholesky(one) for one in covariances)
    return _Fit(seen, roots, tuple(_band(ledger, seen, past, mean, b) for b in range(3)))


def _nearest(seen: Sequence[Seen], target: Lab | None) -> Seen | None:
    if target is None:
        return None
    return min(seen, key=lambda one: dist(one.lab, target), default=None)


def _covariance(seen: Sequence[Seen], nearest: Seen | None, k: int, by: float) -> list[list[float]]:
    """The castings' covariance in one of L*, a*, b*: the meter's, and the way from the nearest."""
    ways = [
        [DRIFT * (v - n) for v, n in zip(one.lab, nearest.lab if nearest else one.lab, strict=True)]
        for one in seen
    ]
    cov = [
        [(1 - ALONE) * sum(v * w for v, w in zip(one, other, strict=True)) for other in ways]
        for one in ways
    ]
    for j, (one, way) in enumerate(zip(seen, ways, strict=True)):
        cov[j][j] += (one.spread[k] * by) ** 2 + ALONE * sum(v * v for v in way)
    return cov


def _band(ledger: Ledger, seen: Sequence[Seen], past: Past, covariance: Triangle, b: int) -> _Band:
    ks = [_bands(one.lab)[b] for one in seen]
    step = [1 / _seen_per_ks(k) for k in ks]
    own = [
        [c * s * t for c, t in zip(row, step, strict=True)]
        for row, s in zip(covariance, step, strict=True)
    ]
    root = cholesky(own)
    columns = [[1.0] * len(seen)]
    priors = [past.base[b]]
    for i, (name, amount) in enumerate(ledger.amounts):
        columns.append([one.amounts[i] for one in seen])
        priors.append(past.dyes[name][b] if name in past.dyes else _vague(columns[-1], ks, amount))
    rows = tuple(zip(*(forward(root, column) for column in columns), strict=True))
    size = range(len(priors))
    gram = tuple(
        tuple(sum(row[i] * row[j] for row in rows) + (i == j) / priors[i][1] ** 2 for j in size)
        for i in size
    )
    return _Band(root, rows, tuple(priors), gram)


def _vague(amounts: Sequence[float], ks: Sequence[float], now: float) -> Prior:
    """What is thought of a dye never met before: it may have done all that was seen, or nothing."""
    return 0.0, max([*ks, FAINT]) / max([*amounts, now])


def _scatter(fit: _Fit) -> float:
    """How many times as wide as thought the castings scatter about the fit."""
    ks = [_bands(one.lab) for one in fit.seen]
    found = fit.likeliest()
    square = sum(band.off([k[b] for k in ks], found[b]) for b, band in enumerate(fit.bands))
    free = max(3 * len(fit.seen) - sum(len(band.priors) for band in fit.bands), 0)
    return sqrt((FIRM + square) / (FIRM + free))


def learned(past: Past, ledger: Ledger) -> Past:
    """What is known of base and dyes after this jug too."""
    past = with_pairs(past, ledger.trials)
    seen = seen_in(ledger, past)
    if not seen or not ledger.names:
        return past
    fit = _fit(ledger, seen, past, None)
    draws = fit.draws(Random(SEED))
    some = [next(draws) for _ in range(LESSONS)]
    base, *dyes = (_lesson(some, i) for i in range(len(ledger.names) + 1))
    return replace(past, base=base, dyes=past.dyes | dict(zip(ledger.names, dyes, strict=True)))


def _lesson(some: Sequence[Sequence[Sequence[float]]], which: int) -> Prior3:
    """Mean and spread by band of the base (0) or a dye, widened for another day."""
    new = NEW_LOT if which else NEW_BASE
    found = []
    for b in range(3):
        values = [one[b][which] for one in some]
        mean = sum(values) / len(values)
        square = sum((v - mean) ** 2 for v in values) / len(values)
        found.append((mean, max(sqrt(square + (new * mean) ** 2), 1e-6)))
    return found[0], found[1], found[2]


# -- what it needs -----------------------------------------------------------------------------


def needed(ledger: Ledger, target: Lab, past: Past, division_g: float) -> Likely | None:
    """What the jug needs to be `target`; None while a dye is neither measured nor known."""
    past = with_pairs(past, ledger.trials)
    seen = seen_in(ledger, past)
    for k, name in enumerate(ledger.names):
        if name not in past.dyes and not any(one.amounts[k] for one in seen):
            return None
    by = _scatter(_fit(ledger, seen, past, target)) if seen else 1.0
    fit = _fit(ledger, seen, past, target, by)
    nearest = _nearest(seen, target)
    around = nearest.amounts if nearest else tuple(amount for _, amount in ledger.amounts)
    strays = [hypot(DRIFT, spread_of(ledger, name, division_g)) for name in ledger.names]
    return _answer(fit, ledger, target, around, strays)


def _answer(
    fit: _Fit, ledger: Ledger, target: Lab, around: Sequence[float], strays: Sequence[float]
) -> Likely:
    random, goal = Random(SEED), _bands(target)
    draws = fit.draws(random)
    now = tuple(amount for _, amount in ledger.amounts)
    amounts, apart, left, hairs = [], [], [], []
    for _ in range(DRAWS):
        base, ways = _way(next(draws), around, strays, random)
        kept = [
            (at * exp(random.gauss(0.0, LEEWAY)), weight)
            for at, weight in _kept(goal, base, ways, now)
        ]
        found = amounts_for(goal, base, ways, _weights(goal), kept)
        amounts.append(found)
        hairs.append(tuple(_hair(goal, way) for way in ways))
        apart.append(ciede2000(_lab(mixed_ks(base, ways, now)), target))
        left.append(ciede2000(_lab(mixed_ks(base, ways, found)), target))
    weights = (1 / DRAWS,) * DRAWS
    distance, least = quantile(apart, weights, 0.5), quantile(left, weights, SURELY_LEFT)
    unseen = tuple(hairs) if len(ledger.names) >= MANY else ()
    return Likely(ledger.names, tuple(amounts), weights, distance, least, unseen)


def _hair(goal: Sequence[float], way: Sequence[float]) -> float:
    """How much of a dye, beside the goal, nobody would see."""
    return HAIR / max(hypot(*(_seen_per_ks(k) * w for k, w in zip(goal, way, strict=True))), 1e-9)


def _way(
    drawn: Sequence[Sequence[float]],
    around: Sequence[float],
    strays: Sequence[float],
    random: Random,
) -> tuple[tuple[float, ...], list[tuple[float, ...]]]:
    """K/S of units as they may be from the nearest casting on, and of a base that leads there."""
    base, *units = zip(*drawn, strict=True)
    here, ways = mixed_ks(base, units, around), []
    for unit, stray in zip(units, strays, strict=True):
        own = random.gauss(0.0, stray)
        ways.append(tuple(k * exp(own + random.gauss(0.0, DRIFT)) for k in unit))
    brought = mixed_ks((0.0,) * 3, ways, around)
    return tuple(h - b for h, b in zip(here, brought, strict=True)), ways


def _seen_per_ks(ks: float) -> float:
    """How much a step of K/S is seen: the slope of 116 R^(1/3), which is L* where all bands go."""
    r = min(reflectance_of(ks), 0.97)
    return 116 / 3 * float(r ** (4 / 3)) * 2 / (1 - r * r)


def _weights(ks: Sequence[float]) -> list[float]:
    return [_seen_per_ks(k) / NEAR for k in ks]


def _kept(
    goal: Sequence[float],
    base: Sequence[float],
    units: Sequence[Sequence[float]],
    now: Sequence[float],
) -> list[tuple[float, float]]:
    """Where the bands leave a choice, the dyes keep the proportion that they have in the jug."""
    w = _weights(goal)
    jug = [sum(n * unit[k] for n, unit in zip(now, units, strict=True)) for k in range(len(w))]
    top = sum(f * f * j * (t - b) for f, j, t, b in zip(w, jug, goal, base, strict=True))
    whole = sum((f * j) ** 2 for f, j in zip(w, jug, strict=True))
    share = min(max(top / max(whole, 1e-12), 0.1), 10.0)
    return [(share * n, 1 / max(share * n, 1e-12) ** 2) for n in now]
