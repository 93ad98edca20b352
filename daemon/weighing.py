"""Readings to what is truly on the pan: mass, flow, rest, disturbance, and what the scale is like.

Owns the judgement of one stream of readings. Knows nothing of recipes, parts, targets or cues.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import hypot, sqrt

from daemon import flow as flows
from daemon import scale_traits, step_response
from daemon.flow import Flow, Glass
from daemon.scale_traits import Block, ScaleTraits
from daemon.step_response import StepSeen
from drivers.reading import Reading

__all__ = ["ScaleTraits", "Weighing", "interrupted", "is_current", "start", "weigh"]

REST_S = 0.7
"""Shortest rest that is believed; a slow filter needs longer."""

GAP_S = 3.0
"""After a longer silence nothing is known of what happened meanwhile."""

ODD, SURPRISE = 3.5, 6.0
"""Standard deviations off an opening or easing pour beyond which a reading is not believed before
the next one agrees (a digit can be garbled in a frame that looks legal), and beyond which no pour
explains it. So many off a calm flow are not believed at once either."""

SLOWEST_G_PER_S = 0.4
"""A trickle slower than this is rare; a display that has not stepped for as long as such a trickle
needs for one step shows a load that truly rests."""

POUR_G_PER_S = 80.0
"""No hand pours faster; a display that leaps more shows something else."""

STILL_G_PER_S = 0.15
"""Flow below which a load is at rest; a coarse display cannot tell as little, see `_rested`."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Readings that have stayed within a division or the noise: since when, where, their mean."""

    from_s: float
    low_g: float
    high_g: float
    mean_g: float
    n: int = 1


@dataclass(frozen=True, slots=True)
class Jump:
    """A change no pour makes: the mass and flow before it, when it began and was last fed."""

    before_g: float
    before_flow_g_per_s: float
    at_s: float
    last_s: float


@dataclass(frozen=True, slots=True)
class Weighing:
    """All that is known of the load after the last reading; grams gross, seconds.

    `gross_g`: what the display shows; None before any reading and in overload. `settled_g`: the
    resting load while `stable`. `mass_g`, `flow_g_per_s`: what is truly on the pan and how it
    grows, the scale's lag removed, with standard deviations and covariance. `disturbed`: a hand, a
    spoon, a cup coming or going. `jumps` counts finished disturbances, `shift_g` is what the last
    one left on the pan that the flow before it does not explain.
    """

    at_s: float | None = None
    gross_g: float | None = None
    stable: bool = False
    settled_g: float | None = None
    flow_g_per_s: float = 0.0
    flow_sd_g_per_s: float = 0.0
    mass_g: float | None = None
    mass_sd_g: float = 0.0
    mass_flow_cov: float = 0.0
    disturbed: bool = False
    jumps: int = 0
    shift_g: float = 0.0
    scale: ScaleTraits = field(default_factory=ScaleTraits)
    flow: Flow | None = None
    rest: Rest | None = None
    block: Block | None = None
    quiet: tuple[float, float] | None = None
    """When and where the display last lay still for some readings, however shortly."""
    rested_s: float | None = None
    """When it was last at rest."""
    step: StepSeen | None = None
    doubt: Reading | None = None
    """A reading that no pour explains; the next one decides whether it was a garbled line."""
    jump: Jump | None = None
    grams_per_shown: float | None = None
    """Grams of one displayed unit, for frames that leave the unit out while moving."""


def start(scale: ScaleTraits | None = None) -> Weighing:
    """The state before any reading, with what is known of this scale."""
    return Weighing(scale=scale or ScaleTraits())


def interrupted(w: Weighing) -> Weighing:
    """The port was lost or fell silent: forget the dynamics, keep what was learned."""
    return Weighing(scale=w.scale, jumps=w.jumps, grams_per_shown=w.grams_per_shown)


def is_current(w: Weighing, at_s: float) -> bool:
    """Whether the last reading is young enough to be believed at `at_s`."""
    if w.at_s is None or w.gross_g is None:
        return False
    return at_s - w.at_s <= max(1.5, 5.0 * w.scale.interval_s)


def weigh(w: Weighing, reading: Reading) -> Weighing:
    """The state after one more reading.

    An overload or an unknown unit ends rest and flow; a frame without any weight says nothing.
    """
    if reading.text is None and reading.grams is None and not reading.overload:
        return w
    grams = _grams(w, reading)
    if grams is None:
        return replace(interrupted(w), at_s=reading.at_s)
    reading = replace(reading, grams=grams)
    w = _with_unit(w, reading)
    if w.at_s is None or w.flow is None or not 0.0 <= reading.at_s - w.at_s <= GAP_S:
        return _first(w, reading.at_s, grams)
    dt = reading.at_s - w.at_s
    if dt < 1e-6:
        return replace(w, gross_g=grams)
    ahead = flows.forecast(w.flow, dt, _stage_s(w.scale), _turn(w))
    if w.doubt is None and _is_odd(w, ahead, grams):
        return replace(w, doubt=reading, stable=False, settled_g=None)
    leap = abs(grams - w.gross_g) if w.gross_g is not None else 0.0
    wild = flows.surprise(ahead.turning, grams, _glass(w.scale))
    if wild > SURPRISE and leap > _most_g(w, dt):
        return _disturbed(w, reading, ahead, dt)
    return _accepted(w, reading, ahead, dt)


