"""The bench as outlets see it: a `BenchView` made from a `Bench`.

Owns the choice of what is shown. Knows nothing of any outlet and changes nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from daemon.acts import choices
from daemon.batch import Batch, Phase, item_targets_g, ratio_error, total_g
from daemon.bench import Bench
from daemon.cautions import caution
from daemon.prompts import needs, next_words, prompt
from daemon.sequence import step_of
from daemon.view import BenchView, PartView, RunView, StopsView, TimerView
from daemon.weighing import is_current

SHOWN_LANDINGS = 12


def picture(bench: Bench, at_s: float | None = None) -> BenchView:
    """What there is to show at `at_s` (the bench's own time unless given)."""
    now_s = bench.at_s if at_s is None else at_s
    batch = bench.batch
    current = is_current(bench.weighing, now_s) and bench.link.state == "ok"
    view = BenchView(
        at_s=now_s,
        wall_offset_s=bench.wall_offset_s,
        bench=bench.settings.bench,
        person=bench.person,
        version=bench.settings.version,
        scale=bench.link.state,
        scale_note=_scale_note(bench),
        prompt=prompt(bench),
        caution=caution(bench),
        needs=needs(bench),
        choices=choices(bench),
        due=next_words(bench),
        stable=current and bench.weighing.stable,
        flow_g_per_s=bench.weighing.flow_g_per_s if current else 0.0,
        division_g=bench.weighing.scale.division_g,
        weight_g=_weight_g(bench) if current else None,
        timers=_timers(bench),
        run=_run(bench),
        last_landings=bench.landings[-SHOWN_LANDINGS:],
    )
    if batch is None:
        return view
    return replace(view, **_batch(bench, batch, current))


def _scale_note(bench: Bench) -> str:
    link = bench.link
    if link.why:
        return link.why
    shape = f", {link.profile}" if link.profile else ""
    lines = f", {link.garbled} garbled" if link.garbled else ""
    return f"{link.port}{shape}{lines}"


def _weight_g(bench: Bench) -> float | None:
    """Net of the whole cup on the working tare: of the cup, or of the bare pan without one."""
    gross, batch = bench.weighing.gross_g, bench.batch
    if gross is None:
        return None
    empty = bench.empty_g or 0.0
    if batch is None or batch.phase is Phase.CUP:
        return gross - empty
    if batch.recipe.method == "loss":
        return gross - empty
    return gross - empty - batch.cup_g


def _batch(bench: Bench, batch: Batch, current: bool) -> dict[str, Any]:
    pour = batch.pour
    shown: dict[str, Any] = {
        "batch": batch.number,
        "recipe": batch.recipe.name,
        "step": step_of(bench),
        "parts": _parts(bench, batch, current),
        "ratio_error_pct": ratio_error(batch),
        "total_g": total_g(batch),
        "method": batch.recipe.method,
    }
    if pour is None or batch.phase is Phase.STIR:
        return shown
    actual = _actual_g(bench, batch) if current else None
    target = pour.goal.target_g
    return shown | {
        "part": batch.name,
        "zone": pour.zone,
        "target_g": target,
        "actual_g": actual,
        "remaining_g": None if actual is None else target - actual,
        "landing_g": pour.landing_g if current else None,
        "to_stop_s": pour.to_stop_s if current else None,
        "stops": StopsView(*pour.stops_g),
        "tolerance_g": pour.goal.tolerance_g,
    }


def _actual_g(bench: Bench, batch: Batch) -> float | None:
    """Grams of the present part; what came back unexplained is not shown as resin."""
    if batch.pour is None or bench.weighing.gross_g is None:
        return None
    if batch.phase in (Phase.AWAY, Phase.CONFIRM):
        if batch.believed_g is None:
            return None
        return batch.pour.already_g + batch.sign * (batch.believed_g - batch.pour.base_g)
    return batch.pour.actual_g(bench.weighing)


def _parts(bench: Bench, batch: Batch, current: bool) -> tuple[PartView, ...]:
    shown = []
    waiting = batch.queue if batch.phase is not Phase.DECIDE else batch.queue[1:]
    targets = item_targets_g(batch)
    for index, item in enumerate(batch.items.items):
        actual, aimed = batch.poured_g[index], batch.aimed_g[index]
        target = targets[index] if aimed is None or index in waiting else aimed
        done = actual is not None and index not in waiting
        if index == batch.current and batch.pour is not None:
            target = batch.pour.goal.target_g
            if not done:
                actual = _actual_g(bench, batch) if current else actual
        error = actual - target if actual is not None and done else None
        shown.append(PartView(item.name, target, actual, error, done, item.is_dye))
    return tuple(shown)


def _timers(bench: Bench) -> tuple[TimerView, ...]:
    ordered = sorted(bench.timers, key=lambda t: (t.ends_at_s, t.id))
    return tuple(
        TimerView(
            t.id, t.batch, t.kind.value, t.started_at_s, t.warn_at_s, t.ends_at_s, t.state.value
        )
        for t in ordered
    )


def _run(bench: Bench) -> RunView | None:
    progress = bench.progress
    if progress is None:
        return None
    return RunView(
        name=progress.name,
        pieces=progress.pieces,
        good=progress.good,
        rejected=progress.rejected,
        batches_done=progress.batches_done,
        batches_planned=progress.batches_planned,
        eta_at_s=_eta_at_s(bench),
    )


def _eta_at_s(bench: Bench) -> float | None:
    """When the last planned batch will be mixed at the pace so far; None before two batches.

    The pace is that up to the last batch, so that the answer changes with a batch and not with
    every reading.
    """
    run = bench.progress
    if run is None or run.batches_planned is None or run.first_at_s is None:
        return None
    if run.batches_done < 2 or run.last_at_s is None or run.batches_done >= run.batches_planned:
        return None
    pace_s = (run.last_at_s - run.first_at_s) / run.batches_done
    return run.first_at_s + pace_s * run.batches_planned
