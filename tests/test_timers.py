"""The clocks: warned, ended, extended, cleared; on the daemon's time, whatever the wall shows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.inputs import WallClock
from daemon.timers import (
    Timer,
    TimerKind,
    TimerState,
    advance,
    extended,
    next_due_s,
    started,
    warn_before_s,
)
from tests.kit_core import CUP_G, WALL_S, AtTheBench, recipe, with_cup

TIMES = {
    "pot_life_s": 200,
    "working_s": 150,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


def mixed(**kwargs: object) -> AtTheBench:
    there = with_cup(recipe=recipe(times=TIMES), **kwargs)
    there.pour(50)
    there.pour(50)
    there.told()
    there.sounds()
    return there


# --- one clock -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "length_s", "before_s"),
    [
        (TimerKind.POT_LIFE, 200.0, 40.0),  # a fifth of what is left
        (TimerKind.POUR_BY, 50.0, 15.0),  # never under 15 s
        (TimerKind.TRIM, 14400.0, 600.0),  # never over ten minutes
        (TimerKind.POUR_BY, 20.0, None),  # too short to be warned
        (TimerKind.DEMOLD, 900.0, 60.0),  # a wait: one minute's notice
        (TimerKind.PRESSURE, 300.0, 30.0),
        (TimerKind.DEMOLD, 50.0, None),
        (TimerKind.STIR, 300.0, None),
    ],
)
def test_a_clock_warns_early_enough_to_come(
    kind: TimerKind, length_s: float, before_s: float | None
) -> None:
    assert warn_before_s(kind, length_s) == before_s


def test_a_clock_warns_once_then_ends_once() -> None:
    timers: tuple[Timer, ...] = (started(1, TimerKind.POT_LIFE, 100.0, 200.0),)
    assert (next_due_s(timers), timers[0].id) == (260.0, "pot-life-1")
    timers, news = advance(timers, 259.9)
    assert news == ()
    timers, news = advance(timers, 260.0)
    assert [n.timer.state for n in news] == [TimerState.WARNED]
    assert next_due_s(timers) == 300.0
    timers, news = advance(timers, 400.0)
    assert [n.timer.state for n in news] == [TimerState.ENDED]
    assert (next_due_s(timers), advance(timers, 500.0)) == (None, (timers, ()))


def test_a_clock_whose_end_has_passed_unseen_says_only_that() -> None:
    timers, news = advance((started(1, TimerKind.DEMOLD, 0.0, 900.0),), 5000.0)
    assert [n.timer.state for n in news] == [TimerState.ENDED]
    assert timers[0].state is TimerState.ENDED


def test_clocks_that_ended_together_are_told_in_the_order_of_their_ends() -> None:
    running = (
        started(2, TimerKind.DEMOLD, 0.0, 90.0),
        started(1, TimerKind.POT_LIFE, 0.0, 80.0),
        started(1, TimerKind.DEMOLD, 0.0, 90.0),
    )
    _, news = advance(running, 1000.0)
    assert [n.timer.id for n in news] == ["pot-life-1", "demold-1", "demold-2"]


def test_a_clock_is_extended_from_its_end_or_from_now_once_it_has_ended() -> None:
    running = started(1, TimerKind.PRESSURE, 0.0, 600.0)
    longer = extended(running, 120.0, 300.0)
    assert (longer.ends_at_s, longer.warn_at_s, longer.started_at_s) == (720.0, 660.0, 0.0)
    over = advance((running,), 700.0)[0][0]
    again = extended(over, 120.0, 700.0)
    assert (again.ends_at_s, again.state) == (820.0, TimerState.RUNNING)


@given(
    st.lists(
        st.tuples(st.sampled_from(TimerKind), st.floats(0, 1e4), st.floats(0.001, 1e5)), max_size=6
    ),
    st.lists(st.floats(0, 2e5), max_size=12),
)
def test_a_clock_never_speaks_early_twice_or_out_of_turn(
    given_timers: list[tuple[TimerKind, float, float]], instants: list[float]
) -> None:
    timers = tuple(started(i, k, at, length) for i, (k, at, length) in enumerate(given_timers))
    told: dict[str, list[TimerState]] = {t.id: [] for t in timers}
    for at_s in sorted(instants):
        timers, news = advance(timers, at_s)
        for item in news:
            told[item.timer.id].append(item.timer.state)
            assert (item.timer.state is TimerState.ENDED) == (item.timer.ends_at_s <= at_s)
        due = next_due_s(timers)
        assert due is None or due > at_s
    for states in told.values():
        assert states in (
            [],
            [TimerState.WARNED],
            [TimerState.ENDED],
            [TimerState.WARNED, TimerState.ENDED],
        )


# --- at the bench --------------------------------------------------------------------------------


def test_contact_starts_the_resins_clocks_and_the_last_landing_that_of_stirring() -> None:
    there = mixed()
    lengths = {t.id: round(t.ends_at_s - t.started_at_s, 1) for t in there.view.timers}
    assert lengths == {
        "pour-by-1": 150.0,
        "press-by-1": 180.0,
        "pot-life-1": 200.0,
        "demold-1": 900.0,
        "stir-1": 30.0,
    }
    starts = {t.id: t.started_at_s for t in there.view.timers}
    assert len({starts[i] for i in starts if i != "stir-1"}) == 1
    assert starts["stir-1"] > starts["pot-life-1"]


def test_a_clock_is_told_heard_and_shown_when_it_warns_and_when_it_ends() -> None:
    there = mixed()
    there.silence(30)
    assert there.told() == ["scale.lost", "timer.ended"]  # the scale is off; stirring is over
    assert there.sounds() == ["clock-end"]
    assert "stir-1" not in there.clocks()
    there.silence(180)
    told = [(e.kind, e.data["timer"]) for e in there.events[-6:]]
    assert told == [
        ("timer.warned", "pour-by-1"),
        ("timer.warned", "press-by-1"),
        ("timer.ended", "pour-by-1"),
        ("timer.warned", "pot-life-1"),
        ("timer.ended", "press-by-1"),
        ("timer.ended", "pot-life-1"),
    ]
    assert there.clocks() == {
        "pour-by-1": "ended",
        "press-by-1": "ended",
        "pot-life-1": "ended",
        "demold-1": "running",
    }


def test_deadlines_between_two_readings_carry_their_own_instant() -> None:
    there = mixed()
    ends_s = next(t.ends_at_s for t in there.view.timers if t.id == "stir-1")
    there.silence(100)
    ended = next(e for e in there.events if e.kind == "timer.ended")
    assert ended.at_s == pytest.approx(ends_s, abs=2e-6)


@pytest.mark.parametrize("step_s", [3600.0, -86400.0])
def test_a_stepped_wall_clock_moves_no_running_timer(step_s: float) -> None:
    there = mixed()
    before = {t.id: (t.started_at_s, t.ends_at_s) for t in there.view.timers}
    now_s = there.now_us / 1e6
    there.take(WallClock(there.now_us, round((WALL_S + step_s) * 1e6)))
    assert {t.id: (t.started_at_s, t.ends_at_s) for t in there.view.timers} == before
    assert there.view.wall_offset_s == WALL_S + step_s
    there.silence(before["stir-1"][1] - now_s + 0.01)
    ended = there.last("timer.ended")
    assert ended["timer"] == "stir-1"
    from daemon.messages import parse_rfc3339

    told = parse_rfc3339(ended["ends_at"])
    assert told == pytest.approx(WALL_S + step_s + before["stir-1"][1], abs=0.002)


def test_a_clock_may_be_cleared_or_extended_by_its_id() -> None:
    there = mixed()
    assert there.do("timer", timer="stir-1", extend_s=30.0).ok
    assert there.told() == ["timer.started"]
    assert there.do("timer", timer="pot-life-1", clear=True).ok
    assert there.told() == ["timer.cleared"]
    assert "pot-life-1" not in there.clocks()
    ends = {t.id: t.ends_at_s - t.started_at_s for t in there.view.timers}
    assert ends["stir-1"] == pytest.approx(60.0)


def test_a_clock_that_is_not_there_is_refused_by_name_of_those_that_are() -> None:
    there = with_cup()
    assert there.do("timer", timer="stir-9", clear=True).error == (
        "There is no clock stir-9; running: none."
    )
    there = mixed()
    assert there.do("timer", timer="stir-9", extend_s=5.0).error == (
        "There is no clock stir-9; running: pour-by-1, press-by-1, pot-life-1, demold-1, stir-1."
    )


def test_several_batches_have_clocks_of_their_own() -> None:
    there = mixed(batches=2)
    there.lift()
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    assert {"pot-life-1", "pot-life-2", "demold-1", "demold-2"} <= set(there.clocks())


def test_the_ended_clocks_of_an_unmarked_batch_make_way_when_the_next_mix_reacts() -> None:
    there = mixed(batches=2)
    there.lift()
    there.silence(250)
    there.rest(1)
    assert there.clocks()["pot-life-1"] == "ended"
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    assert not {"pot-life-1", "pour-by-1", "press-by-1"} & set(there.clocks())
    assert {"pot-life-2", "demold-1"} <= set(there.clocks())


# --- the pot life --------------------------------------------------------------------------------


def pot_life_s(there: AtTheBench) -> float:
    there.pour(50)
    there.stream(5)
    return float(there.last("mix.contact")["pot_life_s"])


def test_the_pot_life_is_the_data_sheets_where_nothing_else_is_known() -> None:
    there = with_cup(recipe=recipe(times=TIMES))
    assert pot_life_s(there) == 200.0
    assert there.last("mix.contact")["basis"].startswith("200 s at 23 °C and 100 g by the data")


def test_a_warmer_room_shortens_the_pot_life_and_the_clocks_with_it() -> None:
    """The rate doubles for 10 °C at 23 °C (the program's own stated assumption): half the time."""
    there = with_cup(recipe=recipe(times=TIMES))
    assert there.do("ambient", celsius=33.0).ok
    shorter = pot_life_s(there)
    assert 90.0 < shorter < 110.0
    lengths = {t.id: t.ends_at_s - t.started_at_s for t in there.view.timers}
    assert lengths["pour-by-1"] == pytest.approx(150.0 * shorter / 200.0, abs=0.1)
    assert lengths["demold-1"] == 900.0


def test_the_resins_own_temperature_counts_before_the_rooms() -> None:
    there = with_cup(recipe=recipe(times=TIMES))
    there.do("ambient", celsius=23.0)
    there.do("ambient", celsius=33.0, of="resin")
    assert pot_life_s(there) < 110.0


def test_a_colder_room_never_shows_longer_than_the_data_sheet() -> None:
    there = with_cup(recipe=recipe(times=TIMES))
    there.do("ambient", celsius=13.0)
    assert pot_life_s(there) == 200.0


def test_a_gel_mark_feeds_the_pot_life_of_the_next_batch() -> None:
    there = with_cup(recipe=recipe(times=TIMES), batches=2)
    first = pot_life_s(there)
    there.stream(40)
    there.stream(5, 8.0)
    there.rest(2.5)
    there.lift()
    there.silence(90)
    assert there.do("mark", kind="gelled").ok
    seconds = there.last("batch.marked")["seconds"]
    assert 90 < seconds < 130
    assert not {"pot-life-1", "pour-by-1", "press-by-1"} & set(there.clocks())
    there.rest(1)
    there.put(CUP_G)
    second = pot_life_s(there)
    assert second < first
    assert "1 gel mark of this shop" in there.last("mix.contact")["basis"]


def test_a_gel_mark_made_hours_later_is_no_gel_time() -> None:
    there = mixed()
    there.lift()
    there.silence(7200)
    assert there.do("mark", kind="gelled").ok
    assert there.bench.gel_marks == ()


def test_a_mix_that_gels_in_the_cup_on_the_scale_ends_the_batch_and_is_a_gel_time() -> None:
    there = with_cup(recipe=recipe(times=TIMES))
    there.pour(50)
    there.stream(20)
    there.rest(150)
    assert there.do("mark", kind="gelled").ok
    assert there.last("batch.abandoned") == {"reason": "gelled in the cup"}
    assert len(there.bench.gel_marks) == 1
    assert there.clocks() == {}
