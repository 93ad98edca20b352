"""Where a jug's colour meets the bench: the pan lent, the dye in a batch's jugs, what is needed.

Owns these few answers. Changes nothing, and knows neither commands nor trials.
"""

from __future__ import annotations

from math import ceil, log10
from typing import Any

from daemon.batch import Batch
from daemon.bench import Bench
from daemon.tint_book import fraction
from daemon.weighing import Weighing, is_current
from recipes.amounts import basis, targets_g
from recipes.model import Recipe
from recipes.order import Order
from recipes.plan import plan as plan_of
from recipes.tint_ledger import Ledger


def lent(bench: Bench, at_s: float) -> bool:
    """Whether the pan is lent for a weighing, so that no batch watches it."""
    return bench.lent_until_s is not None and at_s < bench.lent_until_s


def weight_answer(bench: Bench, at_s: float) -> dict[str, Any]:
    """What the scale says now, for whoever weighs by two readings: the answer to `{"weight": …}`.

    `gross_g` is the resting load, None while it moves.
    """
    w = bench.weighing
    if bench.link.state != "ok" or not is_current(w, at_s):
        why = bench.link.why or "it says nothing"
        return {"ok": False, "error": f"The scale cannot be read now ({why})."}
    return {"ok": True, "error": None, "gross_g": at_rest_g(w), "division_g": w.scale.division_g}


def at_rest_g(w: Weighing) -> float | None:
    """The resting load, to a tenth of the display's step: a mean tells no more. None: it moves."""
    if not w.stable or w.settled_g is None:
        return None
    return round(w.settled_g, ceil(-log10(w.scale.division_g)) + 1)


def tints_of(bench: Bench, batch: Batch) -> dict[str, float]:
    """The dye's mass fraction in the jugs that this batch draws on, by part, where a ledger says.

    A fill is weighed as it is, dye and all.
    """
    if batch.recipe.is_fill:
        return {}
    found = {part: fraction(bench.tints, jug) for part, jug in batch.jugs}
    return {part: share for part, share in found.items() if share is not None}


def needed_g(bench: Bench, ledger: Ledger) -> float | None:
    """What the batches still to come take from a jug of this colour; None where nobody knows them.

    The batch on the scale counts whole until it is mixed.
    """
    plan = bench.plan
    if plan is None or plan.left is None:
        return None
    part = next((jug.part for jug in bench.jugs if jug.name == ledger.jug), None)
    if part is None and plan.recipe.dye is not None and plan.recipe.dye_part is not None:
        part = plan.recipe.dye.into
    if part not in plan.recipe.part_names:
        return None
    items = basis(plan.recipe, {str(part): ledger.fraction})
    sizes = [size_g for _, size_g in plan.sizes] or [plan.size_g] * plan.left
    which = items.names.index(str(part))
    return sum(targets_g(items, size_g)[which] for size_g in sizes)


def needed_for(order: Order, recipe: Recipe, ledger: Ledger) -> float | None:
    """What a whole order takes from a jug of this colour; None where it takes nothing from it."""
    part = next((jug.part for jug in order.jugs if jug.name == ledger.jug), None)
    if part is None and recipe.dye is not None:
        part = recipe.dye.into
    if part not in recipe.part_names:
        return None
    return plan_of(order, recipe, tint={str(part): ledger.fraction}).material.part_g[str(part)]
