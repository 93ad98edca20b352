"""Marks at the bench: by one action after the other, by name, refused, and what they start."""

from __future__ import annotations

from typing import Any

import pytest

from tests.kit_core import CUP_G, AtTheBench, recipe, with_cup

TIMES = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


def mixed(batches: int = 1, **times: Any) -> AtTheBench:
    """One batch mixed and lifted off the pan; it waits for its marks."""
    there = with_cup(recipe=recipe(times=TIMES | times), batches=batches)
    one_batch(there)
    there.told()
    there.sounds()
    return there


def one_batch(there: AtTheBench) -> None:
    there.pour(50)
    there.pour(50)
    there.lift()


def another_batch(there: AtTheBench) -> None:
    there.rest(1)
    there.put(CUP_G)
    one_batch(there)


def due(there: AtTheBench) -> str | None:
    return there.view.due


# --- one action ----------------------------------------------------------------------------------


def test_the_space_bar_alone_takes_a_batch_from_the_cup_to_the_finished_piece() -> None:
    there = mixed()
    done = []
    for _ in range(60):
        if due(there):
            done.append(due(there))
            assert there.do("next").ok
        else:
            there.silence(60)
        if there.told()[-1:] == ["batch.closed"]:
            break
    assert done == [
        "stirred (batch 1)",
        "cavities filled (batch 1)",
        "molds in the tank, lid clamped (batch 1)",
        "witness cup hard (batch 1)",
        "tank vented to zero (batch 1)",
        "molds out of the tank (batch 1)",
        "demolded (batch 1)",
        "sprues cut (batch 1)",
    ]
    assert there.last("batch.closed") == {"reason": "finished"}
    assert (there.clocks(), there.bench.lives, due(there)) == ({}, (), None)
    assert there.prompt == "All batches are poured."


def test_while_nothing_is_due_the_one_action_is_refused() -> None:
    there = mixed()
    for _ in range(3):
        there.do("next")
    answer = there.do("next")  # the pressure clock runs
    assert (answer.ok, answer.error) == (False, "Nothing is due now.")
    assert there.view.choices == ("start", "timer")


def test_the_one_action_never_calls_for_the_tank_early() -> None:
    there = mixed()
    for _ in range(3):
        there.do("next")
    assert there.clocks() == {"demold-1": "running", "pressure-1": "running"}
    for _ in range(59):
        there.silence(10)
        assert due(there) is None
        assert "vent" not in there.prompt
    there.silence(11)
    assert due(there) == "witness cup hard (batch 1)"
    assert there.prompt == (
        "Batch 1: to open the tank: witness cup hard, inlet closed, vent to zero, read the gauge, "
        "then open the lid."
    )
    assert there.view.caution.startswith("Opening order: witness cup hard, inlet closed")


def test_the_oldest_thing_of_all_batches_is_done_first() -> None:
    there = mixed(batches=2)
    another_batch(there)
    assert due(there) == "stirred (batch 1)"
    there.do("mark", kind="poured", batch=1)
    assert due(there) == "stirred (batch 2)"
    there.do("next")
    assert due(there) == "molds in the tank, lid clamped (batch 1)"


# --- the tank ------------------------------------------------------------------------------------


def two_in_the_tank() -> AtTheBench:
    there = mixed(batches=2)
    there.do("mark", kind="in-tank")
    there.silence(100)
    another_batch(there)
    there.told()
    assert there.do("mark", kind="in-tank").ok
    return there


def test_a_second_batch_in_the_tank_restarts_the_one_cycle() -> None:
    there = mixed(batches=2)
    there.do("mark", kind="in-tank")
    there.silence(100)
    another_batch(there)
    there.told()
    now_s = there.now_us / 1e6
    assert there.do("mark", kind="in-tank").ok
    assert there.told()[0] == "batch.marked"
    pressure = [t for t in there.view.timers if t.kind == "pressure"]
    assert [t.id for t in pressure] == ["pressure-2"]
    assert pressure[0].ends_at_s == pytest.approx(now_s + 600)


def test_marks_on_the_tank_hold_for_every_batch_in_it() -> None:
    there = two_in_the_tank()
    there.silence(700)
    there.told()
    for kind in ("witness-hard", "vented", "out-of-tank"):
        assert there.do("mark", kind=kind).ok
        marked = [e for e in there.events if e.kind == "batch.marked" and e.data["kind"] == kind]
        assert [e.batch for e in marked] == [1, 2]
    assert [t for t in there.clocks() if t.startswith("pressure")] == []


def test_a_soft_witness_cup_gives_the_shared_cycle_more_time_once() -> None:
    there = two_in_the_tank()
    there.silence(610)
    there.told()
    assert there.do("mark", kind="witness-soft").ok
    assert there.told() == ["batch.marked", "batch.marked", "timer.started"]
    pressure = next(t for t in there.view.timers if t.kind == "pressure")
    left_s = pressure.ends_at_s - there.now_us / 1e6
    assert left_s == pytest.approx(120.0)
    assert due(there) in (None, "stirred (batch 2)", "cavities filled (batch 2)")


def test_a_tank_that_was_vented_and_closed_again_has_to_be_vented_again() -> None:
    there = mixed(batches=2)
    for kind in ("in-tank", "witness-hard", "vented"):
        assert there.do("mark", kind=kind).ok
    assert due(there) == "molds out of the tank (batch 1)"
    another_batch(there)
    assert there.do("mark", kind="in-tank", batch=2).ok
    assert due(there) is None  # batch 1 stayed inside, and the tank is under pressure
    there.silence(700)
    assert due(there) == "witness cup hard (batch 1)"


