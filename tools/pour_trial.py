"""One person's session on one simulated scale under one way of giving cues; figures of every pour.

Owns the loop that pours, and the ways of giving cues that are compared. Knows nothing of tables.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from random import Random
from typing import Protocol

from daemon import hand as hands
from daemon import pour, weighing
from daemon.hand import Hand
from daemon.pour import (
    Begun,
    Cue,
    HandLearned,
    Landed,
    Over,
    Pour,
    PourGoal,
    PourNews,
    Short,
    Stage,
    StopCoarse,
    StopFine,
)
from daemon.weighing import ScaleTraits, Weighing
from drivers.reading import Reading
from drivers.scale_sim import Shown, World
from drivers.sim_person import PartTruth, SimPerson
from tools.pour_draw import Bench, draw

LIMIT_S = 300.0
"""A pour that takes longer is given up and counted."""

NEVER = 1e6
STEP_S = 0.01
KINDS = ("reading", "fixed", "learned", "oracle")


@dataclass(frozen=True, slots=True)
class Figure:
    """What became of one pour; grams truly poured, seconds from first drop to settled."""

    bench: int
    number: int
    part: str
    target_g: float
    error_g: float
    tolerance_g: float
    seconds: float
    top_ups: int
    scale_class: str
    finished: bool
    ratio_error_pct: float | None
    """Of the mix, once the second part has landed."""


class Guide(Protocol):
    """A way of giving cues."""

    def begin(self, goal: PourGoal, at_s: float, w: Weighing) -> None:
        """A part is about to be poured."""

    def gently(self) -> bool:
        """Whether the person is told to trickle from the start."""

    def due_s(self) -> float | None:
        """When it wants to be asked again."""

    def on_reading(self, w: Weighing) -> tuple[PourNews, ...]:
        """A reading came."""

    def on_time(self, at_s: float, w: Weighing) -> tuple[PourNews, ...]:
        """The instant asked for came."""


class Program:
    """The program's own cues: with stops on the reading, with a fixed hand, or learning."""

    def __init__(
        self, *, learns: bool, coarse: float | None = None, fine: float | None = None
    ) -> None:
        self.stops = (coarse, fine)
        self.learns = learns
        self.hand: Hand = hands.fresh()
        self.p: Pour | None = None

    def begin(self, goal: PourGoal, at_s: float, w: Weighing) -> None:
        """Start the part on the settled load."""
        goal = replace(goal, coarse=self.stops[0], fine=self.stops[1])
        base = w.settled_g if w.settled_g is not None else w.gross_g
        assert base is not None
        self.p = pour.begin(goal, base, 1, at_s, w, self.hand)

    def gently(self) -> bool:
        """Where the pour has no coarse stop."""
        return self.p is not None and self.p.stops_g[0] is None

    def due_s(self) -> float | None:
        """The pour's own next instant."""
        return self.p.due_s if self.p else None

    def on_reading(self, w: Weighing) -> tuple[PourNews, ...]:
        """Hand the reading to the pour."""
        assert self.p is not None
        self.p, news = pour.on_reading(self.p, w, self.hand)
        return self._take(news)

    def on_time(self, at_s: float, w: Weighing) -> tuple[PourNews, ...]:
        """Hand the instant to the pour."""
        assert self.p is not None
        self.p, news = pour.on_time(self.p, w, self.hand, at_s)
        return self._take(news)

    def _take(self, news: tuple[PourNews, ...]) -> tuple[PourNews, ...]:
        for n in news:
            if isinstance(n, HandLearned) and self.learns:
                self.hand = n.hand
        return news


