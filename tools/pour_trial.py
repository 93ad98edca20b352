"""One person's session on one simulated scale under one way of giving cues; figures of every pour.

Owns the draw of a bench and the loop that pours on it. Knows nothing of tables or plots.
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
    Cue,
    HandLearned,
    Landed,
    Over,
    Pour,
    PourGoal,
    Short,
    Stage,
    StopCoarse,
    StopFine,
)
from daemon.weighing import ScaleTraits, Weighing
from drivers.reading import Reading
from drivers.scale_sim import ScaleTruth, Shown, StreamTruth, World
from drivers.sim_person import PartTruth, PersonTruth, SimPerson

SETTLE_LIMIT_S = 300.0
NEVER = 1e6


@dataclass(frozen=True, slots=True)
class Bench:
    """One drawn bench: scale, person, two bottles, how often lines go missing or wrong."""

    scale: ScaleTruth
    person: PersonTruth
    parts: tuple[PartTruth, PartTruth]
    cup_g: float
    dropped: float
    garbled: float

    @property
    def tolerance_g(self) -> float:
        """Landing band, never under the division."""
        return max(0.3, self.scale.division_g)

    @property
    def scale_class(self) -> str:
        """Fine, middle or coarse by the display's step."""
        d = self.scale.division_g
        return "0.01-0.02 g" if d < 0.03 else "0.05-0.2 g" if d < 0.3 else "0.5-1 g"


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
    short_g: float
    trickle_s: float


def _log_uniform(rng: Random, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())


def draw(seed: int) -> Bench:
    """A bench drawn from the ranges in the module's notes; the same seed gives the same bench."""
    rng = Random(seed * 7919 + 13)
    return Bench(
        scale=_draw_scale(rng),
        person=_draw_person(rng),
        parts=(_draw_part("A", rng), _draw_part("B", rng)),
        cup_g=rng.uniform(4.0, 14.0),
        dropped=rng.choice((0.0, 0.0, 0.01, 0.03)),
        garbled=rng.choice((0.0, 0.0, 0.001)),
    )


def _draw_scale(rng: Random) -> ScaleTruth:
    d = rng.choice((0.01, 0.01, 0.02, 0.05, 0.1, 0.1, 0.1, 0.2, 0.5, 1.0))
    rate = rng.choice((2.0, 4.0, 5.0, 5.0, 8.0, 10.0, 10.0, 10.0, 20.0, 50.0))
    return ScaleTruth(
        rate_hz=rate * rng.uniform(0.93, 1.07),
        division_g=d,
        noise_g=max(0.004, d * rng.uniform(0.1, 0.5)),
        poles_s=(rng.uniform(0.02, 0.3), rng.uniform(0.02, 0.3)),
        average_s=rng.choice((0.0, 0.0, 0.2, 0.4, 0.8)),
        dead_s=rng.uniform(0.01, 0.15),
        drift_g_per_s=rng.gauss(0.0, 0.0005),
    )


def _draw_person(rng: Random) -> PersonTruth:
    # Reaction to sound: published means 0.16 s (reviews) to 0.27 s (slower set-ups), SD of one
    # person 15 to 25 % of it; longer where the cue arrives over a network.
    reaction = rng.choice((rng.uniform(0.15, 0.28), rng.uniform(0.25, 0.6)))
    return PersonTruth(
        reaction_s=reaction,
        jitter_s=reaction * rng.uniform(0.12, 0.25),
        slip=rng.choice((0.0, 0.01, 0.02)),
        pauses=rng.choice(((), (), (0.7, 0.82, 0.94))),
        swap_s=rng.uniform(1.5, 3.0),
    )


def _draw_part(name: str, rng: Random) -> PartTruth:
    dump = _log_uniform(rng, 5.0, 60.0)
    trickle = min(_log_uniform(rng, 0.5, 6.0), dump / 2.5)
    stream = StreamTruth(
        dump_g_per_s=dump,
        trickle_g_per_s=trickle,
        open_s=rng.uniform(0.2, 0.6),
        ease_s=rng.uniform(0.2, 1.5),
        close_s=rng.uniform(0.08, 0.35),
        dribble_g=rng.choice((0.0, _log_uniform(rng, 0.05, 1.0))),
        dribble_s=rng.uniform(0.15, 0.6),
        surge=rng.uniform(0.02, 0.10),
        surge_s=rng.uniform(0.4, 1.2),
        fall_m=rng.uniform(0.05, 0.25),
        spout_m_per_s=rng.uniform(0.0, 0.4),
    )
    return PartTruth(name, rng.uniform(20.0, 120.0), stream)


