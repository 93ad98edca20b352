"""How an order's pieces are split into batches: molds to a cup, pieces to a batch, grams to a shot.

Owns that split. Knows nothing of time, money or the shelf.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

from recipes.amounts import Tint, basis, batch_for_pieces_g
from recipes.mix import intended
from recipes.model import Recipe
from recipes.order import Order

_HAIR_G = 1e-6
"""Masses closer than this are equal; sums of grams do not come out exactly."""


@dataclass(frozen=True, slots=True)
class BatchSize:
    """One batch: pieces, and neat resin in the cup for them with the hold-back, dye not counted."""

    pieces: int
    resin_g: float


@dataclass(frozen=True, slots=True)
class Split:
    """All batches, full ones first. `molds` are filled from one cup."""

    molds: int
    pieces_per_batch: int
    sizes: tuple[BatchSize, ...]


def shot_for(order: Order, recipe: Recipe, pieces: int) -> float:
    """Neat resin for so many pieces with what stays in the cup, grams; 0 for no pieces."""
    if pieces <= 0:
        return 0.0
    return batch_for_pieces_g(pieces, order.mold.grams_per_piece, recipe.hold_back_g)


def molds_per_batch(order: Order, recipe: Recipe) -> int:
    """How many molds one cup fills: as many as the recipe's shot does, never less than one.

    No more than there are in hand, nor than the tank takes at once: what comes from one cup has to
    be under pressure at one time. A mold that asks for more than the shot is filled all the same.
    """
    mold = order.mold
    one_mold_g = mold.cavities * mold.grams_per_piece
    fills = floor((recipe.shot_g - recipe.hold_back_g + _HAIR_G) / one_mold_g)
    places = order.tank.molds if order.tank is not None and recipe.uses_tank else fills
    return max(1, min(fills, mold.count, places))


def most_molds_per_cup(order: Order, recipe: Recipe, tint: Tint = None) -> int | None:
    """How many molds' resin the recipe's cup takes with its dye; None: its size is not known."""
    if recipe.cup.capacity_g is None:
        return None
    count = 0
    items = basis(recipe, tint)
    while True:
        resin_g = shot_for(order, recipe, (count + 1) * order.mold.cavities)
        if intended(recipe, items, resin_g).total_g > recipe.cup.capacity_g + _HAIR_G:
            return count
        count += 1


def split(order: Order, recipe: Recipe, pieces: int, molds: int | None = None) -> Split:
    """So many pieces in batches, `molds` to a cup (default: `molds_per_batch`).

    All batches are full but the last, which takes what is left.
    """
    molds = molds_per_batch(order, recipe) if molds is None else molds
    full = molds * order.mold.cavities
    counts = [min(full, pieces - done) for done in range(0, pieces, full)]
    sizes = tuple(BatchSize(count, shot_for(order, recipe, count)) for count in counts)
    return Split(molds, full, sizes)


def pulls_per_mold(order: Order, split: Split) -> int:
    """Castings that the molds have to give, for the one that gives most when they take turns."""
    fills = sum(ceil(size.pieces / order.mold.cavities) for size in split.sizes)
    return ceil(fills / order.mold.count)
