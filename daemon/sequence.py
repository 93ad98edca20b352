"""The sequence at the scale, as a table: phase by phase, what a reading leads to, what may follow.

Owns the table. What each phase does is in `cup`, `parts` and `mixing`; what may be commanded in
which phase is in `acts`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from daemon.batch import Phase
from daemon.bench import Bench, Turn
from daemon.cup import reading_at_away, reading_at_confirm, reading_at_cup
from daemon.mixing import reading_at_combine, reading_at_stir
from daemon.parts import reading_at_decide, reading_at_pour
from daemon.view import Step, Zone


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: what outsiders see, and what each thing that happens leads to."""

    step: Step
    on_reading: Callable[[Turn], None]
    follows: str


TABLE: dict[Phase, Row] = {
    Phase.CUP: Row(
        Step.CUP,
        reading_at_cup,
        "a resting cup: tare, pour; a slow or a heavy one: confirm",
    ),
    Phase.POUR: Row(
        Step.POUR,
        reading_at_pour,
        "landed: next part, combine or stir, ratio off: decide; short: pour on; over: next part or "
        "decide; untouched cup lifted: cup; cup lifted, scale lost: away; a thing on it: confirm",
    ),
    Phase.DECIDE: Row(
        Step.DECIDE,
        reading_at_decide,
        "accept: next part, combine or stir; correct: pour; taken out again: next part, or pour; "
        "cup lifted, scale lost: away",
    ),
    Phase.AWAY: Row(
        Step.AWAY,
        reading_at_away,
        "same load back, a container poured from: where it was; another load: confirm",
    ),
    Phase.CONFIRM: Row(
        Step.DECIDE,
        reading_at_confirm,
        "confirm: cup tared, or where it was; right load, thing gone: where it was; cup lifted: "
        "cup or away",
    ),
    Phase.COMBINE: Row(Step.STIR, reading_at_combine, "mark combined: contact, stir"),
    Phase.STIR: Row(Step.STIR, reading_at_stir, "cup gone: next batch opens, or idle"),
}
"""The phases: the step outsiders see, what handles a reading, and what may follow."""

NEEDS_THE_SCALE = frozenset({Phase.CUP, Phase.POUR, Phase.DECIDE, Phase.CONFIRM, Phase.AWAY})
"""Phases in which nothing can go on without a reading."""


def step_of(bench: Bench) -> Step:
    """The step outsiders see: away without a scale, settling once a pour has been cut."""
    batch = bench.batch
    if batch is None:
        return Step.IDLE
    if bench.link.state in ("lost", "silent", "overload") and batch.phase in NEEDS_THE_SCALE:
        return Step.AWAY
    if batch.phase is Phase.POUR and batch.pour is not None and batch.pour.zone is Zone.STOP:
        return Step.SETTLE
    return TABLE[batch.phase].step
