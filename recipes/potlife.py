"""How long a mix stays pourable at this temperature and mass, and how much of that is gone.

Owns the pot-life estimate and what it rests on. Knows no clock and no batch: seconds, degrees
Celsius and grams in, seconds and a sentence out.

ln t = ln t0 + (E/R)(1/T - 1/T0) - n ln(m/m0), T in kelvin: Arrhenius' law for the temperature, a
power law for the mass, which heats itself. The data sheet gives t0, T0, m0. E and n start from what
is usual and are refined by the sheet's further points and by gel times marked in the shop, as
least squares with those starting values as one more, weak, observation.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from recipes.least_squares import Row, ridge_fit
from recipes.model import Recipe, Times

GAS_CONSTANT = 8.314462618
"""J/(mol K), exact since the SI of 2019."""

ZERO_CELSIUS_K = 273.15

# How far each thing may be from what is assumed, as one standard deviation.
RATE_SPREAD = 0.25
"""Of E, relative: suppliers' rules run from 1.5 to 2.5 times faster for 10 degrees, which is E from
0.6 to 1.3 of the E that doubles the rate."""
SHOP_SPREAD = 0.25
"""Of ln t between the sheet's cup and this shop's: another cup, lot or judge of gel."""
MASS_SPREAD = 0.3
"""Of n, about the 0 that stands for not known; physically it lies between 0 and about 1."""
SHEET_SPREAD = 0.01
"""Of ln t of one sheet point beside another: a sheet is to be reproduced, not averaged away."""
MARK_SPREAD = 0.2
"""Of ln t of one gel mark: a person looks in now and then."""

MARKS_TO_LENGTHEN = 3
"""Marks that it takes to show longer than the data sheet. A gel is easily marked late and never
early, so one mark or two may shorten a clock and not lengthen it."""


ABOUT_THE_SAME = 1.1
"""Up to so many times the mass that was marked here counts as the mass that was marked."""


@dataclass(frozen=True, slots=True)
class GelMark:
    """A gel time that the person marked: seconds from contact, at this temperature and mass."""

    seconds: float
    celsius: float
    grams: float


@dataclass(frozen=True, slots=True)
class PotLifeModel:
    """A mix's pot life as a function of temperature and mass, and how well it is known."""

    sheet: tuple[GelMark, ...]
    """The data sheet's points, the one that the recipe leads with first."""
    energy_j_per_mol: float
    mass_exponent: float
    shop_offset: float = 0.0
    """ln of this shop's time over the sheet's, at the same temperature and mass."""
    marks: int = 0
    longest_marked_s: float = 0.0
    """The longest gel time that the other marks bear out; 0 with fewer marks than it takes."""
    largest_marked_g: float = 0.0
    knows_rate: bool = False
    knows_mass: bool = False

    @property
    def observations(self) -> int:
        """How many times stand behind the numbers: the sheet's points and the marks."""
        return len(self.sheet) + self.marks

    def raw_s(self, celsius: float, grams: float) -> float:
        """The formula's plain answer in seconds, with no caution applied."""
        first = self.sheet[0]
        warmth = _warmth(celsius, first.celsius)
        log = self.energy_j_per_mol / GAS_CONSTANT * warmth + self.shop_offset
        log -= self.mass_exponent * math.log(grams / first.grams)
        return first.seconds * math.exp(min(log, 50.0))


@dataclass(frozen=True, slots=True)
class PotLife:
    """One estimate: seconds from contact, and a plain sentence on what it was derived from."""

    seconds: float
    basis: str
    observations: int


def _warmth(celsius: float, reference_celsius: float) -> float:
    """1/T - 1/T0 in 1/K; negative where it is warmer than the reference.

    What is colder than any bench counts as -100 degrees, so that a typing slip divides by nothing.
    """
    kelvin, reference = (max(c, -100.0) + ZERO_CELSIUS_K for c in (celsius, reference_celsius))
    return 1 / kelvin - 1 / reference


def energy_for_doubling_j_per_mol(celsius: float, step: float = 10.0, factor: float = 2.0) -> float:
    """The activation energy that makes the rate `factor`-fold from `celsius` to `step` above it."""
    return GAS_CONSTANT * math.log(factor) / -_warmth(celsius + step, celsius)


def rate_factor(energy_j_per_mol: float, from_celsius: float, to_celsius: float) -> float:
    """How many times faster it reacts at the second temperature: Arrhenius' law."""
    return math.exp(-energy_j_per_mol / GAS_CONSTANT * _warmth(to_celsius, from_celsius))


