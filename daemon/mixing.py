"""The reaction's start, the mixed cup, and its leaving the pan.

Owns what follows once everything has landed. Knows nothing of how a part is poured.
"""

from __future__ import annotations

from dataclasses import replace

from daemon.batch import Phase, grams, item_targets_g, maybe_grams, total_g
from daemon.bench import Turn, temperature
from daemon.effects import Pattern
from daemon.finishing import Live
from daemon.openings import schedule_opening, take_from_plan
from daemon.presence import gone, keep_believed
from daemon.timers import TimerKind
from recipes.mix import mixed as mix_of
from recipes.potlife import GelMark, pot_life, scaled_to_pot_life_s


def contact(turn: Turn) -> None:
    """The reaction starts: work out the pot life here and now, and start its clocks."""
    batch, times = turn.batch, turn.batch.recipe.times
    turn.put_batch(contact_at_s=turn.at_s)
    marks = tuple(GelMark(*m[1:]) for m in turn.bench.gel_marks if m[0] == batch.recipe.name)
    celsius = temperature(turn.bench, "resin", "room")
    size_g = sum(item_targets_g(batch))
    life = pot_life(batch.recipe, celsius, size_g, marks)
    if life is None:
        return
    turn.put_batch(pot_life_s=life.seconds)
    turn.record("mix.contact", {"pot_life_s": round(life.seconds, 1), "basis": life.basis})
    clocks = (
        (TimerKind.POUR_BY, times.pour_by_s),
        (TimerKind.PRESS_BY, times.press_by_s),
        (TimerKind.POT_LIFE, life.seconds),
        (TimerKind.DEMOLD, times.demold_s),
    )
    for kind, length_s in clocks:
        if length_s is None:
            continue
        if kind in (TimerKind.POUR_BY, TimerKind.PRESS_BY):
            length_s = scaled_to_pot_life_s(batch.recipe, length_s, life.seconds)
        turn.start_timer(batch.number, kind, turn.at_s, length_s)


def all_landed(turn: Turn) -> None:
    """Nothing is left to pour: a fill ends, cups are combined, or the mix is stirred."""
    batch = turn.batch
    if batch.recipe.is_fill:
        turn.record("batch.closed", {"reason": "filled", "total_g": grams(total_g(batch))})
        take_from_plan(turn)
        turn.put(batch=None, pan_clear=False)
        return
    if batch.recipe.cup.one_per_part and batch.contact_at_s is None:
        turn.put_batch(phase=Phase.COMBINE)
        turn.sound(Pattern.ASK)
        return
    mixed(turn)


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
    live = Live(batch.number, batch.recipe, turn.at_s, batch.contact_at_s, mix.total_g)
    turn.put(lives=(*turn.bench.lives, live))
    take_from_plan(turn)
    _count_batch(turn)
    turn.put_batch(phase=Phase.STIR, pour=None, below=0)
    if batch.recipe.times.stir_s:
        turn.start_timer(batch.number, TimerKind.STIR, turn.at_s, batch.recipe.times.stir_s)


def _count_batch(turn: Turn) -> None:
    progress = turn.bench.progress
    if progress is not None:
        turn.put(progress=replace(progress, batches_done=progress.batches_done + 1))


def reading_at_stir(turn: Turn) -> None:
    """The mixed cup leaves the pan when it likes; the next batch then opens."""
    keep_believed(turn)
    if gone(turn):
        turn.put(batch=None, pan_clear=True)
        schedule_opening(turn)


def reading_at_combine(turn: Turn) -> None:
    """The cups are being emptied into one another: nothing on the scale matters."""
