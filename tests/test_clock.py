"""The daemon's time line: never backwards, not moved by the wall, going on after a restart."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.clock import Clock, GoesOn, HandClock, Mark, Timeline, elapsed_us

SECOND = 1_000_000


def test_a_new_line_starts_at_nought_and_counts_with_the_clock() -> None:
    clock = HandClock(now_s=5000)
    line = Timeline(clock)
    assert (line.now_us(), line.goes_on) == (0, GoesOn.NEW)
    clock.advance(1.5)
    assert (line.now_us(), line.now_s()) == (1_500_000, 1.5)


def test_wall_time_is_the_line_plus_its_offset() -> None:
    """RFC 3339 5.8 writes the epoch's 1 767 225 600th second as 2026-01-01T00:00:00Z."""
    clock = HandClock(now_s=77, wall_s=1_767_225_600)
    line = Timeline(clock)
    clock.advance(30)
    assert line.now_us() + line.wall_offset_us() == 1_767_225_630 * SECOND


def test_a_stepped_wall_clock_moves_no_time_and_is_told_once() -> None:
    clock = HandClock()
    line = Timeline(clock)
    clock.advance(10)
    before = line.wall_offset_us()
    clock.step_wall(3600)
    assert line.now_s() == 10
    assert line.wall_offset_us() == before
    assert line.stepped() == before + 3600 * SECOND
    assert line.wall_offset_us() == before + 3600 * SECOND
    assert line.stepped() is None


def test_a_step_back_is_told_as_well() -> None:
    clock = HandClock()
    line = Timeline(clock)
    before = line.wall_offset_us()
    clock.step_wall(-0.6)
    assert line.stepped() == before - 600_000


def test_half_a_second_is_no_step_but_several_add_up_to_one() -> None:
    clock = HandClock()
    line = Timeline(clock)
    before = line.wall_offset_us()
    clock.step_wall(0.5)
    assert line.stepped() is None
    clock.step_wall(0.1)
    assert line.stepped() == before + 600_000


def test_after_a_restart_of_the_program_the_line_goes_on_by_the_machines_clock() -> None:
    clock = HandClock(now_s=100)
    line = Timeline(clock)
    clock.advance(60)
    saved = line.mark()
    clock.advance(5)
    clock.step_wall(-7200)
    again = Timeline(clock, saved)
    assert (again.now_s(), again.goes_on) == (65, GoesOn.SAME_BOOT)


def test_after_a_power_cut_it_goes_on_by_the_wall() -> None:
    clock = HandClock(now_s=100)
    line = Timeline(clock)
    clock.advance(60)
    saved = line.mark()
    clock.reboot(off_s=300)
    clock.advance(20)
    again = Timeline(clock, saved)
    assert (again.now_s(), again.goes_on) == (380, GoesOn.BY_WALL)
    assert again.now_us() + again.wall_offset_us() == clock.now_us() + clock.wall_offset_us()


def test_a_machine_that_forgot_the_time_stands_where_it_was_and_says_so() -> None:
    clock = HandClock()
    line = Timeline(clock)
    clock.advance(60)
    saved = line.mark()
    clock.reboot()
    clock.step_wall(-86_400)
    again = Timeline(clock, saved)
    assert (again.now_s(), again.goes_on) == (60, GoesOn.WALL_BEHIND)
    clock.step_wall(86_400 + 90)
    clock.advance(1)
    assert again.now_s() == 61
    assert again.stepped() is not None


def test_a_machine_that_does_not_name_its_starts_is_taken_as_restarted() -> None:
    saved = Mark(at_us=10, boot_id="", boottime_us=1000, wall_us=5000)
    assert elapsed_us(saved, "", 9000, 5400) == (400, GoesOn.BY_WALL)


def test_a_mark_is_one_instant_on_every_clock() -> None:
    clock = HandClock(now_s=2, wall_s=50)
    line = Timeline(clock, Mark(at_us=9 * SECOND, boot_id="boot-1", boottime_us=0, wall_us=0))
    assert line.mark() == Mark(11 * SECOND, "boot-1", 2 * SECOND, 50 * SECOND)


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["pass", "step", "restart", "reboot"]),
        st.integers(min_value=-10_000, max_value=10_000),
    )
)


@given(MOVES)
def test_whatever_happens_the_line_never_runs_backwards(moves: list[tuple[str, int]]) -> None:
    clock = HandClock()
    line = Timeline(clock)
    seen = line.now_us()
    for what, amount in moves:
        saved = line.mark()
        if what == "pass":
            clock.advance(abs(amount) / 10)
        elif what == "step":
            clock.step_wall(amount)
        elif what == "reboot":
            clock.reboot(abs(amount))
        if what in {"restart", "reboot"}:
            line = Timeline(clock, saved)
        line.stepped()
        assert line.now_us() >= seen
        seen = line.now_us()


def test_a_clock_moved_by_hand_is_not_moved_back() -> None:
    with pytest.raises(ValueError, match="backwards"):
        HandClock().advance(-1)


def test_the_machines_clock_agrees_with_the_kernels_own() -> None:
    """proc(5): the first figure of /proc/uptime is the seconds since the start, sleep included."""
    clock = Clock()
    low = float(Path("/proc/uptime").read_text().split()[0])
    now = clock.now_s()
    high = float(Path("/proc/uptime").read_text().split()[0])
    assert low - 0.02 <= now <= high + 0.02
    wall = clock.now_us() + clock.wall_offset_us()
    assert abs(wall - time.time_ns() // 1000) < SECOND
    assert clock.boot_id() == clock.boot_id() != ""