def _grams(w: Weighing, reading: Reading) -> float | None:
    """Grams of a frame; None for an overload or an unknown unit.

    A frame without a unit has that of the frames before: some scales leave it out while moving.
    """
    if reading.overload:
        return None
    if reading.grams is not None:
        return reading.grams
    if reading.unit is not None or reading.text is None or w.grams_per_shown is None:
        return None
    try:
        return float(reading.text) * w.grams_per_shown
    except ValueError:
        return None


def _with_unit(w: Weighing, reading: Reading) -> Weighing:
    if reading.unit is None or not reading.text or not reading.grams:
        return w
    try:
        shown = float(reading.text)
    except ValueError:
        return w
    if shown == 0.0:
        return w
    return replace(w, grams_per_shown=float(f"{reading.grams / shown:.9g}"))


def _first(w: Weighing, at_s: float, grams: float) -> Weighing:
    fresh = interrupted(w)
    level = flows.at_rest(grams, max(w.scale.rounding_g, 0.5 * w.scale.division_g), 2.0)
    rest = Rest(at_s, grams, grams, grams)
    return _told(replace(fresh, at_s=at_s, gross_g=grams, flow=level, rest=rest))


def _stage_s(t: ScaleTraits) -> float:
    return max(0.01, 0.5 * t.lag_s)


def _glass(t: ScaleTraits) -> Glass:
    return Glass(0.5 * t.division_g, t.noise_g)


def _is_odd(w: Weighing, ahead: Flow, grams: float) -> bool:
    """Whether a reading fits neither a calm flow nor one that turns, or breaks a long calm."""
    glass = _glass(w.scale)
    if flows.surprise(ahead.turning, grams, glass) > ODD:
        return True
    broken = flows.surprise(ahead.calm, grams, glass) > SURPRISE
    return broken and ahead.calm_odds > 0.85 and not _opens(w)


def _most_g(w: Weighing, dt: float) -> float:
    """The most that a pour can change the display by in `dt`."""
    size = abs(w.flow_g_per_s)
    calm = w.flow is not None and w.flow.calm_odds > 0.8 and not _opens(w)
    trickles = calm and 0.4 < size < 8.0
    fastest = 12.0 + 4.0 * size if trickles else POUR_G_PER_S
    return fastest * dt + 3.0 * w.scale.division_g + 6.0 * w.scale.noise_g


def _opens(w: Weighing) -> bool:
    """A pour may just be opening: at rest until a moment ago."""
    if w.rested_s is None or w.at_s is None:
        return False
    return w.at_s - w.rested_s < 0.6 + w.scale.total_lag_s


def _turn(w: Weighing) -> float:
    """How wildly the flow may turn: most just after rest, little while something moves the pan."""
    if w.disturbed:
        return flows.TURN_G
    turn = flows.TURN_G + flows.TURN_SHARE * abs(w.flow_g_per_s)
    return max(turn, flows.OPENING_G) if _opens(w) else turn


def _disturbed(w: Weighing, reading: Reading, ahead: Flow, dt: float) -> Weighing:
    """Two readings in a row that no pour explains: the filter finds the new load by itself."""
    assert reading.grams is not None and w.doubt is not None
    size = abs(reading.grams - ahead.calm.m)
    jump = w.jump or Jump(w.mass_g or 0.0, w.flow_g_per_s, w.doubt.at_s, reading.at_s)
    w = replace(w, jump=replace(jump, last_s=reading.at_s), disturbed=True)
    return _accepted(w, reading, flows.struck(ahead, 3.0 * size + w.scale.division_g), dt)


def _accepted(w: Weighing, reading: Reading, ahead: Flow, dt: float) -> Weighing:
    assert reading.grams is not None and w.gross_g is not None
    at_s, grams = reading.at_s, reading.grams
    flow = flows.corrected(ahead, grams, _glass(w.scale))
    scale, block = _known(w, reading, dt)
    w = replace(w, flow=flow, scale=scale, block=block, step=_step(w, reading), doubt=None)
    w = _rested(w, reading)
    return _told(_calmed(replace(w, at_s=at_s, gross_g=grams)))


def _known(w: Weighing, reading: Reading, dt: float) -> tuple[ScaleTraits, Block]:
    """What one more reading tells of the scale: interval, division, noise."""
    assert reading.grams is not None
    before = Reading(w.at_s or 0.0, None, w.gross_g)
    scale = scale_traits.with_interval(w.scale, dt) if w.doubt is None else w.scale
    scale = scale_traits.with_change(scale, before, reading)
    # A load that comes or goes is no flicker, whatever the readings' mean does.
    if w.block is None or w.jump is not None or w.step is not None:
        return scale, Block(reading.at_s, reading.grams, reading.grams)
    return scale_traits.with_flicker(scale, w.block, reading.at_s, reading.grams)


