"""The next thing to do, in words, and the caution that belongs to it.

Owns the sentences for the person at the bench. Decides nothing: it reads the bench and says.
"""

from __future__ import annotations

from daemon.batch import Batch, Doubt, Phase, item_targets_g, plan_to_save
from daemon.bench import Bench
from daemon.finishing import Live, Mark, marked_at_s
from daemon.openings import next_plan
from daemon.timers import TimerKind, TimerState
from daemon.view import Zone
from recipes.model import Recipe, Role

OPENING_ORDER = "witness cup hard, inlet closed, vent to zero, read the gauge, then open the lid"

MARK_WORDS: dict[Mark, str] = {
    Mark.COMBINED: "cups combined",
    Mark.STIRRED: "stirred",
    Mark.POURED: "cavities filled",
    Mark.IN_TANK: "molds in the tank, lid clamped",
    Mark.WITNESS_HARD: "witness cup hard",
    Mark.WITNESS_SOFT: "witness cup still soft",
    Mark.VENTED: "tank vented to zero",
    Mark.OUT_OF_TANK: "molds out of the tank",
    Mark.GELLED: "gelled",
    Mark.DEMOLDED: "demolded",
    Mark.TRIMMED: "sprues cut",
}
"""What `next` would say has been done."""

ISOCYANATE = (
    "Isocyanate: ventilate; gloves do not stop vapour and it can sensitise for life. "
    "Follow the maker's data sheet."
)
DAMP = "Keep water out: a damp cup, stick or colour makes it foam. Never seal foaming waste."
HEAT = (
    "It heats itself: do not leave a big or left-over cup standing full; set it outside or in sand."
)
EPOXY = "Epoxy and hardener: gloves and air; both can sensitise. Follow the maker's data sheet."
TANK = "Tank within its rating, lid clamped, relief valve free; local rules and licensed practice."
VENT = f"Opening order: {OPENING_ORDER}."
DUST = "Green castings may hold free isocyanate: extract or wet the dust; follow the data sheet."


def prompt(bench: Bench) -> str:
    """The next thing to do, one sentence."""
    batch = bench.batch
    if bench.link.state in ("lost", "silent") and (batch is None or batch.phase is not Phase.STIR):
        return _no_scale(bench)
    if bench.link.state == "overload":
        return "Too much on the scale: take the load off now; the scale may be damaged."
    if batch is None:
        return _idle(bench)
    match batch.phase:
        case Phase.CUP:
            return _cup(bench, batch)
        case Phase.POUR:
            return _pour(bench, batch)
        case Phase.DECIDE:
            return _decide(bench, batch)
        case Phase.AWAY:
            return _away(batch)
        case Phase.CONFIRM:
            return _confirm(bench, batch)
        case Phase.COMBINE:
            return _shop(batch.recipe, "combine") or (
                f"Empty {_and(batch.recipe.part_names[:-1])} into the cup of "
                f"{batch.recipe.part_names[-1]}, then say combined."
            )
        case Phase.STIR:
            return _stir(bench, batch)


def _no_scale(bench: Bench) -> str:
    pouring = bench.batch is not None and bench.batch.phase not in (Phase.CUP, Phase.STIR)
    stop = "Stop pouring. " if pouring else ""
    keep = " What is in the cup is remembered." if pouring else ""
    why = bench.link.why or "the scale does not answer"
    return f"{stop}No reading: {why}. Check cable and power.{keep}"


def _idle(bench: Bench) -> str:
    if next_plan(bench) is not None:
        return "The next batch is about to open."
    finishing = after_the_cup(bench)
    if finishing:
        return finishing
    done = bench.progress is not None and bench.progress.batches_done > 0
    return "All batches are poured." if done else "No batch is open: start one with a recipe."


def _cup(bench: Bench, batch: Batch) -> str:
    what = f"the cup for {batch.name}" if batch.own_cups else "an empty cup"
    if batch.recipe.method == "loss":
        what = f"the container of {batch.name}"
    if not batch.pan_clear and not bench.pan_clear:
        return f"Take what is on the pan off; then put {what} on it."
    first = f"Batch {batch.number}: " if batch.landed_at_s is None else ""
    own = _shop(batch.recipe, "cup") if batch.landed_at_s is None else ""
    return own or f"{first}put {what} on the scale and let go."


def _pour(bench: Bench, batch: Batch) -> str:
    pour, name = batch.pour, batch.name
    assert pour is not None
    own = _shop(batch.recipe, "dye" if name == "dye" else str(name)) or _shop(batch.recipe, "pour")
    more = f" {own}" if own else ""
    to_go = pour.goal.target_g - pour.from_g
    match pour.zone:
        case Zone.DUMP if pour.stops_g[0] is None:
            return f"Trickle {name}: only {pour.goal.target_g:.1f} g, too little to dump.{more}"
        case Zone.DUMP:
            return f"Pour {name}: {pour.goal.target_g:.1f} g.{more}"
        case Zone.EASE:
            return f"Ease off {name}: a trickle now."
        case Zone.STOP:
            own = _shop(batch.recipe, "settle")
            return f"Stop. Hands off; {name} is settling. {own}".rstrip()
        case Zone.SHORT:
            return f"Top up {name}: {max(to_go, 0.0):.1f} g more, a trickle."
        case Zone.OVER:
            return f"Stop! Too much {name}. Hands off until it settles."
        case Zone.LANDED:
            return f"{name} has landed."


