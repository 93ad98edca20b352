"""An order before it is poured: pieces to start, batches, material, shelf, the day, the price.

Owns how these follow from one another. Knows no clock, file or scale: the day and what the shop has
measured of itself are arguments.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

from recipes.amounts import Basis, Tint, basis, targets_g
from recipes.batches import BatchSize, Split, pulls_per_mold, shot_for, split
from recipes.cost import Cost, Used, cost
from recipes.model import Recipe
from recipes.order import Order
from recipes.pace import Paced, pace_of
from recipes.plan_advice import Facts, warnings
from recipes.schedule import Schedule, schedule
from recipes.shelf import Shelf, shelf
from recipes.yields import chance_of_enough, pieces_to_start

__all__ = ["Material", "Plan", "batch_sizes", "plan", "shot_for"]


@dataclass(frozen=True, slots=True)
class Material:
    """What all batches take, grams, hold-back and the allowance for waste included.

    `part_g` is as poured: a tinted part with its dye. `neat_g` is without.
    """

    part_g: dict[str, float]
    neat_g: dict[str, float]
    dye_g: float
    cups: int


@dataclass(frozen=True, slots=True)
class Plan:
    """What it takes to deliver an order."""

    name: str
    recipe: str
    pieces: int
    """Good ones to be delivered."""
    pieces_to_start: int
    chance_pct: float
    """The chance, in percent, that these give enough good ones: at least what the order asks."""
    reject_pct: float
    split: Split
    material: Material
    shelf: Shelf
    tinted: str | None
    """The part whose jug is tinted."""
    paced: Paced
    schedule: Schedule
    cost: Cost | None
    """None: the order gives no [cost]."""
    warnings: tuple[str, ...]

    @property
    def batches(self) -> int:
        """How many times resin is poured."""
        return len(self.split.sizes)

    @property
    def last_batch_pieces(self) -> int:
        """Pieces in the last batch; as many as in the others where they come out even."""
        return self.split.sizes[-1].pieces


def plan(
    order: Order,
    recipe: Recipe,
    *,
    known_seconds: Mapping[str, float] | None = None,
    today: datetime.date | None = None,
    tint: Tint = None,
) -> Plan:
    """The plan of an order that goes with its recipe.

    `known_seconds` are this shop's own times, by step (per batch) or operation (per piece): they
    fill what the order leaves out. `today` is the day on which jugs are drawn on; without it no
    date is looked at. `tint` is what the jugs' ledgers say (as in `amounts.basis`).
    """
    good_share = 1 - order.allow.reject_pct / 100
    start = pieces_to_start(order.pieces, good_share, order.allow.confidence_pct / 100)
    batches = split(order, recipe, start)
    items = basis(recipe, tint)
    material = _material(order, recipe, items, batches)
    stock = shelf(order.jugs, material.part_g, today)
    paced = pace_of(order, recipe, known_seconds)
    day = schedule(order, recipe, paced.pace, start)
    price = None
    if order.cost is not None:
        price = cost(order.cost, _used(order, recipe, items, material, stock, day, batches))
    pulls = pulls_per_mold(order, batches)
    return Plan(
        name=order.name,
        recipe=recipe.name,
        pieces=order.pieces,
        pieces_to_start=start,
        chance_pct=100 * chance_of_enough(order.pieces, start, good_share),
        reject_pct=order.allow.reject_pct,
        split=batches,
        material=material,
        shelf=stock,
        tinted=_tinted(recipe, items),
        paced=paced,
        schedule=day,
        cost=price,
        warnings=warnings(order, recipe, Facts(batches, stock, paced, day, price, pulls, today)),
    )


def batch_sizes(plan: Plan) -> tuple[BatchSize, ...]:
    """Every batch's pieces and neat resin, in the order they are poured."""
    return plan.split.sizes


def _material(order: Order, recipe: Recipe, items: Basis, batches: Split) -> Material:
    on_top = 1 + order.allow.waste_pct / 100
    poured = dict.fromkeys(items.names, 0.0)
    neat, dye_g = dict.fromkeys(recipe.part_names, 0.0), 0.0
    for size in batches.sizes:
        targets = targets_g(items, size.resin_g)
        for item, target_g in zip(items.items, targets, strict=True):
            poured[item.name] += on_top * target_g
            item_dye_g = target_g if item.is_dye else target_g * item.dye_share
            dye_g += on_top * item_dye_g
            if not item.is_dye:
                neat[item.name] += on_top * (target_g - item_dye_g)
    cups = len(batches.sizes) * (len(recipe.parts) if recipe.cup.one_per_part else 1)
    part_g = {name: poured[name] for name in recipe.part_names}
    return Material(part_g, neat, dye_g, cups)


def _tinted(recipe: Recipe, items: Basis) -> str | None:
    return next((item.name for item in items.items if item.dye_share > 0), None)


def _used(
    order: Order,
    recipe: Recipe,
    items: Basis,
    material: Material,
    stock: Shelf,
    day: Schedule,
    batches: Split,
) -> Used:
    left = {item.name: stock.parts[item.name].left_g for item in items.items if item.dye_share > 0}
    shares = {item.name: item.dye_share for item in items.items}
    return Used(
        good=order.pieces,
        batches=len(batches.sizes),
        part_g=material.neat_g,
        dye_g=material.dye_g,
        run_hours=day.hours - day.setup_hours,
        setup_hours=day.setup_hours,
        left_part_g={part: grams * (1 - shares[part]) for part, grams in left.items()},
        left_dye_g=sum(grams * shares[part] for part, grams in left.items()),
    )
