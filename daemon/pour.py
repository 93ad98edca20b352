"""One part's pour: dump, ease off, stop, settle, and landed, short or over.

Owns the decision when a cue is due. Knows nothing of recipes, other parts, sounds or clocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, sqrt

from daemon import hand as hands
from daemon import landing
from daemon.hand import Grip, Hand
from daemon.landing import Stream
from daemon.pour_news import (
    Begun,
    HandLearned,
    Landed,
    Over,
    OverSeen,
    PourNews,
    Short,
    StopCoarse,
    StopFine,
)
from daemon.view import Zone
from daemon.weighing import Weighing, is_current

__all__ = [
    "Begun",
    "HandLearned",
    "Landed",
    "Over",
    "OverSeen",
    "Pour",
    "PourGoal",
    "PourNews",
    "Short",
    "Stage",
    "StopCoarse",
    "StopFine",
    "begin",
    "on_reading",
    "on_time",
    "retarget",
]

JET_S = 0.06
"""Grams per gram/s by which the landing jet can lift the reading: v0/g for a spout speed of up to
0.6 m/s (momentum balance). A reading is not called over on the strength of it."""


AFTER_CUE_S = 0.8
"""Seconds after a stop cue, beside the scale's lag, before a rest can be the landing: reaction."""

STEADY = 0.08
"""How far a trickle wanders from its own mean, as a share."""

OPEN_S = 1.0
"""Seconds after which a pour that was opened runs steadily."""

HASTY = 0.3
"""Grams of doubt per gram/s about the run-on of a stop called before the trickle could be measured."""

UNHEARD_S = 1.0
"""Seconds beyond the usual run-on after which a pour that still runs is told to stop again."""

FIRST_LOOK_S = 0.3
"""Seconds of a new bottle's dump that a scale must have shown, beside its lag, to know its flow."""

SMALL_DUMP = 0.15
"""A dump of less than this share of the target is not worth its cue: straight to the trickle."""


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
    from_g: float = 0.0
    """Grams of the part when this stage of pouring began."""
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
        return self.already_g + self.sign * (w.gross_g - self.base_g)


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
    p = Pour(goal, base_g, sign, at_s, already_g, from_g=already_g, jumps=w.jumps)
    grip = _grip(p, w, hand)
    if goal.coarse is not None and goal.fine is not None:
        return replace(p, stops_g=(goal.coarse * goal.target_g, goal.fine * goal.target_g))
    dump = grip.bottle.planned_dump_g_per_s(goal.target_g - already_g)
    coarse = _coarse_mark_g(p, w, grip, dump)
    fine = _fine_mark_g(p, w, grip, grip.trickle_g_per_s)
    room = landing.ease_room_g(grip, w.scale, dump)
    look_s = FIRST_LOOK_S if grip.bottle.dumps == 0 else 0.0
    unseen = dump * (w.scale.total_lag_s + w.scale.interval_s + look_s)
    left = goal.target_g - already_g - room
    if left < max(unseen, SMALL_DUMP * (goal.target_g - already_g)):
        return replace(p, zone=Zone.EASE, stops_g=(None, fine))
    return replace(p, stops_g=(coarse, fine))


def retarget(p: Pour, goal: PourGoal) -> Pour:
    """The same pour towards another target; cues already given stand."""
    return replace(p, goal=goal, due_s=None)


def on_reading(p: Pour, w: Weighing, hand: Hand) -> tuple[Pour, tuple[PourNews, ...]]:
    """The pour after a reading, and what is to be told."""
    if w.at_s is None or w.gross_g is None or p.stage is Stage.DONE:
        return replace(p, due_s=None, to_stop_s=None), ()
    if w.disturbed:
        return _held(p, w), ()
    news: list[PourNews] = []
    grip = _grip(p, w, hand)
    p = _eased_off(_begun(_with_jump(p, w), w, news), w, grip)
    p = _foreseen(p, w, grip, w.at_s)
    p = _cued(p, w, grip, w.at_s, news)
    p = _repeated(p, w, grip, news)
    p = _over_seen(p, w, news)
    p = _settled(p, w, hand, news)
    return p, tuple(news)


