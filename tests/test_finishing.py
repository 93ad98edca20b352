"""After the cup: which mark follows which, what is due, and the tank that is never opened early."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.finishing import (
    Due,
    Live,
    Mark,
    due,
    finished,
    in_tank,
    oldest_due,
    stages,
    timers_after,
    why_not,
    with_mark,
)
from daemon.timers import Timer, TimerKind, advance, started
from tests.kit_core import recipe

FULL: dict[str, Any] = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


def live(number: int = 1, mixed_at_s: float = 100.0, **times: Any) -> Live:
    return Live(number, recipe(times=FULL | times), mixed_at_s, mixed_at_s - 20, 100.0)


def ended(timer: Timer) -> Timer:
    return advance((timer,), timer.ends_at_s)[0][0]


PLAIN = {"pressure_s": None, "demold_s": None, "trim_until_s": None, "press_by_s": None}
TANK = (Mark.IN_TANK, Mark.WITNESS_HARD, Mark.VENTED, Mark.OUT_OF_TANK)


@pytest.mark.parametrize(
    ("times", "order"),
    [
        ({}, (Mark.STIRRED, Mark.POURED, *TANK, Mark.DEMOLDED, Mark.TRIMMED)),
        ({"pressure_s": None}, (Mark.STIRRED, Mark.POURED, Mark.DEMOLDED, Mark.TRIMMED)),
        ({"trim_until_s": None}, (Mark.STIRRED, Mark.POURED, *TANK, Mark.DEMOLDED)),
        (PLAIN | {"stir_s": None}, (Mark.POURED, Mark.DEMOLDED)),
    ],
)
def test_a_recipe_goes_through_the_stages_that_its_times_name(
    times: dict[str, Any], order: tuple[Mark, ...]
) -> None:
    assert stages(live(**times).recipe) == order


def test_the_stages_are_due_one_after_the_other() -> None:
    one = live()
    seen = []
    for at_s in range(200, 1200, 100):
        item = due(one, ())
        if item is None:
            break
        seen.append(item.mark)
        one = with_mark(one, item.mark, float(at_s))
    assert tuple(seen) == stages(one.recipe)
    assert finished(one)


def test_a_later_mark_takes_the_earlier_ones_with_it() -> None:
    one = with_mark(live(), Mark.IN_TANK, 200.0)
    assert due(one, ()) == Due(Mark.WITNESS_HARD, 1, 200.0)
    assert why_not(one, Mark.POURED) == "Batch 1 is past poured."


def test_the_witness_cup_is_not_called_for_while_the_pressure_clock_runs() -> None:
    one = with_mark(live(), Mark.IN_TANK, 200.0)
    pressure = started(1, TimerKind.PRESSURE, 200.0, 600.0)
    assert due(one, (pressure,)) is None
    assert due(one, (ended(pressure),)) == Due(Mark.WITNESS_HARD, 1, 800.0)


def test_the_tank_is_vented_only_once_the_witness_cup_is_hard() -> None:
    one = with_mark(live(), Mark.IN_TANK, 200.0)
    over = (ended(started(1, TimerKind.PRESSURE, 200.0, 600.0)),)
    assert due(one, over).mark is Mark.WITNESS_HARD
    one = with_mark(one, Mark.WITNESS_HARD, 820.0)
    assert due(one, over) == Due(Mark.VENTED, 1, 820.0)


def test_a_witness_cup_that_is_still_soft_gives_the_tank_more_time() -> None:
    one = with_mark(live(), Mark.IN_TANK, 200.0)
    over = (ended(started(1, TimerKind.PRESSURE, 200.0, 600.0)),)
    timers, cleared, new = timers_after(one, Mark.WITNESS_SOFT, 830.0, over)
    assert (cleared, [t.ends_at_s for t in new]) == ((), [950.0])  # a fifth of 600 s more
    one = with_mark(one, Mark.WITNESS_SOFT, 830.0)
    assert due(one, timers) is None


def test_two_batches_in_the_tank_share_one_cycle_that_the_second_begins_anew() -> None:
    first, second = live(1), live(2)
    timers, _, new = timers_after(first, Mark.IN_TANK, 200.0, ())
    assert [t.id for t in new] == ["pressure-1"]
    timers, cleared, new = timers_after(second, Mark.IN_TANK, 500.0, timers)
    assert [t.id for t in cleared] == ["pressure-1"]
    assert [(t.id, t.ends_at_s) for t in new] == [("pressure-2", 1100.0)]
    assert [t.kind for t in timers] == [TimerKind.PRESSURE]


def test_a_cycle_is_as_long_as_the_longest_that_is_in_the_tank_wants() -> None:
    timers, _, _ = timers_after(live(1, pressure_s=1200), Mark.IN_TANK, 0.0, ())
    _, _, new = timers_after(live(2, pressure_s=600), Mark.IN_TANK, 300.0, timers)
    assert new[0].ends_at_s == 1500.0


def test_what_was_marked_of_one_cycle_does_not_count_in_the_next() -> None:
    one = live()
    for mark, at_s in ((Mark.IN_TANK, 200.0), (Mark.WITNESS_HARD, 810.0), (Mark.VENTED, 820.0)):
        one = with_mark(one, mark, at_s)
    assert due(one, ()).mark is Mark.OUT_OF_TANK
    one = with_mark(one, Mark.IN_TANK, 830.0)  # closed again with another batch
    assert in_tank(one)
    pressure = started(2, TimerKind.PRESSURE, 830.0, 600.0)
    assert due(one, (pressure,)) is None
    assert due(one, (ended(pressure),)).mark is Mark.WITNESS_HARD


def test_molds_are_not_called_out_of_a_tank_under_pressure() -> None:
    one = with_mark(with_mark(live(), Mark.IN_TANK, 200.0), Mark.VENTED, 820.0)
    assert due(one, (started(2, TimerKind.PRESSURE, 830.0, 600.0),)) is None


def test_demolding_is_due_when_its_clock_has_ended() -> None:
    one = with_mark(live(pressure_s=None), Mark.POURED, 200.0)
    demold = started(1, TimerKind.DEMOLD, 80.0, 900.0)
    assert due(one, (demold,)) is None
    assert due(one, (ended(demold),)) == Due(Mark.DEMOLDED, 1, 980.0)
    assert due(one, ()) == Due(Mark.DEMOLDED, 1, 200.0)  # cleared by the person


def test_of_several_batches_the_one_that_has_waited_longest_is_due() -> None:
    early, late = live(1, 100.0), live(2, 50.0)
    assert oldest_due((early, late), ()) == Due(Mark.STIRRED, 2, 50.0)
    late = with_mark(late, Mark.STIRRED, 160.0)
    assert oldest_due((early, late), ()) == Due(Mark.STIRRED, 1, 100.0)


@pytest.mark.parametrize(
    ("marks", "mark", "why"),
    [
        ((), Mark.VENTED, "Batch 1 is not marked in-tank."),
        ((), Mark.TRIMMED, "Batch 1 is not demolded yet."),
        ((), Mark.COMBINED, "Batch 1 is mixed already."),
        ((Mark.STIRRED,), Mark.STIRRED, "Batch 1 is already marked stirred."),
        ((Mark.IN_TANK,), Mark.IN_TANK, "Batch 1 is already marked in-tank."),
        ((Mark.IN_TANK, Mark.OUT_OF_TANK), Mark.IN_TANK, "Batch 1 is past in-tank."),
        ((Mark.DEMOLDED,), Mark.POURED, "Batch 1 is past poured."),
    ],
)
def test_a_mark_out_of_turn_is_refused_in_a_sentence(
    marks: tuple[Mark, ...], mark: Mark, why: str
) -> None:
    one = live()
    for index, made in enumerate(marks):
        one = with_mark(one, made, 200.0 + index)
    assert why_not(one, mark) == why


def test_a_recipe_without_pressure_has_no_tank() -> None:
    assert why_not(live(pressure_s=None), Mark.IN_TANK) == (
        "The recipe of batch 1 gives no pressure_s, so it has no tank step."
    )


@pytest.mark.parametrize(
    ("mark", "times", "left"),
    [
        (Mark.STIRRED, {}, {"pour-by", "press-by", "pot-life", "demold"}),
        (Mark.POURED, {}, {"press-by", "pot-life", "demold"}),
        (Mark.POURED, {"pressure_s": None}, {"demold"}),
        (Mark.IN_TANK, {}, {"demold", "pressure"}),
        (Mark.GELLED, {}, {"stir", "demold"}),
        (Mark.DEMOLDED, {}, {"trim"}),
    ],
)
def test_a_mark_clears_the_clocks_that_it_makes_pointless(
    mark: Mark, times: dict[str, Any], left: set[str]
) -> None:
    kinds = ("stir", "pour-by", "press-by", "pot-life", "demold")
    running = tuple(started(1, TimerKind(kind), 80.0, 300.0) for kind in kinds)
    others = tuple(started(2, TimerKind(kind), 80.0, 300.0) for kind in kinds)
    timers, _, _ = timers_after(live(**times), mark, 150.0, running + others)
    assert {t.kind.value for t in timers if t.batch == 1} == left
    assert [t for t in timers if t.batch == 2] == list(others)
