"""`order report` and `order status`: the record of an order or a run, written out and in short.

Owns the arguments of these commands and where their output goes. What a record says is in `record`
and `report_*`.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import sys
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.journal import Journal
    from daemon.record import Record


class ReportError(Exception):
    """There is nothing to report on; the text says why and what to do."""


def add_parsers(which: Any, common: argparse.ArgumentParser) -> None:
    """Add these commands to those of `order`."""
    status = which.add_parser(
        "status",
        parents=[common],
        help="how far the order is, and when its last cup is poured",
        epilog="example: benchpour order status",
    )
    _name(status)
    status.add_argument("--json", action="store_true", help="one JSON object")
    status.set_defaults(run=_status)
    report = which.add_parser(
        "report",
        parents=[common],
        help="the record: what was promised and what came out, as a page that prints",
        epilog="example: benchpour order report -o knobs.html --csv knobs",
    )
    _name(report)
    report.add_argument(
        "-o", dest="out", metavar="FILE.html", help="the page (default: named after the order)"
    )
    report.add_argument("--csv", metavar="DIR", help="tables for a spreadsheet, in this folder")
    report.add_argument("--json", action="store_true", help="one JSON object, and no page")
    report.set_defaults(run=_report)


def _name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "name",
        nargs="?",
        metavar="NAME",
        help="an order's name, or a recipe's for a run without an order (default: the last order)",
    )


# -- the record ----------------------------------------------------------------------------------


@contextlib.contextmanager
def _recorded(args: argparse.Namespace) -> Iterator[tuple[Journal, Record]]:
    """The journal, open for reading, and the record that is asked for."""
    from daemon.cli_order_traces import recipe_of
    from daemon.cli_run import settings
    from daemon.journal import Journal
    from daemon.record import record
    from daemon.record_scope import names

    journal = Journal(settings(args).store_dir, write=False)
    try:
        events = journal.events_between(0, None)
        found = record(events, args.name, lambda batch: recipe_of(journal, batch))
        if found is None:
            raise ReportError(_nothing(args.name, names(events)))
        yield journal, found
    finally:
        journal.close()


def _nothing(name: str | None, known: tuple[str, ...]) -> str:
    if not known:
        return (
            "Nothing has been poured in this store yet. `benchpour order start FILE` or "
            "`benchpour run` begins; --store names another store."
        )
    return f"There is no order or run called {name!r} in this store; there are: {', '.join(known)}."


def _local(wall_s: float) -> datetime:
    """An instant as this machine's own wall time."""
    return datetime.fromtimestamp(wall_s).astimezone()


# -- report --------------------------------------------------------------------------------------


def _report(args: argparse.Namespace) -> int:
    with _recorded(args) as (journal, found):
        if args.json:
            print(json.dumps(sheet(found), ensure_ascii=False, separators=(",", ":")))
        if args.csv is not None:
            _write_tables(found, Path(args.csv), quiet=args.json)
        if args.out is not None or not (args.json or args.csv is not None):
            _write_page(journal, found, args.out, quiet=args.json)
    return 0


def _write_tables(found: Record, folder: Path, *, quiet: bool) -> None:
    from daemon.report_csv import tables

    folder.mkdir(parents=True, exist_ok=True)
    written = tables(found)
    for name, text in written.items():
        _write(folder / name, text)
    if not quiet:
        print(f"{folder}: {', '.join(written)}")


def _write_page(journal: Journal, found: Record, out: str | None, *, quiet: bool) -> None:
    from daemon.cli_order_traces import traces
    from daemon.report_charts import HOW, available
    from daemon.report_html import page

    charts = available()
    pours = list(traces(journal, found)) if charts else []
    text = page(found, _local, pours, charts=charts)
    if out == "-":
        sys.stdout.write(text)
        return
    path = Path(out or f"{_stem(found.name)}.html")
    _write(path, text)
    if not quiet:
        drawn = "" if charts else f" Without charts; {HOW} adds them."
        print(f"{path}: {len(text.encode()) / 1024:.0f} kB.{drawn}")


