"""`scale learn`: a line shape worked out from a recording, or from a scale that is being used.

Owns the questions to the person and the writing of the profile. What can be learned from the bytes
is decided in `drivers.scale_learn`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

STEPS = (
    "Empty the pan and let it come to rest.",
    "Put a load on, best one whose digits all differ, and take your hand away.",
    "Put a second load on, of another weight.",
    "Press tare (or zero) on the scale with the load on it.",
    "Take everything off.",
)
"""What the person does, one after the other; each is followed by what the display shows."""
LOOK_S = 4.0
"""How long the display has to stand still for, so that enough lines come."""
ENDS = "\n"


def add_learn(which: Any, common: argparse.ArgumentParser) -> None:
    """Add the command."""
    learn = which.add_parser(
        "learn",
        parents=[common],
        help="work out how an unknown scale's lines read",
        epilog='example: benchpour scale learn --from capture.bin --shown "0-260=0.00 g" '
        '--shown "520-910=125.40 g" -o my-scale.toml',
    )
    source = learn.add_mutually_exclusive_group(required=True)
    source.add_argument("--scale", metavar="URL", help="a scale: you are led through it")
    source.add_argument("--from", dest="source", metavar="FILE", help="a recording (- is stdin)")
    learn.add_argument(
        "--shown",
        action="append",
        default=[],
        metavar="FROM-TO=TEXT",
        help="between these bytes of the recording the display steadily showed this",
    )
    learn.add_argument("-o", "--output", metavar="FILE", help="where the profile goes")
    learn.add_argument("--name", default="learned", help="what the profile is called")
    learn.set_defaults(run=_learn)


def _learn(args: argparse.Namespace) -> int:
    import asyncio

    from drivers.learn_marks import Shown, parse_shown
    from drivers.scale_learn import learn

    if args.source:
        data = _read(args.source)
        shown: list[Shown] = [parse_shown(text) for text in args.shown]
        settings = ""
    else:
        data, shown, settings = asyncio.run(_led(args))
    learned = learn(data, shown, name=args.name, settings=settings)
    for sure in learned.sure:
        print(f"{sure.field}: {sure.how} ({sure.why})", file=sys.stderr)
    print(f"{100 * learned.share:.0f} % of the bytes are explained.", file=sys.stderr)
    if args.output:
        Path(args.output).write_text(learned.toml, encoding="utf-8")
        print(f"{args.output}: try it with --profile {args.output}.", file=sys.stderr)
    else:
        print(learned.toml, end="")
    return 0


def _read(name: str) -> bytes:
    return sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()


async def _led(args: argparse.Namespace) -> tuple[bytes, list[Any], str]:
    """Lead the person through the steps; the bytes, what was shown when, and the line settings."""
    import asyncio

    from daemon.cli_run import settings
    from daemon.cli_scale_listen import port_of
    from daemon.clock import Clock
    from drivers.learn_marks import Shown, ShownError, read_display

    heard = _Heard()
    port = port_of(settings(args).scale, None, Clock().now_s, heard)
    task = asyncio.create_task(port.run())
    shown: list[Shown] = []
    try:
        for step in STEPS:
            await _asked(f"{step} Then press Enter.{ENDS}")
            begin = len(heard.data)
            await asyncio.sleep(LOOK_S)
            end = len(heard.data)
            while True:
                words = await _asked("What does the display show, with its unit? (empty: skip) ")
                if not words.strip():
                    break
                try:
                    text, unit, reach = read_display(words)
                except ShownError as error:
                    print(error, file=sys.stderr)
                    continue
                shown.append(Shown(begin, max(end, begin + 1), text, unit, reach))
                break
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return bytes(heard.data), shown, str(port.settings)


async def _asked(question: str) -> str:
    import asyncio

    print(question, end="", file=sys.stderr, flush=True)
    read: Callable[[], str] = sys.stdin.readline
    return await asyncio.get_running_loop().run_in_executor(None, read)


class _Heard:
    """Keeps every byte that the scale sends."""

    def __init__(self) -> None:
        self.data = bytearray()

    def on_bytes(self, at_s: float, data: bytes) -> None:
        """Keep them."""
        self.data += data

    def on_lost(self, at_s: float, why: str) -> None:
        """Say it."""
        print(why, file=sys.stderr)

    def on_found(self, at_s: float, port: str) -> None:
        """Say it."""
        print(f"{port} is open.", file=sys.stderr)

    def heard(self) -> bool:
        """Whether what came looks like text: line settings are tried until it does."""
        from drivers.line_settings import looks

        return looks(bytes(self.data[-320:])) == "text"
