"""Mass and flow as they truly are, estimated from rounded readings through the scale's own lag.

Owns the arithmetic of the estimator. Knows nothing of readings' origin, rest, cups, parts or cues.

The scale is modelled as two equal first-order stages behind the true mass m, which grows by the
flow q: m' = q, a' = (m - a)/T, b' = (a - b)/T, and the display shows b, rounded. Two moments of any
scale's step response (see `scale_traits`) are matched by T and a dead time, so poles and moving
averages of other shapes are served as well. A Kalman filter follows (m, q, a, b); a display of step
d says only that b plus noise lies within d/2 of the value shown, so the update takes the mean and
variance of a normal distribution cut to that interval (textbook: moments of the truncated normal).
For a fine display this is the ordinary update with rounding noise d/sqrt(12); for a coarse one it
learns nothing from a value that stays and much from the instant at which it steps.

Two such filters run side by side and exchange what they know by their likelihood (interacting
multiple models, Blom and Bar-Shalom 1988): `calm`, a flow that wanders a little, and `turning`, one
that opens, eases or closes. So a trickle is averaged over its whole length while a change from dump
to trickle is followed at once and leaves no slope behind that would ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, erfc, exp, pi, sqrt
from typing import NamedTuple

_SQRT2 = sqrt(2.0)
_FLAT = 1.0 / sqrt(2.0 * pi)

CALM_PER_S = 1.5
TURN_PER_S = 0.1
"""How often a second a turning flow calms and a calm one turns: openings last some tenths of a
second, trickles up to some tens."""

CALM_G, CALM_SHARE = 0.02, 0.06
"""Wander of a calm flow per square root of a second: grams/s, and as a share of the flow."""

TURN_G, TURN_SHARE = 1.5, 2.5
"""The same while turning; the first opening from rest has `OPENING_G`."""

OPENING_G = 30.0

MISFIT, CALM_MISFIT = 0.08, 0.02
"""How far a scale's response may differ from two equal stages, as a share of what the display still
has to catch up: without it a precise display would be inverted through the wrong lag and ring."""


class Track(NamedTuple):
    """One filter: mass, flow, the two stages, and their covariance (upper triangle)."""

    m: float
    q: float
    a: float
    b: float
    mm: float
    mq: float
    ma: float
    mb: float
    qq: float
    qa: float
    qb: float
    aa: float
    ab: float
    bb: float


@dataclass(frozen=True, slots=True)
class Flow:
    """The two filters and the probability that the flow is calm."""

    calm: Track
    turning: Track
    calm_odds: float


@dataclass(frozen=True, slots=True)
class Glass:
    """What the estimator looks through.

    Half the display's step and the noise's standard deviation (g).
    """

    half_g: float
    noise_g: float


def at_rest(mass_g: float, sd_g: float, flow_sd_g_per_s: float = 0.02) -> Flow:
    """A load that lies still."""
    v, f = sd_g * sd_g, flow_sd_g_per_s * flow_sd_g_per_s
    track = Track(mass_g, 0.0, mass_g, mass_g, v, 0.0, v, v, f, 0.0, 0.0, v, v, v)
    return Flow(track, track, 0.9)


def struck(flow: Flow, mass_sd_g: float) -> Flow:
    """The same after something of unknown weight came or left, the flow going on."""
    calm = flow.calm._replace(mm=flow.calm.mm + mass_sd_g * mass_sd_g)
    return Flow(calm, calm, flow.calm_odds)


def moments(flow: Flow, after_s: float = 0.0) -> tuple[float, float, float, float, float]:
    """Mass, flow, and var(mass), cov(mass, flow), var(flow), `after_s` later at this flow.

    The likelier filter counts by the fourth power of its odds: a calm flow may always just have
    begun to turn, unseen; that belongs to the person's scatter and not to every estimate.
    """
    p, r = flow.calm_odds**4, (1.0 - flow.calm_odds) ** 4
    p, r = p / (p + r), r / (p + r)
    c, t = flow.calm, flow.turning
    cm, tm = c.m + c.q * after_s, t.m + t.q * after_s
    m, q = p * cm + r * tm, p * c.q + r * t.q
    dm, dq = cm - tm, c.q - t.q
    qq = p * c.qq + r * t.qq + p * r * dq * dq
    mq = p * (c.mq + after_s * c.qq) + r * (t.mq + after_s * t.qq) + p * r * dm * dq
    cmm = c.mm + after_s * (2.0 * c.mq + after_s * c.qq)
    tmm = t.mm + after_s * (2.0 * t.mq + after_s * t.qq)
    return m, q, p * cmm + r * tmm + p * r * dm * dm, mq, qq


def shown_g(flow: Flow) -> float:
    """What the display stands for, its rounding and noise taken out, its lag left in."""
    return flow.calm_odds * flow.calm.b + (1.0 - flow.calm_odds) * flow.turning.b


def pinned(flow: Flow, mass_g: float, sd_g: float) -> Flow:
    """The same with the calm filter known to rest; the turning one still watches for an opening."""
    return Flow(at_rest(mass_g, sd_g).calm, flow.turning, flow.calm_odds)


def forecast(flow: Flow, dt: float, stage_s: float, turn_g: float) -> Flow:
    """Both filters mixed (as the models may have changed) and carried on by `dt` seconds.

    `turn_g`: wander of a turning flow, (g/s) per square root of a second.
    """
    stay_calm = exp(-dt * TURN_PER_S)
    stay_turning = exp(-dt * CALM_PER_S)
    p, r = flow.calm_odds, 1.0 - flow.calm_odds
    calm_odds = p * stay_calm + r * (1.0 - stay_turning)
    calm = _mix(flow.calm, flow.turning, p * stay_calm / calm_odds)
    turning = _mix(flow.calm, flow.turning, p * (1.0 - stay_calm) / (1.0 - calm_odds))
    calm_g = CALM_G + CALM_SHARE * abs(p * flow.calm.q + r * flow.turning.q)
    return Flow(
        _carry(calm, dt, stage_s, calm_g * calm_g * dt),
        _carry(turning, dt, stage_s, turn_g * turn_g * dt),
        calm_odds,
    )


def surprise(track: Track, shown_g: float, glass: Glass) -> float:
    """How many standard deviations the shown value lies off one filter's forecast."""
    s = track.bb + _noise_var(track, glass, MISFIT)
    return max(0.0, abs(shown_g - track.b) - glass.half_g) / sqrt(s)


