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
"""A cup that comes back within this (or three divisions, or 0.3 % of the load) is the same: where
on the pan it stands shifts the reading by as much."""

SMALL_DUMP_G = 5.0
"""A part, or a correction, with less than this before its coarse stop is only trickled. (Common
practice, no source.)"""

LEAST_LIFT_G = 1.5
"""A load below this is a bare pan whose zero has drifted."""


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

    FOUND_CUP = "found-cup"
    SLOW_CUP = "slow-cup"
    HEAVY_CUP = "heavy-cup"
    ZEROED = "zeroed"
    OTHER_CUP = "other-cup"
    RETURNED = "returned"
    REZEROED = "rezeroed"
    RESTING = "resting"


class Held(StrEnum):
    """Why a reading is not taken for resin: the last leap put something on, or took it off."""

    NOT = "not"
    ON = "on"
    OFF = "off"


@dataclass(frozen=True, slots=True)
class Question:
    """Something only the person can know. `change_g` is what the reading moved by."""

    doubt: Doubt
    change_g: float


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch (or one `fill`) while its cup belongs to the scale.

    `items` is what is weighed, in order, with shares and dye. `poured_g` holds each item's mass in
    its cup as the scale showed it, dye included, None before it has landed; `aimed_g` what it was
    last meant to come to, None before its pour has begun. `queue` holds the items still to pour,
    the present one first. `cup_g` is what the cup weighs, `base_g` the reading at which the present
    item's pour began.
    """

    number: int
    recipe: Recipe
    items: Basis
    size_g: float
    poured_g: tuple[float | None, ...]
    queue: tuple[int, ...]
    aimed_g: tuple[float | None, ...] = ()
    pieces: int | None = None
    """How many castings it is for; None without an order."""
    jugs: tuple[tuple[str, str], ...] = ()
    """The jug that each part comes from, where the shelf is known."""
    warnings: tuple[str, ...] = ()
    """What to see to before anything is poured."""
    planned: bool = True
    """Whether it counts among the batches asked for last."""
    phase: Phase = Phase.CUP
    round: int = 1
    """1, and one more with every correction."""
    cup_g: float = 0.0
    base_g: float = 0.0
    in_cup_of: int | None = None
    """The part whose cup was tared last, where each has its own."""
    division_g: float = 0.1
    """The scale's, when the present item's pour began."""
    pan_clear: bool = False
    """The pan has been seen empty, so that what comes onto it is a cup."""
    arrives_from_s: float | None = None
    arrives_high_g: float = 0.0
    arrives_until_s: float = 0.0
    pour: Pour | None = None
    believed_g: float | None = None
    """The last reading that was the cup and its resin; what a cup must come back as."""
    seen_g: float | None = None
    seen_at_s: float = 0.0
    """The last reading of this pour, believed or not: what a leap is judged against."""
    held: Held = Held.NOT
    """Whether something but resin has moved the pan, so that nothing is judged for now."""
    leapt_at_s: float = 0.0
    """When it last did."""
    spent_g: float | None = None
    """What the pan showed once that leap was over."""
    halted: bool = False
    """The person was told to stop pouring, because nothing can be judged."""
    calming: bool = False
    """The cup or a thing has just come or gone, and the weighing may still be disturbed by it."""
    still_g: float | None = None
    still_from_s: float = 0.0
    """Where the reading lies still, and since when."""
    rests_g: tuple[float, ...] = ()
    """Where the reading has lain still since the present item's pour began, the last one last."""
    over_at_g: float = 0.0
    """What an item that is over came to before anything was taken out again."""
    crept_g: float = 0.0
    """How far the base was moved after a drifting zero."""
    below: int = 0
    """Readings in a row that say the cup has left the pan."""
    back_to: Phase = Phase.CUP
    away_at_s: float = 0.0
    """When the cup was last seen before it was lifted, or before the scale was lost."""
    flowed_g_per_s: float = 0.0
    """How fast the part was being poured when the scale was lost."""
    lost: bool = False
    """The cup is away because the scale is, not because somebody lifted it."""
    question: Question | None = None
    accepted: bool = False
    """The person takes the mix as it is: a ratio that is off is not asked about again."""
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
        return -1 if self.loss else 1

    @property
    def loss(self) -> bool:
        """Whether a container stands on the pan and is poured from."""
        return self.recipe.method == "loss"

    @property
    def own_cups(self) -> bool:
        """Whether each part has a cup or a container of its own on the pan."""
        return self.loss or self.recipe.cup.one_per_part

    @property
    def cup_of(self) -> int | None:
        """The part that the present item goes to: dye follows the part that was poured before."""
        index = self.current
        if index is None or self.loss or not self.items.items[index].is_dye:
            return index
        return index - 1

    @property
    def landed_g(self) -> float:
        """What has landed in the cup on the pan, besides the present item."""
        if self.own_cups:
            return self._under_the_dye_g
        return sum(g for i, g in enumerate(self.poured_g) if g is not None and i != self.current)

    @property
    def _under_the_dye_g(self) -> float:
        under = self.cup_of
        return 0.0 if under is None or under == self.current else self.poured_g[under] or 0.0

    @property
    def alone(self) -> bool:
        """Whether nothing but the present item can be in the cup on the pan."""
        return self.landed_g == 0.0


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
    targets = targets_g(batch.items, batch.size_g, _leading_g(batch))
    return tuple(
        poured if poured is not None and i not in again else target
        for i, (poured, target) in enumerate(zip(batch.poured_g, targets, strict=True))
    )


