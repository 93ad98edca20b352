"""An order while it is poured: jugs, warnings, sizes, counts and operations."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import pytest

from daemon.batch import Phase
from daemon.bench import Bench
from daemon.cli_order_start import order_told
from daemon.commander import plain_recipe
from daemon.effects import Answer, Record
from daemon.events import Commanded, TimeCame
from daemon.finishing import Live, Mark
from daemon.order_run import (
    Jug,
    OrderRun,
    counted,
    draws_from,
    jug_warnings,
    mold_warnings,
    more_batches,
    reject_share,
)
from daemon.step import step
from recipes.loader import SAMPLES_DIR
from recipes.order_loader import SAMPLE_ORDERS_DIR, OrderFile, load_order

DAY = datetime.date(2026, 11, 25)


@pytest.fixture
def knobs() -> OrderFile:
    """The sample order: invented, 240 knobs from six cavities, jugs A3, B7 and B8."""
    return load_order(SAMPLE_ORDERS_DIR / "slate-knobs.toml", [SAMPLES_DIR])


def started(knobs: OrderFile) -> tuple[Bench, list[Record]]:
    """The bench after the order was given to it and its first batch has opened."""
    do = {"do": "plan", "resolved": plain_recipe(knobs.recipe), "order": order_told(knobs, DAY)}
    bench, effects = step(Bench(wall_offset_s=1_795_600_000.0), Commanded(1.0, do))
    bench, more = step(bench, TimeCame(1.0))
    return bench, [effect for effect in (*effects, *more) if isinstance(effect, Record)]


def told(bench: Bench, **do: Any) -> tuple[Bench, list[Record], Answer]:
    bench, effects = step(bench, Commanded(2.0, do, "1"))
    answer = next(effect for effect in effects if isinstance(effect, Answer))
    return bench, [effect for effect in effects if isinstance(effect, Record)], answer


def test_an_order_opens_its_first_batch_with_its_size_and_its_jugs(knobs: OrderFile) -> None:
    bench, records = started(knobs)
    kinds = [record.kind for record in records]
    assert kinds == [
        "order.started",
        "jug.listed",
        "jug.listed",
        "jug.listed",
        "batch.opened",
        "batch.warned",
    ]
    opened = records[4].data
    assert opened["pieces"] == 6
    assert opened["jugs"] == {"A": "A3", "B": "B7"}
    assert bench.batch is not None
    assert bench.batch.size_g == pytest.approx(6 * 21.5 + 2.0)
    assert records[5].data["warnings"] == [
        "Shake jug B7: it has not been shaken in this run.",
    ]


def test_a_jug_that_was_shaken_is_not_asked_for_again(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    bench, records, answer = told(bench, do="mark", kind="shaken", jug="B7")
    assert answer.ok
    assert [record.kind for record in records] == ["jug.shaken"]
    assert bench.batch is not None
    assert bench.batch.warnings == ()
    _, records, answer = told(bench, do="mark", kind="shaken", jug="C1")
    assert (answer.ok, records) == (False, [])
    assert answer.error == "There is no jug C1; on the shelf are A3, B7, B8."


def test_a_refilled_jug_holds_more_and_has_to_be_shaken_again(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    bench, _, _ = told(bench, do="mark", kind="shaken", jug="B7")
    bench, records, _ = told(bench, do="jug", jug="B7", grams=100.0, lot="27-0001")
    jug = next(jug for jug in bench.jugs if jug.name == "B7")
    assert (jug.left_g, jug.lot, jug.shaken_at_s) == (2000.0, "27-0001", None)
    assert records[0].data == {"jug": "B7", "grams": 100.0, "lot": "27-0001"}


def test_an_order_under_way_is_begun_anew_only_where_that_is_asked_for(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    assert bench.order is not None
    bench = replace(bench, order=replace(bench.order, started=(6,)))
    again = {"resolved": plain_recipe(knobs.recipe), "order": order_told(knobs, DAY)}
    after, _, answer = told(bench, do="plan", **again)
    assert not answer.ok
    assert "is under way: 1 of 44 batches are poured" in str(answer.error)
    assert after.order == bench.order
    again["order"]["anew"] = True
    after, _, answer = told(bench, do="plan", **again)
    assert answer.ok
    assert after.order is not None
    assert after.order.started == ()


def test_pieces_open_a_batch_of_that_many_only_with_an_order(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    bench, _, answer = told(bench, do="start", pieces=2)
    bench, _ = step(bench, TimeCame(2.0))
    assert answer.ok
    assert bench.batch is not None
    assert bench.batch.size_g == pytest.approx(2 * 21.5 + 2.0)
    _, _, answer = told(Bench(), do="start", resolved=plain_recipe(knobs.recipe), pieces=2)
    assert not answer.ok


SHELF = (
    Jug("B7", "B", 50.0, use_by="2026-12-01"),
    Jug("B8", "B", 900.0, use_by="2026-11-01"),
    Jug("B9", "B", 300.0),
)


def test_the_first_jug_that_can_finish_the_batch_and_is_in_date_is_drawn_from() -> None:
    assert draws_from(SHELF, {"B": 63.0}, "2026-11-25")["B"].name == "B9"
    assert draws_from(SHELF, {"B": 40.0}, "2026-11-25")["B"].name == "B7"
    assert draws_from(SHELF, {"B": 400.0}, "2026-11-25")["B"].name == "B8", "none will do: fullest"
    assert draws_from(SHELF, {"A": 63.0}, "2026-11-25") == {}


def test_a_jug_is_warned_of_before_it_is_poured_from() -> None:
    jug = Jug("B8", "B", 60.0, use_by="2026-11-01", shake_every_s=14400.0, shaken_at_s=0.0)
    said = jug_warnings({"B": jug}, {"B": 63.0}, "2026-11-25", 18_000.0)
    assert said == (
        "Jug B8 holds 60 g of B; this batch takes 63 g.",
        "Jug B8 is past its date, 2026-11-01.",
        "Shake jug B8: the last time was 5.0 h ago.",
    )
    good = replace(jug, left_g=100.0, use_by="2026-11-25", shaken_at_s=17_000.0)
    assert jug_warnings({"B": good}, {"B": 63.0}, "2026-11-25", 18_000.0) == ()


def test_release_agent_and_the_last_pulls_of_a_mold_are_said_in_time(knobs: OrderFile) -> None:
    mold = knobs.order.mold.model_copy(update={"release_every": 10, "pulls_left": 8, "count": 1})
    run = OrderRun(knobs.order.model_copy(update={"mold": mold}), knobs.recipe)
    assert mold_warnings(run) == ()
    after_ten = mold_warnings(replace(run, started=(6,) * 10))
    assert after_ten[0] == "Release agent is due: 10 batches since the last."
    assert mold_warnings(replace(run, started=(6,) * 5)) == (
        "The molds are near their end: about 3 pulls each are left.",
    )


def test_rejects_beyond_what_was_planned_add_batches_and_luck_adds_none(knobs: OrderFile) -> None:
    """By hand: 40 believed pieces at 4 % and 12 of 24 rejected make (1.6 + 12) / 64 = 21 %."""
    run = OrderRun(knobs.order, knobs.recipe, started=(6,) * 4)
    to_come = ((6, 131.0),) * 39
    assert more_batches(counted(run, 24, 0), to_come) == ()
    bad = counted(run, 12, 12)
    assert reject_share(bad) == pytest.approx(13.6 / 64)
    more = more_batches(bad, to_come)
    assert len(more) > 5
    assert more[0] == (6, pytest.approx(131.0))


def test_counting_a_bad_mold_extends_the_plan_and_says_so(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    assert bench.order is not None
    bench = replace(
        bench,
        order=replace(bench.order, started=(6,) * 4),
        lives=(Live(1, knobs.recipe, 1.0, None, 131.0, 6),),
        batch=None,
        next_batch=6,
    )
    before = bench.plan.left if bench.plan is not None else None
    bench, records, answer = told(
        bench, do="count", batch=1, good=2, rejected=22, cause="void", cavity=4
    )
    assert answer.ok
    extended = next(record for record in records if record.kind == "order.extended")
    assert bench.plan is not None
    assert before is not None
    assert bench.plan.left == before + extended.data["batches"]
    assert bench.progress is not None
    assert bench.progress.batches_planned == bench.plan.left


def nearly_done(knobs: OrderFile, good: int = 236) -> Bench:
    """So many good of 240 are counted, two batches are still planned, one waits for its cup."""
    bench, _ = started(knobs)
    assert bench.order is not None
    assert bench.plan is not None
    assert bench.batch is not None
    run = replace(bench.order, started=(6,) * 41, good=good, rejected=4)
    plan = replace(bench.plan, sizes=bench.plan.sizes[-2:], left=2)
    lives = (Live(1, knobs.recipe, 1.0, None, 131.0, 6),)
    bench = replace(bench, order=run, plan=plan, lives=lives, next_batch=43)
    return replace(bench, batch=replace(bench.batch, number=42))


def test_once_the_good_pieces_are_there_the_rest_is_not_poured(knobs: OrderFile) -> None:
    bench = nearly_done(knobs)
    bench, records, answer = told(bench, do="count", batch=1, good=4)
    assert answer.ok
    kinds = [record.kind for record in records]
    assert kinds == ["batch.counted", "batch.abandoned", "order.shortened"]
    assert records[-1].data == {"batches": 2, "good": 240}
    assert (bench.batch, bench.opening_at_s) == (None, None)
    assert bench.plan is not None
    assert (bench.plan.left, bench.plan.sizes) == (0, ())
    assert bench.progress is not None
    assert bench.progress.batches_planned == 41


def test_one_piece_short_the_rest_is_poured(knobs: OrderFile) -> None:
    bench, records, _ = told(nearly_done(knobs), do="count", batch=1, good=3)
    assert [record.kind for record in records] == ["batch.counted"]
    assert bench.batch is not None


def test_a_batch_that_is_half_poured_is_finished_though_nobody_needs_it(knobs: OrderFile) -> None:
    bench = nearly_done(knobs)
    assert bench.batch is not None
    poured = replace(bench.batch, phase=Phase.POUR, poured_g=(60.0, None))
    bench, records, _ = told(replace(bench, batch=poured), do="count", batch=1, good=4)
    assert records[-1].data == {"batches": 1, "good": 240}
    assert bench.batch is poured
    assert bench.plan is not None
    assert bench.plan.left == 1


def test_pieces_through_the_urgent_operation_end_the_trim_clock(knobs: OrderFile) -> None:
    bench, _ = started(knobs)
    live = Live(1, knobs.recipe, 1.0, 1.0, 131.0, 6, ((Mark.DEMOLDED, 1.5),))
    bench = replace(bench, lives=(live,))
    bench, records, answer = told(bench, do="mark", kind="cut sprues", pieces=4)
    assert answer.ok
    assert records[0].data == {"kind": "cut sprues", "pieces": 4, "total": 4}
    assert bench.lives, "two pieces still have their sprue"
    bench, records, _ = told(bench, do="mark", kind="cut sprues", pieces=2)
    assert [record.data.get("kind") for record in records][:2] == ["cut sprues", "trimmed"]
    _, _, answer = told(bench, do="mark", kind="polish", pieces=2)
    assert answer.error == "There is no operation called polish in this run."
