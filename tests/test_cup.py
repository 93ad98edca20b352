"""The cup: put down, tared, lifted, swapped, re-zeroed, and what the person is asked about it."""

from __future__ import annotations

import pytest

from daemon.inputs import Port
from tests.kit_core import CUP_G, PORT, AtTheBench, recipe, with_cup


def poured_20() -> AtTheBench:
    """20 g of A in the cup, at rest."""
    there = with_cup()
    there.stream(20)
    there.rest(2)
    there.told()
    there.sounds()
    return there


def finish_a(there: AtTheBench) -> float:
    """Pour A from 20 g to 50 g; what it was told to have landed with."""
    there.stream(25)
    there.stream(5, 8.0)
    there.rest(3)
    assert there.view.part == "B"
    return round(there.all("part.landed")[0]["actual_g"], 1)


# --- put down and tared --------------------------------------------------------------------------


def test_a_cup_that_is_on_its_way_down_in_the_first_reading_is_no_bare_pan() -> None:
    there = AtTheBench()
    there.put(4.5, rest_s=0.1)
    assert 1.0 < there.view.weight_g < 2.0, "the display is on its way"
    there.rest()
    assert there.last("cup.tared")["cup_g"] == pytest.approx(4.5, abs=0.05)


def test_a_cup_is_tared_by_itself_once_it_rests() -> None:
    there = AtTheBench()
    there.rest()
    there.put(CUP_G, rest_s=0.3)
    assert there.told() == []
    there.rest(2)
    assert there.told() == ["cup.tared", "part.started"]
    assert there.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.05)
    assert there.sounds() == ["tared"]


def test_a_cup_that_stands_on_the_pan_at_the_start_is_tared() -> None:
    there = AtTheBench()
    there.put(CUP_G, 3)
    assert there.told() == ["cup.tared", "part.started"]


def test_what_is_found_on_the_pan_and_too_heavy_for_a_cup_is_asked_about() -> None:
    """Nobody knows what is in it. It may be confirmed, or simply lifted and put back."""
    for by_hand in (True, False):
        there = AtTheBench()
        there.put(80.0, 3)
        assert (there.told(), there.view.needs) == ([], "confirm")
        assert there.prompt == (
            "80.0 g is on the pan. An empty cup? Confirm, or lift it and put it back."
        )
        if by_hand:
            there.lift()
            assert there.prompt == "Batch 1: put an empty cup on the scale and let go."
            there.put(CUP_G)
        else:
            assert there.do("confirm").ok
        assert there.told() == ["cup.tared", "part.started"]
        there.pour(50)
        assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def test_a_pan_that_was_bare_but_never_quite_at_rest_is_bare_all_the_same() -> None:
    there = AtTheBench()
    for flicker in (0.1, -0.2, 0.3, -0.1, 0.2, -0.3, 0.1, -0.2):
        there.zero_g = flicker
        there.reading()
    assert not there.view.stable
    there.zero_g = 0.0
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]


def test_a_container_may_stand_on_the_pan_from_the_start() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.put(500.0)
    assert there.told() == ["cup.tared", "part.started"]


def test_the_mixed_cup_of_the_batch_before_has_to_leave_before_another_is_tared() -> None:
    there = with_cup(batches=2)
    there.pour(50)
    there.stream(20)
    there.do("abandon")
    there.rest(3)
    assert there.prompt == "Take what is on the pan off; then put an empty cup on it."
    there.lift()
    there.told()
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]


def test_a_scale_that_was_zeroed_with_the_cup_on_it_is_understood_once_the_cup_is_lifted() -> None:
    there = AtTheBench()
    there.load_g = there.zero_g = CUP_G
    there.rest()
    assert there.step == "cup"
    answer = there.do("tare")
    assert (answer.ok, answer.error) == (
        False,
        "The scale shows no cup. Put it on; if the scale was zeroed under it, lift it and put it "
        "back.",
    )
    there.lift()
    there.put(CUP_G)
    assert there.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.05)
    there.pour(50)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def below_nought() -> AtTheBench:
    """A bare pan that reads -8.0 g: the scale was zeroed with a cup on it."""
    there = AtTheBench()
    there.load_g = there.zero_g = CUP_G
    there.rest()
    there.lift(3)
    return there


