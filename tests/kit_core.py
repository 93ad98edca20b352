"""A bench in the hands of a test: loads put on and taken off by hand, time moved by hand.

Owns the pan's load, the frames a scale sends of it, and the transcript of what the engine told,
sounded and answered. The scale filters as an ordinary one does, without noise: what has been at
rest for a second is shown to the division.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from math import exp
from typing import Any

from hypothesis import strategies as st

from daemon import events as ev
from daemon.batch import Phase
from daemon.bench import Bench
from daemon.commander import plain_recipe
from daemon.effects import Answer, Record, Sound
from daemon.engine import Engine, Opening, Outcome
from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.journal import Entry, EventRow, StateRow
from daemon.messages import rfc3339
from daemon.picture import picture
from daemon.step import deadline_s, step
from daemon.view import BenchView
from drivers.decoder import Decoder
from drivers.reading import Garbled, Reading
from drivers.scale_profile import Profile, load_profile
from recipes.model import Recipe

WALL_S = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""
PORT = "/dev/scale"
CUP_G = 8.0
POLES_S = (0.12, 0.06)
"""The scale's filter: two stages, as short as those of a quick bench scale."""
SUBSTEPS = 4

PLAIN: dict[str, Any] = {
    "name": "Test knob",
    "shot_g": 100.0,
    "part": [
        {"name": "A", "by_weight": 50, "role": "isocyanate"},
        {"name": "B", "by_weight": 50, "role": "polyol"},
    ],
    "stops": {"coarse": 0.8, "fine": 0.95, "tolerance_g": 0.5},
    "times": {"pot_life_s": 200, "stir_s": 30},
}
"""50 g of A, then 50 g of B; ease off at 40.0, stop at 47.5, landed from 49.5 to 50.5."""


def recipe(**changes: Any) -> Recipe:
    """The plain recipe with some of its top-level keys changed."""
    return Recipe.model_validate(PLAIN | changes)


@cache
def _shape() -> Profile:
    return load_profile("flag-comma-signed")


def fresh_decoder() -> Decoder:
    """A decoder that has heard nothing yet."""
    return Decoder(_shape())


