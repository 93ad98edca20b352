"""The demo: the whole job with nothing attached, for any recipe, and the person who pours it.

The person is tried against the core in pretend time; the command itself in real processes, sped up,
side by side. Everything poured here is invented.
"""

from __future__ import annotations

import asyncio
import json
import signal
import tempfile
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any, cast

import pytest

from daemon.bench import Bench
from daemon.commander import plain_recipe
from daemon.effects import Record, Sound
from daemon.engine import Engine, Outcome
from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.journal import Journal
from daemon.picture import picture
from daemon.run import Running
from drivers.decoder import Decoder
from drivers.scale_profile import load_profile
from drivers.scale_sim import World
from drivers.sim_person import PersonTruth
from recipes.loader import SAMPLES_DIR, load_recipe
from recipes.model import Recipe
from tests.kit_outsider import Daemon, Plays, Terminal
from tools import demo
from tools.demo import PROFILE, QuickClock, SimulatedBench, sight_of
from tools.demo_caster import Caster, scale_for

SAMPLES = sorted(path.stem for path in SAMPLES_DIR.glob("*.toml"))


# --- the person, in pretend time ------------------------------------------------------------------


@dataclass
class Stage:
    """The core and the pretend person before each other, with no daemon between them."""

    recipe: Recipe
    seed: int = 1
    slip: float = 0.05
    corrects: bool = True
    records: list[Record] = field(default_factory=list)
    commands: list[str] = field(default_factory=list)
    on_pan_g: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = Random(self.seed)
        truth = scale_for(self.recipe)
        self.places = 2 if truth.division_g < 0.1 else 1
        self.world = World(truth, rng)
        hand = PersonTruth(slip=self.slip, corrects=self.corrects)
        self.person = self.world.person = Caster(self.world, self.recipe, hand, rng)
        self.profile = load_profile(PROFILE)
        self.engine = Engine(Bench(), Decoder(self.profile))

    def play(self, batches: int = 1, limit_s: float = 250.0) -> Stage:
        """Pour so many batches; fails where that takes longer than it may."""
        self._take(WallClock(0, 1_767_225_600_000_000))
        self._take(DaemonStart(0, "-", False))
        self._take(Port(1000, "found", "simulated"))
        do = {"do": "plan", "batches": batches, "resolved": plain_recipe(self.recipe)}
        self._take(Do(2000, do, asked_by="start"))
        coming: deque[Raw] = deque()
        while not self._over(batches):
            assert self.world.now_s < limit_s * batches, self.records[-1]
            for shown in self.world.advance(self.world.now_s + 0.005):
                text = f"{shown.grams:.{self.places}f}"
                frame = self.profile.render(text, "g", stable=not shown.moving)
                coming.append(Raw(round(shown.at_s * 1e6), frame))
            while coming and coming[0].at_us <= self.world.now_s * 1e6:
                self._take(coming.popleft())
            self._tell(self.engine.run_to(round(self.world.now_s * 1e6)))
            self._say()
        return self

    def _over(self, batches: int) -> bool:
        idle = self.engine.bench.batch is None and self.person.at_rest
        return idle and len(self.told("batch.mixed")) >= batches

    def _take(self, item: Input) -> None:
        if not isinstance(item, DaemonStart):
            self._tell(self.engine.run_to(item.at_us))
        self._tell(self.engine.take(item)[1], look=True)

    def _tell(self, outcomes: list[Outcome], *, look: bool = False) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Sound):
                self.person.heard(outcome.pattern.value, self.world.now_s)
            elif isinstance(outcome, Record):
                self.records.append(outcome)
                self.on_pan_g.append(self.world.resting_g)
        if outcomes or look:
            at_s = max(self.engine.bench.at_s, self.world.now_s)
            self.person.see(sight_of(picture(self.engine.bench, at_s)), self.world.now_s)

    def _say(self) -> None:
        for _, do in self.person.commands:
            self.commands.append(str(do["do"]))
            self._take(Do(round(self.world.now_s * 1e6), dict(do), "p", "person"))
        self.person.commands.clear()

    def told(self, kind: str) -> list[dict[str, Any]]:
        return [record.data for record in self.records if record.kind == kind]