def test_a_pan_below_nought_that_is_zeroed_is_no_cup() -> None:
    there = below_nought()
    there.zero_g = 0.0
    there.rest()
    assert there.told() == []
    assert there.prompt == (
        "The scale was zeroed. Is an empty cup on it? Confirm. If not, put one on it."
    )
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]
    assert there.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.1)


def test_the_same_cup_back_on_a_pan_below_nought_is_a_cup() -> None:
    there = below_nought()
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]


def test_a_pan_that_was_zeroed_while_the_old_cup_was_to_leave_it_is_bare() -> None:
    there = with_cup()
    there.pour(50)
    there.zero_g = 40.0  # zeroed with a heavy thing on it, meanwhile
    there.do("abandon")
    there.lift(3)
    there.do("abandon")
    there.zero_g = 0.0
    there.rest(3)
    there.put(CUP_G)
    assert there.view.part == "A"


def test_a_drifting_zero_between_cups_is_no_cup() -> None:
    there = AtTheBench()
    for drift in (0.0, 0.3, 0.6, 0.9, 1.2):
        there.zero_g = -drift
        there.rest()
    assert there.told() == []
    there.put(CUP_G)
    assert there.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.06)


def test_what_comes_on_slowly_may_be_resin_and_is_asked_about() -> None:
    there = AtTheBench()
    there.rest()
    there.load_g = there.zero_g = CUP_G  # tared by hand at the scale, out of habit
    there.rest()
    there.stream(25, 5.0)
    there.rest(2)
    assert (there.told(), there.sounds(), there.view.needs) == ([], ["ask"], "confirm")
    assert there.prompt == (
        "25.0 g came on slowly. An empty cup? Confirm. Resin in it? Empty the pan and begin again."
    )
    there.lift()
    assert (there.step, there.view.needs) == ("cup", None)
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]


def test_a_cup_that_came_on_slowly_is_tared_when_the_person_says_that_it_is_empty() -> None:
    there = AtTheBench()
    there.rest()
    there.stream(CUP_G, 1.0)
    there.rest(2)
    assert there.view.needs == "confirm"
    assert there.do("confirm").ok
    assert there.told() == ["cup.tared", "part.started"]


def test_a_cup_that_was_set_down_over_a_second_is_not_asked_about() -> None:
    there = AtTheBench()
    there.rest()
    there.stream(CUP_G, 8.0)
    there.rest(2)
    assert there.told() == ["cup.tared", "part.started"]


def test_a_cup_much_heavier_than_the_last_one_may_hold_something_and_is_asked_about() -> None:
    there = AtTheBench(batches=2)
    there.rest()
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    there.lift()
    there.put(CUP_G + 30)
    assert there.view.needs == "confirm"
    assert there.prompt == (
        "38.0 g is heavy for an empty cup. If it is empty, confirm; if not, take another."
    )
    there.lift()
    there.put(CUP_G + 1.5)
    assert there.view.part == "A"


def test_a_larger_cup_once_confirmed_is_the_usual_one() -> None:
    there = AtTheBench(batches=2)
    for asked in (True, False):
        there.rest()
        there.put(CUP_G if asked else 30.0)
        if asked:
            there.lift()
            there.put(30.0)
            assert there.do("confirm").ok
        assert there.view.part == "A"
        there.pour(50)
        there.pour(50)
        there.lift()
    assert there.view.run.batches_done == 2


def test_tare_is_allowed_before_the_first_drop_and_refused_after_it() -> None:
    there = with_cup()
    there.told()
    assert there.do("tare").ok
    assert there.told() == ["cup.tared", "part.started"]
    there.stream(10)
    there.rest()
    answer = there.do("tare")
    assert (answer.ok, answer.error) == (
        False,
        "There is resin in the cup; a tare now would lose what it weighs.",
    )
    there.stream(35)
    there.stream(5, 8.0)
    there.rest(3)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def test_tare_waits_for_hands_off() -> None:
    there = AtTheBench()
    there.rest()
    there.stream(5, 10.0)
    assert there.do("tare").error == "The reading still moves. Hands off the cup, then tare again."