@dataclass(slots=True)
class AtTheBench:
    """One bench from its start on. Every act lets its time pass and is taken at once."""

    batches: int | None = 1
    recipe: Recipe | None = field(default_factory=recipe)
    hz: float = 10.0
    load_g: float = 0.0
    """What is on the pan, however the scale was zeroed."""
    zero_g: float = 0.0
    """The load that the scale shows as nought."""
    now_us: int = 0
    heard: list[tuple[float, str]] = field(default_factory=list)
    events: list[Record] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    openings: list[Opening] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)
    engine: Engine | None = None
    """One that was taken up again; None: a bench on its first day."""
    said: list[str] | None = None
    """Every prompt that was shown, one after the other, where a test wants to read them."""
    commits: list[tuple[Entry, Bench]] = field(default_factory=list)
    """What the daemon's loop would have committed so far, and the bench as it was by then."""
    _entry: Entry = field(default_factory=Entry)
    _shown: tuple[float, float] = (0.0, 0.0)
    _read: int = 0
    _listened: int = 0

    def __post_init__(self) -> None:
        if self.engine is not None:
            self.now_us = self.engine.at_us
            return
        self.engine = Engine(Bench(), fresh_decoder())
        self.take(WallClock(0, round(WALL_S * 1e6)))
        self.take(DaemonStart(0, "0.1.0", False))
        self.take(Port(0, "found", PORT))
        if self.recipe is not None:
            self.run(self.recipe, self.batches)
        self.told()
        self.sounds()

    # --- what comes in ---------------------------------------------------------------------------

    def take(self, item: Input) -> None:
        """One input, as the daemon's loop would take it: what was due before it comes first."""
        if not isinstance(item, DaemonStart):
            self.spread(self.engine.run_to(item.at_us))
        item, outcomes = self.engine.take(item)
        self.now_us = max(self.now_us, item.at_us)
        self.inputs.append(item)
        self._entry.inputs.append((len(self.inputs), item))
        self.spread(outcomes)
        if self.said is not None and self.prompt not in self.said[-1:]:
            self.said.append(self.prompt)

    def spread(self, outcomes: list[Outcome]) -> None:
        """Keep what was asked for, and commit it where it holds an event."""
        for outcome in outcomes:
            self._keep(outcome)
            if isinstance(outcome, Record):
                self.events.append(outcome)
                at = rfc3339(outcome.at_s + self.engine.bench.wall_offset_s)
                told = (outcome.kind, outcome.batch, outcome.data)
                row = EventRow(len(self.events), round(outcome.at_s * 1e6), at, *told)
                self._entry.events.append((row, len(self.inputs)))
            elif isinstance(outcome, Opening):
                where = (len(self.inputs), len(self.events) + 1, outcome.at_us, outcome.batch)
                self._entry.states.append(StateRow(*where, outcome.state))
        if self._entry.urgent:
            self.commits.append((self._entry, self.engine.bench))
            self._entry = Entry()

    def _keep(self, outcome: Outcome) -> None:
        match outcome:
            case Sound():
                self.heard.append((self.engine.bench.at_s, outcome.pattern.value))
            case Answer():
                self.answers.append(outcome)
            case Opening():
                self.openings.append(outcome)

    def do(self, do: str, **members: Any) -> Answer:
        """A command; its answer."""
        before = len(self.answers)
        self.take(Do(self.now_us, {"do": do, **members}, "test"))
        assert len(self.answers) == before + 1
        return self.answers[-1]

    def run(self, what: Recipe, batches: int | None = 1, **members: Any) -> Answer:
        """Ask for batches, as the command line does."""
        more = {} if batches is None else {"batches": batches}
        return self.do("plan", resolved=plain_recipe(what), **more, **members)

    def reading(self) -> None:
        """The next frame of the load that is on the pan."""
        self.bytes(self.frame())

    def frame(self) -> bytes:
        """What the scale sends next of the load, as its filter has it by then."""
        one, two = self._shown
        for _ in range(SUBSTEPS):
            one += (self.load_g - one) * (1 - exp(-1 / self.hz / SUBSTEPS / POLES_S[0]))
            two += (one - two) * (1 - exp(-1 / self.hz / SUBSTEPS / POLES_S[1]))
        self._shown = one, two
        grams = round(two - self.zero_g, 1) + 0.0
        return _shape().render(f"{grams:.1f}", "g", stable=True)

    def bytes(self, data: bytes) -> None:
        """Bytes, one reading's time after the last."""
        self.now_us += round(1e6 / self.hz)
        self.take(Raw(self.now_us, data))

    def silence(self, seconds: float) -> None:
        """Let time pass while the scale sends nothing; what falls due is told in its time."""
        self.now_us += round(seconds * 1e6)
        while (due_us := self.engine.due_us()) is not None and due_us <= self.now_us:
            self.spread(self.engine.run_to(due_us))

    # --- what the person does --------------------------------------------------------------------

    def rest(self, seconds: float = 2.0) -> None:
        """Hands off."""
        for _ in range(round(seconds * self.hz)):
            self.reading()

    def put(self, grams: float, rest_s: float = 2.5) -> None:
        """Put a thing on the pan (or take it off: minus) at once, and let go."""
        self.load_g += grams
        self.rest(rest_s)

    def lift(self, rest_s: float = 2.5) -> float:
        """Take everything off the pan; says what it weighed."""
        lifted_g, self.load_g = self.load_g, 0.0
        self.rest(rest_s)
        return lifted_g

    def stream(self, grams: float, g_per_s: float = 20.0) -> None:
        """Pour so much at so many grams a second, up to the last reading of the stream."""
        steps = max(1, round(abs(grams) / g_per_s * self.hz))
        for _ in range(steps):
            self.load_g += grams / steps
            self.reading()

    def stream_unheard(self, grams: float, g_per_s: float = 20.0) -> None:
        """Pour so much while the computer is held up: all its frames are read at once, at the end.

        Each is taken by itself and stamped with the time of its reading.
        """
        steps = max(1, round(abs(grams) / g_per_s * self.hz))
        frames = []
        for _ in range(steps):
            self.load_g += grams / steps
            frames.append(self.frame())
        self.now_us += round(steps * 1e6 / self.hz)
        for data in frames:
            self.take(Raw(self.now_us, data))

    def pour(self, grams: float, rest_s: float = 3.0) -> None:
        """Pour so much by dump and trickle, and let it settle."""
        self.stream(0.75 * grams)
        self.stream(0.25 * grams, 8.0)
        self.rest(rest_s)

    # --- what came of it -------------------------------------------------------------------------

    def told(self) -> list[str]:
        """The kinds of the events since the last look; what the hand teaches is left out."""
        new, self._read = self.events[self._read :], len(self.events)
        return [event.kind for event in new if event.kind != "hand.learned"]

    def sounds(self) -> list[str]:
        """What was heard since the last look."""
        new, self._listened = self.heard[self._listened :], len(self.heard)
        return [pattern for _, pattern in new]

    def all(self, kind: str) -> list[dict[str, Any]]:
        """The data of all events of this kind."""
        return [event.data for event in self.events if event.kind == kind]

    def last(self, kind: str) -> dict[str, Any]:
        """The data of the last event of this kind."""
        return self.all(kind)[-1]

    @property
    def bench(self) -> Bench:
        """The bench as it is."""
        return self.engine.bench

    @property
    def view(self) -> BenchView:
        """What is to be seen now."""
        return picture(self.bench, self.now_us / 1e6)

    @property
    def step(self) -> str:
        """The step that outsiders see."""
        return self.view.step.value

    @property
    def prompt(self) -> str:
        """The sentence for the person."""
        return self.view.prompt

    def clocks(self) -> dict[str, str]:
        """Running clocks and their states."""
        return {timer.id: timer.state for timer in self.view.timers}

    def log(self) -> Iterator[str]:
        """Everything told, for whoever looks into a failure."""
        for event in self.events:
            yield f"{event.at_s:9.3f} {event.kind} {event.batch} {event.data}"


