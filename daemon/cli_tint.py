"""`tint start|add|test|undo|next|rescue|status`: the colour of a jug.

Owns what each command does with the journal. Its arguments are in `cli_tint_args`, how a jug is
told in `cli_tint_tell`, how a mass is taken from the scale in `cli_tint_weigh`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.bench import Bench
    from daemon.config import Config
    from daemon.tint_book import Book
    from recipes.colour import Lab
    from recipes.tint_ledger import Ledger


def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands."""
    from daemon.cli_tint_args import add_tint

    runs = {
        "start": _start,
        "add": _add,
        "test": _test,
        "undo": _undo,
        "next": _next,
        "rescue": _rescue,
        "status": _status,
    }
    add_tint(commands, common, runs)


# -- the journal -------------------------------------------------------------------------------


def _settings(args: argparse.Namespace) -> Config:
    from daemon.cli_run import settings

    return settings(args)


def _book(folder: Path) -> Book:
    """Every jug's ledger, from the journal, whether a daemon runs on it or not."""
    from daemon.journal import Journal
    from daemon.tint_book import book_in

    if not (folder / "journal.sqlite").exists():
        return ()  # nothing was poured here yet: a colour may well be the first
    journal = Journal(folder, write=False)
    try:
        return book_in(journal)
    finally:
        journal.close()


def _ledger(args: argparse.Namespace, config: Config) -> tuple[Book, Ledger]:
    from daemon.cli import CommandFailedError
    from daemon.tint_book import ledger_of
    from recipes.tint_ledger import LedgerError

    book = _book(config.store_dir)
    try:
        return book, ledger_of(book, args.jug)
    except LedgerError as error:
        raise CommandFailedError(str(error)) from None


def _bench(config: Config) -> Bench:
    from daemon.offline import look

    return look(config.store_dir).engine.bench


def division_g(bench: Bench, ledger: Ledger) -> float:
    """The step that the scale in use shows in, else the one that weighed; 0 where none did."""
    return bench.weighing.scale.division_g if bench.traits else ledger.division_g


def _tell(config: Config, do: dict[str, Any], *, begins: bool = False) -> None:
    from daemon.cli import CommandFailedError
    from daemon.offline import tell

    answer = tell(config.store_dir, {"do": "tint"} | do, "tint", begins=begins)
    if not answer.ok:
        raise CommandFailedError(answer.error or "That was refused.")


# -- commands ----------------------------------------------------------------------------------


def _start(args: argparse.Namespace) -> int:
    from daemon.cli_tint_tell import CAUTION, contents

    config = _settings(args)
    do: dict[str, Any] = {"tint": "start", "jug": args.jug}
    if args.target_lab is not None:
        do["target_lab"] = list(args.target_lab)
    _told_or_weighed(config, args.base_g, "base_g", "base", do)
    _tell(config, do, begins=True)
    args.jug = do["jug"]
    print(contents(_ledger(args, config)[1]))
    print(CAUTION)
    return 0


def _add(args: argparse.Namespace) -> int:
    from daemon.cli_tint_tell import added

    config = _settings(args)
    ledger = _ledger(args, config)[1]
    do: dict[str, Any] = {"tint": "add", "jug": ledger.jug, "dye": args.dye}
    if args.strength is not None:
        do["strength"] = args.strength
    _told_or_weighed(config, args.grams, "grams", args.dye, do)
    _tell(config, do)
    args.jug = ledger.jug
    usual = ledger.strength(args.dye) if args.dye in ledger.names else None
    ledger = _ledger(args, config)[1]
    print(added(ledger, usual, division_g(_bench(config), ledger)))
    return 0


def _undo(args: argparse.Namespace) -> int:
    from daemon.cli_tint_tell import contents

    config = _settings(args)
    book, before = _ledger(args, config)
    args.jug = before.jug
    _tell(config, {"tint": "undo", "jug": args.jug})
    if before.fresh and sum(one.jug == args.jug for one in book) == 1:
        print(f"Taken back. Jug {args.jug} has no colour now.")
        return 0
    ledger = _ledger(args, config)[1]
    print(f"Taken back. {contents(ledger)} Trials: {len(ledger.trials)}.")
    return 0


def _told_or_weighed(
    config: Config, grams: float | None, key: str, what: str, do: dict[str, Any]
) -> None:
    """The mass as it was told, else as the scale shows it, with the two readings behind it."""
    if grams is not None:
        do[key] = grams
        return
    from daemon.cli_tint_weigh import weighed

    found = weighed(config, what)
    do[key] = found.grams
    do["weighed"] = found.told()


