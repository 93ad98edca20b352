"""What a person should know of a plan before resin is bought or poured: warnings, in sentences.

Owns the judgement of a plan. Knows nothing of files; the plan stays usable.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass

from recipes.batches import Split, shot_for
from recipes.cost import Cost
from recipes.model import Recipe
from recipes.order import Order
from recipes.pace import Paced
from recipes.schedule import Schedule
from recipes.shelf import Shelf

WORKING_DAY_H = 8.0
"""Hours after which a plan says that it is more than a day."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is judged."""

    batches: Split
    shelf: Shelf
    paced: Paced
    day: Schedule
    cost: Cost | None
    pulls_per_mold: int
    today: datetime.date | None


def warnings(order: Order, recipe: Recipe, facts: Facts) -> tuple[str, ...]:
    """Every oddity in a sentence of its own, the most pressing first."""
    return (
        *_shelf(order, facts),
        *_jugs(facts),
        *_molds(order, recipe, facts),
        *_clocks(recipe, facts),
        *_tank(order, recipe),
        *_windows(order, facts),
        *_unknown(order, facts),
    )


def _shelf(order: Order, facts: Facts) -> Iterator[str]:
    if not order.jugs:
        yield "The order lists no [[jug]], so nothing is known of the shelf."
        return
    for part, shelf in facts.shelf.parts.items():
        if not any(jug.part == part for jug in order.jugs):
            yield f"No jug of {part} is listed; the order needs {shelf.need_g:.0f} g of it."
        elif shelf.short_g > 0:
            yield (
                f"{part} is short by {shelf.short_g:.0f} g: the order needs {shelf.need_g:.0f} g"
                f" and the jugs that may be used hold {shelf.have_g:.0f} g."
            )


def _jugs(facts: Facts) -> Iterator[str]:
    for jug in facts.shelf.jugs:
        if not jug.usable and jug.use_by is not None:
            yield (
                f"Jug {jug.name} ({jug.part}, {jug.grams:.0f} g) is past its date,"
                f" {jug.use_by.isoformat()}, and is not counted."
            )
    if facts.today is None and any(jug.use_by is not None for jug in facts.shelf.jugs):
        yield "The jugs' dates were not looked at, since no day was given."


def _molds(order: Order, recipe: Recipe, facts: Facts) -> Iterator[str]:
    left, pulls = order.mold.pulls_left, facts.pulls_per_mold
    if left is not None and pulls > left:
        yield (
            f"Each mold has to give {pulls} castings and is good for {left} more:"
            " have another one ready."
        )
    one_g = shot_for(order, recipe, order.mold.cavities)
    if one_g > recipe.shot_g:
        yield (
            f"One mold takes {one_g:.1f} g with the hold-back and the recipe's shot is"
            f" {recipe.shot_g:g} g: the batches follow the order."
        )


def _clocks(recipe: Recipe, facts: Facts) -> Iterator[str]:
    pace = facts.paced.pace
    poured_s = pace.pour_s - pace.contact_s
    if pace.pour_by_s is not None and poured_s > pace.pour_by_s:
        yield (
            f"The molds are full about {poured_s:.0f} s after the parts meet, and the recipe's"
            f" pour-by is {pace.pour_by_s:g} s: pour less at a time, or faster."
        )
    if pace.press_by_s is not None and poured_s + pace.tank_s > pace.press_by_s:
        yield (
            f"The tank is under pressure about {poured_s + pace.tank_s:.0f} s after the parts meet,"
            f" and that has to be by {pace.press_by_s:g} s."
        )
    if recipe.times.demold_s is None:
        yield "The recipe gives no demold_s, so the plan waits for no cure: the hours are too few."


def _tank(order: Order, recipe: Recipe) -> Iterator[str]:
    if recipe.uses_tank and order.tank is None:
        yield (
            "The recipe presses and the order has no [tank]: one that takes the molds of one cup"
            " is assumed."
        )
    if not recipe.uses_tank and order.tank is not None:
        yield "The order has a [tank] and the recipe gives no pressure_s: nothing is pressed."


def _windows(order: Order, facts: Facts) -> Iterator[str]:
    for name, pieces in facts.day.late.items():
        yield (
            f"{pieces} pieces come to {name} later after demolding than they should:"
            " leave pouring for it, or pour fewer a day."
        )
    hours = facts.day.hours
    if hours <= WORKING_DAY_H:
        return
    timed = [operation.name for operation in order.operations if operation.within_s is not None]
    night = f" Finish {', '.join(timed)} before each night." if timed else ""
    yield f"{hours:.1f} hours are more than a day of {WORKING_DAY_H:g}.{night}"


def _unknown(order: Order, facts: Facts) -> Iterator[str]:
    if order.mold.release_every is not None and facts.paced.pace.release_s == 0:
        yield "The time for release agent is not known yet and counts as nothing."
    for material in facts.cost.unpriced if facts.cost is not None else ():
        yield f"[cost] per_kg has no price for {material}, which counts as nothing."