@pytest.mark.parametrize("name", SAMPLES)
def test_the_person_pours_every_sample_batch_after_batch(name: str) -> None:
    recipe = load_recipe(SAMPLES_DIR / f"{name}.toml")
    stage = Stage(recipe, seed=2).play(batches=2)
    cups = stage.told("batch.mixed")
    assert len(cups) == 2
    for cup in cups:
        assert abs(cup["ratio_error_pct"]) <= recipe.stops.ratio_tolerance_pct
        assert cup["total_g"] >= 0.97 * recipe.shot_with_dye_g
    assert not stage.told("batch.abandoned")
    marks = [data["kind"] for data in stage.told("batch.marked")]
    assert marks.count("poured") == 2
    assert marks.count("in-tank") == (2 if recipe.uses_tank else 0)


def test_each_part_has_its_own_container_where_it_is_poured_from() -> None:
    stage = Stage(load_recipe(SAMPLES_DIR / "knob-mold.toml")).play()
    cups = [data["cup_g"] for data in stage.told("cup.tared")]
    assert len(cups) == 2
    assert cups[0] > 330
    assert stage.told("batch.marked")[0] == {"kind": "combined"}


def recipe_of(**changes: Any) -> Recipe:
    parts = changes.pop("parts", ({"name": "A", "by_weight": 1}, {"name": "B", "by_weight": 2}))
    base = {"name": "Odd", "shot_g": 90.0, "part": list(parts), "times": {"pot_life_s": 900}}
    return Recipe.model_validate(base | changes)


ODD: dict[str, Recipe] = {
    "a cup for each part, with a film that stays": recipe_of(
        cup={"one_per_part": True, "clings_g": 0.8}
    ),
    "dye in the cup of the last part": recipe_of(
        cup={"one_per_part": True},
        dye={"in": "cup", "fraction": 0.03},
        stops={"tolerance_g": 1.5, "ratio_tolerance_pct": 8},
    ),
    "dye from a bottle of its own": recipe_of(
        method="loss", dye={"in": "cup", "fraction": 0.03}, cup={"capacity_g": 200}
    ),
    "a tiny shot on the finer scale": recipe_of(shot_g=4.0),
    "a bucket": recipe_of(shot_g=2500.0),
    "four parts": recipe_of(
        parts=[{"name": name, "by_weight": w} for name, w in zip("ABCD", (5, 4, 9, 2), strict=True)]
    ),
}


@pytest.mark.parametrize("what", ODD)
def test_the_person_pours_any_recipe(what: str) -> None:
    stage = Stage(ODD[what]).play(limit_s=400.0)
    assert len(stage.told("batch.mixed")) == 1


def test_a_miss_is_answered_and_not_for_ever() -> None:
    """A hand that keeps missing corrects twice, and then takes the mix as it is."""
    corrected = []
    for seed in (4, 6):  # the last part has to be the one that is missed; that is chance
        stage = Stage(
            recipe_of(stops={"tolerance_g": 0.1, "ratio_tolerance_pct": 0.2}), seed, slip=1.0
        )
        stage.play(limit_s=500.0)
        assert stage.told("part.over")
        assert stage.told("batch.mixed")
        corrected.append(stage.commands.count("correct"))
    assert corrected == [2, 2]


def test_somebody_who_never_corrects_accepts() -> None:
    stage = Stage(
        recipe_of(stops={"tolerance_g": 0.1, "ratio_tolerance_pct": 0.2}), slip=1.0, corrects=False
    )
    stage.play(limit_s=500.0)
    assert "correct" not in stage.commands
    assert "accept" in stage.commands


# --- pretend time and the end of the play ---------------------------------------------------------


def test_pretend_time_waits_for_whoever_pretends(monkeypatch: pytest.MonkeyPatch) -> None:
    real = [1_000_000]
    monkeypatch.setattr(demo.Clock, "now_us", lambda self: real[0])
    clock = QuickClock(10.0)
    start_us = clock.now_us()
    real[0] += 3_000
    assert clock.now_us() - start_us == 30_000
    real[0] += 3_000_000  # the machine was held up
    assert clock.now_us() - start_us == 50_000
    assert clock.unbeaten_s == 3.003
    clock.beat()
    assert clock.now_us() - start_us == 50_000
    real[0] += 2_000
    assert clock.now_us() - start_us == 70_000


async def test_a_play_that_gets_stuck_ends_and_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(demo, "LONGEST_S", 0.01)
    running = cast(Running, SimpleNamespace(stop=asyncio.Event()))
    bench = SimulatedBench(load_recipe(SAMPLES_DIR / "slate-knob.toml"), Random(1))
    play = demo._Play(running, bench, 2)
    await play.watch(1.0)
    bench.close()
    assert running.stop.is_set()
    assert play.summary(Path("/nowhere")) == 1
    assert "ended before 2 of 2 cups were mixed" in capsys.readouterr().err


