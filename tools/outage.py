"""Kills the broker again and again while a simulated person pours, and counts what a reader gets.

The daemon is the real one, with its journal and its line to a real broker; the reader keeps a
session with that broker. Afterwards the reader has to hold every event of the journal, in order:
what came twice may be dropped by its number, nothing may be missing. `python -m tools.outage` does
it 50 times.

Owns the kills and the count. The scale and the person are the demo's, and as invented.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import aiomqtt

from daemon.broker_access import HOST, USER_OF, Account, BrokerError, Role, free_port
from daemon.broker_child import ChildBroker, child_broker, find_mosquitto
from daemon.cli_run import read_scale
from daemon.config import Config
from daemon.journal import Journal
from daemon.messages import EventMessage
from daemon.run import Running, RunOptions
from daemon.topics import EVENT, base
from daemon.view import Step
from recipes.loader import SAMPLES_DIR, load_recipe
from tools.demo import QuickClock, SimulatedBench

KILLS = 50
SPEED = 10.0
LONGEST_S = 60.0
"""Nothing here takes so long, unless something is wrong."""
LOOK_S = 0.005
WITHIN_S = 0.3
"""The kill falls at any moment within so long of a pour's beginning or of the line's return."""
READER = "benchpour-outage-reader"
POURED = (Step.POUR, Step.SETTLE)

_QUIET = logging.getLogger("benchpour.outage")
_QUIET.addHandler(logging.NullHandler())


class OutageError(Exception):
    """The trial could not be made: one sentence."""


@dataclass(slots=True)
class Result:
    """What came of it."""

    kills: int = 0
    while_poured: int = 0
    batches: int = 0
    last_seq: int = 0
    """Of the journal: events 1 to this one are owed to the reader."""
    seqs: list[int] = field(default_factory=list)
    """As the reader got them, those that came twice included."""
    away_s: list[float] = field(default_factory=list)
    """From each kill until the bench was on the line again."""

    @property
    def kept(self) -> list[int]:
        """What is left when a reader drops every number it has seen."""
        return list(dict.fromkeys(self.seqs))

    @property
    def lost(self) -> list[int]:
        """Events of the journal that never came."""
        return sorted(set(range(1, self.last_seq + 1)) - set(self.seqs))

    @property
    def astray(self) -> int:
        """How many came for the first time after a later one."""
        kept = self.kept
        return sum(kept[i] < max(kept[:i]) for i in range(1, len(kept)))

    @property
    def good(self) -> bool:
        """Whether every event arrived, in order, and there were any."""
        return bool(self.last_seq) and not self.lost and not self.astray

    def lines(self) -> list[str]:
        """The figures, to be read."""
        again = len(self.seqs) - len(self.kept)
        away = sorted(self.away_s) or [0.0]
        return [
            f"broker killed      {self.kills} times, {self.while_poured} of them during a pour",
            f"journal            {self.batches} batches, {self.last_seq} events",
            f"reader             {len(self.seqs)} messages, {again} of them again",
            f"lost               {len(self.lost)}{_some(self.lost)}",
            f"out of order       {self.astray}",
            f"on the line again  after {statistics.median(away):.2f} s (median), "
            f"{away[-1]:.2f} s (longest)",
        ]


def _some(seqs: list[int]) -> str:
    return f": {', '.join(map(str, seqs[:10]))}" if seqs else ""


class Reader:
    """A program that keeps its session with the broker and comes back whenever it is cut off."""

    def __init__(self, port: int, account: Account) -> None:
        """Read the events of the bench on this port of the loopback."""
        self.seqs: list[int] = []
        self._port, self._account = port, account

    async def run(self) -> None:
        """Read until cancelled."""
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._read()
            await asyncio.sleep(20 * LOOK_S)

    async def _read(self) -> None:
        client = aiomqtt.Client(
            HOST,
            self._port,
            username=self._account.user,
            password=self._account.password,
            identifier=READER,
            clean_session=False,
            logger=_QUIET,
        )
        async with client:
            await client.subscribe(base("bench") + EVENT.name, qos=1)
            async for message in client.messages:
                self.seqs.append(EventMessage.model_validate_json(message.payload).seq)


async def outage(kills: int, speed: float, seed: int) -> Result:
    """Pour, kill the broker `kills` times meanwhile, and return what the reader got.

    `speed` is how many times as fast as the machine's clock is poured; raises OutageError.
    """
    with _folder() as folder:
        store = folder / "store"
        async with _broker(folder / "broker") as (broker, reader, account):
            config = _settings(folder, store, broker, account)
            return await _Trial(broker, reader, Random(seed)).run(kills, config, store, speed)


@contextlib.contextmanager
def _folder() -> Iterator[Path]:
    """A folder for all of it, through which a broker with a user of its own gets to its own."""
    with tempfile.TemporaryDirectory(prefix="benchpour-outage-") as folder:
        Path(folder).chmod(0o711)
        (Path(folder) / "broker").mkdir()
        yield Path(folder)


@contextlib.asynccontextmanager
async def _broker(folder: Path) -> AsyncIterator[tuple[ChildBroker, Reader, Account]]:
    """A broker that knows the reader's session by heart, and both of them at work."""
    program = find_mosquitto()
    if program is None:
        raise OutageError("There is no mosquitto to be killed; run sudo apt install mosquitto.")
    accounts = {role: Account(USER_OF[role], f"{role} of a trial") for role in Role}
    port = _own_port()
    async with child_broker(program, port, accounts, folder) as broker:
        reader = Reader(port, accounts[Role.WATCH])
        reading = asyncio.create_task(reader.run(), name="reader")
        try:
            memory = folder / "mosquitto.db"
            await _until(lambda: memory.exists() and READER.encode() in memory.read_bytes())
            yield broker, reader, accounts[Role.DAEMON]
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)