def _stem(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or "record"


def _write(path: Path, text: str) -> None:
    """Write it whole or leave what was there."""
    half = path.with_name(f"{path.name}.part")
    try:
        half.write_text(text, encoding="utf-8", newline="")
        half.replace(path)
    except OSError:
        half.unlink(missing_ok=True)
        raise


def sheet(found: Record) -> dict[str, Any]:
    """The record as one object for a program."""
    from daemon.report_summary import to_mind

    whole: dict[str, Any] = asdict(_plain_record(found))
    tally = found.tally
    whole |= {"order": None if found.order is None else found.order.model_dump(mode="json")}
    whole |= {"recipe": None if found.recipe is None else found.recipe.name}
    whole |= {"cost": None if found.cost is None else _plain(asdict(found.cost))}
    whole |= {"pieces": found.pieces, "good": tally.good, "rejected": tally.rejected}
    whole |= {"reject_range": [tally.low, tally.high], "cells": [asdict(c) for c in found.cells]}
    return whole | {"mind": to_mind(found)}


def _plain_record(found: Record) -> Record:
    """The record without what is told in a form of its own."""
    from dataclasses import replace

    return replace(found, order=None, recipe=None, cost=None)


def _plain(figures: dict[str, Any]) -> dict[str, Any]:
    return {k: float(v) if isinstance(v, Decimal) else v for k, v in figures.items()}


# -- status --------------------------------------------------------------------------------------


def _status(args: argparse.Namespace) -> int:
    with _recorded(args) as (_, found):
        told = progress(found)
    if args.json:
        print(json.dumps(told, ensure_ascii=False, separators=(",", ":")))
    else:
        print("\n".join(status_lines(told)))
    return 0


def progress(found: Record) -> dict[str, Any]:
    """How far it is: pieces, batches, operations, the last cup's time with its range."""
    from daemon.record_forecast import forecast
    from daemon.report_summary import to_mind

    tally, coming = found.tally, forecast(found)
    started = sum(batch.pieces or 0 for batch in found.mixed)
    left = {} if coming is None else asdict(coming)
    planned = None if coming is None else len(found.mixed) + coming.batches
    return {
        "name": found.name,
        "kind": found.kind,
        "recipe": found.recipe_name,
        "pieces": found.pieces,
        "good": tally.good,
        "rejected": tally.rejected,
        "reject_low": round(tally.low, 4),
        "reject_high": round(tally.high, 4),
        "uncounted": max(started - tally.counted, 0),
        "batches_done": len(found.mixed),
        "batches_planned": planned,
        "batches_left": [left.get("least"), left.get("batches"), left.get("most")],
        "eta": left.get("at"),
        "eta_early": left.get("early_at"),
        "eta_late": left.get("late_at"),
        "operations": dict(found.operations),
        "mind": to_mind(found),
    }


def status_lines(told: dict[str, Any]) -> Iterator[str]:
    """The progress for a person."""
    from daemon.report_words import instant, percent

    of = "" if told["pieces"] is None else f" of {told['pieces']}"
    yield f"{told['name']}: {told['good']}{of} good pieces, {told['rejected']} rejected."
    if told["good"] + told["rejected"]:
        low, high = percent(told["reject_low"]), percent(told["reject_high"])
        yield f"Rejects are somewhere from {low} to {high}."
    planned = told["batches_planned"]
    yield f"Batches mixed: {told['batches_done']}" + ("." if planned is None else f" of {planned}.")
    if told["eta"]:
        least, likely, most = told["batches_left"]
        early, late = (instant(told[key], _local) for key in ("eta_early", "eta_late"))
        yield (
            f"The last cup about {instant(told['eta'], _local)}, {likely} batches from now; with "
            f"{least} to {most} batches, from {early} to {late}."
        )
    for name, pieces in told["operations"].items():
        yield f"{name}: {pieces} pieces"
    if told["mind"]:
        yield "Mind"
        yield from (f"  {sentence}" for sentence in told["mind"])
