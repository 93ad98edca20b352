"""The day of an order: hours, batches an hour, what limits the rate, what more of it would bring.

Owns the bounds and the comparison of one shop with another. The run itself is in `shop`; this
knows nothing of grams on the shelf or of money.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import floor, inf

from recipes.batches import Split, molds_per_batch, most_molds_per_cup, split
from recipes.model import Recipe
from recipes.order import Order, Tank
from recipes.pace import Pace
from recipes.shop import Run, Shop, Span, run

PERSON, MOLDS, TANK = "person", "molds", "tank"
"""What can limit the rate."""

ONE_MORE_MOLD = "one_more_mold"
ONE_MORE_TANK_PLACE = "one_more_tank_place"
SECOND_TANK = "second_tank"
SECOND_PERSON = "second_person"
ONE_MORE_MOLD_A_CUP = "one_more_mold_a_cup"

BARELY_H = 0.01
"""Hours that are no difference."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The same order with one thing more. `saved_hours` is of the hours that pass."""

    hours: float
    saved_hours: float
    batches_per_hour: float
    limited_by: str
    person_hours: float
    """Hours that are worked, or waited, by all people together."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """The day of an order, set-up first, then batches without a break until the last is finished.

    `batches_per_hour` is over the hours after the set-up. `cycle_s` is the time that a batch takes
    at the least of each (see `cycles_s`), `busy` the share of those hours that each was in use.
    """

    hours: float
    setup_hours: float
    batches_per_hour: float
    limited_by: str
    cycle_s: dict[str, float]
    busy: dict[str, float]
    batches_per_cycle: int | None
    """How many batches can share the tank's cycle, by room and by their time to press; None where
    nothing is pressed."""
    what_if: dict[str, WhatIf]
    late: dict[str, int]
    """Pieces that an operation reached too late after demolding, by its name."""
    pressed_late: int
    spans: tuple[Span, ...]
    """What was done when, seconds from the first cup: for a chart."""


def schedule(order: Order, recipe: Recipe, pace: Pace, pieces: int) -> Schedule:
    """The day on which so many pieces are started, and what one thing more would bring."""
    shop = shop_of(order, recipe, pace, split(order, recipe, pieces))
    day = run(shop)
    setup_h = order.setup_s / 3600
    hours = setup_h + day.seconds / 3600
    cycle_s = cycles_s(shop)
    return Schedule(
        hours=hours,
        setup_hours=setup_h,
        batches_per_hour=_rate(shop, day),
        limited_by=_limit(cycle_s),
        cycle_s=cycle_s,
        busy=_busy(shop, day),
        batches_per_cycle=most_per_cycle(shop) if recipe.uses_tank else None,
        what_if=dict(_what_if(order, recipe, shop, pieces, hours)),
        late=day.late,
        pressed_late=day.pressed_late,
        spans=day.spans,
    )


def shop_of(order: Order, recipe: Recipe, pace: Pace, batches: Split) -> Shop:
    """The shop that this order meets; a tank that it does not tell of takes one cup's molds."""
    places = order.tank.molds if order.tank is not None else batches.molds
    return Shop(
        pace=pace,
        batches=tuple(size.pieces for size in batches.sizes),
        cavities=order.mold.cavities,
        molds=order.mold.count,
        tank_places=places if recipe.uses_tank else 0,
        release_every=order.mold.release_every,
    )


# -- bounds --------------------------------------------------------------------------------------


def cycles_s(shop: Shop) -> dict[str, float]:
    """Seconds for a batch, on average, if nothing but the person, the molds or the tank counted.

    The analytic bound: no run is faster than the slowest of them. A person does all the work; a
    mold is taken from the start of the pour until it is demolded; a tank's cycle is pressure, vent
    and loading, shared by as many batches as can be under pressure in time.
    """
    pace, batches = shop.pace, max(len(shop.batches), 1)
    molds = sum(map(shop.molds_for, shop.batches)) / batches
    pieces = sum(shop.batches) / batches
    share = most_per_cycle(shop)
    release_s = pace.release_s * molds / shop.release_every if shop.release_every else 0.0
    by_hand_s = pace.pour_s + pace.tank_s + pace.vent_s / share + pace.demold_s + release_s
    found = {PERSON: (by_hand_s + pieces * pace.piece_s) / shop.people}
    in_tank_s = pace.pour_s + pace.tank_s + (pace.pressure_s or 0.0) + pace.vent_s
    held_s = max(pace.contact_s + pace.cure_s, in_tank_s) + pace.demold_s + release_s
    found[MOLDS] = molds * held_s / shop.molds
    if pace.pressure_s is not None:
        each = (_tank_cycle_s(shop, count) / count for count in range(1, share + 1))
        found[TANK] = min(each) / shop.tanks
    return found


