"""A pretend person at the bench: hears, hesitates, pours, eases, stops, tops up, lifts the cup.

Owns what somebody does and when. Knows the cues by name only, nothing of how they are decided.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from random import Random

from drivers.scale_sim import StreamTruth, World


@dataclass(frozen=True, slots=True)
class PersonTruth:
    """How somebody reacts.

    `reaction_s` mean time to sound (published means 0.16 to 0.27 s), `jitter_s` its scatter, `slip`
    the chance that attention was elsewhere, costing `slip_s` more; `swap_s` between two bottles.
    `pauses`: fractions of the target at which they stop by themselves to look (dump method).
    """

    reaction_s: float = 0.2
    jitter_s: float = 0.03
    slip: float = 0.01
    slip_s: float = 0.4
    swap_s: float = 2.0
    pause_s: float = 1.2
    pauses: tuple[float, ...] = ()
    stir_s: float = 5.0
    corrects: bool = True


@dataclass(frozen=True, slots=True)
class PartTruth:
    """One bottle: its name, what the person means to pour of it, how it flows."""

    name: str
    target_g: float
    stream: StreamTruth


def varied(stream: StreamTruth, rng: Random) -> StreamTruth:
    """The same bottle in another pour: no two are tilted or closed alike."""
    return replace(
        stream,
        dump_g_per_s=stream.dump_g_per_s * rng.lognormvariate(0.0, 0.12),
        trickle_g_per_s=stream.trickle_g_per_s * rng.lognormvariate(0.0, 0.15),
        close_s=stream.close_s * rng.lognormvariate(0.0, 0.15),
        ease_s=stream.ease_s * rng.lognormvariate(0.0, 0.15),
        dribble_g=stream.dribble_g * rng.lognormvariate(0.0, 0.2),
    )


class SimPerson:
    """Acts on a `World` at its own instants; `heard` schedules what follows a cue."""

    def __init__(
        self, truth: PersonTruth, parts: tuple[PartTruth, ...], cup_g: float, rng: Random
    ) -> None:
        self.truth = truth
        self.parts = parts
        self.cup_g = cup_g
        self.part = -1
        self.commands: list[tuple[float, dict[str, object]]] = []
        """What they said or pressed, with its instant; whoever drives the bench takes it away."""
        self.done = False
        self._rng = rng
        self._plan: list[tuple[float, int, str]] = []
        self._n = 0
        self._pauses: list[float] = []
        self.eased = False
        self.gently = False
        """Told to trickle from the start: the part has no coarse stop."""

    @property
    def next_event_s(self) -> float | None:
        """When they next do something by themselves; None: they wait to hear something."""
        return self._plan[0][0] if self._plan else None

    def plan(self, at_s: float, what: str) -> None:
        """Mean to do `what` at `at_s`."""
        self._n += 1
        heapq.heappush(self._plan, (at_s, self._n, what))

    def reaction_s(self) -> float:
        """One reaction to a sound, slips of attention included."""
        t = self.truth
        late = self._rng.uniform(0.5, 1.5) * t.slip_s if self._rng.random() < t.slip else 0.0
        return max(0.08, self._rng.gauss(t.reaction_s, t.jitter_s)) + late

    def heard(self, pattern: str, at_s: float) -> None:
        """A cue sounded; what it means to them follows after their reaction."""
        after = {
            "tared": ("pour", 1.0),
            "coarse": ("ease", 0.0),
            "fine": ("stop", 0.0),
            "over": ("stop", 0.0),
            "short": ("top-up", 0.6),
            "landed": ("next", self.truth.swap_s),
            "ask": ("answer", 2.0),
            "mixed": ("stir", 0.5),
        }.get(pattern)
        if after is not None:
            self.plan(at_s + self.reaction_s() + after[1], after[0])

    def act(self, world: World, now_s: float) -> None:
        """Do what is due by `now_s`."""
        while self._plan and self._plan[0][0] <= now_s:
            _, _, what = heapq.heappop(self._plan)
            getattr(self, "_" + what.replace("-", "_"))(world, now_s)

    def _cup(self, world: World, now_s: float) -> None:
        self.part = -1
        world.resting_g += self.cup_g

    def _pour(self, world: World, now_s: float) -> None:
        if self.part < 0:
            self._next(world, now_s)

    def _next(self, world: World, now_s: float) -> None:
        if self.part + 1 >= len(self.parts):
            return
        self.part += 1
        world.use(varied(self.parts[self.part].stream, self._rng))
        self._pauses = sorted(self.truth.pauses)
        self.eased = self.gently or self.parts[self.part].target_g < 5.0
        self._open(world, now_s)

    def _open(self, world: World, now_s: float) -> None:
        assert world.stream is not None
        stream = world.stream.truth
        flow = stream.trickle_g_per_s if self.eased else stream.dump_g_per_s
        world.stream.turn(flow, stream.open_s)
        if self._pauses and not self.eased:
            left = self._pauses.pop(0) * self.parts[self.part].target_g - world.poured_g
            if left > 0.0:
                self.plan(now_s + left / flow, "pause")

    def _pause(self, world: World, now_s: float) -> None:
        if world.stream is not None and world.stream.is_open and not self.eased:
            world.stream.turn(0.0, world.stream.truth.close_s)
            self.plan(now_s + self.truth.pause_s, "resume")

    def _resume(self, world: World, now_s: float) -> None:
        if world.stream is not None and not world.stream.is_open:
            self._open(world, now_s)

    def _ease(self, world: World, now_s: float) -> None:
        self.eased = True
        if world.stream is not None and world.stream.is_open:
            world.stream.turn(world.stream.truth.trickle_g_per_s, world.stream.truth.ease_s)

    def _stop(self, world: World, now_s: float) -> None:
        self._plan = [p for p in self._plan if p[2] not in ("pause", "resume", "ease")]
        heapq.heapify(self._plan)
        if world.stream is not None and world.stream.is_open:
            world.stream.turn(0.0, world.stream.truth.close_s)

    def _top_up(self, world: World, now_s: float) -> None:
        if world.stream is not None and not world.stream.is_open:
            stream = world.stream.truth
            world.stream.turn(stream.trickle_g_per_s, stream.open_s)

    def _answer(self, world: World, now_s: float) -> None:
        self.commands.append((now_s, {"do": "correct" if self.truth.corrects else "accept"}))

    def _stir(self, world: World, now_s: float) -> None:
        self.plan(now_s + self.truth.stir_s, "lift")

    def _lift(self, world: World, now_s: float) -> None:
        self.commands.append((now_s, {"do": "next"}))
        world.stream = None
        world.resting_g = 0.0
        self.done = True
