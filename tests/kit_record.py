"""An invented order as the journal has it after the day: event rows made by hand, no bench needed.

Owns the story: who poured when, what landed, which clocks were kept. Nobody's order; the figures
are made up so that a person can check them.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from daemon.cli_order_start import found_order, order_told
from daemon.commander import plain_recipe
from daemon.journal import Entry, EventRow, Journal, StateRow
from daemon.messages import rfc3339
from recipes.loader import SAMPLES_DIR, load_recipe
from recipes.model import Recipe

WALL_S = 1_794_816_000.0
"""2026-11-16T08:00:00Z."""


@dataclass(slots=True)
class Story:
    """Events in the making; `at_s` is where the day has got to, seconds from its start."""

    at_s: float = 0.0
    rows: list[EventRow] = field(default_factory=list)

    def tell(self, kind: str, batch: int | None = None, /, **data: Any) -> None:
        """One event, now."""
        at_us = round(self.at_s * 1e6)
        at = rfc3339(WALL_S + self.at_s)
        self.rows.append(EventRow(len(self.rows) + 1, at_us, at, kind, batch, data))

    def later(self, seconds: float) -> None:
        """Let time pass."""
        self.at_s += seconds

    def clock(self, batch: int, kind: str, length_s: float) -> None:
        """Start a clock."""
        ends_at = rfc3339(WALL_S + self.at_s + length_s)
        timer = f"{kind}-{batch}"
        self.tell("timer.started", batch, timer=timer, timer_kind=kind, ends_at=ends_at)

    def mark(self, batch: int | None, kind: str, **more: Any) -> None:
        """Say that something was done."""
        self.tell("batch.marked", batch, kind=kind, **more)

    def opened(self, batch: int, recipe: str, a_g: float, b_g: float, **more: Any) -> None:
        """A batch is to be poured."""
        parts = [{"name": "A", "target_g": a_g}, {"name": "B", "target_g": b_g}]
        self.tell("batch.opened", batch, recipe=recipe, parts=parts, **more)

    def part(self, batch: int, name: str, target_g: float, actual_g: float) -> None:
        """A part poured in 12 s."""
        stops = {"coarse": None, "fine": None}
        self.tell("part.started", batch, part=name, target_g=target_g, stops_g=stops)
        self.later(12)
        told = {"part": name, "target_g": target_g, "actual_g": actual_g}
        self.tell("part.landed", batch, **told, error_g=round(actual_g - target_g, 3), seconds=12.0)

    def mixed(self, batch: int, a_g: float, b_g: float, ratio_pct: float, **more: Any) -> None:
        """Everything is in the cup."""
        parts = [{"name": "A", "actual_g": a_g}, {"name": "B", "actual_g": b_g}]
        figures = {"ratio_error_pct": ratio_pct, "dye_g": round(0.012 * b_g, 3)}
        total = {"total_g": round(a_g + b_g, 3)}
        self.tell("batch.mixed", batch, parts=parts, **figures, **total, **more)

    def store(self, folder: Path) -> Path:
        """Write it as a journal."""
        first = next((row for row in self.rows if row.kind == "batch.opened"), None)
        states = [] if first is None else [_began(first)]
        journal = Journal(folder, write=True)
        journal.append(Entry(events=[(row, 0) for row in self.rows], states=states))
        journal.close()
        return folder


def slate_knob() -> Recipe:
    """The recipe that the story is poured by."""
    return load_recipe(SAMPLES_DIR / "slate-knob.toml")


def _began(opened: EventRow) -> StateRow:
    """As much of a state as tells what the batch was poured by."""
    body = {"bench": {"plan": {"recipe": plain_recipe(slate_knob())}}, "decoder": {}}
    return StateRow(0, opened.seq, opened.at_us, opened.batch, body)


A_G, B_G = 69.474, 63.245
CLOCKS = (("pour-by", 150), ("press-by", 170), ("pot-life", 180), ("demold", 900))


def pour(
    story: Story,
    batch: int,
    off_a: float = 0.0,
    off_b: float = 0.0,
    fill_s: float = 90.0,
    **more: Any,
) -> None:
    """One batch of the slate knob from the empty cup into the tank, 75 s of it at the scale."""
    a_g, b_g = round(A_G + off_a, 2), round(B_G + off_b, 2)
    ratio_pct = round(100 * (b_g / a_g * A_G / B_G - 1), 3)
    story.opened(batch, "Slate knob, fast urethane", A_G, B_G, **more)
    story.later(20)
    story.tell("cup.tared", batch, cup_g=8.3)
    story.later(30)
    story.part(batch, "A", A_G, a_g)
    story.later(9)
    story.tell("mix.contact", batch, pot_life_s=180.0, basis="as stated")
    for kind, length_s in CLOCKS:
        story.clock(batch, kind, length_s)
    story.part(batch, "B", B_G, b_g)
    story.later(12)
    story.mixed(batch, a_g, b_g, ratio_pct, index=105.0)
    story.clock(batch, "stir", 30)
    story.later(32)
    story.mark(batch, "stirred")
    story.later(fill_s)
    story.mark(batch, "poured")
    story.later(10)
    story.mark(batch, "in-tank")
    story.clock(batch, "pressure", 600)


def finish(story: Story, batch: int, good: int = 6, bad: Sequence[dict[str, Any]] = ()) -> None:
    """From the tank to counted pieces."""
    story.mark(batch, "vented")
    story.later(30)
    story.mark(batch, "out-of-tank")
    story.later(115)
    story.mark(batch, "demolded")
    story.clock(batch, "trim", 14400)
    story.tell("batch.counted", batch, good=good, rejected=0)
    for one in bad:
        story.tell("batch.counted", batch, good=0, **one)
    story.later(36)
    story.mark(batch, "cut sprues", pieces=6, total=6 * batch)
    story.mark(batch, "trimmed")
    story.tell("batch.closed", batch, reason="finished")


def slate_order(**changes: Any) -> dict[str, Any]:
    """The data of `order.started` for the sample order of slate knobs."""
    told = order_told(found_order("slate-knobs", []), datetime.date(2026, 11, 16))
    sizes = [{"pieces": pieces, "resin_g": grams} for pieces, grams in told["sizes"]]
    data = {"name": told["name"], "pieces": told["pieces"], "order": told["file"]}
    return data | {"plan": told["plan"], "batches": sizes} | changes


def bad_cavity(rng: Random, batch: int) -> Iterator[dict[str, Any]]:
    """Cavity 4 of mold 2 traps a bubble in every other of its pulls."""
    if batch % 4 == 2:
        yield {"rejected": 1, "cause": "bubble", "mold": 2, "cavity": 4}
    if rng.random() < 0.08:
        yield {"rejected": 1, "cause": "short fill", "mold": 1, "cavity": rng.randint(1, 6)}


def whole_order(batches: int = 43) -> Story:
    """A whole order: two slips, one late fill, a bad cavity, a cup that was given up."""
    story, rng = Story(), Random(11)
    jug = {"jug": "B7", "base_g": 1880.0}
    story.tell("tint.started", **jug, target_lab=[41.2, -2.1, -9.8])
    black, blue = ({"dye": dye, "strength": 1.0} for dye in ("black", "blue"))
    story.later(900)
    dyes = {"black": 14.2}
    story.tell("tint.added", **jug, **black, grams=14.2, dyes=dyes, fraction=0.0074969)
    story.later(1500)
    story.tell("tint.tested", jug="B7", lab=[51.9, 0.2, -1.0], fraction=0.0074969)
    story.later(300)
    dyes = dyes | {"blue": 4.0}
    story.tell("tint.added", **jug, **blue, grams=4.0, dyes=dyes, fraction=0.0095881)
    story.later(600)
    told = {"judge": "lighter", "by": "slight", "toward": "blue"}
    story.tell("tint.tested", jug="B7", **told, fraction=0.0095881)
    story.later(300)
    dyes = dyes | {"black": 18.56}
    story.tell("tint.added", **jug, **black, grams=4.36, dyes=dyes, fraction=0.0118581)
    story.later(5400)
    order = slate_order()
    story.tell("order.started", **order)
    for jug in order["order"]["jug"]:
        told = {"jug": jug["name"], "part": jug["part"], "lot": jug["lot"], "grams": jug["grams"]}
        story.tell("jug.listed", **told, use_by="2027-04-10")
    story.tell("person.told", name="Kim")
    story.tell("ambient.told", of="room", celsius=21.5)
    story.tell("jug.shaken", jug="B7")
    left = {jug["name"]: jug["grams"] for jug in order["order"]["jug"]}
    sanded = 0
    for batch in range(1, batches + 1):
        jugs = {"A": "A3", "B": "B7" if batch <= 24 else "B8"}
        if batch == 31:
            story.tell("ambient.told", of="resin", celsius=23.0)
        if batch == 13:
            story.later(2700)
        more = {"pieces": 6, "order": order["name"], "jugs": jugs}
        off_a, off_b = (round(rng.gauss(0, 0.13), 1) for _ in "AB")
        off_b += {9: 1.7, 21: 0.9}.get(batch, 0.0)
        pour(story, batch, off_a, off_b, 96.0 if batch == 17 else rng.uniform(48, 78), **more)
        for part, grams in (("A", A_G + off_a), ("B", B_G + off_b)):
            left[jugs[part]] -= grams
            drawn = {"jug": jugs[part], "part": part, "grams": round(grams, 2)}
            story.tell("jug.drawn", batch, **drawn, left_g=round(left[jugs[part]], 1))
        if batch % 2 and batch < batches:
            continue
        for _ in range(2 if batch > 2 else 0):
            story.later(rng.uniform(100, 125))
            sanded += 6
            story.mark(None, "sand foot", pieces=6, total=sanded)
        story.later(620 if batch == 2 else 395)
        for done in range(batch - 1 if batch % 2 == 0 else batch, batch + 1):
            bad = list(bad_cavity(rng, done))
            finish(story, done, 6 - len(bad), bad)
    return story
