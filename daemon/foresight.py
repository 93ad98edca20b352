"""How a pour will go on: its mass and flow at an instant, its landing, and when a cue falls due.

Owns what is expected of a pour in each of its stages. Knows nothing of news, rest or what a landing
teaches.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, sqrt

from daemon import flow as flows
from daemon import hand as hands
from daemon import landing
from daemon.hand import Grip, Hand
from daemon.landing import Stream
from daemon.pour_state import OPEN_S, Cue, Pour, Stage
from daemon.view import Zone
from daemon.weighing import Weighing

FIRST_LOOK_S = 0.3
"""Seconds of a new bottle's dump that a scale must have shown, beside its lag, to know its flow."""

SMALL_DUMP = 0.15
"""A dump of less than this share of the target is not worth its cue: straight to the trickle."""

STEADY = 0.08
"""How far a trickle wanders from its own mean, as a share."""

SLOW_START_S, STILL_RISING = 1.5, 1.5
"""So long after rest, beside the scale's lag, a trickle counts as opening; and how much faster it
may run than the display has risen on average since."""

FIRST_STEPS, FIRST_G = 4.0, 0.7
"""So many steps of the display, and at least so many grams, are its first: what it shows beyond
them is a flow, however fast."""

EASE_SHOWS_S = 0.3
"""Seconds after the coarse cue that the scale must have seen before they tell of the easing."""

EASINGS, UNHEARD = (1.0, 0.85, 1.2, 0.7, 1.45, 0.5, 1.8, 2.3, 3.0, 4.0, 6.0), 9.0
"""Easings thought of, as shares of the usual lead, and how unlikely any is held to be at most: the
cue may not have been heard at all."""

SAME_FLOW = 0.6
"""A trickle of more than this share of the dump: this hand does not ease off, or hardly."""

DUMPLIKE, LEAST_DUMP_G_PER_S = 3.0, 10.0
"""So many usual trickles, and at least so much, is a dump even where none was asked for."""


def grip(p: Pour, w: Weighing, hand: Hand) -> Grip:
    """How this hand pours this part's bottle on this scale."""
    return hands.grip(hand, p.goal.part, w.scale.total_lag_s)


def stops_at_start(p: Pour, w: Weighing, g: Grip) -> tuple[float | None, float | None]:
    """Coarse and fine as readings, before anything flows; coarse None: straight to the trickle.

    Two stages need room for easing off, and a dump that the scale has shown before that.
    """
    target = p.goal.target_g
    if p.goal.coarse is not None and p.goal.fine is not None:
        return p.goal.coarse * target, p.goal.fine * target
    whole = target - p.already_g
    dump = g.bottle.planned_dump_g_per_s(whole)
    look_s = FIRST_LOOK_S if g.bottle.dumps == 0 else 0.0
    unseen = dump * (w.scale.total_lag_s + w.scale.interval_s + look_s)
    fine = fine_mark_g(p, w, g, g.trickle_g_per_s)
    room = landing.ease_room_g(g, w.scale, dump, careful=0.5)
    if whole - room < max(unseen, SMALL_DUMP * whole):
        return None, fine
    return _coarse_mark_g(p, w, g, dump), fine


def stream(p: Pour, w: Weighing, g: Grip, at_s: float) -> Stream:
    """Mass and flow of the part at `at_s`; a flow is expected to be like this bottle's others."""
    assert w.at_s is not None
    s = raw_stream(p, w)
    if is_easing(p, w, g, at_s):
        return _easing_stream(p, w, g, at_s)
    s = _as_usual(p, _no_faster(p, s, w), g)
    return landing.later(_averaged(p, s, w), at_s - w.at_s)


def raw_stream(p: Pour, w: Weighing) -> Stream:
    """Mass and flow of the part at the last reading, as the scale alone tells."""
    assert w.mass_g is not None
    mass = p.part_g(w.mass_g) - p.foreign_g
    flow_var = w.flow_sd_g_per_s**2
    return Stream(mass, p.sign * w.flow_g_per_s, w.mass_sd_g**2, w.mass_flow_cov, flow_var)


def _as_dump(s: Stream, g: Grip) -> Stream:
    """A dump is expected to be like this bottle's others."""
    b = g.bottle
    if s.flow_g_per_s < 0.15 * b.dump_g_per_s:
        return s
    usual = 0.4 if b.dumps > 0 else 1.2
    return landing.expecting(s, b.dump_g_per_s, b.dump_g_per_s * usual)