def corrected(flow: Flow, shown_g: float, glass: Glass) -> Flow:
    """A forecast after the display showed this value."""
    calm, calm_fit = _seen(flow.calm, shown_g, glass, CALM_MISFIT)
    turning, turning_fit = _seen(flow.turning, shown_g, glass, MISFIT)
    p = flow.calm_odds * calm_fit
    r = (1.0 - flow.calm_odds) * turning_fit
    odds = p / (p + r) if p + r > 1e-290 else flow.calm_odds
    return Flow(calm, turning, min(max(odds, 1e-4), 1.0 - 1e-4))


def _mix(x: Track, y: Track, share: float) -> Track:
    """The normal distribution with the mean and covariance of the mixture share·x + (1-share)·y."""
    u, v = share, 1.0 - share
    m, q, a, b = x.m - y.m, x.q - y.q, x.a - y.a, x.b - y.b
    w = u * v
    return Track(
        u * x.m + v * y.m,
        u * x.q + v * y.q,
        u * x.a + v * y.a,
        u * x.b + v * y.b,
        u * x.mm + v * y.mm + w * m * m,
        u * x.mq + v * y.mq + w * m * q,
        u * x.ma + v * y.ma + w * m * a,
        u * x.mb + v * y.mb + w * m * b,
        u * x.qq + v * y.qq + w * q * q,
        u * x.qa + v * y.qa + w * q * a,
        u * x.qb + v * y.qb + w * q * b,
        u * x.aa + v * y.aa + w * a * a,
        u * x.ab + v * y.ab + w * a * b,
        u * x.bb + v * y.bb + w * b * b,
    )


