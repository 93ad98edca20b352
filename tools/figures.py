"""The figures of the README, measured here and now, each beside its yardstick in the same run.

Byte-to-cue latency against a bare read-and-print loop on the same pseudo-terminal, readings a
second through the pure core, replay at full speed, start to first prompt, memory and CPU of a
daemon with everything on. One command: `python -m tools.figures` (about two minutes); `--quick`
for a look. Nothing here is a test: a slow machine is no fault.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.bench import Bench
from daemon.effects import Pattern
from daemon.engine import Engine
from daemon.inputs import DaemonStart, Do, Port, Raw
from daemon.view import BenchView
from drivers.decoder import Decoder
from drivers.scale_profile import load_profile
from recipes.loader import SAMPLES_DIR, load_recipe

if TYPE_CHECKING:
    from daemon.run import Running
    from recipes.model import Recipe

PROFILE = "flag-comma-signed"
BENCHPOUR = [sys.executable, "-m", "daemon"]
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def frame(grams: float, moving: bool = False) -> bytes:
    """One line of the scale that is played here."""
    return (
        f"{'US' if moving else 'ST'},GS,{'-' if grams < 0 else '+'}{abs(grams):7.1f} g\r\n".encode()
    )


@contextmanager
def pseudo_scale() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: the end to write to, and the path to read from."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def p(values: list[float], share: float) -> float:
    """The value below which this share lies."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


# --- latency -----------------------------------------------------------------------------------


def latency(rate_hz: float, seconds: float, command: list[str]) -> list[float]:
    """Milliseconds from the last byte of a line to the reader's word that it has dealt with it.

    The reader prints `GRAMS NANOSECONDS` for each line; weights never repeat, so that each answer
    is paired with its line.
    """
    with pseudo_scale() as (master, path):
        reader = subprocess.Popen([*command, path], stdout=subprocess.PIPE, text=True)
        assert reader.stdout is not None
        reader.stdout.readline()
        written = feed(master, rate_hz, seconds)
        reader.send_signal(signal.SIGTERM)
        answers = [line.split() for line in reader.communicate(timeout=10)[0].splitlines()]
    seen: dict[float, int] = {}
    for grams, at_ns in (pair for pair in answers if len(pair) == 2):
        seen.setdefault(round(float(grams), 1), int(at_ns))
    both = [(seen[grams] - at_ns) / 1e6 for grams, at_ns in written.items() if grams in seen]
    if len(both) < 0.9 * len(written):
        raise SystemExit(f"only {len(both)} of {len(written)} lines were answered")
    return both


def feed(master: int, rate_hz: float, seconds: float, from_g: float = 10.0) -> dict[float, int]:
    """Pour a slow trickle at this many lines a second; the weights and when each was written."""
    written: dict[float, int] = {}
    start = time.monotonic()
    for number in range(int(rate_hz * seconds)):
        _sleep_until(start + number / rate_hz)
        grams = round(from_g + 0.1 * number, 1)
        line = frame(grams, moving=True)
        os.write(master, line[:-1])
        written[grams] = time.monotonic_ns()
        os.write(master, line[-1:])
    return written


def _sleep_until(at_s: float) -> None:
    select.select([], [], [], max(0.0, at_s - time.monotonic()))


def bare_reader(path: str) -> None:
    """The yardstick: read lines and print them, nothing else."""
    port = os.open(path, os.O_RDONLY | os.O_NOCTTY)
    print("ready", flush=True)
    rest = b""
    while True:
        rest += os.read(port, 512)
        *lines, rest = rest.split(b"\r\n")
        for line in lines:
            print(float(line[6:14].replace(b" ", b"")), time.monotonic_ns(), flush=True)


class Note:
    """An outlet that notes each reading and the instant: cues are never later than that."""

    def __init__(self, running: Running) -> None:
        """Note what this daemon is shown, from when it is among its near outlets."""
        self._running = running
        self.lines: list[str] = []

    def play(self, pattern: Pattern) -> None:
        """Nothing to note: cues sound before an outlet is shown anything."""

    def show(self, view: BenchView) -> None:
        """Note the reading and the instant."""
        gross_g = self._running.bench.weighing.gross_g
        if gross_g is not None:
            self.lines.append(f"{gross_g} {time.monotonic_ns()}")


