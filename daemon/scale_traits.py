"""What a scale is like, inferred from its stream: division, noise, update interval, lag.

Owns what survives a restart about one scale. Knows nothing of pours, and of the load only how it
stepped from one rest to another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, hypot, sqrt

from drivers.reading import Reading

NOISE_MEMORY = 60.0
"""Readings over which the noise is averaged."""

NOISE_G = 0.03
"""Noise assumed before any is seen: a bench in use, a hand's breath, a fan."""

NO_GRID = (0, 0, 0, 0)

LAG_LIMITS_S = (0.02, 1.2)
"""Between an unfiltered cell and the slowest bench scale; a slower 'step' was a pour."""


@dataclass(frozen=True, slots=True)
class ScaleTraits:
    """What a scale is like, as far as its stream has shown.

    `division_g`: the display's step. `noise_g`: standard deviation beside the rounding.
    `interval_s`: time between readings. `lag_s`: delay of its filter; `dead_s`: pure delay before
    it; `lag_var`: variance of their sum; `steps`: step responses behind them (0: assumed).
    `unit_g`: the last digit sent. `grid`: displayed changes seen that were no multiple of 2, 5 and
    10 units, and all changes.
    """

    division_g: float = 0.1
    noise_g: float = NOISE_G
    interval_s: float = 0.1
    dead_s: float = 0.05
    lag_s: float = 0.35
    lag_var: float = 0.15**2
    steps: int = 0
    unit_g: float | None = None
    grid: tuple[int, int, int, int] = NO_GRID
    changes_var: float | None = None
    """Half the mean square of successive differences at rest, rounding included."""

    @property
    def total_lag_s(self) -> float:
        """Seconds by which a steadily growing reading is behind."""
        return self.dead_s + self.lag_s

    @property
    def rounding_g(self) -> float:
        """Noise of one displayed value: rounding d/√12 (uniform distribution) and the rest."""
        return hypot(self.noise_g, self.division_g / sqrt(12.0))


def with_interval(t: ScaleTraits, dt: float) -> ScaleTraits:
    """After two readings `dt` apart; gaps (lost lines) and bursts move it little."""
    if dt <= 0.0:
        return t
    bounded = min(max(dt, 0.5 * t.interval_s), 1.6 * t.interval_s)
    return replace(t, interval_s=t.interval_s + 0.1 * (bounded - t.interval_s))


def with_change(t: ScaleTraits, before: Reading, now: Reading) -> ScaleTraits:
    """After the display went from one value to another: what its step may be.

    The last digit sent bounds it from below (scales step by 1, 2 or 5 of it: R 76-1, form of d);
    a larger step is believed once a dozen changes all fitted it, and given up when two did not.
    """
    unit = _unit_g(now) or t.unit_g
    if unit is None or before.grams is None or now.grams is None:
        return _by_smallest(t, before, now)
    if t.unit_g is None or abs(unit - t.unit_g) > 1e-3 * unit:
        noise = max(0.3 * unit, NOISE_G)
        t = replace(t, unit_g=unit, division_g=unit, noise_g=noise, grid=NO_GRID, changes_var=None)
    count = round((now.grams - before.grams) / unit)
    if count == 0:
        return t
    two, five, ten, n = t.grid
    grid = (two + (count % 2 != 0), five + (count % 5 != 0), ten + (count % 10 != 0), n + 1)
    step = next(
        (k for k, misses in ((10, grid[2]), (5, grid[1]), (2, grid[0])) if _holds(misses, grid[3])),
        1,
    )
    return replace(t, grid=grid, division_g=step * unit)


def _holds(misses: int, changes: int) -> bool:
    return changes >= 12 and misses <= changes // 50


def _unit_g(reading: Reading) -> float | None:
    """Grams of the last digit sent, from the text's decimals and the unit's size."""
    if reading.text is None or not reading.grams:
        return None
    try:
        shown = float(reading.text)
    except ValueError:
        return None
    if shown == 0.0:
        return None
    decimals = len(reading.text.partition(".")[2])
    return float(f"{10.0**-decimals * abs(reading.grams / shown):.6g}")


def _by_smallest(t: ScaleTraits, before: Reading, now: Reading) -> ScaleTraits:
    """Without digits to count, the smallest change seen is the step."""
    if before.grams is None or now.grams is None:
        return t
    change = abs(now.grams - before.grams)
    first = t.grid[3] == 0
    if change < 1e-6 or not (first or change < 0.99 * t.division_g):
        return t
    return replace(t, division_g=round(change, 6), grid=(0, 0, 0, 1))


@dataclass(frozen=True, slots=True)
class Block:
    """Some tenths of a second of readings: when it began, its sum, its squared differences."""

    from_s: float
    last_g: float
    sum_g: float
    squares: float = 0.0
    n: int = 1
    before_g: float | None = None
    """Mean of the block before, None where there was none."""


