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
from drivers.scale_sim import Shown, World
from drivers.sim_person import PersonTruth
from recipes.loader import find_recipe, load_recipe
from recipes.model import Recipe
from tools.demo_caster import TAKE_OFF, Caster, Sight, scale_for

PROFILE = "flag-comma-signed"
STEP_S = 0.02
DEFAULT_SEED = 1
SLIP = 0.05
"""How often the pretend person's attention is elsewhere when a cue sounds: a miss now and then."""
AHEAD_S = 0.05
BEHIND_S = 0.12
"""A program that is further behind its scale shows a machine that is held up."""
PATIENCE_S = 0.3
"""Of real time, for which pretend time waits: a line may have gone astray."""
LONGEST_S = 600.0
"""A batch that takes longer than this has gone wrong; the demo then says so and ends."""


class QuickClock(Clock):
    """A pretend time, `speed` times as fast as the machine's, that waits for whoever pretends.

    It runs on for at most `AHEAD_S` after each beat: where the machine is held up, the pretend
    scale and person are held up with it, and nobody takes that for a scale that fell silent or for
    a load that leaps.
    """

    def __init__(self, speed: float) -> None:
        """Start at the machine's own time."""
        self._speed = speed
        self._from_us = self._beaten_us = super().now_us()
        self._wall_offset_us = super().wall_offset_us()

    def beat(self) -> None:
        """Whoever pretends is still at it."""
        self._from_us, self._beaten_us = self.now_us(), super().now_us()

    @property
    def unbeaten_s(self) -> float:
        """Seconds of real time since the last beat."""
        return (super().now_us() - self._beaten_us) / 1e6

    def now_us(self) -> int:
        """Microseconds of pretend time."""
        gone_us = (super().now_us() - self._beaten_us) * self._speed
        return self._from_us + round(min(gone_us, AHEAD_S * 1e6))

    def wall_offset_us(self) -> int:
        """The wall clock of the demo goes with its time."""
        return self._wall_offset_us


def sight_of(view: BenchView) -> Sight:
    """What a person takes in of the picture at a glance."""
    return Sight(
        step=view.step.value,
        batch=view.batch,
        zone=view.zone.value if view.zone is not None else None,
        part=view.part,
        to_go_g=view.remaining_g,
        parts=tuple((part.name, part.done) for part in view.parts),
        trickle=view.stops.coarse is None,
        take_off=view.prompt.startswith(TAKE_OFF),
        needs=view.needs,
        choices=view.choices,
        due=view.due,
    )


class SimulatedBench:
    """The pan, the bottles and the person, on one end of a pseudo-terminal."""

    def __init__(self, recipe: Recipe, rng: Random) -> None:
        """Set the bench up; `port` is the path that the program is to open as its scale."""
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._master, self._slave = master, slave
        self.port = os.ttyname(slave)
        self._profile = load_profile(PROFILE)
        self._waiting: deque[Shown] = deque()
        truth = scale_for(recipe)
        self._places = 2 if truth.division_g < 0.1 else 1
        self.world = World(truth, rng)
        self.world.person = self.person = Caster(self.world, recipe, PersonTruth(slip=SLIP), rng)

    def close(self) -> None:
        """Pull the cable."""
        os.close(self._master)
        os.close(self._slave)

    def play(self, pattern: Pattern) -> None:
        """The person hears what the program sounds."""
        self.person.heard(pattern.value, self.world.now_s)

    def show(self, view: BenchView) -> None:
        """The person pours by ear, and glances at the screen for what is next."""
        self.person.see(sight_of(view), self.world.now_s)

    async def run(self, running: Running, clock: QuickClock, speed: float) -> None:
        """Let the simulated time pass with the program's own."""
        start_s = running.timeline.now_s()
        while True:
            if _keeps_up(running) or clock.unbeaten_s > PATIENCE_S:
                clock.beat()
            now_s = running.timeline.now_s() - start_s
            self._waiting.extend(self.world.advance(now_s))
            while self._waiting and self._waiting[0].at_s <= now_s:
                self._send(self._waiting.popleft())
            self._say(running)
            await asyncio.sleep(STEP_S / speed)

    def _send(self, shown: Shown) -> None:
        text = f"{shown.grams:.{self._places}f}"
        frame = self._profile.render(text, "g", stable=not shown.moving, net=False)
        try:
            os.write(self._master, frame)
        except BlockingIOError:
            return  # nobody reads: a scale does not wait either

    def _say(self, running: Running) -> None:
        for _, do in self.person.commands:
            running.commander.heard({"id": "person"} | do, "person", _unheard)
        self.person.commands.clear()


