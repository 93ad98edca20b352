"""The plan of an order: pieces, batches, material, shelf, day and price, checked by hand."""

import datetime

import pytest
from scipy.stats import binom

from recipes.batches import molds_per_batch
from recipes.loader import load_recipe, parse_recipe
from recipes.order import Order
from recipes.order_loader import SAMPLE_ORDERS_DIR, load_order
from recipes.pace import contact_share, pace_of
from recipes.plan import batch_sizes, plan, shot_for
from recipes.schedule import (
    MOLDS,
    ONE_MORE_MOLD,
    ONE_MORE_MOLD_A_CUP,
    ONE_MORE_TANK_PLACE,
    PERSON,
    SECOND_PERSON,
    SECOND_TANK,
    TANK,
)

POUND_G = 453.59237
"""One pound avoirdupois in grams, exactly: NIST Handbook 44, appendix C."""

EVEN = """\
name = "Even mix"
shot_g = 170.0
hold_back_g = 0.0
[[part]]
name = "A"
by_weight = 100
role = "isocyanate"
[[part]]
name = "B"
by_weight = 100
role = "polyol"
[times]
pot_life_s = 300
demold_s = 1800
"""

TODAY = datetime.date(2026, 11, 25)


def recipe_of(text=EVEN, **more):
    """A recipe in which `more` keys of [times] are given, and `shot_g`, `hold_back_g`, `dye`."""
    for key in ("shot_g", "hold_back_g"):
        if key in more:
            line = next(line for line in text.splitlines() if line.startswith(f"{key} ="))
            text = text.replace(line, f"{key} = {more.pop(key)}")
    dye = more.pop("dye", "")
    text = text.replace("[times]", f"{dye}\n[times]")
    return parse_recipe(text + "".join(f"{key} = {value}\n" for key, value in more.items()))


def order_of(pieces=150, **tables):
    mold = {"cavities": 8, "grams_per_piece": 21.25} | tables.pop("mold", {})
    return Order.model_validate(
        {"name": "Knobs", "recipe": "even", "pieces": pieces, "mold": mold, **tables}
    )


@pytest.fixture(scope="module")
def slate():
    return load_order(SAMPLE_ORDERS_DIR / "slate-knobs.toml")


# --- facts of the trade: common practice, no source ----------------------------------------------


def test_a_hundred_and_fifty_pieces_from_eight_cavities_are_nineteen_pours():
    """Common practice, no source. 150 / 8 = 18.75; the last pour is for six."""
    planned = plan(order_of(150), recipe_of())
    assert (planned.pieces_to_start, planned.batches) == (150, 19)
    assert planned.last_batch_pieces == 6
    assert [size.pieces for size in batch_sizes(planned)] == [8] * 18 + [6]
    assert batch_sizes(planned)[0].resin_g == 170.0
    assert batch_sizes(planned)[-1].resin_g == 127.5


def test_three_and_three_quarter_pounds_of_b_carry_nineteen_full_pours_and_some_to_spare():
    """Common practice, no source: 85 g of B each, about 86 g to spare, 107 g if the last is less.

    3.75 lb = 1700.97 g; 19 x 85 = 1615; with six pieces in the last pour 18 x 85 + 63.75.
    """
    jug_g = 3.75 * POUND_G
    assert jug_g == pytest.approx(1700.971, abs=1e-3)
    jugs = [{"name": "B7", "part": "B", "grams": jug_g}]
    full = plan(order_of(152, jug=jugs), recipe_of()).shelf.parts["B"]
    assert (full.need_g, full.short_g) == (1615.0, 0.0)
    assert full.left_g == pytest.approx(86, abs=0.1)
    smaller = plan(order_of(150, jug=jugs), recipe_of()).shelf.parts["B"]
    assert smaller.need_g == 1593.75
    assert smaller.left_g == pytest.approx(107, abs=0.3)


