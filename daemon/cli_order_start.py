"""An order's file made into the command that starts it, and `order start`.

Owns what of an order and its plan goes into the journal. The plan itself is `recipes.plan`'s.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
from pathlib import Path
from typing import Any

from daemon.cli_order_plan import sheet
from daemon.clock import today
from daemon.commander import plain_recipe
from recipes.order_loader import SAMPLE_ORDERS_DIR, OrderFile, load_order
from recipes.plan import batch_sizes, plan


def found_order(name: str, folders: list[Path]) -> OrderFile:
    """The order in this file; where there is none of that name, a sample's."""
    path, sample = Path(name), SAMPLE_ORDERS_DIR / f"{name}.toml"
    with contextlib.suppress(OSError, ValueError):  # a name that no file could have
        path = sample if not path.exists() and sample.is_file() else path
    return load_order(path, folders)


def order_told(file: OrderFile, day: datetime.date) -> dict[str, Any]:
    """The order as the command `plan` takes it: the file, what was promised, the batches."""
    planned = plan(file.order, file.recipe, today=day)
    return {
        "name": file.order.name,
        "pieces": file.order.pieces,
        "file": file.order.model_dump(mode="json", by_alias=True, exclude_none=True),
        "plan": sheet(planned),
        "sizes": [[size.pieces, size.resin_g] for size in batch_sizes(planned)],
    }


def start(args: argparse.Namespace) -> int:
    """Give the order to the daemon on this store, or to the next one that is started on it."""
    from daemon.cli_run import settings
    from daemon.offline import tell
    from daemon.store import holder

    config = settings(args)
    file = found_order(args.file, [config.recipes_dir])
    told = order_told(file, today())
    do = {"do": "plan", "resolved": plain_recipe(file.recipe), "order": told}
    answer = tell(config.store_dir, do, "order", begins=True)
    if not answer.ok:
        from daemon.cli import CommandFailedError

        raise CommandFailedError(answer.error or "The order could not be started.")
    running = holder(config.store_dir) is not None
    then = "It opens now." if running else "Start `benchpour run` to pour it."
    print(f"{told['name']}: {len(told['sizes'])} batches for {told['pieces']} good pieces. {then}")
    return 0
