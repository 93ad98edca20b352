"""`order plan`: the plan of an order, as data and as lines for a person.

Owns which figures are shown and in which words. Works nothing out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import asdict, fields
from decimal import Decimal
from typing import Any

from recipes.cost import Cost
from recipes.order import Costs, Order
from recipes.plan import Plan
from recipes.schedule import (
    BARELY_H,
    MOLDS,
    ONE_MORE_MOLD,
    ONE_MORE_MOLD_A_CUP,
    ONE_MORE_TANK_PLACE,
    PERSON,
    SECOND_PERSON,
    SECOND_TANK,
    TANK,
    Schedule,
    WhatIf,
)
from recipes.shelf import ShelfPart

_WIDTH = 96


# -- as data -------------------------------------------------------------------------------------


def sheet(plan: Plan) -> dict[str, Any]:
    """The plan as it is printed with `--json`."""
    full, last = plan.split.sizes[0], plan.split.sizes[-1]
    return {
        "name": plan.name,
        "recipe": plan.recipe,
        "pieces": plan.pieces,
        "pieces_to_start": plan.pieces_to_start,
        "chance_pct": round(plan.chance_pct, 2),
        "batches": plan.batches,
        "pieces_per_batch": plan.split.pieces_per_batch,
        "molds_per_batch": plan.split.molds,
        "batch_g": round(full.resin_g, 3),
        "last_batch_pieces": plan.last_batch_pieces,
        "last_batch_g": round(last.resin_g, 3),
        "material_g": _rounded(plan.material.part_g, 2),
        "dye_g": round(plan.material.dye_g, 3),
        "cups": plan.material.cups,
        "shelf": {name: _rounded(asdict(part), 2) for name, part in plan.shelf.parts.items()},
        "jugs": [_jug(asdict(jug)) for jug in plan.shelf.jugs],
        "schedule": _schedule(plan.schedule),
        "cost": None if plan.cost is None else _cost(plan.cost),
        "measured_s": _rounded(plan.paced.measured, 1),
        "assumed_s": _rounded(plan.paced.assumed, 1),
        "warnings": list(plan.warnings),
    }


def _rounded(figures: dict[str, Any], digits: int) -> dict[str, Any]:
    return {
        name: round(figure, digits) if isinstance(figure, float) else figure
        for name, figure in figures.items()
    }


def _jug(jug: dict[str, Any]) -> dict[str, Any]:
    use_by = jug["use_by"]
    return _rounded(jug, 2) | {"use_by": None if use_by is None else use_by.isoformat()}


def _schedule(day: Schedule) -> dict[str, Any]:
    return {
        "hours": round(day.hours, 3),
        "setup_hours": round(day.setup_hours, 3),
        "batches_per_hour": round(day.batches_per_hour, 3),
        "limited_by": day.limited_by,
        "what_if": {name: _rounded(asdict(more), 3) for name, more in day.what_if.items()},
        "cycle_s": _rounded(day.cycle_s, 1),
        "busy": _rounded(day.busy, 3),
        "batches_per_cycle": day.batches_per_cycle,
        "late": day.late,
        "pressed_late": day.pressed_late,
    }


def _cost(cost: Cost) -> dict[str, Any]:
    found = {field.name: getattr(cost, field.name) for field in fields(cost)}
    return {
        name: float(value) if isinstance(value, Decimal) else value for name, value in found.items()
    }


# -- for a person --------------------------------------------------------------------------------


def lines(plan: Plan, order: Order, jug: str = "") -> Iterator[str]:
    """The plan of an order, line by line; `jug` is the one whose ledger tells the dye, if one."""
    yield f"{plan.name}: {plan.pieces} good pieces of {plan.recipe}"
    parts = [_pour(plan), _material(plan, order, jug), _day(plan, order)]
    if plan.cost is not None:
        parts.append(_price(plan, plan.cost))
    parts += [_seconds(plan), _mind(plan)]
    for part in parts:
        found = list(part)
        if found:
            yield ""
            yield from found


def _wrapped(text: str, first: str = "  ", then: str = "  ") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=first, subsequent_indent=then)


def _pour(plan: Plan) -> Iterator[str]:
    full, last = plan.split.sizes[0], plan.split.sizes[-1]
    molds = "one mold" if plan.split.molds == 1 else f"{plan.split.molds} molds"
    yield "To pour"
    yield _wrapped(
        f"{_some(plan.pieces_to_start, 'piece')}, of which {plan.reject_pct:g} % may be rejects:"
        f" enough good ones in {_percent(plan.chance_pct)} of 100 such runs."
    )
    each = f"{full.pieces} pieces, {molds} to a cup, {full.resin_g:.1f} g of resin"
    if plan.batches == 1:
        yield _wrapped(f"1 batch of {each}.")
    elif last == full:
        yield _wrapped(f"{plan.batches} batches of {each}.")
    else:
        smaller = f"the last one {_some(last.pieces, 'piece')}, {last.resin_g:.1f} g"
        yield _wrapped(f"{plan.batches} batches of {each}; {smaller}.")


def _percent(chance_pct: float) -> str:
    """A chance that is never said to be certain where it is not."""
    if chance_pct >= 100:
        return "100"
    return f"{min(chance_pct, 99.99):.2f}".rstrip("0").rstrip(".")


def _some(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _material(plan: Plan, order: Order, jug: str) -> Iterator[str]:
    names = {name: f"{name}, tinted" if name == plan.tinted else name for name in plan.shelf.parts}
    width = max(8, *(len(name) for name in names.values()))
    yield f"{'Material':{width + 2}}  {'NEEDED':>10}  {'ON THE SHELF':>12}"
    for part, name in names.items():
        stock = plan.shelf.parts[part]
        listed = any(jug.part == part for jug in order.jugs)
        shelf = f"  {stock.have_g:10.1f} g  {_stock(plan, part, stock)}" if listed else ""
        yield f"  {name:{width}}  {stock.need_g:8.1f} g{shelf}"
    if plan.material.dye_g > 0:
        where = f"  in the {plan.tinted} above" if plan.tinted else "  into the cup"
        where += f", as the ledger of jug {jug} has it" if jug else ""
        yield f"  {'dye':{width}}  {plan.material.dye_g:8.2f} g{where}"
    yield f"  {'cups':{width}}  {plan.material.cups:8}"
    if order.allow.waste_pct:
        yield f"  {order.allow.waste_pct:g} % for missed cups and trials is in it."


def _stock(plan: Plan, part: str, stock: ShelfPart) -> str:
    drawn = [jug.name for jug in plan.shelf.jugs if jug.part == part and jug.draw_g > 0]
    what = f"from {_some(len(drawn), 'jug')}: {', '.join(drawn)}" if drawn else "no jug to draw on"
    if stock.short_g > 0:
        return f"short by {stock.short_g:.1f} g, {what}"
    return f"{stock.have_g - stock.need_g:.1f} g to spare, {what}"


_WHO = {PERSON: "the person", MOLDS: "the molds", TANK: "the tank"}
_MORE = {
    ONE_MORE_MOLD: "one more mold",
    ONE_MORE_TANK_PLACE: "one more place in the tank",
    SECOND_TANK: "a second tank",
    SECOND_PERSON: "a second person",
    ONE_MORE_MOLD_A_CUP: "one more mold to a cup",
}


def _day(plan: Plan, order: Order) -> Iterator[str]:
    day = plan.schedule
    yield "The day"
    yield from _hours(day, order)
    yield from _limit(day)
    if TANK in day.cycle_s and day.limited_by == TANK:
        yield from _sharing(plan, order)
    busy = ", ".join(f"{_WHO[name]} {100 * share:.0f} %" for name, share in day.busy.items())
    yield _wrapped(f"In use: {busy}.")
    width = max(len(_MORE[name]) for name in day.what_if)
    for name, more in day.what_if.items():
        brings = _brings(day, more, order.cost)
        yield f"  with {_MORE[name]:{width}}  {more.hours:6.1f} h  {brings}"


def _hours(day: Schedule, order: Order) -> Iterator[str]:
    after_h = day.hours - day.setup_hours
    run = f"{after_h:.1f} h from the first cup to the last finished piece"
    if day.setup_hours:
        what = ", ".join(setup.name for setup in order.setups)
        run = f"{day.hours:.1f} h: {day.setup_hours:.1f} h of set-up ({what}), then {run}"
    yield _wrapped(f"{run}, {day.batches_per_hour:.1f} batches an hour.")


def _limit(day: Schedule) -> Iterator[str]:
    others = [f"{_WHO[n]} {_span(s)}" for n, s in day.cycle_s.items() if n != day.limited_by]
    yield _wrapped(
        f"{_limits(day.limited_by).capitalize()} the rate: a batch takes"
        f" {_span(day.cycle_s[day.limited_by])} of it ({', '.join(others)})."
    )


def _limits(what: str) -> str:
    return f"{_WHO[what]} {'limit' if what == MOLDS else 'limits'}"


def _sharing(plan: Plan, order: Order) -> Iterator[str]:
    """Why places in the tank stay empty, where they do."""
    places = order.tank.molds if order.tank is not None else plan.split.molds
    used = (plan.schedule.batches_per_cycle or 1) * plan.split.molds
    if used < places and plan.paced.pace.press_by_s is not None:
        yield _wrapped(
            f"Of its {places} places {used} can be filled before the first batch in it has to be"
            f" under pressure, {plan.paced.pace.press_by_s:g} s after the parts meet."
        )


def _brings(day: Schedule, more: WhatIf, costs: Costs | None) -> str:
    if abs(more.saved_hours) < BARELY_H:
        return "saves nothing"
    if more.saved_hours < 0:
        return f"takes {-more.saved_hours:.1f} h longer"
    saved = f"saves {more.saved_hours:.1f} h"
    paid_h = day.hours - more.person_hours
    if paid_h < 0:
        saved += f" for {more.person_hours:.1f} h of labour"
    elif costs is not None and costs.labour_per_hour:
        saved += f" and {paid_h * costs.labour_per_hour:.0f} {costs.currency} of labour"
    return (
        saved if more.limited_by == day.limited_by else f"{saved}; then {_limits(more.limited_by)}"
    )


def _price(plan: Plan, cost: Cost) -> Iterator[str]:
    day, places = plan.schedule, -int(cost.total.as_tuple().exponent)
    rows = (
        ("resin and dye", cost.resin + cost.dye, ""),
        ("tinted and left over", cost.left_over, ""),
        ("consumables", cost.consumables, f"{plan.batches} times"),
        ("labour", cost.labour, f"{day.hours - day.setup_hours:.1f} h"),
        ("set-up", cost.setup_labour, f"{day.setup_hours:.1f} h"),
        ("once", cost.once, "mold, jig"),
        ("total", cost.total, cost.currency),
        ("each good piece", cost.per_piece, ""),
        ("price of one", cost.price_per_piece, f"{cost.margin_pct:g} % of it margin"),
        ("price of all", cost.price, ""),
    )
    yield f"Cost, {cost.currency}"
    for name, amount, note in rows:
        if amount or name == "total":
            yield f"  {name:22}  {amount:12.{places}f}  {note}".rstrip()


def _seconds(plan: Plan) -> Iterator[str]:
    for figures, why in (
        (plan.paced.measured, "Times from this shop's own record"),
        (plan.paced.assumed, "Times that nobody gave, so they are assumed"),
    ):
        if figures:
            said = ", ".join(f"{name} {seconds:g} s" for name, seconds in figures.items())
            yield _wrapped(f"{why}: {said}.", "", "  ")


def _mind(plan: Plan) -> Iterator[str]:
    if plan.warnings:
        yield "Mind"
        yield from (_wrapped(warning, "  ", "    ") for warning in plan.warnings)


def _span(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