def _tank_cycle_s(shop: Shop, batches: int) -> float:
    """From one closing of the tank to the next that holds so many batches, at the least.

    The first of them may be poured while the tank is still under pressure, where its own time to
    press leaves room to vent and load after the pour; several people pour at one time.
    """
    pace = shop.pace
    left_s = inf if pace.left_to_press_s is None else pace.left_to_press_s
    beforehand = pace.pour_s + pace.vent_s + pace.tank_s <= left_s
    pours = (batches if shop.people == 1 else 1) - beforehand
    loads = batches if shop.people == 1 else 1
    in_it_s = (pace.pressure_s or 0.0) + pace.vent_s
    return in_it_s + pours * pace.pour_s + loads * pace.tank_s


def most_per_cycle(shop: Shop) -> int:
    """How many batches can be under pressure together before the first of them must be, 1 or more.

    By one person; several who pour at once can reach as many as the tank takes.
    """
    pace = shop.pace
    if pace.pressure_s is None:
        return 1
    molds = max(map(shop.molds_for, shop.batches), default=1)
    room = max(1, min(shop.tank_places, shop.molds) // molds)
    if shop.people > 1 or pace.left_to_press_s is None:
        return room
    each_s = pace.pour_s + pace.tank_s
    return max(1, min(room, floor(pace.left_to_press_s / each_s + 1e-9)))


def _limit(cycle_s: dict[str, float]) -> str:
    return max(cycle_s, key=lambda name: cycle_s[name])


def _rate(shop: Shop, day: Run) -> float:
    return len(shop.batches) / (day.seconds / 3600) if day.seconds > 0 else 0.0


def _busy(shop: Shop, day: Run) -> dict[str, float]:
    if day.seconds <= 0:
        return {}
    busy = {
        PERSON: day.people_busy_s / shop.people,
        MOLDS: day.molds_busy_s / shop.molds,
    }
    if shop.pace.pressure_s is not None:
        busy[TANK] = day.tanks_busy_s / shop.tanks
    return {name: busy_s / day.seconds for name, busy_s in busy.items()}


# -- what if -------------------------------------------------------------------------------------


def _what_if(
    order: Order, recipe: Recipe, shop: Shop, pieces: int, hours: float
) -> Iterator[tuple[str, WhatIf]]:
    """One thing more at a time, each with a run of its own."""
    setup_h = order.setup_s / 3600
    for name, other in _others(order, recipe, shop, pieces):
        day = run(other)
        other_h = setup_h + day.seconds / 3600
        yield (
            name,
            WhatIf(
                hours=other_h,
                saved_hours=hours - other_h,
                batches_per_hour=_rate(other, day),
                limited_by=_limit(cycles_s(other)),
                person_hours=setup_h + other.people * day.seconds / 3600,
            ),
        )


def _others(order: Order, recipe: Recipe, shop: Shop, pieces: int) -> Iterator[tuple[str, Shop]]:
    def with_(more: Order, molds: int | None = None) -> Shop:
        return shop_of(more, recipe, shop.pace, split(more, recipe, pieces, molds))

    mold = order.mold.model_copy(update={"count": order.mold.count + 1})
    yield ONE_MORE_MOLD, with_(order.model_copy(update={"mold": mold}))
    if recipe.uses_tank:
        tank = Tank(molds=shop.tank_places + 1)
        yield ONE_MORE_TANK_PLACE, with_(order.model_copy(update={"tank": tank}))
        yield SECOND_TANK, replace(shop, tanks=2)
    yield SECOND_PERSON, replace(shop, people=2)
    if fuller_cup_is_possible(order, recipe, shop.pace):
        molds = molds_per_batch(order, recipe)
        fuller = with_(order, molds + 1)
        pace = _fuller_pace(shop.pace, (molds + 1) / molds)
        yield ONE_MORE_MOLD_A_CUP, replace(fuller, pace=pace)


def _fuller_pace(pace: Pace, times: float) -> Pace:
    """The pace of a cup that fills more molds: filling, demolding and loading take in proportion.

    The dispensing does not: it is mostly cup, lids and the trickle to the mark.
    """
    return replace(
        pace, fill_s=pace.fill_s * times, demold_s=pace.demold_s * times, tank_s=pace.tank_s * times
    )


def fuller_cup_is_possible(order: Order, recipe: Recipe, pace: Pace) -> bool:
    """Whether one more mold could be filled from one cup: molds, tank, cup and clocks allow it."""
    molds = molds_per_batch(order, recipe)
    if molds + 1 > order.mold.count:
        return False
    if recipe.uses_tank and (order.tank is None or molds + 1 > order.tank.molds):
        return False
    takes = most_molds_per_cup(order, recipe)
    if takes is None or takes < molds + 1:
        return False
    more = _fuller_pace(pace, (molds + 1) / molds)
    poured_s = more.pour_s - more.contact_s
    in_time = more.pour_by_s is None or poured_s <= more.pour_by_s
    return in_time and (more.press_by_s is None or poured_s + more.tank_s <= more.press_by_s)
