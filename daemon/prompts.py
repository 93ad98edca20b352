"""The next thing to do, in words.

Owns the sentences for the person at the bench, those of the cautions too. Decides nothing.
"""

from __future__ import annotations

from daemon.batch import (
    Batch,
    Doubt,
    Held,
    Phase,
    good_as_it_is,
    has_begun,
    item_targets_g,
    off_ratio,
    plan_to_save,
    ratio_error,
    still_to_add,
)
from daemon.bench import Bench
from daemon.finishing import Due, Live, Mark, due, marked_at_s
from daemon.marks import due_now
from daemon.openings import next_plan
from daemon.sequence import NEEDS_THE_SCALE
from daemon.timers import TimerKind, TimerState
from daemon.tint_bench import lent
from daemon.view import Zone
from recipes.model import Recipe

HALTED = (
    "Stop pouring, hands off the pan: not resin alone came onto it, so no stop can be called. "
    "Take off what is not the cup."
)
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

TO_DO: dict[Mark, tuple[str, str]] = {
    Mark.STIRRED: ("stir", "stir, sides and bottom too."),
    Mark.POURED: ("fill", "fill the molds."),
    Mark.IN_TANK: ("tank", "molds into the tank, lid clamped."),
    Mark.WITNESS_HARD: ("vent", f"to open the tank: {OPENING_ORDER}."),
    Mark.VENTED: ("vent", f"to open the tank: {OPENING_ORDER}."),
    Mark.OUT_OF_TANK: ("vent", "gauge at zero? Open the lid and take the molds out."),
    Mark.DEMOLDED: ("demold", "ready to demold."),
    Mark.TRIMMED: ("trim", "cut the sprues while they are green."),
}
"""What is to be done before a mark can be made: the shop's own words are under the first name."""

DROPS_G = 1.0
"""A trickle has brought so much before a stop can be seen, called and heard."""


# --- the next thing to do ------------------------------------------------------------------------


def prompt(bench: Bench) -> str:
    """The next thing to do, in a sentence or two."""
    batch = bench.batch
    if batch is None:
        return _idle(bench)
    if batch.phase in NEEDS_THE_SCALE and bench.link.state in ("lost", "silent"):
        return _no_scale(bench, batch)
    if batch.phase in NEEDS_THE_SCALE and bench.link.state == "overload":
        return "Too much on the scale: take the load off now; it can ruin the scale."
    match batch.phase:
        case Phase.CUP:
            return _cup(bench, batch)
        case Phase.POUR:
            return _pour(batch)
        case Phase.DECIDE:
            return _decide(bench, batch)
        case Phase.AWAY:
            return _away(bench, batch)
        case Phase.CONFIRM:
            return _confirm(batch)
        case Phase.COMBINE:
            return _shop(batch.recipe, "combine") or (
                f"Empty {_and(batch.recipe.part_names[:-1])} into the cup of "
                f"{batch.recipe.part_names[-1]}, then say combined."
            )
        case Phase.STIR:
            return _stir(bench, batch)


def _no_scale(bench: Bench, batch: Batch) -> str:
    pouring = batch.phase is not Phase.CUP
    stop, keep = ("Stop pouring. ", " What is poured is remembered.") if pouring else ("", "")
    why = bench.link.why or "the scale does not answer"
    return f"{stop}No reading: {_ended(why)} Check cable and power.{keep}"


def _idle(bench: Bench) -> str:
    if next_plan(bench) is not None:
        return "The next batch is about to open."
    if (item := due_now(bench)) is not None:
        return _to_do(bench, item)
    if bench.link.state in ("lost", "silent"):
        return _ended(f"No reading: {bench.link.why or 'the scale does not answer'}")
    done = bench.progress is not None and bench.progress.batches_done > 0
    return "All batches are poured." if done else "No batch is open: start one with a recipe."


def _to_do(bench: Bench, item: Due) -> str:
    """What is to be done for a batch that has been mixed."""
    return f"Batch {item.batch}: {_doing(bench, item)}"


def _doing(bench: Bench, item: Due) -> str:
    live = next(one for one in bench.lives if one.number == item.batch)
    step, usual = TO_DO[item.mark]
    return _shop(live.recipe, step) or usual


def _cup(bench: Bench, batch: Batch) -> str:
    own = _shop(batch.recipe, "cup") if batch.landed_at_s is None else ""
    what = _what_goes_on(batch)
    if lent(bench, bench.at_s):
        return f"The pan is lent for weighing colour in; {what} comes after that."
    if not batch.pan_clear and not bench.pan_clear:
        return f"Take what is on the pan off; then put {what} on it."
    hurry = _hurry(bench)
    if hurry is not None:
        text = f"{_ended(_to_do(bench, hurry))} Then {what} for batch {batch.number}."
        return text + _marked_first(bench, hurry.batch)
    if batch.warnings:
        return f"{batch.warnings[0]} Then put {what} on the scale."
    first = f"Batch {batch.number}: " if batch.landed_at_s is None else ""
    return own or _sentence(f"{first}put {what} on the scale and let go.")


