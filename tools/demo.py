"""The main job with nothing attached: a simulated scale on a pseudo-terminal, a simulated person.

The scale's bytes go through the very program that reads a real one; the person hears its cues and
pours with human delays. The scenario, a run of cabinet knobs, is invented, and so is everything in
it; the figures of people and streams are those of `drivers.sim_person` and `drivers.scale_sim`.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
import tty
from collections import deque
from pathlib import Path
from random import Random

from daemon.cli_run import settings
from daemon.clock import Clock
from daemon.config import Config
from daemon.effects import Answer, Pattern, Record
from daemon.run import Running, RunOptions, stop_on_signals
from daemon.screen_tables import summary_table
from daemon.view import BenchView, PartView, Step
from drivers.scale_profile import load_profile
from drivers.scale_sim import ScaleTruth, Shown, StreamTruth, World
from drivers.sim_person import PartTruth, PersonTruth, SimPerson, varied
from recipes.amounts import basis, targets_g
from recipes.loader import find_recipe, load_recipe
from recipes.model import Recipe

PROFILE = "flag-comma-signed"
STEP_S = 0.02
DEFAULT_SEED = 3
LONGEST_S = 600.0
"""A batch that takes longer than this has gone wrong; the demo then says so and ends."""


class QuickClock(Clock):
    """The machine's clock, running `speed` times as fast."""

    def __init__(self, speed: float) -> None:
        """Start at the machine's own time."""
        self._speed = 1.0
        self._from_us = super().now_us()
        self._wall_offset_us = super().wall_offset_us()
        self._speed = speed

    def now_us(self) -> int:
        """Microseconds, sped up."""
        return self._from_us + round((super().now_us() - self._from_us) * self._speed)

    def wall_offset_us(self) -> int:
        """The wall clock of the demo runs as fast as the demo."""
        return self._wall_offset_us


class Caster(SimPerson):
    """The simulated person with eyes: after a correction they see which bottle to take again."""

    wanted = ""
    seen: frozenset[str] = frozenset()

    def see(self, view: BenchView, now_s: float) -> None:
        """Look at the screen for the bottle to pour from."""
        if view.step is not Step.POUR or view.part is None or view.part == self.wanted:
            return
        self.wanted = view.part
        if view.part in self.seen:
            self.plan(now_s + self.reaction_s() + self.truth.swap_s, "again")
        self.seen |= {view.part}

    def _again(self, world: World, now_s: float) -> None:
        names = [part.name for part in self.parts]
        self.part = names.index(self.wanted)
        world.use(varied(self.parts[self.part].stream, self._rng))
        self.eased = True
        self._top_up(world, now_s)


class SimulatedBench:
    """The pan, the bottles and the person, on one end of a pseudo-terminal."""

    def __init__(self, recipe: Recipe, rng: Random, batches: int) -> None:
        """Set the bench up; `port` is the path that the program is to open as its scale."""
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._master, self._slave = master, slave
        self.port = os.ttyname(slave)
        self._profile = load_profile(PROFILE)
        self._waiting: deque[Shown] = deque()
        self._rng = rng
        self._left = batches
        self.world = World(ScaleTruth(), rng)
        self.world.person = self.person = _person(recipe, rng)
        self.person.plan(1.5, "cup")

    def close(self) -> None:
        """Pull the cable."""
        os.close(self._master)
        os.close(self._slave)

    def play(self, pattern: Pattern) -> None:
        """The person hears what the program sounds."""
        self.person.heard(pattern.value, self.world.now_s)

    def show(self, view: BenchView) -> None:
        """The person pours by ear, and glances at the screen for the bottle."""
        self.person.see(view, self.world.now_s)

    async def run(self, running: Running, speed: float) -> None:
        """Let the simulated time pass with the program's own."""
        start_s = running.timeline.now_s()
        while True:
            now_s = running.timeline.now_s() - start_s
            self._waiting.extend(self.world.advance(now_s))
            while self._waiting and self._waiting[0].at_s <= now_s:
                self._send(self._waiting.popleft())
            self._say(running)
            await asyncio.sleep(STEP_S / speed)

    def _send(self, shown: Shown) -> None:
        text = f"{shown.grams:.1f}"
        frame = self._profile.render(text, "g", stable=not shown.moving, net=False)
        try:
            os.write(self._master, frame)
        except BlockingIOError:
            return  # nobody reads: a scale does not wait either

    def _say(self, running: Running) -> None:
        for _, do in self.person.commands:
            running.commander.heard({"id": "person"} | do, "person", _unheard)
        self.person.commands.clear()


