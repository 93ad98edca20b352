"""What an order adds to the sequence: sizes, jugs, warnings, pieces through the operations.

Owns those steps on a `Turn`. The arithmetic is in `order_run`; what a batch does is elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from daemon.batch import Batch, grams, item_targets_g
from daemon.bench import Bench, Turn
from daemon.finishing import Mark, marked_at_s
from daemon.order_run import (
    Jug,
    OrderRun,
    counted,
    drawn,
    draws_from,
    jug_data,
    jug_warnings,
    mold_warnings,
    more_batches,
    shelf_of,
)
from daemon.tint_book import fraction, weighed_by_ledger
from recipes.model import Recipe
from recipes.order import Order


def start_order(turn: Turn, told: dict[str, Any], recipe: Recipe) -> None:
    """Take an order up: its record begins, its jugs come onto the shelf."""
    order = Order.model_validate(told["file"])
    turn.put(order=OrderRun(order, recipe))
    known = {jug.name for jug in turn.bench.jugs}
    new = tuple(
        weighed_by_ledger(jug, turn.bench.tints) for jug in shelf_of(order) if jug.name not in known
    )
    turn.put(jugs=(*turn.bench.jugs, *new))
    data = {
        "name": order.name,
        "pieces": order.pieces,
        "order": told["file"],
        "plan": told.get("plan"),
        "batches": [
            {"pieces": pieces, "resin_g": grams(resin_g)} for pieces, resin_g in told["sizes"]
        ],
    }
    turn.record("order.started", data, None)
    for jug in new:
        turn.record("jug.listed", jug_data(jug), None)


def day(turn: Turn) -> str:
    """Today in UTC, as YYYY-MM-DD."""
    return turn.wall(turn.at_s)[:10]


def jugs_for(bench: Bench, batch: Batch, today: str) -> dict[str, Jug]:
    """The jug that each part of this batch comes from, where one is on the shelf.

    Of the tinted part's, the one whose colour was worked on last comes first.
    """
    tinted = [ledger.jug for ledger in bench.tints if ledger.dyes]
    part = batch.recipe.dye_part and batch.recipe.dye and batch.recipe.dye.into

    def newest_first(jug: Jug) -> int:
        if jug.part != part or jug.name not in tinted:
            return 0
        return -1 - max(i for i, name in enumerate(tinted) if name == jug.name)

    return draws_from(tuple(sorted(bench.jugs, key=newest_first)), _need_g(batch), today)


def _need_g(batch: Batch) -> dict[str, float]:
    return dict(zip(batch.items.names, item_targets_g(batch), strict=True))


def choose_jugs(turn: Turn, fill_from: str | None) -> None:
    """A batch opens: choose the jugs that its parts come from; a fill's is named or not known."""
    if turn.batch.recipe.is_fill:
        part = turn.batch.items.names[0]
        turn.put_batch(jugs=((part, fill_from),) if fill_from else ())
        return
    _take_from(turn, _shelve_the_tinted(turn))


def choose_again(turn: Turn) -> bool:
    """A jug was tinted or filled up while nothing is poured of its part: whether others are taken.

    What was said of a jug that is not taken any more is not said any longer.
    """
    before = dict(turn.batch.jugs)
    _take_from(turn, _shelve_the_tinted(turn, new=True))
    after = dict(turn.batch.jugs)
    if after == before:
        return False
    for name in set(before.values()) - set(after.values()):
        _fewer_warnings(turn, f"ug {name}")
    jugs = {jug.part: jug for jug in turn.bench.jugs if after.get(jug.part) == jug.name}
    said = jug_warnings(jugs, _need_g(turn.batch), day(turn), turn.at_s)
    more = tuple(one for one in said if one not in turn.batch.warnings)
    turn.put_batch(warnings=(*turn.batch.warnings, *more))
    return True


def _take_from(turn: Turn, shelved: str | None) -> None:
    """Choose the jugs; say which is the tinted one where it is another than before, or assumed."""
    before = dict(turn.bench.drawn_from) | dict(turn.batch.jugs)
    jugs = jugs_for(turn.bench, turn.batch, day(turn))
    turn.put_batch(jugs=tuple((part, jug.name) for part, jug in jugs.items()))
    dye = turn.batch.recipe.dye
    jug = jugs.get(dye.into) if dye is not None else None
    share = None if jug is None else fraction(turn.bench.tints, jug.name)
    if jug is None or share is None:
        return
    begins = f"{jug.part} is taken to come from jug "
    others = tuple(one for one in turn.batch.warnings if not one.startswith(begins))
    said_already = others != turn.batch.warnings
    if said_already or shelved == jug.part or before.get(jug.part, jug.name) != jug.name:
        said = f"{begins}{jug.name}, with {100 * share:.2f} % dye in it."
        turn.put_batch(warnings=(said, *others))