class Oracle:
    """Knows the true mass and flow and the person's and bottle's means; misses by chance only."""

    def __init__(self, bench: Bench, world: World) -> None:
        self.bench, self.world = bench, world
        self.goal: PourGoal | None = None
        self.inner = Program(coarse=NEVER, fine=NEVER, learns=False)
        self.eased_s: float | None = None

    def begin(self, goal: PourGoal, at_s: float, w: Weighing) -> None:
        """Start; rest, short and over are judged by the program, as for everybody."""
        self.goal = goal
        self.inner.begin(goal, at_s, w)
        self.eased_s = None

    def gently(self) -> bool:
        """Where even easing off at the first drop would come too late."""
        assert self.goal is not None
        t, person = self._part().stream, self.bench.person
        easing_s = person.reaction_s + 0.5 * t.ease_s + 2.0 * person.jitter_s
        return t.dump_g_per_s * easing_s + 2.0 * t.trickle_g_per_s > 0.8 * self.goal.target_g

    def due_s(self) -> float | None:
        """Asked all the time."""
        return self.world.now_s

    def on_reading(self, w: Weighing) -> tuple[PourNews, ...]:
        """What follows after the stop is taken from the program."""
        return self.inner.on_reading(w)

    def on_time(self, at_s: float, w: Weighing) -> tuple[PourNews, ...]:
        """Cue on the truth."""
        stream, goal, p = self.world.stream, self.goal, self.inner.p
        if stream is None or goal is None or p is None or not stream.is_open:
            return ()
        if p.stage in (Stage.CUT, Stage.DONE):
            return ()
        t, person, flow = self._part().stream, self.bench.person, stream.flow_g_per_s
        lead = person.reaction_s + 0.5 * t.close_s
        lands = stream.left_g + flow * lead + t.dribble_g * min(1.0, flow / t.trickle_g_per_s)
        easing = self.eased_s is not None and at_s - self.eased_s < person.reaction_s + t.ease_s
        if lands >= goal.target_g and not (easing and stream.left_g < goal.target_g):
            cue, begun = Cue(at_s, stream.left_g, flow), p.begun_at_s or at_s
            self.inner.p = replace(p, stage=Stage.CUT, begun_at_s=begun, fine_cue=cue)
            return (StopFine(at_s, 0.0, 0.0, lands),)
        leave = t.trickle_g_per_s * (0.5 * t.ease_s + 0.5 + lead) + t.dribble_g
        easing_s = person.reaction_s + 0.5 * t.ease_s + 2.0 * person.jitter_s
        if self.eased_s is not None or stream.left_g + flow * easing_s + leave < goal.target_g:
            return ()
        self.eased_s = at_s
        return (StopCoarse(at_s, 0.0, 0.0, lands),)

    def _part(self) -> PartTruth:
        return next(p for p in self.bench.parts if self.goal and p.name == self.goal.part)


