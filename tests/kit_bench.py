"""Whole batches poured through the engine by the simulated person: inputs, events and a journal.

Owns the simulated time and the journaling in it. Knows no outlet; checks nothing itself. Run as a
module it writes the recorded log that the tests keep: `python -m tests.kit_bench FILE`.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from daemon.bench import Bench
from daemon.cli_log_export import ShapeText, event_of, export, header_of
from daemon.commander import plain_recipe
from daemon.effects import Answer, Record, Sound
from daemon.engine import Decoding, Engine, Opening, Outcome
from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.journal import Entry, EventRow, Journal, StateRow
from daemon.logfile import written
from daemon.messages import rfc3339
from daemon.restart import rebuild
from daemon.version import VERSION
from drivers.decoder import Decoder
from drivers.recogniser import Recogniser
from drivers.scale_profile import Profile, load_profile
from drivers.scale_sim import ScaleTruth, Shown, StreamTruth, World
from drivers.sim_person import PartTruth, PersonTruth, SimPerson
from recipes.amounts import basis, targets_g
from recipes.loader import SAMPLES_DIR, load_recipe
from recipes.model import Recipe

STEP_S = 0.005
WALL_S = 1_767_225_600.0
"""2026-01-01T00:00:00Z, as the hand-moved clock of the tests has it."""
SHAPE = "flag-comma-signed"


@dataclass(slots=True)
class Keeper:
    """Feeds an engine as the daemon's loop does, and keeps what is to be journaled."""

    engine: Engine
    entry: Entry = field(default_factory=Entry)
    answers: list[Answer] = field(default_factory=list)
    sounds: list[tuple[float, str]] = field(default_factory=list)
    number: int = 0
    seq: int = 0

    def take(self, item: Input) -> None:
        """Take one input; what was due before it has been told before it."""
        if not isinstance(item, DaemonStart):
            self.until(item.at_us)
        item, outcomes = self.engine.take(item)
        self.number += 1
        self.entry.inputs.append((self.number, item))
        self._spread(outcomes)

    def until(self, at_us: int) -> None:
        """Let time come to this instant."""
        self._spread(self.engine.run_to(at_us))

    def keep_state(self) -> None:
        """Keep the whole state, as the daemon does at a clean end."""
        self._state(self.engine.at_us, None, self.engine.snapshot())

    def lose_uncommitted(self) -> None:
        """Forget the readings since the last event: they were still waiting for their commit."""
        inputs, events = self.entry.inputs, self.entry.events
        while inputs and isinstance(inputs[-1][1], Raw) and inputs[-1][0] > events[-1][1]:
            inputs.pop()
        self.number = inputs[-1][0]

    def _spread(self, outcomes: Iterable[Outcome]) -> None:
        for outcome in outcomes:
            match outcome:
                case Record():
                    self._record(outcome)
                case Sound():
                    self.sounds.append((self.engine.at_us / 1e6, outcome.pattern.value))
                case Answer():
                    self.answers.append(outcome)
                case Opening():
                    self._state(outcome.at_us, outcome.batch, outcome.state)

    def _record(self, record: Record) -> None:
        self.seq += 1
        at = rfc3339(record.at_s + self.engine.bench.wall_offset_s)
        row = EventRow(
            self.seq, round(record.at_s * 1e6), at, record.kind, record.batch, record.data
        )
        self.entry.events.append((row, self.number))

    def _state(self, at_us: int, batch: int | None, body: dict[str, Any]) -> None:
        self.entry.states.append(StateRow(self.number, self.seq + 1, at_us, batch, body))


