"""One part's pour: dump, ease off, stop, settle, and landed, short or over.

Owns the decision when a cue is due. Knows nothing of recipes, other parts, sounds or clocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot

from daemon.hand import Hand, learn
from daemon.view import Zone
from daemon.weighing import Weighing, is_current


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
class Begun:
    """The first drop fell."""

    at_s: float


@dataclass(frozen=True, slots=True)
class StopCoarse:
    """Ease off to a trickle; `landing_g` is where it would land if cut now."""

    at_s: float
    reading_g: float
    flow_g_per_s: float
    landing_g: float


@dataclass(frozen=True, slots=True)
class StopFine:
    """Stop; once for the main pour, once for every top-up."""

    at_s: float
    reading_g: float
    flow_g_per_s: float
    landing_g: float


@dataclass(frozen=True, slots=True)
class OverSeen:
    """The reading is above target + tolerance now."""

    at_s: float
    reading_g: float


@dataclass(frozen=True, slots=True)
class Landed:
    """Settled within tolerance; `seconds` from the first drop."""

    at_s: float
    actual_g: float
    error_g: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Short:
    """Settled below target - tolerance after a stop cue: top up."""

    at_s: float
    actual_g: float
    short_g: float


@dataclass(frozen=True, slots=True)
class Over:
    """Settled above target + tolerance."""

    at_s: float
    actual_g: float
    over_g: float


@dataclass(frozen=True, slots=True)
class HandLearned:
    """What the last landing taught."""

    at_s: float
    hand: Hand


PourNews = Begun | StopCoarse | StopFine | OverSeen | Landed | Short | Over | HandLearned


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
    from_g: float = 0.0
    """Grams of the part when this stage of pouring began."""
    landing_g: float | None = None
    due_s: float | None = None
    to_stop_s: float | None = None
    stops_g: tuple[float | None, float | None] = (None, None)
    cut_at_s: float | None = None
    cut_mass_g: float = 0.0
    cut_flow_g_per_s: float = 0.0
    over_seen: bool = False
    tainted: bool = False
    """Something but resin touched the pan since the cue: this landing teaches nothing."""

    def actual_g(self, w: Weighing) -> float:
        """Grams of this part by the reading; what was already in the cup while there is none."""
        if w.gross_g is None:
            return self.already_g
        return self.already_g + self.sign * (w.gross_g - self.base_g)


_TRICKLE_S = 2.5


def begin(
    goal: PourGoal,
    base_g: float,
    sign: int,
    at_s: float,
    w: Weighing,
    hand: Hand,
    already_g: float = 0.0,
) -> Pour:
    """Start a part: `base_g` settled gross load before it, `already_g` of it already in the cup."""
    p = Pour(goal, base_g, sign, at_s, already_g, from_g=already_g)
    stops = _stops(p, w, hand)
    zone = Zone.EASE if stops[0] is None else Zone.DUMP
    return replace(p, stops_g=stops, zone=zone)


def retarget(p: Pour, goal: PourGoal) -> Pour:
    """The same pour towards another target; cues already given stand."""
    return replace(p, goal=goal, due_s=None)


def on_reading(p: Pour, w: Weighing, hand: Hand) -> tuple[Pour, tuple[PourNews, ...]]:
    """The pour after a reading, and what is to be told."""
    if w.at_s is None or w.gross_g is None or p.stage is Stage.DONE:
        return replace(p, due_s=None), ()
    if w.disturbed:
        return replace(p, due_s=None, to_stop_s=None, tainted=True), ()
    news: list[PourNews] = []
    p = _foresee(p, w, hand, w.at_s)
    p = _begun(p, w, news)
    p = _cues(p, w, hand, w.at_s, news)
    p = _overs(p, w, news)
    p = _settle(p, w, hand, news)
    return p, tuple(news)


def on_time(p: Pour, w: Weighing, hand: Hand, at_s: float) -> tuple[Pour, tuple[PourNews, ...]]:
    """The pour when the instant it asked for (`due_s`) has come."""
    if w.at_s is None or w.disturbed or p.stage is Stage.DONE or not is_current(w, at_s):
        return replace(p, due_s=None), ()
    news: list[PourNews] = []
    p = _cues(_foresee(p, w, hand, at_s), w, hand, at_s, news)
    return p, tuple(news)


def _mass_g(p: Pour, w: Weighing, at_s: float) -> float:
    """Grams of the part that have left the spout by `at_s`, as estimated."""
    assert w.mass_g is not None and w.at_s is not None
    grown = w.flow_g_per_s * (at_s - w.at_s)
    return p.already_g + p.sign * (w.mass_g + grown - p.base_g)


def _flow(p: Pour, w: Weighing) -> float:
    return max(0.0, p.sign * w.flow_g_per_s)


def _aim_g(p: Pour, hand: Hand, flow: float) -> float:
    """Where the stop aims: on target, or lower where the spread would pass the tolerance."""
    spread = 2.05 * hand.spread_s * flow
    return p.goal.target_g - max(0.0, spread - p.goal.tolerance_g)


def _stops(
    p: Pour, w: Weighing, hand: Hand, flow: float = 0.0
) -> tuple[float | None, float | None]:
    """Coarse and fine as grams on the reading, as now predicted."""
    goal = p.goal
    if goal.coarse is not None and goal.fine is not None:
        return goal.coarse * goal.target_g, goal.fine * goal.target_g
    behind = w.scale.total_lag_s
    trickle = hand.trickle_g_per_s
    fast = flow if flow > trickle else 10.0
    fine = goal.target_g - (behind + hand.lead_s) * min(flow or trickle, fast)
    leave = trickle * (_TRICKLE_S + hand.lead_s)
    coarse = goal.target_g - leave - fast * (hand.ease_lead_s + behind)
    if p.zone is Zone.DUMP and p.stage is Stage.FIRST_DROP and coarse < 0.2 * goal.target_g:
        return None, max(0.0, fine)
    return max(0.0, coarse), max(0.0, fine)


def _foresee(p: Pour, w: Weighing, hand: Hand, at_s: float) -> Pour:
    mass, flow = _mass_g(p, w, at_s), _flow(p, w)
    stops = p.stops_g
    if stops[0] is not None and p.goal.coarse is None:
        stops = _stops(replace(p, zone=Zone.EASE), w, hand, flow)
    due = to_stop = None
    if p.goal.fine is None and p.stage in (Stage.POURING, Stage.TOP_UP) and flow > 0.1:
        lag_flow = flow * w.scale.total_lag_s
        fine_in = (_aim_g(p, hand, flow) - mass - hand.lead_s * flow) / flow
        to_stop = max(0.0, fine_in)
        due = at_s + to_stop
        if p.zone is Zone.DUMP and p.stops_g[0] is not None and stops[0] is not None:
            due = min(due, at_s + max(0.0, (stops[0] + lag_flow - mass) / flow))
    return replace(
        p, landing_g=mass + hand.lead_s * flow, due_s=due, to_stop_s=to_stop, stops_g=stops
    )


def _begun(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    assert w.at_s is not None
    if p.stage is not Stage.FIRST_DROP:
        return p
    if p.actual_g(w) - p.from_g < max(2.0 * w.scale.division_g, 4.0 * w.scale.noise_g):
        return p
    news.append(Begun(w.at_s))
    return replace(p, stage=Stage.POURING, begun_at_s=w.at_s)


def _cues(p: Pour, w: Weighing, hand: Hand, at_s: float, news: list[PourNews]) -> Pour:
    if p.stage not in (Stage.POURING, Stage.TOP_UP):
        return p
    if p.stage is Stage.TOP_UP and p.actual_g(w) - p.from_g < w.scale.division_g:
        return p
    reading, flow, landing = p.actual_g(w), _flow(p, w), p.landing_g or p.actual_g(w)
    if p.zone is Zone.DUMP and p.stops_g[0] is not None and _coarse_is_due(p, w, at_s):
        news.append(StopCoarse(at_s, reading, flow, landing))
        p = replace(p, zone=Zone.EASE)
    if not _fine_is_due(p, w, hand, at_s):
        return p
    news.append(StopFine(at_s, reading, flow, landing))
    return replace(
        p,
        zone=Zone.STOP,
        stage=Stage.CUT,
        cut_at_s=at_s,
        cut_mass_g=_mass_g(p, w, at_s),
        cut_flow_g_per_s=flow,
        due_s=None,
        to_stop_s=None,
        tainted=False,
    )


def _coarse_is_due(p: Pour, w: Weighing, at_s: float) -> bool:
    assert p.stops_g[0] is not None
    if p.goal.coarse is not None:
        return p.actual_g(w) >= p.stops_g[0] - 1e-9
    return _mass_g(p, w, at_s) >= p.stops_g[0] + _flow(p, w) * w.scale.total_lag_s - 1e-6


def _fine_is_due(p: Pour, w: Weighing, hand: Hand, at_s: float) -> bool:
    if p.goal.fine is not None:
        level = p.goal.fine * p.goal.target_g
        if p.stage is Stage.TOP_UP:
            level = max(level, p.from_g + p.goal.fine * (p.goal.target_g - p.from_g))
        return p.actual_g(w) >= level - 1e-9
    flow = _flow(p, w)
    return _mass_g(p, w, at_s) + hand.lead_s * flow >= _aim_g(p, hand, flow) - 1e-6


def _overs(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    assert w.at_s is not None
    margin = max(0.5 * w.scale.division_g, 2.0 * w.scale.noise_g)
    limit = p.goal.target_g + p.goal.tolerance_g + margin
    if p.over_seen or p.stage is Stage.FIRST_DROP or p.actual_g(w) <= limit:
        return p
    news.append(OverSeen(w.at_s, p.actual_g(w)))
    return replace(p, over_seen=True, zone=Zone.OVER)


def _settle(p: Pour, w: Weighing, hand: Hand, news: list[PourNews]) -> Pour:
    assert w.at_s is not None
    began = p.begun_at_s
    if not w.stable or w.settled_g is None or began is None:
        return p
    actual = p.already_g + p.sign * (w.settled_g - p.base_g)
    error = actual - p.goal.target_g
    if p.stage is Stage.CUT and p.cut_at_s is not None:
        p = _learned(p, w, hand, actual, news)
    band = p.goal.tolerance_g + 1e-9
    if error > band:
        news.append(Over(w.at_s, actual, error))
        return replace(p, stage=Stage.DONE, zone=Zone.OVER, due_s=None)
    if error >= -band:
        news.append(Landed(w.at_s, actual, error, w.at_s - began))
        return replace(p, stage=Stage.DONE, zone=Zone.LANDED, due_s=None)
    if p.stage is not Stage.CUT:
        return p
    news.append(Short(w.at_s, actual, -error))
    return replace(p, stage=Stage.TOP_UP, zone=Zone.SHORT, from_g=actual, due_s=None)


def _learned(p: Pour, w: Weighing, hand: Hand, actual: float, news: list[PourNews]) -> Pour:
    assert w.at_s is not None
    if p.tainted or hypot(p.cut_flow_g_per_s, 0.0) < 0.1:
        return p
    grown = learn(hand, flow_g_per_s=p.cut_flow_g_per_s, run_on_g=actual - p.cut_mass_g)
    news.append(HandLearned(w.at_s, grown))
    return p