def _decide(bench: Bench, batch: Batch) -> str:
    index = batch.queue[0]
    poured = batch.poured_g[index] or 0.0
    target = batch.pour.goal.target_g if batch.pour is not None else item_targets_g(batch)[index]
    plan = plan_to_save(batch, bench.weighing.scale.division_g, bench.at_s)
    over = f"{batch.name} is {poured - target:.1f} g over."
    if plan.possible and plan.adds:
        adds = _and(tuple(f"{p.add_g:.1f} g more {p.name}" for p in plan.adds))
        return f"{over} Correct: {adds} (cup {plan.total_g:.1f} g). Or accept it as it is."
    if index == 0 and batch.round == 1:
        return f"{over} Take some out, accept it, or abandon it: {plan.why}."
    if not plan.adds and not plan.possible:
        return f"{over} Accept it or abandon it: {plan.why}."
    if not plan.adds:
        return f"{over} Accept it as it is, or abandon it."
    return f"{over} It cannot be corrected: {plan.why}. Accept it or abandon it."


def _away(batch: Batch) -> str:
    if batch.lost:
        return "Checking that the cup is the one that was here: hands off."
    return _shop(batch.recipe, "away") or "The cup is off the scale: put the same cup back."


def _confirm(bench: Bench, batch: Batch) -> str:
    question = batch.question
    assert question is not None
    grams = question.change_g
    moved = f"{abs(grams):.1f} g {'heavier' if grams > 0 else 'lighter'}"
    match question.doubt:
        case Doubt.SLOW_CUP:
            return (
                f"{grams:.1f} g came on slowly. Confirm if that is an empty cup; if resin was "
                "poured before the tare, empty the pan and begin again."
            )
        case Doubt.REZEROED:
            return (
                "The scale came back at zero. Confirm if the same cup still stands on it; "
                "otherwise put that cup back."
            )
        case Doubt.RESTING:
            return (
                f"{abs(grams):.1f} g came {'on' if grams > 0 else 'off'} at once: a hand, a spoon? "
                "Take it away, or confirm that it was poured."
            )
        case Doubt.RETURNED:
            return f"The cup is {moved} than when it left. Put the right cup back, or confirm it."


def _stir(bench: Bench, batch: Batch) -> str:
    own = _shop(batch.recipe, "stir")
    seconds = batch.recipe.times.stir_s
    for_long = f" {seconds:.0f} s" if seconds else ""
    sides = f"Stir{for_long}, sides and bottom too; then fill the molds."
    fill = _shop(batch.recipe, "fill")
    return " ".join(text for text in (own or sides, fill) if text)


def needs(bench: Bench) -> str | None:
    """What only the person can decide now; None when the bench waits for nothing."""
    batch = bench.batch
    if batch is None:
        return None
    if batch.phase is Phase.DECIDE:
        return "accept or correct"
    if batch.phase is Phase.CONFIRM:
        return "confirm"
    if batch.phase is Phase.COMBINE:
        return "combined"
    return None


def after_the_cup(bench: Bench) -> str:
    """What the batches in hand wait for, when nothing is on the scale."""
    for live in bench.lives:
        sentence = _live(bench, live)
        if sentence:
            return f"Batch {live.number}: {sentence}"
    return ""


def _live(bench: Bench, live: Live) -> str:
    ended = {t.kind for t in bench.timers if t.batch == live.number and t.state is TimerState.ENDED}
    pressure_over = any(
        t.kind is TimerKind.PRESSURE and t.state is TimerState.ENDED for t in bench.timers
    )
    if marked_at_s(live, Mark.VENTED) is None and marked_at_s(live, Mark.IN_TANK) is not None:
        own = _shop(live.recipe, "vent")
        return (own or f"to open the tank: {OPENING_ORDER}.") if pressure_over else ""
    if TimerKind.DEMOLD in ended:
        return _shop(live.recipe, "demold") or "ready to demold."
    if marked_at_s(live, Mark.DEMOLDED) is not None:
        return _shop(live.recipe, "trim") or "cut the sprues while they are green."
    if marked_at_s(live, Mark.POURED) is not None and live.recipe.uses_tank:
        return _shop(live.recipe, "tank") or "molds into the tank, lid clamped."
    return ""


def caution(bench: Bench) -> str:
    """The one caution that belongs to this step; empty where none does."""
    batch = bench.batch
    if batch is None or batch.phase is Phase.CUP:
        later = _later_caution(bench)
        if later or batch is None:
            return later
    roles = batch.recipe.cautions_for
    if batch.phase is Phase.STIR:
        return HEAT
    if Role.ISOCYANATE in roles:
        return DAMP if batch.phase is Phase.CUP else ISOCYANATE
    if Role.EPOXY in roles:
        return EPOXY
    return ""


def _later_caution(bench: Bench) -> str:
    for live in bench.lives:
        if marked_at_s(live, Mark.DEMOLDED) is not None:
            return DUST if Role.ISOCYANATE in live.recipe.cautions_for else ""
        if marked_at_s(live, Mark.IN_TANK) is not None and marked_at_s(live, Mark.VENTED) is None:
            return VENT
        if marked_at_s(live, Mark.POURED) is not None and live.recipe.uses_tank:
            return TANK
    return ""


def _shop(recipe: Recipe, step: str) -> str:
    """The shop's own words for a step, as the recipe gives them."""
    return recipe.prompts.get(step, "")


def _and(names: tuple[str, ...]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1] if names else "")))