def test_molds_that_are_demolded_take_the_tanks_clock_with_them() -> None:
    there = mixed()
    there.do("mark", kind="in-tank")
    assert there.do("mark", kind="demolded").ok
    assert there.clocks() == {"trim-1": "running"}


# --- by name -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("do", "error"),
    [
        ({"kind": "stirred", "batch": 7}, "Batch 7 is not under way."),
        ({"kind": "vented"}, "Batch 1 is not marked in-tank."),
        ({"kind": "combined"}, "No batch waits for its cups to be combined."),
        (
            {"kind": "shaken", "jug": "B7"},
            "No jug is on the shelf: an order's file lists them.",
        ),
        ({"kind": "buffed", "pieces": 6}, "There is no operation called buffed in this run."),
    ],
)
def test_a_mark_that_is_not_allowed_changes_nothing_and_says_why(
    do: dict[str, Any], error: str
) -> None:
    there = mixed()
    before = there.bench
    answer = there.do("mark", **do)
    assert (answer.ok, answer.error) == (False, error)
    assert there.told() == []
    assert there.bench.lives == before.lives


def test_a_mark_without_any_batch_is_refused() -> None:
    assert AtTheBench().do("mark", kind="stirred").error == "No mixed batch is under way."


def test_a_batch_that_is_still_being_poured_cannot_be_marked() -> None:
    there = with_cup()
    assert there.do("mark", kind="poured", batch=1).error == "Batch 1 is not mixed yet."


def test_a_mark_made_late_starts_its_clock_from_the_mark() -> None:
    there = mixed()
    there.silence(2000)
    now_s = there.now_us / 1e6
    assert there.do("mark", kind="demolded").ok
    trim = next(t for t in there.view.timers if t.id == "trim-1")
    assert (trim.started_at_s, trim.ends_at_s) == pytest.approx((now_s, now_s + 14400))


def test_the_trim_clock_warns_and_ends_and_the_batch_waits_for_its_sprues() -> None:
    there = mixed()
    there.do("mark", kind="demolded")
    assert there.view.caution.startswith("Green castings may hold free isocyanate")
    assert there.prompt == "Batch 1: cut the sprues while they are green."
    there.silence(13900)
    assert "timer.warned" in there.told()
    there.silence(1000)
    assert there.told()[-1:] == ["timer.ended"]
    assert due(there) == "sprues cut (batch 1)"


# --- counted, forgotten --------------------------------------------------------------------------


def test_pieces_are_counted_for_the_oldest_batch_or_the_one_that_is_named() -> None:
    there = mixed(batches=2)
    assert there.do("count", good=5, rejected=1, cause="bubble", mold=2, cavity="left").ok
    assert there.last("batch.counted") == {
        "good": 5,
        "rejected": 1,
        "cause": "bubble",
        "mold": 2,
        "cavity": "left",
    }
    another_batch(there)
    assert there.do("count", good=6, batch=2).ok
    assert [e.batch for e in there.events if e.kind == "batch.counted"] == [1, 2]
    assert (there.view.run.good, there.view.run.rejected) == (11, 1)


def test_pieces_of_a_batch_that_is_not_there_or_not_mixed_are_refused() -> None:
    there = AtTheBench()
    assert there.do("count", good=1).error == "There is no such batch to count pieces of."
    assert there.do("count", good=1, batch=9).error == "There is no such batch to count pieces of."
    there.rest()
    there.put(CUP_G)
    assert there.do("count", good=1, batch=1).error == (
        "Batch 1 is not mixed yet: there are no pieces to count."
    )


def test_a_closed_batch_may_still_be_counted() -> None:
    there = mixed(pressure_s=None, trim_until_s=None)
    there.do("mark", kind="demolded")
    assert there.last("batch.closed") == {"reason": "finished"}
    assert there.do("count", good=6, batch=1).ok


def test_a_batch_that_nobody_marks_closes_by_itself_hours_later() -> None:
    """Nobody has to touch a key to pour the next batch: what is never marked must not pile up."""
    there = mixed(batches=2)
    there.silence(8 * 3600)
    another_batch(there)
    assert [live.number for live in there.bench.lives] == [2]
    assert there.last("batch.closed") == {"reason": "no mark for 6 hours"}
    assert not [t for t in there.clocks() if t.endswith("-1")]


# --- who -----------------------------------------------------------------------------------------


def test_a_person_has_a_hand_of_their_own() -> None:
    there = with_cup()
    assert there.do("person", name="Kim").ok
    there.pour(50)
    assert there.view.person == "Kim"
    hands = [e.data["hand"] for e in there.events if e.kind == "hand.learned"]
    assert hands == ["Kim on flag-comma-signed"] * len(hands)


def test_a_hand_is_forgotten_by_name_or_refused() -> None:
    there = with_cup()
    assert there.do("forget-hand").error == "Nothing has been learned of such a hand."
    there.do("person", name="Kim")
    there.pour(50)
    assert there.do("forget-hand", name="Lee").error == "Nothing has been learned of such a hand."
    assert there.do("forget-hand", name="Kim").ok
    assert there.last("hand.forgotten") == {"hand": "Kim on flag-comma-signed"}
