"""A pretend bench in numbers: a scale, a stream of resin, and the clockwork that runs them.

Owns the physics (load, filter, display, flow). Knows nothing of bytes, ports or real time, and of
the person only what `Actor` asks. Time is an argument; chance comes from a seeded generator.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from math import exp, sqrt
from random import Random
from typing import Protocol

GRAVITY_M_PER_S2 = 9.80665


@dataclass(frozen=True, slots=True)
class ScaleTruth:
    """How a simulated scale behaves.

    `rate_hz` updates a second; `division_g` the display's step; `noise_g` standard deviation before
    rounding; `poles_s` the two time constants of its filter; `average_s` the length of its moving
    average; `dead_s` from the instant of an update to its arrival; `drift_g_per_s` of the zero.
    """

    rate_hz: float = 10.0
    division_g: float = 0.1
    noise_g: float = 0.03
    poles_s: tuple[float, float] = (0.15, 0.10)
    average_s: float = 0.0
    dead_s: float = 0.05
    drift_g_per_s: float = 0.0

    @property
    def lag_s(self) -> float:
        """Mean delay of a steady ramp: poles, half the average, dead time."""
        return sum(self.poles_s) + 0.5 * self.average_s + self.dead_s


@dataclass(frozen=True, slots=True)
class Shown:
    """One update of the display, at the instant its frame arrives."""

    at_s: float
    grams: float
    moving: bool


class SimScale:
    """Load in, displayed values out: moving average, two poles, noise, rounding, dead time."""

    def __init__(self, truth: ScaleTruth, rng: Random, step_s: float) -> None:
        self.truth = truth
        self._rng = rng
        self._step_s = step_s
        self._keep = [exp(-step_s / tau) if tau > 0.0 else 0.0 for tau in truth.poles_s]
        self._stages = [0.0, 0.0]
        self._window: deque[float] = deque(
            [0.0] * max(1, round(truth.average_s / step_s)), maxlen=None
        )
        self._sum = 0.0
        self._zero = 0.0
        self._next_s = rng.uniform(0.0, 1.0 / truth.rate_hz)
        self._recent: deque[float] = deque(maxlen=max(2, round(0.5 * truth.rate_hz)))

    def step(self, now_s: float, load_g: float) -> Shown | None:
        """Advance by one step to `now_s` under this load; the update that fell due, if any."""
        self._sum += load_g - self._window.popleft()
        self._window.append(load_g)
        value = self._sum / len(self._window)
        for i in (0, 1):
            self._stages[i] = value + self._keep[i] * (self._stages[i] - value)
            value = self._stages[i]
        self._zero += self.truth.drift_g_per_s * self._step_s
        if now_s < self._next_s:
            return None
        self._next_s += 1.0 / self.truth.rate_hz
        return self._show(now_s, value)

    def _show(self, now_s: float, value: float) -> Shown:
        d = self.truth.division_g
        seen = value + self._zero + self._rng.gauss(0.0, self.truth.noise_g)
        grams = round(round(seen / d) * d, 6)
        self._recent.append(value)
        moving = max(self._recent) - min(self._recent) > d
        return Shown(now_s + self.truth.dead_s, grams, moving)


@dataclass(frozen=True, slots=True)
class StreamTruth:
    """How one material leaves its container under one hand.

    `dump_g_per_s` and `trickle_g_per_s` flows; `open_s`, `ease_s`, `close_s` how long the hand and
    the resin take to change; `dribble_g` what still comes after closing, fading with `dribble_s`;
    `surge` relative scatter of the flow, correlated over `surge_s`; `fall_m` from spout to cup,
    `spout_m_per_s` speed at which the stream leaves.
    """

    dump_g_per_s: float = 20.0
    trickle_g_per_s: float = 2.0
    open_s: float = 0.4
    ease_s: float = 0.5
    close_s: float = 0.15
    dribble_g: float = 0.1
    dribble_s: float = 0.3
    surge: float = 0.08
    surge_s: float = 0.7
    fall_m: float = 0.10
    spout_m_per_s: float = 0.1


class SimPour:
    """A stream that opens, eases, closes and dribbles; what it weighs on the pan meanwhile.

    The pan feels what has landed plus the landing stream's momentum, q·v/g with v = v0 + g·t_fall.
    For a steady stream that equals all that has left the spout plus q·v0/g (momentum balance).
    """

    def __init__(self, truth: StreamTruth, rng: Random, step_s: float) -> None:
        self.truth = truth
        self.left_g = 0.0
        self.flow_g_per_s = 0.0
        self._rng = rng
        self._step_s = step_s
        self._from = self._to = 0.0
        self._over_s = 0.1
        self._since_s = 0.0
        self._surge = 0.0
        self._drip = 0.0
        v0 = truth.spout_m_per_s
        g = GRAVITY_M_PER_S2
        fall_s = (sqrt(v0 * v0 + 2.0 * g * truth.fall_m) - v0) / g
        self._jet_s = fall_s + v0 / g
        self._air: deque[tuple[float, float]] = deque([(0.0, 0.0)] * max(1, round(fall_s / step_s)))

    def turn(self, flow_g_per_s: float, over_s: float) -> None:
        """Let the flow move to this value over so many seconds."""
        if flow_g_per_s <= 0.0 < self._to:
            share = min(1.0, self.flow_g_per_s / max(self.truth.trickle_g_per_s, 1e-9))
            self._drip = self.truth.dribble_g * share
        self._from, self._to = self.flow_g_per_s, max(0.0, flow_g_per_s)
        self._over_s, self._since_s = max(over_s, 1e-6), 0.0

    @property
    def is_open(self) -> bool:
        """Whether the hand means the stream to run."""
        return self._to > 0.0

    def step(self) -> float:
        """Advance by one step; grams that the pan feels of all that was poured so far."""
        h, t = self._step_s, self.truth
        self._since_s += h
        x = min(1.0, self._since_s / self._over_s)
        smooth = x * x * (3.0 - 2.0 * x)
        base = self._from + (self._to - self._from) * smooth
        keep = exp(-h / t.surge_s)
        self._surge = keep * self._surge + self._rng.gauss(0.0, t.surge * sqrt(1.0 - keep * keep))
        flow = max(0.0, base * (1.0 + self._surge))
        if self._to == 0.0 and self._drip > 0.0 and x >= 1.0:
            out = self._drip * (1.0 - exp(-h / t.dribble_s))
            self._drip -= out
            flow += out / h
        self.flow_g_per_s = flow
        self.left_g += flow * h
        self._air.append((self.left_g, flow))
        landed_g, landing_flow = self._air.popleft()
        return landed_g + landing_flow * self._jet_s


class Actor(Protocol):
    """Somebody at the bench; `sim_person.SimPerson` is one."""

    @property
    def next_event_s(self) -> float | None:
        """When they next do something by themselves."""

    def act(self, world: World, now_s: float) -> None:
        """Do what is due."""


class World:
    """Scale, streams and whatever rests on the pan, advanced together in fixed small steps."""

    def __init__(self, scale: ScaleTruth, rng: Random, step_s: float = 0.005) -> None:
        self.now_s = 0.0
        self.step_s = step_s
        self.rng = rng
        self.scale = SimScale(scale, rng, step_s)
        self.stream: SimPour | None = None
        self.person: Actor | None = None
        self.resting_g = 0.0
        """Everything on the pan but the resin: cup, hand, spoon."""
        self.sign = 1
        self.displayed_g = 0.0
        self.on_shown: Callable[[Shown], None] | None = None
        self._steps = 0

    @property
    def poured_g(self) -> float:
        """What has left the spout of the stream now in hand."""
        return self.stream.left_g if self.stream else 0.0

    def use(self, stream: StreamTruth) -> None:
        """Take another container in hand; what was poured before rests on the pan."""
        if self.stream is not None:
            self.resting_g += self.sign * self.stream.left_g
        self.stream = SimPour(stream, self.rng, self.step_s)

    def advance(self, to_s: float) -> list[Shown]:
        """Run until `to_s`; the display updates on the way (each at its arrival, in order)."""
        shown: list[Shown] = []
        while (self._steps + 1) * self.step_s <= to_s + 1e-9:
            self._steps += 1
            self.now_s = self._steps * self.step_s
            person = self.person
            if person is not None:
                due = person.next_event_s
                if due is not None and due <= self.now_s:
                    person.act(self, self.now_s)
            felt = self.stream.step() if self.stream else 0.0
            update = self.scale.step(self.now_s, self.resting_g + self.sign * felt)
            if update is not None:
                self.displayed_g = update.grams
                shown.append(update)
        return shown