@dataclass(frozen=True, slots=True)
class Poured:
    """What came of it."""

    keeper: Keeper

    @property
    def inputs(self) -> list[Input]:
        """Everything that came in, in order."""
        return [item for _, item in self.keeper.entry.inputs]

    @property
    def events(self) -> list[EventRow]:
        """Everything that was told, in order."""
        return [row for row, _ in self.keeper.entry.events]

    @property
    def bench(self) -> Bench:
        """The bench at the end."""
        return self.keeper.engine.bench

    def journal(self, folder: Path) -> Path:
        """Write it as a store; returns the folder."""
        journal = Journal(folder, write=True)
        journal.append(self.keeper.entry)
        journal.close()
        return folder

    def log(self, batch: int, folder: Path, shape_text: ShapeText = lambda name: None) -> list[str]:
        """The log of a batch, by way of a store in `folder` that is made where it is not there."""
        if not (folder / "journal.sqlite").exists():
            self.journal(folder)
        journal = Journal(folder, write=False)
        try:
            return list(export(journal, batch, shape_text))
        finally:
            journal.close()


def slate(**changes: Any) -> Recipe:
    """The slate knob of the samples, some of its top-level keys changed."""
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    return Recipe.model_validate(plain_recipe(recipe) | changes)


def parts_of(
    recipe: Recipe, streams: Sequence[StreamTruth] = (StreamTruth(),)
) -> Iterator[PartTruth]:
    """The bottles a person needs for a recipe; streams are used in turn."""
    items = basis(recipe)
    targets = targets_g(items, recipe.shot_g)
    for index, (name, target) in enumerate(zip(items.names, targets, strict=True)):
        yield PartTruth(name, target, streams[index % len(streams)])


@dataclass(slots=True)
class SimBench:
    """A scale of one line shape and a person, before an engine; they accept what is too much.

    `shred`: each frame arrives in pieces, cut anywhere. `commands` are (at_s, do) beside those that
    the person gives. `killed_at_s`: the daemon is killed then, and started again `down_s` later.
    `limit_s`: longest time a run may take.
    """

    recipe: Recipe
    seed: int = 1
    scale: ScaleTruth = field(default_factory=ScaleTruth)
    person: PersonTruth = PersonTruth(corrects=False)  # noqa: RUF009 - it is frozen
    streams: Sequence[StreamTruth] = (StreamTruth(),)
    shape: str | Profile = SHAPE
    recognise: bool = False
    shred: bool = False
    commands: Sequence[tuple[float, dict[str, Any]]] = ()
    killed_at_s: float | None = None
    down_s: float = 3.0
    limit_s: float = 300.0

    def decoder(self) -> Decoding:
        """A decoder as the daemon would have it."""
        return Recogniser() if self.recognise else Decoder(self._profile())

    def _profile(self) -> Profile:
        return self.shape if isinstance(self.shape, Profile) else load_profile(self.shape)

    def pour(self, batches: int = 1, after_s: float = 5.0) -> Poured:
        """Pour so many batches, then let `after_s` seconds pass."""
        keeper = Keeper(Engine(Bench(), self.decoder()))
        keeper.take(WallClock(0, round(WALL_S * 1e6)))
        keeper.take(DaemonStart(0, VERSION, False))
        keeper.take(Port(1000, "found", "simulated"))
        do = {"do": "plan", "batches": batches, "resolved": plain_recipe(self.recipe)}
        keeper.take(Do(2000, do, asked_by="start"))
        self._run(keeper, batches, after_s)
        return Poured(keeper)

    def _run(self, keeper: Keeper, batches: int, after_s: float) -> None:
        rng = Random(self.seed)
        world = World(self.scale, rng, STEP_S)
        person = SimPerson(self.person, tuple(parts_of(self.recipe, self.streams)), 8.3, rng)
        world.person = person
        person.plan(2.0, "cup")
        arriving: deque[Raw] = deque()
        commands, sounds, left, end_s = deque(self.commands), 0, batches, self.limit_s
        profile, killed_at_s = self._profile(), self.killed_at_s
        while world.now_s < end_s - 1e-9:
            for shown in world.advance(world.now_s + STEP_S):
                arriving.extend(self._arrives(profile, shown, rng))
            now_us = round(world.now_s * 1e6)
            if killed_at_s is not None and world.now_s >= killed_at_s + self.down_s:
                self._killed(keeper, now_us)
                killed_at_s = None
                arriving.clear()
            if killed_at_s is not None and world.now_s >= killed_at_s:
                continue
            while arriving and arriving[0].at_us <= now_us:
                keeper.take(arriving.popleft())
            keeper.until(now_us)
            while commands and commands[0][0] <= world.now_s:
                person.commands.append(commands.popleft())
            for _, said in person.commands:
                keeper.take(Do(now_us, dict(said), "person", "person"))
            person.commands.clear()
            for _, pattern in keeper.sounds[sounds:]:
                person.heard(pattern, world.now_s)
            sounds = len(keeper.sounds)
            if person.done and left:
                left, person.done = left - 1, False
                if left:
                    person.plan(world.now_s + 2.0, "cup")
                else:
                    end_s = min(end_s, world.now_s + after_s)

    def _killed(self, keeper: Keeper, start_us: int) -> None:
        """Lose what was not committed, rebuild from the journal, start again."""
        keeper.lose_uncommitted()
        with TemporaryDirectory() as folder:
            Poured(keeper).journal(Path(folder))
            journal = Journal(Path(folder), write=False)
            restart = rebuild(journal, self.decoder())
            journal.close()
        keeper.engine = restart.engine
        keeper.take(WallClock(start_us, round(WALL_S * 1e6)))
        keeper.take(DaemonStart(start_us + 150, VERSION, restart.resumed))
        keeper.take(Port(start_us + 2000, "found", "simulated"))

    def _arrives(self, profile: Profile, shown: Shown, rng: Random) -> Iterator[Raw]:
        places = 2 if self.scale.division_g < 0.1 else 1
        frame = profile.render(f"{shown.grams:.{places}f}", "g", stable=not shown.moving)
        at_us = round(shown.at_s * 1e6) + rng.randrange(900)
        if self.shred:
            cut = rng.randrange(1, len(frame))
            yield Raw(at_us - 700, frame[:cut])
            frame = frame[cut:]
        yield Raw(at_us, frame)