def test_matching_the_colour_takes_two_and_a_half_hours_and_is_in_the_price():
    """Common practice, no source: 150 min at 32 an hour are 80, and 80 / 0.65 in the price."""
    costs = {"currency": "EUR", "labour_per_hour": 32.0, "margin_pct": 35}
    setup = [{"name": "colour match", "minutes": 150}]
    without = plan(order_of(cost=costs), recipe_of())
    matched = plan(order_of(cost=costs, setup=setup), recipe_of())
    assert matched.schedule.hours - without.schedule.hours == pytest.approx(2.5)
    assert float(matched.cost.setup) == 80
    assert float(matched.cost.total - without.cost.total) == 80
    assert float(matched.cost.price - without.cost.price) == pytest.approx(80 / 0.65, abs=0.011)


def test_sprues_are_not_left_for_the_next_day(slate):
    """Common practice, no source: they cut clean soon after demolding and badly a day later.

    256 pieces at half an hour each cannot be done in the four hours that the order gives them.
    """
    planned = plan(slate.order, slate.recipe)
    assert slate.order.operations[0].within_s < 24 * 3600
    assert planned.schedule.late == {}
    assert any("Finish cut sprues before each night." in said for said in planned.warnings)
    slow = slate.order.operations[0].model_copy(update={"seconds_per_piece": 1800.0})
    order = slate.order.model_copy(update={"operations": (slow,)})
    late = plan(order, slate.recipe)
    assert late.schedule.late["cut sprues"] > 0
    assert any("later after demolding than they should" in said for said in late.warnings)


# --- pieces and batches --------------------------------------------------------------------------


def test_more_are_started_than_division_by_the_yield_would_say(slate):
    """240 good ones at 96 %: dividing gives 250; the binomial (scipy.stats.binom) asks for 256."""
    planned = plan(slate.order, slate.recipe)
    assert planned.pieces_to_start == 256
    assert binom.sf(239, 256, 0.96) >= 0.95 > binom.sf(239, 255, 0.96)
    assert planned.chance_pct == pytest.approx(100 * binom.sf(239, 256, 0.96))
    assert binom.sf(239, 250, 0.96) < 0.7


def test_the_last_batch_takes_what_is_left(slate):
    """256 = 42 x 6 + 4, and a batch is 21.5 g a piece and 2 g that stay in the cup."""
    planned = plan(slate.order, slate.recipe)
    assert (planned.batches, planned.last_batch_pieces) == (43, 4)
    sizes = batch_sizes(planned)
    assert {size.resin_g for size in sizes[:-1]} == {131.0}
    assert sizes[-1].resin_g == 88.0 == shot_for(slate.order, slate.recipe, 4)
    assert shot_for(slate.order, slate.recipe, 0) == 0


def test_where_it_comes_out_even_the_last_batch_is_a_full_one():
    planned = plan(order_of(16), recipe_of())
    assert (planned.batches, planned.last_batch_pieces) == (2, 8)


@pytest.mark.parametrize(
    ("shot_g", "count", "places", "molds"),
    [
        (170, 2, 9, 1),
        (339, 2, 9, 1),
        (340, 2, 9, 2),
        (340, 1, 9, 1),
        (340, 2, 1, 1),
        (900, 3, 9, 3),
        (100, 3, 9, 1),
    ],
)
def test_a_cup_fills_the_molds_that_the_shot_the_hand_and_the_tank_allow(
    shot_g, count, places, molds
):
    """A mold takes 8 x 21.25 = 170 g; two take 340. A shot too small for one is not kept to."""
    order = order_of(mold={"count": count}, tank={"molds": places})
    pressed = recipe_of(shot_g=shot_g, pressure_s=600)
    assert molds_per_batch(order, pressed) == molds
    planned = plan(order, pressed)
    assert planned.split.pieces_per_batch == 8 * molds
    assert batch_sizes(planned)[0].resin_g == 170 * molds


def test_a_tank_that_nothing_goes_into_limits_nothing():
    order = order_of(mold={"count": 2}, tank={"molds": 1})
    planned = plan(order, recipe_of(shot_g=340))
    assert planned.split.molds == 2
    assert any("nothing is pressed" in warning for warning in planned.warnings)


# --- material ------------------------------------------------------------------------------------