def _step(w: Weighing, reading: Reading) -> StepSeen | None:
    """Follow a change of load; a doubted reading was part of it if this one went on that way."""
    assert reading.grams is not None and w.gross_g is not None
    step, doubt = w.step, w.doubt
    if doubt is not None and doubt.grams is not None:
        went_on = abs(reading.grams - w.gross_g) > abs(reading.grams - doubt.grams)
        if went_on:
            step = step_response.followed(step, w.quiet, w.scale, doubt.at_s, doubt.grams)
    return step_response.followed(step, w.quiet, w.scale, reading.at_s, reading.grams)


def _band_g(t: ScaleTraits) -> float:
    """How far readings of a resting load may lie apart: one step, and seven noise widths.

    Where the noise is well below the step the display shows at most two neighbouring values.
    """
    loud = 7.0 * t.noise_g if t.noise_g > 0.16 * t.division_g else 0.0
    return 1.001 * t.division_g + loud


def _rested(w: Weighing, reading: Reading) -> Weighing:
    """Judge rest over wall time, however many readings that is."""
    assert reading.grams is not None
    rest = _extended(w, reading)
    if rest.n == 1:
        return replace(w, rest=rest, stable=False, settled_g=None)
    lasted_s, t = reading.at_s - rest.from_s, w.scale
    enough_s = max(REST_S, 1.5 * t.lag_s + t.dead_s, 2.0 * t.interval_s)
    still = max(STILL_G_PER_S + 0.3 * t.division_g, 2.0 * w.flow_sd_g_per_s)
    stable = lasted_s >= enough_s - 1e-9 and abs(w.flow_g_per_s) <= still
    if rest.n >= 3 and lasted_s >= 0.3 and w.step is None:
        w = replace(w, quiet=(reading.at_s, rest.mean_g))
    w = replace(w, rest=rest, stable=stable, settled_g=rest.mean_g if stable else None)
    return _at_rest(w, rest, reading) if stable else w


def _extended(w: Weighing, reading: Reading) -> Rest:
    """The rest so far and this reading, or a new one that begins with it."""
    assert reading.grams is not None
    grams, rest = reading.grams, w.rest
    if rest is None or reading.declared is False:
        return Rest(reading.at_s, grams, grams, grams)
    low, high = min(rest.low_g, grams), max(rest.high_g, grams)
    if high - low > _band_g(w.scale):
        return Rest(reading.at_s, grams, grams, grams)
    # Later readings count more: the first ones may still have been on their way.
    n = rest.n + 1
    gain = max(2.0 / (n + 1.0), 0.5 * w.scale.interval_s)
    return Rest(rest.from_s, low, high, rest.mean_g + gain * (grams - rest.mean_g), n)


def _at_rest(w: Weighing, rest: Rest, reading: Reading) -> Weighing:
    """What a rest tells: the level to the filter, and the lag of the step that led to it."""
    assert reading.grams is not None and w.flow is not None
    t, flow = w.scale, w.flow
    if reading.at_s - rest.from_s >= t.division_g / SLOWEST_G_PER_S:
        sd = hypot(t.division_g / sqrt(12.0), t.noise_g / sqrt(rest.n))
        flow = flows.pinned(flow, rest.mean_g, sd)
    scale = t if w.step is None else step_response.taught(t, w.step, reading.grams)
    return replace(w, rested_s=reading.at_s, flow=flow, scale=scale, step=None)


def _calmed(w: Weighing) -> Weighing:
    """End a disturbance once the load rests, or nothing has fed it for a while."""
    if w.jump is None or w.at_s is None or w.flow is None:
        return w
    m = flows.moments(w.flow, w.scale.dead_s)[0]
    quiet_s = max(0.5, 2.0 * w.scale.interval_s, 1.5 * w.scale.total_lag_s)
    if not w.stable and w.at_s - w.jump.last_s < quiet_s:
        return w
    poured = 1.5 * w.jump.before_flow_g_per_s * (w.at_s - w.jump.at_s)
    low, high = w.jump.before_g + min(0.0, poured), w.jump.before_g + max(0.0, poured)
    shift = min(0.0, m - low) + max(0.0, m - high)
    return replace(w, jump=None, disturbed=False, jumps=w.jumps + 1, shift_g=shift)


def _told(w: Weighing) -> Weighing:
    """Put the filter's answer where readers look for it."""
    assert w.flow is not None
    m, q, mm, mq, qq = flows.moments(w.flow, w.scale.dead_s)
    return replace(
        w,
        mass_g=m,
        flow_g_per_s=q,
        mass_sd_g=sqrt(max(mm, 0.0)),
        flow_sd_g_per_s=sqrt(max(qq, 0.0)),
        mass_flow_cov=mq,
        stable=w.stable and not w.disturbed,
        settled_g=w.settled_g if not w.disturbed else None,
    )
