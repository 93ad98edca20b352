"""The record of an order: what belongs to it, and that its figures can be worked by hand."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from daemon.journal import EventRow
from daemon.record import record
from daemon.record_batch import CountLine
from daemon.record_pieces import causes, cells, tally
from daemon.record_scope import names
from recipes.model import Recipe
from tests.kit_bench import two_knobs
from tests.kit_record import (
    Story,
    finish,
    pour,
    slate_knob,
    slate_order,
    whole_order,
)


def of(story, name=None, recipe=None):
    return record(story.rows, name, lambda batch: recipe)


def begun(**order):
    """A story in which the order of slate knobs has just been started."""
    story = Story()
    story.tell("order.started", **slate_order(**order))
    return story


def poured(story, batch, **more):
    pour(story, batch, pieces=6, order="Cabinet knobs, slate", **more)


# --- what belongs to it --------------------------------------------------------------------------


def test_a_store_in_which_nothing_was_poured_has_no_record():
    assert record([]) is None
    story = Story()
    story.tell("daemon.started", version="0.1.0")
    assert of(story) is None


def test_a_run_without_an_order_is_the_last_recipe_poured_in_a_row():
    story = Story()
    pour(story, 1)
    story.opened(2, "Moss knob", 50, 50)
    pour(story, 3)
    pour(story, 4)
    found = of(story)
    assert (found.kind, found.name) == ("run", "Slate knob, fast urethane")
    assert [batch.number for batch in found.batches] == [3, 4]
    assert found.pieces is None
    assert found.cost is None


def test_filling_a_jug_is_no_batch():
    story = Story()
    pour(story, 1)
    story.tell("batch.opened", 2, recipe="Fill B", parts=[{"name": "B", "target_g": 500}])
    pour(story, 3)
    assert [batch.number for batch in of(story).batches] == [1, 3]


def test_the_last_order_counts_unless_another_is_named():
    story = begun()
    poured(story, 1)
    story.tell("order.started", **slate_order(name="Second run"))
    pour(story, 2, pieces=6, order="Second run")
    assert [batch.number for batch in of(story).batches] == [2]
    first = of(story, "Cabinet knobs, slate")
    assert [batch.number for batch in first.batches] == [1]
    assert names(story.rows) == (
        "Cabinet knobs, slate",
        "Second run",
        "Slate knob, fast urethane",
    )
    assert of(story, "Third run") is None


def test_a_trial_between_the_batches_of_an_order_is_not_its_own():
    story = begun()
    poured(story, 1)
    pour(story, 2)
    poured(story, 3)
    assert [batch.number for batch in of(story).batches] == [1, 3]


def test_batches_that_name_no_order_are_taken_where_none_does():
    story = begun()
    pour(story, 1)
    assert [batch.number for batch in of(story).batches] == [1]


def test_what_is_marked_after_the_next_order_began_still_counts():
    story = begun()
    poured(story, 1)
    story.tell("order.started", **slate_order(name="Second run"))
    finish(story, 1, good=5)
    found = of(story, "Cabinet knobs, slate")
    assert found.tally.good == 5
    assert found.batches[0].state == "closed"


def test_what_happens_long_after_does_not_lengthen_it():
    story = begun()
    poured(story, 1)
    story.mark(None, "sand foot", pieces=6)
    last_at = story.rows[-1].at
    story.later(86400)
    story.tell("daemon.started", version="0.1.0")
    story.tell("ambient.told", of="room", celsius=20)
    assert of(story).last_at == last_at


# --- promised, and what came out ------------------------------------------------------------------


def test_what_was_promised_is_kept_as_it_was_said():
    found = of(begun())
    assert found.pieces == 240
    assert found.plan["pieces_to_start"] == 256
    assert found.planned[0] == (6, 131.0)
    assert found.order.mold.cavities == 6
    assert found.batches == ()


def test_an_order_of_a_form_not_known_here_still_has_a_record():
    story = begun(order={"name": "?", "shape": "of tomorrow"}, plan=None)
    poured(story, 1)
    found = of(story)
    assert found.order is None
    assert found.pieces == 240
    assert found.cost is None


def test_masses_ratio_and_jugs_of_a_batch():
    story = begun()
    story.tell("jug.listed", jug="B7", part="B", lot="26-1102", grams=1900.0)
    story.tell("person.told", name="Kim")
    story.tell("ambient.told", of="room", celsius=21.5)
    poured(story, 1, off_a=0.3, jugs={"B": "B7"})
    story.tell("jug.drawn", 1, jug="B7", part="B", grams=63.24, left_g=1836.8)
    story.tell("ambient.told", of="room", celsius=25.0)
    batch = of(story).batches[0]
    a, b = batch.parts
    assert (a.name, a.target_g, a.actual_g, a.error_g, a.seconds) == ("A", 69.474, 69.77, 0.296, 12)
    assert (b.actual_g, b.error_g) == (63.24, -0.005)
    assert batch.ratio_error_pct == pytest.approx(100 * (63.24 / 69.77 * 69.474 / 63.245 - 1), 1e-3)
    assert (batch.dispense_s, batch.index, batch.pot_life_s) == (75.0, 105.0, 180.0)
    assert (batch.person, batch.celsius) == ("Kim", {"room": 21.5})
    assert (batch.jugs, batch.lots) == ({"B": "B7"}, {"B": "26-1102"})


def test_top_ups_overshoots_and_corrections_are_told():
    story = Story()
    story.opened(1, "Slate", 50.0, 50.0)
    story.tell("part.started", 1, part="A", target_g=50.0, stops_g={"coarse": 40, "fine": 48})
    story.tell("part.short", 1, part="A", actual_g=48.9, short_g=1.1)
    story.tell("part.over", 1, part="A", actual_g=51.4, over_g=1.4, plan={})
    story.tell("mix.corrected", 1, reason="over", parts=[{"name": "B", "target_g": 51.4}])
    story.tell("part.started", 1, part="B", target_g=51.4, stops_g={"coarse": 40, "fine": 48})
    story.tell("batch.abandoned", 1, reason="dropped")
    batch = of(story).batches[0]
    a, b = batch.parts
    assert (a.target_g, a.actual_g, a.top_ups, a.over_g) == (50.0, 51.4, 1, 1.4)
    assert (b.target_g, b.actual_g, b.error_g) == (51.4, None, None)
    assert (batch.state, batch.reason, batch.corrected) == ("abandoned", "dropped", ("over",))


def test_a_real_journal_gives_the_figures_of_its_own_events():
    poured_twice = two_knobs()
    found = record(poured_twice.events)
    mixed = [event.data for event in poured_twice.events if event.kind == "batch.mixed"]
    assert len(found.mixed) == len(mixed) == 2
    for batch, data in zip(found.mixed, mixed, strict=True):
        told = {part["name"]: part["actual_g"] for part in data["parts"]}
        assert {part.name: part.actual_g for part in batch.parts} == told
        assert batch.ratio_error_pct == data["ratio_error_pct"]
    assert [part for part, _ in found.landings] == ["A", "B", "A", "B"]


# --- pieces ---------------------------------------------------------------------------------------


def test_the_reject_rate_has_the_exact_interval():
    """Clopper and Pearson, as scipy has them."""
    counts = [CountLine(1, "", 38, 0), CountLine(1, "", 0, 2, cause="bubble")]
    found = tally(counts)
    exact = stats.binomtest(2, 40).proportion_ci(method="exact")
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-9)
    assert found.share == 0.05
    assert tally([]).share is None


def test_causes_are_added_up_and_the_unnamed_comes_last():
    counts = [
        CountLine(1, "", 0, 3),
        CountLine(1, "", 0, 1, cause="short fill"),
        CountLine(2, "", 0, 2, cause="bubble"),
        CountLine(3, "", 6, 0, cause="bubble"),
    ]
    assert causes(counts) == (("bubble", 2), ("short fill", 1), ("", 3))


def rejects(*cavities):
    return [CountLine(1, "", 0, 1, "bubble", "2", str(cavity)) for cavity in cavities]


def test_a_bad_cavity_shows():
    """5 of 8 rejects from one of 12 cavities: by chance 1 in 5000 for each, by scipy's binomial."""
    found = cells(rejects(4, 4, 1, 4, 2, 4, 4, 6), cavities=6, molds=2)
    assert [(cell.cavity, cell.rejected) for cell in found[:1]] == [("4", 5)]
    assert stats.binom.sf(4, 8, 1 / 12) * 12 < 0.05
    assert [cell.stands_out for cell in found] == [True, False, False, False]