def endless_recipe() -> Recipe:
    """A recipe whose first part takes longer to pour than anything is measured."""
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    cup = recipe.cup.model_copy(update={"capacity_g": None})
    return recipe.model_copy(update={"shot_g": 1e5, "cup": cup})


def noting(store: Path, options: dict[str, Any]) -> tuple[Running, Note]:
    """A daemon in this process on these settings, with a note among its near outlets."""
    from daemon.config import load_config
    from daemon.run import Running, RunOptions

    config = load_config(None, options)
    running = Running(RunOptions(config=config, recipe=endless_recipe(), console="none"), store)
    note = Note(running)
    running.loop.near.append(note)
    return running, note


def run_until_stopped(running: Running) -> None:
    """Say that it is ready, and run until a signal ends it."""
    from daemon.cli_run import read_scale
    from daemon.run import stop_on_signals

    async def work() -> None:
        stop_on_signals(running.stop)
        print("ready", flush=True)
        await running.run(read_scale)

    asyncio.run(work())


def probe(path: str) -> None:
    """The daemon with everything on, and an outlet that notes when a reading was dealt with."""
    store = Path(tempfile.mkdtemp(prefix="benchpour-figures-"))
    running, note = noting(
        store,
        {"scale.url": path, "broker.url": "embedded", "sound.to": f"file:{store}/track.wav"},
    )
    run_until_stopped(running)
    print("\n".join(note.lines))


# --- the rest ----------------------------------------------------------------------------------


def core_readings_per_s(count: int) -> float:
    """Readings a second through decoder, weighing, batch and picture, in one thread."""
    engine = Engine(Bench(), Decoder(load_profile(PROFILE)))
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    plain = recipe.model_dump(mode="json", by_alias=True, exclude_none=True)
    for item in (
        DaemonStart(0, "", False),
        Port(0, "found", "-"),
        Do(0, {"do": "plan", "resolved": plain}),
    ):
        engine.take(item)
    lines = [
        Raw(i * 100_000, frame(8.0 if i < 40 else 8.0 + 0.02 * (i % 3000), i > 40))
        for i in range(count)
    ]
    start = time.perf_counter()
    for line in lines:
        engine.take(line)
    return count / (time.perf_counter() - start)


def split_lines_per_s(count: int) -> float:
    """The yardstick: splitting the same lines and making floats of them."""
    lines = [frame(8.0 + 0.02 * (i % 3000)) for i in range(count)]
    start = time.perf_counter()
    for line in lines:
        float(line.split(b",")[2][:8].replace(b" ", b""))
    return count / (time.perf_counter() - start)


def start_to_prompt_s(times: int, more: list[str]) -> list[float]:
    """Seconds from the start of the process to the first prompt on its output."""
    found = []
    for _ in range(times):
        with pseudo_scale() as (_, path), tempfile.TemporaryDirectory() as store:
            start = time.perf_counter()
            command = [*BENCHPOUR, "run", "--scale", path, "--store", store, "--sound", "none"]
            process = subprocess.Popen(
                [*command, "--recipe", "slate-knob", "--console", "plain", *more],
                stdout=subprocess.PIPE,
                text=True,
            )
            assert process.stdout is not None
            for line in process.stdout:
                if "put an empty cup" in line:
                    found.append(time.perf_counter() - start)
                    break
            process.terminate()
            process.communicate(timeout=10)
    return found