def _what_goes_on(batch: Batch) -> str:
    if batch.loss:
        return f"the container of {batch.name}"
    if not batch.own_cups or batch.cup_of is None:
        return "an empty cup"
    return f"the cup for {batch.items.names[batch.cup_of]}"


def _hurry(bench: Bench) -> Due | None:
    """What must be done with a mix that is setting, before anybody thinks of the next one."""
    for live in bench.lives:
        item = due(live, bench.timers)
        if item is None or item.mark not in (Mark.STIRRED, Mark.POURED, Mark.IN_TANK):
            continue
        if any(t.batch == live.number and _sets(t.kind, t.state) for t in bench.timers):
            return item
    return None


def _marked_first(bench: Bench, number: int) -> str:
    """What `next` would say has been done, where that is another batch's turn than the prompt's."""
    item = due_now(bench)
    if item is None or item.batch == number:
        return ""
    return f" Next marks batch {item.batch} first: {_doing(bench, item)}"


def _sets(kind: TimerKind, state: TimerState) -> bool:
    return kind in (TimerKind.POT_LIFE, TimerKind.PRESS_BY) and state is not TimerState.ENDED


def _pour(batch: Batch) -> str:
    pour, name = batch.pour, batch.name
    assert pour is not None
    if batch.halted and batch.held is not Held.NOT:
        return HALTED
    shop = _shop(batch.recipe, "dye" if name == "dye" else str(name))
    own = shop or _shop(batch.recipe, "pour")
    more = f" {own}" if own else ""
    target = _grams(pour.goal.target_g - pour.already_g, batch.division_g)
    again = " more" if pour.already_g > 0 else ""
    match pour.zone:
        case Zone.DUMP | Zone.EASE if pour.stops_g[0] is None:
            return f"Trickle {name}: {target}{again}.{more}"
        case Zone.DUMP:
            return f"Pour {name}: {target}{again}.{more}"
        case Zone.EASE:
            return f"Ease off {name}: a trickle now."
        case Zone.STOP:
            return f"Stop. Hands off; {name} settles. {_shop(batch.recipe, 'settle')}".rstrip()
        case Zone.SHORT:
            short_g = max(pour.goal.target_g - pour.from_g, 0.0)
            how = "drop by drop" if short_g < DROPS_G else "a trickle"
            return f"Top up {name}: {_grams(short_g, batch.division_g)} more, {how}."
        case Zone.OVER:
            return f"Stop! Too much {name}. Hands off until it settles."
        case Zone.LANDED:
            return _sentence(f"{name} has landed.")


def _decide(bench: Bench, batch: Batch) -> str:
    plan = plan_to_save(batch, bench.at_s)
    adds = [plan.parts[i] for i in still_to_add(batch, plan)]
    wrong = _over_by(batch) or _off_by(batch)
    own = _shop(batch.recipe, "decide")
    more = f" {own}" if own else ""
    if plan.possible and adds:
        what = _and(tuple(f"{_grams(p.add_g, batch.division_g)} more {p.name}" for p in adds))
        what = f"{what} (cup {plan.total_g:.0f} g)."
        if good_as_it_is(batch):
            return f"{wrong} {_within(batch)}: accept it. Or correct: {what}{more}"
        return f"{wrong} Correct: {what} Or accept it as it is.{more}"
    why = f": {plan.why}" if not plan.possible else ""
    if batch.queue and batch.alone and batch.round == 1:
        return f"{wrong} Take some out, accept it, or abandon it{why}.{more}"
    cannot = "It cannot be corrected" if not plan.possible else "Nothing added would mend it"
    if off_ratio(batch):
        return f"{wrong} {cannot}{why}. So far off it may not cure: abandon it, or accept it.{more}"
    return f"{wrong} {cannot}{why}. Accept it or abandon it.{more}"


def _over_by(batch: Batch) -> str:
    if not batch.queue:
        return ""
    index = batch.queue[0]
    target = batch.pour.goal.target_g if batch.pour else item_targets_g(batch)[index]
    over = (batch.poured_g[index] or 0.0) - target
    return _sentence(f"{batch.name} is {_grams(over, batch.division_g)} over.")


def _off_by(batch: Batch) -> str:
    error = ratio_error(batch) or 0.0
    return f"The ratio is {abs(error):.1f} % {'over' if error > 0 else 'under'}."


def _within(batch: Batch) -> str:
    error, most = abs(ratio_error(batch) or 0.0), batch.items.ratio_tolerance_pct
    return f"The ratio is {error:.1f} % off, within its {most:g} %"


