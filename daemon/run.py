"""The wiring of a running daemon: ports, outlets and the loop, put together and taken apart.

Owns which part is connected to which, and the order of starting and stopping. Decides nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import importlib
import signal
import sys
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon import control, notify
from daemon.bench import Bench
from daemon.cli import leaf
from daemon.clock import Clock, Ticks, Timeline
from daemon.commander import Commander, plain_recipe
from daemon.config import Config
from daemon.effects import Answer, Record
from daemon.faults import Faults
from daemon.inputs import DaemonStart, Port, Raw
from daemon.journal import Journal
from daemon.loop import Loop
from daemon.restart import rebuild, saved_mark, shape_key
from daemon.screen_console import Console, Said, Watcher
from daemon.screen_words import Notes
from daemon.store import JournalError
from daemon.tint_bench import weight_answer
from daemon.version import VERSION
from drivers.scale_profile import Profile
from recipes.model import Recipe

READY_LAG_S = 0.5
"""A loop that is later than this is not well: the service manager is not told that it is."""
LET_GO_S = 0.3
"""So long at most a port or a screen may take to let go when the daemon ends."""

Ask = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]
PRIVATE = frozenset({"plan", "jug", "tint", "forget-hand"})
"""Commands that come only from this machine, over the control socket."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the command line adds to the settings."""

    config: Config
    recipe: Recipe | None = None
    batches: int | None = None
    order: dict[str, Any] | None = None
    batch_g: float | None = None
    jug: str | None = None
    """The jug that a fill comes from."""
    console: str = "full"
    profile: Profile | None = None
    own_shape: str = ""
    """The text of a line shape that does not ship: kept with the record that it was read by."""
    clock: Ticks = field(default_factory=Clock)
    speed: float = 1.0
    """How many times as fast as the machine's clock `clock` runs."""
    debug: bool = False
    """Leave it to Python to show where an error comes from."""
    until_done: bool = False
    """End by itself once everything that was asked for is poured: a `fill`, the demo."""


