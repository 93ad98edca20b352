"""The batch on the scale: what is weighed in which order, how far it is, and its figures.

Owns the batch's values and the sums on them. Does not decide what follows what (see `sequence`) and
knows no clock, no outlet and no file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from daemon.pour import Pour, PourGoal
from recipes.amounts import (
    Basis,
    Correction,
    basis,
    correction,
    landing_tolerance_g,
    mixed_total_g,
    ratio_error_pct,
    targets_g,
)
from recipes.model import Recipe

SETTLED_ENOUGH_G = 0.5
"""A cup that comes back within this (or three divisions) is the same: seating shifts so much."""


class Phase(StrEnum):
    """Where the batch on the scale stands; finer than the step that outsiders see."""

    CUP = "cup"
    POUR = "pour"
    DECIDE = "decide"
    CONFIRM = "confirm"
    AWAY = "away"
    COMBINE = "combine"
    STIR = "stir"


class Doubt(StrEnum):
    """What the person is asked to confirm, or why the cup is not believed."""

    SLOW_CUP = "slow-cup"
    RETURNED = "returned"
    REZEROED = "rezeroed"
    RESTING = "resting"


@dataclass(frozen=True, slots=True)
class Question:
    """Something only the person can know. `change_g` is what the reading moved by."""

    doubt: Doubt
    change_g: float


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch (or one `fill`) while its cup belongs to the scale.

    `items` is what is weighed, in order, with shares and dye. `poured_g` holds each item's mass in
    its cup as the scale showed it, dye included, None before it has landed. `queue` holds the items
    still to pour, the present one first. `cup_g` is what the cup weighs, `base_g` the reading at
    which the present item's pour began.
    """

    number: int
    recipe: Recipe
    items: Basis
    size_g: float
    poured_g: tuple[float | None, ...]
    queue: tuple[int, ...]
    aimed_g: tuple[float | None, ...] = ()
    """What each item was last meant to come to, None before its pour has begun."""
    phase: Phase = Phase.CUP
    round: int = 1
    cup_g: float = 0.0
    base_g: float = 0.0
    pan_clear: bool = False
    arrives_from_s: float | None = None
    arrives_high_g: float = 0.0
    arrives_until_s: float = 0.0
    pour: Pour | None = None
    believed_g: float | None = None
    """The last reading that was seen to be the cup and its resin; what a cup must come back as."""
    below: int = 0
    """Readings in a row that say the cup has left the pan."""
    jumped: bool = False
    """Something but resin moved the pan since the last rest."""
    back_to: Phase = Phase.CUP
    lost: bool = False
    """The cup is away because the scale is, not because somebody lifted it."""
    question: Question | None = None
    contact_at_s: float | None = None
    pot_life_s: float | None = None
    landed_at_s: float | None = None

    @property
    def current(self) -> int | None:
        """The item that is being poured; None when nothing is left to pour."""
        return self.queue[0] if self.queue else None

    @property
    def name(self) -> str | None:
        """The present item's name."""
        return None if self.current is None else self.items.names[self.current]

    @property
    def sign(self) -> int:
        """How the reading moves while the part is poured: up in a cup, down in a container."""
        return 1 if self.recipe.method == "gain" else -1

    @property
    def own_cups(self) -> bool:
        """Whether each part has a cup or a container of its own on the pan."""
        return self.recipe.method == "loss" or self.recipe.cup.one_per_part

    @property
    def landed_g(self) -> float:
        """What has landed on the present tare, besides the present item."""
        if self.own_cups:
            return 0.0
        return sum(g for i, g in enumerate(self.poured_g) if g is not None and i != self.current)


def opened(number: int, recipe: Recipe, size_g: float, tint: float | None = None) -> Batch:
    """A new batch of `size_g` neat resin, nothing poured."""
    items = basis(recipe, tint)
    count = len(items.items)
    return Batch(
        number=number,
        recipe=recipe,
        items=items,
        size_g=size_g,
        poured_g=(None,) * count,
        aimed_g=(None,) * count,
        queue=tuple(range(count)),
    )


