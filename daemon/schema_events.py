"""What each kind of event promises in its data.

Owns these models. Knows nothing of how events come about, nor of the document made of them.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

from daemon.messages import Instant


class EventData(BaseModel):
    """What an event promises. More may be in it; what is not promised here may go again."""

    model_config = ConfigDict(extra="allow", frozen=True)


class PartTarget(EventData):
    """One part and what it is poured to."""

    name: str
    target_g: float


class PartAmount(EventData):
    """One part and what of it is in the cup."""

    name: str
    actual_g: float


class PartAdd(EventData):
    """One part and what `correct` would add of it."""

    name: str
    add_g: float


class StopsData(EventData):
    """The two stopping points; null where there is none."""

    coarse: float | None
    fine: float | None


class BatchOpened(EventData):
    """A batch is to be poured: of an order, or from jugs by part, whose dye a ledger may know."""

    recipe: str
    parts: list[PartTarget]
    pieces: int | None = None
    order: str | None = None
    jugs: dict[str, str] | None = None
    tints: dict[str, float] | None = None


class CupTared(EventData):
    """The empty cup stands on the pan."""

    cup_g: float


class PartStarted(EventData):
    """A part is to be poured; `round` from the second pour of a correction on."""

    part: str
    target_g: float
    stops_g: StopsData
    round: int | None = None


class StopCue(EventData):
    """The person was told to ease off or to stop."""

    part: str
    reading_g: float
    flow: float
    landing_g: float


class PartShort(EventData):
    """Settled below the target's tolerance: a top-up follows."""

    part: str
    actual_g: float
    short_g: float


class PartLanded(EventData):
    """Settled within tolerance."""

    part: str
    target_g: float
    actual_g: float
    error_g: float
    seconds: float


class SavePlan(EventData):
    """What `correct` would do, and why it is or is not possible."""

    parts: list[PartAdd]
    total_g: float
    possible: bool
    why: str


class PartOver(EventData):
    """Settled above the target's tolerance."""

    part: str
    actual_g: float
    over_g: float
    plan: SavePlan


class MixContact(EventData):
    """The reaction has started; `basis` says what the pot life was derived from."""

    pot_life_s: float
    basis: str


class MixCorrected(EventData):
    """The targets have moved; `jugs` by part where another jug is drawn from."""

    parts: list[PartTarget]
    reason: Literal["over", "dye", "accepted"]
    jugs: dict[str, str] | None = None


class BatchMixed(EventData):
    """Everything is in the cup; `index` where the recipe gives the chemistry."""

    parts: list[PartAmount]
    ratio_error_pct: float | None
    dye_g: float
    total_g: float
    index: float | None = None


class TimerData(EventData):
    """A clock was started, warned, ended or cleared."""

    timer: str
    timer_kind: str
    ends_at: Instant


class BatchMarked(EventData):
    """Something was done to a batch, a jug or pieces."""

    kind: str


class BatchCounted(EventData):
    """Pieces were counted."""

    good: int
    rejected: int


class BatchEnded(EventData):
    """Nothing more happens to the batch, and why."""

    reason: str


class ScaleData(EventData):
    """The scale, its port, and what is the matter."""

    port: str
    why: str


class DaemonStarted(EventData):
    """The daemon runs."""

    version: str


class DaemonResumed(DaemonStarted):
    """The daemon took up a batch where it stood."""

    batch: int | None
    step: str


class TintStarted(EventData):
    """A jug's colour was begun with its untinted base; the master's colour where it is measured."""

    jug: str
    base_g: float
    target_lab: list[float] | None = None


class TintUndone(EventData):
    """The jug's last dose, trial or start never was; what is in the jug now, dyes neat."""

    jug: str
    base_g: float
    dyes: dict[str, float]
    fraction: float


class TintAdded(TintUndone):
    """A dose went in, as it was weighed; of untinted base without a strength."""

    dye: str
    grams: float
    strength: float | None = None


class TintTested(EventData):
    """A trial casting was looked at; `fraction` is the dye's share of the jug by then."""

    jug: str
    fraction: float
    lab: list[float] | None = None
    wet_lab: list[float] | None = None
    judge: Literal["lighter", "darker", "match"] | None = None
    by: Literal["slight", "clear", "strong"] | None = None
    toward: str | None = None


EVENT_DATA: dict[str, type[EventData]] = {
    "batch.opened": BatchOpened,
    "cup.tared": CupTared,
    "part.started": PartStarted,
    "stop.coarse": StopCue,
    "stop.fine": StopCue,
    "part.short": PartShort,
    "part.landed": PartLanded,
    "part.over": PartOver,
    "mix.contact": MixContact,
    "mix.corrected": MixCorrected,
    "batch.mixed": BatchMixed,
    "timer.started": TimerData,
    "timer.warned": TimerData,
    "timer.ended": TimerData,
    "timer.cleared": TimerData,
    "batch.marked": BatchMarked,
    "batch.counted": BatchCounted,
    "batch.closed": BatchEnded,
    "batch.abandoned": BatchEnded,
    "scale.lost": ScaleData,
    "scale.found": ScaleData,
    "scale.garbled": ScaleData,
    "scale.overload": ScaleData,
    "daemon.started": DaemonStarted,
    "daemon.resumed": DaemonResumed,
    "tint.started": TintStarted,
    "tint.added": TintAdded,
    "tint.tested": TintTested,
    "tint.undone": TintUndone,
}
