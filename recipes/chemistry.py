"""Equivalent weights, index and phr: how much of one material reacts with how much of another.

Owns the stoichiometry; masses are grams of neat material. Knows nothing of tolerances or time.

Equivalent weights follow the trade's rounded constants: isocyanate 4200/%NCO, hydroxyl 56100/OH
number, water 9.0 g per equivalent (18.0/2); they lie 0.01 to 0.04 % under the exact atomic masses.
%NCO is measured by ASTM D2572 or D5155, the OH number by ASTM D4274, the index is that of ASTM
D7997, 3.2.4, times 100.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from recipes.amounts import Landed, Tint, basis, dye_g, neat_g
from recipes.model import Part, Recipe, Role

ISOCYANATE_CONSTANT = 4200.0
HYDROXYL_CONSTANT = 56100.0
WATER_G_PER_EQ = 9.0


def isocyanate_g_per_eq(nco_pct: float) -> float:
    """Grams of isocyanate that carry one equivalent of NCO; `nco_pct` above 0."""
    return ISOCYANATE_CONSTANT / nco_pct


def polyol_g_per_eq(oh_number: float) -> float:
    """Grams of polyol that carry one equivalent of OH; `oh_number` in mg KOH/g, above 0.

    Where an acid number is known too, the two are added: acid uses up isocyanate likewise.
    """
    return HYDROXYL_CONSTANT / oh_number


def nco_eq(grams: float, nco_pct: float | None) -> float:
    """Equivalents of NCO in so many grams; none without a figure."""
    return grams * (nco_pct or 0.0) / ISOCYANATE_CONSTANT


def hydroxyl_eq(grams: float, oh_number: float | None, water_pct: float | None = None) -> float:
    """Equivalents that use up NCO in so many grams of a damp or dry polyol."""
    dry = grams * (oh_number or 0.0) / HYDROXYL_CONSTANT
    return dry + grams * (water_pct or 0.0) / 100 / WATER_G_PER_EQ


def isocyanate_for_index_g(
    index: float,
    nco_pct: float,
    polyols: Iterable[tuple[float, float]],
    water_g: float = 0.0,
) -> float:
    """Grams of isocyanate that bring the `polyols` (grams, OH number) and water to an index.

    index/100 x EW_iso x sum(m_i/EW_i), water's EW being 9.0.
    """
    demand = sum(hydroxyl_eq(grams, oh) for grams, oh in polyols) + water_g / WATER_G_PER_EQ
    return index / 100 * isocyanate_g_per_eq(nco_pct) * demand


def blend_g_per_eq(contents: Iterable[tuple[float, float | None]]) -> float:
    """Equivalent weight of a blend from (mass or percent, EEW or AHEW); None is inert.

    total / sum(m_i/EW_i), that is, weights combine as harmonic means. Raises ValueError where
    nothing in the blend reacts.
    """
    pairs = list(contents)
    equivalents = sum(mass / weight for mass, weight in pairs if weight is not None)
    if equivalents <= 0:
        raise ValueError("nothing in this blend reacts, so it has no equivalent weight")
    return sum(mass for mass, _ in pairs) / equivalents


def hardener_phr(ahew: float, eew: float) -> float:
    """Parts of hardener per hundred of epoxy resin by weight: 100 x AHEW / EEW."""
    return 100 * ahew / eew


@dataclass(frozen=True, slots=True)
class Equivalents:
    """What faces what in a mix: equivalents of the curing side and of the side that is cured."""

    curing: float
    """NCO, or the hardener's active hydrogen."""
    cured: float
    """OH and water, or epoxide."""

    @property
    def index(self) -> float:
        """100 x curing / cured; 100 is one for one, above it the curing side is in excess."""
        return 100 * self.curing / self.cured


def mix_equivalents(
    recipe: Recipe, neat_g: Sequence[float], dye_g: float = 0.0
) -> Equivalents | None:
    """The equivalents in a mix of so much neat material of each part and so much dye.

    None where the recipe does not give the chemistry of every part that reacts: an index from half
    the figures would look like one from all of them.
    """
    pairs = list(zip(recipe.parts, neat_g, strict=True))
    roles = {part.known_role for part in recipe.parts}
    if Role.ISOCYANATE in roles:
        carrier = recipe.dye.oh_number if recipe.dye is not None else 0.0
        return _urethane(pairs, hydroxyl_eq(dye_g, carrier))
    if Role.EPOXY in roles:
        return _epoxy(pairs)
    return None


def mix_index(recipe: Recipe, neat_g: Sequence[float], dye_g: float = 0.0) -> float | None:
    """The index of a mix, 100 being one equivalent for another; None without the chemistry.

    For a urethane NCO over OH with damp and a reactive dye carrier counted; for an epoxy the
    hardener's active hydrogen over epoxide, so that 100 is the stoichiometric phr.
    """
    found = mix_equivalents(recipe, neat_g, dye_g)
    return None if found is None else found.index


def batch_index(recipe: Recipe, poured_g: Landed, tint: Tint = None) -> float | None:
    """`mix_index` from what the scale showed of each item; what has not landed counts as none."""
    base = basis(recipe, tint)
    neat = [grams or 0.0 for grams in neat_g(base, poured_g)[: len(recipe.parts)]]
    return mix_index(recipe, neat, dye_g(base, poured_g))


def _urethane(pairs: Sequence[tuple[Part, float]], carrier_eq: float) -> Equivalents | None:
    for part, _ in pairs:
        if part.known_role is Role.ISOCYANATE and part.nco_pct is None:
            return None
        if part.known_role is Role.POLYOL and not part.oh_number:
            return None
    curing = sum(nco_eq(grams, part.nco_pct) for part, grams in pairs)
    cured = sum(hydroxyl_eq(grams, part.oh_number, part.water_pct) for part, grams in pairs)
    return _both_sides(curing, cured + carrier_eq)


def _epoxy(pairs: Sequence[tuple[Part, float]]) -> Equivalents | None:
    for part, _ in pairs:
        if part.known_role is Role.EPOXY and part.eew is None:
            return None
        if part.known_role is Role.HARDENER and part.ahew is None:
            return None
    curing = sum(grams / part.ahew for part, grams in pairs if part.ahew is not None)
    cured = sum(grams / part.eew for part, grams in pairs if part.eew is not None)
    return _both_sides(curing, cured)


def _both_sides(curing: float, cured: float) -> Equivalents | None:
    return Equivalents(curing, cured) if curing > 0 and cured > 0 else None
