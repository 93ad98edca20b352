"""How many grams of what: targets, the dye's share, what a miss changes and how it is mended.

Owns the arithmetic on one batch. Knows nothing of scales, cues or time; grams in, grams out.

Notation: p_i is a part's share of the neat resin's mass, w_i the dye's share of what is poured of
it, s the batch's size, which is the neat resin that the mix is for. Dye weighed into the cup is one
more item after the parts, with p = grams of dye for one gram of resin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from recipes.model import Recipe

YOUNG_ENOUGH = 0.5
"""Share of the pot life after which a mix is no longer corrected: past half, it has begun to
thicken and what is added no longer stirs in."""

DYE = "dye"
"""The name of the dye where it is weighed into the cup."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that is weighed: a part, or the dye in the cup."""

    name: str
    share: float
    """p: grams of it, neat, for one gram of neat resin."""
    dye_share: float = 0.0
    """w: dye's share of what is poured of it; 0 for an untinted part and for the dye itself."""
    clings_g: float = 0.0
    """What of it stays in its own cup."""
    tolerance_g: float = 0.3
    is_dye: bool = False
    is_filler: bool = False

    def poured_g(self, neat_g: float) -> float:
        """What the scale must show of it so that `neat_g` of it gets into the mix."""
        return neat_g / (1 - self.dye_share) + self.clings_g

    def neat_g(self, poured_g: float) -> float:
        """What gets into the mix, dye taken off, of `poured_g` on the scale; never below 0."""
        return max(poured_g - self.clings_g, 0.0) * (1 - self.dye_share)

    def dye_g(self, poured_g: float) -> float:
        """The dye that `poured_g` of it brings into the mix."""
        in_mix = max(poured_g - self.clings_g, 0.0)
        return in_mix if self.is_dye else in_mix * self.dye_share


@dataclass(frozen=True, slots=True)
class Basis:
    """A recipe boiled down to what the arithmetic needs, the jug's true tint included."""

    items: tuple[Item, ...]
    """The parts in pouring order, then the dye where it goes into the cup."""
    capacity_g: float | None = None
    ratio_tolerance_pct: float = 2.0

    @property
    def names(self) -> tuple[str, ...]:
        """The items' names in pouring order."""
        return tuple(item.name for item in self.items)

    @property
    def base(self) -> int:
        """Index of the item that the others' ratios are judged against: the first but a filler."""
        return next((i for i, item in enumerate(self.items) if not item.is_filler), 0)


Landed = Sequence[float | None]
"""Grams poured of each item as the scale showed them, in order; None: not poured yet."""


Tint = float | Mapping[str, float] | None
"""What the jugs' ledgers say: the dye's mass fraction by part name, or a number for the part that
the recipe says is tinted; None or a name left out: as in the recipe."""


def basis(recipe: Recipe, tint: Tint = None) -> Basis:
    """Boil a recipe down, its own dye fraction overridden by `tint`.

    Raises ValueError for a tint that is not from 0 to below 1.
    """
    tints = _tints(recipe, tint)
    last = len(recipe.parts) - 1
    apart = recipe.cup.clings_g if recipe.cup.one_per_part else 0.0
    items = [
        Item(
            name=part.name,
            share=share,
            dye_share=tints.get(part.name, 0.0),
            # The earlier cups are emptied into the last part's, so only theirs keep something.
            clings_g=apart if index < last else 0.0,
            tolerance_g=recipe.stops.tolerance_g,
            is_filler=part.role.value == "filler",
        )
        for index, (part, share) in enumerate(zip(recipe.parts, recipe.neat_shares, strict=True))
    ]
    if recipe.dye is not None and recipe.dye_in_cup:
        items.append(
            Item(DYE, recipe.dye.fraction, tolerance_g=recipe.dye.tolerance_g, is_dye=True)
        )
    return Basis(tuple(items), recipe.cup.capacity_g, recipe.stops.ratio_tolerance_pct)


def _tints(recipe: Recipe, tint: Tint) -> dict[str, float]:
    tints = {}
    if recipe.dye is not None and recipe.dye_part is not None:
        tints[recipe.dye.into] = recipe.dye.fraction if not isinstance(tint, float | int) else tint
    if isinstance(tint, Mapping):
        tints.update(tint)
    for name, fraction in tints.items():
        if not 0 <= fraction < 1:
            raise ValueError(f"the dye in {name} is a fraction from 0 to below 1, not {fraction}")
    return tints