ON_THE_READING = {"coarse": 0.6, "fine": 0.985, "tolerance_g": 1.0}
"""Stops that no learning moves, wide enough that every simulated pour lands: batches end surely."""


@cache
def two_knobs() -> Poured:
    """Two batches of slate knobs on an ordinary scale: poured once, used by many."""
    return SimBench(slate(stops=ON_THE_READING)).pour(2)


@cache
def one_fill() -> Poured:
    """A single material to 40 g on a slow scale: a log short enough to be cut everywhere."""
    stream = StreamTruth(dump_g_per_s=6.0, trickle_g_per_s=1.5)
    recipe = Recipe.for_fill("A", 40.0, tolerance_g=0.6)
    stops = recipe.stops.model_copy(update={"coarse": 0.7, "fine": 0.97})
    recipe = recipe.model_copy(update={"stops": stops})
    return SimBench(recipe, 3, ScaleTruth(rate_hz=3.0), streams=(stream,), limit_s=22.0).pour()


def recorded() -> Iterator[str]:
    """The log that `tests/logs` keeps: one batch at five readings a second."""
    scale = ScaleTruth(rate_hz=5.0)
    keeper = SimBench(slate(stops=ON_THE_READING), 2, scale).pour(after_s=2.0).keeper
    before = next(state for state in keeper.entry.states if state.batch == 1)
    header = header_of(before, 1, lambda name: None)
    header = replace(header, note="Simulated: invented recipe, scale, streams and person.")
    inputs = (item for number, item in keeper.entry.inputs if number > before.after_input)
    events = (event_of(row) for row, _ in keeper.entry.events if row.seq >= before.next_seq)
    return written(header, inputs, events, keeper.engine.at_us)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text("".join(f"{line}\n" for line in recorded()), encoding="utf-8")
