"""An order's file made into the command that starts it, and `order start`.

Owns what of an order and its plan goes into the journal. The plan itself is `recipes.plan`'s.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from daemon.cli_order_plan import sheet
from daemon.clock import today
from daemon.commander import plain_recipe
from daemon.journal import Journal
from daemon.tint_book import Book, book_in
from recipes.order_loader import SAMPLE_ORDERS_DIR, OrderFile, load_order
from recipes.pace import ASSUMED_S
from recipes.plan import Plan, batch_sizes, plan


def found_order(name: str, folders: list[Path]) -> OrderFile:
    """The order in this file; where there is none of that name, a sample's."""
    path, sample = Path(name), SAMPLE_ORDERS_DIR / f"{name}.toml"
    with contextlib.suppress(OSError, ValueError):  # a name that no file could have
        path = sample if not path.exists() and sample.is_file() else path
    return load_order(path, folders)


@dataclass(frozen=True, slots=True)
class Shop:
    """What this shop's record adds to an order's file: own seconds, and the dye in its jugs."""

    seconds: Mapping[str, float] = field(default_factory=dict)
    tint: Mapping[str, float] = field(default_factory=dict)
    jug: str = ""
    """Whose ledger says so."""


def shop_of(store: Path, file: OrderFile) -> Shop:
    """What the record in this store has for such an order; nothing where there is none."""
    from daemon.record_seconds import shop_seconds

    if not (store / "journal.sqlite").exists():
        return Shop()
    journal = Journal(store, write=False)
    try:
        stir_s = file.order.seconds.stir or file.recipe.times.stir_s or ASSUMED_S["stir"]
        seconds = shop_seconds(journal.events_between(0, None), stir_s)
        return _tinted(Shop(seconds), book_in(journal), file)
    finally:
        journal.close()


def _tinted(shop: Shop, book: Book, file: OrderFile) -> Shop:
    """With the dye's fraction in the order's own jugs of the tinted part, once one has any."""
    dye = file.recipe.dye
    if dye is None or file.recipe.dye_part is None:
        return shop
    names = [jug.name for jug in file.order.jugs if jug.part == dye.into]
    found = next((one for one in reversed(book) if one.jug in names and one.dyes), None)
    if found is None:
        return shop
    return replace(shop, tint={dye.into: found.fraction}, jug=found.jug)


def planned(file: OrderFile, day: datetime.date, shop: Shop) -> Plan:
    """The plan of an order on a day, in this shop."""
    return plan(
        file.order, file.recipe, known_seconds=shop.seconds, today=day, tint=shop.tint or None
    )


def order_told(file: OrderFile, day: datetime.date, shop: Shop | None = None) -> dict[str, Any]:
    """The order as the command `plan` takes it: the file, what was promised, the batches."""
    found = planned(file, day, shop or Shop())
    return {
        "name": file.order.name,
        "pieces": file.order.pieces,
        "file": file.order.model_dump(mode="json", by_alias=True, exclude_none=True),
        "plan": sheet(found),
        "sizes": [[size.pieces, size.resin_g] for size in batch_sizes(found)],
    }


def start(args: argparse.Namespace) -> int:
    """Give the order to the daemon on this store, or to the next one that is started on it."""
    from daemon.cli_run import settings
    from daemon.offline import tell
    from daemon.store import holder

    config = settings(args)
    file = found_order(args.file, [config.recipes_dir])
    told = order_told(file, today(), shop_of(config.store_dir, file)) | {"anew": args.anew}
    do = {"do": "plan", "resolved": plain_recipe(file.recipe), "order": told}
    answer = tell(config.store_dir, do, "order", begins=True)
    if not answer.ok:
        from daemon.cli import CommandFailedError

        raise CommandFailedError(answer.error or "The order could not be started.")
    running = holder(config.store_dir) is not None
    then = "It opens now." if running else "Start `benchpour run` to pour it."
    print(f"{told['name']}: {len(told['sizes'])} batches for {told['pieces']} good pieces. {then}")
    return 0
