"""`scale learn`: a line shape worked out from a recording, or from a scale that is being used.

Owns the arguments and the file that is written. What can be learned from the bytes is decided in
`drivers.scale_learn`; the questions about a live scale are `cli_scale_walk`'s.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.cli import UsageError

if TYPE_CHECKING:
    from drivers.scale_learn import Learned


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
    source.add_argument(
        "--from", dest="source", metavar="FILE", help="a recording; - is standard input"
    )
    learn.add_argument(
        "--shown",
        action="append",
        default=[],
        metavar="FROM-TO=TEXT",
        help="between these bytes of the recording the display steadily showed this "
        "(from the first of them up to, not including, the last)",
    )
    learn.add_argument(
        "-o", "--output", metavar="FILE", help="where the profile goes (default: shown)"
    )
    learn.set_defaults(run=_learn)


def _learn(args: argparse.Namespace) -> int:
    name = profile_name(args.output)
    if args.source is None:
        learned = _learn_live(args, name)
    else:
        learned = learn_recording(args.source, args.shown, name)
    _report(learned, args.output, args.source)
    return 0


def _learn_live(args: argparse.Namespace, name: str) -> Learned:
    import asyncio

    from daemon.cli_run import settings
    from daemon.cli_scale_walk import Person, learn_live

    if args.shown:
        raise UsageError("--shown belongs to a recording; a live scale is asked about.")
    return asyncio.run(learn_live(settings(args).scale, Person().ask, _say, name=name))


def profile_name(output: str | None) -> str:
    """What a profile in that file is called."""
    stem = re.sub(r"[^a-z0-9]+", "-", Path(output).stem.lower()).strip("-") if output else ""
    return stem[:63] or "learned"


# -- a recording -------------------------------------------------------------------------------


def learn_recording(source: str, statements: list[str], name: str) -> Learned:
    """What the recording in that file teaches; UsageError, ScaleError or NotLearnedError else."""
    from drivers.learn_marks import ShownError, parse_shown
    from drivers.scale_learn import learn

    try:
        shown = [parse_shown(statement) for statement in statements]
    except ShownError as error:
        raise UsageError(f"--shown {error}.") from None
    return learn(_read(source), shown, name=name)


def _read(source: str) -> bytes:
    from daemon.cli_scale import ScaleError

    try:
        return sys.stdin.buffer.read() if source == "-" else Path(source).read_bytes()
    except OSError as error:
        raise ScaleError(
            f"{source} cannot be read: {error.strerror}. Name a file of raw bytes from the scale, "
            "or - for standard input."
        ) from None


# -- what came of it ---------------------------------------------------------------------------


def _report(learned: Learned, output: str | None, source: str | None) -> None:
    """The profile, and beside it how sure each field is."""
    from daemon.cli_scale import ScaleError

    for sure in learned.sure:
        _say(str(sure))
    _say(f"{learned.share:.0%} of the bytes are explained.")
    if output is None:
        print(learned.toml, end="")
        return
    path = Path(output)
    half = path.with_name(path.name + ".new")
    try:
        half.write_text(learned.toml, encoding="utf-8")
        half.replace(path)
    except OSError as error:
        raise ScaleError(
            f"{output} cannot be written: {error.strerror}. Name another -o."
        ) from None
    tried = f" Try it: benchpour scale decode {source} --profile {output}" if source else ""
    _say(f"{output} holds the profile.{tried}")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