def test_tare_without_a_reading_is_refused() -> None:
    there = AtTheBench()
    there.rest()
    there.take(Port(there.now_us, "lost", PORT, "unplugged"))
    assert there.do("tare").error == (
        "The scale says nothing now. Wait until it reads again, then tare."
    )


# --- lifted before the first drop ----------------------------------------------------------------


def test_an_empty_cup_that_is_lifted_may_come_back_as_another_one() -> None:
    there = with_cup()
    there.told()
    there.lift()
    assert (there.step, there.prompt) == (
        "cup",
        "Batch 1: put an empty cup on the scale and let go.",
    )
    there.put(CUP_G + 1.3)
    assert there.told() == ["cup.tared", "part.started"]
    assert there.last("cup.tared")["cup_g"] == pytest.approx(9.3, abs=0.05)


def test_a_cup_that_was_poured_into_off_the_scale_is_noticed_by_its_weight() -> None:
    there = with_cup()
    there.lift()
    there.put(CUP_G + 25)
    assert (there.view.needs, there.prompt[:27]) == ("confirm", "33.0 g is heavy for an empt")


# --- lifted in the middle of a part --------------------------------------------------------------


def test_a_cup_lifted_and_put_back_goes_on_where_it_was() -> None:
    there = poured_20()
    lifted = there.lift(4)
    assert (there.step, there.told()) == ("away", [])
    assert there.prompt == (
        "The cup is off the scale: put the same cup back. Zeroed under it? Lift it, put it back."
    )
    assert round(there.view.actual_g, 1) == 20.0
    there.put(lifted)
    assert (there.step, there.sounds(), round(there.view.actual_g, 1)) == ("pour", [], 20.0)
    assert finish_a(there) == 50.0


def test_where_on_the_pan_the_cup_stands_is_no_resin() -> None:
    """It comes back 0.4 g heavier: corner load, within what a cup may shift by."""
    there = poured_20()
    lifted = there.lift()
    there.put(lifted + 0.4)
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)
    there.stream(25)
    there.stream(5, 8.0)
    there.rest(3)
    assert round(there.all("part.landed")[0]["actual_g"], 1) == 50.0


def test_a_cup_lifted_out_of_the_stream_is_not_cued_when_it_comes_back() -> None:
    """The stop that was on its way is called off: it would be heard twenty seconds late."""
    there = with_cup(recipe=recipe(stops={"tolerance_g": 0.5}))
    there.stream(30)
    there.stream(6, 3.0)
    lifted = there.lift(20)
    there.told()
    there.put(lifted, 4)
    assert (there.told(), there.step) == ([], "pour")


@pytest.mark.parametrize(
    ("change_g", "says", "then_g"),
    [
        (
            +5.0,
            "The cup is 5.0 g heavier than before. A poured meanwhile? Confirm. If not, put the "
            "right cup back.",
            25.0,
        ),
        (
            -5.0,
            "The cup is 5.0 g lighter than before. Spilled? Confirm. If not, put the right cup "
            "back.",
            15.0,
        ),
    ],
)
def test_a_cup_that_comes_back_otherwise_is_asked_about(
    change_g: float, says: str, then_g: float
) -> None:
    there = poured_20()
    lifted = there.lift()
    there.put(lifted + change_g)
    assert (there.step, there.view.needs, there.sounds()) == ("decide", "confirm", ["ask"])
    assert there.prompt == says
    assert round(there.view.actual_g, 1) == 20.0
    assert there.do("confirm").ok
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", then_g)
    there.stream(50 - then_g - 5)
    there.stream(5, 8.0)
    there.rest(3)
    assert round(there.all("part.landed")[0]["actual_g"], 1) == 50.0


