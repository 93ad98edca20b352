"""Which batch is opened next and when, and the end of one: given up, or finished.

Owns the plan of batches. Knows nothing of what happens in one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from daemon.batch import Batch, Phase, opened, parts_data
from daemon.bench import Bench, Plan, Turn
from daemon.finishing import Live, of_batch
from daemon.order_acts import choose_again, choose_jugs, warn_before_pouring
from daemon.presence import is_untouched
from daemon.tint_bench import tints_of
from recipes.amounts import basis


def next_plan(bench: Bench) -> Plan | None:
    """What is to be opened next, None when nothing is."""
    if bench.once is not None:
        return bench.once
    if bench.plan is None or bench.plan.left == 0:
        return None
    return bench.plan


def schedule_opening(turn: Turn) -> None:
    """Open the next batch at once if there is one to open."""
    wanted = turn.bench.batch is None and next_plan(turn.bench) is not None
    turn.put(opening_at_s=turn.at_s if wanted else None)


def open_batch(turn: Turn) -> None:
    """Open the next batch: from here its log begins."""
    plan = next_plan(turn.bench)
    turn.put(opening_at_s=None)
    if plan is None or turn.bench.batch is not None:
        return
    number = turn.bench.next_batch
    pieces, size_g = plan.sizes[0] if plan.sizes else (None, plan.size_g)
    batch = replace(
        opened(number, plan.recipe, size_g, plan.tint),
        pan_clear=turn.bench.pan_clear,
        pieces=pieces,
    )
    turn.put(batch=batch, next_batch=number + 1)
    choose_jugs(turn, plan.jug)
    tints = _follow_the_ledgers(turn, plan.tint)
    data: dict[str, Any] = {"recipe": plan.recipe.name, "parts": parts_data(turn.batch)}
    if pieces is not None and turn.bench.order is not None:
        data |= {"pieces": pieces, "order": turn.bench.order.order.name}
    if turn.batch.jugs:
        data["jugs"] = dict(turn.batch.jugs)
    if tints:
        data["tints"] = {part: round(share, 8) for part, share in tints.items()}
    turn.record("batch.opened", data)
    warn_before_pouring(turn)


def _follow_the_ledgers(turn: Turn, tint: float | None) -> dict[str, float]:
    """Aim at what the jugs hold of dye, where their ledgers say; returns these fractions."""
    tints, recipe = tints_of(turn.bench, turn.batch), turn.batch.recipe
    if tints:
        told = {recipe.dye.into: tint} if recipe.dye is not None and tint is not None else {}
        turn.put_batch(items=basis(recipe, told | tints))
    return tints


def colour_changed(turn: Turn) -> None:
    """A jug has another share of dye now: the batch on the scale is aimed anew, where it still can.

    What has been poured of the jug, or is being poured, was of the colour before.
    """
    batch, plan = turn.bench.batch, turn.bench.once or turn.bench.plan
    if batch is None:
        return
    poured = zip(batch.items.names, batch.poured_g, strict=True)
    late = {name for name, grams in poured if grams is not None}
    if batch.name is not None and batch.phase is not Phase.CUP:
        late.add(batch.name)
    before, others = parts_data(batch), _may_choose(batch, late) and choose_again(turn)
    if late & tints_of(turn.bench, turn.batch).keys():
        return
    _follow_the_ledgers(turn, plan.tint if plan is not None else None)
    data: dict[str, Any] = {"parts": parts_data(turn.batch), "reason": "dye"}
    if others:
        data["jugs"] = dict(turn.batch.jugs)
    if others or data["parts"] != before:
        turn.record("mix.corrected", data)


def _may_choose(batch: Batch, late: set[str]) -> bool:
    """Whether the tinted part may still come from another jug than the one chosen.

    From any before the first drop; from the first tinted one while nothing of the part is poured.
    """
    dye = batch.recipe.dye
    if batch.recipe.is_fill or dye is None or batch.recipe.dye_part is None:
        return False
    return is_untouched(batch) or (dye.into not in late and dye.into not in dict(batch.jugs))


def take_from_plan(turn: Turn) -> None:
    """The batch on the scale counts as one of those planned."""
    if turn.bench.once is not None:
        turn.put(once=None)
    elif turn.bench.plan is not None and turn.bench.plan.left is not None:
        plan = turn.bench.plan
        assert plan.left is not None
        turn.put(plan=replace(plan, left=plan.left - 1, sizes=plan.sizes[1:]))


def abandon(turn: Turn, reason: str) -> None:
    """Give the batch on the scale up: its clocks end, and the next one may open."""
    batch = turn.batch
    turn.record("batch.abandoned", {"reason": reason})
    for timer in of_batch(turn.bench.timers, batch.number):
        turn.clear_timer(timer)
    turn.put(batch=None, once=None, pan_clear=batch.phase is Phase.CUP and batch.pan_clear)
    schedule_opening(turn)


def close(turn: Turn, live: Live, reason: str) -> None:
    """Nothing more is to be marked on this batch; what is left of its clocks is cleared."""
    turn.put(lives=tuple(one for one in turn.bench.lives if one.number != live.number))
    for timer in of_batch(turn.bench.timers, live.number):
        turn.clear_timer(timer)
    turn.record("batch.closed", {"reason": reason}, live.number)
