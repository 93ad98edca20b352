"""What the work took: seconds by step and operation, hours at the bench, and the cost of it all.

Owns how time is read from marks. One person works alone, so what lies between their last act and a
mark is the most that the marked work can have taken; the middle of many such stretches is told.
Knows no journal; the money itself is `recipes.cost`'s.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from daemon.record_batch import BatchLine
from daemon.record_clocks import Cycle, Told, timer_end
from recipes.amounts import DYE
from recipes.cost import Cost, Used, cost
from recipes.order import Order

BREAK_S = 1800.0
"""A pause longer than this is no presence at the bench (common practice, no source)."""
ACTS = ("cup.tared", "batch.mixed", "batch.marked", "batch.counted", "jug.shaken", "jug.refilled")
"""What only the person can have done."""
STEPS: Mapping[str, str] = {
    "stirred": "stir",
    "poured": "fill",
    "in-tank": "tank",
    "out-of-tank": "vent",
    "demolded": "demold",
}
"""The mark that ends each step, and the step's name in an order."""
STIR_AND_FILL = "stir and fill"
"""Where nobody marked the stirring."""
BY_ITSELF = ("trimmed", "witness-hard", "witness-soft", "gelled", "combined", "vented")
"""Marks that end no step: made at one instant with another, or in the midst of a step."""


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One step (per batch) or operation (per piece): the seconds quoted, and those it took.

    `times` is how often it was seen: batches, or pieces.
    """

    name: str
    each: str
    """batch or piece."""
    quoted_s: float | None
    actual_s: float | None
    times: int = 0


@dataclass(frozen=True, slots=True)
class Stretch:
    """One piece of work: which, on how many pieces (1 for a step), and the seconds of it all."""

    name: str
    pieces: int
    seconds: float
    step: bool


# -- seconds -------------------------------------------------------------------------------------


def stretches(events: Sequence[Told], cycles: Sequence[Cycle] = ()) -> Iterator[Stretch]:
    """What was done between one act of the person and the next.

    A wait for a clock does not count: demolding begins when the castings are due, venting when the
    pressure's time is over.
    """
    due: dict[tuple[str, int | None], int] = {}
    cup_us: dict[int | None, int] = {}
    last_us, stirred = None, set()
    for event in events:
        if event.kind == "timer.started":
            due[str(event.data.get("timer_kind")), event.batch] = timer_end(event)[0]
        if event.kind not in ACTS:
            continue
        mark = str(event.data.get("kind")) if event.kind == "batch.marked" else ""
        if event.kind == "cup.tared":
            cup_us[event.batch] = event.at_us
        elif event.kind == "batch.mixed" and event.batch in cup_us:
            seconds = (event.at_us - cup_us[event.batch]) / 1e6
            yield Stretch("dispense", 1, seconds, True)
        elif mark and mark not in BY_ITSELF and last_us is not None:
            from_us = max(last_us, _possible_from(mark, event, due, cycles))
            yield from _stretch(event, mark, (event.at_us - from_us) / 1e6, stirred)
        if mark == "stirred":
            stirred.add(event.batch)
        if mark not in BY_ITSELF:
            last_us = event.at_us


def _possible_from(
    mark: str,
    event: Told,
    due: Mapping[tuple[str, int | None], int],
    cycles: Sequence[Cycle],
) -> int:
    """The first instant at which the marked work could have been begun."""
    if mark == "demolded":
        return due.get(("demold", event.batch), 0)
    if mark == "out-of-tank":
        return max((end for _, end, _ in cycles if end <= event.at_us), default=0)
    return 0


def _stretch(event: Told, mark: str, seconds: float, stirred: set[int | None]) -> Iterator[Stretch]:
    data = event.data
    told_s = data.get("seconds")
    if isinstance(told_s, int | float) and mark not in STEPS:
        seconds = float(told_s)
    if seconds <= 0:  # one mark made for all that are in the tank
        return
    if mark in STEPS:
        both = mark == "poured" and event.batch not in stirred
        yield Stretch(STIR_AND_FILL if both else STEPS[mark], 1, seconds, True)
    elif data.get("pieces"):
        yield Stretch(mark, int(data["pieces"]), seconds, False)


def work_lines(found: Sequence[Stretch], quoted: Mapping[str, float | None]) -> list[WorkLine]:
    """Each step and operation in order, quoted against actual; seconds per batch or per piece."""
    names = [*quoted, *dict.fromkeys(s.name for s in found if s.name not in quoted)]
    lines = (_work_line(name, [s for s in found if s.name == name], quoted) for name in names)
    return [line for line in lines if line.quoted_s is not None or line.actual_s is not None]


def _work_line(name: str, mine: Sequence[Stretch], quoted: Mapping[str, float | None]) -> WorkLine:
    step = mine[0].step if mine else name in ("dispense", STIR_AND_FILL, *STEPS.values())
    each = [s.seconds / s.pieces for s in mine]
    actual_s = round(median(each), 1) if each else None
    return WorkLine(
        name,
        "batch" if step else "piece",
        quoted.get(name),
        actual_s,
        sum(s.pieces for s in mine),
    )


def hours_at_the_bench(events: Sequence[Told]) -> float:
    """Hours from the first act to the last, pauses of more than half an hour left out."""
    acts = [event.at_us for event in events if event.kind in ACTS]
    gaps = ((b - a) / 1e6 for a, b in pairwise(acts))
    return sum(gap for gap in gaps if gap <= BREAK_S) / 3600


# -- money ---------------------------------------------------------------------------------------


def spent(
    order: Order,
    batches: Sequence[BatchLine],
    *,
    good: int,
    hours: float,
    tinted: str | None,
    left_g: Mapping[str, float],
) -> Cost | None:
    """What the order has cost so far; None where it gives no prices or nothing was poured.

    Cups that were given up count, resin and all. `tinted` is the part whose jug is tinted, `left_g`
    what stands by part in the jugs that were drawn on. The set-up is as quoted: nobody times it.
    """
    poured = [batch for batch in batches if any(part.actual_g for part in batch.parts)]
    if order.cost is None or not poured:
        return None
    part_g, dye_g = _poured_g(poured, tinted)
    share = _dye_share(poured, tinted)
    left = {tinted: left_g[tinted]} if tinted is not None and tinted in left_g else {}
    used = Used(
        good=max(min(good, order.pieces), 1),
        batches=len(poured),
        part_g=part_g,
        dye_g=dye_g,
        run_hours=hours,
        setup_hours=order.setup_s / 3600,
        left_part_g={part: grams * (1 - share) for part, grams in left.items()},
        left_dye_g=sum(grams * share for grams in left.values()),
    )
    return cost(order.cost, used)


def _poured_g(batches: Sequence[BatchLine], tinted: str | None) -> tuple[dict[str, float], float]:
    """Neat grams by part, and all dye, in these batches."""
    share = _dye_share(batches, tinted)
    part_g: dict[str, float] = {}
    dye_g = 0.0
    for batch in batches:
        for part in batch.parts:
            grams = part.actual_g or 0.0
            if part.name == DYE:
                dye_g += grams
                continue
            own_dye_g = grams * share if part.name == tinted else 0.0
            dye_g += own_dye_g
            part_g[part.name] = part_g.get(part.name, 0.0) + grams - own_dye_g
    return part_g, dye_g


def _dye_share(batches: Sequence[BatchLine], tinted: str | None) -> float:
    """The dye's share of the tinted jug, from the mixed cups."""
    mixed = [batch for batch in batches if batch.mixed and batch.dye_g]
    jug_g = sum(p.actual_g or 0.0 for b in mixed for p in b.parts if p.name == tinted)
    return sum(batch.dye_g or 0.0 for batch in mixed) / jug_g if jug_g > 0 else 0.0
