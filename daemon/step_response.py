"""A load that goes from one rest to another, and what the display's way there tells of its lag.

Owns the measuring of one step response, in constant memory. Knows nothing of cups or pours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from daemon import scale_traits
from daemon.scale_traits import ScaleTraits

LONGEST_S = 6.0
"""No scale takes longer to follow a step."""


@dataclass(frozen=True, slots=True)
class StepSeen:
    """A step under way: the first reading off the old level, and integrals since the last on it."""

    first_s: float
    first_g: float
    from_g: float
    last_s: float
    last_g: float
    low_g: float
    high_g: float
    left_s: float = 0.0
    """When the old level was last seen before that reading."""
    area_gs: float = 0.0
    moment_gs2: float = 0.0


def beyond_g(t: ScaleTraits) -> float:
    """How far off a level a reading must be to have left it."""
    return max(1.5 * t.division_g, 4.0 * t.noise_g)


def followed(
    step: StepSeen | None, quiet: tuple[float, float] | None, t: ScaleTraits, at_s: float, g: float
) -> StepSeen | None:
    """The step after one more reading; None where there is none (any more).

    `quiet`: when and where the display last lay still for some readings.
    """
    if step is None:
        if quiet is None or at_s - quiet[0] > max(0.3, 4.0 * t.interval_s):
            return None
        if abs(g - quiet[1]) <= beyond_g(t):
            return None
        step = StepSeen(at_s, g, quiet[1], quiet[0], quiet[1], quiet[1], quiet[1], quiet[0])
    elif abs(g - step.from_g) < beyond_g(t) or at_s - step.first_s > LONGEST_S:
        return None
    return _integrated(step, at_s, g)


def _integrated(step: StepSeen, at_s: float, g: float) -> StepSeen:
    dt = at_s - step.last_s
    y0, y1 = step.last_g - step.from_g, g - step.from_g
    t0, t1 = step.last_s - step.first_s, at_s - step.first_s
    return replace(
        step,
        last_s=at_s,
        last_g=g,
        low_g=min(step.low_g, g),
        high_g=max(step.high_g, g),
        area_gs=step.area_gs + 0.5 * dt * (y0 + y1),
        moment_gs2=step.moment_gs2 + dt * (t0 * (2.0 * y0 + y1) + t1 * (y0 + 2.0 * y1)) / 6.0,
    )


def taught(t: ScaleTraits, step: StepSeen, rest_g: float) -> ScaleTraits:
    """What a step that came to rest at `rest_g` tells, if it was large and went straight there.

    With y the response from 0 to 1 and time counted from the first reading off, the mean arrival
    is T - ∫y dt and the mean square T² - 2∫t·y dt, T being any instant after which y stays 1.
    """
    size = rest_g - step.from_g
    strayed = step.high_g - step.low_g - abs(size)
    if abs(size) < max(2.0, 6.0 * t.division_g):
        return t
    if strayed > 0.04 * abs(size) + 2.0 * t.division_g:
        return t
    length = step.last_s - step.first_s
    mean = length - step.area_gs / size
    square = length * length - 2.0 * step.moment_gs2 / size
    share = (step.first_g - step.from_g) / size
    gap = step.first_s - step.left_s
    return scale_traits.with_step(t, size, share, mean, square - mean * mean, gap)