def on_time(p: Pour, w: Weighing, hand: Hand, at_s: float) -> tuple[Pour, tuple[PourNews, ...]]:
    """The pour when the instant it asked for (`due_s`) has come."""
    if w.at_s is None or p.stage is Stage.DONE or not is_current(w, at_s):
        return replace(p, due_s=None), ()
    news: list[PourNews] = []
    grip = _grip(p, w, hand)
    p = _cued(_foreseen(p, w, grip, at_s), w, grip, at_s, news)
    if not news and p.due_s is not None and p.due_s <= at_s:
        p = replace(p, due_s=None)
    return p, tuple(news)


def _grip(p: Pour, w: Weighing, hand: Hand) -> Grip:
    return hands.grip(hand, p.goal.part, w.scale.total_lag_s)


def _held(p: Pour, w: Weighing) -> Pour:
    """While a hand rests on the pan only a cue already on its way is still given."""
    near = w.jump is not None and p.due_s is not None and p.due_s - w.jump.at_s < 0.6
    return replace(p, due_s=p.due_s if near else None, to_stop_s=None, tainted=True)


def _with_jump(p: Pour, w: Weighing) -> Pour:
    """Count what a disturbance left behind as foreign, until as much is gone again.

    Where resin still flows at its end it was an unruly pour: nobody rests a spoon in the stream.
    """
    if w.jumps == p.jumps:
        return p
    foreign = p.foreign_g + p.sign * w.shift_g
    flowing = p.sign * w.flow_g_per_s > 1.0 and p.sign * w.shift_g > 0.0
    if flowing or abs(foreign) <= max(0.5, 3.0 * w.scale.division_g):
        foreign = 0.0
    return replace(p, jumps=w.jumps, foreign_g=foreign, tainted=True)


def _stream(p: Pour, w: Weighing, grip: Grip, at_s: float) -> Stream:
    """Mass and flow of the part at `at_s`; a flow is expected to be like this bottle's others."""
    assert w.mass_g is not None and w.at_s is not None
    ahead = at_s - w.at_s
    flow = p.sign * w.flow_g_per_s
    mass = p.already_g + p.sign * (w.mass_g - p.base_g) - p.foreign_g
    s = Stream(mass, flow, w.mass_sd_g**2, w.mass_flow_cov, w.flow_sd_g_per_s**2)
    b = grip.bottle
    if _easing(p, w, grip, at_s):
        return _easing_stream(p, s, w, grip, at_s)
    if p.zone is Zone.DUMP:
        if flow > 0.15 * b.dump_g_per_s:
            usual = 0.4 if b.dumps > 0 else 1.2
            s = landing.expecting(s, b.dump_g_per_s, b.dump_g_per_s * usual)
    elif b.pours > 0 and flow > 0.3 * b.trickle_g_per_s:
        usual = max(0.3, 2.0 * b.trickle_scatter)
        s = landing.expecting(s, b.trickle_g_per_s, b.trickle_g_per_s * usual)
    s = _averaged(p, s, w)
    return Stream(
        s.mass_g + ahead * s.flow_g_per_s,
        s.flow_g_per_s,
        s.mass_var + ahead * (2.0 * s.mass_flow_cov + ahead * s.flow_var),
        s.mass_flow_cov + ahead * s.flow_var,
        s.flow_var,
    )


def _easing_stream(p: Pour, s: Stream, w: Weighing, grip: Grip, at_s: float) -> Stream:
    """Mass and flow while the hand eases off: what the scale has surely seen, and the usual easing.

    The reading shows the mass of a lag ago; what came since is reckoned from how this hand eases,
    not from the dump's flow, which the filter goes on believing in for as long. Doubt about the
    easing is no reason to stop at once: the readings to come will settle it in time.
    """
    c = p.coarse_cue
    assert c is not None and w.at_s is not None
    dump, trickle, ease = _dump(p), grip.trickle_g_per_s, grip.bottle.ease_lead_s
    lag = w.scale.total_lag_s
    seen_s, now_s = w.at_s - lag - c.at_s, at_s - c.at_s
    seen_g = s.mass_g - s.flow_g_per_s * lag
    lead = grip.lead_s
    mass = seen_g + landing.easing_g(dump, trickle, ease, seen_s, now_s)
    flow = landing.easing_g(dump, trickle, ease, now_s, now_s + lead) / lead
    return Stream(mass, flow, 0.0, 0.0, 0.0)