def test_the_right_cup_answers_the_question_by_itself() -> None:
    there = poured_20()
    lifted = there.lift()
    there.put(lifted + 9)
    assert there.view.needs == "confirm"
    there.lift()
    assert there.step == "away"
    there.put(lifted)
    assert (there.step, there.view.needs) == ("pour", None)
    assert finish_a(there) == 50.0


def test_another_empty_cup_may_begin_the_first_part_again() -> None:
    there = poured_20()
    there.lift()
    there.put(CUP_G + 0.7)
    assert there.prompt == (
        "Another cup? Confirm to begin A again in it, or put the one with 20.0 g of A back."
    )
    assert there.do("next").ok
    assert there.told() == ["cup.tared", "part.started"]
    there.pour(50)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def test_an_empty_cup_instead_of_one_with_a_landed_part_stays_off() -> None:
    there = with_cup()
    there.pour(50)
    lifted = there.lift()
    there.put(CUP_G, 4)
    assert (there.step, there.view.needs) == ("away", None)
    there.lift()
    there.put(lifted)
    assert (there.step, there.view.part) == ("pour", "B")


def test_a_spill_once_two_parts_are_in_the_cup_is_nobodys_own() -> None:
    """What was spilled is unknown mix: the part being poured counts on from where it was."""
    there = with_cup()
    there.pour(50)
    there.stream(20)
    there.rest(2)
    lifted = there.lift()
    there.put(lifted - 6)
    assert there.do("confirm").ok
    assert round(there.view.actual_g, 1) == 20.0


# --- the scale zeroed under the cup, in the middle -----------------------------------------------


def test_a_scale_zeroed_under_a_poured_cup_is_put_right_by_lifting_the_cup() -> None:
    there = poured_20()
    there.zero_g = there.load_g
    there.rest()
    assert there.step == "away"
    lifted = there.lift()
    there.put(lifted)
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)
    assert finish_a(there) == 50.0


# --- the scale lost ------------------------------------------------------------------------------


def unplugged(there: AtTheBench, seconds: float = 4.0) -> None:
    there.take(Port(there.now_us, "lost", PORT, "the cable is out"))
    there.silence(seconds)


def plugged_in(there: AtTheBench) -> None:
    there.take(Port(there.now_us, "found", PORT))


def test_a_scale_lost_in_a_pour_is_said_and_taken_up_again_with_the_same_weight() -> None:
    there = poured_20()
    unplugged(there)
    assert (there.told(), there.sounds(), there.step) == (["scale.lost"], ["trouble"], "away")
    assert there.prompt == (
        "Stop pouring. No reading: the cable is out. Check cable and power. "
        "What is poured is remembered."
    )
    assert there.view.weight_g is None
    plugged_in(there)
    assert there.told() == ["scale.found"]
    assert there.prompt == "Waiting for the scale: is it switched on? Touch nothing on it."
    there.rest(0.3)
    assert there.prompt == "Checking what is on the scale: hands off."
    there.rest()
    assert (there.step, there.view.needs, round(there.view.actual_g, 1)) == ("pour", None, 20.0)
    assert finish_a(there) == 50.0


def test_a_reason_that_asks_is_ended_by_its_own_mark() -> None:
    there = poured_20()
    there.take(Port(there.now_us, "lost", PORT, "the port is not there: is the cable in?"))
    assert there.prompt == (
        "Stop pouring. No reading: the port is not there: is the cable in? Check cable and power. "
        "What is poured is remembered."
    )


def test_what_ran_on_while_the_scale_was_being_lost_is_on_it_and_counts() -> None:
    there = with_cup()
    there.stream(20)
    unplugged(there)
    there.load_g += 6
    plugged_in(there)
    there.rest()
    assert (there.step, there.view.needs, round(there.view.actual_g, 1)) == ("pour", None, 26.0)


def test_a_weight_that_changed_while_the_scale_was_lost_is_asked_about() -> None:
    there = poured_20()
    unplugged(there)
    there.load_g += 6
    plugged_in(there)
    there.rest()
    assert there.view.needs == "confirm"
    assert there.prompt.startswith("The cup is 6.0 g heavier than before.")
    assert there.do("confirm").ok
    assert round(there.view.actual_g, 1) == 26.0


