"""`run`, `fill` and `demo`: the commands that pour.

Owns how their arguments become the options of a running daemon.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.cli_numbers import grams, within

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.run import Running, RunOptions


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    run = commands.add_parser(
        "run",
        parents=[common],
        help="the daemon: reads the scale, guides the pours, keeps the record",
        epilog="example: benchpour run --scale /dev/ttyUSB0 --recipe slate-knob --batches 20",
    )
    _scale_options(run)
    run.add_argument("--recipe", metavar="FILE-or-NAME", help="what to pour")
    run.add_argument("--order", metavar="FILE", help="the order to pour, recipe and batches in it")
    run.add_argument("--batches", type=_count, metavar="N", help="how many (default: on and on)")
    _bench_options(run)
    run.set_defaults(run=_run)
    fill = commands.add_parser(
        "fill",
        parents=[common],
        help="guide a single material to one mass: a jug, a working cup, a trial",
        epilog="example: benchpour fill 500 --part B --scale /dev/ttyUSB0",
    )
    fill.add_argument("grams", type=grams, metavar="GRAMS", help="the mass to reach")
    fill.add_argument("--part", default="material", help="what it is called")
    fill.add_argument("--jug", metavar="NAME", help="the jug it goes into or comes from")
    fill.add_argument("--tolerance", type=grams, default=0.3, metavar="G", help="default 0.3 g")
    fill.add_argument("--loss", action="store_true", help="the container on the scale is emptied")
    _scale_options(fill)
    _bench_options(fill)
    fill.set_defaults(run=_fill)
    demo = commands.add_parser(
        "demo",
        parents=[common],
        help="the main job with nothing attached: a simulated scale and person, one batch",
        epilog="example: benchpour demo --speed 2",
    )
    demo.add_argument("--speed", type=_speed, default=1.0, metavar="X", help="1 is real time")
    demo.add_argument("--recipe", metavar="FILE-or-NAME", help="default: slate-knob")
    demo.add_argument("--batches", type=_count, default=1, metavar="N", help="default 1")
    demo.add_argument("--seed", type=int, default=None, help="which of the simulated people")
    _bench_options(demo)
    demo.set_defaults(run=_demo)


def _scale_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("the scale")
    group.add_argument(
        "--scale", metavar="URL", help="a device path, any pyserial URL, or hid:auto"
    )
    group.add_argument(
        "--profile", metavar="NAME", help="how its lines read (default: recognise it)"
    )


def _bench_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("the bench")
    group.add_argument("--person", metavar="NAME", help="who pours")
    group.add_argument(
        "--broker", metavar="WHICH", help="auto, embedded, none, mqtt://user@host:port or mqtts://…"
    )
    group.add_argument(
        "--console",
        choices=("full", "plain", "none"),
        default="full",
        help="what the terminal shows: full (default), plain lines, or none",
    )
    group.add_argument("--sound", metavar="TO", help="auto, bell, none or file:PATH.wav")


def _count(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"a whole number from 1 on, not {text}")
    return int(within(text, 1, 100_000, "a whole number"))


def _speed(text: str) -> float:
    return within(text, 0.1, 20, "a speed")


def settings(args: argparse.Namespace) -> Config:
    """The settings file with this command's options over it."""
    from daemon.config import load_config

    keys = {
        "scale.url": "scale",
        "scale.profile": "profile",
        "person": "person",
        "broker.url": "broker",
        "sound.to": "sound",
        "store.dir": "store",
    }
    options = {key: getattr(args, name, None) for key, name in keys.items()}
    return load_config(Path(args.config) if args.config else None, options)


def _options(args: argparse.Namespace, config: Config, **more: Any) -> RunOptions:
    from daemon.cli_scale_listen import shape_of
    from daemon.run import RunOptions

    name = config.scale.profile
    own = Path(name).read_text(encoding="utf-8") if Path(name).is_file() else ""
    return RunOptions(
        config=config,
        console=args.console,
        debug=args.debug,
        profile=shape_of(config.scale),
        own_shape=own,
        **more,
    )


def _recipe(name: str | None, config: Config) -> Any:
    from recipes.loader import find_recipe, load_recipe

    return None if name is None else load_recipe(find_recipe(name, [config.recipes_dir]))


def _run(args: argparse.Namespace) -> int:
    from daemon.cli import UsageError

    if args.order and (args.recipe or args.batches):
        raise UsageError("--order names recipe and batches itself: leave --recipe and --batches.")
    config = settings(args)
    _need_scale(config)
    recipe, order = _recipe(args.recipe, config), None
    if args.order:
        recipe, order = _order(args.order, config)
    options = _options(args, config, recipe=recipe, batches=args.batches, order=order)
    return pour(options, config.store_dir)


def _order(name: str, config: Config) -> tuple[Any, dict[str, Any]]:
    from daemon.cli_order_start import found_order, order_told, shop_of
    from daemon.clock import today

    file = found_order(name, [config.recipes_dir])
    return file.recipe, order_told(file, today(), shop_of(config.store_dir, file))


def _need_scale(config: Config) -> None:
    from daemon.cli import UsageError

    if not config.scale.url:
        raise UsageError(
            "No scale is named. Give --scale /dev/serial/by-id/… (or another pyserial URL), or set "
            "scale.url in the configuration file; `benchpour doctor` lists the ports there are."
        )
    if "://" in config.scale.url:
        _need_known_url(config.scale.url)


def _need_known_url(url: str) -> None:
    """A kind of URL that nobody knows is wrong use, and no reason to make a store."""
    import serial

    from daemon.cli import UsageError

    try:
        serial.serial_for_url(url, do_not_open=True)
    except ValueError as error:
        raise UsageError(
            f"--scale {url}: {error}. Give a device path, a pyserial URL or hid:auto."
        ) from None


def _fill(args: argparse.Namespace) -> int:
    from daemon.cli import CommandFailedError
    from daemon.commander import plain_recipe
    from daemon.offline import tell
    from daemon.store import holder
    from recipes.model import Recipe

    config = settings(args)
    method = "loss" if args.loss else "gain"
    recipe = Recipe.for_fill(args.part, args.grams, args.tolerance, method)
    if holder(config.store_dir) is not None:
        do = {"do": "start", "resolved": plain_recipe(recipe)}
        answer = tell(config.store_dir, do | ({"jug": args.jug} if args.jug else {}), "fill")
        if not answer.ok:
            raise CommandFailedError(answer.error or "The fill was refused.")
        print("The daemon that runs guides it: follow its screen.")
        return 0
    _need_scale(config)
    options = _options(args, config, recipe=recipe, batches=1, jug=args.jug, until_done=True)
    return pour(options, config.store_dir)


def pour(options: RunOptions, store: Path) -> int:
    """Run the daemon on a real scale until it is told to stop, or has done what was asked for."""
    import asyncio

    from daemon.cli import CommandFailedError
    from daemon.run import Running, stop_on_signals

    async def work() -> int:
        running = Running(options, store)
        stop_on_signals(running.stop)
        await running.run(read_scale)
        if running.refused:
            raise CommandFailedError(running.refused)
        return 0

    return asyncio.run(work())


async def read_scale(running: Running) -> None:
    """Bytes from the port that the settings name, until cancelled."""
    from daemon.cli_scale_listen import port_of

    options = running.options
    await port_of(options.config.scale, options.profile, running.timeline.now_s, running).run()


def _demo(args: argparse.Namespace) -> int:
    from tools import demo

    return demo.demo(args)