def test_a_tinted_part_is_poured_with_its_dye():
    """150 pieces take 1593.75 g of each; 2 % of the jug is dye, so 1593.75 / 0.98 of B."""
    material = plan(order_of(), recipe_of(dye='[dye]\nin = "B"\nfraction = 0.02')).material
    assert material.part_g == pytest.approx({"A": 1593.75, "B": 1626.2755}, abs=1e-3)
    assert material.dye_g == pytest.approx(32.5255, abs=1e-3)
    assert material.neat_g == pytest.approx({"A": 1593.75, "B": 1593.75})


def test_what_the_jug_s_ledger_says_goes_before_the_recipe():
    recipe = recipe_of(dye='[dye]\nin = "B"\nfraction = 0.02')
    assert plan(order_of(), recipe, tint={"B": 0.0}).material.dye_g == 0
    assert plan(order_of(), recipe, tint={"B": 0.0}).tinted is None


def test_dye_in_the_cup_is_counted_by_itself():
    """1 % of 3187.5 g of resin."""
    material = plan(order_of(), recipe_of(dye='[dye]\nin = "cup"\nfraction = 0.01')).material
    assert material.part_g == pytest.approx({"A": 1593.75, "B": 1593.75})
    assert material.dye_g == pytest.approx(31.875)


def test_the_hold_back_is_in_every_batch_and_the_allowance_on_top():
    """19 batches leave 2 g each in the cup: 38 g, half of it B; then 10 % more of all."""
    plain = plan(order_of(), recipe_of(hold_back_g=2.0, shot_g=172)).material
    assert plain.part_g["B"] == pytest.approx(1593.75 + 19)
    wasteful = order_of(allow={"waste_pct": 10})
    more = plan(wasteful, recipe_of(hold_back_g=2.0, shot_g=172)).material
    assert more.part_g["B"] == pytest.approx(1.1 * (1593.75 + 19))


def test_a_cup_for_each_part_makes_twice_as_many_cups():
    apart = parse_recipe(EVEN + "[cup]\none_per_part = true\nclings_g = 1.0\n")
    material = plan(order_of(), apart).material
    assert material.cups == 38
    assert material.part_g == pytest.approx({"A": 1593.75 + 19, "B": 1593.75})


# --- the day -------------------------------------------------------------------------------------

TIMED = {"dispense": 60, "stir": 30, "fill": 30, "demold": 60}


def test_a_tiny_order_can_be_worked_by_hand():
    """Contact at 0.6 of the minute's dispensing; cured 36 + 300 s after the start; 396 s a batch.

    Two batches are 792 s, then the last eight pieces of 10 s: 872 s after the 6 min of set-up.
    """
    order = order_of(
        16,
        seconds=TIMED,
        operation=[{"name": "cut", "seconds_per_piece": 10}],
        setup=[{"name": "lay out", "minutes": 6}],
    )
    day = plan(order, recipe_of(EVEN.replace("1800", "300"))).schedule
    assert 3600 * (day.hours - day.setup_hours) == pytest.approx(872)
    assert day.hours == pytest.approx((872 + 360) / 3600)
    assert day.batches_per_hour == pytest.approx(2 * 3600 / 872)
    assert day.limited_by == MOLDS
    assert day.cycle_s == pytest.approx({PERSON: 260, MOLDS: 396})
    assert day.busy == pytest.approx({PERSON: 520 / 872, MOLDS: 792 / 872})


def test_one_more_mold_brings_most_where_the_molds_limit_the_rate():
    day = plan(order_of(seconds=TIMED), recipe_of()).schedule
    assert day.limited_by == MOLDS
    more = day.what_if[ONE_MORE_MOLD]
    assert more.saved_hours == pytest.approx(day.hours - more.hours)
    assert more.hours == pytest.approx(day.hours / 2, rel=0.06)
    assert day.what_if[SECOND_PERSON].saved_hours == pytest.approx(0)


def test_a_second_person_brings_most_where_the_person_limits_the_rate():
    order = order_of(
        seconds=TIMED | {"demold": 600}, mold={"count": 6}, allow={"confidence_pct": 95}
    )
    day = plan(order, recipe_of(EVEN.replace("1800", "60"))).schedule
    assert day.limited_by == PERSON
    second = day.what_if[SECOND_PERSON]
    assert second.hours == pytest.approx(day.hours / 2, rel=0.06)
    assert second.person_hours == pytest.approx(2 * second.hours)
    assert day.what_if[ONE_MORE_MOLD].saved_hours == pytest.approx(0, abs=0.01)


