"""`jug list|shaken|refill`: the jugs on the shelf.

Owns what is listed of a jug, and the two things that can be said of one.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

from daemon.cli_numbers import grams


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    jug = commands.add_parser(
        "jug",
        help="the jugs on the shelf: what is left, shaken when, filled up",
        epilog="example: benchpour jug shaken B7",
    )
    which = jug.add_subparsers(title="commands", metavar="COMMAND", required=True)
    listed = which.add_parser(
        "list", parents=[common], help="what is on the shelf", epilog="example: benchpour jug list"
    )
    listed.add_argument("--json", action="store_true", help="one JSON object a line")
    listed.set_defaults(run=_list)
    shaken = which.add_parser(
        "shaken",
        parents=[common],
        help="say that a jug has just been shaken",
        epilog="example: benchpour jug shaken B7",
    )
    shaken.add_argument("name", metavar="NAME")
    shaken.set_defaults(run=_shaken)
    refill = which.add_parser(
        "refill",
        parents=[common],
        help="say that a jug was filled up",
        epilog="example: benchpour jug refill B7 --grams 1900 --lot 26-1102",
    )
    refill.add_argument("name", metavar="NAME")
    refill.add_argument("--grams", type=grams, required=True, metavar="G", help="what was added")
    refill.add_argument("--lot", metavar="L", help="the lot of what was added")
    refill.set_defaults(run=_refill)


def _list(args: argparse.Namespace) -> int:
    from daemon.cli_run import settings
    from daemon.offline import look

    bench = look(settings(args).store_dir).engine.bench
    for jug in bench.jugs:
        ago_s = None if jug.shaken_at_s is None else max(bench.at_s - jug.shaken_at_s, 0.0)
        row = {
            "jug": jug.name,
            "part": jug.part,
            "left_g": round(jug.left_g, 1),
            "lot": jug.lot,
            "use_by": jug.use_by,
            "shaken_ago_s": None if ago_s is None else round(ago_s),
        }
        print(json.dumps(row) if args.json else _line(row))
    if not bench.jugs and not args.json:
        print("No jug is on the shelf: an order's file lists them.")
    return 0


def _line(row: dict[str, Any]) -> str:
    ago = row["shaken_ago_s"]
    shaken = "not shaken yet" if ago is None else f"shaken {ago / 60:.0f} min ago"
    dated = f", use by {row['use_by']}" if row["use_by"] else ""
    lot = f", lot {row['lot']}" if row["lot"] else ""
    return f"{row['jug']}: {row['left_g']:.1f} g of {row['part']}{lot}{dated}, {shaken}"


def _shaken(args: argparse.Namespace) -> int:
    return _told(args, {"do": "mark", "kind": "shaken", "jug": args.name}, "noted")


def _refill(args: argparse.Namespace) -> int:
    do = {"do": "jug", "jug": args.name, "grams": args.grams}
    status = _told(args, do | ({"lot": args.lot} if args.lot else {}), "noted")
    _say_colour(args)
    return status


def _say_colour(args: argparse.Namespace) -> None:
    """What became of the colour of a tinted jug, if it is one."""
    from daemon.cli_run import settings
    from daemon.cli_tint_tell import contents
    from daemon.offline import look

    book = look(settings(args).store_dir).engine.bench.tints
    ledger = next((one for one in reversed(book) if one.jug == args.name and one.dyes), None)
    if ledger is not None:
        print(f"Booked as untinted base, so the colour is thinner now. {contents(ledger)}")


def _told(args: argparse.Namespace, do: dict[str, Any], done: str) -> int:
    from daemon.cli import CommandFailedError
    from daemon.cli_run import settings
    from daemon.offline import tell

    answer = tell(settings(args).store_dir, do, "command")
    if not answer.ok:
        raise CommandFailedError(answer.error or "That was refused.")
    print(f"{args.name}: {done}.")
    return 0
