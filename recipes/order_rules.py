"""The rules between an order's numbers, and between an order and the recipe it names.

Owns which combinations are refused and how that is said. Knows nothing of files or lines; it names
a key by its path, and whoever holds the text finds the line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from recipes.amounts import DYE, basis, batch_for_pieces_g
from recipes.mix import intended
from recipes.rules import Broken, Path

if TYPE_CHECKING:
    from recipes.model import Recipe
    from recipes.order import Order

MARKS = (
    "combined", "stirred", "poured", "in-tank", "witness-hard", "witness-soft", "vented",
    "out-of-tank", "gelled", "demolded", "trimmed", "shaken",
)  # fmt: skip
"""What a batch or a jug is marked with at the bench; an operation needs a name of its own."""

STEPS = ("dispense", "stir", "fill", "tank", "vent", "demold", "release")
"""What is timed per batch; an operation of that name would be timed together with it."""

MOST_STARTED = 20_000
"""Pieces that have to be started on average; more is a slip in the reject rate."""


def broken_order_rules(order: Order) -> Iterator[Broken]:
    """Every rule that this order breaks by itself, in the order of the file."""
    yield from _rejects(order)
    yield from _once("operation", [operation.name for operation in order.operations])
    yield from _marks(order)
    yield from _once("setup", [setup.name for setup in order.setups])
    yield from _once("jug", [jug.name for jug in order.jugs])
    yield from _dates(order)


def broken_with_recipe(order: Order, recipe: Recipe) -> Iterator[Broken]:
    """Every rule that this order breaks with the recipe it names, in the order of the file."""
    yield from _one_mold_fits(order, recipe)
    names = (*recipe.part_names, *((DYE,) if recipe.dye is not None else ()))
    for part in order.cost.per_kg if order.cost is not None else ():
        if part not in names:
            yield _stranger(("cost", "per_kg", part), part, names)
    for index, jug in enumerate(order.jugs):
        if jug.part not in recipe.part_names:
            yield _stranger(("jug", index, "part"), jug.part, recipe.part_names)


def _rejects(order: Order) -> Iterator[Broken]:
    reject_pct = order.allow.reject_pct
    started = order.pieces / (1 - reject_pct / 100)
    if started > MOST_STARTED:
        yield Broken(
            ("allow", "reject_pct"),
            f"{reject_pct:g}, which makes it {started:.0f} pieces to start",
            f"{MOST_STARTED} pieces or fewer to start",
        )


def _once(table: str, names: Iterable[str]) -> Iterator[Broken]:
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name.casefold() in seen:
            expected = f"a name of its own for each {table}, capitals or not"
            yield Broken((table, index, "name"), f'"{name}" again', expected)
        seen.add(name.casefold())


def _marks(order: Order) -> Iterator[Broken]:
    for index, operation in enumerate(order.operations):
        if operation.name.casefold() in (*MARKS, *STEPS):
            yield Broken(
                ("operation", index, "name"),
                f'"{operation.name}"',
                "another name: this is a step of the batch itself",
            )


def _dates(order: Order) -> Iterator[Broken]:
    for index, jug in enumerate(order.jugs):
        at: Path = ("jug", index)
        if jug.keeps_days is not None and jug.opened is None:
            yield Broken(
                (*at, "keeps_days"),
                "keeps_days without opened",
                "opened, the day from which these days are counted",
            )


def _one_mold_fits(order: Order, recipe: Recipe) -> Iterator[Broken]:
    """One mold is filled from one cup, so at least that much has to fit it, dye and all."""
    mold, capacity_g = order.mold, recipe.cup.capacity_g
    if capacity_g is None:
        return
    resin_g = batch_for_pieces_g(mold.cavities, mold.grams_per_piece, recipe.hold_back_g)
    total_g = intended(recipe, basis(recipe), resin_g).total_g
    if total_g > capacity_g:
        yield Broken(
            ("mold", "grams_per_piece"),
            f"{mold.cavities} cavities of {mold.grams_per_piece:g} g,"
            f" {total_g:.1f} g with hold-back and dye",
            f"no more than the recipe's cup takes, which is {capacity_g:g} g",
        )


def _stranger(at: Path, found: str, names: Iterable[str]) -> Broken:
    known = ", ".join(f'"{name}"' for name in names)
    return Broken(at, f'"{found}"', f"a part of the recipe: {known}")
