"""A shop floor for tests: a real broker, the real page, and a bench that follows a script.

The bench is the real MQTT outlet fed with views made here; no scale, no batch logic. The pour is an
invented one: a run of cabinet knobs, two parts.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import shutil
import signal
import socket
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from daemon import config as settings
from daemon.broker import BrokerLink
from daemon.broker_access import HOST, Accounts, Endpoint, new_accounts
from daemon.broker_child import ChildBroker, child_broker, find_mosquitto
from daemon.broker_embedded import embedded_broker
from daemon.messages import Done
from daemon.page import Page
from daemon.pairing_store import Pairing
from daemon.view import (
    BenchView,
    PartView,
    RunView,
    Step,
    StopsView,
    TimerView,
    Zone,
)

LONG_S = 15.0

IDLE = BenchView(
    at_s=0.0,
    wall_offset_s=0.0,
    bench="bench",
    person="Ada",
    version="0.0.test",
    scale="ok",
    scale_note="/dev/bench-scale, sign-first lines",
    recipe="Slate knob, fast urethane",
    prompt="No batch is open: start one with a recipe.",
    choices=("start",),
    weight_g=0.0,
    stable=True,
    last_landings=(
        ("A", 0.08),
        ("B", -0.12),
        ("A", 0.21),
        ("B", 0.05),
        ("A", -0.04),
        ("B", 0.47),
        ("A", 0.0),
        ("B", -0.18),
    ),
    run=RunView("Cabinet knobs, slate", 240, 118, 5, 21, 42, 5400.0),
)
CUP = replace(
    IDLE,
    batch=22,
    step=Step.CUP,
    prompt="Batch 22: put an empty cup on the scale and let go.",
    caution="Keep water out: a damp cup, stick or colour makes it foam. Never seal foaming waste.",
    choices=("tare", "abandon"),
)
_A = PartView("A", 69.5)
_B = PartView("B", 62.5)
POUR_A = replace(
    CUP,
    step=Step.POUR,
    part="A",
    zone=Zone.DUMP,
    target_g=69.5,
    actual_g=0.0,
    remaining_g=69.5,
    stops=StopsView(56.2, 67.9),
    tolerance_g=0.3,
    parts=(_A, _B),
    prompt="Pour A: 69.5 g.",
    caution="Isocyanate: ventilate; gloves do not stop vapour and it can sensitise for life. "
    "Follow the maker's data sheet.",
    choices=("abandon",),
)


def poured(view: BenchView, grams: float, flow: float, zone: Zone, **more: Any) -> BenchView:
    """The same pour with so much of the part in the cup."""
    target = view.target_g or 0.0
    done = sum(part.actual_g or 0.0 for part in view.parts if part.done)
    parts = tuple(
        replace(part, actual_g=grams) if part.name == view.part and not part.done else part
        for part in view.parts
    )
    return replace(
        view,
        zone=zone,
        actual_g=grams,
        remaining_g=target - grams,
        landing_g=grams + 0.35 * flow,
        weight_g=done + grams,
        flow_g_per_s=flow,
        stable=flow == 0.0,
        parts=parts,
        **more,
    )


def any_port() -> int:
    """A free port that no other run of the tests looks for, too.

    Not of those that the system gives to outgoing lines: who asks again and again whether somebody
    listens there yet would in the end be connected with himself.
    """
    while True:
        port = random.randrange(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


class Floor:
    """Broker, page and bench, and what has been commanded."""

    def __init__(self, folder: Path, kind: str = "mosquitto") -> None:
        self.folder = folder
        self.kind = kind
        self.broker_port = any_port()
        self.accounts: Accounts = new_accounts(folder, self.broker_port)
        self.endpoint: Endpoint | None = None
        self.commands: list[dict[str, Any]] = []
        self.pairing = Pairing(folder)
        self.refuse = ""
        """The sentence that every command is refused with, if any."""
        self.deaf = False
        """Whether commands are left without an answer."""
        self.silent = False
        """Whether the bench says nothing, though it is there."""
        self.wall_offset_s = time.time() - time.monotonic()
        self._child: ChildBroker | None = None
        self._broker = contextlib.AsyncExitStack()
        self.page = Page(
            settings.Phone(address=HOST, port=any_port()),
            self.pairing,
            lambda: self.endpoint,
            lambda: {"ok": True},
            "bench",
        )
        self._links: dict[str, BrokerLink] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._views: dict[str, BenchView] = {}

    @property
    def origin(self) -> str:
        return f"{self.page.url.partition(':')[0]}://{HOST}:{self.page.port}/"

    async def start_broker(self) -> None:
        if self.kind == "embedded":
            broker = embedded_broker(self.broker_port, self.accounts)
            self.endpoint = await self._broker.enter_async_context(broker)
            return
        program = find_mosquitto()
        assert program is not None
        # Of its own, since as root the broker runs under an account of its own.
        files = Path(tempfile.mkdtemp(prefix="benchpour-broker-"))
        self._broker.callback(shutil.rmtree, files, ignore_errors=True)
        child = child_broker(program, self.broker_port, self.accounts, files)
        self._child = await self._broker.enter_async_context(child)
        self.endpoint = self._child.endpoint

    async def stop_broker(self) -> None:
        await self._broker.aclose()

    def kill_broker(self) -> None:
        """Shoot the child; it comes back by itself."""
        assert self._child is not None and self._child.pid is not None
        os.kill(self._child.pid, signal.SIGKILL)

    def link(self, bench: str) -> BrokerLink:
        assert self.endpoint is not None
        return BrokerLink(
            self.endpoint,
            bench=bench,
            version="0.0.test",
            events_after=lambda _seq, _limit: [],
            acked=lambda _seq: None,
            last_acked=0,
            on_do=lambda payload: self._done(bench, payload),
        )

    def _done(self, bench: str, payload: bytes) -> None:
        asked = json.loads(payload)
        self.commands.append({"bench": bench} | asked if bench != "bench" else asked)
        if self.deaf:
            return
        error = self.refuse or None
        self._links[bench].answer(Done(id=asked["id"], ok=error is None, error=error))

    @contextlib.asynccontextmanager
    async def open(self, *more_benches: str) -> AsyncIterator[Floor]:
        """Have it all for as long as the context lasts."""
        await self.start_broker()
        try:
            async with self.page.serve():
                for bench in ("bench", *more_benches):
                    self._links[bench] = self.link(bench)
                    self._tasks[bench] = asyncio.create_task(self._links[bench].run())
                self._tasks[""] = asyncio.create_task(self._go_on())
                await until(lambda: all(link.connected for link in self._links.values()))
                yield self
        finally:
            for name in tuple(self._tasks):
                await self.end(name)
            await self.stop_broker()

    async def end(self, bench: str) -> None:
        """End a bench in order: it says goodbye."""
        self._links.pop(bench, None)
        task = self._tasks.pop(bench)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    def show(self, view: BenchView, bench: str = "bench") -> None:
        """Publish a view as of now, again and again. Its clocks are given in seconds from now."""
        now_s = time.monotonic()
        timers = tuple(
            replace(
                timer,
                started_at_s=now_s + timer.started_at_s,
                ends_at_s=now_s + timer.ends_at_s,
                warn_at_s=None if timer.warn_at_s is None else now_s + timer.warn_at_s,
            )
            for timer in view.timers
        )
        run = view.run and replace(
            view.run, eta_at_s=view.run.eta_at_s and now_s + view.run.eta_at_s
        )
        self._views[bench] = replace(
            view, wall_offset_s=self.wall_offset_s, bench=bench, timers=timers, run=run
        )
        self.say_again(bench)

    def say_again(self, bench: str) -> None:
        """What the bench's loop does at each reading: the same state, now."""
        if bench in self._views:
            self._links[bench].show(replace(self._views[bench], at_s=time.monotonic()))

    async def _go_on(self) -> None:
        while True:
            await moment(0.2)
            for bench in () if self.silent else tuple(self._links):
                self.say_again(bench)

    async def code(self, role: str = "control") -> str:
        """Open a code as `phone pair` does; returns the address with it."""
        found = await self.page.handle_phone({"phone": "pair", "role": role})
        assert found["ok"], found
        # The page is reached by the loopback here, however it is announced.
        return f"{self.origin}#{found['url'].partition('#')[2]}"


async def until(true: Callable[[], object], within_s: float = LONG_S) -> None:
    """Wait for a condition, at most so long."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + within_s
    while not true():
        assert loop.time() < end_s, f"not within {within_s} s"
        await moment()


async def moment(length_s: float = 0.01) -> None:
    """Let everything else run before a condition is looked at again."""
    over = asyncio.Event()
    alarm = asyncio.get_running_loop().call_later(length_s, over.set)
    try:
        await over.wait()
    finally:
        alarm.cancel()


CLOCKS = (
    TimerView("pot-life-22", 22, "pot-life", -49.0, 95.0, 131.0, "running"),
    TimerView("pressure-21", 21, "pressure", -200.0, 340.0, 400.0, "running"),
    TimerView("demold-20", 20, "demold", -870.0, -20.0, 30.0, "warned"),
    TimerView("trim-19", 19, "trim", -4000.0, 9000.0, 10400.0, "running"),
)
