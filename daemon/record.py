"""The record of an order, or of a run without one: what was promised, and what came out.

Owns which events belong to it and how they are put together into one frozen value. Knows no
journal, file or page; what an event lacks is left open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ValidationError

from daemon.drift import watch
from daemon.record_batch import BatchLine, CountLine, batch_line
from daemon.record_clocks import Cycle, Told, cycles_of
from daemon.record_jugs import Jug, Said, colour_of, jugs_of
from daemon.record_pieces import Cell, Tally, cells, tally
from daemon.record_scope import Section, events_of, section_of
from daemon.record_work import (
    ACTS,
    STEPS,
    STIR_AND_FILL,
    Stretch,
    WorkLine,
    hours_at_the_bench,
    spent,
    stretches,
    work_lines,
)
from recipes.cost import Cost
from recipes.model import Recipe
from recipes.order import Order


@dataclass(frozen=True, slots=True)
class Record:
    """Everything that a page or a table says of an order or a run."""

    kind: str
    """order, or run: batches of one recipe poured without an order."""
    name: str
    recipe_name: str
    began_at: str
    last_at: str
    order: Order | None = None
    recipe: Recipe | None = None
    plan: Mapping[str, Any] = field(default_factory=dict)
    """What `order plan --json` said when it was started; empty without an order."""
    planned: tuple[tuple[int | None, float | None], ...] = ()
    """The batches promised: pieces, and grams of neat resin."""
    extended: int = 0
    """Batches added since, because of rejects."""
    dropped: int = 0
    """Batches that were not needed in the end."""
    batches: tuple[BatchLine, ...] = ()
    counts: tuple[CountLine, ...] = ()
    jugs: tuple[Jug, ...] = ()
    colour: tuple[Said, ...] = ()
    work: tuple[WorkLine, ...] = ()
    hours: float = 0.0
    """At the bench so far, long pauses left out."""
    cost: Cost | None = None
    drift: str = ""
    operations: tuple[tuple[str, int], ...] = ()
    """Pieces that went through each finishing operation."""

    @property
    def pieces(self) -> int | None:
        """Good pieces that were promised; None without an order."""
        return self.order.pieces if self.order is not None else self.plan.get("pieces")

    @property
    def mixed(self) -> tuple[BatchLine, ...]:
        """The batches that came into the cup whole."""
        return tuple(batch for batch in self.batches if batch.mixed)

    @property
    def tally(self) -> Tally:
        """All pieces that were counted."""
        return tally(self.counts)

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Rejects by mold and cavity."""
        mold = None if self.order is None else self.order.mold
        return cells(self.counts) if mold is None else cells(self.counts, mold.cavities, mold.count)

    @property
    def landings(self) -> tuple[tuple[str, float], ...]:
        """Each part's landing, (part, grams off its target), in the order they were poured."""
        return tuple(
            (part.name, part.error_g)
            for batch in self.mixed
            for part in batch.parts
            if part.error_g is not None
        )

    @property
    def ratio_errors(self) -> tuple[float, ...]:
        """Each mix's ratio error in percent."""
        return tuple(b.ratio_error_pct for b in self.mixed if b.ratio_error_pct is not None)

    @property
    def used_g(self) -> dict[str, float]:
        """What was poured of each part, grams, cups that were given up included."""
        found: dict[str, float] = {}
        for batch in self.batches:
            for part in batch.parts:
                found[part.name] = found.get(part.name, 0.0) + (part.actual_g or 0.0)
        return found


# -- the record ----------------------------------------------------------------------------------


def record(
    events: Sequence[Told],
    name: str | None = None,
    recipe_of: Callable[[int], Recipe | None] = lambda batch: None,
) -> Record | None:
    """The record of an order or a run, from all events of a store in order.

    `name` is an order's or a recipe's; without it the last order counts, or the last recipe poured
    where there never was an order. `recipe_of` looks up what a batch was poured by, for what the
    events do not tell: tolerances, roles, the tinted part. None where nothing of it is found.
    """
    section = section_of(events, name)
    if section is None:
        return None
    mine = events_of(events, section)
    batches = tuple(_batches(events, section.batches))
    recipe = next((found for b in section.batches if (found := recipe_of(b)) is not None), None)
    made = _begun(section, batches, mine, recipe)
    counts = tuple(count for batch in batches for count in batch.counts)
    names = _jug_names(made.order, batches)
    since = section.started.seq if section.started is not None else None
    made = replace(
        made,
        batches=batches,
        counts=counts,
        jugs=tuple(jugs_of(events, names, section.batches)),
        colour=colour_of(events, names, since),
    )
    return _worked(made, mine, list(cycles_of(events)))


def _jug_names(order: Order | None, batches: Sequence[BatchLine]) -> list[str]:
    """The jugs that the order lists, and those that its batches drew on."""
    listed = [jug.name for jug in order.jugs] if order is not None else []
    return list(dict.fromkeys([*listed, *(j for b in batches for j in b.jugs.values())]))