def bare_start_s(times: int) -> list[float]:
    """The yardstick: an interpreter that starts and prints."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-c", "import asyncio; print('ready')"],
            capture_output=True,
            check=True,
        )
        found.append(time.perf_counter() - start)
    return found


def memory_and_cpu(rate_hz: float, seconds: float, settle_s: float) -> tuple[float, float]:
    """Resident MB and per cent of a core of a whole daemon at so many readings a second."""
    with pseudo_scale() as (master, path), tempfile.TemporaryDirectory() as store:
        config = Path(store) / "benchpour.toml"
        config.write_text("[phone]\nport = 0\n", encoding="utf-8")
        screen, far = os.openpty()
        command = [*BENCHPOUR, "run", "--config", str(config), "--scale", path, "--store", store]
        process = subprocess.Popen(
            [*command, "--recipe", "slate-knob", "--broker", "embedded", "--sound", "none"],
            stdin=far,
            stdout=far,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"TERM": "xterm-256color"},
        )
        os.set_blocking(screen, False)
        _play(master, screen, rate_hz, settle_s)
        before = _cpu_s(process.pid)
        _play(master, screen, rate_hz, seconds)
        used = _cpu_s(process.pid) - before
        memory = _resident_mb(process.pid)
        process.terminate()
        process.wait(timeout=10)
        os.close(screen)
        os.close(far)
    return memory, 100 * used / seconds


def _play(master: int, screen: int, rate_hz: float, seconds: float) -> None:
    start = time.monotonic()
    number = 0
    while (now := time.monotonic() - start) < seconds:
        if rate_hz and number <= now * rate_hz:
            os.write(master, frame(8.0 + (0.02 * number if number > 30 else 0.0), number > 30))
            number += 1
        with suppress(BlockingIOError):
            os.read(screen, 1 << 16)
        select.select([], [], [], 1 / rate_hz if rate_hz else 0.2)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def _resident_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def replay_s(seconds: float) -> float:
    """Seconds for `replay --speed max` of a log with `seconds` of 10 readings a second."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "minute.jsonl"
        recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
        plain = recipe.model_dump(mode="json", by_alias=True, exclude_none=True)
        head = {"benchpour_log": 1, "recipe": plain, "settings": {}, "scale": {"profile": PROFILE}}
        lines = [json.dumps(head | {"started_at": "2026-01-01T00:00:00.000Z"})]
        for i in range(int(seconds * 10)):
            grams = 0.0 if i < 20 else 8.0 if i < 60 else 8.0 + 0.15 * (i - 60)
            text = frame(grams, i > 60).decode("latin-1")
            lines.append(json.dumps({"t": i / 10, "raw": text}))
        log.write_text("\n".join(lines) + "\n", encoding="utf-8")
        start = time.perf_counter()
        command = [*BENCHPOUR, "replay", str(log), "--speed", "max", "--json"]
        subprocess.run(command, check=True, capture_output=True)
        return time.perf_counter() - start


def main() -> None:
    """Measure all and print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="shorter runs, rougher figures")
    parser.add_argument("--part", choices=("bare", "probe"), help=argparse.SUPPRESS)
    parser.add_argument("path", nargs="?", help=argparse.SUPPRESS)
    args = parser.parse_args()
    parts: dict[str, Callable[[str], None]] = {"bare": bare_reader, "probe": probe}
    if args.part:
        parts[args.part](args.path)
        return
    for row in rows(quick=args.quick):
        print(f"| {' | '.join(row)} |", flush=True)


def rows(*, quick: bool) -> Iterator[tuple[str, str, str]]:
    """The table, row by row: what, ours, and the yardstick."""
    me = [sys.executable, "-m", "tools.figures", "--part"]
    seconds, times, count = (5.0, 3, 2_000) if quick else (20.0, 9, 10_000)
    yield "what", "benchpour", "yardstick in the same run"
    yield "---", "---", "---"
    for rate in (10.0, 50.0):
        ours, bare = (latency(rate, seconds, [*me, part]) for part in ("probe", "bare"))
        what = f"byte to cue at {rate:.0f} readings/s, median and 99th percentile"
        yield what, _ms(ours), f"bare read-and-print loop: {_ms(bare)}"
    core, split = core_readings_per_s(count), split_lines_per_s(count)
    yield "readings through the pure core", f"{core:,.0f} /s", f"split and float: {split:,.0f} /s"
    bare_s = statistics.median(bare_start_s(times))
    bare_text = f"an interpreter with asyncio: {bare_s:.2f} s"
    yield "replay of a one-minute log, whole command", f"{replay_s(60):.2f} s", bare_text
    ready_s = statistics.median(start_to_prompt_s(times, ["--broker", "embedded"]))
    yield "start to first prompt, embedded broker", f"{ready_s:.2f} s", bare_text
    for rate, name in ((0.0, "silent scale"), (10.0, "10 readings/s"), (50.0, "50 readings/s")):
        memory, cpu = memory_and_cpu(rate, seconds, 4.0)
        yield f"everything on, {name}", f"{memory:.1f} MB, {cpu:.2f} % of a core", ""


def _ms(values: list[float]) -> str:
    return f"{p(values, 0.5):.2f} / {p(values, 0.99):.2f} ms"


if __name__ == "__main__":
    main()
