"""The jug's ledger: its base, every dose of every dye, and the castings that were judged.

Owns the arithmetic of masses and strengths. Knows nothing of colour beyond keeping what was seen,
and nothing of scales, journals or time. All masses are grams.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, sqrt

from recipes.colour import Lab

BASE = "base"
"""What untinted resin is called when it is weighed in like a dye; no dye may have this name."""
LIKELY = 1 - sqrt(0.05)
"""The difference of two readings, each rounded to a division, lies within so many divisions of the
truth 19 times in 20: the difference of two even spreads is a triangle, and 1 - (1 - x)^2 = 0.95."""


class LedgerError(ValueError):
    """The ledger cannot take this; the text says why and what to do."""


class Judge(StrEnum):
    """How a casting looks beside the master, by eye."""

    LIGHTER = "lighter"
    DARKER = "darker"
    MATCH = "match"


class By(StrEnum):
    """By how much."""

    SLIGHT = "slight"
    CLEAR = "clear"
    STRONG = "strong"


@dataclass(frozen=True, slots=True)
class Dose:
    """One dose as it was weighed: `strength` is the dye's mass fraction in it, the rest is base."""

    dye: str
    grams: float
    strength: float = 1.0

    @property
    def dye_g(self) -> float:
        """The dye in it."""
        return self.grams * self.strength


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial casting: what was in the jug then, and how it looked.

    `amounts` are grams of each dye for one gram of base. Measured colours are relative to the white
    of the meter, `rough` where they were read off a photograph; `toward` names the dye that the
    casting leans to against the master.
    """

    amounts: tuple[tuple[str, float], ...]
    lab: Lab | None = None
    wet_lab: Lab | None = None
    judge: Judge | None = None
    by: By | None = None
    toward: str | None = None
    rough: bool = False

    def amount(self, dye: str) -> float:
        """Grams of this dye for one gram of base."""
        return dict(self.amounts).get(dye, 0.0)


@dataclass(frozen=True, slots=True)
class Ledger:
    """What is in the jug. `base_g` counts the base that concentrates brought; `dyes` are neat.

    `before` is the ledger without its last entry, None where that cannot be taken back.
    """

    jug: str
    base_g: float
    target_lab: Lab | None = None
    dyes: tuple[tuple[str, float], ...] = ()
    doses: tuple[Dose, ...] = ()
    trials: tuple[Trial, ...] = ()
    division_g: float = 0.0
    """The step of the scale that something was weighed in on last; 0 where none is known."""
    before: Ledger | None = None
    fresh: bool = False
    """Nothing but its start is in it."""

    @property
    def dye_g(self) -> float:
        """All dye in the jug."""
        return sum(grams for _, grams in self.dyes)

    @property
    def jug_g(self) -> float:
        """All that is in the jug."""
        return self.base_g + self.dye_g

    @property
    def fraction(self) -> float:
        """The dye's share of the jug's mass: what the dispense corrects for."""
        return self.dye_g / self.jug_g

    @property
    def names(self) -> tuple[str, ...]:
        """The dyes in the order in which they first went in."""
        return tuple(name for name, _ in self.dyes)

    @property
    def amounts(self) -> tuple[tuple[str, float], ...]:
        """Grams of each dye for one gram of base."""
        return tuple((name, grams / self.base_g) for name, grams in self.dyes)

    def strength(self, dye: str) -> float:
        """The strength of what this dye was last weighed from; 1 where it never was."""
        return next((d.strength for d in reversed(self.doses) if d.dye == dye), 1.0)

    def added(self, dose: Dose) -> Ledger:
        """The ledger after a dose."""
        dyes = dict(self.dyes)
        dyes[dose.dye] = dyes.get(dose.dye, 0.0) + dose.dye_g
        return replace(
            self,
            base_g=self.base_g + dose.grams - dose.dye_g,
            dyes=tuple(dyes.items()),
            doses=(*self.doses, dose),
        )

    def diluted(self, base_g: float) -> Ledger:
        """The ledger after so much untinted base went in."""
        return replace(self, base_g=self.base_g + base_g)

    def drawn(self, grams: float) -> Ledger:
        """The ledger after so much of the mix was taken out; raises LedgerError for all of it."""
        if grams >= self.jug_g:
            raise LedgerError(
                f"Jug {self.jug} holds {self.jug_g:.6g} g; {grams:.6g} g cannot come out."
            )
        left = 1 - grams / self.jug_g
        return replace(
            self,
            base_g=self.base_g * left,
            dyes=tuple((name, held * left) for name, held in self.dyes),
        )

    def tested(self, trial: Trial) -> Ledger:
        """The ledger with one more trial."""
        return replace(self, trials=(*self.trials, trial))

    def mixed(self, mix_g: float, extra: Sequence[Dose]) -> tuple[tuple[str, float], ...]:
        """What is in a trial mix of `mix_g` of the jug with `extra` weighed into it, as `amounts`.

        Raises LedgerError for a dye that the jug has none of: nothing could be told of it later.
        """
        base_g = self.base_g * mix_g / self.jug_g
        held = {name: grams * mix_g / self.jug_g for name, grams in self.dyes}
        for dose in extra:
            if dose.dye not in held:
                raise LedgerError(
                    f"There is no {dose.dye} in jug {self.jug} yet: weigh a first small dose in, "
                    f"then try more of it in a mix. In it: {', '.join(held) or 'no dye'}."
                )
            held[dose.dye] += dose.dye_g
            base_g += dose.grams - dose.dye_g
        return tuple((name, grams / base_g) for name, grams in held.items())


# -- what to weigh -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Weighed:
    """What goes on the scale: plain base, and of each dye (as it was last weighed) so much."""

    base_g: float
    doses: tuple[Dose, ...]


def same_colour(ledger: Ledger, jug_g: float) -> Weighed:
    """What to weigh for another jug of `jug_g` in all, of the colour this one has now.

    Raises LedgerError where the concentrates are too weak to be let down so little.
    """
    share = jug_g / ledger.jug_g
    doses = tuple(
        Dose(name, grams * share / ledger.strength(name), ledger.strength(name))
        for name, grams in ledger.dyes
    )
    base_g = jug_g - sum(dose.grams for dose in doses)
    if base_g < 0:
        raise LedgerError("The concentrates alone would overfill that jug: use stronger ones.")
    return Weighed(base_g, doses)


def doses_to(ledger: Ledger, wanted: Mapping[str, float]) -> tuple[Dose, ...]:
    """What to weigh in so that each dye comes to `wanted` grams for one gram of base.

    A dye that is beyond that already gets nothing. The base in a concentrate thins all dyes, so the
    doses are solved together: with D the dyes and B the base in the jug, F the strengths and m the
    doses, D_i + F_i m_i = wanted_i (B + sum of (1 - F_j) m_j). Raises LedgerError where a
    concentrate is too weak to get there.
    """
    held = dict(ledger.dyes)
    short = {n: w for n, w in wanted.items() if w * ledger.base_g > held.get(n, 0.0)}
    while True:
        doses = _solved(ledger, short, held)
        idle = [dose.dye for dose in doses if dose.grams <= 0]
        if not idle:
            return doses
        short = {name: amount for name, amount in short.items() if name not in idle}


def _solved(
    ledger: Ledger, wanted: Mapping[str, float], held: Mapping[str, float]
) -> tuple[Dose, ...]:
    thin = {name: (1 - ledger.strength(name)) / ledger.strength(name) for name in wanted}
    room = 1 - sum(thin[name] * amount for name, amount in wanted.items())
    if room <= 0:
        raise LedgerError(
            "The concentrate is too weak: more of it thins the jug as much as it tints it. "
            "Make a stronger one, or weigh the dye neat."
        )
    base_g = (ledger.base_g - sum(thin[n] * held.get(n, 0.0) for n in wanted)) / room
    return tuple(
        Dose(n, (amount * base_g - held.get(n, 0.0)) / ledger.strength(n), ledger.strength(n))
        for n, amount in wanted.items()
    )


# -- what the scale leaves open ----------------------------------------------------------------


def weighing_error_pct(grams: float, division_g: float) -> float:
    """What the scale's division leaves open of a dose: ± per cent, 19 times in 20.

    A dose is the difference of two readings, each rounded to a division.
    """
    return 100 * LIKELY * division_g / grams


def trial_error_pct(mix_g: float, dye_g: float, division_g: float) -> float:
    """The same of the dye's share in a small trial mix: `dye_g` weighed into `mix_g` in all."""
    return hypot(
        weighing_error_pct(dye_g, division_g),
        weighing_error_pct(mix_g - dye_g, division_g),
    )


def strength_for(dye_g: float, division_g: float, error_pct: float) -> float:
    """How weak a concentrate must be for `dye_g` of dye to be weighed to within `error_pct`.

    Dye is let down until the dose is heavy enough: strength = dye over the least dose, at most 1.
    """
    least_g = 100 * LIKELY * division_g / error_pct
    return min(dye_g / least_g, 1.0)


def spread_of(ledger: Ledger, dye: str, division_g: float) -> float:
    """Standard deviation of what went in of a dye, relative to it, for doses on such a scale."""
    own: Sequence[Dose] = [dose for dose in ledger.doses if dose.dye == dye]
    whole = sum(dose.dye_g for dose in own)
    if not whole:
        return 0.0
    return division_g / sqrt(6.0) * hypot(*(dose.strength for dose in own)) / whole