def _away(bench: Bench, batch: Batch) -> str:
    if bench.link.state == "waiting":
        return "Waiting for the scale: is it switched on? Touch nothing on it."
    if batch.lost:
        return "Checking what is on the scale: hands off."
    if batch.loss and batch.pour is not None and batch.back_to is Phase.POUR:
        to_go = batch.pour.goal.target_g - _poured_g(batch)
        grams = _grams(max(to_go, 0.0), batch.division_g)
        return f"Pour {batch.name}: {grams} to go; then the container back on the scale."
    return _shop(batch.recipe, "away") or (
        "The cup is off the scale: put the same cup back. Zeroed under it? Lift it, put it back."
    )


def _poured_g(batch: Batch) -> float:
    if batch.pour is None or batch.believed_g is None:
        return 0.0
    return batch.pour.already_g + batch.sign * (batch.believed_g - batch.pour.base_g)


def _confirm(batch: Batch) -> str:
    question = batch.question
    assert question is not None
    on = question.change_g > 0
    grams = _grams(abs(question.change_g), batch.division_g)
    match question.doubt:
        case Doubt.FOUND_CUP:
            return f"{grams} is on the pan. An empty cup? Confirm, or lift it and put it back."
        case Doubt.ZEROED:
            return "The scale was zeroed. Is an empty cup on it? Confirm. If not, put one on it."
        case Doubt.SLOW_CUP:
            return (
                f"{grams} came on slowly. An empty cup? Confirm. Resin in it? Empty the pan and "
                "begin again."
            )
        case Doubt.HEAVY_CUP:
            return (
                f"{grams} is heavy for an empty cup. If it is empty, confirm; if not, take another."
            )
        case Doubt.OTHER_CUP:
            held = _grams(_poured_g(batch), batch.division_g)
            return (
                f"Another cup? Confirm to begin {batch.name} again in it, or put the one with "
                f"{held} of {batch.name} back."
            )
        case Doubt.REZEROED:
            return (
                "The scale came back at zero. The same cup still on it? Confirm. If not, put it "
                "back."
            )
        case Doubt.RETURNED:
            return _returned(batch, grams, on)
        case Doubt.RESTING:
            return _resting(batch, grams, on)


def _returned(batch: Batch, grams: str, on: bool) -> str:
    what = "container" if batch.loss else "cup"
    moved = f"The {what} is {grams} {'heavier' if on else 'lighter'} than before."
    if batch.loss:
        return f"{moved} Put the right container back, or confirm this one."
    if on:
        return f"{moved} {batch.name} poured meanwhile? Confirm. If not, put the right cup back."
    return f"{moved} Spilled? Confirm. If not, put the right cup back."


def _resting(batch: Batch, grams: str, on: bool) -> str:
    if not on:
        return f"{grams} came off at once. Put it back, or confirm that it stays off."
    if not has_begun(batch):
        return f"{grams} came on at once. Take it off, or confirm that it stays on."
    return f"{grams} came on at once: hand, spoon? Take it off. Was it {batch.name}? Confirm."


def _stir(bench: Bench, batch: Batch) -> str:
    """Stir, fill, take the cup off; and what `next` marks where another batch's turn is older."""
    live = next((one for one in bench.lives if one.number == batch.number), None)
    text, first = _stir_or_fill(batch, live), _marked_first(bench, batch.number)
    return _ended(text) + first if first else text


def _stir_or_fill(batch: Batch, live: Live | None) -> str:
    fill = _shop(batch.recipe, "fill")
    if live is None or marked_at_s(live, Mark.POURED) is not None:
        return f"Take the cup off the scale: batch {batch.number} is poured."
    if marked_at_s(live, Mark.STIRRED) is not None:
        return f"Now {fill}" if fill else "Fill the molds now."
    own = _ended(_shop(batch.recipe, "stir") or "sides and bottom too")
    seconds = batch.recipe.times.stir_s
    for_long = f" {seconds:.0f} s" if seconds else ""
    return f"Stir{for_long}: {own} Then {fill or 'fill the molds.'}"


# --- what only the person can decide, and what `next` does ---------------------------------------


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


def next_words(bench: Bench) -> str | None:
    """What `next` would do now, in words of the bench; None where it would be refused."""
    if bench.batch is not None and bench.batch.phase is Phase.CONFIRM:
        return "confirm"
    item = due_now(bench)
    if item is not None:
        return f"{MARK_WORDS[item.mark]} (batch {item.batch})"
    return "open the next batch" if bench.batch is None and next_plan(bench) is not None else None


# --- words ---------------------------------------------------------------------------------------


def _shop(recipe: Recipe, step: str) -> str:
    """The shop's own words for a step, as the recipe gives them, with their full stop."""
    own = recipe.prompts.get(step, "")
    return _ended(own) if own else ""


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _ended(text: str) -> str:
    """With a full stop, which the shop's own words may lack."""
    return text if text.endswith((".", "!", "?", ":", "…")) else f"{text}."


def _grams(value: float, division_g: float) -> str:
    """Grams as this scale shows them."""
    places = 2 if division_g < 0.05 else 1
    return f"{round(value, places) + 0.0:.{places}f} g"


def _and(names: tuple[str, ...]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1] if names else "")))
