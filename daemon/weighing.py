"""Readings to what is truly on the pan: mass, flow, rest, and what a scale is like.

Owns the judgement of one stream of readings. Knows nothing of recipes, parts, targets or cues.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, hypot, sqrt

from drivers.reading import Reading


@dataclass(frozen=True, slots=True)
class ScaleTraits:
    """What a scale is like, as seen in its stream; kept across restarts.

    `division_g`: smallest step seen. `noise_g`: standard deviation at rest beside the rounding.
    `interval_s`: time between readings. `dead_s`: pure delay. `lag_s`: delay of the filter.
    """

    division_g: float = 0.1
    noise_g: float = 0.05
    interval_s: float = 0.1
    dead_s: float = 0.0
    lag_s: float = 0.3

    @property
    def total_lag_s(self) -> float:
        """Seconds by which a steadily growing reading is behind."""
        return self.dead_s + self.lag_s


@dataclass(frozen=True, slots=True)
class Weighing:
    """All that is known of the load after the last reading; grams gross, seconds."""

    at_s: float | None = None
    gross_g: float | None = None
    stable: bool = False
    settled_g: float | None = None
    flow_g_per_s: float = 0.0
    flow_sd_g_per_s: float = 0.0
    mass_g: float | None = None
    mass_sd_g: float = 0.0
    disturbed: bool = False
    scale: ScaleTraits = field(default_factory=ScaleTraits)
    level_g: float | None = None
    rest_from_s: float = 0.0
    rest_low_g: float = 0.0
    rest_high_g: float = 0.0
    rest_sum_g: float = 0.0
    rest_n: int = 0
    jump_at_s: float | None = None


_REST_S = 0.8
_JUMP_G_PER_S = 150.0
_FLOW_TIME_S = 0.4


def start(scale: ScaleTraits | None = None) -> Weighing:
    """The state before any reading, with what is known of this scale."""
    return Weighing(scale=scale or ScaleTraits())


def interrupted(w: Weighing) -> Weighing:
    """The port was lost or fell silent: forget the dynamics, keep what was learned."""
    return start(w.scale)


def is_current(w: Weighing, at_s: float) -> bool:
    """Whether the last reading is young enough to be believed at `at_s`."""
    if w.at_s is None or w.gross_g is None:
        return False
    return at_s - w.at_s <= max(1.5, 5.0 * w.scale.interval_s)


def weigh(w: Weighing, reading: Reading) -> Weighing:
    """The state after one more reading. An overload or a frame without grams ends rest and flow."""
    if reading.grams is None or reading.overload:
        return replace(interrupted(w), at_s=reading.at_s)
    if w.at_s is None or w.level_g is None or reading.at_s <= w.at_s:
        return _first(w, reading.at_s, reading.grams)
    dt = reading.at_s - w.at_s
    expected = w.level_g + w.flow_g_per_s * dt
    off = reading.grams - expected
    if abs(off) > max(3.0, _JUMP_G_PER_S * dt):
        return replace(
            _first(w, reading.at_s, reading.grams), disturbed=True, jump_at_s=reading.at_s
        )
    return _smooth(w, reading, dt, expected, off)


def _first(w: Weighing, at_s: float, grams: float) -> Weighing:
    return Weighing(
        at_s=at_s,
        gross_g=grams,
        mass_g=grams,
        mass_sd_g=w.scale.division_g,
        scale=w.scale,
        level_g=grams,
        rest_from_s=at_s,
        rest_low_g=grams,
        rest_high_g=grams,
        rest_sum_g=grams,
        rest_n=1,
    )


def _smooth(w: Weighing, reading: Reading, dt: float, expected: float, off: float) -> Weighing:
    assert reading.grams is not None
    gain = 1.0 - exp(-dt / _FLOW_TIME_S)
    beta = gain * gain / (2.0 - gain)  # critically damped pair of gains
    level = expected + gain * off
    flow = w.flow_g_per_s + beta * off / dt
    rest = _rest(w, reading)
    noise = hypot(w.scale.noise_g, w.scale.division_g / sqrt(12.0))
    flow_sd = noise * beta / dt
    lag = w.scale.total_lag_s
    disturbed = w.disturbed and not rest.stable
    return replace(
        rest,
        flow_g_per_s=0.0 if rest.stable else flow,
        flow_sd_g_per_s=flow_sd,
        level_g=rest.settled_g if rest.settled_g is not None else level,
        mass_g=rest.settled_g if rest.settled_g is not None else level + flow * lag,
        mass_sd_g=hypot(noise * sqrt(gain), flow_sd * lag),
        disturbed=disturbed,
        jump_at_s=w.jump_at_s if disturbed else None,
    )


def _rest(w: Weighing, reading: Reading) -> Weighing:
    """Judge rest over wall time: every reading of the window within a division or the noise."""
    assert reading.grams is not None
    grams, at_s = reading.grams, reading.at_s
    low, high = min(w.rest_low_g, grams), max(w.rest_high_g, grams)
    band = max(1.001 * w.scale.division_g, 5.0 * w.scale.noise_g)
    if high - low > band or reading.declared is False:
        return replace(
            w,
            at_s=at_s,
            gross_g=grams,
            stable=False,
            settled_g=None,
            rest_from_s=at_s,
            rest_low_g=grams,
            rest_high_g=grams,
            rest_sum_g=grams,
            rest_n=1,
        )
    total, n = w.rest_sum_g + grams, w.rest_n + 1
    stable = at_s - w.rest_from_s >= max(_REST_S, 2.0 * w.scale.interval_s)
    return replace(
        w,
        at_s=at_s,
        gross_g=grams,
        stable=stable,
        settled_g=total / n if stable else None,
        rest_low_g=low,
        rest_high_g=high,
        rest_sum_g=total,
        rest_n=n,
    )