def _own_port() -> int:
    """A port that no outgoing line and no other broker takes while ours is dead."""
    for port in Random().sample(range(20_000, 32_000), 50):
        with contextlib.suppress(BrokerError):
            return free_port(port)
    raise OutageError("No port is free on the loopback.")


def _settings(folder: Path, store: Path, broker: ChildBroker, account: Account) -> Config:
    password = folder / "password"
    password.write_text(account.password)
    password.chmod(0o600)
    where = f"mqtt://{account.user}@{HOST}:{broker.endpoint.port}"
    return Config.model_validate(
        {
            "broker": {"url": where, "password_file": str(password)},
            "store": {"dir": str(store)},
            "phone": {"off": True},
            "sound": {"to": "none"},
        }
    )


class _Trial:
    """One daemon that pours, one broker that is killed."""

    def __init__(self, broker: ChildBroker, reader: Reader, rng: Random) -> None:
        self._broker, self._reader, self._rng = broker, reader, rng
        self._result = Result(seqs=reader.seqs)

    async def run(self, kills: int, config: Config, store: Path, speed: float) -> Result:
        """Pour and kill; everything has ended when it returns."""
        recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
        bench = SimulatedBench(recipe, self._rng)
        scale = config.scale.model_copy(update={"url": bench.port})
        clock = QuickClock(speed)
        options = RunOptions(
            config=config.model_copy(update={"scale": scale}),
            recipe=recipe,
            console="none",
            clock=clock,
            speed=speed,
        )
        running = Running(options, store)
        running.loop.near.append(bench)

        async def port(it: Running) -> None:
            async with asyncio.TaskGroup() as group:
                group.create_task(bench.run(it, clock, speed))
                group.create_task(read_scale(it))

        daemon = asyncio.create_task(running.run(port), name="daemon")
        try:
            await self._kill(kills, running, daemon)
        finally:
            running.stop.set()
            await daemon
            bench.close()
        return await self._count(store)

    async def _kill(self, kills: int, running: Running, daemon: asyncio.Task[None]) -> None:
        for _ in range(kills):
            await _until(lambda: daemon.done() or (_up(running) and _pouring(running)))
            if daemon.done():
                raise OutageError("The daemon ended by itself.")
            await asyncio.sleep(self._rng.uniform(0.0, WITHIN_S))
            await self._kill_once(running)
        # The last kill is no reason to lose anything either: what was held up comes in a moment.
        await _until(lambda: running.journal.last_seq() in self._reader.seqs)

    async def _kill_once(self, running: Running) -> None:
        pid = self._broker.pid
        if pid is None:
            raise OutageError("The broker ended by itself.")
        self._result.kills += 1
        self._result.while_poured += _pouring(running)
        began_s = time.monotonic()
        os.kill(pid, signal.SIGKILL)
        await _until(lambda: not _up(running))
        await _until(lambda: _up(running))
        self._result.away_s.append(time.monotonic() - began_s)

    async def _count(self, store: Path) -> Result:
        """Give the reader the time to get the last ones, then hold it against the journal."""
        journal = Journal(store, write=False)
        self._result.last_seq = journal.last_seq()
        self._result.batches = len(journal.events_of_kind("batch.mixed"))
        journal.close()
        with contextlib.suppress(OutageError):
            await _until(lambda: self._result.last_seq in self._reader.seqs, 10.0)
        return self._result


def _up(running: Running) -> bool:
    return running.link is not None and bool(running.link.connected)


def _pouring(running: Running) -> bool:
    return running.loop.view.step in POURED


async def _until(true: Callable[[], object], longest_s: float = LONGEST_S) -> None:
    deadline_s = time.monotonic() + longest_s
    while not true():
        if time.monotonic() > deadline_s:
            raise OutageError(f"Nothing happened for {longest_s:.0f} s: the trial is stuck.")
        await asyncio.sleep(LOOK_S)


def main(argv: list[str] | None = None) -> int:
    """Make the trial and print its figures; 0 where every event arrived in order."""
    parser = argparse.ArgumentParser(
        prog="python -m tools.outage",
        description="Kill the broker during pours, and see that a reader misses no event.",
    )
    parser.add_argument("--kills", type=int, default=KILLS, help=f"how often (default {KILLS})")
    parser.add_argument(
        "--speed", type=float, default=SPEED, help=f"of the pouring (default {SPEED:.0f})"
    )
    parser.add_argument("--seed", type=int, default=1, help="of the person and of the moments")
    args = parser.parse_args(argv)
    try:
        result = asyncio.run(outage(args.kills, args.speed, args.seed))
    except (OutageError, BrokerError) as error:
        print(f"outage: {error}", file=sys.stderr)
        return 1
    print("\n".join(result.lines()))
    print("Every event arrived, in order." if result.good else "EVENTS ARE MISSING OR ASTRAY.")
    return 0 if result.good else 1


if __name__ == "__main__":
    sys.exit(main())