def test_two_of_five_in_one_cavity_are_chance():
    assert stats.binom.sf(1, 5, 1 / 6) * 6 > 0.05
    assert not any(cell.stands_out for cell in cells(rejects(3, 3, 1, 2, 5), cavities=6))


def test_without_an_order_as_many_cavities_are_assumed_as_are_named():
    found = cells(rejects(1, 1, 1, 1, 1, 1, 8))
    assert (found[0].cavity, found[0].stands_out) == ("1", True)
    assert cells([CountLine(1, "", 5, 1, "bubble")]) == ()


# --- seconds and money ---------------------------------------------------------------------------


def work_of(found):
    return {line.name: (line.quoted_s, line.actual_s, line.times) for line in found.work}


def test_seconds_of_each_step_lie_between_the_acts_of_one_person():
    story = begun()
    poured(story, 1, fill_s=80)
    story.later(700)
    finish(story, 1)
    story.later(120)
    story.mark(None, "sand foot", pieces=6, total=6)
    work = work_of(of(story, recipe=slate_knob()))
    assert work["dispense"] == (75, 75.0, 1)
    assert work["stir"] == (30, 32.0, 1)
    assert work["fill"] == (90, 80.0, 1)
    assert work["tank"] == (10, 10.0, 1)
    assert work["cut sprues"] == (6, 6.0, 6)
    assert work["sand foot"] == (18, 20.0, 6)


