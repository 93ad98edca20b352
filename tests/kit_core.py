"""A bench in the hands of a test: loads put on and taken off by hand, time moved by hand.

Owns the pan's load, the frames a scale sends of it, and the transcript of what the engine told,
sounded and answered. The scale filters as an ordinary one does, without noise: what has been at
rest for a second is shown to the division.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from math import exp
from typing import Any

from daemon.bench import Bench
from daemon.commander import plain_recipe
from daemon.effects import Answer, Record, Sound
from daemon.engine import Engine, Opening, Outcome
from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.picture import picture
from daemon.view import BenchView
from drivers.decoder import Decoder
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
    engine: Engine = field(init=False)
    _shown: tuple[float, float] = (0.0, 0.0)
    _read: int = 0
    _listened: int = 0

    def __post_init__(self) -> None:
        self.engine = Engine(Bench(), Decoder(_shape()))
        self.take(WallClock(0, round(WALL_S * 1e6)))
        self.take(DaemonStart(0, "0.1.0", False))
        self.take(Port(0, "found", PORT))
        if self.recipe is not None:
            self.run(self.recipe, self.batches)
        self.told()
        self.sounds()

    # --- what comes in ---------------------------------------------------------------------------

    def take(self, item: Input) -> None:
        """One input, as the daemon's loop would take it."""
        item, outcomes = self.engine.take(item)
        self.now_us = max(self.now_us, item.at_us)
        self.inputs.append(item)
        self.spread(outcomes)

    def spread(self, outcomes: list[Outcome]) -> None:
        """Keep what was asked for."""
        for outcome in outcomes:
            match outcome:
                case Sound():
                    self.heard.append((self.engine.bench.at_s, outcome.pattern.value))
                case Record():
                    self.events.append(outcome)
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
        """The next frame of the load that is on the pan, as the scale's filter has it by then."""
        one, two = self._shown
        for _ in range(SUBSTEPS):
            one += (self.load_g - one) * (1 - exp(-1 / self.hz / SUBSTEPS / POLES_S[0]))
            two += (one - two) * (1 - exp(-1 / self.hz / SUBSTEPS / POLES_S[1]))
        self._shown = one, two
        grams = round(two - self.zero_g, 1) + 0.0
        self.bytes(_shape().render(f"{grams:.1f}", "g", stable=True))

    def bytes(self, data: bytes) -> None:
        """Bytes, one reading's time after the last."""
        self.now_us += round(1e6 / self.hz)
        self.take(Raw(self.now_us, data))

    def silence(self, seconds: float) -> None:
        """Let time pass while the scale sends nothing; what falls due is told."""
        self.now_us += round(seconds * 1e6)
        self.spread(self.engine.run_to(self.now_us))

    # --- what the person does --------------------------------------------------------------------

    def rest(self, seconds: float = 2.0) -> None:
        """Hands off."""
        for _ in range(round(seconds * self.hz)):
            self.reading()

    def put(self, grams: float, rest_s: float = 2.0) -> None:
        """Put a thing on the pan (or take it off: minus) at once, and let go."""
        self.load_g += grams
        self.rest(rest_s)

    def lift(self, rest_s: float = 2.0) -> float:
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

    def pour(self, grams: float, rest_s: float = 2.5) -> None:
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
