"""The reaction's start, the mixed cup, and its leaving the pan.

Owns what follows once everything has landed. Knows nothing of how a part is poured.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from daemon.batch import (
    Phase,
    grams,
    item_targets_g,
    maybe_grams,
    off_ratio,
    plan_data,
    plan_to_save,
    ratio_error,
    total_g,
)
from daemon.bench import Turn, temperature
from daemon.drift import watch
from daemon.effects import Pattern
from daemon.finishing import Live
from daemon.openings import close, schedule_opening, take_from_plan
from daemon.order_acts import mixed_with_order
from daemon.presence import gone
from daemon.timers import TimerKind, TimerState
from recipes.mix import mixed as mix_of
from recipes.model import Recipe
from recipes.potlife import GelMark, PotLife, pot_life, scaled_to_pot_life_s

FORGOTTEN_S = 6 * 3600.0
"""So long after its last clock and mark a batch that nobody marks is closed by itself."""


def contact(turn: Turn, at_s: float) -> None:
    """The reaction has started at `at_s`: work out the pot life here and now, start its clocks."""
    batch = turn.batch
    life = _pot_life(turn)
    turn.put_batch(contact_at_s=at_s)
    if life is None:
        return
    turn.put_batch(pot_life_s=life.seconds)
    _clear_the_last(turn)
    turn.record("mix.contact", {"pot_life_s": round(life.seconds, 1), "basis": life.basis})
    for kind, length_s in _clocks(batch.recipe, life.seconds):
        turn.start_timer(batch.number, kind, at_s, length_s)


def _pot_life(turn: Turn) -> PotLife | None:
    batch, bench = turn.batch, turn.bench
    marks = tuple(GelMark(*m[1:]) for m in bench.gel_marks if m[0] == batch.recipe.name)
    celsius = temperature(bench, "resin", "room")
    return pot_life(batch.recipe, celsius, sum(item_targets_g(batch)), marks)


def _clocks(recipe: Recipe, pot_life_s: float) -> Iterator[tuple[TimerKind, float]]:
    """The clocks that contact starts; what the recipe states shrinks with the pot life."""
    times = recipe.times
    for kind, stated_s in (
        (TimerKind.POUR_BY, times.pour_by_s),
        (TimerKind.PRESS_BY, times.press_by_s),
    ):
        if stated_s is not None:
            yield kind, scaled_to_pot_life_s(recipe, stated_s, pot_life_s)
    yield TimerKind.POT_LIFE, pot_life_s
    if times.demold_s is not None:
        yield TimerKind.DEMOLD, times.demold_s


_RESIN_CLOCKS = (TimerKind.POUR_BY, TimerKind.PRESS_BY, TimerKind.POT_LIFE)


def _clear_the_last(turn: Turn) -> None:
    """Resin clocks of earlier batches that have ended say nothing more once the next mix reacts."""
    for timer in turn.bench.timers:
        if timer.kind in _RESIN_CLOCKS and timer.state is TimerState.ENDED:
            turn.clear_timer(timer)


def all_landed(turn: Turn) -> None:
    """Nothing is left to pour: a fill ends, cups are combined, or the mix is stirred.

    A ratio past its tolerance is asked about first: a part may have landed within the scale's
    division and still be off by more.
    """
    batch = turn.batch
    if off_ratio(batch) and not batch.accepted:
        turn.put_batch(phase=Phase.DECIDE, pour=None, below=0)
        plan = plan_data(plan_to_save(batch, turn.at_s))
        turn.record("mix.off", {"ratio_error_pct": maybe_grams(ratio_error(batch)), "plan": plan})
        turn.sound(Pattern.ASK)
    elif batch.recipe.is_fill:
        _filled(turn)
    elif batch.recipe.cup.one_per_part and batch.contact_at_s is None:
        turn.put_batch(phase=Phase.COMBINE)
        turn.sound(Pattern.ASK)
    else:
        mixed(turn)


def _filled(turn: Turn) -> None:
    turn.record("batch.closed", {"reason": "filled", "total_g": grams(total_g(turn.batch))})
    mixed_with_order(turn)
    _count_batch(turn)
    turn.put(batch=None, pan_clear=False)
    schedule_opening(turn)


def mixed(turn: Turn) -> None:
    """Everything is in the cup: say what went in, start to stir."""
    batch = turn.batch
    mix = mix_of(batch.recipe, batch.items, batch.poured_g)
    data: dict[str, object] = {
        "parts": [
            {"name": name, "target_g": maybe_grams(aimed), "actual_g": grams(poured or 0.0)}
            for name, aimed, poured in zip(
                batch.items.names, batch.aimed_g, batch.poured_g, strict=True
            )
        ],
        "ratio_error_pct": maybe_grams(mix.ratio_error_pct),
        "dye_g": grams(mix.dye_g),
        "total_g": grams(mix.total_g),
    }
    if mix.index is not None:
        data["index"] = round(mix.index, 1)
    turn.record("batch.mixed", data)
    turn.sound(Pattern.MIXED)
    _watch_drift(turn, mix.ratio_error_pct)
    mixed_with_order(turn)
    live = Live(
        batch.number,
        batch.recipe,
        turn.at_s,
        batch.contact_at_s,
        mix.total_g,
        batch.pieces,
    )
    _close_forgotten(turn)
    turn.put(lives=(*turn.bench.lives, live))
    _count_batch(turn)
    turn.put_batch(phase=Phase.STIR, pour=None, below=0)
    if batch.recipe.times.stir_s:
        turn.start_timer(batch.number, TimerKind.STIR, turn.at_s, batch.recipe.times.stir_s)


def _watch_drift(turn: Turn, ratio_error_pct: float | None) -> None:
    """Say it once when scale or hand have begun to stray, before the next cup is poured."""
    bench, batch = turn.bench, turn.batch
    errors = bench.ratio_errors
    if ratio_error_pct is not None:
        errors = (*errors, round(ratio_error_pct, 3))[-30:]
    said = watch(
        bench.landings,
        errors,
        division_g=bench.weighing.scale.division_g,
        ratio_tolerance_pct=batch.recipe.stops.ratio_tolerance_pct,
    )
    turn.put(ratio_errors=errors, drift=said)
    if said and said != bench.drift:
        turn.record("drift.seen", {"sentence": said})


def _count_batch(turn: Turn) -> None:
    """It is one of the batches that were asked for; one that was given up never is."""
    if not turn.batch.planned:
        return
    take_from_plan(turn)
    progress = turn.bench.progress
    if progress is not None:
        done = progress.batches_done + 1
        turn.put(progress=replace(progress, batches_done=done, last_at_s=turn.at_s))


def _close_forgotten(turn: Turn) -> None:
    """Batches that nobody has marked for hours are out of everybody's hands."""
    for live in turn.bench.lives:
        ends = (t.ends_at_s for t in turn.bench.timers if t.batch == live.number)
        marks = (at for _, at in live.marks)
        if turn.at_s - max(live.mixed_at_s, *ends, *marks) > FORGOTTEN_S:
            close(turn, live, f"no mark for {FORGOTTEN_S / 3600:.0f} hours")


def reading_at_stir(turn: Turn) -> None:
    """The mixed cup leaves the pan when it likes; the next batch then opens."""
    if gone(turn):
        turn.put(batch=None, pan_clear=True)
        schedule_opening(turn)


def reading_at_combine(turn: Turn) -> None:
    """The cups are being emptied into one another: nothing on the scale matters."""