class Guide(Protocol):
    """A way of giving cues."""

    def begin(self, goal: PourGoal, at_s: float, w: Weighing) -> None:
        """A part is about to be poured."""

    def gently(self) -> bool:
        """Whether the person is told to trickle from the start."""

    def due_s(self) -> float | None:
        """When it wants to be asked again."""

    def on_reading(self, w: Weighing) -> tuple[pour.PourNews, ...]:
        """A reading came."""

    def on_time(self, at_s: float, w: Weighing) -> tuple[pour.PourNews, ...]:
        """The instant asked for came."""


class Program:
    """The program's own cues: with stops on the reading, with a fixed hand, or learning."""

    def __init__(self, *, coarse: float | None = None, fine: float | None = None, learns: bool):
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

    def on_reading(self, w: Weighing) -> tuple[pour.PourNews, ...]:
        """Hand the reading to the pour."""
        assert self.p is not None
        self.p, news = pour.on_reading(self.p, w, self.hand)
        return self._take(news)

    def on_time(self, at_s: float, w: Weighing) -> tuple[pour.PourNews, ...]:
        """Hand the instant to the pour."""
        assert self.p is not None
        self.p, news = pour.on_time(self.p, w, self.hand, at_s)
        return self._take(news)

    def _take(self, news: tuple[pour.PourNews, ...]) -> tuple[pour.PourNews, ...]:
        for n in news:
            if isinstance(n, HandLearned) and self.learns:
                self.hand = n.hand
        return news


class Oracle:
    """Knows the true mass and flow and the person's mean; misses by their scatter only."""

    def __init__(self, bench: Bench, world: World) -> None:
        self.bench, self.world = bench, world
        self.goal: PourGoal | None = None
        self.inner = Program(coarse=NEVER, fine=NEVER, learns=False)
        self.eased = False

    def begin(self, goal: PourGoal, at_s: float, w: Weighing) -> None:
        """Start; rest, short and over are judged by the program, as for everybody."""
        self.goal = goal
        self.inner.begin(goal, at_s, w)
        self.eased = False

    def gently(self) -> bool:
        """Where even easing off at the first drop would come too late."""
        part = next(p for p in self.bench.parts if self.goal and p.name == self.goal.part)
        t = part.stream
        reaction = self.bench.person.reaction_s
        easing = t.dump_g_per_s * (reaction + 0.5 * t.ease_s + 2.0 * self.bench.person.jitter_s)
        return easing + 2.0 * t.trickle_g_per_s > 0.8 * part.target_g

    def due_s(self) -> float | None:
        """Asked all the time."""
        return self.world.now_s

    def on_reading(self, w: Weighing) -> tuple[pour.PourNews, ...]:
        """What follows after the stop is taken from the program."""
        return self.inner.on_reading(w)

    def on_time(self, at_s: float, w: Weighing) -> tuple[pour.PourNews, ...]:
        """Cue on the truth."""
        stream, goal, p = self.world.stream, self.goal, self.inner.p
        if stream is None or goal is None or p is None or not stream.is_open:
            return ()
        if p.stage in (Stage.CUT, Stage.DONE):
            return ()
        t = next(b for b in self.bench.parts if b.name == goal.part).stream
        flow = stream.flow_g_per_s
        lead = self.bench.person.reaction_s + 0.5 * t.close_s
        drip = t.dribble_g * min(1.0, flow / t.trickle_g_per_s)
        lands = stream.left_g + flow * lead + drip
        if lands >= goal.target_g:
            cue = Cue(at_s, stream.left_g, flow)
            begun = p.begun_at_s or at_s
            self.inner.p = replace(p, stage=Stage.CUT, begun_at_s=begun, fine_cue=cue)
            return (StopFine(at_s, 0.0, 0.0, lands),)
        leave = t.trickle_g_per_s * (0.5 * t.ease_s + 0.5 + lead) + t.dribble_g
        jitter = 2.0 * self.bench.person.jitter_s * flow
        eased = stream.left_g + flow * (self.bench.person.reaction_s + 0.5 * t.ease_s) + jitter
        if not self.eased and eased + leave >= goal.target_g:
            self.eased = True
            return (StopCoarse(at_s, 0.0, 0.0, lands),)
        return ()


KINDS = ("reading", "fixed", "learned", "oracle")