BLOCK_S, BLOCK_N = 0.5, 6
"""A block is at least so long and so many readings."""


def with_flicker(t: ScaleTraits, b: Block, at_s: float, grams: float) -> tuple[ScaleTraits, Block]:
    """Learn the noise from readings that flicker about a level, without knowing the level.

    Half the mean square of successive differences is the variance of one reading (von Neumann),
    whatever it slowly does; a block counts only if its mean stayed where the last block's was.
    Less the rounding's d²/12 it is the noise before rounding.
    """
    change = grams - b.last_g
    b = replace(b, last_g=grams, sum_g=b.sum_g + grams, squares=b.squares + change**2, n=b.n + 1)
    if b.n < BLOCK_N or at_s - b.from_s < BLOCK_S:
        return t, b
    mean, var = b.sum_g / b.n, 0.5 * b.squares / (b.n - 1)
    fresh = Block(at_s, grams, grams, before_g=mean)
    if b.before_g is None or abs(mean - b.before_g) > t.division_g + 3.0 * t.noise_g:
        return t, fresh
    if t.changes_var is None:
        old, gain = t.noise_g**2 + t.division_g**2 / 12.0, 0.7
    else:
        old, gain = t.changes_var, min(0.3, b.n / NOISE_MEMORY)
        var = min(var, 9.0 * old)
    var = old + gain * (var - old)
    noise = sqrt(max(0.0, var - t.division_g**2 / 12.0))
    return replace(t, changes_var=var, noise_g=max(noise, 0.15 * t.division_g)), fresh


DEAD_S = 0.06
"""Delay that a step cannot show, having no mark of its own: averaging in the cell, the line."""


MOST_AT_ONCE = 0.7
"""A step that is further along when it is first seen came nearly between two readings: the scale is
quick. Without that an unfiltered one would be looked at through a lag that it has not got."""


def _began_s(first_share: float, lag_s: float, gap_s: float) -> float:
    """How long before the first reading off the old level a step began that had come so far by it.

    Two equal stages have come to 1 - (1 + x)·exp(-x) after x stage times, which is 0.93 at x = 4.3;
    of one that is all there only the two readings are known that it lies between.
    """
    if first_share > 0.93:
        return 0.5 * gap_s
    x = 2.5
    for _ in range(4):  # Newton's method; the slope is x·exp(-x)
        x -= (1.0 - first_share - (1.0 + x) * exp(-x)) / (x * exp(-x))
    return min(0.5 * lag_s * x, gap_s)


def with_step(
    t: ScaleTraits,
    size_g: float,
    first_share: float,
    mean_s: float,
    var_s2: float,
    gap_s: float,
) -> ScaleTraits:
    """After a load was put down or lifted and the display followed by `size_g`.

    Times are counted from the first reading that had moved, by `first_share` of the step, `gap_s`
    after the old level was last seen; `mean_s`, `var_s2`: mean arrival time of the step and its
    variance. Two equal stages of lag L have a variance L²/2, so L = √(2·variance); their response
    grows at first by the share x²/2 in x stage times, which tells how long before that reading the
    step began; what the mean is behind that beyond L is pure delay. A step of few divisions tells
    less. What lasted much longer than the lag known so far was a pour, or a cup set down slowly,
    and tells nothing.
    """
    if not (0.0 <= first_share <= 1.02 and var_s2 > 0.0):
        return t
    lag = sqrt(2.0 * var_s2)
    if first_share > MOST_AT_ONCE:
        if not 0.0 < gap_s <= 1.6 * t.interval_s:
            return t
        mean = max(mean_s + _began_s(first_share, lag, gap_s), LAG_LIMITS_S[0])
    else:
        x = sqrt(2.0 * min(first_share, 0.5))
        mean = mean_s + 0.5 * lag * x * (1.0 + x / 3.0)
    noise = 0.02**2 + (0.15 * t.interval_s) ** 2 + (t.division_g / size_g) ** 2
    off = mean + DEAD_S - t.total_lag_s
    far = 3.0 * sqrt(t.lag_var + noise)
    if not LAG_LIMITS_S[0] <= mean <= LAG_LIMITS_S[1] or off > far:
        return t
    lag = min(max(lag, 0.4 * mean), mean)
    gain = t.lag_var / (t.lag_var + noise)
    share = gain if t.steps else 1.0
    total = t.total_lag_s + gain * off
    lag_s = min(t.lag_s + share * (lag - t.lag_s), total - 0.5 * DEAD_S)
    return replace(
        t,
        lag_s=max(lag_s, LAG_LIMITS_S[0]),
        dead_s=max(0.0, total - lag_s),
        lag_var=(1.0 - gain) * t.lag_var + 0.01**2,
        steps=t.steps + 1,
    )