def _carry(x: Track, dt: float, stage_s: float, flow_var: float) -> Track:
    """Exact solution of the stages over `dt` at constant flow; `flow_var` enters at its start."""
    e = exp(-dt / stage_s)
    am, aq = 1.0 - e, dt - stage_s * (1.0 - e)
    ba = dt / stage_s * e
    bm, bq = 1.0 - e - ba, dt * (1.0 + e) - 2.0 * stage_s * (1.0 - e)
    qq = x.qq + flow_var
    # Rows of F·P, then times F transposed; F is lower triangular in the order m, q, a, b.
    g_mm, g_mq = x.mm + dt * x.mq, x.mq + dt * qq
    g_ma, g_mb = x.ma + dt * x.qa, x.mb + dt * x.qb
    g_am, g_aq = am * x.mm + aq * x.mq + e * x.ma, am * x.mq + aq * qq + e * x.qa
    g_aa, g_ab = am * x.ma + aq * x.qa + e * x.aa, am * x.mb + aq * x.qb + e * x.ab
    g_bm = bm * x.mm + bq * x.mq + ba * x.ma + e * x.mb
    g_bq = bm * x.mq + bq * qq + ba * x.qa + e * x.qb
    g_ba = bm * x.ma + bq * x.qa + ba * x.aa + e * x.ab
    g_bb = bm * x.mb + bq * x.qb + ba * x.ab + e * x.bb
    return Track(
        x.m + dt * x.q,
        x.q,
        am * x.m + aq * x.q + e * x.a,
        bm * x.m + bq * x.q + ba * x.a + e * x.b,
        g_mm + dt * g_mq,
        g_mq,
        am * g_mm + aq * g_mq + e * g_ma,
        bm * g_mm + bq * g_mq + ba * g_ma + e * g_mb,
        qq,
        am * x.mq + aq * qq + e * x.qa,
        bm * x.mq + bq * qq + ba * x.qa + e * x.qb,
        am * g_am + aq * g_aq + e * g_aa,
        bm * g_am + bq * g_aq + ba * g_aa + e * g_ab,
        bm * g_bm + bq * g_bq + ba * g_ba + e * g_bb,
    )


def _noise_var(x: Track, glass: Glass, share: float) -> float:
    misfit = share * (x.m - x.b)
    return glass.noise_g * glass.noise_g + misfit * misfit


def _seen(x: Track, shown_g: float, glass: Glass, misfit: float) -> tuple[Track, float]:
    """One filter after a shown value, and how likely that value was."""
    s = x.bb + _noise_var(x, glass, misfit)
    mean, var, fit = cut_normal(x.b, s, shown_g, glass.half_g)
    km, kq, ka, kb = x.mb / s, x.qb / s, x.ab / s, x.bb / s
    off = mean - x.b
    drop = s - var
    track = Track(
        x.m + km * off,
        x.q + kq * off,
        x.a + ka * off,
        x.b + kb * off,
        x.mm - km * km * drop,
        x.mq - km * kq * drop,
        x.ma - km * ka * drop,
        x.mb - km * kb * drop,
        x.qq - kq * kq * drop,
        x.qa - kq * ka * drop,
        x.qb - kq * kb * drop,
        x.aa - ka * ka * drop,
        x.ab - ka * kb * drop,
        x.bb - kb * kb * drop,
    )
    return track, fit


def cut_normal(mean: float, var: float, centre: float, half: float) -> tuple[float, float, float]:
    """Mean, variance and probability of a normal distribution cut to centre ± half.

    Far in a tail, or for an interval narrow beside the spread, the interval is taken as even.
    """
    sd = sqrt(var)
    low, high = (centre - half - mean) / sd, (centre + half - mean) / sd
    density_low, density_high = _FLAT * exp(-0.5 * low * low), _FLAT * exp(-0.5 * high * high)
    if half < 0.05 * sd or min(abs(low), abs(high)) > 6.0:
        middle = 0.5 * (low + high)
        return centre, half * half / 3.0, 2.0 * half / sd * _FLAT * exp(-0.5 * middle * middle)
    if low > 0.0:
        chance = 0.5 * (erfc(low / _SQRT2) - erfc(high / _SQRT2))
    elif high < 0.0:
        chance = 0.5 * (erfc(-high / _SQRT2) - erfc(-low / _SQRT2))
    else:
        chance = 0.5 * (erf(high / _SQRT2) - erf(low / _SQRT2))
    shift = (density_low - density_high) / chance
    spread = 1.0 + (low * density_low - high * density_high) / chance - shift * shift
    return mean + sd * shift, var * min(max(spread, 1e-6), 1.0), chance
