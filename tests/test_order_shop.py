"""The run through the shop: tiny ones worked by hand, and what holds for every one."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recipes.lots import Lots
from recipes.pace import Pace, Work
from recipes.schedule import MOLDS, PERSON, TANK, cycles_s, most_per_cycle
from recipes.shop import Shop, run

BENCH = Pace(dispense_s=60, stir_s=30, fill_s=30, demold_s=60, contact_s=50, cure_s=300)
"""Two minutes to pour, cured 300 s after contact, which is 350 s after the start."""

PRESSED = replace(BENCH, tank_s=10, vent_s=30, pressure_s=600, press_by_s=170)
"""Under pressure at the latest 220 s after the start of the pour: not time enough for two."""


def told(shop, *what):
    """What was done to which batch from when to when, only the steps named (all without)."""
    spans = run(shop).spans
    return [(s.what, s.batch, s.start_s, s.end_s) for s in spans if not what or s.what in what]


# --- worked by hand ------------------------------------------------------------------------------


def test_one_mold_and_two_batches():
    """0-120 pour, cured at 350, 350-410 demold; then the same again: 820 s."""
    assert told(Shop(BENCH, (4, 4), cavities=4, molds=1)) == [
        ("dispense", 1, 0, 60),
        ("stir", 1, 60, 90),
        ("fill", 1, 90, 120),
        ("demold", 1, 350, 410),
        ("dispense", 2, 410, 470),
        ("stir", 2, 470, 500),
        ("fill", 2, 500, 530),
        ("demold", 2, 760, 820),
    ]


def test_finishing_goes_into_the_gaps_and_the_next_pour_before_it():
    """Four pieces of 10 s after the second pour, 530-570; the last four at the end, 860 s."""
    pace = replace(BENCH, operations=(Work("cut", 10),))
    shop = Shop(pace, (4, 4), cavities=4, molds=1)
    assert told(shop, "cut") == [("cut", 1, 530, 570), ("cut", 2, 820, 860)]
    assert run(shop).seconds == 860


def test_a_piece_goes_through_its_operations_in_their_order():
    pace = replace(BENCH, operations=(Work("cut", 10), Work("drill", 5)))
    assert told(Shop(pace, (2,), cavities=4, molds=1), "cut", "drill") == [
        ("cut", 1, 410, 430),
        ("drill", 1, 430, 440),
    ]


def test_with_molds_enough_the_person_never_waits():
    """Three molds, cured at once: three pours of 120 s and three times 60 s to demold, 540 s."""
    pace = replace(BENCH, cure_s=0.0)
    day = run(Shop(pace, (4, 4, 4), cavities=4, molds=3))
    assert (day.seconds, day.people_busy_s) == (540, 540)


def test_two_molds_filled_from_one_cup_are_demolded_together():
    assert run(Shop(BENCH, (8, 8), cavities=4, molds=2)).seconds == 820


def test_two_batches_share_a_cycle_where_the_first_can_wait_for_the_second():
    """With press-by at 400 s the first may wait until 450: both in at 260, vented 860-890."""
    shop = Shop(replace(PRESSED, press_by_s=400), (4, 4), cavities=4, molds=2, tank_places=2)
    assert told(shop, "tank", "pressure", "vent", "demold") == [
        ("tank", 1, 120, 130),
        ("tank", 2, 250, 260),
        ("pressure", 1, 260, 860),
        ("pressure", 2, 260, 860),
        ("vent", 1, 860, 890),
        ("demold", 1, 890, 950),
        ("demold", 2, 950, 1010),
    ]
    assert most_per_cycle(shop) == 2


def test_where_it_cannot_wait_the_next_is_ready_when_the_tank_is():
    """The second is poured 610-730, vented 730-760, in at 770: 160 s after its start, of 220."""
    shop = Shop(PRESSED, (4, 4), cavities=4, molds=2, tank_places=2)
    assert told(shop, "fill", "tank", "pressure", "vent", "demold") == [
        ("fill", 1, 90, 120),
        ("tank", 1, 120, 130),
        ("pressure", 1, 130, 730),
        ("fill", 2, 700, 730),
        ("vent", 1, 730, 760),
        ("tank", 2, 760, 770),
        ("demold", 1, 770, 830),
        ("pressure", 2, 770, 1370),
        ("vent", 2, 1370, 1400),
        ("demold", 2, 1400, 1460),
    ]
    assert most_per_cycle(shop) == 1


def test_where_even_that_is_too_late_the_tank_is_vented_before_the_pour():
    """Press-by 100 s: 150 s after the start. Pour and load take 130, with the vent 160."""
    shop = Shop(replace(PRESSED, press_by_s=100), (4, 4), cavities=4, molds=2, tank_places=2)
    assert told(shop, "dispense", "pressure", "vent") == [
        ("dispense", 1, 0, 60),
        ("pressure", 1, 130, 730),
        ("vent", 1, 730, 760),
        ("dispense", 2, 760, 820),
        ("pressure", 2, 890, 1490),
        ("vent", 2, 1490, 1520),
    ]


def test_what_cannot_be_under_pressure_in_time_is_counted():
    """Press-by 70 s: 120 s after the start, and pour and load take 130."""
    shop = Shop(replace(PRESSED, press_by_s=70), (4, 4), cavities=4, molds=2, tank_places=2)
    assert run(shop).pressed_late == 2
    assert run(replace(shop, pace=PRESSED)).pressed_late == 0


def test_a_second_person_pours_beside_the_first():
    """Both at once, 0-120; loaded 120-130; 600 s; vented by 760; demolded side by side."""
    shop = Shop(PRESSED, (4, 4), cavities=4, molds=2, tank_places=2, people=2)
    assert run(shop).seconds == 130 + 600 + 30 + 60


def test_a_second_tank_takes_what_the_first_has_no_time_for():
    """The second is poured 130-250 into the other tank: in at 260, vented 860-890, out 950."""
    shop = Shop(PRESSED, (4, 4), cavities=4, molds=2, tank_places=1, tanks=2)
    assert run(shop).seconds == 950


def test_release_agent_goes_on_every_second_casting_of_a_mold():
    pace = replace(BENCH, release_s=40)
    shop = Shop(pace, (4, 4, 4, 4), cavities=4, molds=1, release_every=2)
    assert told(shop, "release") == [("release", 2, 820, 860), ("release", 4, 1680, 1720)]


def test_finishing_that_would_be_late_goes_before_the_next_pour():
    """Demolded at 410, and 40 s of cutting are to be done by 610; a pour and a demolding take 180.

    610 - 40 lies before 410 + 180, so the pour waits; with 300 s instead of 200 it does not.
    """
    cut = Work("cut", 10, within_s=200)
    shop = Shop(replace(BENCH, operations=(cut,)), (4, 4), cavities=4, molds=1)
    assert told(shop, "cut")[0] == ("cut", 1, 410, 450)
    assert run(shop).late == {}
    later = replace(shop, pace=replace(BENCH, operations=(replace(cut, within_s=300),)))
    assert told(later, "cut")[0] == ("cut", 1, 530, 570)
    assert run(later).late == {}


def test_pieces_that_come_too_late_are_counted():
    """Four pieces of 10 s and 25 s to do them in: two are late."""
    pace = replace(BENCH, operations=(Work("cut", 10, within_s=25),))
    assert run(Shop(pace, (4,), cavities=4, molds=1)).late == {"cut": 2}


def test_a_batch_without_room_is_refused():
    with pytest.raises(ValueError, match="a batch fills 2 molds"):
        run(Shop(BENCH, (8,), cavities=4, molds=1))
    with pytest.raises(ValueError, match="or than the tank takes"):
        run(Shop(PRESSED, (8,), cavities=4, molds=2, tank_places=1))


def test_no_batches_take_no_time():
    assert run(Shop(BENCH, (), cavities=4, molds=1)).seconds == 0


def test_of_several_lots_the_one_that_is_due_first_is_on_top():
    lots = Lots((Work("cut", 10, within_s=100), Work("drill", 5)))
    lots.demolded(1, 1, 50.0)
    lots.demolded(2, 1, 0.0)
    assert lots.would_be_late(90.0)
    assert not lots.would_be_late(89.0)
    cut_2, _ = lots.claim()
    assert cut_2.batch == 2
    assert not lots.done(cut_2, 10.0)
    assert lots.claim()[0].batch == 1  # to be cut, before the other is drilled


# --- what holds for every run --------------------------------------------------------------------

SECONDS = st.floats(1, 900)


@st.composite
def shops(draw):
    dispense_s = draw(SECONDS)
    pressed = draw(st.booleans())
    pace = Pace(
        dispense_s=dispense_s,
        stir_s=draw(SECONDS),
        fill_s=draw(SECONDS),
        demold_s=draw(SECONDS),
        contact_s=dispense_s * draw(st.floats(0, 1)),
        cure_s=draw(st.floats(0, 9000)),
        tank_s=draw(st.floats(0, 60)) if pressed else 0.0,
        vent_s=draw(st.floats(0, 120)) if pressed else 0.0,
        pressure_s=draw(st.floats(1, 9000)) if pressed else None,
        press_by_s=draw(st.none() | st.floats(1, 9000)) if pressed else None,
        operations=tuple(
            Work(f"op {n}", draw(st.floats(0.5, 60)), draw(st.none() | st.floats(1, 20000)))
            for n in range(draw(st.integers(0, 3)))
        ),
    )
    per_batch = draw(st.integers(1, 2))
    return Shop(
        pace=pace,
        batches=(per_batch * 3,) * draw(st.integers(1, 12)),
        cavities=3,
        molds=per_batch * draw(st.integers(1, 4)),
        tank_places=per_batch * draw(st.integers(1, 3)) if pressed else 0,
        tanks=draw(st.integers(1, 2)),
        people=draw(st.integers(1, 3)),
    )


@settings(max_examples=150)
@given(shop=shops())
def test_no_run_is_faster_than_its_slowest_resource_and_nobody_is_in_two_places(shop):
    """The analytic bound: batches x the longest of what person, molds and tank need for one."""
    day = run(shop)
    assert day.seconds >= len(shop.batches) * max(cycles_s(shop).values()) - 1e-3
    for who in range(1, shop.people + 1):
        own = [span for span in day.spans if span.by == who]
        assert all(b.start_s >= a.end_s - 1e-6 for a, b in pairwise(own))
    assert sum(span.end_s - span.start_s for span in day.spans if span.by) == pytest.approx(
        day.people_busy_s
    )
    demolded = sorted(span.batch for span in day.spans if span.what == "demold")
    assert demolded == list(range(1, len(shop.batches) + 1))


@settings(max_examples=100)
@given(shop=shops())
def test_what_can_be_under_pressure_in_time_is(shop):
    pace = shop.pace
    left_s = pace.left_to_press_s
    if left_s is not None and pace.pour_s + pace.tank_s > left_s:
        assert run(shop).pressed_late == len(shop.batches)
    else:
        assert run(shop).pressed_late == 0


@settings(max_examples=60)
@given(shop=shops())
def test_the_resin_is_cured_and_the_tank_vented_before_a_mold_is_opened(shop):
    spans = run(shop).spans
    started = {span.batch: span.start_s for span in spans if span.what == "dispense"}
    pressed = {span.batch: span.end_s for span in spans if span.what == "pressure"}
    for span in spans:
        if span.what == "demold":
            cured_s = started[span.batch] + shop.pace.contact_s + shop.pace.cure_s
            out_s = pressed[span.batch] + shop.pace.vent_s if pressed else 0.0
            assert span.start_s >= max(cured_s, out_s) - 1e-6


@pytest.mark.parametrize(
    ("pace", "molds", "places", "limit"),
    [
        (replace(BENCH, cure_s=10.0), 4, 0, PERSON),
        (replace(BENCH, cure_s=9000.0), 2, 0, MOLDS),
        (replace(PRESSED, pressure_s=9000.0), 6, 2, TANK),
    ],
)
def test_a_long_run_comes_close_to_the_bound_of_what_limits_it(pace, molds, places, limit):
    """Ninety batches: the bound times ninety, and at most one cycle for the start and the end."""
    shop = Shop(pace, (4,) * 90, cavities=4, molds=molds, tank_places=places)
    cycle_s = cycles_s(shop)
    assert max(cycle_s, key=cycle_s.get) == limit
    least_s = 90 * cycle_s[limit]
    assert least_s <= run(shop).seconds <= least_s + 2 * cycle_s[limit]
