"""The arguments of `tint`: what can be told on the command line, and within which limits.

Owns the words and the limits. Does nothing with them.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from typing import Any

from daemon.cli_numbers import within

Run = Callable[[argparse.Namespace], int]


def add_tint(commands: Any, common: argparse.ArgumentParser, runs: Mapping[str, Run]) -> None:
    """Add the commands, each carried out by the one of `runs` that has its name."""
    tint = commands.add_parser(
        "tint",
        help="the colour of a jug: base, doses, trials, the next dose",
        epilog="example: benchpour tint start --jug B7 --base-g 1500 --target-lab 42,1.5,-6",
    )
    which = tint.add_subparsers(title="commands", metavar="COMMAND", required=True)
    jug = argparse.ArgumentParser(add_help=False)
    jug.add_argument("--jug", metavar="NAME", help="default: the jug that was worked on last")
    _add_start(which, common).set_defaults(run=runs["start"])
    _add_add(which, [common, jug]).set_defaults(run=runs["add"])
    _add_test(which, [common, jug]).set_defaults(run=runs["test"])
    dose = which.add_parser(
        "next",
        parents=[common, jug],
        help="the next dose, within the risk of passing the target",
        epilog="example: benchpour tint next --json",
    )
    dose.add_argument("--json", action="store_true", help="one JSON object")
    dose.set_defaults(run=runs["next"])
    _add_rescue(which, [common, jug]).set_defaults(run=runs["rescue"])
    undo = which.add_parser(
        "undo",
        parents=[common, jug],
        help="take the last dose or trial of a jug back: it was a slip",
        epilog="example: benchpour tint undo",
    )
    undo.set_defaults(run=runs["undo"])
    status = which.add_parser(
        "status",
        parents=[common, jug],
        help="what is in the jug",
        epilog="example: benchpour tint status --for-g 600",
    )
    status.add_argument(
        "--for-g", type=_grams, metavar="G", help="what to weigh for another jug of the same colour"
    )
    status.add_argument("--json", action="store_true", help="one JSON object")
    status.set_defaults(run=runs["status"])


def _add_rescue(which: Any, parents: list[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    rescue: argparse.ArgumentParser = which.add_parser(
        "rescue",
        parents=parents,
        help="the base that brings a jug back that went too far",
        epilog="example: benchpour tint rescue --order slate-knobs",
    )
    need = rescue.add_mutually_exclusive_group()
    need.add_argument(
        "--order", metavar="FILE", help="the order that it is for (default: the one under way)"
    )
    need.add_argument(
        "--needed-g", type=_grams, metavar="G", help="or how much of this colour is still needed"
    )
    rescue.add_argument("--json", action="store_true", help="one JSON object")
    return rescue


def _scale_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("the scale, where no daemon reads it")
    group.add_argument("--scale", metavar="URL", help="a device path, any pyserial URL, hid:auto")
    group.add_argument("--profile", metavar="NAME", help="how its lines read (default: recognise)")


def _add_start(which: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    start: argparse.ArgumentParser = which.add_parser(
        "start",
        parents=[common],
        help="begin a jug with its untinted base",
        epilog="example: benchpour tint start --jug B7 --base-g 1500 --target-lab 42,1.5,-6",
    )
    start.add_argument("--jug", required=True, metavar="NAME")
    start.add_argument("--base-g", type=_grams, metavar="G", help="default: from the scale")
    start.add_argument(
        "--target-lab", type=_triple, metavar="L,A,B", help="the master's colour, where measured"
    )
    _scale_options(start)
    return start


def _add_add(which: Any, parents: list[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    add: argparse.ArgumentParser = which.add_parser(
        "add",
        parents=parents,
        help="weigh a dose in; of `base` it is untinted resin",
        epilog="example: benchpour tint add black --grams 2.40 --strength 0.1",
    )
    add.add_argument("dye", metavar="DYE", help="your own name for it, or base")
    add.add_argument("--grams", type=_grams, metavar="G", help="default: from the scale")
    add.add_argument(
        "--strength",
        type=_share,
        metavar="F",
        help="the dye's mass fraction in a concentrate let down with base (default: 1, neat)",
    )
    _scale_options(add)
    return add


def _add_test(which: Any, parents: list[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    test: argparse.ArgumentParser = which.add_parser(
        "test",
        parents=parents,
        help="tell how a trial casting looks, measured or by eye",
        epilog="example: benchpour tint test --judge lighter --by slight --toward blue",
    )
    measured = test.add_argument_group("measured")
    measured.add_argument("--lab", type=_triple, metavar="L,A,B", help="of the cured casting")
    measured.add_argument("--wet-lab", type=_triple, metavar="L,A,B", help="of the same while wet")
    measured.add_argument("--rgb", type=_triple, metavar="R,G,B", help="of it on a photograph")
    measured.add_argument("--ref-rgb", type=_triple, metavar="R,G,B", help="of a reference beside")
    measured.add_argument(
        "--ref-lab", type=_triple, metavar="L,A,B", help="the reference's colour (default: target)"
    )
    judged = test.add_argument_group("by eye, beside the master")
    judged.add_argument("--judge", choices=("lighter", "darker", "match"))
    judged.add_argument("--by", choices=("slight", "clear", "strong"))
    judged.add_argument("--toward", metavar="DYE", help="the dye that the casting leans to")
    mix = test.add_argument_group("what it was cast from (default: the jug as it is)")
    mix.add_argument("--used-g", type=_grams, metavar="G", help="taken out of the jug for it")
    mix.add_argument("--mix-g", type=_grams, metavar="G", help="a mix of so much of the jug")
    mix.add_argument(
        "--with",
        dest="extra",
        type=_extra,
        action="append",
        metavar="DYE=G",
        help="and so much more of a dye in that mix, weighed as last time",
    )
    return test


# -- arguments ---------------------------------------------------------------------------------


def _grams(text: str) -> float:
    return within(text, 1e-4, 100_000, "grams")


def _share(text: str) -> float:
    return within(text, 1e-4, 1, "a mass fraction")


def _triple(text: str) -> tuple[float, ...]:
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) != 3 or not all(abs(value) < 1e4 for value in values):
        raise argparse.ArgumentTypeError("three numbers with commas between, such as 42,1.5,-6")
    return values


def _extra(text: str) -> tuple[str, float]:
    dye, _, grams = text.rpartition("=")
    if not dye:
        raise argparse.ArgumentTypeError("a dye and its grams, such as black=0.12")
    return dye, _grams(grams)