def test_a_place_or_a_tank_brings_most_where_the_tank_limits_the_rate():
    """Pressed 1000 s, with time enough for a second batch before the first must be pressed."""
    order = order_of(seconds=TIMED | {"tank": 10, "vent": 30}, mold={"count": 6}, tank={"molds": 1})
    pressed = recipe_of(EVEN.replace("= 300", "= 600"), pressure_s=1000)
    day = plan(order, pressed).schedule
    assert (day.limited_by, day.batches_per_cycle) == (TANK, 1)
    assert day.cycle_s[TANK] == pytest.approx(1000 + 30 + 10)
    place, tank = day.what_if[ONE_MORE_TANK_PLACE], day.what_if[SECOND_TANK]
    assert place.hours < 0.65 * day.hours
    assert tank.hours < 0.65 * day.hours
    assert day.what_if[ONE_MORE_MOLD].saved_hours == pytest.approx(0)


def test_two_molds_to_a_cup_are_weighed_up_where_cup_and_clocks_allow_it():
    """The recipe's shot fills one mold; 340 g fit the cup, and filling both takes 60 s."""
    order = order_of(seconds=TIMED, mold={"count": 2}, tank={"molds": 2})
    pressed = recipe_of(EVEN + "pressure_s = 1000\n[cup]\ncapacity_g = 340\n")
    day = plan(order, pressed).schedule
    assert day.what_if[ONE_MORE_MOLD_A_CUP].saved_hours > 0
    for text in ("capacity_g = 339\n", ""):
        small = recipe_of(EVEN + f"pressure_s = 1000\n[cup]\n{text}")
        assert ONE_MORE_MOLD_A_CUP not in plan(order, small).schedule.what_if
    hasty = recipe_of(EVEN + "working_s = 110\npressure_s = 1000\n[cup]\ncapacity_g = 340\n")
    assert ONE_MORE_MOLD_A_CUP not in plan(order, hasty).schedule.what_if


def test_the_order_s_own_seconds_go_before_the_shop_s_and_these_before_assumed_ones():
    order = order_of(seconds={"dispense": 60}, operation=[{"name": "cut"}, {"name": "drill"}])
    paced = pace_of(order, recipe_of(), {"dispense": 99, "fill": 70, "cut": 4})
    assert (paced.pace.dispense_s, paced.pace.fill_s) == (60, 70)
    assert [work.seconds_per_piece for work in paced.pace.operations] == [4, 15]
    assert paced.measured == {"fill": 70, "cut": 4}
    assert paced.assumed == {"demold": 120, "drill": 15}
    assert paced.pace.stir_s == 30  # the recipe's


def test_the_reaction_starts_when_the_second_part_runs():
    """A fifth of the dispensing before the first part; half of the rest for the first of two."""
    assert contact_share(recipe_of()) == pytest.approx(0.6)
    apart = parse_recipe(EVEN + "[cup]\none_per_part = true\n")
    assert contact_share(apart) == 1


def test_a_day_too_long_and_pieces_too_late_are_told():
    order = order_of(
        seconds=TIMED, operation=[{"name": "cut", "seconds_per_piece": 60, "within_s": 240}]
    )
    warnings = plan(order, recipe_of()).warnings
    assert any("come to cut later" in warning for warning in warnings)
    assert any("hours are more than a day of 8. Finish cut" in warning for warning in warnings)


def test_clocks_that_cannot_be_kept_are_told():
    """36 s before contact of 300 s in all: poured 264 s after it, and pour-by is 0.8 x 300 s."""
    order = order_of(seconds=TIMED | {"fill": 210, "tank": 20}, tank={"molds": 1})
    warnings = plan(order, recipe_of(pressure_s=600, press_by_s=270)).warnings
    assert any("full about 264 s after the parts meet" in warning for warning in warnings)
    assert any("under pressure about 284 s after" in warning for warning in warnings)


# --- shelf, molds and what is not known ----------------------------------------------------------


