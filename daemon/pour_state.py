"""What one part's pour is and has been: its goal, its stage, what was believed at its cues.

Owns the shape of a pour. Knows nothing of how it is decided what comes next.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.view import Zone
from daemon.weighing import Weighing

OPEN_S = 1.0
"""Seconds after which a pour that was opened runs steadily."""

RISE_S = 0.09
"""Seconds that a display's rise is measured over at least; less is lost in its steps."""


@dataclass(frozen=True, slots=True)
class PourGoal:
    """What one part's pour is to reach. Grams of this part alone, cumulative.

    `coarse`, `fine`: fractions of the target at which the reading gives the cue; None: predicted.
    `risk_pct`: chance of landing above target + tolerance at which the stop is called.
    """

    part: str
    target_g: float
    tolerance_g: float
    coarse: float | None = None
    fine: float | None = None
    risk_pct: float = 2.0


class Stage(StrEnum):
    """What the pour waits for."""

    FIRST_DROP = "first-drop"
    POURING = "pouring"
    CUT = "cut"
    TOP_UP = "top-up"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Cue:
    """What was believed when a cue was given: mass and flow of the part, and how surely."""

    at_s: float
    mass_g: float
    flow_g_per_s: float
    sd_g: float = 0.0
    raw_g_per_s: float = 0.0
    """The flow as the scale alone showed it, without what was expected of the bottle."""


@dataclass(frozen=True, slots=True)
class Rise:
    """How fast the display itself grows: from where it was a little while ago, lag and all."""

    at_s: float
    shown_g: float
    g_per_s: float = 0.0

    def then(self, at_s: float, shown_g: float) -> Rise:
        """The same after another reading, if it is long enough ago to tell."""
        dt = at_s - self.at_s
        return self if dt < RISE_S else Rise(at_s, shown_g, (shown_g - self.shown_g) / dt)


@dataclass(frozen=True, slots=True)
class Pour:
    """One part's pour so far. `sign` is +1 where the reading grows (gain), -1 where it falls."""

    goal: PourGoal
    base_g: float
    sign: int
    started_at_s: float
    already_g: float = 0.0
    zone: Zone = Zone.DUMP
    stage: Stage = Stage.FIRST_DROP
    begun_at_s: float | None = None
    wet: bool = False
    flows_at_s: float | None = None
    """When resin had surely come since this stage began: one reading showed it (`wet`), and another
    agreed."""
    dry_at_s: float | None = None
    """When the display last showed no more than there was before this stage of pouring."""
    from_g: float = 0.0
    """Grams of the part when this stage of pouring began."""
    rise: Rise | None = None
    landing_g: float | None = None
    due_s: float | None = None
    to_stop_s: float | None = None
    stops_g: tuple[float | None, float | None] = (None, None)
    coarse_cue: Cue | None = None
    fine_cue: Cue | None = None
    ease_cue: Cue | None = None
    """What was believed when the pour should have eased and the scale could show it."""
    top_g_per_s: float = 0.0
    """The fastest flow surely seen in this pour."""
    main_cut: bool = False
    """Whether the last stop cue was the main pour's, not a top-up's."""
    over_seen: bool = False
    tainted: bool = False
    """Something but resin touched the pan since the cue: this landing teaches nothing."""
    jumps: int = 0
    foreign_g: float = 0.0
    """What lies on the pan (or is missing from it) that no pour brought."""

    def actual_g(self, w: Weighing) -> float:
        """Grams of this part by the reading; what was already in the cup while there is none."""
        if w.gross_g is None:
            return self.already_g
        return self.part_g(w.gross_g)

    def part_g(self, gross_g: float) -> float:
        """Grams of this part where the whole load is `gross_g`."""
        return self.already_g + self.sign * (gross_g - self.base_g)

    @property
    def pouring(self) -> bool:
        """Whether a stop cue is still to come."""
        return self.stage in (Stage.POURING, Stage.TOP_UP)

    @property
    def opening_at_coarse(self) -> bool:
        """Whether the coarse cue came while the pour was still opening."""
        c = self.coarse_cue
        return c is not None and c.at_s - (self.flows_at_s or c.at_s) < OPEN_S

    @property
    def dumped_g_per_s(self) -> float:
        """The dump's flow: at the coarse cue, unless the pour was still opening."""
        c = self.coarse_cue
        if c is None:
            return self.top_g_per_s
        if self.opening_at_coarse and self.top_g_per_s > 0.0:
            return self.top_g_per_s
        return c.flow_g_per_s

    @property
    def ran(self) -> bool:
        """Whether the trickle before the stop cue ran long enough to be measured."""
        e, f = self.ease_cue, self.fine_cue
        return e is not None and f is not None and f.at_s - e.at_s >= 0.5