def test_a_little_more_in_the_same_cup_after_a_loss_is_never_taken_for_another_cup() -> None:
    """Its confirmation would begin the part again, and so pour it twice."""
    there = with_cup()
    there.stream(5)
    there.rest(2)
    unplugged(there)
    there.load_g += 1.5
    plugged_in(there)
    there.rest()
    assert there.prompt.startswith("The cup is 1.5 g heavier than before. A poured meanwhile?")
    assert there.do("confirm").ok
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 6.5)


def test_a_scale_that_comes_back_at_nought_is_asked_about() -> None:
    there = poured_20()
    unplugged(there)
    there.zero_g = there.load_g
    plugged_in(there)
    there.rest()
    assert there.prompt == (
        "The scale came back at zero. The same cup still on it? Confirm. If not, put it back."
    )
    assert there.do("confirm").ok
    assert round(there.view.actual_g, 1) == 20.0
    assert finish_a(there) == 50.0


def test_a_scale_that_comes_back_at_nought_may_also_be_told_by_lifting_the_cup() -> None:
    there = poured_20()
    unplugged(there)
    there.zero_g = there.load_g
    plugged_in(there)
    there.rest()
    lifted = there.lift()
    there.put(lifted)
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)


def test_a_cup_taken_away_while_the_scale_was_lost_only_has_to_come_back() -> None:
    there = poured_20()
    unplugged(there)
    lifted, there.load_g = there.load_g, 0.0
    plugged_in(there)
    there.rest()
    assert there.view.needs == "confirm"
    there.put(lifted)
    assert (there.step, there.view.needs) == ("pour", None)


def test_a_cup_that_was_off_when_the_scale_was_lost_is_not_asked_after() -> None:
    """The bare pan at nought is what it was left with."""
    there = poured_20()
    lifted = there.lift()
    unplugged(there)
    plugged_in(there)
    there.rest()
    assert (there.step, there.view.needs) == ("away", None)
    there.put(lifted)
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)


def test_two_seconds_of_silence_are_a_lost_scale() -> None:
    there = poured_20()
    there.silence(1.9)
    assert there.told() == []
    there.silence(0.2)
    assert there.told() == ["scale.lost"]
    assert there.last("scale.lost")["why"] == "nothing heard from the scale for 2.0 s"
    there.silence(60)
    assert there.told() == []
    there.reading()
    assert there.told() == ["scale.found"]
    there.rest()
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)


def test_a_scale_that_shows_pieces_instead_of_grams_is_as_good_as_silent() -> None:
    there = poured_20()
    for _ in range(25):
        there.bytes(b"ST,GS,+   12.0pcs\r\n")
    assert there.told()[-1] == "scale.lost"
    assert there.step == "away"
    there.rest()
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)


def test_a_scale_lost_while_the_cup_is_being_doubted_asks_for_a_cup_anew() -> None:
    there = AtTheBench()
    there.rest()
    there.stream(30, 5.0)
    there.rest(2)
    assert there.view.needs == "confirm"
    unplugged(there)
    plugged_in(there)
    there.rest(3)
    assert there.told()[-1] == "scale.found"
    assert there.prompt == "Take what is on the pan off; then put an empty cup on it."
    there.lift()
    there.put(CUP_G)
    assert there.view.part == "A"


def test_an_overload_is_said_at_once_and_the_batch_goes_on_after_it() -> None:
    there = poured_20()
    for _ in range(10):
        there.bytes(b"OL,GS,+99999.9 g\r\n")
    assert (there.told(), there.sounds(), there.step) == (["scale.overload"], ["trouble"], "away")
    assert there.prompt == "Too much on the scale: take the load off now; it can ruin the scale."
    there.rest()
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)
    assert finish_a(there) == 50.0


def test_a_flood_of_garbled_lines_is_counted_told_rarely_and_never_weighed() -> None:
    there = poured_20()
    for number in range(300):
        there.hz = 100.0
        there.bytes(b"#%d?\r\n" % number)
    there.hz = 10.0
    garbled = there.all("scale.garbled")
    assert 1 <= len(garbled) <= 3
    assert there.step == "away"  # 3 s without a weight
    there.rest()
    assert (there.step, round(there.view.actual_g, 1)) == ("pour", 20.0)
    assert there.bench.link.garbled >= 100


