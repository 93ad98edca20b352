"""Where a pour would land, how surely, and the mass at which to ease off or to stop.

Owns the arithmetic of one decision. Knows nothing of phases, news or time passed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import hypot, sqrt
from statistics import NormalDist

from daemon.hand import Grip
from daemon.scale_traits import ScaleTraits

CAREFUL = 2.0
"""Spreads of the ease-off lead that are left as room: late easing costs grams, early a second."""

SETTLES_LAGS = 1.7
"""So many of a scale's lags after a flow has changed, its display shows the flow as it is now."""


@dataclass(frozen=True, slots=True)
class Stream:
    """Mass and flow of the part now, with variances and covariance: what the filter believes."""

    mass_g: float
    flow_g_per_s: float
    mass_var: float
    mass_flow_cov: float
    flow_var: float


def expecting(s: Stream, flow_g_per_s: float, sd_g_per_s: float) -> Stream:
    """The same, knowing beforehand that the flow is usually so much.

    One more measurement of the flow; the further it lies off what the scale shows, the less it
    counts, for then this pour is not like the others.
    """
    off = flow_g_per_s - s.flow_g_per_s
    usual = sd_g_per_s * sd_g_per_s
    far = off * off / max(s.flow_var + usual, 1e-12)
    r = s.flow_var + usual * max(1.0, far / 2.0) ** 2
    if r <= 0.0:
        return s
    km, kq = s.mass_flow_cov / r, s.flow_var / r
    return Stream(
        s.mass_g + km * off,
        s.flow_g_per_s + kq * off,
        max(0.0, s.mass_var - km * s.mass_flow_cov),
        s.mass_flow_cov - km * s.flow_var,
        s.flow_var - kq * s.flow_var,
    )


def at_most(s: Stream, flow_g_per_s: float) -> Stream:
    """The same, knowing that the flow is no more than this.

    The mass follows as far as it hangs on the flow.
    """
    off = flow_g_per_s - s.flow_g_per_s
    if off >= 0.0:
        return s
    share = s.mass_flow_cov / s.flow_var if s.flow_var > 0.0 else 0.0
    mass_var = max(0.0, s.mass_var - share * s.mass_flow_cov)
    flow_var = min(s.flow_var, flow_g_per_s * flow_g_per_s)
    mass_var += share * share * flow_var
    return Stream(s.mass_g + share * off, flow_g_per_s, mass_var, share * flow_var, flow_var)


def landing_g(s: Stream, grip: Grip) -> float:
    """Where it lands if the stop is called now."""
    flow = max(0.0, s.flow_g_per_s)
    return s.mass_g + grip.run_on_g(flow) if flow > 0.02 else s.mass_g


def state_sd_g(s: Stream, grip: Grip) -> float:
    """Standard deviation of the landing that comes from not knowing mass and flow exactly."""
    lead = grip.lead_s
    var = s.mass_var + lead * (2.0 * s.mass_flow_cov + lead * s.flow_var)
    return sqrt(max(0.0, var))


def later(s: Stream, by_s: float) -> Stream:
    """The same after `by_s` at this flow."""
    return Stream(
        s.mass_g + by_s * s.flow_g_per_s,
        s.flow_g_per_s,
        s.mass_var + by_s * (2.0 * s.mass_flow_cov + by_s * s.flow_var),
        s.mass_flow_cov + by_s * s.flow_var,
        s.flow_var,
    )


def seen_sd_g(s: Stream, grip: Grip, t: ScaleTraits) -> float:
    """Standard deviation of the landing that comes from the scale, once the trickle is steady.

    Not all that the filter does not know at this moment: the next reading will tell it, and a doubt
    that passes is no reason to stop early.
    """
    usual = 0.1 * max(0.0, s.flow_g_per_s) * (grip.lead_s + t.total_lag_s) + 0.3 * t.division_g
    return min(state_sd_g(s, grip), usual)


def landing_sd_g(s: Stream, grip: Grip, t: ScaleTraits) -> float:
    """Standard deviation of the landing: the hand's part and the scale's."""
    return hypot(grip.run_on_sd_g(max(0.0, s.flow_g_per_s)), seen_sd_g(s, grip, t))


@lru_cache(maxsize=64)
def _quantile(risk_pct: float) -> float:
    return NormalDist().inv_cdf(1.0 - min(max(risk_pct, 0.01), 50.0) / 100.0)


AIMS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
"""What is thought of aiming above the target, as shares of the tolerance."""

FREE, MOST = 0.67, 3.0
"""So much too heavy, as a share of the tolerance, costs nothing; each tolerance more costs 1, but
never more than this."""