def test_waiting_for_a_clock_is_no_work():
    """The pressure's time is over 600 s after the lid, the demolding's 900 s after contact."""
    story = begun()
    poured(story, 1, fill_s=80)
    story.later(630)
    story.mark(1, "vented")
    story.later(25)
    story.mark(1, "out-of-tank")
    since_contact_s = 12 + 12 + 32 + 80 + 10 + 630 + 25
    story.later(900 - since_contact_s + 61)
    story.mark(1, "demolded")
    work = work_of(of(story))
    assert work["vent"][1] == 30 + 25
    assert work["demold"][1] == 61.0


def test_one_opening_of_the_tank_counts_once_for_all_that_are_in_it():
    story = begun()
    poured(story, 1)
    poured(story, 2)
    story.later(600)
    for batch in (1, 2):
        story.mark(batch, "vented")
    story.later(40)
    for batch in (1, 2):
        story.mark(batch, "out-of-tank")
    assert work_of(of(story))["vent"] == (30, 40.0, 1)


def test_stirring_that_nobody_marks_goes_with_the_filling():
    story = begun()
    poured(story, 1)
    story.rows = [row for row in story.rows if row.data.get("kind") != "stirred"]
    work = work_of(of(story, recipe=slate_knob()))
    assert work["stir and fill"] == (120, 122.0, 1)
    assert "fill" not in work
    assert "stir" not in work


def test_seconds_that_a_mark_brings_along_are_believed():
    story = begun()
    poured(story, 1)
    story.later(1000)
    story.mark(1, "cut sprues", pieces=6, seconds=42.0)
    assert work_of(of(story))["cut sprues"] == (6, 7.0, 6)


def test_long_pauses_are_no_hours_at_the_bench():
    """207 s from the cup to the tank, twice; half an hour is a pause that counts, two are not."""
    story = begun()
    poured(story, 1)
    story.later(1800)
    story.mark(None, "sand foot", pieces=6)
    story.later(7200)
    story.mark(None, "sand foot", pieces=6)
    story.later(900)
    poured(story, 2)
    cup_s = 20
    assert of(story).hours == pytest.approx((207 + 1800 + 900 + cup_s + 207) / 3600)


def test_what_an_order_of_one_batch_cost():
    """By hand: 69.47 g A and 63.24 g B with 0.759 g dye; 207 s present; per batch 0.60."""
    story = begun()
    story.tell("jug.listed", jug="B7", part="B", grams=1000.0)
    poured(story, 1, jugs={"B": "B7"})
    story.tell("jug.drawn", 1, jug="B7", part="B", grams=63.24, left_g=936.76)
    story.tell("batch.counted", 1, good=6, rejected=0)
    found = of(story, recipe=slate_knob())
    neat_g, dye_g = 69.47 + 63.24 - 0.759, 0.759
    assert float(found.cost.resin) == pytest.approx(neat_g * 14 / 1000, abs=0.006)
    assert float(found.cost.dye) == pytest.approx(dye_g * 220 / 1000, abs=0.006)
    left = 936.76 * (0.988 * 14 + 0.012 * 220) / 1000
    assert float(found.cost.left_over) == pytest.approx(left, abs=0.02)
    assert float(found.cost.consumables) == 0.60
    assert float(found.cost.setup_labour) == 80.0
    assert float(found.cost.labour) == pytest.approx(207 / 3600 * 32, abs=0.006)


