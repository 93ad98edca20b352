"""What outlets see of the bench: the figures of the part being poured, and nothing made up."""

from __future__ import annotations

import pytest

from daemon.inputs import Port
from daemon.picture import picture
from daemon.view import Step, Zone
from tests.kit_core import CUP_G, PHASES, PORT, AtTheBench, at_phase, recipe, with_cup


def test_while_pouring_the_figures_are_those_of_the_part_alone() -> None:
    there = with_cup()
    there.pour(50)
    there.stream(20)
    there.rest(3)
    view = there.view
    assert (view.step, view.part, view.zone) == (Step.POUR, "B", Zone.DUMP)
    assert (round(view.target_g, 1), round(view.actual_g, 1)) == (50.0, 20.0)
    assert round(view.remaining_g, 1) == 30.0
    assert (round(view.stops.coarse, 1), round(view.stops.fine, 1)) == (40.0, 47.5)
    assert view.tolerance_g == 0.5
    assert round(view.weight_g, 1) == 70.0  # the whole cup on the working tare
    assert (view.stable, round(view.flow_g_per_s, 1)) == (True, 0.0)


def test_the_parts_show_what_landed_what_is_being_poured_and_what_is_to_come() -> None:
    parts = [{"name": n, "by_weight": 1, "role": "polyol"} for n in ("P", "Q", "R")]
    there = with_cup(recipe=recipe(part=parts, shot_g=90.0))
    there.pour(30.2)
    there.stream(10)
    there.rest(2)
    p, q, r = there.view.parts
    assert (p.done, round(p.actual_g, 1), round(p.error_g, 1)) == (True, 30.2, 0.2)
    assert (q.done, round(q.actual_g, 1), q.error_g) == (False, 10.0, None)
    assert (r.done, r.actual_g, round(r.target_g, 1)) == (False, None, 30.2)


def test_a_correction_shows_each_part_with_what_it_is_now_to_come_to() -> None:
    there = with_cup()
    there.pour(50)
    there.pour(53)
    a, b = there.view.parts
    assert (round(b.actual_g, 1), round(b.error_g, 1), there.view.zone) == (53.0, 3.0, Zone.OVER)
    there.do("correct")
    a, b = there.view.parts
    assert (round(a.target_g, 1), round(a.actual_g, 1), a.done) == (53.0, 50.0, False)
    assert b.done


def test_by_loss_the_figures_count_what_has_left_the_container() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(500.0)
    there.stream(-20)
    there.rest(2)
    view = there.view
    assert (view.method, round(view.actual_g, 1), round(view.remaining_g, 1)) == ("loss", 20.0, 30)
    assert round(view.weight_g, 1) == 480.0


def test_a_reading_that_grows_old_is_no_longer_shown() -> None:
    there = with_cup()
    there.stream(20)
    there.rest(2)
    assert there.view.weight_g is not None
    old = picture(there.bench, there.now_us / 1e6 + 1.9)
    assert (old.weight_g, old.actual_g, old.remaining_g, old.stable) == (None, None, None, False)
    assert (old.part, round(old.target_g, 1)) == ("A", 50.0)


def test_what_came_back_unexplained_is_not_shown_as_resin() -> None:
    there = with_cup()
    there.stream(20)
    there.rest(2)
    there.put(there.lift() + 9)
    assert (there.view.needs, round(there.view.actual_g, 1)) == ("confirm", 20.0)


@pytest.mark.parametrize("state", ["lost", "silent", "overload"])
def test_without_a_scale_the_step_is_away(state: str) -> None:
    there = with_cup()
    there.stream(20)
    if state == "lost":
        there.take(Port(there.now_us, "lost", PORT, "unplugged"))
    elif state == "silent":
        there.silence(3)
    else:
        there.bytes(b"OL,GS,+99999.9 g\r\n")
    assert (there.view.scale, there.view.step, there.view.weight_g) == (state, Step.AWAY, None)
    assert there.view.scale_note


def test_a_scale_that_is_gone_while_a_cup_is_awaited_is_away_too() -> None:
    there = AtTheBench()
    there.rest()
    there.take(Port(there.now_us, "lost", PORT, "unplugged"))
    assert there.view.step is Step.AWAY
    assert there.view.prompt == "No reading: unplugged. Check cable and power."


def test_the_scale_is_named_with_its_line_shape_and_its_garbled_lines() -> None:
    there = with_cup()
    assert there.view.scale_note == "/dev/scale, flag-comma-signed"
    there.bytes(b"?\r\n")
    assert there.view.scale_note == "/dev/scale, flag-comma-signed, 1 garbled"


def test_the_run_says_when_the_last_batch_will_be_mixed_and_says_it_steadily() -> None:
    there = with_cup(batches=4)
    assert there.view.run.eta_at_s is None
    for _ in range(2):
        there.pour(50)
        there.pour(50)
        there.lift()
        there.put(CUP_G)
    run = there.view.run
    assert (run.name, run.batches_done, run.batches_planned) == ("Test knob", 2, 4)
    eta_s = run.eta_at_s
    assert eta_s > there.now_us / 1e6
    there.stream(20)
    assert there.view.run.eta_at_s == eta_s


def test_the_last_landings_are_kept_oldest_first() -> None:
    there = with_cup(batches=8)
    for batch in range(7):
        there.pour(50)
        there.pour(50.1)
        there.lift()
        there.put(CUP_G)
        assert len(there.view.last_landings) == min(12, 2 * (batch + 1))
    assert [name for name, _ in there.view.last_landings] == ["A", "B"] * 6


def test_clocks_are_shown_the_next_to_end_first() -> None:
    there = with_cup()
    there.pour(50)
    there.pour(50)
    ends = [timer.ends_at_s for timer in there.view.timers]
    assert ends == sorted(ends)
    assert there.view.timers[0].id == "stir-1"


@pytest.mark.parametrize("phase", PHASES)
def test_there_is_always_something_to_say_and_it_can_be_published(phase: str) -> None:
    from daemon.messages import dispense_of, run_of, timers_of, to_json, weight_of

    view = at_phase(phase).view
    assert view.prompt[:1].isupper() or view.prompt[:1].isdigit()
    assert view.prompt.endswith((".", "!"))
    assert to_json(dispense_of(view))
    assert to_json(timers_of(view))
    assert to_json(run_of(view))
    weight = weight_of(view)
    assert (weight is None) == (view.weight_g is None)