def batch_for_pieces_g(pieces: int, grams_per_piece: float, hold_back_g: float) -> float:
    """Neat resin for so many pieces, with what stays in the cup."""
    return pieces * grams_per_piece + hold_back_g


def size_factor_g(base: Basis, landed: Landed) -> float | None:
    """The batch's size s = max(x_i / p_i) over what has landed, grams of resin; None: nothing has.

    The mix is as large as its most plentiful item asks for, since nothing can be taken out again.
    """
    sizes = [
        item.neat_g(poured) / item.share
        for item, poured in zip(base.items, landed, strict=True)
        if poured is not None
    ]
    return max(sizes, default=None)


def targets_g(base: Basis, batch_g: float, landed: Landed | None = None) -> tuple[float, ...]:
    """What each item must come to on the scale, following what was poured.

    Before anything has landed the batch is `batch_g` of neat resin; afterwards its size is
    `size_factor_g`. The dye in the cup follows the resin that truly landed once all of it has.
    """
    so_far = landed if landed is not None else (None,) * len(base.items)
    size = size_factor_g(base, so_far)
    size = batch_g if size is None else size
    resin = _resin_if_all_landed_g(base, so_far)
    return tuple(
        item.poured_g(item.share * (resin if item.is_dye and resin is not None else size))
        for item in base.items
    )


def _resin_if_all_landed_g(base: Basis, landed: Landed) -> float | None:
    total = 0.0
    for item, poured in zip(base.items, landed, strict=True):
        if item.is_dye:
            continue
        if poured is None:
            return None
        total += item.neat_g(poured)
    return total


def landing_tolerance_g(base: Basis, index: int, target_g: float, division_g: float) -> float:
    """How far from `target_g` item `index` may land, grams.

    The smaller of the recipe's tolerance and the ratio tolerance in grams, but never less than the
    scale can show. Dye in the cup and a lone material have no ratio to keep.
    """
    item = base.items[index]
    allowed = item.tolerance_g
    parts = sum(not other.is_dye for other in base.items)
    if parts > 1 and not item.is_dye:
        allowed = min(allowed, base.ratio_tolerance_pct / 100 * target_g)
    return max(allowed, division_g)


def ratio_errors_pct(base: Basis, landed: Landed) -> tuple[float | None, ...]:
    """Each part's 100 x ((x_i/x_0)/(p_i/p_0) - 1) against the first part that is no filler.

    None for the dye and for what has not landed (or while that first part is missing).
    """
    reference = base.items[base.base]
    poured_0 = landed[base.base]
    neat_0 = reference.neat_g(poured_0) if poured_0 is not None else 0.0
    if neat_0 <= 0:
        return (None,) * len(base.items)
    return tuple(
        None
        if poured is None or item.is_dye
        else 100 * ((item.neat_g(poured) / neat_0) / (item.share / reference.share) - 1)
        for item, poured in zip(base.items, landed, strict=True)
    )


def ratio_error_pct(base: Basis, landed: Landed) -> float | None:
    """The worst of `ratio_errors_pct`, with its sign; None before two parts have landed."""
    errors = [
        error
        for index, error in enumerate(ratio_errors_pct(base, landed))
        if error is not None and index != base.base
    ]
    return max(errors, key=abs, default=None)


def neat_g(base: Basis, landed: Landed) -> tuple[float | None, ...]:
    """What got into the mix of each item, dye taken off; None for what has not landed."""
    pairs = zip(base.items, landed, strict=True)
    return tuple(None if poured is None else item.neat_g(poured) for item, poured in pairs)


def dye_g(base: Basis, landed: Landed) -> float:
    """Dye in the mix from tinted jugs and from the cup's own weighing, grams."""
    pairs = zip(base.items, landed, strict=True)
    return sum(item.dye_g(poured) for item, poured in pairs if poured is not None)


def mixed_total_g(base: Basis, landed: Landed) -> float:
    """All that is in the mix, dye included and what clings to other cups not, grams."""
    pairs = zip(base.items, landed, strict=True)
    return sum(max(poured - item.clings_g, 0.0) for item, poured in pairs if poured is not None)


@dataclass(frozen=True, slots=True)
class Addition:
    """What one item would get in a correction: `add_g` more, up to `target_g` of it in all."""

    name: str
    add_g: float
    target_g: float