def _averaged(p: Pour, s: Stream, w: Weighing) -> Stream:
    """A trickle that has run for a while is known by its mean as well as by its last moments."""
    e = p.ease_cue
    if e is None or w.at_s is None or p.stage is not Stage.POURING:
        return s
    ran_s = w.at_s - e.at_s
    if ran_s < 0.6:
        return s
    mean = (s.mass_g - e.mass_g) / ran_s
    unsure = hypot(STEADY * mean, (0.3 * w.scale.division_g + 0.03) / ran_s)
    return landing.expecting(s, mean, unsure) if mean > 0.05 else s


def _easing(p: Pour, w: Weighing, grip: Grip, at_s: float) -> bool:
    """The coarse cue was given, and the reading cannot yet show that the pour has eased."""
    if p.coarse_cue is None or p.stage is not Stage.POURING:
        return False
    return at_s - p.coarse_cue.at_s < landing.ease_end_s(grip) + w.scale.total_lag_s


def _coarse_mark_g(p: Pour, w: Weighing, grip: Grip, flow: float) -> float:
    """The reading at which to ease off from this flow."""
    behind = landing.ease_room_g(grip, w.scale, flow) + w.scale.total_lag_s * flow
    return max(0.0, p.goal.target_g - behind)


def _fine_mark_g(p: Pour, w: Weighing, grip: Grip, flow: float) -> float:
    """The reading at which to stop this flow."""
    return max(0.0, p.goal.target_g - grip.run_on_g(flow) - w.scale.total_lag_s * flow)


def _foreseen(p: Pour, w: Weighing, grip: Grip, at_s: float) -> Pour:
    """Predicted landing, stops, and the instant at which the next cue falls due."""
    s = _stream(p, w, grip, at_s)
    flow = max(0.0, s.flow_g_per_s)
    lands = landing.landing_g(s, grip)
    p = replace(p, landing_g=lands, due_s=None, to_stop_s=None)
    if p.goal.fine is not None or p.stage not in (Stage.POURING, Stage.TOP_UP) or flow < 0.1:
        return p
    aim = p.goal.target_g if _easing(p, w, grip, at_s) else _aim_g(p, w, grip, s)
    fine_in = (aim - lands) / flow
    if _dumps(p, grip):
        room = landing.ease_room_g(grip, w.scale, flow) + sqrt(s.mass_var)
        coarse_in = (p.goal.target_g - room - s.mass_g) / flow
        p = replace(p, due_s=at_s + max(0.0, min(coarse_in, fine_in)))
        if p.stops_g[0] is None:
            return p
        return replace(p, stops_g=(_coarse_mark_g(p, w, grip, flow), p.stops_g[1]))
    fine_in = max(0.0, fine_in)
    fine_mark = _fine_mark_g(p, w, grip, flow)
    return replace(p, stops_g=(p.stops_g[0], fine_mark), due_s=at_s + fine_in, to_stop_s=fine_in)


def _dumps(p: Pour, grip: Grip) -> bool:
    """Whether the coarse cue is still to come: two stages, or a dump where none was asked for."""
    if p.coarse_cue is not None or p.stage is not Stage.POURING:
        return False
    return p.stops_g[0] is not None or p.top_g_per_s > max(3.0 * grip.trickle_g_per_s, 10.0)


def _aim_g(p: Pour, w: Weighing, grip: Grip, s: Stream) -> float:
    sd = landing.landing_sd_g(s, grip, w.scale)
    least = landing.least_top_up_g(grip, w.scale)
    return p.goal.target_g + landing.aim_error_g(sd, p.goal.tolerance_g, p.goal.risk_pct, least)


