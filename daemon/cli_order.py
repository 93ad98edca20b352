"""`order plan`: an order looked at before it is poured.

Owns its arguments and where an order's file is looked for. What follows from an order is worked out
in `recipes.plan` and told by `cli_order_plan`.
"""

from __future__ import annotations

import argparse
import datetime
import json
from typing import Any

from daemon import cli_order_report


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    order = commands.add_parser(
        "order",
        help="plan a whole order: pieces, material, hours and price",
        epilog="example: benchpour order plan slate-knobs",
    )
    which = order.add_subparsers(title="commands", metavar="COMMAND", required=True)
    plan = which.add_parser(
        "plan",
        parents=[common],
        help="what to start, how much resin, how long it takes and what it costs",
        epilog="example: benchpour order plan knobs.toml --on 2027-01-15",
    )
    plan.add_argument("file", metavar="FILE", help="an order's file, or the name of a sample")
    plan.add_argument(
        "--on", type=_day, metavar="DATE", help="the day it is poured, for the jugs' dates"
    )
    plan.add_argument("--json", action="store_true", help="one JSON object")
    plan.set_defaults(run=_plan)
    start = which.add_parser(
        "start",
        parents=[common],
        help="give an order to the daemon",
        epilog="example: benchpour order start knobs.toml",
    )
    start.add_argument("file", metavar="FILE", help="an order's file, or the name of a sample")
    start.add_argument(
        "--anew", action="store_true", help="even if it is under way: its count begins at nought"
    )
    start.set_defaults(run=_start)
    cli_order_report.add_parsers(which, common)


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError("a date like 2027-01-15") from None


def _start(args: argparse.Namespace) -> int:
    from daemon.cli_order_start import start

    return start(args)


def _plan(args: argparse.Namespace) -> int:
    from daemon.cli_order_plan import lines, sheet
    from daemon.cli_order_start import found_order, planned, shop_of
    from daemon.cli_run import settings

    config = settings(args)
    file = found_order(args.file, [config.recipes_dir])
    shop = shop_of(config.store_dir, file)
    found = planned(file, args.on or _today(), shop)
    for line in [json.dumps(sheet(found))] if args.json else lines(found, file.order, shop.jug):
        print(line)
    return 0


def _today() -> datetime.date:
    """The day it is where this machine stands."""
    from daemon.clock import Clock

    clock = Clock()
    wall_s = (clock.now_us() + clock.wall_offset_us()) / 1e6
    return datetime.datetime.fromtimestamp(wall_s).astimezone().date()
