"""Lets intruders loose on a running bench, and measures meanwhile how late its cues are.

A daemon with everything on reads a scale, its own broker and the phone's page beside it, one honest
phone connected. Each try of `tools.intruders_tries` comes in turn, from a process of its own, and
before each nobody disturbs the bench for as long: byte-to-cue latency is measured the same way all
the time. In the end nothing may have been let in: no command heard, no word of an intruder's at the
honest phone, and the honest phone still there. `python -m tools.intruders` takes two minutes.

Owns the bench that is disturbed and the table. The tries themselves are not here.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from websockets.exceptions import WebSocketException
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Subprotocol

from daemon import control
from daemon.broker_access import local_url
from daemon.effects import Answer
from daemon.mqtt_packets import V311, connect_bytes
from tools.figures import feed, noting, p, pseudo_scale, run_until_stopped
from tools.intruders_tries import FORGED, HOST, TRIES, Target, subscribe

RATE_HZ = 50.0
SECONDS = 5.0
START_S = 15.0
SETTLE_S = 3.0
KEEPALIVE_S = 5.0


class IntrudersError(Exception):
    """The trial could not be made: one sentence."""


@dataclass(slots=True)
class Row:
    """What one try came to."""

    name: str
    tried: int = 0
    let_in: int = 0
    before: dict[float, int] = field(default_factory=dict)
    """When each weight was written while nobody disturbed."""
    meanwhile: dict[float, int] = field(default_factory=dict)
    before_ms: list[float] = field(default_factory=list)
    meanwhile_ms: list[float] = field(default_factory=list)

    def line(self) -> str:
        """The figures, as a row of a table."""
        late = " | ".join(_figures(one) for one in (self.meanwhile_ms, self.before_ms))
        return f"| {self.name} | {self.tried} | {self.let_in} | {late} |"


def _figures(late_ms: list[float]) -> str:
    return f"{p(late_ms, 0.5):.2f} / {p(late_ms, 0.99):.2f} / {max(late_ms):.2f}"


# --- the bench, in a process of its own ----------------------------------------------------------


def bench(scale: str, store: str) -> None:
    """A daemon with everything on, which notes when each reading was dealt with, and commands."""
    options = {"scale.url": scale, "sound.to": f"file:{store}/track.wav", "phone.port": 0}
    running, note = noting(Path(store), options)
    heard, commands = running.commander.heard, 0

    def hear(payload: Any, by: str, reply: Callable[[Answer], None]) -> None:
        nonlocal commands
        commands += by == "mqtt"
        heard(payload, by, reply)

    running.commander.heard = hear  # type: ignore[method-assign]
    run_until_stopped(running)
    print("\n".join([f"commands {commands}", *note.lines]))


# --- an honest phone -----------------------------------------------------------------------------


class HonestPhone:
    """A paired phone that reads along on a thread, and stays."""

    def __init__(self, port: int, who: tuple[str, str]) -> None:
        """Connect, and raise IntrudersError where that is not possible."""
        self.messages = self.forged = 0
        self.gone = ""
        self._ws: ClientConnection = connect(
            f"ws://{HOST}:{port}/mqtt", subprotocols=[Subprotocol("mqtt")], compression=None
        )
        self._ws.send(connect_bytes(V311, "page", int(KEEPALIVE_S), *who))
        self._ws.recv(KEEPALIVE_S)
        self._ws.send(subscribe("benchpour/#"))
        self._end = threading.Event()
        self._threads = [threading.Thread(target=one) for one in (self._read, self._ping)]
        for one in self._threads:
            one.start()

    def _read(self) -> None:
        try:
            for message in self._ws:
                self.messages += 1
                self.forged += FORGED.encode() in bytes(message)  # type: ignore[arg-type]
        except WebSocketException as error:
            self.gone = "" if self._end.is_set() else str(error)

    def _ping(self) -> None:
        while not self._end.wait(KEEPALIVE_S / 2):
            with suppress(WebSocketException):
                self._ws.send(b"\xc0\0")

    def close(self) -> None:
        """Put it away; whatever was lost before has been noted."""
        self._end.set()
        self._ws.close()
        for one in self._threads:
            one.join()


def paired(store: Path, role: str, name: str) -> tuple[tuple[str, str], str, int]:
    """Pair a phone as a person does; its name and token, the code that was used, and the port."""
    shown = control.ask(store, {"phone": "pair", "role": role})
    if not shown["ok"]:
        raise IntrudersError(str(shown["error"]))
    port = urlsplit(shown["url"]).port or 0
    with connect(f"ws://{HOST}:{port}/pair", compression=None) as ws:
        ws.send(json.dumps({"code": shown["code"], "name": name}))
        said = json.loads(ws.recv(START_S))
    return (said["name"], said["token"]), shown["code"], port


# --- the trial -----------------------------------------------------------------------------------


def trial(names: list[str], seconds: float, rate_hz: float) -> tuple[list[Row], list[str]]:
    """Disturb a bench with these tries, each for so long; the rows, and the closing words."""
    folder = tempfile.TemporaryDirectory(prefix="benchpour-intruders-")
    with ExitStack() as stack:
        store = stack.enter_context(folder)
        master, path = stack.enter_context(pseudo_scale())
        process = stack.enter_context(_bench(path, store))
        _until(lambda: local_url(Path(store)) and (Path(store) / control.NAME).exists())
        target = _target(Path(store), process)
        honest = stack.enter_context(closing(HonestPhone(target.port, target.control)))
        memory = [_resident_mb(process.pid)]
        rows: list[Row] = []
        scale = _Scale(master, rate_hz)
        scale.pour(SETTLE_S)  # the bench is still loading what it needs later
        for name in names:
            before = scale.pour(seconds)
            rows.append(_one(name, target, scale, seconds))
            rows[-1].before = before
            memory.append(_resident_mb(process.pid))
        honest.close()
        process.send_signal(signal.SIGTERM)
        said = process.communicate(timeout=START_S)[0].splitlines()
    commands = _pair_up(rows, said)
    good = not (commands or honest.forged or honest.gone or sum(row.let_in for row in rows))
    words = [
        f"commands heard {commands}; forged words at the honest phone {honest.forged} of "
        f"{honest.messages}; the honest phone {honest.gone or 'stayed'}",
        f"memory {memory[0]:.1f} MB before, {max(memory):.1f} MB at the most",
        "Nothing was let in." if good else "SOMETHING WAS LET IN, OR THE HONEST PHONE WAS LOST.",
    ]
    return rows, words


class _Scale:
    """A scale whose weight only rises."""

    def __init__(self, master: int, rate_hz: float) -> None:
        self._master, self._rate_hz, self._grams = master, rate_hz, 5.0

    def pour(self, seconds: float) -> dict[float, int]:
        """Pour so long; each weight, and when it was written."""
        written = feed(self._master, self._rate_hz, seconds, self._grams)
        self._grams = max(written) + 0.1
        return written


def _one(name: str, target: Target, scale: _Scale, seconds: float) -> Row:
    """One try, and the scale read meanwhile."""
    until_s = time.monotonic() + seconds
    told = json.dumps({"name": name, "target": asdict(target) | {"until_s": until_s}})
    # An intruder has a machine of his own; here he must not take the bench's processor from it.
    command = ["nice", "-n", "19", sys.executable, "-m", "tools.intruders", "--part", "try"]
    intruder = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert intruder.stdin is not None
    intruder.stdin.write(told)
    intruder.stdin.close()
    intruder.stdin = None
    row = Row(name, meanwhile=scale.pour(seconds))
    said = intruder.communicate(timeout=seconds + START_S)[0]
    if intruder.returncode:
        raise IntrudersError(f"The try {name!r} could not be made.")
    row.tried, row.let_in = json.loads(said)
    return row


def intrude() -> None:
    """Be the intruder: one try, as told on standard input."""
    told = json.load(sys.stdin)
    plain = told["target"]
    for who in ("watch", "control", "forgotten"):
        plain[who] = tuple(plain[who])
    print(json.dumps(asyncio.run(TRIES[told["name"]](Target(**plain)))))


def _target(store: Path, process: subprocess.Popen[str]) -> Target:
    watch, code, port = paired(store, "watch", "watcher")
    commander, _, _ = paired(store, "control", "commander")
    forgotten, _, _ = paired(store, "control", "forgotten")
    control.ask(store, {"phone": "forget", "name": "forgotten"})
    broker_port = urlsplit(local_url(store) or "").port or 0
    return Target(port, broker_port, watch, commander, forgotten, code, 0.0)


@contextmanager
def _bench(path: str, store: str) -> Iterator[subprocess.Popen[str]]:
    me = [sys.executable, "-m", "tools.intruders", "--part", "bench", path, store]
    process = subprocess.Popen(me, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        process.stdout.readline()
        yield process
    finally:
        process.kill()
        process.wait()


def _pair_up(rows: list[Row], said: list[str]) -> int:
    """Set how late each reading was; returns how many commands the daemon heard.

    The weight only rises. Where a bench is so late that it takes several lines at once, it has
    dealt with all of them when it shows the last.
    """
    first, *answers = said
    shown = [(float(grams), int(at_ns)) for grams, at_ns in (line.split() for line in answers)]
    at = 0

    def late_ms(written: dict[float, int]) -> Iterator[float]:
        nonlocal at
        for grams, at_ns in written.items():
            while at < len(shown) and shown[at][0] < grams - 0.01:
                at += 1
            if at == len(shown):
                raise IntrudersError("The bench did not read every line.")
            yield (shown[at][1] - at_ns) / 1e6

    for row in rows:
        row.before_ms = list(late_ms(row.before))
        row.meanwhile_ms = list(late_ms(row.meanwhile))
    return int(first.split()[1])


def _resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmRSS"))


def _until(true: Callable[[], object]) -> None:
    deadline_s, pause = time.monotonic() + START_S, threading.Event()
    while not true():
        if time.monotonic() > deadline_s:
            raise IntrudersError("The bench did not come up.")
        pause.wait(0.02)


def main(argv: list[str] | None = None) -> int:
    """Make the trial and print its table; 0 where nothing was let in."""
    parser = argparse.ArgumentParser(
        prog="python -m tools.intruders",
        description="Let intruders loose on a running bench, and see how late its cues are.",
    )
    parser.add_argument("--seconds", type=float, default=SECONDS, help="for each try")
    parser.add_argument("--rate", type=float, default=RATE_HZ, help="of the scale, readings/s")
    parser.add_argument("--only", action="append", help="tries whose name holds this")
    parser.add_argument("--part", choices=("bench", "try"), help=argparse.SUPPRESS)
    parser.add_argument("paths", nargs="*", help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.part == "bench":
        bench(*args.paths)
        return 0
    if args.part == "try":
        intrude()
        return 0
    wanted = [name for name in TRIES if not args.only or any(one in name for one in args.only)]
    try:
        rows, words = trial(wanted, args.seconds, args.rate)
    except (IntrudersError, control.ControlError) as error:
        print(f"intruders: {error}", file=sys.stderr)
        return 1
    print("Byte to cue in ms: median / 99th percentile / worst.")
    print("| who | tries | let in | meanwhile | just before, undisturbed |")
    print("| --- | --- | --- | --- | --- |")
    print("\n".join([*(row.line() for row in rows), "", *words]))
    return 0 if words[-1] == "Nothing was let in." else 1


if __name__ == "__main__":
    sys.exit(main())