def item_targets_g(batch: Batch) -> tuple[float, ...]:
    """What each item is to come to on the scale, following what was truly poured."""
    again = set(batch.queue) if batch.round > 1 else set()
    targets = targets_g(batch.items, batch.size_g, batch.poured_g)
    return tuple(
        poured if poured is not None and i not in again else target
        for i, (poured, target) in enumerate(zip(batch.poured_g, targets, strict=True))
    )


def goal(batch: Batch, division_g: float, risk_pct: float) -> PourGoal:
    """The present item's pour: target, landing band and stops."""
    index = batch.queue[0]
    target_g = item_targets_g(batch)[index]
    stops = batch.recipe.stops
    dye = batch.items.items[index].is_dye
    return PourGoal(
        part=batch.items.names[index],
        target_g=target_g,
        tolerance_g=landing_tolerance_g(batch.items, index, target_g, division_g),
        coarse=None if dye else stops.coarse,
        fine=None if dye else stops.fine,
        risk_pct=risk_pct,
    )


def with_poured(batch: Batch, index: int, grams: float) -> Batch:
    """The batch with an item's mass noted."""
    poured = tuple(grams if i == index else g for i, g in enumerate(batch.poured_g))
    return replace(batch, poured_g=poured)


def with_aim(batch: Batch, index: int, target_g: float) -> Batch:
    """The batch with what an item is now meant to come to noted."""
    aimed = tuple(target_g if i == index else g for i, g in enumerate(batch.aimed_g))
    return replace(batch, aimed_g=aimed)


def plan_to_save(batch: Batch, division_g: float, at_s: float) -> Correction:
    """What `correct` would do about what has been poured so far."""
    used = None
    if batch.contact_at_s is not None and batch.pot_life_s:
        used = (at_s - batch.contact_at_s) / batch.pot_life_s
    return correction(batch.items, batch.poured_g, division_g=division_g, pot_life_used=used)


def ratio_error(batch: Batch) -> float | None:
    """The worst part's ratio error in percent; None before two parts have landed."""
    return ratio_error_pct(batch.items, batch.poured_g)


def total_g(batch: Batch) -> float:
    """Everything in the mix so far, dye included."""
    return mixed_total_g(batch.items, batch.poured_g)


def lift_level_g(batch: Batch) -> float:
    """Load over the bare pan below which the cup (or container) must have left it.

    Half of what cannot be poured away: the cup and what has landed in it, or the container less
    what is still to come out of it. Never so low that a drifting zero passes for a lifted cup.
    """
    if batch.recipe.method == "loss":
        index = batch.current
        coming = item_targets_g(batch)[index] if index is not None else 0.0
        return max(0.4 * (batch.cup_g - 1.3 * coming), 1.5)
    return max(0.5 * (batch.cup_g + batch.landed_g), 1.5)


def same_load(change_g: float, load_g: float, division_g: float) -> bool:
    """Whether a load that came back differing by `change_g` is the one that left."""
    return abs(change_g) <= max(SETTLED_ENOUGH_G, 3 * division_g, 0.003 * abs(load_g))


def parts_data(batch: Batch) -> list[dict[str, Any]]:
    """Name and target of each item as they now stand, for an event."""
    names = batch.items.names
    return [
        {"name": name, "target_g": grams(target)}
        for name, target in zip(names, item_targets_g(batch), strict=True)
    ]


def grams(value: float) -> float:
    """Grams as they are told: to the milligram, and never minus nought."""
    return round(value, 3) + 0.0


def maybe_grams(value: float | None) -> float | None:
    """The same for what may not be known."""
    return None if value is None else grams(value)


def plan_data(plan: Correction) -> dict[str, Any]:
    """A plan to save the mix, for an event."""
    return {
        "parts": [
            {"name": part.name, "add_g": grams(part.add_g), "target_g": grams(part.target_g)}
            for part in plan.parts
        ],
        "total_g": grams(plan.total_g),
        "possible": plan.possible,
        "why": plan.why,
    }
