"""What each command does, and when it may: the answers to keys, phones and scripts.

Owns the commands' effect on the bench. A command that is not allowed now changes nothing and says
why in one sentence. Knows nothing of where a command came from or how its answer travels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from daemon.batch import Batch, Doubt, Phase, plan_to_save, total_g
from daemon.bench import Bench, Plan, Progress, Turn, temperature
from daemon.effects import Answer, Pattern
from daemon.finishing import (
    SHARED,
    Due,
    Live,
    Mark,
    finished,
    in_tank,
    oldest_due,
    timers_after,
    why_not,
    with_mark,
)
from daemon.sequence import (
    accept,
    confirm,
    contact,
    correct,
    mixed,
    next_plan,
    schedule_opening,
    tare_cup,
)
from daemon.timers import Timer, TimerKind, TimerState, extended
from recipes.model import Recipe


class RefusedError(Exception):
    """The command is not allowed now; the text says why and what to do."""


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


# --- the batch on the scale --------------------------------------------------------------------


def _start(turn: Turn, do: dict[str, Any]) -> None:
    plan = _plan_of(turn.bench, do)
    _make_room(turn, "another batch was started")
    turn.put(once=replace(plan, left=1))
    schedule_opening(turn)


def _plan(turn: Turn, do: dict[str, Any]) -> None:
    """What is to be poured from now on; a batch that is half poured is finished first."""
    plan = _plan_of(turn.bench, do)
    batch = turn.bench.batch
    if batch is not None and batch.phase is Phase.CUP and not any(batch.poured_g):
        _make_room(turn, "another run was started")
    turn.put(plan=plan, once=None, progress=_progress(turn, do, plan))
    schedule_opening(turn)


def _make_room(turn: Turn, reason: str) -> None:
    """The batch on the scale gives way while nothing of it has been poured."""
    batch = turn.bench.batch
    if batch is not None and batch.phase is not Phase.CUP:
        raise RefusedError(
            f"Batch {batch.number} is on the scale. Finish it or abandon it, then start the next."
        )
    if batch is not None and any(g is not None for g in batch.poured_g):
        raise RefusedError(f"Batch {batch.number} is half poured. Finish it or abandon it first.")
    if batch is not None:
        turn.record("batch.abandoned", {"reason": reason})
        turn.put(batch=None)


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
    if "pieces" in do:
        raise RefusedError(
            "Pieces can only be counted out with an order that gives grams_per_piece; "
            "give batch_g instead."
        )
    size_g = float(do.get("batch_g") or recipe.shot_g)
    _check_size(recipe, size_g)
    return Plan(recipe, size_g, do.get("batches"), tint)


def _check_size(recipe: Recipe, size_g: float) -> None:
    room = recipe.cup.capacity_g
    if room is not None and size_g > room:
        raise RefusedError(f"{size_g:g} g do not fit the cup, which takes {room:g} g.")


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
    if batch.question is not None and batch.question.doubt is Doubt.SLOW_CUP and not w.stable:
        raise RefusedError("The reading still moves. Hands off the cup, then confirm again.")
    confirm(turn)


def _accept(turn: Turn, _do: dict[str, Any]) -> None:
    _decides(turn)
    accept(turn)


def _correct(turn: Turn, _do: dict[str, Any]) -> None:
    batch = _decides(turn)
    plan = plan_to_save(batch, turn.bench.weighing.scale.division_g, turn.at_s)
    if not plan.possible:
        raise RefusedError(f"This cannot be corrected: {plan.why}. Accept it, or abandon it.")
    if not plan.adds:
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
    turn.record("batch.abandoned", {"reason": do.get("reason") or "given up at the bench"})
    gone = tuple(t for t in turn.bench.timers if t.batch == batch.number)
    turn.put(timers=tuple(t for t in turn.bench.timers if t not in gone))
    for timer in gone:
        turn.say_timer("timer.cleared", timer)
    turn.put(batch=None, once=None, pan_clear=batch.phase is Phase.CUP and batch.pan_clear)
    schedule_opening(turn)


def _tare(turn: Turn, _do: dict[str, Any]) -> None:
    batch, w = turn.bench.batch, turn.bench.weighing
    if batch is None:
        raise RefusedError("There is no batch to tare a cup for. Start one first.")
    fresh_pour = (
        batch.phase is Phase.POUR
        and batch.pour is not None
        and (batch.pour.begun_at_s is None and batch.landed_g == 0 and batch.round == 1)
    )
    if batch.phase not in (Phase.CUP, Phase.CONFIRM) and not fresh_pour:
        raise RefusedError("There is resin in the cup; a tare now would lose what it weighs.")
    if batch.phase is Phase.CONFIRM and (
        batch.question is None or batch.question.doubt is not Doubt.SLOW_CUP
    ):
        raise RefusedError("There is resin in the cup; a tare now would lose what it weighs.")
    if not w.stable or w.settled_g is None:
        raise RefusedError("The reading still moves. Hands off the cup, then tare again.")
    tare_cup(turn)


# --- after the cup -----------------------------------------------------------------------------


def due_now(bench: Bench) -> Due | None:
    """The oldest thing that is due: what `next` marks."""
    batch = bench.batch
    if batch is not None and batch.phase is Phase.COMBINE:
        return Due(Mark.COMBINED, batch.number, batch.landed_at_s or bench.at_s)
    return oldest_due(bench.lives, bench.timers)


def _next(turn: Turn, do: dict[str, Any]) -> None:
    batch = turn.bench.batch
    if batch is not None and batch.phase is Phase.CONFIRM:
        _confirm(turn, do)
        return
    item = due_now(turn.bench)
    if item is not None:
        _make_mark(turn, item.mark, item.batch)
        return
    if batch is not None and batch.phase is Phase.DECIDE:
        raise RefusedError("An overshoot waits: accept it or correct it.")
    if batch is None and next_plan(turn.bench) is not None:
        schedule_opening(turn)
        return
    raise RefusedError("Nothing is due now.")


def _mark(turn: Turn, do: dict[str, Any]) -> None:
    kind = str(do["kind"])
    if kind not in set(Mark):
        raise RefusedError(_unknown_mark(kind))
    _make_mark(turn, Mark(kind), do.get("batch"))


def _unknown_mark(kind: str) -> str:
    if kind == "shaken":
        return "There is no order with jugs; a jug can be marked shaken once an order names it."
    return f"There is no operation called {kind} in this run."


def _make_mark(turn: Turn, mark: Mark, number: int | None) -> None:
    if mark is Mark.COMBINED:
        _combined(turn, number)
        return
    if mark is Mark.GELLED and _gelled_in_cup(turn, number):
        return
    live = _live_for(turn.bench, mark, number)
    together = [other for other in turn.bench.lives if in_tank(other)] if mark in SHARED else []
    for one in together or [live]:
        _mark_one(turn, one, mark)


def _combined(turn: Turn, number: int | None) -> None:
    batch = turn.bench.batch
    if batch is None or batch.phase is not Phase.COMBINE or number not in (None, batch.number):
        raise RefusedError("No batch waits for its cups to be combined.")
    turn.record("batch.marked", {"kind": Mark.COMBINED.value})
    contact(turn)
    mixed(turn)


def _gelled_in_cup(turn: Turn, number: int | None) -> bool:
    """A mix that gels while still on the scale is a gel time too, and the end of the batch."""
    batch = turn.bench.batch
    here = batch is not None and batch.phase is not Phase.STIR and batch.contact_at_s is not None
    if batch is None or not here or number not in (None, batch.number):
        return False
    assert batch.contact_at_s is not None
    seconds = _note_gel(turn, batch.recipe, batch.contact_at_s, total_g(batch))
    turn.record("batch.marked", {"kind": Mark.GELLED.value, "seconds": seconds})
    _abandon(turn, {"reason": "gelled in the cup"})
    return True


def _note_gel(turn: Turn, recipe: Recipe, contact_at_s: float, mix_g: float) -> float:
    """Keep a gel time: the pot life of the next batches learns from it. Returns its seconds."""
    seconds = round(turn.at_s - contact_at_s, 1)
    celsius = temperature(turn.bench, "resin", "room")
    if celsius is None:
        celsius = recipe.times.pot_life_at.celsius
    mark = (recipe.name, max(seconds, 1.0), celsius, max(mix_g, 1.0))
    turn.put(gel_marks=(*turn.bench.gel_marks, mark)[-200:])
    return seconds


def _live_for(bench: Bench, mark: Mark, number: int | None) -> Live:
    if number is not None:
        live = next((one for one in bench.lives if one.number == number), None)
        if live is None:
            raise RefusedError(f"Batch {number} is not under way.")
        why = why_not(live, mark)
        if why is not None:
            raise RefusedError(why)
        return live
    fits = [one for one in bench.lives if why_not(one, mark) is None]
    if fits:
        return fits[0]
    if not bench.lives:
        raise RefusedError("No mixed batch is under way.")
    raise RefusedError(why_not(bench.lives[0], mark) or "No batch can be marked so now.")


def _mark_one(turn: Turn, live: Live, mark: Mark) -> None:
    timers, cleared, new = timers_after(live, mark, turn.at_s, turn.bench.timers)
    marked = with_mark(live, mark, turn.at_s)
    lives = tuple(marked if one.number == live.number else one for one in turn.bench.lives)
    turn.put(lives=lives, timers=timers)
    data: dict[str, Any] = {"kind": mark.value}
    if mark is Mark.GELLED and live.contact_at_s is not None:
        data["seconds"] = _note_gel(turn, live.recipe, live.contact_at_s, live.total_g)
    turn.record("batch.marked", data, live.number)
    for timer in cleared:
        turn.say_timer("timer.cleared", timer)
    for timer in new:
        turn.say_timer("timer.started", timer)
    if finished(marked):
        close(turn, marked, "finished")


def close(turn: Turn, live: Live, reason: str) -> None:
    """Nothing more is to be marked on this batch."""
    turn.put(lives=tuple(one for one in turn.bench.lives if one.number != live.number))
    turn.record("batch.closed", {"reason": reason}, live.number)


def _count(turn: Turn, do: dict[str, Any]) -> None:
    good, rejected = int(do.get("good") or 0), int(do.get("rejected") or 0)
    number = do.get("batch") or (turn.bench.lives[0].number if turn.bench.lives else None)
    if number is None or number >= turn.bench.next_batch:
        raise RefusedError("There is no such batch to count pieces of.")
    data = {"good": good, "rejected": rejected}
    data |= {key: do[key] for key in ("cause", "mold", "cavity") if key in do}
    turn.record("batch.counted", data, number)
    progress = turn.bench.progress
    if progress is not None:
        turn.put(
            progress=replace(
                progress, good=progress.good + good, rejected=progress.rejected + rejected
            )
        )


def _timer(turn: Turn, do: dict[str, Any]) -> None:
    timer = next((t for t in turn.bench.timers if t.id == do["timer"]), None)
    if timer is None:
        running = ", ".join(t.id for t in turn.bench.timers) or "none"
        raise RefusedError(f"There is no clock {do['timer']}; running: {running}.")
    rest = tuple(t for t in turn.bench.timers if t.id != timer.id)
    if do.get("clear"):
        turn.put(timers=rest)
        turn.say_timer("timer.cleared", timer)
        return
    longer = extended(timer, float(do["extend_s"]), turn.at_s)
    turn.put(timers=(*rest, longer))
    turn.say_timer("timer.started", longer)


def clock_rang(turn: Turn, timer: Timer) -> None:
    """A clock has warned or ended: say so, and by ear."""
    ended = timer.state is TimerState.ENDED
    turn.say_timer("timer.ended" if ended else "timer.warned", timer)
    turn.sound(Pattern.CLOCK_END if ended else Pattern.CLOCK_WARN)
    if ended and timer.kind is TimerKind.STIR:
        turn.put(timers=tuple(t for t in turn.bench.timers if t.id != timer.id))


# --- the bench ---------------------------------------------------------------------------------


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
    "ambient": _ambient,
    "person": _person,
    "forget-hand": _forget_hand,
}
"""Every command. `plan` and `forget-hand` come only from this machine, never over MQTT."""


def choices(bench: Bench) -> tuple[str, ...]:
    """The commands that make sense now, the most likely first."""
    batch = bench.batch
    found: list[str] = []
    if batch is not None and batch.phase is Phase.CONFIRM:
        found.append("confirm")
    if batch is not None and batch.phase is Phase.DECIDE:
        plan = plan_to_save(batch, bench.weighing.scale.division_g, bench.at_s)
        found += ["correct", "accept"] if plan.possible and plan.adds else ["accept"]
    if due_now(bench) is not None or (batch is None and next_plan(bench) is not None):
        found.append("next")
    if batch is not None and batch.phase is Phase.CUP:
        found.append("tare")
    if batch is not None and batch.phase is not Phase.STIR:
        found.append("abandon")
    if batch is None:
        found.append("start")
    if bench.timers:
        found.append("timer")
    return tuple(found)
