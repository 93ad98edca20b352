"""What a jug may need: draws of dye for a gram of base, however they were come by.

Owns the reading of such draws. Knows nothing of how they were drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from recipes.tint_fit import quantile


@dataclass(frozen=True, slots=True)
class Likely:
    """Weighted draws of what the target needs of each dye, grams for one gram of base."""

    names: tuple[str, ...]
    amounts: tuple[tuple[float, ...], ...]
    weights: tuple[float, ...]
    """They add up to 1."""
    distance: float | None = None
    """How far the jug, as it is now, is from the target: CIEDE2000; None where judged by eye."""
    left: float | None = None
    """How far it would still be, 9 times in 10, with the best of these dyes: what their hues cannot
    reach."""

    hairs: tuple[tuple[float, ...], ...] = ()
    """By draw, how much of each dye more than needed nobody would see; empty where it is not known,
    or where all that is too much counts."""

    def amount(self, dye: int, share: float) -> float:
        """The amount of a dye that so much of what is likely lies below."""
        return quantile([drawn[dye] for drawn in self.amounts], self.weights, share)

    def chance_beyond(self, goal: Sequence[float], dyes: Sequence[int]) -> float:
        """The chance that with these amounts one of `dyes` is beyond what the target needs."""
        hairs = self.hairs or ((0.0,) * len(self.names),) * len(self.amounts)
        return sum(
            weight
            for weight, drawn, hair in zip(self.weights, self.amounts, hairs, strict=True)
            if any(drawn[k] + hair[k] < goal[k] * (1 - 1e-12) for k in dyes)
        )