def with_cup(**kwargs: Any) -> AtTheBench:
    """A bench on which the empty cup has just been tared."""
    there = AtTheBench(**kwargs)
    there.rest()
    there.put(CUP_G)
    return there


# --- every place to stand in -------------------------------------------------------------------

FULL_TIMES = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


def at_phase(phase: str) -> AtTheBench:
    """A bench that stands in this phase."""
    if phase == "idle":
        return AtTheBench(recipe=None)
    if phase == "combine":
        there = AtTheBench(recipe=recipe(cup={"one_per_part": True}))
        there.rest()
        for _ in range(2):
            there.put(CUP_G)
            there.pour(50)
            there.lift()
        return there
    there = AtTheBench(recipe=recipe(times=FULL_TIMES), batches=2)
    there.rest()
    if phase == "cup":
        return there
    if phase == "slow cup":
        there.stream(30, 5.0)
        there.rest(1.5)
        return there
    there.put(CUP_G)
    if phase == "tared":
        return there
    there.stream(20)
    if phase == "pouring":
        return there
    there.rest(1.5)
    if phase == "away":
        there.lift()
    elif phase == "returned":
        there.put(there.lift() + 5)
    elif phase == "resting":
        there.put(300, 3)
    elif phase == "lost":
        there.silence(5)
    else:
        there.stream(25)
        there.stream(5, 8.0)
        there.rest(2.5)
        there.pour(53 if phase == "decide" else 50)
    if phase in ("two alive", "in the tank"):
        there.lift()
    if phase == "in the tank":
        there.do("mark", kind="in-tank")
    return there


PHASES = (
    "idle",
    "cup",
    "slow cup",
    "tared",
    "pouring",
    "away",
    "returned",
    "resting",
    "lost",
    "decide",
    "combine",
    "stir",
    "two alive",
    "in the tank",
)
IS_PHASE = {
    "cup": Phase.CUP,
    "slow cup": Phase.CONFIRM,
    "tared": Phase.POUR,
    "pouring": Phase.POUR,
    "away": Phase.AWAY,
    "returned": Phase.CONFIRM,
    "resting": Phase.CONFIRM,
    "lost": Phase.AWAY,
    "decide": Phase.DECIDE,
    "combine": Phase.COMBINE,
    "stir": Phase.STIR,
    "two alive": Phase.CUP,
    "in the tank": Phase.CUP,
}

