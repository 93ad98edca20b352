"""How much dye a master needs that is only looked at: bracketing and a dose-response fit by eye.

Owns what a judgement says about dose. Knows nothing of measured colours, and does not say what to
weigh in.

A casting is lighter or darker than the master by D = response x ln(depth of master / of casting),
depth being the dyes' amounts times their strengths; the eye sees D give or take `EYE`, and calls it
a match or slight, clear, strong by where it falls: an ordinal probit in the logarithm of the dose
(McCullagh 1980), whose target dose is where D is 0. That it leans to a dye says that this dye's
share of the depth is larger than in the master.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import erfc, exp, inf, log, sqrt

from recipes.tint_fit import Cost, draws, settle
from recipes.tint_ledger import By, Judge, Ledger, Trial
from recipes.tint_likely import Likely

SEEN, CLEARLY, STRONGLY = 1.5, 3.5, 6.0
"""Colour differences from which an eye at the bench sees one, sees it clearly, calls it strong: the
usual bands for CIE76 are 1 to 2 (a trained eye), 3.5 (clear), 5 and up (another colour)."""
EYE = 1.2
"""What one look more or less leaves open, in the same measure: common practice, no source."""
LAPSE = 0.02
"""So often somebody says what he does not mean."""
RESPONSE = (log(12.0), 0.7)
"""Colour difference for a dose e times as large, as a logarithm: L* of a mid-tone falls by 12 where
K/S grows by e (Kubelka-Munk and CIE 15), by half of it in near-white and near-black."""
DEPTH_PRIOR = 1.3
"""Spread of the logarithm of what is needed about what is in the jug, before anybody looked."""
SHARE_PRIOR = 0.4
"""The same of each dye by itself: whoever mixes begins with about the right proportion."""
ALONE = 1e-3
"""The same of a dye that is the only one: as good as none."""
STRENGTH_PRIOR = 0.8
"""The same of one dye's strength against another's."""
UNSAID = 0.25
"""A lean that is there is left unsaid so often."""
TINY = 1e-12
STEP = 0.05
NOTHING: Cost = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class _Look:
    """A judged casting: what of each dye was in it, the band that D fell into, what it leans to."""

    amounts: tuple[float, ...]
    low: float
    high: float
    toward: int | None


@dataclass(frozen=True, slots=True)
class _Fit:
    """The question to `tint_fit`.

    Its unknowns are logarithms: how much more than now is needed of all dyes, and of each by
    itself, the strengths of the dyes after the first, and the response.
    """

    looks: tuple[_Look, ...]
    now: tuple[float, ...]
    priors: tuple[tuple[float, float], ...]

    @property
    def size(self) -> int:
        """How many dyes."""
        return len(self.now)

    def need(self, unknowns: Sequence[float]) -> tuple[float, ...]:
        """What is needed of each dye, grams for one gram of base."""
        own = unknowns[1 : 1 + self.size]
        return tuple(
            n * exp(min(unknowns[0] + o, 50.0)) for n, o in zip(self.now, own, strict=True)
        )

    def foreseen(self, unknowns: Sequence[float]) -> list[float]:
        """For each look D, then how far each dye's share is beyond the master's, as D is."""
        need = self.need(unknowns)
        strength = [1.0, *(exp(u) for u in unknowns[1 + self.size : -1])]
        response = exp(min(unknowns[-1], 50.0))
        whole = sum(n * s for n, s in zip(need, strength, strict=True))
        found = []
        for look in self.looks:
            depth = sum(a * s for a, s in zip(look.amounts, strength, strict=True))
            darker = log(max(whole, TINY) / max(depth, TINY))
            found.append(response * darker)
            for n, a in zip(need, look.amounts, strict=True):
                found.append(response * (log(max(a, TINY) / max(n, TINY)) + darker))
        return found

    def costs(self, foreseen: Sequence[float]) -> list[Cost]:
        found: list[Cost] = []
        for k, look in enumerate(self.looks):
            at = k * (self.size + 1)
            found.append(_depth_cost(look, foreseen[at]))
            for i, lean in enumerate(foreseen[at + 1 : at + 1 + self.size]):
                found.append(self._lean_cost(look, i, lean))
        return found

    def _lean_cost(self, look: _Look, dye: int, lean: float) -> Cost:
        if self.size == 1 or look.amounts[dye] <= 0:
            return NOTHING
        if look.toward == dye:
            return _cost(lean, SEEN, inf)
        return NOTHING if look.toward is not None else _cost(lean, -inf, SEEN, UNSAID)


def _depth_cost(look: _Look, lighter: float) -> Cost:
    if not any(look.amounts):
        return NOTHING
    return _cost(lighter, look.low, look.high)


def _cost(at: float, low: float, high: float, anyway: float = 0.0) -> Cost:
    """How unlikely it is that the eye puts a difference `at` between these bounds.

    `anyway` is the chance that the same is said whatever the eye sees.
    """

    def unlikely(at: float) -> float:
        chance = _below((high - at) / EYE) - _below((low - at) / EYE)
        chance = anyway + (1 - anyway) * max(chance, 0.0)
        return -log((1 - LAPSE) * chance + LAPSE / 7)

    before, here, after = unlikely(at - STEP), unlikely(at), unlikely(at + STEP)
    return here, (after - before) / (2 * STEP), (after - 2 * here + before) / STEP**2


def _below(z: float) -> float:
    """The normal distribution."""
    return erfc(-z / sqrt(2)) / 2


# -- what it needs -----------------------------------------------------------------------------


def needed(ledger: Ledger) -> Likely | None:
    """What the jug needs to match the master; None while no trial with all its dyes is judged."""
    names = ledger.names
    looks = tuple(_look(trial, names) for trial in ledger.trials if trial.judge is not None)
    if not names or not any(all(look.amounts) for look in looks):
        return None
    now = tuple(amount for _, amount in ledger.amounts)
    own = SHARE_PRIOR if len(names) > 1 else ALONE
    priors = [(0.0, DEPTH_PRIOR), *[(0.0, own)] * len(names)]
    priors += [*[(0.0, STRENGTH_PRIOR)] * (len(names) - 1), RESPONSE]
    fit = _Fit(looks, now, tuple(priors))
    found = draws(fit, settle(fit, _start(looks, now, len(priors))))
    return Likely(
        names,
        tuple(fit.need(draw.unknowns) for draw in found),
        tuple(draw.weight for draw in found),
    )


def _look(trial: Trial, names: Sequence[str]) -> _Look:
    low, high = {
        None: (SEEN, inf),
        By.SLIGHT: (SEEN, CLEARLY),
        By.CLEAR: (CLEARLY, STRONGLY),
        By.STRONG: (STRONGLY, inf),
    }[trial.by]
    if trial.judge is Judge.MATCH:
        low, high = -SEEN, SEEN
    elif trial.judge is Judge.DARKER:
        low, high = -high, -low
    toward = names.index(trial.toward) if trial.toward in names else None
    return _Look(tuple(trial.amount(name) for name in names), low, high, toward)


def _start(looks: Sequence[_Look], now: Sequence[float], size: int) -> list[float]:
    """Where to look first: what the casting nearest to the master says by itself."""
    able = [look for look in looks if any(look.amounts)]
    nearest = min(reversed(able), key=lambda look: abs(_middle(look)))
    then = log(sum(nearest.amounts) / sum(now))
    return [then + _middle(nearest) / exp(RESPONSE[0]), *[0.0] * (size - 2), RESPONSE[0]]


def _middle(look: _Look) -> float:
    """The difference that such a judgement stands for, roughly."""
    most = 2 * STRONGLY
    return (max(look.low, -most) + min(look.high, most)) / 2
