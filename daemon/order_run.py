"""An order while it is poured: batches still to come, jugs on the shelf, molds, pieces through it.

Owns these values and what they say (a warning, a jug to draw from, another batch). Decides nothing
about a batch on the scale, and knows no clock: the day and the time are arguments.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from recipes.batches import molds_per_batch, shot_for, split
from recipes.model import Recipe
from recipes.order import Order
from recipes.yields import chance_of_enough

BELIEVED_PIECES = 40.0
"""The expected reject rate weighs as much as so many counted pieces: one bad cavity at the start
must not double an order (common practice, no source)."""
NEAR_END_PULLS = 3
"""Pulls before a mold's last at which it is said."""


@dataclass(frozen=True, slots=True)
class Jug:
    """One container on the shelf; `use_by` is a date as text, `shaken_at_s` on the time line."""

    name: str
    part: str
    left_g: float
    lot: str | None = None
    use_by: str | None = None
    shake_every_s: float | None = None
    shaken_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class OrderRun:
    """The order under way. `started` holds the pieces of each batch mixed so far."""

    order: Order
    recipe: Recipe
    started: tuple[int, ...] = ()
    good: int = 0
    rejected: int = 0
    done: tuple[tuple[str, int], ...] = ()
    """Pieces that have gone through each finishing operation."""

    @property
    def operations(self) -> tuple[str, ...]:
        """The finishing operations' names, in order."""
        return tuple(operation.name for operation in self.order.operations)


Sizes = tuple[tuple[int, float], ...]
"""Batches to come: pieces and grams of neat resin each."""


def batch_g(run: OrderRun, pieces: int) -> float:
    """Neat resin for so many pieces of this order."""
    return shot_for(run.order, run.recipe, pieces)


def draws_from(jugs: tuple[Jug, ...], need_g: Mapping[str, float], day: str) -> dict[str, Jug]:
    """The jug for each part: the first in date that can finish the batch, else the fullest."""
    found: dict[str, Jug] = {}
    for part, grams in need_g.items():
        mine = [jug for jug in jugs if jug.part == part]
        fit = [jug for jug in mine if jug.left_g >= grams and in_date(jug, day)]
        if mine:
            found[part] = fit[0] if fit else max(mine, key=lambda jug: jug.left_g)
    return found


def in_date(jug: Jug, day: str) -> bool:
    """Whether the jug may still be used on that day (both dates as YYYY-MM-DD)."""
    return jug.use_by is None or day <= jug.use_by


def jug_warnings(
    drawn: Mapping[str, Jug], need_g: Mapping[str, float], day: str, at_s: float
) -> tuple[str, ...]:
    """What is wrong with the jugs of the next batch, each in a sentence."""
    said = []
    for part, jug in drawn.items():
        if jug.left_g < need_g[part]:
            said.append(
                f"Jug {jug.name} holds {jug.left_g:.0f} g of {part}; this batch takes "
                f"{need_g[part]:.0f} g."
            )
        if not in_date(jug, day):
            said.append(f"Jug {jug.name} is past its date, {jug.use_by}.")
        if jug.shake_every_s is not None:
            said += _unshaken(jug, jug.shake_every_s, at_s)
    return tuple(said)


def _unshaken(jug: Jug, every_s: float, at_s: float) -> list[str]:
    if jug.shaken_at_s is None:
        return [f"Shake jug {jug.name}: it has not been shaken in this run."]
    ago_s = at_s - jug.shaken_at_s
    if ago_s <= every_s:
        return []
    return [f"Shake jug {jug.name}: the last time was {ago_s / 3600:.1f} h ago."]


def mold_warnings(run: OrderRun) -> tuple[str, ...]:
    """What the molds need before the next batch is poured, each in a sentence."""
    mold, batches = run.order.mold, len(run.started)
    said = []
    if mold.release_every and batches and batches % mold.release_every == 0:
        said.append(f"Release agent is due: {mold.release_every} batches since the last.")
    if mold.pulls_left is not None:
        pulls = batches * molds_per_batch(run.order, run.recipe) // mold.count
        left = mold.pulls_left - pulls
        if left <= NEAR_END_PULLS:
            said.append(f"The molds are near their end: about {max(left, 0)} pulls each are left.")
    return tuple(said)


def drawn(jugs: tuple[Jug, ...], name: str, grams: float) -> tuple[Jug, ...]:
    """The shelf after so much was taken from a jug; it never holds less than nothing."""
    return tuple(
        replace(jug, left_g=max(jug.left_g - grams, 0.0)) if jug.name == name else jug
        for jug in jugs
    )


def counted(run: OrderRun, good: int, rejected: int) -> OrderRun:
    """The order after so many more pieces were looked at."""
    return replace(run, good=run.good + good, rejected=run.rejected + rejected)


def reject_share(run: OrderRun) -> float:
    """The share of rejects to be expected: what was planned, corrected by what was counted."""
    planned = run.order.allow.reject_pct / 100
    seen = run.good + run.rejected
    return (planned * BELIEVED_PIECES + run.rejected) / (BELIEVED_PIECES + seen)


def more_batches(run: OrderRun, to_come: Sizes) -> Sizes:
    """Batches to add so that the order is still met with the confidence that it asks for."""
    need = run.order.pieces - run.good
    coming = sum(run.started) - run.good - run.rejected + sum(pieces for pieces, _ in to_come)
    confidence = run.order.allow.confidence_pct / 100
    good_share = 1 - reject_share(run)
    full = split(run.order, run.recipe, run.order.pieces).pieces_per_batch
    more: list[tuple[int, float]] = []
    while chance_of_enough(need, coming, good_share) < confidence and len(more) < 50:
        more.append((full, batch_g(run, full)))
        coming += full
    return tuple(more)


def shelf_of(order: Order) -> tuple[Jug, ...]:
    """The jugs that the order's file lists."""
    return tuple(
        Jug(
            name=jug.name,
            part=jug.part,
            left_g=jug.grams,
            lot=jug.lot,
            use_by=None if jug.use_by is None else jug.use_by.isoformat(),
            shake_every_s=jug.shake_every_s,
        )
        for jug in order.jugs
    )


def jug_data(jug: Jug) -> dict[str, Any]:
    """A jug as an event tells it."""
    return {
        "jug": jug.name,
        "part": jug.part,
        "lot": jug.lot,
        "grams": round(jug.left_g, 1),
        "use_by": jug.use_by,
    }