# --- the command ----------------------------------------------------------------------------------

plays = Plays()
QUICK = ("--speed", "15", "--sound", "none")


def demo_of(folder: Path, *words: str, terminal: Terminal | None = None) -> Daemon:
    config = folder / "benchpour.toml"
    config.write_text("[phone]\nport = 0\n")
    given = ("--config", str(config), "--store", str(folder / "store"))
    return Daemon(["demo", *QUICK, *given, *words], folder, terminal=terminal)


def mixed_in(store: Path) -> int:
    journal = Journal(store, write=False)
    try:
        return len(journal.events_of_kind("batch.mixed"))
    finally:
        journal.close()


@plays
def without_a_terminal_and_with_the_embedded_broker() -> None:
    with tempfile.TemporaryDirectory() as name:
        run = demo_of(Path(name), "--broker", "embedded")
        assert run.ends(60) == 0, run.text
        assert "A simulation of our own" in run.text
        assert "MQTT: connected to" in run.text
        assert "Batch 1: what went into the cup (simulated)" in run.text
        assert "\x1b" not in run.text
        assert "held up" not in run.text
        assert mixed_in(Path(name) / "store") == 1


@plays
def on_a_terminal() -> None:
    with tempfile.TemporaryDirectory() as name:
        screen = Terminal()
        before = screen.mode
        run = demo_of(Path(name), "--broker", "none", terminal=screen)
        assert run.ends(60) == 0
        drawn, _, after = screen.text.rpartition("\x1b[?1049l")
        assert "\x1b[?1049h" in drawn
        assert "Batch 1: what went into the cup (simulated)" in after
        assert screen.mode == before
        screen.close()


@plays
def batch_after_batch() -> None:
    with tempfile.TemporaryDirectory() as name:
        words = ("--batches", "2", "--seed", "5", "--broker", "none")
        run = demo_of(Path(name), *words)
        assert run.ends(90) == 0, run.text
        assert "Batch 2: what went into the cup" in run.text
        assert mixed_in(Path(name) / "store") == 2


@plays
def poured_from_containers_on_the_scale() -> None:
    with tempfile.TemporaryDirectory() as name:
        run = demo_of(Path(name), "--recipe", "knob-mold", "--broker", "none")
        assert run.ends(90) == 0, run.text
        assert "curative" in run.text.rpartition("what went into the cup")[2]


@plays
def dye_in_the_cup_and_nothing_on_the_console() -> None:
    with tempfile.TemporaryDirectory() as name:
        words = ("--recipe", "moss-knob", "--console", "none", "--broker", "none")
        run = demo_of(Path(name), *words)
        assert run.ends(90) == 0, run.text
        assert run.text.startswith("\nBatch 1: what went into the cup")
        assert "dye" in run.text


@plays
def stopped_before_the_cup_was_mixed() -> None:
    with tempfile.TemporaryDirectory() as name:
        run = demo_of(Path(name), "--speed", "1", "--broker", "none")
        run.until_says("put an empty cup")
        status, _ = run.stop(signal.SIGINT)
        assert status == 1
        assert "benchpour: the demo ended before 1 of 1 cups were mixed" in run.text


@plays
def wrong_use() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fast, none = demo_of(folder, "--speed", "1000"), demo_of(folder, "--recipe", "nowhere")
        assert fast.ends() == 2
        assert none.ends() == 1
        assert "nowhere" in none.text


@plays
def its_record_can_be_replayed() -> None:
    """The pretend hour is journaled like a real one, and replays to the same events."""
    with tempfile.TemporaryDirectory() as name:
        folder, store = Path(name), f"{name}/store"
        run = demo_of(folder, "--recipe", "clear-knob", "--broker", "none")
        assert run.ends(90) == 0, run.text
        log = folder / "batch.jsonl"
        export = Daemon(["log", "export", "1", "-o", str(log), "--store", store], folder)
        assert export.ends() == 0, export.text
        assert json.loads(log.read_text().splitlines()[0])["recipe"]["name"].startswith("Clear")
        verify = Daemon(["replay", str(log), "--speed", "max", "--verify"], folder)
        assert verify.ends() == 0, verify.text


@pytest.fixture(scope="module", autouse=True)
def side_by_side(request: pytest.FixtureRequest) -> None:
    plays.begin(request)


@pytest.mark.parametrize("play", plays.names)
def test_play(play: str) -> None:
    assert plays.passed(play)
