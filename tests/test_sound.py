"""The tempo of the ease zone, and what sounds when."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.effects import Pattern
from daemon.sound import QUICKEST_S, SLOWEST_S, SoundOutlet, interval_s, tick_of
from daemon.view import BenchView, Step, Zone

EASE = BenchView(
    at_s=0.0, wall_offset_s=0.0, scale="ok", step=Step.POUR, part="A", zone=Zone.EASE, to_stop_s=3.0
)


class Put:
    """Something put off on the hand-moved clock."""

    def __init__(self, at_s: float, what: Callable[[], None]) -> None:
        self.at_s, self.what, self.off = at_s, what, False

    def cancel(self) -> None:
        self.off = True


class Bench:
    """A clock moved by hand, a sink that remembers, and the outlet between them."""

    def __init__(self) -> None:
        self.at_s = 0.0
        self.heard: list[tuple[float, str]] = []
        self.held: list[bool] = []
        self.told: list[str] = []
        self.trouble = ""
        self.waiting: list[Put] = []
        self.outlet = SoundOutlet(self, lambda: self.at_s, self.told.append, self._put_off)

    def play(self, name: str) -> None:
        self.heard.append((round(self.at_s, 3), name))

    def hold(self, wanted: bool) -> None:
        self.held.append(wanted)

    def close(self) -> None:
        self.heard.append((round(self.at_s, 3), "closed"))

    def until(self, at_s: float) -> None:
        """Let time pass, and everything put off come when it is due."""
        while due := [put for put in self.waiting if not put.off and put.at_s <= at_s]:
            first = min(due, key=lambda put: put.at_s)
            self.waiting.remove(first)
            self.at_s = max(self.at_s, first.at_s)
            first.what()
        self.at_s = at_s

    def _put_off(self, seconds: float, what: Callable[[], None]) -> Put:
        self.waiting.append(Put(self.at_s + seconds, what))
        return self.waiting[-1]

    @property
    def ticks(self) -> list[float]:
        return [at for at, name in self.heard if name == "tick"]


def test_three_seconds_before_the_stop_ticks_are_slow_and_just_before_it_quick() -> None:
    assert interval_s(30.0) == SLOWEST_S == 0.6
    assert interval_s(3.0) == pytest.approx(0.6)
    assert interval_s(1.0) == pytest.approx(0.2)
    assert interval_s(0.4) == pytest.approx(0.08)
    assert interval_s(-1.0) == QUICKEST_S == 0.08


@given(st.floats(-5, 60), st.floats(0, 1))
def test_the_tempo_never_jumps_and_never_slows_towards_the_stop(
    left_s: float, less_s: float
) -> None:
    sooner, later = interval_s(left_s - less_s), interval_s(left_s)
    assert QUICKEST_S <= sooner <= later <= SLOWEST_S
    assert later - sooner <= 0.2 * less_s + 1e-9


def pour(flow_g_per_s: float, to_go_g: float, every_s: float = 0.1) -> list[float]:
    """Ticks heard while this much runs in at this flow, seen ten times a second."""
    bench = Bench()
    steps = round(to_go_g / flow_g_per_s / every_s)
    for step in range(steps):
        bench.until(step * every_s)
        left_s = to_go_g / flow_g_per_s - bench.at_s
        bench.outlet.show(replace(EASE, at_s=bench.at_s, to_stop_s=left_s))
    bench.until(steps * every_s)
    return bench.ticks


def test_a_fast_pour_and_a_slow_one_sound_alike_because_the_tempo_is_time_not_grams() -> None:
    assert pour(flow_g_per_s=2.0, to_go_g=6.0) == pour(flow_g_per_s=10.0, to_go_g=30.0)


def test_the_ticks_come_ever_closer_until_the_stop() -> None:
    ticks = pour(flow_g_per_s=2.0, to_go_g=6.0)
    gaps = [b - a for a, b in pairwise(ticks)]
    assert gaps[0] == pytest.approx(0.5, abs=0.1)
    assert gaps[-1] == pytest.approx(QUICKEST_S, abs=0.02)
    assert all(b <= a + 0.002 for a, b in pairwise(gaps))


def test_the_tempo_goes_on_rising_between_readings() -> None:
    bench = Bench()
    bench.outlet.show(replace(EASE, to_stop_s=1.0))
    bench.until(0.8)
    gaps = [b - a for a, b in pairwise(bench.ticks)]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[0] == pytest.approx(0.2)
    assert gaps[-1] < 0.1


def test_the_stop_silences_the_ticks_at_once_even_before_the_view_says_so() -> None:
    bench = Bench()
    bench.outlet.show(replace(EASE, to_stop_s=0.5))
    bench.until(0.3)
    bench.outlet.play(Pattern.FINE)
    bench.until(3.0)
    assert bench.heard[-1] == (0.3, "fine")


def test_ticks_come_back_for_a_top_up() -> None:
    bench = Bench()
    bench.outlet.play(Pattern.FINE)
    bench.outlet.show(replace(EASE, zone=Zone.STOP))
    bench.until(1.0)
    bench.outlet.play(Pattern.SHORT)
    bench.outlet.show(replace(EASE, at_s=1.0, zone=Zone.EASE, to_stop_s=1.0))
    bench.until(1.3)
    assert bench.heard == [(0.0, "fine"), (1.0, "short"), (1.0, "tick"), (1.2, "tick")]


@pytest.mark.parametrize(
    "silent",
    [
        replace(EASE, scale="lost"),
        replace(EASE, scale="silent"),
        replace(EASE, to_stop_s=None),
        replace(EASE, zone=Zone.STOP),
        replace(EASE, zone=Zone.OVER),
        replace(EASE, zone=Zone.LANDED),
        replace(EASE, step=Step.SETTLE),
        replace(EASE, step=Step.AWAY),
        replace(EASE, zone=Zone.DUMP, to_stop_s=8.0),
    ],
)
def test_no_tick_where_the_time_to_the_stop_is_not_known_or_not_near(silent: BenchView) -> None:
    assert tick_of(silent, 0.0) is None


def test_a_picture_that_is_too_old_falls_silent() -> None:
    bench = Bench()
    bench.outlet.show(replace(EASE, to_stop_s=30.0))
    bench.until(10.0)
    assert bench.ticks == [0.0, 0.6, 1.2]


def test_late_in_the_dump_soft_ticks_begin_and_stay_slow() -> None:
    assert tick_of(replace(EASE, zone=Zone.DUMP, to_stop_s=2.9), 0.0) == ("soft-tick", 0.58)
    assert tick_of(replace(EASE, zone=Zone.DUMP, to_stop_s=0.3), 0.0) == ("soft-tick", 0.35)


def test_the_way_to_the_card_is_held_open_while_pouring() -> None:
    bench = Bench()
    bench.outlet.show(replace(EASE, step=Step.CUP))
    bench.outlet.show(EASE)
    bench.outlet.show(replace(EASE, step=Step.SETTLE))
    bench.outlet.show(replace(EASE, step=Step.STIR))
    assert bench.held == [False, True, True, False]


def test_trouble_with_the_sound_is_told_once() -> None:
    bench = Bench()
    bench.outlet.show(EASE)
    bench.trouble = "No sound from the card."
    for trouble in ("No sound from the card.", "", "No sound from the card."):
        bench.trouble = trouble
        bench.outlet.show(EASE)
    assert bench.told == ["No sound from the card."]


def test_closing_ends_the_ticks_and_the_sink() -> None:
    bench = Bench()
    bench.outlet.show(EASE)
    bench.outlet.close()
    bench.until(5.0)
    assert bench.heard == [(0.0, "closed")]


async def test_on_a_running_loop_it_ticks_by_itself() -> None:
    bench = Bench()
    ticked = asyncio.Event()
    bench.play = lambda name: ticked.set()  # type: ignore[method-assign]
    outlet = SoundOutlet(bench, asyncio.get_running_loop().time)
    outlet.show(replace(EASE, at_s=asyncio.get_running_loop().time()))
    assert await asyncio.wait_for(ticked.wait(), 5)
    outlet.close()