def _no_faster(p: Pour, s: Stream, w: Weighing) -> Stream:
    """A trickle that opens runs no faster than the display can have followed.

    The filter is ready for a dump: the first step of a coarse display may look like one to it, and
    a gram of dye would be stopped at its first drops. Only the first steps can mislead like that: a
    hasty hand's rise is no more than its beginning through the scale's lag, and must be believed.
    """
    main = p.stage is Stage.POURING
    if p.zone is Zone.DUMP or w.at_s is None or p.dry_at_s is None:
        return s
    if main and p.coarse_cue is not None:
        return s
    since_s = w.at_s - p.dry_at_s
    if since_s > SLOW_START_S + 2.0 * w.scale.total_lag_s:
        return s
    d, noise = w.scale.division_g, w.scale.noise_g
    shown = max(0.0, p.actual_g(w) - p.foreign_g - p.from_g)
    if shown > max(FIRST_STEPS * d + 4.0 * noise, FIRST_G):
        return s
    grown = shown + 0.5 * d + 2.0 * noise
    return landing.at_most(s, STILL_RISING * grown / (since_s + 0.5 * w.scale.interval_s))


def _as_usual(p: Pour, s: Stream, g: Grip) -> Stream:
    """A dump or a trickle is expected to be like this bottle's others, if there were any."""
    b = g.bottle
    if p.zone is Zone.DUMP:
        return _as_dump(s, g)
    if b.pours == 0 or s.flow_g_per_s < 0.3 * b.trickle_g_per_s:
        return s
    usual = max(0.3, 2.0 * b.trickle_scatter)
    return landing.expecting(s, b.trickle_g_per_s, b.trickle_g_per_s * usual)


def _averaged(p: Pour, s: Stream, w: Weighing) -> Stream:
    """A trickle that has run for a while is known by its mean as well as by its last moments."""
    e = p.ease_cue
    if e is None or w.at_s is None or p.stage is not Stage.POURING or w.at_s - e.at_s < 0.6:
        return s
    ran_s = w.at_s - e.at_s
    mean = (s.mass_g - e.mass_g) / ran_s
    unsure = hypot(STEADY * mean, (0.3 * w.scale.division_g + 0.03) / ran_s)
    return landing.expecting(s, mean, unsure) if mean > 0.05 else s


def keeps_on(p: Pour, g: Grip) -> bool:
    """Whether this hand is known to pour on at the coarse cue as it did before."""
    return g.trickle_g_per_s > SAME_FLOW * p.dumped_g_per_s


def is_easing(p: Pour, w: Weighing, g: Grip, at_s: float) -> bool:
    """The coarse cue was given, and the reading cannot yet show that the pour has eased."""
    if p.coarse_cue is None or p.stage is not Stage.POURING:
        return False
    if keeps_on(p, g):
        return False
    settles_s = landing.ease_end_s(g) + landing.SETTLES_LAGS * w.scale.total_lag_s + 0.3
    return at_s - p.coarse_cue.at_s < settles_s