def _begun(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    """Note whether resin has come since this stage began, and tell the first drop."""
    assert w.at_s is not None
    if p.stage not in (Stage.FIRST_DROP, Stage.TOP_UP):
        return p
    grown = p.actual_g(w) - p.foreign_g - p.from_g
    noise, d = 4.5 * w.scale.noise_g, w.scale.division_g
    wet = grown > max(1.2 * d, noise)
    flows = wet and (p.wet or w.scale.interval_s > 0.3 or grown > 2.5 * d + noise)
    if flows and p.flows_at_s is None:
        p = replace(p, flows_at_s=w.at_s)
    p = replace(p, wet=wet)
    if p.stage is not Stage.FIRST_DROP or p.flows_at_s is None:
        return p
    news.append(Begun(w.at_s))
    return replace(p, stage=Stage.POURING, begun_at_s=w.at_s)


def _cued(p: Pour, w: Weighing, grip: Grip, at_s: float, news: list[PourNews]) -> Pour:
    """Give the cue that is due: at most the coarse and the fine one."""
    if p.stage not in (Stage.POURING, Stage.TOP_UP):
        return p
    if p.stage is Stage.TOP_UP and p.flows_at_s is None:
        return p
    s = _stream(p, w, grip, at_s)
    reading, flow = p.actual_g(w), max(0.0, s.flow_g_per_s)
    where = p.landing_g if p.landing_g is not None else reading
    if _dumps(p, grip):
        if not _coarse_is_due(p, w, grip, s):
            return p
        news.append(StopCoarse(at_s, reading, flow, where))
        p = replace(
            p, zone=Zone.EASE, coarse_cue=Cue(at_s, s.mass_g, flow, _opening_sd_g(p, s, flow, at_s))
        )
        p = _foreseen(p, w, grip, at_s)
    if not _fine_is_due(p, w, at_s):
        return p
    news.append(StopFine(at_s, reading, flow, where))
    raw = p.sign * w.flow_g_per_s
    main = p.stage is Stage.POURING
    return replace(
        p,
        zone=Zone.STOP,
        stage=Stage.CUT,
        fine_cue=Cue(at_s, s.mass_g, flow, landing.seen_sd_g(s, grip, w.scale), raw),
        main_cut=main,
        due_s=None,
        to_stop_s=None,
        tainted=p.foreign_g != 0.0,
    )


def _repeated(p: Pour, w: Weighing, grip: Grip, news: list[PourNews]) -> Pour:
    """Say stop again where the pour runs on although it was told: nobody heard, or not in time."""
    c = p.fine_cue
    if w.at_s is None or c is None or p.stage is not Stage.CUT or p.foreign_g != 0.0:
        return p
    flow = p.sign * w.flow_g_per_s
    shows_s = w.scale.total_lag_s + w.scale.division_g / max(c.flow_g_per_s, 0.1)
    patience_s = shows_s + grip.lead_s + 4.0 * grip.spread_s + UNHEARD_S
    grown = p.already_g + p.sign * (w.gross_g - p.base_g) - c.mass_g if w.gross_g else 0.0
    enough = grown > 2.0 * grip.run_on_g(c.flow_g_per_s) + w.scale.division_g
    if w.at_s - c.at_s < patience_s or not enough or flow < max(0.5, 0.6 * c.flow_g_per_s):
        return p
    s = _stream(p, w, grip, w.at_s)
    news.append(StopFine(w.at_s, p.actual_g(w), flow, landing.landing_g(s, grip)))
    return replace(p, fine_cue=Cue(w.at_s, s.mass_g, flow, raw_g_per_s=flow), tainted=True)


def _coarse_is_due(p: Pour, w: Weighing, grip: Grip, s: Stream) -> bool:
    if p.goal.coarse is not None:
        return p.actual_g(w) >= p.goal.coarse * p.goal.target_g - 1e-9
    room = landing.ease_room_g(grip, w.scale, max(0.0, s.flow_g_per_s)) + sqrt(s.mass_var)
    return s.mass_g >= p.goal.target_g - room - 1e-6


def _fine_is_due(p: Pour, w: Weighing, at_s: float) -> bool:
    if p.goal.fine is not None:
        level = p.goal.fine * p.goal.target_g
        if p.stage is Stage.TOP_UP:
            level = max(level, p.from_g + p.goal.fine * (p.goal.target_g - p.from_g))
        return p.actual_g(w) >= level - 1e-9
    return p.due_s is not None and p.due_s <= at_s + 1e-6


def _eased_off(p: Pour, w: Weighing, grip: Grip) -> Pour:
    """Note the fastest flow, and mass and flow once the pour should be a trickle."""
    if w.at_s is None or p.stage is not Stage.POURING:
        return p
    calm = w.flow is not None and w.flow.calm_odds > 0.5
    sure = p.sign * w.flow_g_per_s - 2.0 * w.flow_sd_g_per_s
    p = replace(p, top_g_per_s=sure) if calm and sure > p.top_g_per_s else p
    if p.zone is Zone.DUMP or p.ease_cue is not None or _easing(p, w, grip, w.at_s):
        return p
    if p.coarse_cue is None and w.at_s - (p.flows_at_s or w.at_s) < OPEN_S + w.scale.total_lag_s:
        return p
    s = _stream(p, w, grip, w.at_s)
    return replace(p, ease_cue=Cue(w.at_s, s.mass_g, s.flow_g_per_s))


def _dump(p: Pour) -> float:
    """The dump's flow: at the coarse cue, unless that came while the pour was still opening."""
    c = p.coarse_cue
    if c is None:
        return p.top_g_per_s
    opening = c.at_s - (p.flows_at_s or c.at_s) < OPEN_S
    return max(p.top_g_per_s, c.flow_g_per_s) if opening else c.flow_g_per_s


def _ran(p: Pour) -> bool:
    """Whether the trickle before the stop cue ran long enough to be measured."""
    return (
        p.ease_cue is not None
        and p.fine_cue is not None
        and (p.fine_cue.at_s - p.ease_cue.at_s >= 0.5)
    )


def _opening_sd_g(p: Pour, s: Stream, flow: float, at_s: float) -> float:
    """How surely the mass at a coarse cue is known: badly while the pour is still opening."""
    opening = at_s - (p.flows_at_s or at_s) < OPEN_S
    return hypot(sqrt(max(0.0, s.mass_var)), 0.3 * flow if opening else 0.0)


def _steady_trickle(p: Pour) -> float | None:
    """Flow of the trickle at the stop cue: its mean if it ran long enough, else as it was seen."""
    e, f = p.ease_cue, p.fine_cue
    if e is None or f is None:
        return None
    flow = (f.mass_g - e.mass_g) / (f.at_s - e.at_s) if _ran(p) else f.raw_g_per_s
    return flow if 0.05 < flow and (p.coarse_cue is None or flow < 0.7 * _dump(p)) else None


def _ease_seen(p: Pour, grip: Grip, actual: float) -> tuple[float, float]:
    """Lead of this pour's easing off, and how surely (s), from what it brought until it landed."""
    c, e, f = p.coarse_cue, p.ease_cue, p.fine_cue
    assert c is not None and f is not None
    trickle, dump = _steady_trickle(p), _dump(p)
    if trickle is not None and e is not None and _ran(p):
        brought, in_s, unsure = e.mass_g - c.mass_g, e.at_s - c.at_s, 0.3 + c.sd_g
    else:
        trickle = min(grip.trickle_g_per_s, 0.7 * dump)
        in_s = f.at_s - c.at_s + grip.lead_s
        brought = actual - max(0.0, grip.drip_g) - c.mass_g
        unsure = 0.3 + c.sd_g + 0.2 * trickle * in_s
    lead = landing.ease_lead_s(dump, trickle, brought, in_s)
    return lead, unsure / max(dump - trickle, 0.5)


def _over_seen(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    assert w.at_s is not None
    if p.over_seen or p.foreign_g != 0.0 or p.stage is Stage.FIRST_DROP:
        return p
    noise = max(0.5 * w.scale.division_g, 3.0 * w.scale.noise_g)
    flow = max(p.sign * w.flow_g_per_s, p.fine_cue.flow_g_per_s if p.fine_cue else 0.0)
    limit = p.goal.target_g + p.goal.tolerance_g + noise + JET_S * max(0.0, flow)
    if p.actual_g(w) <= limit:
        return p
    news.append(OverSeen(w.at_s, p.actual_g(w)))
    return replace(p, over_seen=True, zone=Zone.OVER)


def _settled(p: Pour, w: Weighing, hand: Hand, news: list[PourNews]) -> Pour:
    """Judge a landing: at rest, nothing foreign, and the last cue long enough ago to show."""
    began, cue = p.begun_at_s, p.fine_cue
    if w.at_s is None or w.settled_g is None or began is None or p.foreign_g != 0.0:
        return p
    shows_s = w.scale.total_lag_s + AFTER_CUE_S
    if p.stage is Stage.CUT and cue is not None and w.at_s - cue.at_s < shows_s:
        return p
    if p.stage is Stage.TOP_UP and p.flows_at_s is None:
        return p
    actual = p.already_g + p.sign * (w.settled_g - p.base_g)
    error = actual - p.goal.target_g
    if p.stage is Stage.CUT:
        _learned(p, w, hand, actual, news)
    band = p.goal.tolerance_g + 1e-9
    if error > band:
        news.append(Over(w.at_s, actual, error))
        return replace(p, stage=Stage.DONE, zone=Zone.OVER, due_s=None)
    if error >= -band and p.stage is Stage.TOP_UP:
        # A top-up that stopped by itself, or runs too slowly to be seen: it is enough.
        news.append(StopFine(w.at_s, p.actual_g(w), 0.0, actual))
        cue = Cue(w.at_s, actual, 0.0)
        return replace(p, stage=Stage.CUT, zone=Zone.STOP, fine_cue=cue, main_cut=False)
    if error >= -band:
        news.append(Landed(w.at_s, actual, error, w.at_s - began))
        return replace(p, stage=Stage.DONE, zone=Zone.LANDED, due_s=None)
    if p.stage is not Stage.CUT:
        return p
    news.append(Short(w.at_s, actual, -error))
    return replace(
        p,
        stage=Stage.TOP_UP,
        zone=Zone.SHORT,
        from_g=actual,
        wet=False,
        flows_at_s=None,
        due_s=None,
        to_stop_s=None,
    )


def _learned(p: Pour, w: Weighing, hand: Hand, actual: float, news: list[PourNews]) -> None:
    """What this landing teaches: run-on, trickle, and how the hand dumps and eases off.

    A stop that had to be called before the pour had eased says nothing of the run-on.
    """
    cue, part = p.fine_cue, p.goal.part
    if w.at_s is None or cue is None or p.tainted or cue.flow_g_per_s < 0.1:
        return
    if p.main_cut and p.coarse_cue is not None and p.stops_g[0] is not None:
        lead, unsure = _ease_seen(p, _grip(p, w, hand), actual)
        hand = hands.learn_dump(hand, part, _dump(p))
        hand = hands.learn_ease(hand, part, lead, unsure)
    ran_s = cue.at_s - (p.flows_at_s or cue.at_s)
    trickle = _steady_trickle(p) if p.main_cut else None
    if trickle is not None or (not p.main_cut and ran_s > OPEN_S + w.scale.total_lag_s):
        hasty = HASTY * cue.flow_g_per_s if p.main_cut and not _ran(p) else 0.0
        hand = hands.learn(
            hand,
            part=part,
            flow_g_per_s=cue.flow_g_per_s,
            run_on_g=actual - cue.mass_g,
            lag_s=w.scale.total_lag_s,
            seen_sd_g=hypot(cue.sd_g, hasty),
        )
    if trickle is not None:
        hand = hands.learn_trickle(hand, part, trickle, 1.0 if _ran(p) else 0.4)
    news.append(HandLearned(w.at_s, hand))
