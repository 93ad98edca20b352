"""The measured castings of a jug, and what castings of earlier jugs taught.

Owns how a casting measured wet is read, and what is thought of a base or dye nobody has measured.
Knows nothing of targets and fits nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import hypot, sqrt

from recipes.colour import Lab, Triple
from recipes.tint_ledger import Ledger, Trial

METER = 0.6
"""What a meter and one casting more or less leave open, in each of L*, a* and b*: common practice,
no source. The castings' own scatter about the fit corrects it."""
PHOTO = 2.0
"""The same of a colour read off a photograph that shows a reference too."""
WET: Lab = (3.0, 0.0, 0.0)
"""How much lighter cured looks than wet before a pair was measured: wet looks darker (common
practice, no source)."""
WET_SPREAD = 2.5
BASE_PRIOR = (0.0, 0.1)
"""K/S of an untinted base, mean and spread: from clean white to cream."""

Prior = tuple[float, float]
Prior3 = tuple[Prior, Prior, Prior]
"""Mean and spread for each of three bands."""


@dataclass(frozen=True, slots=True)
class Past:
    """What earlier jugs taught: their base, dyes by name, and pairs of wet and cured."""

    base: Prior3 = (BASE_PRIOR,) * 3
    dyes: dict[str, Prior3] = field(default_factory=dict)
    wet: Lab = WET
    wet_spread: Triple = (WET_SPREAD,) * 3
    pairs: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """One measured casting: dyes in the ledger's order, cured colour, its standard deviation."""

    amounts: tuple[float, ...]
    lab: Lab
    spread: Triple


def seen_in(ledger: Ledger, past: Past) -> tuple[Seen, ...]:
    """The measured castings; one measured wet alone is taken for what it will be when cured."""
    found = []
    for trial in ledger.trials:
        amounts = tuple(trial.amount(name) for name in ledger.names)
        own = PHOTO if trial.rough else METER
        if trial.lab is not None:
            found.append(Seen(amounts, trial.lab, (own,) * 3))
        elif trial.wet_lab is not None:
            x, y, z = (hypot(own, spread) for spread in past.wet_spread)
            found.append(Seen(amounts, cured(trial.wet_lab, past), (x, y, z)))
    return tuple(found)


def cured(wet: Lab, past: Past) -> Lab:
    """What a colour measured wet will be."""
    return wet[0] + past.wet[0], wet[1] + past.wet[1], wet[2] + past.wet[2]


def with_pairs(past: Past, trials: Sequence[Trial]) -> Past:
    """What is known of wet and cured, with these trials' pairs.

    The mean and spread of the pairs and of what was thought before, which counts as one pair.
    """
    for trial in trials:
        if trial.lab is None or trial.wet_lab is None:
            continue
        n = past.pairs + 1
        off = [c - w for c, w in zip(trial.lab, cured(trial.wet_lab, past), strict=True)]
        light, a, b = (m + o / (n + 1) for m, o in zip(past.wet, off, strict=True))
        x, y, z = (
            sqrt(s * s * n / (n + 1) + o * o * n / (n + 1) ** 2)
            for s, o in zip(past.wet_spread, off, strict=True)
        )
        past = replace(past, wet=(light, a, b), wet_spread=(x, y, z), pairs=n)
    return past