def test_the_scale_may_be_lost_while_a_mix_is_stirred() -> None:
    there = with_cup()
    there.pour(50)
    there.pour(50)
    there.told()
    there.sounds()
    unplugged(there, 10)
    assert (there.told(), there.sounds(), there.step) == (["scale.lost"], [], "stir")
    assert there.prompt.startswith("Stir 30 s")
    plugged_in(there)
    there.rest(3)
    assert there.step == "stir"
    there.lift()
    assert there.step == "idle"


def test_by_loss_another_container_before_the_first_drop_is_tared_anew() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(500.0)
    there.lift()
    there.put(800.0)
    assert there.told() == ["cup.tared", "part.started"] * 2
    there.lift(3)
    there.put(750.0, 5)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def test_by_loss_a_container_that_is_far_too_light_is_another_one() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(500.0)
    there.lift()
    there.put(300.0)
    assert there.prompt == (
        "The container is 200.0 g lighter than before. Put the right container back, or confirm "
        "this one."
    )


def test_by_loss_a_second_container_may_go_on_where_the_first_ran_out() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(60.0)
    there.stream(-30)
    there.rest(2)
    there.lift()
    there.put(500.0, 3)
    assert there.prompt == (
        "The container is 470.0 g heavier than before. Put the right container back, or confirm "
        "this one."
    )
    assert there.do("confirm").ok
    assert round(there.view.remaining_g, 1) == 20.0
    there.stream(-14)
    there.stream(-6, 6.0)
    there.rest(3)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


def test_a_hand_that_was_taken_for_a_container_leaves_nothing_behind() -> None:
    there = AtTheBench(recipe=recipe(method="loss"), hz=5.0)
    there.put(300, 4)
    assert there.last("cup.tared")["cup_g"] == pytest.approx(300, abs=1)
    there.put(-300, 2)
    assert there.told()[-1] == "part.started"
    assert there.prompt == "Pour A: 50.0 g to go; then the container back on the scale."
    there.put(500.0, 4)
    there.stream(-40)
    there.stream(-10, 8.0)
    there.rest(4)
    assert round(there.last("part.landed")["actual_g"], 1) == 50.0


@pytest.mark.parametrize("hz", [5.0, 10.0, 50.0])
@pytest.mark.parametrize("away_s", [0.4, 0.6, 1.0])
@pytest.mark.parametrize("other_g", [5.0, 10.0, 17.0])
def test_a_cup_exchanged_within_a_moment_is_tared_for_what_it_weighs(
    hz: float, away_s: float, other_g: float
) -> None:
    there = with_cup(hz=hz)
    there.lift(away_s)
    there.put(other_g, 3)
    assert there.step == "pour"
    assert abs(there.bench.batch.base_g - other_g) <= 0.1


def test_a_doubted_cup_that_is_filled_meanwhile_is_asked_about_as_it_now_is() -> None:
    there = AtTheBench(load_g=80.0)
    there.rest(3)
    assert there.prompt.startswith("80.0 g is on the pan.")
    there.put(60.0)
    assert there.view.needs == "confirm"
    assert there.prompt.startswith("140.0 g is on the pan.")


def test_a_scale_that_is_never_understood_is_said_and_what_to_do() -> None:
    there = AtTheBench()
    for _ in range(130):
        there.bytes(b"what is this?\r\n")
    assert "scale.lost" not in there.told()
    for _ in range(30):
        there.bytes(b"what is this?\r\n")
    assert there.told() == ["scale.lost"]
    assert there.prompt.startswith("No reading: nothing that can be read comes from the scale:")
    assert "benchpour scale learn" in there.prompt
    assert there.sounds() == ["trouble"]
    there.rest(1)
    there.put(CUP_G)
    assert there.told() == ["scale.found", "cup.tared", "part.started"]