class Session:
    """One person pours several batches on one bench under one kind of guide."""

    def __init__(self, number: int, kind: str, batches: int) -> None:
        self.number, self.kind, self.batches = number, kind, batches
        self.bench = draw(number)
        self.rng = Random(number * 104729 + 7)
        self.world = World(self.bench.scale, Random(number * 31 + 1), 0.01)
        self.person = SimPerson(
            self.bench.person, self.bench.parts, self.bench.cup_g, Random(number * 17 + 3)
        )
        self.world.person = self.person
        self.w = weighing.start(ScaleTraits(lag_s=0.3) if kind == "fixed" else None)
        self.guide: Guide = self._guide()
        self.pending: deque[Shown] = deque()
        self.figures: list[Figure] = []
        self.trace: list[tuple[float, pour.PourNews]] = []

    def _guide(self) -> Guide:
        if self.kind == "oracle":
            return Oracle(self.bench, self.world)
        if self.kind == "reading":
            return Program(coarse=0.75, fine=0.97, learns=False)
        return Program(learns=self.kind == "learned")

    def run(self) -> list[Figure]:
        """All batches; the figures of every pour."""
        self._idle(1.5)
        for batch in range(self.batches):
            start = self.world.now_s
            self.person.plan(start + 0.5, "cup")
            self._until_rest(start + 0.5, self.bench.cup_g * 0.5)
            for i, part in enumerate(self.bench.parts):
                self._pour(batch * len(self.bench.parts) + i + 1, part, first=i == 0)
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
        luck = self.rng.random()
        if luck < self.bench.dropped:
            return False
        grams, step_g = shown.grams, self.bench.scale.division_g
        if luck > 1.0 - self.bench.garbled:
            grams += self.rng.choice((-1, 1)) * step_g * 10.0 ** self.rng.randint(0, 4)
        decimals = 2 if step_g < 0.1 else 1 if step_g < 1 else 0
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
            if self.world.now_s > from_s + 0.3 and settled is not None and settled > above_g:
                return

    def _pour(self, number: int, part: PartTruth, *, first: bool) -> None:
        goal = PourGoal(part.name, part.target_g, self.bench.tolerance_g)
        before = self.world.poured_g if not first else 0.0
        began_part = self.person.part
        self.guide.begin(goal, self.world.now_s, self.w)
        self.person.gently = self.guide.gently()
        self.person.heard("tared" if first else "landed", self.world.now_s)
        top_ups, ended, coarse_at, trickle = 0, None, None, 0.0
        end = self.world.now_s + SETTLE_LIMIT_S
        while self.world.now_s < end and ended is None:
            for at_s, n in self._news():
                self.trace.append((at_s, n))
                if isinstance(n, StopCoarse):
                    coarse_at = n.at_s
                    self.person.heard("coarse", n.at_s)
                elif isinstance(n, StopFine):
                    trickle = (
                        n.at_s - coarse_at if coarse_at is not None and not top_ups else trickle
                    )
                    self.person.heard("fine", n.at_s)
                elif isinstance(n, Short):
                    top_ups += 1
                    self.person.heard("short", n.at_s)
                elif isinstance(n, Landed | Over):
                    ended = n
        del before, began_part
        poured = self.world.poured_g
        began = next((n.at_s for _, n in reversed(self.trace) if isinstance(n, pour.Begun)), 0.0)
        self.figures.append(
            Figure(
                self.number,
                number,
                part.name,
                part.target_g,
                poured - part.target_g,
                self.bench.tolerance_g,
                self.world.now_s - began,
                top_ups,
                self.bench.scale_class,
                ended is not None,
                0.0,
                trickle,
            )
        )

    def _news(self) -> list[tuple[float, pour.PourNews]]:
        told: list[tuple[float, pour.PourNews]] = []
        ready = self._next_readings(self.world.now_s + 0.01)
        for shown in ready:
            told += self._timed(shown.at_s)
            if self._weigh(shown):
                told += [(shown.at_s, n) for n in self.guide.on_reading(self.w)]
        told += self._timed(self.world.now_s)
        return told

    def _timed(self, until_s: float) -> list[tuple[float, pour.PourNews]]:
        told: list[tuple[float, pour.PourNews]] = []
        due = self.guide.due_s()
        while due is not None and due <= until_s:
            told += [(due, n) for n in self.guide.on_time(due, self.w)]
            again = self.guide.due_s()
            if again is None or again <= due:
                break
            due = again
        return told