def _keeps_up(running: Running) -> bool:
    """Whether the program has dealt with what the scale sent; else pretend time waits for it."""
    return running.timeline.now_us() - running.loop.engine.at_us < BEHIND_S * 1e6


def _unheard(answer: Answer) -> None:
    """The simulated person looks at the screen, not at answers."""


def demo(args: argparse.Namespace) -> int:
    """Run the demo and print what went into the cup; returns the exit status."""
    config = settings(args)
    store = config.store_dir if args.store else Path(tempfile.mkdtemp(prefix="benchpour-demo-"))
    name = args.recipe or "slate-knob"
    recipe = load_recipe(find_recipe(name, [config.recipes_dir]))
    return asyncio.run(_work(args, config, recipe, store))


async def _work(args: argparse.Namespace, config: Config, recipe: Recipe, store: Path) -> int:
    bench = SimulatedBench(recipe, Random(DEFAULT_SEED if args.seed is None else args.seed))
    config = config.model_copy(
        update={"scale": config.scale.model_copy(update={"url": bench.port})}
    )
    clock = QuickClock(args.speed)
    options = RunOptions(
        config=config,
        recipe=recipe,
        batches=args.batches,
        console=args.console,
        debug=args.debug,
        clock=clock,
        speed=args.speed,
    )
    running = Running(options, store)
    stop_on_signals(running.stop)
    play = _Play(running, bench, args.batches)
    running.loop.near += [bench, play]
    running.loop.on_record.append(play.hear)
    running.said.say(
        "A simulation of our own: a run of cabinet knobs, a simulated scale and person, who stirs "
        "and fills in seconds."
    )
    try:
        await running.run(lambda it: _scale(it, bench, play, clock, args.speed))
    finally:
        bench.close()
    return play.summary(store)


async def _scale(
    running: Running, bench: SimulatedBench, play: _Play, clock: QuickClock, speed: float
) -> None:
    from daemon.cli_run import read_scale

    async with asyncio.TaskGroup() as group:
        group.create_task(bench.run(running, clock, speed))
        group.create_task(read_scale(running))
        group.create_task(play.watch(speed))


class _Play:
    """Remembers what went into each cup, and ends the demo when the last one is done with."""

    def __init__(self, running: Running, bench: SimulatedBench, batches: int) -> None:
        self._running = running
        self._bench = bench
        self._batches = batches
        self._cups: list[Record] = []
        self._misses = 0
        self._division_g = 0.1
        self._stuck = False

    def hear(self, record: Record) -> None:
        """Take note of an event."""
        if record.kind == "batch.mixed":
            self._cups.append(record)
        elif record.kind in ("part.over", "part.short"):
            self._misses += 1

    def play(self, pattern: Pattern) -> None:
        """Nothing to hear."""

    def show(self, view: BenchView) -> None:
        """Look whether the run is over: everything mixed, nothing left on the scale or in mind."""
        self._division_g = view.division_g
        poured = len(self._cups) >= self._batches and view.step is Step.IDLE
        if poured and self._bench.person.at_rest:
            self._running.stop.set()

    async def watch(self, speed: float) -> None:
        """End the demo once a batch has taken too long."""
        poured = -1
        while len(self._cups) > poured:
            poured = len(self._cups)
            await asyncio.sleep(LONGEST_S / speed)
        self._stuck = True
        self._running.stop.set()

    def summary(self, store: Path) -> int:
        """Print what went into the cups; the status is 0 where all were mixed."""
        for cup in self._cups:
            print(f"\nBatch {cup.batch}: what went into the cup (simulated)")
            for line in summary_table(
                _parts(cup), self._division_g, cup.data["total_g"], cup.data["ratio_error_pct"]
            ):
                print(line)
        if self._cups:
            print(f"\nMisses topped up or corrected: {self._misses}. The record is in {store}:")
            print(f"  benchpour log show {self._cups[0].batch} --store {store}")
        return self._status(store)

    def _status(self, store: Path) -> int:
        missing = self._batches - len(self._cups)
        if missing <= 0:
            return 0
        why = f"{LONGEST_S:.0f} s went by without another" if self._stuck else "it was stopped"
        print(
            f"benchpour: the demo ended before {missing} of {self._batches} cups were mixed: "
            f"{why}. The record is in {store}.",
            file=sys.stderr,
        )
        return 1


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