def _leading_g(batch: Batch) -> tuple[float | None, ...]:
    """What later targets follow: the true masses, but for a part too small for this scale.

    A part that the scale cannot weigh to the ratio tolerance, and that landed within a division,
    counts as on target: 0.1 g of 1.5 g must not make the whole batch 7 % larger. Whoever asks for a
    correction wants it all the same.
    """
    if batch.round > 1:
        return batch.poured_g
    share = batch.items.ratio_tolerance_pct / 100
    return tuple(
        aimed
        if poured is not None
        and aimed is not None
        and share * aimed < abs(poured - aimed) <= batch.division_g
        else poured
        for poured, aimed in zip(batch.poured_g, batch.aimed_g, strict=True)
    )


def goal(batch: Batch, division_g: float, risk_pct: float, already_g: float = 0.0) -> PourGoal:
    """The present item's pour: target, landing band and stops.

    The recipe's stops are shares of what is poured at one go: where `already_g` of the item is in
    the cup, of what is to be added. A dump of a few grams is no dump.
    """
    index = batch.queue[0]
    target_g = item_targets_g(batch)[index]
    stops, coming = batch.recipe.stops, target_g - already_g
    own = not batch.items.items[index].is_dye and stops.coarse is not None and coming > 0
    coarse, fine = (stops.coarse, stops.fine) if own else (None, None)
    if coarse is not None and coarse * coming < SMALL_DUMP_G:
        coarse = None
    return PourGoal(
        part=batch.items.names[index],
        target_g=target_g,
        tolerance_g=landing_tolerance_g(batch.items, index, target_g, division_g),
        coarse=None if coarse is None else (already_g + coarse * coming) / target_g,
        fine=None if fine is None else (already_g + fine * coming) / target_g,
        risk_pct=risk_pct,
    )


def with_poured(batch: Batch, index: int, grams: float | None) -> Batch:
    """The batch with an item's mass noted; None: it is to be poured anew."""
    poured = tuple(grams if i == index else g for i, g in enumerate(batch.poured_g))
    return replace(batch, poured_g=poured)


def with_aim(batch: Batch, index: int, target_g: float) -> Batch:
    """The batch with what an item is now meant to come to noted."""
    aimed = tuple(target_g if i == index else g for i, g in enumerate(batch.aimed_g))
    return replace(batch, aimed_g=aimed)


def plan_to_save(batch: Batch, at_s: float) -> Correction:
    """What `correct` would do about what has been poured so far."""
    used = None
    if batch.contact_at_s is not None and batch.pot_life_s:
        used = (at_s - batch.contact_at_s) / batch.pot_life_s
    return correction(batch.items, batch.poured_g, division_g=batch.division_g, pot_life_used=used)


def still_to_add(batch: Batch, plan: Correction) -> tuple[int, ...]:
    """The items that the plan adds to, besides those that are still to be poured anyway."""
    return tuple(
        i for i, part in enumerate(plan.parts) if part.add_g > 0 and i not in batch.queue[1:]
    )


def ratio_error(batch: Batch) -> float | None:
    """The worst part's ratio error in percent; None before two parts have landed."""
    return ratio_error_pct(batch.items, batch.poured_g)


def total_g(batch: Batch) -> float:
    """Everything in the mix so far, dye included."""
    return mixed_total_g(batch.items, batch.poured_g)


def off_ratio(batch: Batch) -> bool:
    """Whether the ratio is off by more than the recipe's tolerance."""
    error = ratio_error(batch)
    return error is not None and abs(error) > batch.items.ratio_tolerance_pct + 1e-9


def has_begun(batch: Batch) -> bool:
    """Whether some of the present item has been seen to be poured, if only past another thing."""
    return batch.halted or (batch.pour is not None and batch.pour.begun_at_s is not None)


def good_as_it_is(batch: Batch) -> bool:
    """Whether what is over leaves the ratio within its tolerance, so that it is best accepted.

    A correction of a gram is a pour of its own, and as likely as not the next thing that is over.
    """
    known = ratio_error(batch) is not None and not off_ratio(batch)
    return known and bool(batch.queue) and not batch.items.items[batch.queue[0]].is_dye


def lift_level_g(batch: Batch, empty_g: float) -> float:
    """Load over the bare pan below which the cup (or container) must have left it.

    While a part is poured, half of what cannot be poured away: the cup and what has landed in it,
    or the container less what is still to come out of it; otherwise half of what rested there. What
    has left is back above half of what it was in any case. Never so low that a drifting zero passes
    for a lifted cup.
    """
    away = batch.phase in (Phase.AWAY, Phase.CONFIRM)
    half = 0.5 * ((batch.believed_g or 0.0) - empty_g)
    if (batch.back_to if away else batch.phase) is not Phase.POUR:
        return max(half, LEAST_LIFT_G)
    if batch.loss:
        coming = item_targets_g(batch)[batch.queue[0]]
        level = 0.4 * (batch.cup_g - 1.3 * coming)
    else:
        level = 0.5 * (batch.base_g - empty_g)
    return max(min(level, half) if away else level, LEAST_LIFT_G)


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
