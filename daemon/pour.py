"""One part's pour: dump, ease off, stop, settle, and landed, short or over.

Owns the decision when a cue is due. Knows nothing of recipes, other parts, sounds or clocks.

`foresight` says how the pour will go on, `landing` does the arithmetic, `lessons` what a landing
teaches. A cue falls due at an instant (`Pour.due_s`), not at a reading: at five readings a second
that alone is up to a fifth of a second.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt

from daemon import foresight, landing, lessons
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
from daemon.pour_state import OPEN_S, Cue, Pour, PourGoal, Rise, Stage
from daemon.scale_traits import LAG_LIMITS_S
from daemon.view import Zone
from daemon.weighing import Weighing, is_current

__all__ = [
    "Begun",
    "Cue",
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

UNHEARD_S = 1.0
"""Seconds beyond the usual run-on after which a pour that still runs is told to stop again."""

UNASKED_REST_S, SLOW_G_PER_S = 1.0, 0.3
"""Seconds of rest, and the slowest trickle thought of, before a pause can be a landing."""

UNDERWAY_S = 0.6
"""A cue due within so long of a hand's coming onto the pan belongs to the pour before it."""


def begin(
    goal: PourGoal,
    base_g: float,
    sign: int,
    at_s: float,
    w: Weighing,
    hand: Hand,
    already_g: float = 0.0,
) -> Pour:
    """Start a part: `base_g` settled gross load before it, `already_g` of it already in the cup.

    `stops_g[0]` is None where there is no room for two stages: straight to the trickle.
    """
    p = Pour(goal, base_g, sign, at_s, already_g, from_g=already_g, jumps=w.jumps)
    stops = foresight.stops_at_start(p, w, foresight.grip(p, w, hand))
    return replace(p, zone=Zone.EASE if stops[0] is None else Zone.DUMP, stops_g=stops)


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
    grip = foresight.grip(p, w, hand)
    p = foresight.noted(_begun(_risen(_with_jump(p, w), w), w, news), w, grip)
    p = foresight.foreseen(p, w, grip, w.at_s)
    p = _paused(p, w, grip, news)
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
    grip = foresight.grip(p, w, hand)
    p = _cued(foresight.foreseen(p, w, grip, at_s), w, grip, at_s, news)
    if not news and p.due_s is not None and p.due_s <= at_s:
        p = replace(p, due_s=None)
    return p, tuple(news)


def _held(p: Pour, w: Weighing) -> Pour:
    """While a hand rests on the pan only a cue already on its way is still given."""
    near = w.jump is not None and p.due_s is not None and p.due_s - w.jump.at_s < UNDERWAY_S
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


def _risen(p: Pour, w: Weighing) -> Pour:
    """Note how fast the display itself grows."""
    assert w.at_s is not None
    shown_g = p.actual_g(w) - p.foreign_g
    rise = Rise(w.at_s, shown_g) if p.rise is None else p.rise.then(w.at_s, shown_g)
    return replace(p, rise=rise)