def _unheard(answer: Answer) -> None:
    """The simulated person looks at the screen, not at answers."""


def _person(recipe: Recipe, rng: Random) -> Caster:
    items = basis(recipe)
    streams = (StreamTruth(), StreamTruth(dump_g_per_s=16.0, trickle_g_per_s=1.6))
    parts = tuple(
        PartTruth(name, target, streams[index % 2])
        for index, (name, target) in enumerate(
            zip(items.names, targets_g(items, recipe.shot_g), strict=True)
        )
    )
    return Caster(PersonTruth(), parts, round(rng.uniform(6.5, 9.5), 1), rng)


def demo(args: argparse.Namespace) -> int:
    """Run the demo and print what went into the cup; returns the exit status."""
    config = settings(args)
    store = config.store_dir if args.store else Path(tempfile.mkdtemp(prefix="benchpour-demo-"))
    name = args.recipe or "slate-knob"
    recipe = load_recipe(find_recipe(name, [config.recipes_dir]))
    return asyncio.run(_work(args, config, recipe, store))


async def _work(args: argparse.Namespace, config: Config, recipe: Recipe, store: Path) -> int:
    rng = Random(DEFAULT_SEED if args.seed is None else args.seed)
    bench = SimulatedBench(recipe, rng, args.batches)
    config = config.model_copy(
        update={"scale": config.scale.model_copy(update={"url": bench.port})}
    )
    options = RunOptions(
        config=config,
        recipe=recipe,
        batches=args.batches,
        console=args.console,
        clock=QuickClock(args.speed),
        speed=args.speed,
    )
    running = Running(options, store)
    stop_on_signals(running.stop)
    record = _Record(running)
    running.loop.near.append(bench)
    running.loop.near.append(record)
    running.loop.on_record.append(record.hear)
    running.said.say(
        "A simulation of our own: a run of cabinet knobs, a simulated scale and person."
    )
    try:
        await running.run(lambda it: _scale(it, bench, args.speed))
    finally:
        bench.close()
    return record.summary(store)


async def _scale(running: Running, bench: SimulatedBench, speed: float) -> None:
    from daemon.cli_run import read_scale

    async with asyncio.TaskGroup() as group:
        group.create_task(bench.run(running, speed))
        group.create_task(read_scale(running))
        group.create_task(_too_long(running, speed))


async def _too_long(running: Running, speed: float) -> None:
    await asyncio.sleep(LONGEST_S / speed)
    running.stop.set()


class _Record:
    """Remembers what went into each cup, and ends the demo when the last has left the pan."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._cups: list[Record] = []
        self._misses = 0
        self._division_g = 0.1

    def hear(self, record: Record) -> None:
        """Take note of an event."""
        if record.kind == "batch.mixed":
            self._cups.append(record)
        elif record.kind in ("part.over", "part.short"):
            self._misses += 1

    def play(self, pattern: Pattern) -> None:
        """Nothing to hear."""

    def show(self, view: BenchView) -> None:
        """Look whether the run is over: everything mixed, nothing left on the scale."""
        self._division_g = view.division_g
        plan = self._running.bench.plan
        if view.step is Step.IDLE and self._cups and plan is not None and plan.left == 0:
            self._running.stop.set()

    def summary(self, store: Path) -> int:
        """Print what went into the cups; the status is 0 where any was mixed."""
        for cup in self._cups:
            print(f"\nBatch {cup.batch}: what went into the cup (simulated)")
            for line in summary_table(
                _parts(cup), self._division_g, cup.data["total_g"], cup.data["ratio_error_pct"]
            ):
                print(line)
        if not self._cups:
            print("benchpour: the demo was stopped before a cup was mixed.", file=sys.stderr)
            return 1
        print(f"\nMisses topped up or corrected: {self._misses}. The record is in {store}:")
        print(f"  benchpour log show {self._cups[0].batch} --store {store}")
        return 0


def _parts(cup: Record) -> list[PartView]:
    return [
        PartView(
            part["name"],
            part["target_g"],
            part["actual_g"],
            part["actual_g"] - part["target_g"],
            done=True,
        )
        for part in cup.data["parts"]
    ]