def test_the_jug_with_the_nearest_date_is_drawn_on_first_and_one_past_it_not_at_all():
    """1593.75 g of B: 500 from the old one, the rest from the fresh one; the spoiled stays."""
    jugs = [
        {"name": "fresh", "part": "B", "grams": 1500},
        {"name": "old", "part": "B", "grams": 500, "opened": "2026-06-01", "keeps_days": 180},
        {"name": "spoiled", "part": "B", "grams": 900, "opened": "2026-05-01", "keeps_days": 180},
        {"name": "A1", "part": "A", "grams": 1000},
    ]
    planned = plan(order_of(jug=jugs), recipe_of(), today=TODAY)
    draws = {jug.name: jug.draw_g for jug in planned.shelf.jugs}
    assert draws == {"A1": 1000, "spoiled": 0, "old": 500, "fresh": 1093.75}
    shelf_b = planned.shelf.parts["B"]
    assert (shelf_b.have_g, shelf_b.short_g, shelf_b.jugs) == (2000, 0, 2)
    assert (shelf_b.left_g, shelf_b.spoiled_g) == (406.25, 900)
    assert planned.shelf.parts["A"].short_g == 593.75
    assert planned.warnings[:2] == (
        "A is short by 594 g: the order needs 1594 g and the jugs that may be used hold 1000 g.",
        "Jug spoiled (B, 900 g) is past its date, 2026-10-28, and is not counted.",
    )


def test_a_jug_may_be_used_on_its_last_day():
    jugs = [{"name": "B1", "part": "B", "grams": 2000, "opened": TODAY, "keeps_days": 1}]
    order, recipe = order_of(jug=jugs), recipe_of()
    for days, have_g in ((0, 2000), (1, 2000), (2, 0)):
        day = TODAY + datetime.timedelta(days=days)
        assert plan(order, recipe, today=day).shelf.parts["B"].have_g == have_g


def test_without_a_day_no_date_is_looked_at_and_that_is_told():
    jugs = [{"name": "B1", "part": "B", "grams": 2000, "opened": "2000-01-01", "keeps_days": 1}]
    planned = plan(order_of(jug=jugs), recipe_of())
    assert planned.shelf.parts["B"].have_g == 2000
    assert "The jugs' dates were not looked at, since no day was given." in planned.warnings
    assert "No jug of A is listed; the order needs 1594 g of it." in planned.warnings


def test_molds_that_do_not_last_are_told():
    """19 castings from two molds: ten from one of them."""
    lasting = plan(order_of(mold={"count": 2, "pulls_left": 10}), recipe_of())
    assert not any("castings" in warning for warning in lasting.warnings)
    worn = plan(order_of(mold={"count": 2, "pulls_left": 9}), recipe_of())
    assert any("has to give 10 castings and is good for 9" in said for said in worn.warnings)


@pytest.mark.parametrize(
    ("order", "recipe", "said"),
    [
        (order_of(), recipe_of(pressure_s=600), "the order has no [tank]"),
        (order_of(mold={"release_every": 5}), recipe_of(), "release agent is not known"),
        (order_of(), recipe_of(EVEN.replace("demold_s = 1800\n", "")), "gives no demold_s"),
        (order_of(), recipe_of(shot_g=100), "the batches follow the order"),
        (order_of(cost={"currency": "EUR"}), recipe_of(), "has no price for A"),
        (order_of(), recipe_of(), "lists no [[jug]]"),
    ],
)
def test_what_is_missing_is_told(order, recipe, said):
    assert any(said in warning for warning in plan(order, recipe).warnings)


def test_the_same_order_gives_the_same_plan_on_every_day_without_dates():
    order, recipe = order_of(seconds=TIMED), recipe_of()
    assert plan(order, recipe) == plan(order, recipe, today=TODAY)


def test_a_sample_order_needs_nothing_that_its_shelf_lacks(slate):
    planned = plan(slate.order, load_recipe(slate.recipe_path), today=TODAY)
    assert all(part.short_g == 0 for part in planned.shelf.parts.values())
    assert planned.schedule.late == {}
    assert planned.schedule.pressed_late == 0