TOP_UP_COST = 0.3
"""What a top-up costs beside where it lands: some seconds, and a person who must do it all again.
"""


def aim_error_g(sd_g: float, tolerance_g: float, risk_pct: float, least_top_up_g: float) -> float:
    """Where to aim, relative to the target.

    On target while next to nothing falls short of the tolerance. Else above it, as long as the
    chance of passing target + tolerance stays within the risk, or below it so that it does; unless
    what falls short would then need a top-up smaller than the hand can give (`least_top_up_g`).
    Such a top-up lands further above the target than any stop near it, and the chance of needing
    one counts with all that it costs: then on target or a little above is best.
    """
    careful = tolerance_g - _quantile(risk_pct) * sd_g
    aims = [share * tolerance_g for share in AIMS]
    if careful < 0.0:
        aims += [0.5 * careful, careful]
    return min(aims, key=lambda aim: _cost(aim, sd_g, tolerance_g, least_top_up_g))


def _cost(aim: float, sd: float, tolerance: float, least: float) -> float:
    """What is to be expected of this aim, top-ups included."""
    free = FREE * tolerance
    over = _beyond(aim - free, sd) - _beyond(aim - free - MOST * tolerance, sd)
    short = _NORMAL.cdf((-tolerance - aim) / sd)
    lands = least - tolerance - 0.4 * sd if sd < least else 0.0
    again = min(MOST, max(0.0, lands - free) / tolerance)
    return over / tolerance + short * (TOP_UP_COST + again)


_NORMAL = NormalDist()


def _beyond(mean: float, sd: float) -> float:
    """Expected excess above 0 of a normal distribution (the loss function of stock-keeping)."""
    z = mean / sd
    return sd * (_NORMAL.pdf(z) + z * _NORMAL.cdf(z))


def judge_s(t: ScaleTraits, trickle_g_per_s: float) -> float:
    """Seconds of steady trickle that a scale needs to show its flow.

    Its lag, some readings, and on a coarse display the time in which it steps.
    """
    steps = min(2.0, 1.0 * t.division_g / max(trickle_g_per_s, 0.1))
    return SETTLES_LAGS * t.total_lag_s + 2.0 * t.interval_s + 0.4 + steps


def ease_end_s(grip: Grip) -> float:
    """Seconds from the coarse cue until the trickle is steady: a ramp's mean is half its length."""
    lead = grip.bottle.ease_lead_s
    return min(2.0 * lead, lead + 1.0)


def easing_g(
    dump_g_per_s: float, trickle_g_per_s: float, lead_s: float, from_s: float, to_s: float
) -> float:
    """Grams between two instants after the coarse cue, if the hand eases off with this lead.

    Full flow during the reaction, then evenly less until the trickle; the mean of that is the
    lead. Instants in seconds from the cue, negative before it.
    """
    reaction = min(0.25, 0.5 * lead_s)
    ramp = max(2.0 * (lead_s - reaction), 1e-6)
    excess = max(0.0, dump_g_per_s - trickle_g_per_s)

    def brought(at_s: float) -> float:
        x = min(max(at_s - reaction, 0.0), ramp)
        return excess * (min(at_s, reaction) + x - 0.5 * x * x / ramp)

    return brought(to_s) - brought(from_s) + trickle_g_per_s * (to_s - from_s)


def ease_lead_s(
    dump_g_per_s: float, trickle_g_per_s: float, brought_g: float, in_s: float
) -> float:
    """The lead of an easing that brought so much within so long after its cue (by bisection)."""
    low, high = 0.05, 4.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        if easing_g(dump_g_per_s, trickle_g_per_s, middle, 0.0, in_s) < brought_g:
            low = middle
        else:
            high = middle
    return low


def ease_room_g(grip: Grip, t: ScaleTraits, flow_g_per_s: float, careful: float = CAREFUL) -> float:
    """Grams from the coarse cue to the landing: easing off, a trickle long enough, the run-on.

    `careful`: spreads of the ease-off lead that are left as room.
    """
    trickle = min(grip.trickle_g_per_s, flow_g_per_s)
    excess = flow_g_per_s - trickle
    easing = excess * (grip.bottle.ease_lead_s + careful * grip.bottle.ease_spread_s)
    length = ease_end_s(grip) + judge_s(t, trickle)
    return easing + trickle * length + grip.run_on_g(trickle)


def least_top_up_g(grip: Grip, t: ScaleTraits) -> float:
    """The smallest top-up that can be cued: seen by the scale, heard, closed."""
    trickle = grip.trickle_g_per_s
    seen_s = t.total_lag_s + t.interval_s + 0.1 + 0.7 * t.division_g / trickle
    return trickle * seen_s + grip.run_on_g(trickle)