def _test(args: argparse.Namespace) -> int:
    from daemon.cli import UsageError
    from daemon.cli_tint_tell import trial

    config = _settings(args)
    ledger = _ledger(args, config)[1]
    do: dict[str, Any] = {"tint": "test", "jug": ledger.jug} | _seen(args, ledger)
    if len(do) == 2:
        raise UsageError("Tell how the trial looks: --lab, or --judge with --by, or --rgb.")
    if args.used_g is not None:
        do["used_g"] = args.used_g
    if (args.mix_g is None) != (args.extra is None):
        raise UsageError("A trial mix needs both: --mix-g G of the jug, and --with DYE=G in it.")
    if args.mix_g is not None:
        do["mix"] = {"jug_g": args.mix_g, "with": dict(args.extra)}
    _tell(config, do)
    args.jug = ledger.jug
    ledger = _ledger(args, config)[1]
    print(f"Jug {ledger.jug}, trial {len(ledger.trials)}: {trial(ledger.trials[-1])}.")
    print("`benchpour tint next` says what to weigh in now.")
    return 0


def _seen(args: argparse.Namespace, ledger: Ledger) -> dict[str, Any]:
    """How the trial looks, of all that the arguments say."""
    from daemon.cli import UsageError

    if args.judge is None and (args.by or args.toward):
        raise UsageError("--by and --toward belong to a judgement: give --judge too.")
    said = {"judge": args.judge, "by": args.by, "toward": args.toward}
    seen: dict[str, Any] = {key: value for key, value in said.items() if value is not None}
    seen |= {k: list(v) for k, v in (("lab", args.lab), ("wet_lab", args.wet_lab)) if v is not None}
    return seen if args.rgb is None else seen | _photo(args, ledger.target_lab)


def _photo(args: argparse.Namespace, target: Lab | None) -> dict[str, Any]:
    from daemon.cli import CommandFailedError, UsageError
    from recipes.colour import lab_beside

    reference = args.ref_lab or target
    if args.lab is not None:
        raise UsageError("Give --lab or --rgb, not both: a meter knows better than a photograph.")
    if args.ref_rgb is None or reference is None:
        raise UsageError(
            "A photograph by itself tells no colour: it needs a surface of known colour beside the "
            "casting. Give --ref-rgb, and --ref-lab where that is not the jug's measured target."
        )
    try:
        lab = lab_beside(args.rgb, args.ref_rgb, reference)
    except ValueError as error:
        raise CommandFailedError(f"This photograph cannot be used: {error}.") from None
    photo = {"rgb": args.rgb, "ref_rgb": args.ref_rgb, "ref_lab": reference}
    return {"lab": [round(v, 3) for v in lab], "photo": {k: list(v) for k, v in photo.items()}}


def _next(args: argparse.Namespace) -> int:
    from daemon.cli_tint_tell import advice_lines, advice_sheet
    from daemon.tint_book import past_of
    from recipes.tint_next import next_dose

    config = _settings(args)
    book, ledger = _ledger(args, config)
    risk_pct, division = config.cues.risk_pct, division_g(_bench(config), ledger)
    advice = next_dose(ledger, past_of(book, ledger), risk_pct, division)
    if args.json:
        print(json.dumps(advice_sheet(ledger, advice, risk_pct), ensure_ascii=False))
        return 0
    for line in advice_lines(ledger, advice):
        print(line)
    return 0


def _rescue(args: argparse.Namespace) -> int:
    from daemon.cli_tint_tell import rescue_lines, rescue_sheet
    from daemon.tint_book import past_of
    from recipes.tint_rescue import rescue

    config = _settings(args)
    book, ledger = _ledger(args, config)
    bench = _bench(config)
    division = division_g(bench, ledger)
    found = rescue(ledger, past_of(book, ledger), division, _needed_g(args, bench, ledger))
    if args.json:
        print(json.dumps(rescue_sheet(ledger, found), ensure_ascii=False))
        return 0
    for line in rescue_lines(ledger, found):
        print(line)
    return 0


def _needed_g(args: argparse.Namespace, bench: Bench, ledger: Ledger) -> float | None:
    """What an order needs of the jug: as told, of a file that is yet to begin, or of the run."""
    from daemon.tint_bench import needed_for, needed_g

    if args.needed_g is not None:
        return float(args.needed_g)
    if args.order is None:
        return needed_g(bench, ledger)
    from daemon.cli_order_start import found_order

    file = found_order(args.order, [_settings(args).recipes_dir])
    return needed_for(file.order, file.recipe, ledger)


def _status(args: argparse.Namespace) -> int:
    from daemon.cli import CommandFailedError
    from daemon.cli_tint_tell import status_lines, status_sheet
    from recipes.tint_ledger import LedgerError, same_colour

    config = _settings(args)
    _, ledger = _ledger(args, config)
    try:
        other = same_colour(ledger, args.for_g) if args.for_g is not None else None
    except LedgerError as error:
        raise CommandFailedError(str(error)) from None
    if args.json:
        print(json.dumps(status_sheet(ledger, other), ensure_ascii=False))
        return 0
    for line in status_lines(ledger, other, division_g(_bench(config), ledger)):
        print(line)
    return 0
