"""`log list`, `log show`, `log export` and `replay`: the record, and a batch played again.

Owns the arguments of these commands and where their output goes. What a log says and what a replay
does is in `logfile` and `replay`.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

if TYPE_CHECKING:
    from daemon.cli_log_set import Otherwise
    from daemon.config import Config
    from daemon.journal import Journal
    from daemon.logfile import Event, Log

LONGEST_LINE = 16 * 1024 * 1024
"""Bytes of one line: a header with a whole bench in it takes a few thousand."""


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    _add_log(commands, common)
    _add_replay(commands, common)


def _add_log(commands: Any, common: argparse.ArgumentParser) -> None:
    log = commands.add_parser(
        "log",
        help="the journal: its batches, one of them in full, or as a file that replay reads",
        epilog="example: benchpour log show 3",
    )
    kinds = log.add_subparsers(title="what", metavar="list|show|export", required=True)
    listing = kinds.add_parser(
        "list",
        parents=[common],
        help="every batch in a line",
        epilog="example: benchpour log list --json",
    )
    _json_option(listing)
    listing.set_defaults(run=_list)
    show = kinds.add_parser(
        "show",
        parents=[common],
        help="a batch in full: what was predicted, and what happened",
        epilog="example: benchpour log show 3",
    )
    show.add_argument("batch", type=_batch, metavar="BATCH", help="its number")
    _json_option(show)
    show.set_defaults(run=_show)
    export = kinds.add_parser(
        "export",
        parents=[common],
        help="a batch as a log file",
        epilog="example: benchpour log export 3 -o batch3.jsonl",
    )
    export.add_argument("batch", type=_batch, metavar="BATCH", help="its number")
    export.add_argument("-o", dest="out", metavar="FILE", default="-", help="default: print it")
    export.set_defaults(run=_export)


def _add_replay(commands: Any, common: argparse.ArgumentParser) -> None:
    replay = commands.add_parser(
        "replay",
        parents=[common],
        help="play a logged dispense again: look at it, verify it, or change what led to it",
        epilog="example: benchpour replay batch3.jsonl --set stops.tolerance_g=0.5",
    )
    replay.add_argument("log", metavar="LOG", help="a log file; - is standard input")
    replay.add_argument(
        "--speed",
        type=_speed,
        metavar="X",
        help="1 is real time (the default where it is looked at), max is no waiting",
    )
    replay.add_argument(
        "--verify",
        action="store_true",
        help="compare every event with the logged one; exit status 1 where they differ",
    )
    replay.add_argument("--recipe", metavar="FILE-or-NAME", help="what if it had been this recipe")
    replay.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="what if this had been so: stops.coarse=0.7, risk_pct=5, hand.lead_s=0.4 …",
    )
    replay.add_argument("--console", choices=("full", "plain", "none"), default="plain")
    replay.add_argument("--sound", metavar="TO", default="none", help="auto, bell, file:PATH.wav")
    _json_option(replay)
    replay.set_defaults(run=_replay)


def _json_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="one JSON object per line")


def _batch(text: str) -> int:
    value = int(text) if text.isdecimal() else 0
    if not 1 <= value <= 1_000_000_000:
        raise argparse.ArgumentTypeError("a batch's number, from 1 on")
    return value


def _speed(text: str) -> float:
    """The speed as a number; infinite for `max`."""
    value = math.inf if text == "max" else float(text)
    if not value >= 0.01:
        raise argparse.ArgumentTypeError("max, or a number from 0.01")
    return value


# --- the journal ---------------------------------------------------------------------------------


@contextlib.contextmanager
def _journal(args: argparse.Namespace) -> Iterator[tuple[Journal, Config]]:
    """The journal of the store that the options name, open for reading."""
    from daemon.journal import Journal

    config = _config(args)
    journal = Journal(config.store_dir, write=False)
    try:
        yield journal, config
    finally:
        journal.close()


def _config(args: argparse.Namespace) -> Config:
    from daemon.config import load_config

    return load_config(Path(args.config) if args.config else None, {"store.dir": args.store})


def _list(args: argparse.Namespace) -> int:
    from daemon.cli_log_tables import list_lines, summary

    with _journal(args) as (journal, _):
        summaries = [summary(_events(journal, batch)) for batch in journal.batches()]
    if args.json:
        _print_json(summaries)
    elif not summaries:
        print("No batch has been opened in this store yet.")
    else:
        _print(list_lines(summaries))
    return 0


def _show(args: argparse.Namespace) -> int:
    from daemon.cli_log_export import no_such_batch
    from daemon.cli_log_tables import show_lines, whole

    with _journal(args) as (journal, _):
        events = _events(journal, args.batch)
    if not events:
        raise no_such_batch(args.batch)
    if args.json:
        _print_json([whole(events)])
    else:
        _print(show_lines(whole(events)))
    return 0


def _events(journal: Journal, batch: int) -> list[Event]:
    from daemon.cli_log_export import event_of

    return [event_of(row) for row in journal.events_of(batch)]


def _export(args: argparse.Namespace) -> int:
    from daemon.cli_log_export import export

    with _journal(args) as (journal, config):
        lines = export(journal, args.batch, lambda name: _shape_text(journal, config, name))
        first = next(lines)  # so that a batch that is not there leaves no empty file
        with _out(args.out) as out:
            out.write(first.encode() + b"\n")
            for line in lines:
                out.write(line.encode() + b"\n")
    return 0


@contextlib.contextmanager
def _out(path: str) -> Iterator[BinaryIO]:
    if path == "-":
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    with Path(path).open("wb") as file:
        yield file


def _shape_text(journal: Journal, config: Config, name: str) -> str | None:
    """The file of a line shape that does not ship, so that the log is whole by itself."""
    from daemon.logfile import LogError
    from drivers.scale_profile import ProfileError, load_profile, shipped_files

    if name in {file.stem for file in shipped_files()}:
        return None
    kept = journal.meta(f"shape.{name}")
    if kept is not None:
        return kept
    try:
        if load_profile(config.scale.profile).name == name:
            return Path(config.scale.profile).expanduser().read_text(encoding="utf-8")
    except ProfileError:
        pass
    raise LogError(
        f"The scale's line shape was {name}, which does not ship with the program, and its file is "
        "not known. Name it as scale.profile in the configuration file and export again."
    )


# --- replay --------------------------------------------------------------------------------------


def _replay(args: argparse.Namespace) -> int:
    from daemon.logfile import Log, LogError

    change = _change(args)
    if args.verify and change is not None:
        raise LogError("--verify looks at the log as it was: leave --recipe and --set out.", 2)
    with _opened(args.log) as file:
        log = Log(iter(lambda: file.readline(LONGEST_LINE), b""))
        if args.verify:
            status = _verify(args, log)
        elif change is not None and not args.json:
            status = _compare(args, log, change)
        else:
            status = _play(args, log, change)
    if log.cut and not args.json:
        print(log.cut, file=sys.stderr)
    return status


def _change(args: argparse.Namespace) -> Otherwise | None:
    if args.recipe is None and not args.set:
        return None
    from daemon.cli_log_set import Otherwise, parse_sets
    from recipes.loader import find_recipe, load_recipe

    sets, recipe = parse_sets(args.set), None
    if args.recipe is not None:
        recipe = load_recipe(find_recipe(args.recipe, [_config(args).recipes_dir]))
    return Otherwise(recipe, sets)


@contextlib.contextmanager
def _opened(path: str) -> Iterator[BinaryIO]:
    from daemon.logfile import LogError

    if path == "-":
        yield sys.stdin.buffer
        return
    with contextlib.ExitStack() as stack:
        try:
            file = stack.enter_context(Path(path).open("rb"))
        except OSError as error:
            why = (error.strerror or "it cannot be read").lower()
            raise LogError(
                f"{path}: {why}. `benchpour log export BATCH -o FILE` writes a batch's log."
            ) from None
        yield file


def _verify(args: argparse.Namespace, log: Log) -> int:
    from daemon.logfile import LogError
    from daemon.replay import verify

    verdict = verify(log, _tell(args))
    if verdict.difference:
        raise LogError(
            f"{verdict.difference} {_events_alike(verdict.same)} before it. Either the log was "
            "changed since, or this version decides otherwise than the one that wrote it."
        )
    out = sys.stderr if args.json else sys.stdout
    print(f"{_events_alike(verdict.same)}.", file=out)
    return 0


def _events_alike(count: int) -> str:
    if count == 0:
        return "No event was logged that could be compared"
    return f"{count} event{'s' if count != 1 else ''} came out as logged"


def _compare(args: argparse.Namespace, log: Log, change: Otherwise) -> int:
    """What would have happened: the times of the cues, then and now."""
    from daemon.cli_log_cues import compare_lines
    from daemon.logfile import Event
    from daemon.replay import events

    lines = list(log)
    then = [line.item for line in lines if isinstance(line.item, Event)]
    now = list(events(log.header, lines, change))
    if not then:
        then = list(events(log.header, lines))
    given = [*([f"recipe {args.recipe}"] if args.recipe else []), *args.set]
    _print(compare_lines(then, now, log.header.start_us, ", ".join(given)))
    return 0


def _play(args: argparse.Namespace, log: Log, change: Otherwise | None) -> int:
    import asyncio

    from daemon.cli_log_play import play
    from daemon.replay import Replay

    usual = math.inf if args.json else 1.0
    speed = usual if args.speed is None else args.speed
    paced = None if speed == math.inf else speed
    console = "none" if args.json else args.console
    replay = Replay(log.header, change)
    asyncio.run(play(log, replay, paced, console, args.sound, _tell(args)))
    return 0


def _tell(args: argparse.Namespace) -> Callable[[Event], None] | None:
    if not args.json:
        return None
    return lambda event: _print_json([event.body])


def _print_json(values: Iterable[Any]) -> None:
    for value in values:
        print(json.dumps(value, ensure_ascii=False, separators=(",", ":")))


def _print(lines: Iterable[str]) -> None:
    for line in lines:
        print(line)