def _shelve_the_tinted(turn: Turn, *, new: bool = False) -> str | None:
    """Put the jug that was tinted last on the shelf; returns its part where it was not there.

    Where an order lists jugs of that part, one that was tinted before it is none of its own; only a
    `new` one is.
    """
    bench, recipe = turn.bench, turn.batch.recipe
    if recipe.dye is None or recipe.dye_part is None or not bench.tints:
        return None
    part, last = recipe.dye.into, bench.tints[-1]
    if any(jug.name == last.jug for jug in bench.jugs) or (new and not last.dyes):
        return None
    if any(jug.part == part for jug in bench.jugs):
        listed = bench.order is not None and any(j.part == part for j in bench.order.order.jugs)
        if not last.dyes or (listed and not new):
            return None
    jug = Jug(last.jug, part, round(last.jug_g, 4))
    turn.put(jugs=(*bench.jugs, jug))
    turn.record("jug.listed", jug_data(jug), None)
    return part


def warn_before_pouring(turn: Turn) -> None:
    """Say what to see to before anything is poured."""
    bench, batch = turn.bench, turn.batch
    if batch.recipe.is_fill:
        return
    chosen = dict(batch.jugs)
    jugs = {jug.part: jug for jug in bench.jugs if chosen.get(jug.part) == jug.name}
    warnings = batch.warnings + jug_warnings(jugs, _need_g(batch), day(turn), turn.at_s)
    if bench.order is not None:
        warnings += mold_warnings(bench.order)
    if bench.drift:
        warnings += (bench.drift,)
    if warnings:
        turn.put_batch(warnings=warnings)
        turn.record("batch.warned", {"warnings": list(warnings)})


def mixed_with_order(turn: Turn) -> None:
    """A batch is mixed: its jugs hold less, and its pieces are under way."""
    batch = turn.batch
    poured = dict(zip(batch.items.names, batch.poured_g, strict=True))
    turn.put(drawn_from=batch.jugs)
    for part, name in batch.jugs:
        taken = poured.get(part) or 0.0
        turn.put(jugs=drawn(turn.bench.jugs, name, taken))
        left = next(jug.left_g for jug in turn.bench.jugs if jug.name == name)
        data = {"jug": name, "part": part, "grams": grams(taken), "left_g": grams(left)}
        turn.record("jug.drawn", data)
    run = turn.bench.order
    if run is not None and batch.planned and batch.pieces:
        turn.put(order=replace(run, started=(*run.started, batch.pieces)))


def counted_with_order(turn: Turn, good: int, rejected: int) -> None:
    """Pieces were counted: where the order would fall short of its promise, batches are added."""
    run, plan = turn.bench.order, turn.bench.plan
    if run is None:
        return
    run = counted(run, good, rejected)
    turn.put(order=run)
    if plan is None or plan.left is None:
        return
    # The batch on the scale is still among the plan's sizes until it is mixed.
    more = more_batches(run, plan.sizes)
    if not more:
        return
    turn.put(plan=replace(plan, sizes=(*plan.sizes, *more), left=plan.left + len(more)))
    progress = turn.bench.progress
    if progress is not None and progress.batches_planned is not None:
        planned = progress.batches_planned + len(more)
        turn.put(progress=replace(progress, batches_planned=planned))
    data = {"batches": len(more), "rejected": run.rejected, "counted": run.good + run.rejected}
    turn.record("order.extended", data, None)


def shaken(turn: Turn, name: str) -> bool:
    """A jug was shaken; False where there is none of that name."""
    if not any(jug.name == name for jug in turn.bench.jugs):
        return False
    jugs = tuple(
        replace(jug, shaken_at_s=turn.at_s) if jug.name == name else jug for jug in turn.bench.jugs
    )
    turn.put(jugs=jugs)
    turn.record("jug.shaken", {"jug": name}, None)
    _fewer_warnings(turn, f"jug {name}:")
    return True


def refilled(turn: Turn, do: dict[str, Any]) -> bool:
    """A jug was filled up; False where there is none of that name."""
    name, added_g, lot = str(do["jug"]), float(do["grams"]), do.get("lot")
    if not any(jug.name == name for jug in turn.bench.jugs):
        return False
    jugs = tuple(
        replace(jug, left_g=jug.left_g + added_g, lot=lot or jug.lot, shaken_at_s=None)
        if jug.name == name
        else jug
        for jug in turn.bench.jugs
    )
    turn.put(jugs=jugs)
    turn.record("jug.refilled", {"jug": name, "grams": grams(added_g), "lot": lot}, None)
    _fewer_warnings(turn, f"Jug {name} holds")
    return True


def _fewer_warnings(turn: Turn, about: str) -> None:
    """What has just been seen to is no longer said of the batch that waits for its cup."""
    batch = turn.bench.batch
    if batch is not None:
        left = tuple(warning for warning in batch.warnings if about not in warning)
        turn.put_batch(warnings=left)


def operation_done(turn: Turn, name: str, pieces: int) -> bool:
    """Pieces went through a finishing operation; False where the order has none of that name."""
    run = turn.bench.order
    if run is None or name not in run.operations:
        return False
    before = dict(run.done)
    total = before.get(name, 0) + pieces
    turn.put(order=replace(run, done=tuple({**before, name: total}.items())))
    data: dict[str, Any] = {"kind": name, "pieces": pieces, "total": total}
    live = next(
        (one for one in turn.bench.lives if marked_at_s(one, Mark.DEMOLDED) is not None), None
    )
    turn.record("batch.marked", data, None if live is None else live.number)
    return True