def test_a_cup_that_was_given_up_costs_too():
    story = begun()
    poured(story, 1)
    story.opened(2, "Slate knob, fast urethane", 69.474, 63.245, order="Cabinet knobs, slate")
    story.part(2, "A", 69.474, 70.0)
    story.tell("batch.abandoned", 2, reason="knocked over")
    found = of(story)
    assert found.used_g == {"A": pytest.approx(139.47), "B": 63.24}
    assert float(found.cost.consumables) == 1.20


# --- jugs, colour, drift -------------------------------------------------------------------------


def test_jugs_are_followed_through_shaking_and_filling_up():
    story = begun()
    story.tell("jug.listed", jug="B7", part="B", lot="26-1102", grams=100.0, use_by="2027-05-01")
    story.tell("jug.shaken", jug="B7")
    story.tell("jug.refilled", jug="B7", grams=500.0, lot="26-1180")
    poured(story, 1, jugs={"B": "B7"})
    story.tell("jug.drawn", 1, jug="B7", part="B", grams=63.2, left_g=536.8)
    found = of(story)
    jug = next(jug for jug in found.jugs if jug.name == "B7")
    assert (jug.listed_g, jug.refilled_g, jug.drawn_g, jug.left_g) == (100.0, 500.0, 63.2, 536.8)
    assert (jug.lot, jug.shaken, jug.use_by) == ("26-1180", 1, "2027-05-01")
    assert found.batches[0].lots == {"B": "26-1180"}


def test_the_colour_of_the_orders_jugs_belongs_to_it_however_long_before():
    story = Story()
    story.tell("tint.added", jug="B7", dye="black", grams=14.2)
    story.tell("tint.added", jug="Z1", dye="red", grams=3.0)
    story.tell("order.started", **slate_order())
    story.tell("tint.tested", judge="darker")
    poured(story, 1, jugs={"B": "B7"})
    told = [(said.what, said.data.get("dye")) for said in of(story).colour]
    assert told == [("added", "black"), ("tested", None)]


def test_the_colour_of_a_jug_as_it_was_filled_before_is_another():
    story = Story()
    for grams in (900.0, 1900.0):
        story.tell("tint.started", jug="B7", base_g=grams)
        story.tell("tint.tested", jug="B7", judge="match")
    story.tell("order.started", **slate_order())
    poured(story, 1, jugs={"B": "B7"})
    told = [(said.what, said.data.get("base_g")) for said in of(story).colour]
    assert told == [("started", 1900.0), ("tested", None)]


def test_a_drift_of_the_landings_is_told_with_the_record():
    story = begun()
    for batch in range(1, 16):
        poured(story, batch, off_a=0.5 if batch > 9 else 0.1 * (-1) ** batch)
    assert of(story).drift.startswith("A has landed high")


def test_the_whole_order_comes_out():
    found = record(whole_order().rows, recipe_of=lambda batch: slate_knob())
    assert (found.tally.good, found.tally.rejected) == (242, 16)
    assert len(found.mixed) == 43
    assert [cell.cavity for cell in found.cells if cell.stands_out] == ["4"]
    assert dict(found.operations)["cut sprues"] == 258


# --- tolerant ------------------------------------------------------------------------------------

WHOLE = whole_order(3).rows


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_members_that_are_missing_are_left_open(data):
    """A journal of an older version lacks members; the record has what there is."""
    rows = []
    for row in WHOLE:
        gone = data.draw(st.sets(st.sampled_from(sorted(row.data) or ["-"]), max_size=2))
        rows.append(replace(row, data={k: v for k, v in row.data.items() if k not in gone}))
    found = record(rows, recipe_of=lambda batch: slate_knob())
    assert found is not None
    assert len(found.batches) <= 3


@pytest.mark.parametrize("kind", sorted({row.kind for row in WHOLE} - {"order.started"}))
def test_a_kind_without_any_members_does_no_harm(kind):
    rows = [replace(row, data={}) if row.kind == kind else row for row in WHOLE]
    assert record(rows) is not None


def test_a_kind_that_is_not_known_is_passed_over():
    rows = [*WHOLE, EventRow(10**6, 10**12, "2027-01-01T00:00:00.000Z", "later.kind", 1, {"x": 1})]
    assert record(rows).batches == record(WHOLE).batches


def test_the_recipe_is_looked_for_until_one_batch_knows_it():
    asked = []

    def recipe_of(batch: int) -> Recipe | None:
        asked.append(batch)
        return slate_knob() if batch == 3 else None

    assert record(WHOLE, recipe_of=recipe_of).recipe == slate_knob()
    assert asked == [1, 2, 3]
