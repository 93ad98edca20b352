"""The sequence at the scale, as a table: phase by phase, what a reading leads to, what may follow.

Owns the table. What each phase does is in `cup`, `parts` and `mixing`; what may be commanded in
which phase is in `acts`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from daemon.batch import Batch, Phase
from daemon.bench import Turn
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
    Phase.CUP: Row(Step.CUP, reading_at_cup, "a resting cup: tare, pour; slow arrival: confirm"),
    Phase.POUR: Row(
        Step.POUR,
        reading_at_pour,
        "landed: next part, combine or stir; over: next part or decide; cup lifted, scale lost: "
        "away; short: pour on",
    ),
    Phase.DECIDE: Row(
        Step.DECIDE,
        reading_at_decide,
        "accept: next part or stir; correct: pour; taken out again: next part; cup lifted: away",
    ),
    Phase.AWAY: Row(
        Step.AWAY, reading_at_away, "same load back: where it was; another load: confirm"
    ),
    Phase.CONFIRM: Row(
        Step.DECIDE, reading_at_confirm, "confirm: where it was; right load: where it was"
    ),
    Phase.COMBINE: Row(Step.STIR, reading_at_combine, "mark combined: contact, stir"),
    Phase.STIR: Row(Step.STIR, reading_at_stir, "cup gone: next batch opens, or idle"),
}
"""The phases: the step outsiders see, what handles a reading, and what may follow."""


def step_of(batch: Batch) -> Step:
    """The step outsiders see: a pour that has been cut is settling."""
    if batch.phase is Phase.CUP and batch.landed_at_s is not None:
        return Step.CUP
    if batch.phase is Phase.POUR and batch.pour is not None and batch.pour.zone is Zone.STOP:
        return Step.SETTLE
    return TABLE[batch.phase].step
