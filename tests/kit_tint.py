"""Jugs whose colour is computed wavelength by wavelength: what the three-band fit has never seen.

Owns invented bases and dyes, mixed by Kubelka and Munk at 31 wavelengths and seen by the CIE 1931
observer under D65, both from a general colour library's tables. Knows nothing of the fit.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from functools import cache
from random import Random
from typing import Any

from recipes.tint_ledger import By, Dose, Judge, Ledger, Trial

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it misses a plotting library that nobody needs
    import colour
    import numpy as np

SHAPE = colour.SpectralShape(400, 700, 10)
NM = np.arange(400, 701, 10)


@cache
def _seen() -> tuple[Any, Any]:
    """X, Y, Z of light at each wavelength, and of all of it: the white."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
    lamp = colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE).values
    weights = observer * lamp[:, None]
    weights = weights / weights[:, 1].sum()
    return weights, weights.sum(0)


def band(at_nm: float, width_nm: float) -> Any:
    """What a dye swallows: most at one wavelength, ever less beside it."""
    return np.exp(-0.5 * ((NM - at_nm) / width_nm) ** 2)


CREAM = 0.02 * (1 + 2 * np.exp(-(NM - 400) / 60))
"""K/S of an invented base: white, a little yellow."""
DYES = {
    "black": 170.0 * (1 + 0.1 * (NM - 550) / 150),
    "blue": 260.0 * band(610, 55) + 6,
    "red": 240.0 * band(520, 45) + 4,
    "ochre": 120.0 * band(430, 50) + 3,
}
"""K/S that one gram of an invented dye brings to one gram of base."""


@dataclass(frozen=True, slots=True)
class World:
    """A jug's truth: what the target has of each dye, and the meter's scatter."""

    wanted: dict[str, float]
    noise: float
    random: Random

    def lab(self, amounts: dict[str, float]) -> tuple[float, float, float]:
        """The colour of a casting with so much dye for a gram of base."""
        ks = CREAM + sum(grams * DYES[name] for name, grams in amounts.items())
        weights, white = _seen()
        xyz = (1 + ks - np.sqrt(ks * ks + 2 * ks)) @ weights
        d65 = [0.3127, 0.3290]
        l, a, b = colour.XYZ_to_Lab(xyz / white * colour.xy_to_XYZ(d65), d65)  # noqa: E741
        return float(l), float(a), float(b)

    def measured(self, ledger: Ledger) -> Ledger:
        """The ledger with one more measured trial of the jug as it is."""
        l, a, b = (v + self.random.gauss(0, self.noise) for v in self.lab(dict(ledger.amounts)))  # noqa: E741
        return ledger.tested(Trial(ledger.amounts, lab=(l, a, b)))

    def begun(self, base_g: float, share: float, *, bare: bool = True) -> Ledger:
        """A jug with a trial of the base (unless not), then of `share` of each dye in turn."""
        ledger = Ledger("B7", base_g, self.lab(self.wanted))
        if bare:
            ledger = self.measured(ledger)
        for name, amount in self.wanted.items():
            ledger = self.measured(ledger.added(Dose(name, share * amount * base_g)))
        return ledger

    def beyond(self, ledger: Ledger) -> list[str]:
        """The dyes that the jug has more of than the target."""
        return [name for name, amount in ledger.amounts if amount > self.wanted[name]]


def world(seed: int, names: tuple[str, ...], noise: float) -> World:
    """An invented target with these dyes, from pale to deep."""
    random = Random(seed)
    depth = random.choice([0.15, 0.5, 1.5])
    wanted = {name: random.uniform(0.3, 1.0) * depth / float(DYES[name].max()) for name in names}
    return World(wanted, noise, random)


def dosed(ledger: Ledger, add: Any) -> Ledger:
    """The ledger after what was advised went in."""
    for one in add:
        ledger = ledger.added(Dose(one.dye, one.grams, one.strength))
    return ledger


def filled(ledger: Ledger, jug: str) -> Ledger:
    """The same, under another jug's name."""
    return replace(ledger, jug=jug)


def jug(**grams: float) -> Ledger:
    """A jug of a kilogram of base with so much of each dye in it."""
    ledger = Ledger("B7", 1000.0)
    for name, g in grams.items():
        ledger = ledger.added(Dose(name, g))
    return ledger


def judged(ledger: Ledger, judge: str, by: str | None = None, toward: str | None = None) -> Ledger:
    """The jug after a casting of it was looked at."""
    trial = Trial(ledger.amounts, judge=Judge(judge), by=By(by) if by else None, toward=toward)
    return ledger.tested(trial)