def _easing_stream(p: Pour, w: Weighing, g: Grip, at_s: float) -> Stream:
    """Mass and flow while the hand eases off: what the scale has surely seen, and the usual easing.

    The reading shows the mass of a lag ago; what came since is reckoned from how this hand eases,
    not from the dump's flow, which the filter goes on believing in for as long. Doubt about the
    easing is no reason to stop at once: the readings to come will settle it in time.
    """
    c = p.coarse_cue
    assert c is not None and w.at_s is not None
    dump, trickle = p.dumped_g_per_s, g.trickle_g_per_s
    lag = w.scale.total_lag_s
    seen_s, now_s = w.at_s - lag - c.at_s, at_s - c.at_s
    seen = Seen(_display_g(p, w) - c.mass_g, seen_s, w.scale.lag_s / sqrt(2.0))
    unsure_g = hypot(0.06 * dump, c.sd_g, 2.0 * w.scale.rounding_g)
    ease = _lead_seen_s(g, dump, seen, unsure_g)
    off = seen.brought_g - seen.expected_g(dump, trickle, ease)
    mass = c.mass_g + off + landing.easing_g(dump, trickle, ease, 0.0, now_s)
    flow = landing.easing_g(dump, trickle, ease, now_s, now_s + g.lead_s) / g.lead_s
    return Stream(mass, flow, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a scale has shown since the coarse cue: grams, until when, blurred by how much time."""

    brought_g: float
    until_s: float
    blur_s: float

    def expected_g(self, dump: float, trickle: float, lead_s: float) -> float:
        """What it would show of an easing with this lead: its filter averages over the blur."""
        early = landing.easing_g(dump, trickle, lead_s, 0.0, self.until_s - self.blur_s)
        late = landing.easing_g(dump, trickle, lead_s, 0.0, self.until_s + self.blur_s)
        return 0.5 * (early + late)


def _display_g(p: Pour, w: Weighing) -> float:
    """Grams of the part that the display stands for, its rounding and noise taken out."""
    assert w.flow is not None
    return p.part_g(flows.shown_g(w.flow)) - p.foreign_g


def _lead_seen_s(g: Grip, dump: float, seen: Seen, unsure_g: float) -> float:
    """Lead of this easing: the usual one, unless what the scale has seen since the cue gainsays it.

    Somebody who has not heard, or eases slowly, brings more by then; somebody quick brings less.
    """
    usual, trickle = g.bottle.ease_lead_s, g.trickle_g_per_s
    if seen.until_s < EASE_SHOWS_S:
        return usual

    def unlikely(lead: float) -> float:
        off = (seen.expected_g(dump, trickle, lead) - seen.brought_g) / unsure_g
        return off * off + min(((lead - usual) / g.bottle.ease_spread_s) ** 2, UNHEARD)

    return min((usual * share for share in EASINGS), key=unlikely)


def _coarse_mark_g(p: Pour, w: Weighing, g: Grip, flow: float) -> float:
    """The reading at which to ease off from this flow."""
    behind = landing.ease_room_g(g, w.scale, flow) + w.scale.total_lag_s * flow
    return max(0.0, p.goal.target_g - behind)


def fine_mark_g(p: Pour, w: Weighing, g: Grip, flow: float) -> float:
    """The reading at which to stop this flow."""
    return max(0.0, p.goal.target_g - g.run_on_g(flow) - w.scale.total_lag_s * flow)


def coarse_in_g(p: Pour, w: Weighing, g: Grip, s: Stream) -> float:
    """Grams still to come before the coarse cue; 0 or below: it is due."""
    room = landing.ease_room_g(g, w.scale, max(0.0, s.flow_g_per_s))
    return p.goal.target_g - room - sqrt(s.mass_var) - s.mass_g


def is_too_near(p: Pour, w: Weighing, g: Grip, left_g: float) -> bool:
    """Whether a dump that went on now could not be eased off any more once the scale showed it."""
    dump = max(p.top_g_per_s, g.bottle.dump_g_per_s)
    unseen = dump * (w.scale.total_lag_s + w.scale.interval_s)
    return left_g < landing.ease_room_g(g, w.scale, dump, careful=0.5) + unseen


def expects_coarse(p: Pour, g: Grip) -> bool:
    """Whether the coarse cue is still to come: two stages, or a dump where none was asked for."""
    if p.coarse_cue is not None or p.stage is not Stage.POURING:
        return False
    dumplike = max(DUMPLIKE * g.trickle_g_per_s, LEAST_DUMP_G_PER_S)
    return p.stops_g[0] is not None or p.top_g_per_s > dumplike


def foreseen(p: Pour, w: Weighing, g: Grip, at_s: float) -> Pour:
    """Predicted landing, stops, and the instant at which the next cue falls due."""
    s = stream(p, w, g, at_s)
    flow = max(0.0, s.flow_g_per_s)
    lands = landing.landing_g(s, g)
    p = replace(p, landing_g=lands, due_s=None, to_stop_s=None)
    if p.goal.fine is not None or not p.pouring or flow < 0.1:
        return p
    if expects_coarse(p, g):
        due_s = at_s + max(0.0, coarse_in_g(p, w, g, s)) / flow
        two_stages = p.stops_g[0] is not None
        mark = _coarse_mark_g(p, w, g, flow) if two_stages else None
        return replace(p, stops_g=(mark, p.stops_g[1]), due_s=due_s)
    aim = p.goal.target_g + (0.0 if is_easing(p, w, g, at_s) else _aim_error_g(p, w, g, s))
    fine_in_s = max(0.0, aim - lands) / flow
    marks = (p.stops_g[0], fine_mark_g(p, w, g, flow))
    return replace(p, stops_g=marks, due_s=at_s + fine_in_s, to_stop_s=fine_in_s)


def _aim_error_g(p: Pour, w: Weighing, g: Grip, s: Stream) -> float:
    sd = landing.landing_sd_g(s, g, w.scale)
    least = landing.least_top_up_g(g, w.scale)
    return landing.aim_error_g(sd, p.goal.tolerance_g, p.goal.risk_pct, least)


def noted(p: Pour, w: Weighing, g: Grip) -> Pour:
    """The pour with its fastest flow, and with mass and flow once it should be a trickle."""
    if w.at_s is None or p.stage is not Stage.POURING:
        return p
    sure = p.sign * w.flow_g_per_s - 1.5 * w.flow_sd_g_per_s
    p = replace(p, top_g_per_s=sure) if sure > p.top_g_per_s else p
    if p.zone is Zone.DUMP or p.ease_cue is not None or is_easing(p, w, g, w.at_s):
        return p
    if p.coarse_cue is None and w.at_s - (p.flows_at_s or w.at_s) < OPEN_S + w.scale.total_lag_s:
        return p
    s = stream(p, w, g, w.at_s)
    return replace(p, ease_cue=Cue(w.at_s, s.mass_g, s.flow_g_per_s))