@dataclass(frozen=True, slots=True)
class Correction:
    """The plan to save a mix: what to add, what it comes to, and why it can be done or not."""

    parts: tuple[Addition, ...]
    """Every item of the batch in order; `add_g` is 0 where nothing is needed or it has not been
    poured yet, and `target_g` is where it then stands or is to come to."""
    total_g: float
    possible: bool
    why: str

    @property
    def adds(self) -> tuple[Addition, ...]:
        """Only what is to be added to."""
        return tuple(part for part in self.parts if part.add_g > 0)


def correction(
    base: Basis,
    landed: Landed,
    *,
    division_g: float = 0.1,
    jug_g: Mapping[str, float] | None = None,
    pot_life_used: float | None = None,
    limit: float = YOUNG_ENOUGH,
) -> Correction:
    """What would put the ratio right again after an overshoot: add_i = s x p_i - x_i.

    `landed` must hold at least one item. `jug_g` is what is left in each jug, where it is known;
    `pot_life_used` the share of the pot life that is gone (None: nothing reacts yet); `limit` the
    share up to which a mix may still be added to. What lies within the landing tolerance stays.
    """
    size = size_factor_g(base, landed)
    if size is None:
        raise ValueError("nothing has been poured yet, so there is nothing to correct")
    parts = tuple(
        _addition(base, index, size, poured, division_g) for index, poured in enumerate(landed)
    )
    total = mixed_total_g(base, [part.target_g for part in parts])
    reasons = _reasons_against(base, landed, parts, total, jug_g or {}, pot_life_used, limit)
    if reasons:
        return Correction(parts, total, False, "; ".join(reasons))
    return Correction(parts, total, True, _reason_for(base, parts, total, pot_life_used))


def _addition(
    base: Basis, index: int, size_g: float, poured: float | None, division_g: float
) -> Addition:
    item = base.items[index]
    target = item.poured_g(item.share * size_g)
    if poured is None:
        return Addition(item.name, 0.0, target)
    short = target - poured
    if short <= landing_tolerance_g(base, index, target, division_g):
        return Addition(item.name, 0.0, poured)
    return Addition(item.name, short, target)


def _reasons_against(
    base: Basis,
    landed: Landed,
    parts: Sequence[Addition],
    total_g: float,
    jug_g: Mapping[str, float],
    pot_life_used: float | None,
    limit: float,
) -> list[str]:
    reasons = []
    if base.capacity_g is not None and total_g > base.capacity_g:
        reasons.append(f"the cup takes {base.capacity_g:.0f} g and this comes to {total_g:.1f} g")
    for part, poured in zip(parts, landed, strict=True):
        need = part.target_g - (poured or 0.0)
        if part.name in jug_g and need > jug_g[part.name]:
            reasons.append(
                f"it needs {need:.1f} g of {part.name} and the jug holds {jug_g[part.name]:.1f} g"
            )
    # Before anything has been added to, there is nothing that could come too late.
    if pot_life_used is not None and pot_life_used >= limit and any(p.add_g > 0 for p in parts):
        reasons.append(
            f"{100 * pot_life_used:.0f} % of the pot life is gone,"
            f" and past {100 * limit:.0f} % what is added no longer stirs in"
        )
    return reasons


def _reason_for(
    base: Basis, parts: Sequence[Addition], total_g: float, pot_life_used: float | None
) -> str:
    adds = [f"{part.add_g:.1f} g more of {part.name}" for part in parts if part.add_g > 0]
    what = " and ".join(adds) if adds else "nothing more of what is in the cup"
    room = f" of the {base.capacity_g:.0f} g it takes" if base.capacity_g is not None else ""
    age = "" if pot_life_used is None else f", {100 * pot_life_used:.0f} % of the pot life gone"
    return f"{what}; the cup comes to {total_g:.1f} g{room}{age}"


def concentrate_to_add_g(
    jug_g: float, from_fraction: float, to_fraction: float, concentrate_fraction: float = 1.0
) -> float:
    """Concentrate that takes a jug from one dye fraction to another, its own dilution counted.

    m = M (c2 - c1) / (k - c2), from the dye's mass balance; k = 1 is neat dye. Negative where the
    jug already has more. Raises ValueError where no amount would do (k not above c2).
    """
    if concentrate_fraction <= to_fraction:
        raise ValueError("the concentrate holds no more dye than the jug is to have")
    return jug_g * (to_fraction - from_fraction) / (concentrate_fraction - to_fraction)


def concentrate_brings_g(concentrate_g: float, fraction: float) -> tuple[float, float]:
    """The dye, and the base it is let down with, in so much of a concentrate (fraction 0 to 1)."""
    return fraction * concentrate_g, (1 - fraction) * concentrate_g
