"""What is odd about a recipe without being wrong: warnings, in plain sentences.

Owns the judgement of a recipe that loads. Knows nothing of files; the recipe stays usable.
"""

from __future__ import annotations

from collections.abc import Iterator

from recipes.amounts import Tint, basis
from recipes.mix import intended
from recipes.model import Recipe, Role

EPOXY_INDEX = 100.0
"""The stoichiometric phr, which an epoxy is mixed at unless the recipe says otherwise."""

USUAL_URETHANE_INDEX = (90.0, 120.0)
"""Outside it a urethane's figures are more likely a slip than a choice: common practice, no source.
"""


def warnings(recipe: Recipe, tint: Tint = None) -> tuple[str, ...]:
    """Every oddity in a sentence of its own; `tint` as in `amounts.basis`."""
    return (*_index(recipe, tint), *_clocks(recipe), *_cups(recipe), *_landing(recipe))


def _index(recipe: Recipe, tint: Tint) -> Iterator[str]:
    index = intended(recipe, basis(recipe, tint), recipe.shot_g).index
    target = recipe.chemistry.target_index
    if index is None:
        if target is not None:
            yield (
                f"target_index is {target:g}, but the parts do not give the chemistry to compare it"
                " with: nco_pct and oh_number, or eew and ahew."
            )
        return
    epoxy = any(part.known_role is Role.EPOXY for part in recipe.parts)
    if target is None and epoxy:
        target = EPOXY_INDEX
    if target is None:
        yield from _unusual_index(index)
        return
    apart = 100 * (index / target - 1)
    if abs(apart) <= recipe.stops.ratio_tolerance_pct:
        return
    yield (
        f"The parts as given come to an index of {index:.1f}, and the target is {target:g}:"
        f" {abs(apart):.1f} % {'above' if apart > 0 else 'below'} it, more than the ratio tolerance"
        f" of {recipe.stops.ratio_tolerance_pct:g} %.{_ratio_for(recipe, index, target)}"
        " The maker's data sheet decides."
    )


def _unusual_index(index: float) -> Iterator[str]:
    low, high = USUAL_URETHANE_INDEX
    if not low <= index <= high:
        yield (
            f"The parts as given come to an index of {index:.1f}, far from what urethanes are mixed"
            " at: check by_weight, nco_pct and oh_number against the maker's data sheet."
        )


def _ratio_for(recipe: Recipe, index: float, target: float) -> str:
    """The ratio that would meet the target, where only two parts can answer it."""
    curing = [
        (part, share)
        for part, share in zip(recipe.parts, recipe.neat_shares, strict=True)
        if part.known_role in {Role.ISOCYANATE, Role.HARDENER}
    ]
    if len(recipe.parts) != 2 or len(curing) != 1:
        return ""
    part, share = curing[0]
    other = next(p for p in recipe.parts if p is not part)
    now = 100 * share / (1 - share)
    return (
        f" By weight it is {now:.1f} of {part.name} to 100 of {other.name};"
        f" the chemistry asks for {now * target / index:.1f}."
    )


def _clocks(recipe: Recipe) -> Iterator[str]:
    times = recipe.times
    if times.pot_life_s is None:
        return
    if times.demold_s is not None and times.demold_s < times.pot_life_s:
        yield (
            f"demold_s is {times.demold_s:g} s, which is before the pot life of"
            f" {times.pot_life_s:g} s ends: the casting would still be liquid."
        )
    working = recipe.working_s
    if times.stir_s is not None and working is not None and times.stir_s >= working:
        yield (
            f"stir_s is {times.stir_s:g} s, and after {working:g} s the mix no longer levels:"
            " nothing is left for pouring."
        )
    if times.press_by_s is not None and not recipe.uses_tank:
        yield "press_by_s is given and pressure_s is not, so no tank is used and no clock for it."
    if times.press_by_s is not None and working is not None and times.press_by_s < working:
        yield (
            f"press_by_s is {times.press_by_s:g} s and pour-by is {working:g} s: the molds would"
            " have to be in the tank before they need be poured."
        )


def _cups(recipe: Recipe) -> Iterator[str]:
    if recipe.cup.clings_g > 0 and not recipe.cup.one_per_part:
        yield "clings_g counts only with one_per_part = true; it is left out here."
    if recipe.contact_part is not None and recipe.pair_part is None:
        second = recipe.parts[recipe.contact_part].name
        yield (
            "The roles tell of no pair that reacts, so the pot life starts with the first drop of"
            f" {second}; give each part its role."
        )


def _landing(recipe: Recipe) -> Iterator[str]:
    for part, share in zip(recipe.parts, recipe.neat_shares, strict=True):
        allowed = recipe.stops.ratio_tolerance_pct / 100 * share * recipe.shot_g
        if not recipe.is_fill and allowed < 0.1:
            yield (
                f"{part.name} is {share * recipe.shot_g:.2f} g, and the ratio tolerance leaves it"
                f" {allowed:.3f} g either way: finer than a 0.1 g scale shows."
            )
