"""What came out: the summary of a batch's cup, from what landed in it.

Owns the figures that a mixed batch is recorded with. Knows nothing of how they were poured.
"""

from __future__ import annotations

from dataclasses import dataclass

from recipes.amounts import Basis, Landed, dye_g, mixed_total_g, neat_g, ratio_error_pct
from recipes.chemistry import mix_index
from recipes.model import Recipe


@dataclass(frozen=True, slots=True)
class Mixed:
    """A cup's contents. Masses in grams; what has not landed counts as nothing."""

    resin_g: float
    """Neat resin, dye and what clings to other cups not counted."""
    dye_g: float
    total_g: float
    """All that is in the mix."""
    ratio_error_pct: float | None
    """The worst part against the first, None before two parts have landed."""
    index: float | None
    """100 is one equivalent for another; None where the recipe does not give the chemistry."""


def mixed(recipe: Recipe, base: Basis, landed: Landed) -> Mixed:
    """The summary of what `landed` (as the scale showed it, the dye in the cup last) comes to."""
    neat = [grams or 0.0 for grams in neat_g(base, landed)[: len(recipe.parts)]]
    dye = dye_g(base, landed)
    return Mixed(
        resin_g=sum(neat),
        dye_g=dye,
        total_g=mixed_total_g(base, landed),
        ratio_error_pct=ratio_error_pct(base, landed),
        index=mix_index(recipe, neat, dye),
    )


def intended(recipe: Recipe, base: Basis, batch_g: float) -> Mixed:
    """The summary of a batch of `batch_g` of resin poured exactly as the recipe says."""
    return mixed(recipe, base, [item.poured_g(item.share * batch_g) for item in base.items])