MARKS = (
    *("combined", "stirred", "poured", "in-tank", "witness-hard", "witness-soft"),
    *("vented", "out-of-tank", "gelled", "demolded"),
)
EVERY_COMMAND: list[dict[str, Any]] = [
    {"do": "start"},
    {"do": "start", "batch_g": 60.0},
    {"do": "start", "pieces": 6},
    {"do": "start", "batch_g": 99999.0},
    {"do": "confirm"},
    {"do": "accept"},
    {"do": "correct"},
    {"do": "abandon"},
    {"do": "abandon", "reason": "dust"},
    {"do": "tare"},
    {"do": "timer", "timer": "pot-life-1", "clear": True},
    {"do": "timer", "timer": "stir-1", "extend_s": 30.0},
    {"do": "next"},
    *({"do": "mark", "kind": kind} for kind in MARKS),
    *({"do": "mark", "kind": kind, "batch": 1} for kind in MARKS),
    {"do": "mark", "kind": "shaken", "jug": "B7"},
    {"do": "mark", "kind": "buffed", "pieces": 3},
    {"do": "count", "good": 6},
    {"do": "count", "rejected": 1, "batch": 1, "cause": "bubble"},
    {"do": "ambient", "celsius": 21.0},
    {"do": "person", "name": "Kim"},
    {"do": "forget-hand"},
]


# --- anything at all ----------------------------------------------------------------------------

GRAMS = st.one_of(
    st.floats(-50, 400).map(lambda g: round(g, 1)),
    st.sampled_from([0.0, 8.0, 28.0, 58.0, 107.9, -8.0, 1e5, -1e5, 5e3]),
)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    grams = draw(st.one_of(st.none(), GRAMS))
    text = None if grams is None else f"{grams:.1f}"
    overload = grams is None and draw(st.booleans())
    unit = draw(st.sampled_from(["g", "g", "g", None, "pcs"]))
    declared = draw(st.sampled_from([None, True, False]))
    return Reading(0.0, text, grams, unit, declared, overload, None, False)


EVENTS = st.one_of(
    readings().map(lambda r: ("reading", r)),
    readings().map(lambda r: ("rest", r)),
    st.floats(1.0, 60.0).map(lambda g: ("pour", g)),
    st.sampled_from(EVERY_COMMAND).map(lambda do: ("do", do)),
    st.floats(0.001, 4000.0).map(lambda s: ("wait", s)),
    st.sampled_from(["lost", "found", "garbled", "wall", "start"]).map(lambda what: (what, None)),
)


def play(
    bench: Bench, script: list[tuple[str, Any]], look: Callable[[Bench], object] = picture
) -> list[Record]:
    """Step it all, deadlines in their order; everything that is to be recorded.

    `look` is shown the bench after each line of the script.
    """
    told: list[Record] = []
    shown_g = 0.0

    def take(event: ev.Event) -> None:
        nonlocal bench
        before = bench
        bench, effects = step(bench, event)
        assert bench.at_s >= before.at_s
        told.extend(e for e in effects if isinstance(e, Record))
        assert sum(isinstance(e, Answer) for e in effects) == isinstance(event, ev.Commanded)

    def run_to(at_s: float) -> None:
        for _ in range(1000):
            due = deadline_s(bench)
            if due is None or due > at_s:
                return
            take(ev.TimeCame(max(due, bench.at_s)))
        raise AssertionError("deadlines do not come to an end")

    for what, detail in script:
        now_s = bench.at_s
        match what:
            case "reading" | "rest":
                for tick in range(1 if what == "reading" else 15):
                    at_s = now_s + 0.1 * (tick + 1)
                    run_to(at_s)
                    shown_g = detail.grams if detail.grams is not None else shown_g
                    take(ev.ReadingTaken(replace(detail, at_s=at_s)))
            case "pour":
                for tick in range(20):
                    at_s = now_s + 0.1 * (tick + 1)
                    run_to(at_s)
                    shown_g = round(shown_g + detail / 20, 1)
                    take(ev.ReadingTaken(Reading(at_s, f"{shown_g:.1f}", shown_g, "g")))
            case "do":
                take(ev.Commanded(now_s, detail, 1))
            case "wait":
                run_to(now_s + detail)
                take(ev.TimeCame(now_s + detail))
            case "lost":
                take(ev.PortLost(now_s, "port", "gone"))
            case "found":
                take(ev.PortFound(now_s, "port"))
            case "garbled":
                take(ev.LineGarbled(Garbled(now_s, b"?", "no frame")))
            case "wall":
                take(ev.WallStepped(now_s, 1e9))
            case "start":
                take(ev.Started(now_s, "0.1.0", bench.batch is not None))
        look(bench)
    return told