def pot_life_model(times: Times, gel_marks: Sequence[GelMark] = ()) -> PotLifeModel:
    """What the data sheet and the shop's own gel marks say about a mix's pot life.

    A mark without time or mass says nothing and is left out. Raises ValueError for a recipe
    without a pot life.
    """
    gel_marks = [mark for mark in gel_marks if mark.seconds > 0 and mark.grams > 0]
    if times.pot_life_s is None:
        raise ValueError("this recipe has no pot life: nothing in it reacts")
    at = times.pot_life_at
    first = GelMark(times.pot_life_s, at.celsius, at.grams)
    also = tuple(GelMark(p.seconds, p.celsius, p.grams) for p in times.pot_life_also)
    usual = energy_for_doubling_j_per_mol(first.celsius)
    rows = [_row(point, first, usual, SHEET_SPREAD, shop=0.0) for point in also]
    rows += [_row(mark, first, usual, MARK_SPREAD, shop=1.0) for mark in gel_marks]
    spreads = (SHOP_SPREAD, RATE_SPREAD, MASS_SPREAD)
    fit = ridge_fit(rows, spreads)
    if fit.values[2] < 0:
        # More mass never lasts longer; what looks like it is scatter, and is left to the others.
        fit = ridge_fit(rows, (SHOP_SPREAD, RATE_SPREAD, 0.0))
    offset, rate, mass = fit.values
    agreeing = [
        mark for mark, row in zip(gel_marks, rows[len(also) :], strict=True) if fit.agrees(row)
    ]
    return PotLifeModel(
        sheet=(first, *also),
        energy_j_per_mol=usual * max(1 + rate, 0.1),
        mass_exponent=min(mass, 1.0),
        shop_offset=offset,
        marks=len(gel_marks),
        longest_marked_s=(
            max(mark.seconds for mark in agreeing) if len(agreeing) >= MARKS_TO_LENGTHEN else 0.0
        ),
        largest_marked_g=max((mark.grams for mark in agreeing), default=0.0),
        knows_rate=fit.learned[1],
        knows_mass=fit.learned[2],
    )


def _row(point: GelMark, first: GelMark, usual: float, spread: float, shop: float) -> Row:
    """One observation against the usual: what it is off by, and what each unknown adds."""
    rate = usual / GAS_CONSTANT * _warmth(point.celsius, first.celsius)
    mass = -math.log(point.grams / first.grams)
    return Row((shop, rate, mass), math.log(point.seconds / first.seconds) - rate, spread)


def pot_life(
    recipe: Recipe,
    celsius: float | None,
    grams: float,
    gel_marks: Sequence[GelMark] = (),
) -> PotLife | None:
    """The pot life of `grams` of this mix at `celsius` (None: not known here); None without one."""
    if recipe.times.pot_life_s is None:
        return None
    return careful_pot_life(pot_life_model(recipe.times, gel_marks), celsius, grams)


def careful_pot_life(model: PotLifeModel, celsius: float | None, grams: float) -> PotLife:
    """The model's answer on the careful side, with what it was derived from.

    Never longer than any data-sheet point that was no warmer and no larger; never longer than the
    longest time that the sheet or the shop's own marks showed.
    """
    first = model.sheet[0]
    at = first.celsius if celsius is None else celsius
    raw = model.raw_s(at, grams)
    limits = [p.seconds for p in model.sheet if p.celsius <= at and p.grams <= grams]
    supported = max(*(p.seconds for p in model.sheet), model.longest_marked_s)
    if model.longest_marked_s:
        # The shop's own marks say how long it lasts here; the sheet's cup is no limit any more.
        limits = []
    seconds = min(raw, supported, *limits)
    return PotLife(seconds, _derivation(model, celsius, grams, raw, seconds), model.observations)


def _derivation(
    model: PotLifeModel, celsius: float | None, grams: float, raw: float, shown: float
) -> str:
    first = model.sheet[0]
    text = f"{first.seconds:g} s at {first.celsius:g} °C and {first.grams:g} g by the data sheet"
    if celsius is None:
        text += "; the temperature here is not known and taken as the data sheet's"
    elif abs(celsius - first.celsius) >= 0.05:
        text += f", for {celsius:.1f} °C by {_rate_words(model)}"
    if model.marks:
        text += f", and {model.marks} gel {'mark' if model.marks == 1 else 'marks'} of this shop"
    if raw > shown * 1.005:
        text += "; longer is not borne out, so it is not shown"
    if grams > first.grams and model.knows_mass:
        text += f"; that {grams:.0f} g heats itself more is counted"
    elif grams > max(first.grams, ABOUT_THE_SAME * model.largest_marked_g):
        text += f"; {grams:.0f} g heats itself more, so it will be shorter than this"
    return text + "."


def _rate_words(model: PotLifeModel) -> str:
    if not model.knows_rate:
        return "the usual doubling of the rate for 10 °C"
    kilojoules = model.energy_j_per_mol / 1000
    return f"an activation energy of {kilojoules:.0f} kJ/mol from {model.observations} observations"


def scaled_to_pot_life_s(recipe: Recipe, stated_s: float, pot_life_s: float) -> float:
    """A time of the recipe (pour-by, press-by) brought to a pot life shorter than the stated one.

    It shrinks with the pot life and never grows: the person stated it.
    """
    stated_pot_life = recipe.times.pot_life_s
    if stated_pot_life is None:
        return stated_s
    return stated_s * min(pot_life_s / stated_pot_life, 1.0)


def used_fraction(stages: Iterable[tuple[float, float]]) -> float:
    """The share of a pot life that is gone after stages of (seconds spent, pot life there).

    The sum of dt/t: each second uses up its share of the pot life that held at the time. 1 is all.
    """
    return sum(seconds / pot_life_s for seconds, pot_life_s in stages)


def left_s(used: float, pot_life_s: float) -> float:
    """Seconds left at the present pot life when the share `used` is gone; 0 when all is."""
    return max(1 - used, 0.0) * pot_life_s
