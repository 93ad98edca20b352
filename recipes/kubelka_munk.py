"""What dyes do to light, by Kubelka and Munk: additive in K/S, band by band.

Owns the theory's single-constant form for a layer that hides what is behind it. Knows nothing of
L*a*b*, jugs or doses.

K/S = (1 - R)^2 / (2 R); in a mix K/S = that of the base + sum of amount x that of one unit of dye,
where an amount is dye for one gram of base, as long as the base does the scattering. Three bands
stand for the spectrum: those of `colour.WIDE`, narrow enough that the sum holds to a few per cent.
Sources: Kubelka and Munk 1931; Allen 1980, equations 19 and 20.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from recipes.tint_fit import nonnegative

BLACKEST = 0.0005
"""Least reflectance that is believed: below it a meter shows stray light, and K/S has no bound."""
TIE = 1e-9
"""Draws what the trials leave open towards nothing, weakly enough not to move what they settle."""


def ks_of(reflectance: float) -> float:
    """K/S of a reflectance from 0 to 1; what is outside is taken as the nearest that can be."""
    r = min(max(reflectance, BLACKEST), 1.0)
    return (1 - r) ** 2 / (2 * r)


def reflectance_of(ks: float) -> float:
    """The reflectance of K/S from 0 on: R = 1 + k - sqrt(k^2 + 2 k)."""
    # The same, multiplied out, so that little is not lost in the difference of two large numbers.
    return 1 / (1 + ks + sqrt(ks * ks + 2 * ks))


def mixed_ks(
    base: Sequence[float], units: Sequence[Sequence[float]], amounts: Sequence[float]
) -> tuple[float, ...]:
    """K/S of a mix by band: the base's, and `amounts[i]` times one unit of dye i, `units[i]`."""
    return tuple(
        ks + sum(amount * unit[band] for amount, unit in zip(amounts, units, strict=True))
        for band, ks in enumerate(base)
    )


def amounts_for(
    wanted: Sequence[float],
    base: Sequence[float],
    units: Sequence[Sequence[float]],
    weights: Sequence[float] | None = None,
    drawn: Sequence[tuple[float, float]] | None = None,
) -> tuple[float, ...]:
    """The amounts of dye, none below 0, whose mix comes nearest to K/S `wanted`.

    `weights` say how much a band counts. `drawn` gives for each dye an amount and how firmly (as a
    weight) to keep near it where the bands leave a choice: more dyes than bands, or two alike.
    """
    w = weights or (1.0,) * len(base)
    gaps = [(t - s) * f for t, s, f in zip(wanted, base, w, strict=True)]
    rows = [[unit[band] * f for unit in units] for band, f in enumerate(w)]
    keep = drawn or ((0.0, 0.0),) * len(units)
    return nonnegative(*_normal(rows, gaps, keep))


def fitted(amounts: Sequence[Sequence[float]], seen: Sequence[float]) -> tuple[float, ...]:
    """One band's K/S of the base, then of one unit of each dye, from trials; none below 0.

    Least squares over `seen`, the trials' K/S, `amounts[j]` being the dyes in trial j. What the
    trials leave open comes out small rather than large.
    """
    rows = [[1.0, *line] for line in amounts]
    size = len(rows[0])
    scale = [max(sum(row[k] ** 2 for row in rows) ** 0.5, 1e-30) for k in range(size)]
    scaled = [[v / s for v, s in zip(row, scale, strict=True)] for row in rows]
    found = nonnegative(*_normal(scaled, seen, [(0.0, TIE)] * size))
    return tuple(v / s for v, s in zip(found, scale, strict=True))


def _normal(
    rows: Sequence[Sequence[float]],
    right: Sequence[float],
    keep: Sequence[tuple[float, float]],
) -> tuple[list[list[float]], list[float]]:
    """The normal equations of rows x = right, each unknown drawn to where it is to be kept."""
    size = len(keep)
    gram = [[sum(row[i] * row[j] for row in rows) for j in range(size)] for i in range(size)]
    moment = [sum(row[i] * y for row, y in zip(rows, right, strict=True)) for i in range(size)]
    for i, (at, weight) in enumerate(keep):
        gram[i][i] += weight
        moment[i] += weight * at
    return gram, moment