class Session:
    """One person pours several batches of two parts on one bench under one kind of guide."""

    def __init__(self, number: int, kind: str, batches: int, wide: bool = False) -> None:
        self.number, self.kind, self.batches = number, kind, batches
        self.bench = draw(number, wide)
        self.rng = Random(number * 104729 + 7)
        self.world = World(self.bench.scale, Random(number * 31 + 1), STEP_S)
        self.person = SimPerson(
            self.bench.person, self.bench.parts, self.bench.cup_g, Random(number * 17 + 3)
        )
        self.world.person = self.person
        self.w = weighing.start(ScaleTraits(lag_s=0.3) if kind == "fixed" else None)
        self.guide: Guide = self._guide()
        self.pending: deque[Shown] = deque()
        self.figures: list[Figure] = []
        self.trace: list[tuple[float, PourNews]] = []

    def _guide(self) -> Guide:
        if self.kind == "oracle":
            return Oracle(self.bench, self.world)
        if self.kind == "reading":
            return Program(coarse=0.75, fine=0.97, learns=False)
        return Program(learns=self.kind == "learned")

    def run(self) -> list[Figure]:
        """All batches; the figures of every pour. The second part follows the first one's mass."""
        self._idle(1.5)
        for batch in range(self.batches):
            start = self.world.now_s
            self.person.plan(start + 0.5, "cup")
            self._until_rest(start + 0.5, self.bench.cup_g * 0.5)
            share = 1.0
            for i, part in enumerate(self.bench.parts):
                number = batch * len(self.bench.parts) + i + 1
                share = self._pour(number, part, share, first=i == 0)
                self._idle(0.3)
            self.person.plan(self.world.now_s + 0.5, "lift")
            self._idle(0.6)
            self._until_rest(self.world.now_s, -1e9)
        return self.figures

    def _next_readings(self, to_s: float) -> list[Shown]:
        self.pending.extend(self.world.advance(to_s))
        ready = []
        while self.pending and self.pending[0].at_s <= self.world.now_s:
            ready.append(self.pending.popleft())
        return ready

    def _weigh(self, shown: Shown) -> bool:
        luck, d = self.rng.random(), self.bench.scale.division_g
        if luck < self.bench.dropped:
            return False
        grams = shown.grams
        if luck > 1.0 - self.bench.garbled:
            grams += self.rng.choice((-1, 1)) * d * 10.0 ** self.rng.randint(0, 4)
        decimals = 2 if d < 0.1 else 1 if d < 1 else 0
        reading = Reading(shown.at_s, f"{grams:.{decimals}f}", grams, "g", not shown.moving)
        self.w = weighing.weigh(self.w, reading)
        return True

    def _idle(self, seconds: float) -> None:
        end = self.world.now_s + seconds
        while self.world.now_s < end - 1e-9:
            for shown in self._next_readings(self.world.now_s + 0.02):
                self._weigh(shown)

    def _until_rest(self, from_s: float, above_g: float) -> None:
        while self.world.now_s < from_s + 15.0:
            for shown in self._next_readings(self.world.now_s + 0.02):
                self._weigh(shown)
            settled = self.w.settled_g
            if self.world.now_s > from_s + 0.5 and settled is not None and settled > above_g:
                return

    def _pour(self, number: int, part: PartTruth, share: float, *, first: bool) -> float:
        """Pour one part of `share` times its target; returns what share landed, as displayed."""
        target = part.target_g * share
        goal = PourGoal(part.name, target, self.bench.tolerance_g)
        self.guide.begin(goal, self.world.now_s, self.w)
        self.person.gently = self.guide.gently()
        self.person.heard("tared" if first else "landed", self.world.now_s)
        told = self._until_landed()
        ended = next((n for n in told if isinstance(n, Landed | Over)), None)
        began = next((n.at_s for n in told if isinstance(n, Begun)), self.world.now_s)
        poured = self.world.poured_g
        before = self.figures[-1] if not first else None
        ratio = None
        if before is not None:
            had = (before.target_g + before.error_g) / self.bench.parts[0].target_g
            ratio = 100.0 * (poured / part.target_g / had - 1.0)
        self.figures.append(
            Figure(
                bench=self.number,
                number=number,
                part=part.name,
                target_g=target,
                error_g=poured - target,
                tolerance_g=self.bench.tolerance_g,
                seconds=self.world.now_s - began,
                top_ups=sum(isinstance(n, Short) for n in told),
                scale_class=self.bench.scale_class,
                finished=ended is not None,
                ratio_error_pct=ratio,
            )
        )
        return ended.actual_g / part.target_g if ended is not None else share

    def _until_landed(self) -> list[PourNews]:
        told: list[PourNews] = []
        end = self.world.now_s + LIMIT_S
        while self.world.now_s < end and not any(isinstance(n, Landed | Over) for n in told):
            for at_s, n in self._news():
                self.trace.append((at_s, n))
                told.append(n)
                self._hears(n)
        return told

    def _hears(self, n: PourNews) -> None:
        for kind, pattern in ((StopCoarse, "coarse"), (StopFine, "fine"), (Short, "short")):
            if isinstance(n, kind):
                self.person.heard(pattern, n.at_s)

    def _news(self) -> list[tuple[float, PourNews]]:
        told: list[tuple[float, PourNews]] = []
        for shown in self._next_readings(self.world.now_s + STEP_S):
            told += self._timed(shown.at_s)
            if self._weigh(shown):
                told += [(shown.at_s, n) for n in self.guide.on_reading(self.w)]
        return told + self._timed(self.world.now_s)

    def _timed(self, until_s: float) -> list[tuple[float, PourNews]]:
        told: list[tuple[float, PourNews]] = []
        due = self.guide.due_s()
        while due is not None and due <= until_s:
            told += [(due, n) for n in self.guide.on_time(due, self.w)]
            again = self.guide.due_s()
            if again is None or again <= due:
                break
            due = again
        return told
