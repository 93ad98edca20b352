"""What an outlet needs to know to draw, sound or publish the bench: frozen values, grams, seconds.

Owns the shape of the picture. Knows nothing of how it came about, and nothing of any outlet.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Step(StrEnum):
    """Where the batch on the scale stands."""

    IDLE = "idle"
    CUP = "cup"
    POUR = "pour"
    SETTLE = "settle"
    DECIDE = "decide"
    STIR = "stir"
    AWAY = "away"


class Zone(StrEnum):
    """Where one part's pour stands."""

    DUMP = "dump"
    EASE = "ease"
    STOP = "stop"
    LANDED = "landed"
    SHORT = "short"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class StopsView:
    """The two stopping points as grams of the part on the reading; None where there is none."""

    coarse: float | None = None
    fine: float | None = None


@dataclass(frozen=True, slots=True)
class PartView:
    """One part of the batch; `actual_g` and `error_g` are None until something has been poured."""

    name: str
    target_g: float
    actual_g: float | None = None
    error_g: float | None = None
    done: bool = False
    dye: bool = False


@dataclass(frozen=True, slots=True)
class TimerView:
    """One running clock; times are seconds on the daemon's time line."""

    id: str
    batch: int | None
    kind: str
    started_at_s: float
    warn_at_s: float | None
    ends_at_s: float
    state: str
    """running, warned or ended."""


@dataclass(frozen=True, slots=True)
class RunView:
    """Progress of the order."""

    name: str
    pieces: int
    good: int
    rejected: int
    batches_done: int
    batches_planned: int | None
    eta_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class BenchView:
    """The whole bench at one instant.

    Wall time of an instant t is `t + wall_offset_s` (seconds since the epoch, UTC).
    `zone`, `target_g`, `actual_g`, `remaining_g`, `stops`, `tolerance_g`, `landing_g`, `to_stop_s`
    are those of the part being poured; None or empty otherwise. Grams are of the part alone.
    """

    at_s: float
    wall_offset_s: float
    bench: str = "bench"
    person: str = ""
    version: str = ""
    scale: str = "waiting"
    """waiting (nothing heard yet), ok, silent, lost or overload."""
    scale_note: str = ""
    """One sentence on the scale: its port, its line shape, or what is wrong with it."""
    batch: int | None = None
    recipe: str | None = None
    step: Step = Step.IDLE
    part: str | None = None
    zone: Zone | None = None
    target_g: float | None = None
    actual_g: float | None = None
    remaining_g: float | None = None
    landing_g: float | None = None
    to_stop_s: float | None = None
    stops: StopsView = StopsView()
    tolerance_g: float | None = None
    prompt: str = ""
    caution: str = ""
    parts: tuple[PartView, ...] = ()
    ratio_error_pct: float | None = None
    total_g: float | None = None
    needs: str | None = None
    choices: tuple[str, ...] = ()
    """Commands that are allowed now, the most likely first."""
    due: str | None = None
    """What `next` would do, in words of the bench: "stirred (batch 3)"."""
    weight_g: float | None = None
    """Net grams of the whole cup on the working tare; None while no current reading is believed."""
    stable: bool = False
    flow_g_per_s: float = 0.0
    division_g: float = 0.1
    timers: tuple[TimerView, ...] = ()
    run: RunView | None = None
    last_landings: tuple[tuple[str, float], ...] = ()
    """The last landings, oldest first: (part, error_g)."""
    method: str = "gain"