class Running:
    """One daemon, from its start to its end."""

    def __init__(self, options: RunOptions, store: Path) -> None:
        """Open the journal and rebuild the bench; raises JournalError."""
        from drivers.recogniser import decoder_for

        self.options = options
        self.store = store
        self.journal = Journal(store, write=True)
        self.timeline = Timeline(options.clock, saved_mark(self.journal))
        self.restart = rebuild(self.journal, decoder_for(options.profile))
        self.loop = Loop(self.restart.engine, self.journal, self.timeline, options.speed)
        self.commander = Commander(self.loop, (options.config.recipes_dir,))
        self.said = Said(self.timeline.now_s, self._refresh_soon)
        self._refreshing: asyncio.Handle | None = None
        self._seen = False
        """Whether the bench has been shown for the first time."""
        self.stop = asyncio.Event()
        self.broker_note = self.phone_note = self.refused = ""
        """`refused`: why the one thing that was asked for was."""
        self.link: Any = None
        self.page: Any = None
        self.endpoint: Any = None
        """The broker in use, None while there is none."""
        self.asks: dict[str, Ask] = {"weight": self._weight, "phone": control.not_yet}
        """Other requests on the control socket, by their one distinguishing member."""

    @property
    def bench(self) -> Bench:
        """The bench as it is."""
        return self.loop.engine.bench

    def notes(self) -> Notes:
        """What stands beside the bench on the screen."""
        trouble = (*self.loop.failed, *((self.loop.trouble,) if self.loop.trouble else ()))
        note = self.link.note if self.link is not None else self.broker_note
        said, page = (*self.said.current(), *trouble), self.page
        if page is None:
            return Notes(note, self.phone_note, said)
        return Notes(note, page.note, said, page.invitation)

    def health(self) -> dict[str, Any]:
        """What `/healthz` says: fine, or each thing that is not."""
        scale = self.bench.link
        wrong = {
            "scale": "" if scale.state == "ok" else scale.why or "nothing heard yet",
            "journal": self.loop.trouble,
            "broker": self._broker_trouble(),
        }
        found = {name: why for name, why in wrong.items() if why}
        return {"ok": not found} | found

    def _broker_trouble(self) -> str:
        if self.options.config.broker.url == "none":
            return ""
        if self.link is None:
            return self.broker_note or "not there yet"
        return "" if self.link.connected else str(self.link.note)

    async def run(self, port: Callable[[Running], Coroutine[Any, Any, None]]) -> None:
        """Start everything, run until `stop` is set, and leave everything journaled.

        `port` brings bytes from a scale until it is cancelled.
        """
        async with contextlib.AsyncExitStack() as stack:
            if not self.options.debug:
                faults = Faults(self.loop, self.said.say, self.stop.set)
                stack.enter_context(faults.watched())
            stack.callback(self.journal.close)
            console = self._console(stack)
            self._sound(stack)
            self._keys(stack)
            self._begin()
            self._first_sight(console)
            await self._control(stack)
            tasks = [
                asyncio.create_task(port(self), name="scale"),
                asyncio.create_task(self.loop.run(), name="journal"),
                asyncio.create_task(self.loop.watch_wall(), name="wall"),
                asyncio.create_task(self.spared("The screen", console.run()), name="screen"),
                asyncio.create_task(self._outlets(), name="outlets"),
                asyncio.create_task(self._alive(), name="watchdog"),
            ]
            try:
                await self._until_stopped(tasks)
            finally:
                last = [t for t in tasks if t.get_name() in ("journal", "outlets")]
                await _ended([t for t in tasks if t not in last], LET_GO_S)
                await self._last_words(*last)

    async def _last_words(self, journal: asyncio.Task[None], outlets: asyncio.Task[None]) -> None:
        """Journal everything, then tell it to whoever listens."""
        await _ended([journal])
        try:
            await self.loop.close()
        except JournalError as error:
            what = str(error).partition("; nothing is lost")[0].rstrip(".")
            raise JournalError(
                f"{what}. Benchpour was ended before there was room: what it weighed since then is "
                "not kept, so note what is in the cup."
            ) from error
        finally:
            await _ended([outlets])

    async def spared(self, what: str, work: Awaitable[None]) -> None:
        """Let this outlet work; its failure is said, and harms neither the pour nor the rest."""
        try:
            await work
        except Exception as error:
            reason = leaf(error)
            self.said.say(
                f"{what} failed and is left out ({type(reason).__name__}: {reason}); "
                "all else goes on."
            )

    async def _until_stopped(self, tasks: list[asyncio.Task[None]]) -> None:
        """Until somebody wants it to stop, or a task that should never end has failed."""
        wanted = asyncio.create_task(self.stop.wait(), name="stop")
        tasks_and_stop = {wanted, *tasks}
        while True:
            done, tasks_and_stop = await asyncio.wait(
                tasks_and_stop, return_when=asyncio.FIRST_COMPLETED
            )
            for task in done:
                task.result()
            if wanted in done:
                return

    def _begin(self) -> None:
        config, at_us = self.options.config, self.timeline.now_us
        start = DaemonStart(
            at_us(),
            VERSION,
            self.restart.resumed,
            config.bench,
            config.cues.risk_pct,
            self.timeline.wall_offset_us(),
        )
        self.loop.take(start)
        self.said.say(self.restart.note)
        if self.options.own_shape and self.options.profile is not None:
            self.loop.note_meta(shape_key(self.options.profile.name), self.options.own_shape)
        if self.options.until_done:
            self.loop.on_record.append(self._done)
        if config.person and config.person != self.bench.person:
            self.commander.do({"do": "person", "name": config.person}, "settings")
        self._plan()

    def _plan(self) -> None:
        """Ask for the batches, unless the ones asked for before a stop are still under way."""
        recipe, plan = self.options.recipe, self.bench.plan
        if recipe is None or (plan is not None and plan.recipe == recipe and self._under_way()):
            return
        do: dict[str, Any] = {"do": "plan", "resolved": plain_recipe(recipe)}
        for name in ("batches", "order", "batch_g", "jug"):
            if (value := getattr(self.options, name)) is not None:
                do[name] = value
        self.commander.do(do, "start", self._planned)

    def _planned(self, answer: Answer) -> None:
        self.said.say(answer.error or "")
        if self.options.until_done and not answer.ok:
            self.refused = answer.error or ""
            self.stop.set()

    def _under_way(self) -> bool:
        """Whether just this was asked for before a stop, and is not done yet."""
        plan, progress, asked = self.bench.plan, self.bench.progress, self.options.batches
        if plan is None or (plan.left == 0 and self.bench.batch is None):
            return False
        return asked is None or progress is None or progress.batches_planned == asked

    def _done(self, record: Record) -> None:
        if record.kind == "batch.closed" and record.data.get("reason") == "filled":
            self.stop.set()

    def _console(self, stack: contextlib.AsyncExitStack) -> Console:
        console = Console(self.options.console, self.timeline.now_s, self.notes)
        stack.callback(console.close)
        return console

    def _first_sight(self, console: Console) -> None:
        """Show the bench once it is known what is to be poured: that is the first prompt."""
        self.loop.near.append(console)
        self._seen = True
        self._refresh()

    async def _control(self, stack: contextlib.AsyncExitStack) -> None:
        """Let other commands reach this daemon; some disks hold no sockets, and pouring goes on."""
        try:
            await stack.enter_async_context(control.serve(self.store, self.asked))
        except OSError as error:
            self.said.say(
                f"Other benchpour commands cannot reach this daemon ({error.strerror or error}); "
                "a store on another disk would let them."
            )

    def _sound(self, stack: contextlib.AsyncExitStack) -> None:
        from daemon.sound import SoundOutlet
        from drivers.beeper import open_sink

        terminal = sys.stdout if self.options.console != "none" else None
        sink = open_sink(self.options.config.sound.to, terminal)

        def put_off(seconds: float, what: Callable[[], None]) -> asyncio.TimerHandle:
            return asyncio.get_running_loop().call_later(seconds / self.options.speed, what)

        outlet = SoundOutlet(sink, self.timeline.now_s, self.said.say, put_off)
        stack.callback(outlet.close)
        self.loop.near.append(outlet)

    def _keys(self, stack: contextlib.AsyncExitStack) -> None:
        if self.options.console == "none" or not sys.stdin or not sys.stdin.isatty():
            return
        from daemon.keys import Keys

        def pressed(do: dict[str, Any]) -> None:
            self.commander.heard({"id": "key"} | do, "key", self._key_answer)

        keys = Keys(sys.stdin, self.timeline.now_s, pressed, self.said.say, self.stop.set)
        if keys.open():
            stack.callback(keys.close)
            self.loop.near.append(Watcher(keys.show))

    def _key_answer(self, answer: Answer) -> None:
        self.said.say(answer.error or "")

    def _refresh_soon(self) -> None:
        if self._seen and self._refreshing is None:
            self._refreshing = asyncio.get_running_loop().call_soon(self._refresh)

    def _refresh(self) -> None:
        self._refreshing = None
        view = self.loop.view
        for eye in self.loop.near:
            eye.show(view)

    async def _outlets(self) -> None:
        """The broker and the page: they may come late or not at all, and delay nothing."""
        # Loaded beside the loop: they are many, and a cue must not wait for them.
        outlets = await asyncio.to_thread(importlib.import_module, "daemon.outlets")
        await asyncio.to_thread(outlets.load, self.options.config)
        # What has been made by now stays; the collector need not look at it again in a pour.
        gc.freeze()
        await outlets.serve_outlets(self)

    async def _alive(self) -> None:
        """Tell the service manager that the loop turns, as long as it does."""
        notify.notify("READY=1", notify.status("reading the scale"))
        every_s = notify.alive_every_s()
        if every_s is None:
            return
        loop = asyncio.get_running_loop()
        while True:
            due = loop.time() + every_s
            await asyncio.sleep(every_s)
            if loop.time() - due < READY_LAG_S and not self.loop.trouble:
                notify.notify("WATCHDOG=1")

    async def asked(self, request: dict[str, Any]) -> dict[str, Any]:
        """One request on the control socket."""
        for key, handle in self.asks.items():
            if key in request:
                return await handle(request)
        return await self.told(request, "control")

    async def _weight(self, _request: dict[str, Any]) -> dict[str, Any]:
        """What rests on the pan, for whoever weighs by two readings."""
        return weight_answer(self.bench, self.timeline.now_s())

    async def told(self, request: dict[str, Any], by: str) -> dict[str, Any]:
        """A command from another benchpour on this store, the private ones included."""
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()

        def reply(found: Answer) -> None:
            if not answer.done():  # whoever asked may be gone by now
                answer.set_result(found)

        if request.get("do") in PRIVATE or "resolved" in request:
            self.commander.do(request, by, reply)
        else:
            self.commander.heard({"id": by} | request, by, reply)
        found = await answer
        return {"ok": found.ok, "error": found.error}

    def heard(self) -> bool:
        """Whether the scale's bytes make sense so far."""
        return self.loop.engine.decoder.heard

    def shape_name(self) -> str | None:
        """The name of the shape of its lines, once that is sure."""
        return self.loop.engine.decoder.profile_name

    def on_bytes(self, at_s: float, data: bytes) -> None:
        """Bytes from the scale."""
        self.loop.take(Raw(round(at_s * 1e6), data))

    def on_lost(self, at_s: float, why: str) -> None:
        """The port went away."""
        self.loop.take(Port(round(at_s * 1e6), "lost", self.options.config.scale.url, why))

    def on_found(self, at_s: float, port: str) -> None:
        """The port is open."""
        self.loop.take(Port(round(at_s * 1e6), "found", port))


async def _ended(tasks: list[asyncio.Task[None]], within_s: float | None = None) -> None:
    """Call these off and wait until they have ended, so long at most."""
    for task in tasks:
        task.cancel()
    done, _ = await asyncio.wait(tasks, timeout=within_s)
    for task in done:
        if not task.cancelled():
            task.exception()  # it was raised where it mattered


def stop_on_signals(stop: asyncio.Event) -> None:
    """SIGTERM, Ctrl-C and a closed terminal ask for the end; nothing is lost by any of them.

    What was ignored by whoever started the daemon (nohup) goes on being ignored.
    """
    loop = asyncio.get_running_loop()
    for sort in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        if signal.getsignal(sort) is not signal.SIG_IGN:
            loop.add_signal_handler(sort, stop.set)