def _begun(
    section: Section, batches: Sequence[BatchLine], mine: Sequence[Told], recipe: Recipe | None
) -> Record:
    """The record with what was promised, and nothing yet of what came out."""
    start, recipes = section.started, [batch.recipe for batch in batches]
    recipe_name = recipes[0] if recipes else ""
    last_at = next((e.at for e in reversed(mine) if e.batch is not None or e.kind in ACTS), "")
    if start is None:
        began_at = batches[0].opened_at if batches else ""
        return Record("run", recipe_name, recipe_name, began_at, last_at, recipe=recipe)
    data = start.data
    plan = data.get("plan") or {}
    return Record(
        kind="order",
        name=str(data.get("name") or "order"),
        recipe_name=recipe_name or str(plan.get("recipe") or ""),
        began_at=start.at,
        last_at=last_at or start.at,
        order=_order(data.get("order")),
        recipe=recipe,
        plan={"pieces": data.get("pieces")} | plan,
        planned=tuple((b.get("pieces"), b.get("resin_g")) for b in data.get("batches") or ()),
        extended=_batches_in(mine, "order.extended"),
        dropped=_batches_in(mine, "order.shortened"),
    )


def _batches_in(events: Sequence[Told], kind: str) -> int:
    return sum(int(e.data.get("batches") or 0) for e in events if e.kind == kind)


def _order(told: Any) -> Order | None:
    """The order's file as it was told; None where it is of a form not known here."""
    try:
        return Order.model_validate(told)
    except ValidationError:
        return None


def _batches(events: Sequence[Told], numbers: Sequence[int]) -> Iterator[BatchLine]:
    """Each batch, with the person, the temperatures and the lots as they were when it was mixed."""
    cycles = list(cycles_of(events))
    own: dict[int, list[Told]] = {number: [] for number in numbers}
    person, celsius, lots = "", dict[str, float](), dict[str, str]()
    was: dict[int, tuple[str, dict[str, float], dict[str, str]]] = {}
    for event in events:
        match event.kind:
            case "person.told":
                person = str(event.data.get("name") or "")
            case "ambient.told":
                told = {str(event.data.get("of")): float(event.data.get("celsius") or 0.0)}
                celsius = celsius | told
            case "jug.listed" | "jug.refilled":
                lot = event.data.get("lot") or lots.get(str(event.data.get("jug")), "")
                lots = lots | {str(event.data.get("jug")): str(lot)}
        if event.batch in own:
            own[event.batch].append(event)
            if event.kind in ("batch.opened", "batch.mixed"):
                was[event.batch] = person, celsius, lots
    for number in numbers:
        line = batch_line(own[number], cycles)
        who, warm, known = was.get(number, ("", {}, {}))
        here = {part: known[jug] for part, jug in line.jugs.items() if known.get(jug)}
        yield replace(line, person=who, celsius=warm, lots=here)


def _worked(made: Record, mine: Sequence[Told], cycles: Sequence[Cycle]) -> Record:
    """The record with the seconds, the hours, the cost, and whether something strays."""
    found = list(stretches(mine, cycles))
    done: dict[str, int] = {}
    for stretch in found:
        if not stretch.step:
            done[stretch.name] = done.get(stretch.name, 0) + stretch.pieces
    made = replace(
        made,
        work=tuple(work_lines(found, _quoted(made, found))),
        hours=hours_at_the_bench(mine),
        operations=tuple(done.items()),
        drift=_drift(made),
    )
    return made if made.order is None else replace(made, cost=_cost(made, made.order))


def _quoted(made: Record, found: Sequence[Stretch]) -> dict[str, float | None]:
    """The seconds that the plan was made with: the order's own, else measured, else assumed.

    Where nobody marked the stirring, it goes with the filling.
    """
    order, plan = made.order, made.plan
    if order is None:
        return {}
    told = (plan.get("assumed_s") or {}) | (plan.get("measured_s") or {})
    own = {name: getattr(order.seconds, name) for name in ("dispense", *STEPS.values())}
    steps: dict[str, float | None] = {
        name: told.get(name) if own[name] is None else own[name] for name in own
    }
    if steps["stir"] is None and made.recipe is not None:
        steps["stir"] = made.recipe.times.stir_s
    if any(stretch.name == STIR_AND_FILL for stretch in found):
        stir_s, fill_s = steps.pop("stir"), steps.pop("fill")
        both_s = None if fill_s is None else fill_s + (stir_s or 0.0)
        steps = {"dispense": steps.pop("dispense"), STIR_AND_FILL: both_s} | steps
    operations = {
        op.name: told.get(op.name) if op.seconds_per_piece is None else op.seconds_per_piece
        for op in order.operations
    }
    return steps | operations


def _drift(made: Record) -> str:
    if made.recipe is None:
        return watch(made.landings, made.ratio_errors)
    allowed_pct = made.recipe.stops.ratio_tolerance_pct
    return watch(made.landings, made.ratio_errors, ratio_tolerance_pct=allowed_pct)


def _cost(made: Record, order: Order) -> Cost | None:
    recipe = made.recipe
    index = recipe.dye_part if recipe is not None else None
    tinted = None if recipe is None or index is None else recipe.part_names[index]
    left_g: dict[str, float] = {}
    for jug in made.jugs:
        if jug.drawn_g > 0 and jug.left_g is not None:
            left_g[jug.part] = left_g.get(jug.part, 0.0) + jug.left_g
    return spent(
        order,
        made.batches,
        good=made.tally.good,
        hours=made.hours,
        tinted=tinted,
        left_g=left_g,
    )
