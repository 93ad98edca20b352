"""What each command does, and when it may: the answers to keys, phones and scripts.

Owns the commands' effect on the bench. A command that is not allowed now changes nothing and says
why in one sentence. Knows nothing of where a command came from or how its answer travels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from daemon.batch import Batch, Phase, good_as_it_is, plan_to_save, still_to_add
from daemon.bench import Bench, Plan, Progress, Turn
from daemon.cup import confirm, tare_cup
from daemon.effects import Answer
from daemon.finishing import Mark, marked_at_s, why_not
from daemon.marks import RefusedError, due_now, make_mark
from daemon.openings import abandon, colour_changed, next_plan, schedule_opening
from daemon.order_acts import (
    counted_with_order,
    operation_done,
    refilled,
    shaken,
    start_order,
)
from daemon.order_run import Sizes, batch_g
from daemon.parts import accept, correct
from daemon.presence import is_untouched, min_cup_g, takes_a_cup
from daemon.timers import extended
from daemon.tint_acts import tint
from daemon.tint_bench import lent
from recipes.amounts import basis
from recipes.mix import intended
from recipes.model import Recipe


def act(turn: Turn, do: dict[str, Any], answer_to: str | int | float | None) -> None:
    """Carry a validated command out, or refuse it; exactly one answer either way."""
    before, count = turn.bench, len(turn.effects)
    try:
        ACTS[do["do"]](turn, do)
    except RefusedError as refusal:
        turn.bench = before
        del turn.effects[count:]
        turn.effects.append(Answer(answer_to, False, str(refusal)))
        return
    turn.effects.append(Answer(answer_to, True))


def _start(turn: Turn, do: dict[str, Any]) -> None:
    plan = _plan_of(turn.bench, do)
    _make_room(turn, "another batch was started")
    turn.put(once=replace(plan, left=1))
    schedule_opening(turn)


def _plan(turn: Turn, do: dict[str, Any]) -> None:
    """What is to be poured from now on; a batch that is half poured is finished first."""
    plan = _plan_of(turn.bench, do)
    if "order" in do:
        _refuse_twice(turn.bench, do["order"])
        sizes = tuple((int(pieces), float(grams)) for pieces, grams in do["order"]["sizes"])
        plan = replace(plan, sizes=sizes, left=len(sizes))
    batch = turn.bench.batch
    if batch is not None and is_untouched(batch):
        _make_room(turn, "another run was started")
    elif batch is not None:
        turn.put_batch(planned=False)
    turn.put(plan=plan, once=None, order=None, progress=_progress(turn, do, plan))
    if "order" in do:
        start_order(turn, do["order"], plan.recipe)
    schedule_opening(turn)


def _refuse_twice(bench: Bench, told: dict[str, Any]) -> None:
    """An order that is under way is begun anew only where that is asked for in so many words."""
    run, plan = bench.order, bench.plan
    if run is None or plan is None or not plan.left or not run.started or told.get("anew"):
        return
    done = len(run.started)
    if run.order.name == told["file"].get("name"):
        raise RefusedError(
            f"{run.order.name} is under way: {done} of {done + plan.left} batches are poured, and "
            "`benchpour run` goes on with the rest. `benchpour order start --anew` forgets them."
        )


def _make_room(turn: Turn, reason: str) -> None:
    """The batch on the scale gives way while nothing of it has been poured."""
    batch = turn.bench.batch
    if batch is None:
        return
    if not is_untouched(batch):
        raise RefusedError(
            f"Batch {batch.number} is on the scale. Finish it or abandon it, then start the next."
        )
    turn.record("batch.abandoned", {"reason": reason})
    clear = batch.phase is Phase.CUP and batch.pan_clear
    turn.put(batch=None, pan_clear=clear)


def _plan_of(bench: Bench, do: dict[str, Any]) -> Plan:
    if "resolved" in do:
        recipe = Recipe.model_validate(do["resolved"])
        tint = do.get("tint")
    else:
        last = bench.once or bench.plan
        recipe_now = bench.batch.recipe if bench.batch is not None else None
        found = last.recipe if last is not None else recipe_now
        if found is None and bench.lives:
            found = bench.lives[-1].recipe
        if found is None:
            raise RefusedError("There is no recipe in use yet: name one, as in start with recipe.")
        recipe, tint = found, last.tint if last is not None else None
    pieces = do.get("pieces")
    if pieces is not None and bench.order is None:
        raise RefusedError(
            "Pieces can only be counted out with an order that gives grams_per_piece; "
            "give batch_g instead."
        )
    size_g = float(do.get("batch_g") or recipe.shot_g)
    sizes: Sizes = ()
    if pieces is not None and bench.order is not None:
        size_g = batch_g(bench.order, pieces)
        sizes = ((pieces, size_g),)
    _check_size(recipe, size_g)
    jug = do.get("jug")
    if jug is not None and not any(one.name == jug for one in bench.jugs):
        raise RefusedError(_no_jug(bench, jug))
    return Plan(recipe, size_g, do.get("batches"), tint, sizes, jug)


def _check_size(recipe: Recipe, size_g: float) -> None:
    room = recipe.cup.capacity_g
    whole_g = intended(recipe, basis(recipe), size_g).total_g
    if room is not None and whole_g > room:
        raise RefusedError(f"{whole_g:.0f} g with the dye do not fit the cup of {room:g} g.")


def _progress(turn: Turn, do: dict[str, Any], plan: Plan) -> Progress:
    order = do.get("order") or {}
    return Progress(
        name=order.get("name") or plan.recipe.name,
        pieces=int(order.get("pieces", 0)),
        batches_planned=plan.left,
        first_at_s=turn.at_s,
    )


def _confirm(turn: Turn, _do: dict[str, Any]) -> None:
    batch = turn.bench.batch
    if batch is None or batch.phase is not Phase.CONFIRM:
        raise RefusedError("Nothing waits to be confirmed.")
    w = turn.bench.weighing
    if w.gross_g is None:
        raise RefusedError("The scale says nothing now. Wait until it reads again, then confirm.")
    if not w.stable or w.settled_g is None:
        raise RefusedError("The reading still moves. Hands off the cup, then confirm again.")
    confirm(turn)


def _accept(turn: Turn, _do: dict[str, Any]) -> None:
    _decides(turn)
    accept(turn)


def _correct(turn: Turn, _do: dict[str, Any]) -> None:
    batch = _decides(turn)
    plan = plan_to_save(batch, turn.at_s)
    if not plan.possible:
        raise RefusedError(f"This cannot be corrected: {plan.why}. Accept it, or abandon it.")
    if not still_to_add(batch, plan):
        raise RefusedError("Nothing that is added would correct it. Accept it, or abandon it.")
    correct(turn)


def _decides(turn: Turn) -> Batch:
    batch = turn.bench.batch
    if batch is None or batch.phase is not Phase.DECIDE:
        raise RefusedError("No overshoot waits for a decision.")
    return batch


def _abandon(turn: Turn, do: dict[str, Any]) -> None:
    batch = turn.bench.batch
    if batch is None:
        raise RefusedError("There is no batch on the scale to abandon.")
    if batch.phase is Phase.STIR:
        raise RefusedError(f"Batch {batch.number} is mixed already; count its pieces as rejected.")
    abandon(turn, do.get("reason") or "given up at the bench")


def _tare(turn: Turn, _do: dict[str, Any]) -> None:
    batch, w = turn.bench.batch, turn.bench.weighing
    if batch is None:
        raise RefusedError("There is no batch to tare a cup for. Start one first.")
    if lent(turn.bench, turn.at_s):
        raise RefusedError("The pan is lent for weighing colour in. Finish that, then tare.")
    if not takes_a_cup(batch):
        raise RefusedError("There is resin in the cup; a tare now would lose what it weighs.")
    if turn.bench.link.state != "ok" or w.gross_g is None:
        raise RefusedError("The scale says nothing now. Wait until it reads again, then tare.")
    if not w.stable or w.settled_g is None:
        raise RefusedError("The reading still moves. Hands off the cup, then tare again.")
    if w.settled_g - (turn.bench.empty_g or 0.0) < min_cup_g(turn.bench):
        raise RefusedError(
            "The scale shows no cup. Put it on; if the scale was zeroed under it, lift it and put "
            "it back."
        )
    tare_cup(turn)


def _next(turn: Turn, do: dict[str, Any]) -> None:
    batch = turn.bench.batch
    if batch is not None and batch.phase is Phase.CONFIRM:
        _confirm(turn, do)
        return
    item = due_now(turn.bench)
    if item is not None:
        make_mark(turn, item.mark, item.batch)
        return
    if batch is not None and batch.phase is Phase.DECIDE:
        raise RefusedError("An overshoot waits: accept it or correct it.")
    if batch is None and next_plan(turn.bench) is not None:
        schedule_opening(turn)
        return
    raise RefusedError("Nothing is due now.")


def _mark(turn: Turn, do: dict[str, Any]) -> None:
    kind = str(do["kind"])
    if kind == "shaken":
        if not shaken(turn, str(do["jug"])):
            raise RefusedError(_no_jug(turn.bench, str(do["jug"])))
        return
    if kind not in set(Mark):
        _operation(turn, kind, int(do.get("pieces") or 0))
        return
    make_mark(turn, Mark(kind), do.get("batch"))


def _no_jug(bench: Bench, name: str) -> str:
    known = ", ".join(jug.name for jug in bench.jugs)
    if not known:
        return "No jug is on the shelf: an order's file lists them."
    return f"There is no jug {name}; on the shelf are {known}."


def _operation(turn: Turn, name: str, pieces: int) -> None:
    """Pieces through a finishing operation; the first that cannot wait ends the trim clock."""
    if not operation_done(turn, name, pieces):
        raise RefusedError(f"There is no operation called {name} in this run.")
    run = turn.bench.order
    assert run is not None
    urgent = next((op.name for op in run.order.operations if op.within_s is not None), None)
    left = dict(run.done).get(name, 0) if name == urgent else 0
    for live in turn.bench.lives:
        if marked_at_s(live, Mark.DEMOLDED) is None or not live.pieces or left < live.pieces:
            continue
        left -= live.pieces
        if why_not(live, Mark.TRIMMED) is None and live.recipe.times.trim_until_s:
            make_mark(turn, Mark.TRIMMED, live.number)


def _jug(turn: Turn, do: dict[str, Any]) -> None:
    if not refilled(turn, do):
        raise RefusedError(_no_jug(turn.bench, str(do["jug"])))
    colour_changed(turn)


def _count(turn: Turn, do: dict[str, Any]) -> None:
    good, rejected = int(do.get("good") or 0), int(do.get("rejected") or 0)
    number = _counted_batch(turn.bench, do.get("batch"))
    data = {"good": good, "rejected": rejected}
    data |= {key: do[key] for key in ("cause", "mold", "cavity") if key in do}
    turn.record("batch.counted", data, number)
    progress = turn.bench.progress
    if progress is not None:
        good, rejected = progress.good + good, progress.rejected + rejected
        turn.put(progress=replace(progress, good=good, rejected=rejected))
    counted_with_order(turn, int(do.get("good") or 0), int(do.get("rejected") or 0))
    _drop_the_rest(turn)


def _drop_the_rest(turn: Turn) -> None:
    """The order has its good pieces: batches that are not begun yet are not needed."""
    run, plan, batch = turn.bench.order, turn.bench.plan, turn.bench.batch
    if run is None or plan is None or not plan.left or run.good < run.order.pieces:
        return
    begun = batch is not None and batch.planned and batch.phase is not Phase.STIR
    if begun and batch is not None and is_untouched(batch):
        _make_room(turn, "the order is complete")
        begun = False
    kept = 1 if begun else 0
    dropped = plan.left - kept
    if not dropped:
        return
    turn.put(plan=replace(plan, sizes=plan.sizes[:kept], left=kept))
    progress = turn.bench.progress
    if progress is not None and progress.batches_planned is not None:
        planned = progress.batches_planned - dropped
        turn.put(progress=replace(progress, batches_planned=planned))
    turn.record("order.shortened", {"batches": dropped, "good": run.good}, None)
    schedule_opening(turn)


def _counted_batch(bench: Bench, number: int | None) -> int:
    """The batch whose pieces are counted: the oldest one under way unless it is named."""
    if number is None and bench.lives:
        return bench.lives[0].number
    if number is None or number >= bench.next_batch:
        raise RefusedError("There is no such batch to count pieces of.")
    here = bench.batch
    if here is not None and here.number == number and here.phase is not Phase.STIR:
        raise RefusedError(f"Batch {number} is not mixed yet: there are no pieces to count.")
    return number


def _timer(turn: Turn, do: dict[str, Any]) -> None:
    timer = next((t for t in turn.bench.timers if t.id == do["timer"]), None)
    if timer is None:
        running = ", ".join(t.id for t in turn.bench.timers) or "none"
        raise RefusedError(f"There is no clock {do['timer']}; running: {running}.")
    if do.get("clear"):
        turn.clear_timer(timer)
        return
    longer = extended(timer, float(do["extend_s"]), turn.at_s)
    turn.put(timers=tuple(longer if t.id == timer.id else t for t in turn.bench.timers))
    turn.say_timer("timer.started", longer)


def _ambient(turn: Turn, do: dict[str, Any]) -> None:
    of, celsius = str(do.get("of", "room")), float(do["celsius"])
    known = dict(turn.bench.celsius) | {of: celsius}
    turn.put(celsius=tuple(sorted(known.items())))
    turn.record("ambient.told", {"of": of, "celsius": round(celsius, 2)}, None)


def _person(turn: Turn, do: dict[str, Any]) -> None:
    turn.put(person=str(do["name"]))
    turn.record("person.told", {"name": turn.bench.person}, None)


def _forget_hand(turn: Turn, do: dict[str, Any]) -> None:
    name = do.get("name")
    gone = [k for k, _ in turn.bench.hands if name is None or k == name or k.startswith(f"{name} ")]
    if not gone:
        raise RefusedError("Nothing has been learned of such a hand.")
    turn.put(hands=tuple(item for item in turn.bench.hands if item[0] not in gone))
    for key in gone:
        turn.record("hand.forgotten", {"hand": key}, None)


ACTS: dict[str, Callable[[Turn, dict[str, Any]], None]] = {
    "start": _start,
    "plan": _plan,
    "confirm": _confirm,
    "accept": _accept,
    "correct": _correct,
    "abandon": _abandon,
    "tare": _tare,
    "timer": _timer,
    "next": _next,
    "mark": _mark,
    "count": _count,
    "jug": _jug,
    "tint": tint,
    "ambient": _ambient,
    "person": _person,
    "forget-hand": _forget_hand,
}
"""Every command. `plan`, `jug`, `tint` and `forget-hand` come only from this machine, never over
MQTT."""


def choices(bench: Bench) -> tuple[str, ...]:
    """The commands that make sense now, the most likely first."""
    batch = bench.batch
    found: list[str] = []
    if batch is not None and batch.phase is Phase.CONFIRM:
        found.append("confirm")
    if batch is not None and batch.phase is Phase.DECIDE:
        plan = plan_to_save(batch, bench.at_s)
        saves = plan.possible and still_to_add(batch, plan)
        answers = ["accept", "correct"] if good_as_it_is(batch) else ["correct", "accept"]
        found += answers if saves else ["accept"]
    if due_now(bench) is not None or (batch is None and next_plan(bench) is not None):
        found.append("next")
    if batch is not None and batch.phase is Phase.CUP and not lent(bench, bench.at_s):
        found.append("tare")
    if batch is not None and batch.phase is not Phase.STIR:
        found.append("abandon")
    if batch is None:
        found.append("start")
    if bench.timers:
        found.append("timer")
    return tuple(found)