def _begun(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    """Note whether resin has come since this stage began, and tell the first drop.

    More on the reading than rounding and noise can show, twice or by much.
    """
    assert w.at_s is not None
    if p.stage not in (Stage.FIRST_DROP, Stage.TOP_UP):
        return p
    grown = p.actual_g(w) - p.foreign_g - p.from_g
    noise, d = 4.5 * w.scale.noise_g, w.scale.division_g
    wet = grown > max(1.2 * d, noise)
    sure = wet and (p.wet or w.scale.interval_s > 0.3 or grown > 2.5 * d + noise)
    flows_at_s = w.at_s if sure and p.flows_at_s is None else p.flows_at_s
    dry_at_s = p.dry_at_s if grown > 0.6 * d + noise / 2.0 else w.at_s
    p = replace(p, wet=wet, flows_at_s=flows_at_s, dry_at_s=dry_at_s)
    if p.stage is not Stage.FIRST_DROP or flows_at_s is None:
        return p
    news.append(Begun(w.at_s))
    return replace(p, stage=Stage.POURING, begun_at_s=w.at_s)


def _paused(p: Pour, w: Weighing, grip: Grip, news: list[PourNews]) -> Pour:
    """Ease off somebody who stopped to look where going on with the dump would be too much.

    By the time the scale shows that they go on, the cue would come too late; what follows is poured
    and cued as a top-up.
    """
    if w.at_s is None or w.settled_g is None or p.goal.coarse is not None or p.foreign_g != 0.0:
        return p
    if p.flows_at_s is None or not foresight.expects_coarse(p, grip):
        return p
    actual = p.part_g(w.settled_g)
    left = p.goal.target_g - actual
    if left <= p.goal.tolerance_g or not foresight.is_too_near(p, w, grip, left):
        return p
    news.append(StopCoarse(w.at_s, p.actual_g(w), 0.0, actual))
    return _to_top_up(p, actual, Zone.EASE)


def _cued(p: Pour, w: Weighing, grip: Grip, at_s: float, news: list[PourNews]) -> Pour:
    """Give the cue that is due: at most the coarse and the fine one."""
    if not p.pouring or p.flows_at_s is None:
        return p
    s = foresight.stream(p, w, grip, at_s)
    reading, flow = p.actual_g(w), max(0.0, s.flow_g_per_s)
    where = p.landing_g if p.landing_g is not None else reading
    if foresight.expects_coarse(p, grip):
        if not _coarse_is_due(p, w, grip, s):
            return p
        news.append(StopCoarse(at_s, reading, flow, where))
        cue = Cue(at_s, s.mass_g, flow, _coarse_sd_g(p, s, at_s))
        p = foresight.foreseen(replace(p, zone=Zone.EASE, coarse_cue=cue), w, grip, at_s)
    if not _fine_is_due(p, w, grip, flow, at_s):
        return p
    news.append(StopFine(at_s, reading, flow, where))
    sd, raw = landing.seen_sd_g(s, grip, w.scale), p.sign * w.flow_g_per_s
    p = replace(p, main_cut=p.stage is Stage.POURING, tainted=p.foreign_g != 0.0)
    return _cut(p, Cue(at_s, s.mass_g, flow, sd, raw))


def _cut(p: Pour, cue: Cue) -> Pour:
    return replace(p, zone=Zone.STOP, stage=Stage.CUT, fine_cue=cue, due_s=None, to_stop_s=None)


def _coarse_sd_g(p: Pour, s: Stream, at_s: float) -> float:
    """How surely the mass at a coarse cue is known: badly while the pour is still opening."""
    opening = at_s - (p.flows_at_s or at_s) < OPEN_S
    return hypot(sqrt(max(0.0, s.mass_var)), 0.3 * s.flow_g_per_s if opening else 0.0)


def _coarse_is_due(p: Pour, w: Weighing, grip: Grip, s: Stream) -> bool:
    if p.goal.coarse is not None:
        return p.actual_g(w) >= p.goal.coarse * p.goal.target_g - 1e-9
    if _may_wait(p, w, grip):
        return False
    return foresight.coarse_in_g(p, w, grip, s) <= 1e-6


def _may_wait(p: Pour, w: Weighing, grip: Grip) -> bool:
    """Whether this scale's lag was never seen, the pour has only just opened, and there is time.

    A quick scale looks through an assumed lag as if the pour had opened several times as fast. How
    fast its display grows is no such guess: while that would not reach the target within the
    longest lag there is and what easing off takes, it does no harm to wait and see.
    """
    if w.scale.steps > 0 or w.at_s is None or w.at_s - (p.flows_at_s or w.at_s) >= OPEN_S:
        return False
    flow = max(0.0, p.rise.g_per_s if p.rise is not None else 0.0)
    behind = flow * LAG_LIMITS_S[1] + landing.ease_room_g(grip, w.scale, flow, careful=0.0)
    return p.actual_g(w) + behind < p.goal.target_g


def _fine_is_due(p: Pour, w: Weighing, grip: Grip, flow: float, at_s: float) -> bool:
    if p.goal.fine is None:
        return p.due_s is not None and p.due_s <= at_s + 1e-6
    level = p.goal.fine * p.goal.target_g
    if p.from_g > 0.0:
        # A share of the little that is missing leaves no room for the hand: what it learned does.
        level = max(level, p.from_g + p.goal.fine * (p.goal.target_g - p.from_g))
        level = min(level, foresight.fine_mark_g(p, w, grip, flow))
    return p.actual_g(w) >= level - 1e-9


def _repeated(p: Pour, w: Weighing, grip: Grip, news: list[PourNews]) -> Pour:
    """Say stop again where the pour runs on although it was told: nobody heard, or not in time."""
    c = p.fine_cue
    if w.at_s is None or c is None or p.stage is not Stage.CUT or p.foreign_g != 0.0:
        return p
    flow, d = p.sign * w.flow_g_per_s, w.scale.division_g
    shows_s = w.scale.total_lag_s + d / max(c.flow_g_per_s, 0.1)
    patience_s = shows_s + grip.lead_s + 4.0 * grip.spread_s + UNHEARD_S
    enough = p.actual_g(w) - c.mass_g > 2.0 * grip.run_on_g(c.flow_g_per_s) + d
    if w.at_s - c.at_s < patience_s or not enough or flow < max(0.5, 0.6 * c.flow_g_per_s):
        return p
    s = foresight.stream(p, w, grip, w.at_s)
    news.append(StopFine(w.at_s, p.actual_g(w), flow, landing.landing_g(s, grip)))
    return replace(p, fine_cue=Cue(w.at_s, s.mass_g, flow, raw_g_per_s=flow), tainted=True)


def _over_seen(p: Pour, w: Weighing, news: list[PourNews]) -> Pour:
    """Say at once that it is over, if neither noise nor the jet's force can be the reason."""
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
    began = p.begun_at_s
    if w.at_s is None or w.settled_g is None or began is None or not _may_have_landed(p, w):
        return p
    actual = p.part_g(w.settled_g)
    error, band = actual - p.goal.target_g, p.goal.tolerance_g + 1e-9
    if p.stage is Stage.CUT:
        grown = lessons.taught(p, w, hand, actual)
        news += [HandLearned(w.at_s, grown)] if grown is not None else []
    if error > band:
        news.append(Over(w.at_s, actual, error))
        return replace(p, stage=Stage.DONE, zone=Zone.OVER, due_s=None)
    if error >= -band and p.stage is Stage.TOP_UP:
        # A top-up that stopped by itself, or runs too slowly to be seen: it is enough.
        news.append(StopFine(w.at_s, p.actual_g(w), 0.0, actual))
        return _cut(replace(p, main_cut=False), Cue(w.at_s, actual, 0.0))
    if error >= -band:
        news.append(Landed(w.at_s, actual, error, w.at_s - began))
        return replace(p, stage=Stage.DONE, zone=Zone.LANDED, due_s=None)
    if p.stage is not Stage.CUT:
        return p  # a pause before any stop cue is waited for
    news.append(Short(w.at_s, actual, -error))
    return _to_top_up(p, actual, Zone.SHORT)


def _to_top_up(p: Pour, from_g: float, zone: Zone) -> Pour:
    """The same part from where it rests now: what is still to come is a pour of its own."""
    return replace(
        p,
        stage=Stage.TOP_UP,
        zone=zone,
        from_g=from_g,
        wet=False,
        flows_at_s=None,
        dry_at_s=None,
        due_s=None,
        to_stop_s=None,
    )


def _surely_rests(p: Pour, w: Weighing) -> bool:
    """Whether a rest that no cue asked for is one: a coarse display hides a slow trickle long."""
    if w.rest is None or w.at_s is None:
        return False
    hidden_s = w.scale.division_g / SLOW_G_PER_S
    return w.at_s - w.rest.from_s >= UNASKED_REST_S + hidden_s


def _may_have_landed(p: Pour, w: Weighing) -> bool:
    """Whether a rest can be a landing: nothing foreign, and the last cue has had time to show."""
    if p.foreign_g != 0.0 or w.at_s is None:
        return False
    if p.stage is Stage.TOP_UP:
        return p.flows_at_s is not None
    if p.stage is not Stage.CUT or p.fine_cue is None:
        return _surely_rests(p, w)
    return w.at_s - p.fine_cue.at_s >= w.scale.total_lag_s + AFTER_CUE_S
