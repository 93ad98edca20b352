"""A bench as an outsider meets it: the real command, a scale on a pseudo-terminal, a real broker.

Owns the child processes, the pretend scale and the person who knows nothing but what MQTT tells
them. Checks nothing itself. Everything is waited for with a deadline; nothing is slept for.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import queue
import random
import re
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.broker_child import find_mosquitto
from daemon.journal import EventRow, Journal
from drivers.scale_profile import load_profile
from drivers.scale_sim import ScaleTruth, StreamTruth, World
from drivers.sim_person import PartTruth, PersonTruth
from recipes.loader import load_recipe
from tests.kit_port import PtyScale
from tools.demo_caster import TAKE_OFF, Caster, Manner, Sight

ROOT = Path(__file__).parents[1]
HOST = "127.0.0.1"
LONG_S = 25.0
"""The longest anybody waits here; a healthy bench needs a tenth of it."""
BASE = "benchpour/bench/"
HEARD_AS = {"stop.coarse": "coarse", "stop.fine": "fine", "part.short": "short"}
"""What the person takes an event for: over MQTT there are no sounds."""

RECIPE = """
name = "Test knob"
shot_g = 40.0
[[part]]
name = "A"
by_weight = 1
role = "isocyanate"
[[part]]
name = "B"
by_weight = 1
role = "polyol"
[stops]
coarse = 0.5
fine = 0.9
tolerance_g = 2.0
ratio_tolerance_pct = 20
[cup]
capacity_g = 120
[times]
pot_life_s = 240
stir_s = 20
pressure_s = 600
demold_s = 900
"""
"""The stops are readings and the tolerance is wide: every pour lands, whatever the machine does."""

QUICK_SCALE = ScaleTruth(rate_hz=20.0, noise_g=0.01, poles_s=(0.04, 0.02), dead_s=0.01)
QUICK_HAND = PersonTruth(reaction_s=0.1, jitter_s=0.005, slip=0.0, swap_s=0.3, stir_s=0.4)
QUICK_MANNER = Manner(decide_s=0.2, put_s=1.0, lift_s=0.2, fill_s=0.2, combine_s=0.2, look_s=0.5)
STREAM = StreamTruth(
    dump_g_per_s=12.0,
    trickle_g_per_s=4.0,
    open_s=0.2,
    ease_s=0.1,
    close_s=0.05,
    dribble_g=0.0,
    surge=0.0,
    fall_m=0.02,
)


def spare_port() -> int:
    """A port that neither others who test here at the same time nor outgoing lines go for."""
    while True:
        port = random.randint(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


def until(
    true: Callable[[], Any], what: str, within_s: float = LONG_S, every_s: float = 0.01
) -> Any:
    """Wait until this is true and return what it gave; fails with `what` at the deadline."""
    deadline_s = time.monotonic() + within_s
    pause = threading.Event()
    while not (found := true()):
        assert time.monotonic() < deadline_s, f"waited in vain for: {what}"
        pause.wait(every_s)
    return found


class Mosquitto:
    """The shop's own broker. It keeps the sessions of its subscribers when it is killed."""

    def __init__(self, folder: Path, password_for: str = "") -> None:
        self.port = spare_port()
        self._conf = folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} {HOST}",
            f"persistence_location {folder}/",
            "persistence true",
            "autosave_on_changes true",
            "autosave_interval 1",
            "user root",
            "allow_anonymous true",
        ]
        if password_for:
            passwords = folder / "passwords"
            passwords.write_text(f"{password_for}:right\n")
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
            lines[-1:] = ["allow_anonymous false", f"password_file {passwords}"]
        self._conf.write_text("\n".join([*lines, ""]))
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://{HOST}:{self.port}"

    def start(self) -> None:
        program = find_mosquitto()
        assert program is not None
        self._process = subprocess.Popen(
            [program, "-c", str(self._conf)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(self._listens, "the broker to listen")

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex((HOST, self.port)) == 0

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()


@dataclass(frozen=True)
class Heard:
    """One message, as it came."""

    topic: str
    body: Any
    retained: bool
    at_s: float


class Listener:
    """Somebody on the broker, with a session of their own: whatever happens they miss no event."""

    def __init__(self, url: str, name: str = "outsider") -> None:
        self.heard: list[Heard] = []
        self.told: list[Callable[[Heard], None]] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=False,
            reconnect_on_failure=True,
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe("benchpour/#", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        host, _, port = url.removeprefix("mqtt://").partition(":")
        self._client.connect(host, int(port))
        self._client.loop_start()
        assert self._ready.wait(LONG_S)

    def _on_message(self, client: Any, data: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic == BASE + "do":
            return  # what we say ourselves
        body = json.loads(message.payload)
        heard = Heard(message.topic.removeprefix(BASE), body, message.retain, time.monotonic())
        self.heard.append(heard)
        for tell in self.told:
            tell(heard)

    def bodies(self, topic: str) -> list[Any]:
        """Everything heard on a topic, in order."""
        return [one.body for one in self.heard if one.topic == topic]

    def events(self, kind: str = "") -> list[dict[str, Any]]:
        """The events, or those of a kind, in order, each once."""
        found = {one["seq"]: one for one in self.bodies("event")}
        return [one for one in found.values() if kind in ("", one["kind"])]

    def last(self, topic: str) -> Any:
        """The latest on a topic, None before the first."""
        return next((one.body for one in reversed(self.heard) if one.topic == topic), None)

    def say(self, do: dict[str, Any] | bytes) -> None:
        """Send a command."""
        payload = do if isinstance(do, bytes) else json.dumps(do).encode()
        sent = self._client.publish(BASE + "do", payload, qos=1)
        sent.wait_for_publish(LONG_S)
        assert sent.is_published()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def sight_of(dispense: dict[str, Any]) -> Sight:
    """What a person takes in of the bench's whole state at a glance."""
    return Sight(
        step=dispense["step"],
        batch=dispense["batch"],
        zone=dispense["zone"],
        part=dispense["part"],
        to_go_g=dispense["remaining_g"],
        parts=tuple((part["name"], part["done"]) for part in dispense["parts"]),
        trickle=dispense["stops_g"]["coarse"] is None,
        take_off=dispense["prompt"].startswith(TAKE_OFF),
        needs=dispense["needs"],
        choices=tuple(dispense["choices"]),
        due=dispense["due"],
    )


class Clockwork:
    """The pan, the scale on its pseudo-terminal and the person, in real time on a thread."""

    def __init__(self, recipe: Path, port: Path, seed: int = 1) -> None:
        rng = Random(seed)
        self.world = World(QUICK_SCALE, rng)
        bottles = tuple(PartTruth(part.name, 20.0, STREAM) for part in load_recipe(recipe).parts)
        self.person = self.world.person = Caster(
            self.world, load_recipe(recipe), QUICK_HAND, rng, QUICK_MANNER, bottles
        )
        self.scale = PtyScale(port)
        self.plugged = True
        self.deaf = False
        """Whether the person hears and sees nothing for now."""
        self.says: Callable[[dict[str, Any]], None] = lambda do: None
        self._profile = load_profile("flag-comma-signed")
        self._heard: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="clockwork", daemon=True)
        self._thread.start()

    def hear(self, heard: Heard) -> None:
        """Something was said over MQTT."""
        if self.deaf:
            return
        if heard.topic == "dispense":
            sight = sight_of(heard.body)
            self.soon(lambda: self.person.see(sight, self.world.now_s))
        elif heard.topic == "event" and heard.body["kind"] in HEARD_AS:
            pattern = HEARD_AS[heard.body["kind"]]
            self.soon(lambda: self.person.heard(pattern, self.world.now_s))

    def soon(self, what: Callable[[], None]) -> None:
        """Do this between two steps of the world."""
        self._heard.put(what)

    def put_a_cup(self) -> None:
        """The person puts an empty cup on the pan, whatever they hear."""

        def put() -> None:
            self.world.resting_g = 5.0

        self.soon(put)

    def stop_pouring(self) -> None:
        """The person sees for themselves that it is time to stop."""

        def stop() -> None:
            self.person.heard("fine", self.world.now_s)
            self.person.sight = Sight("away")

        self.soon(stop)

    def _run(self) -> None:
        start_s = time.monotonic()
        waiting: deque[Any] = deque()
        while not self._end.wait(0.005):
            with contextlib.suppress(queue.Empty):
                while True:
                    self._heard.get_nowait()()
            now_s = time.monotonic() - start_s
            waiting.extend(self.world.advance(now_s))
            while waiting and waiting[0].at_s <= now_s:
                self._show(waiting.popleft())
            for _, do in self.person.commands:
                self.says({"id": "person"} | do)
            self.person.commands.clear()

    def _show(self, shown: Any) -> None:
        if not self.plugged:
            return
        frame = self._profile.render(f"{shown.grams:.1f}", "g", stable=not shown.moving, net=False)
        with contextlib.suppress(BlockingIOError):
            self.scale.say(frame)

    def pull_out(self) -> None:
        """The cable is out."""
        self.plugged = False
        self.scale.pull_out()

    def plug_in(self) -> None:
        """The cable is in again, most likely under another name."""
        self.scale.plug_in()
        self.plugged = True

    def close(self) -> None:
        self._end.set()
        self._thread.join(LONG_S)


class Terminal:
    """A terminal that somebody sits at: what is drawn on it is kept, and keys can be pressed."""

    def __init__(self) -> None:
        self._master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("4H", 30, 100, 0, 0))
        self._drawn = bytearray()
        threading.Thread(target=self._draw, daemon=True).start()

    def _draw(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 1 << 16):
                self._drawn += data

    @property
    def text(self) -> str:
        return self._drawn.decode(errors="replace")

    @property
    def mode(self) -> list[Any]:
        return termios.tcgetattr(self.slave)

    def press(self, keys: bytes) -> None:
        os.write(self._master, keys)

    def close(self) -> None:
        os.close(self.slave)
        os.close(self._master)


class Daemon:
    """One `benchpour` process, and what it wrote."""

    def __init__(
        self, arguments: list[str], folder: Path, terminal: Terminal | None = None, **more: Any
    ) -> None:
        """Start it; `terminal` becomes its own, `under` is a command to start it by."""
        self._out = folder / f"out-{time.monotonic_ns()}.txt"
        under = more.get("under", ())
        if terminal is not None:
            more |= {"stdin": terminal.slave, "stdout": terminal.slave}
            under = ("setsid", "--ctty")
        env = os.environ | {"HOME": str(folder), "PYTHONPATH": str(ROOT)} | more.get("env", {})
        for name in [name for name in env if name.startswith("XDG_")]:
            del env[name]
        with self._out.open("wb") as out:
            self.process = subprocess.Popen(
                [*under, sys.executable, "-m", "daemon", *arguments],
                cwd=folder,
                env=env,
                stderr=subprocess.STDOUT,
                stdin=more.get("stdin", subprocess.DEVNULL),
                stdout=more.get("stdout", out),
            )

    @property
    def text(self) -> str:
        """Everything it has written so far."""
        return self._out.read_text(encoding="utf-8", errors="replace")

    def until_says(self, words: str) -> str:
        """Wait until it writes something that this pattern is found in."""
        return str(until(lambda: re.search(words, self._alive().text), f"{words} in its lines")[0])

    def _alive(self) -> Daemon:
        ended = self.process.poll()
        assert ended is None, f"it ended with {ended}: {self.text}"
        return self

    def ends(self, within_s: float = LONG_S) -> int:
        """Wait for its end; returns the exit status."""
        try:
            return self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise AssertionError(f"it does not end: {self.text}") from None

    def stop(self, by: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        """Ask for its end; the exit status and how many seconds it took."""
        start_s = time.monotonic()
        self.process.send_signal(by)
        return self.ends(), time.monotonic() - start_s


class Outsider:
    """A whole bench: folder, recipe, scale, person, broker, listener and any number of daemons."""

    def __init__(self, folder: Path, recipe: str = RECIPE) -> None:
        self.folder = folder
        self.store = folder / "store"
        self.port = folder / "scale"
        self.recipe = folder / "test-knob.toml"
        self.recipe.write_text(recipe)
        (folder / "benchpour.toml").write_text(
            f'[phone]\noff = true\n[recipes]\ndir = "{folder}"\n[scale]\nurl = "{self.port}"\n'
        )
        self.clockwork = Clockwork(self.recipe, self.port)
        self.broker = Mosquitto(folder)
        self.ear: Listener | None = None
        self.daemons: list[Daemon] = []

    def listen(self) -> Listener:
        """Have a listener, whom the person learns everything from."""
        self.broker.start()
        self.ear = Listener(self.broker.url)
        self.ear.told.append(self.clockwork.hear)
        self.clockwork.says = self.ear.say
        return self.ear

    def run(self, *arguments: str, command: str = "run", **more: Any) -> Daemon:
        """Start the daemon on this bench, silent and with plain lines unless told otherwise."""
        given = {
            "--config": str(self.folder / "benchpour.toml"),
            "--store": str(self.store),
            "--broker": self.broker.url,
            "--console": "plain",
            "--sound": "none",
        }
        words = [word for pair in given.items() if pair[0] not in arguments for word in pair]
        daemon = Daemon([command, *arguments, *words], self.folder, **more)
        self.daemons.append(daemon)
        return daemon

    def journal(self) -> list[EventRow]:
        """Every event of the store."""
        journal = Journal(self.store, write=False)
        try:
            return journal.events_after(0, 10_000)
        finally:
            journal.close()

    def story(self) -> str:
        """What happened, for whoever has to find out what went wrong."""
        events = self.ear.events() if self.ear is not None else []
        lines = [f"{one['at']} {one['seq']} {one['kind']} {one['data']}" for one in events]
        return "\n".join([*(daemon.text for daemon in self.daemons), *lines])

    def close(self) -> None:
        self.clockwork.close()
        for daemon in self.daemons:
            if daemon.process.poll() is None:
                daemon.process.kill()
                daemon.process.wait()
        if self.ear is not None:
            self.ear.close()
        self.broker.kill()


@contextlib.contextmanager
def bench(recipe: str = RECIPE) -> Iterator[Outsider]:
    """A bench for one play, in a short-named folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="benchpour-play-"))
    outsider = Outsider(folder, recipe)
    try:
        yield outsider
    except BaseException as error:
        error.add_note(outsider.story())
        raise
    finally:
        outsider.close()
        shutil.rmtree(folder)


Play = Callable[[], None]


class Plays:
    """The plays of a module, side by side: each waits for real time most of the time."""

    def __init__(self, at_once: int = 6) -> None:
        self._at_once = at_once
        self._plays: dict[str, Play] = {}
        self._running: dict[str, Future[None]] = {}

    def __call__(self, play: Play) -> Play:
        """Take this play in."""
        self._plays[play.__name__] = play
        return play

    @property
    def names(self) -> list[str]:
        return list(self._plays)

    def begin(self, request: pytest.FixtureRequest) -> None:
        """Start all those that tests of this module ask for; they go on beside the other tests."""
        asked = [
            item.callspec.params for item in request.session.items if hasattr(item, "callspec")
        ]
        wanted = {params.get("play") for params in asked} & set(self._plays)
        pool = ThreadPoolExecutor(self._at_once)
        self._running = {one: pool.submit(self._plays[one]) for one in self.names if one in wanted}

    def passed(self, name: str) -> bool:
        """Wait for its end; raise what it raised."""
        self._running[name].result()
        return True
