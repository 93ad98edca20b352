"""The core as a whole: time in order, one answer to every command, and nothing that breaks it."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon import events as ev
from daemon.bench import Bench
from daemon.commands import COMMANDS
from daemon.effects import Answer, Record
from daemon.engine import Engine, first_us
from daemon.inputs import DaemonStart, Do, Port, Raw, WallClock
from daemon.picture import picture
from daemon.step import step
from daemon.timers import TimerKind, started
from drivers.decoder import Decoder
from drivers.scale_profile import load_profile
from tests.kit_core import (
    EVENTS,
    EVERY_COMMAND,
    IS_PHASE,
    PHASES,
    AtTheBench,
    at_phase,
    play,
    recipe,
    with_cup,
)

# --- time in order -------------------------------------------------------------------------------


def with_clock_ending_at(at_s: float) -> Engine:
    bench = Bench(timers=(started(1, TimerKind.STIR, 0.0, at_s),))
    return Engine(bench, Decoder(load_profile("flag-comma-signed")))


def kinds(outcomes: list[Any]) -> list[str]:
    return [o.kind for o in outcomes if isinstance(o, Record)]


def test_what_is_due_comes_before_what_arrives_at_the_same_instant() -> None:
    engine = with_clock_ending_at(10.0)
    _, outcomes = engine.take(Do(10_000_000, {"do": "person", "name": "Kim"}))
    assert kinds(outcomes) == ["timer.ended", "person.told"]


def test_what_is_due_later_waits() -> None:
    engine = with_clock_ending_at(10.0)
    _, outcomes = engine.take(Do(9_999_999, {"do": "person", "name": "Kim"}))
    assert kinds(outcomes) == ["person.told"]
    assert engine.due_us() == 10_000_000
    assert kinds(engine.run_to(20_000_000)) == ["timer.ended"]
    assert engine.due_us() is None


def test_an_input_never_lies_before_what_was_taken_already() -> None:
    """A reading stamped before a deadline but taken after it counts at the deadline."""
    engine = with_clock_ending_at(10.0)
    engine.run_to(10_000_000)
    item, _ = engine.take(Raw(9_999_000, b""))
    assert item.at_us == 10_000_000


def test_a_start_comes_before_what_fell_due_while_nobody_was_there() -> None:
    engine = with_clock_ending_at(10.0)
    _, outcomes = engine.take(DaemonStart(99_000_000, "0.1.0", True))
    told = [(o.kind, o.at_s) for o in outcomes if isinstance(o, Record)]
    assert told == [("daemon.resumed", 99.0), ("timer.ended", 99.0)]


@given(st.floats(0, 1e9))
def test_the_instant_of_a_deadline_is_never_before_it(at_s: float) -> None:
    us = first_us(at_s)
    assert us / 1e6 >= at_s
    assert us == 0 or (us - 1) / 1e6 < at_s


@given(st.lists(st.floats(0.001, 1e5), min_size=1, max_size=6))
def test_every_deadline_goes_away_once_it_is_taken(lengths: list[float]) -> None:
    timers = tuple(
        started(number, TimerKind.PRESS_BY, number * 0.1, length)
        for number, length in enumerate(lengths, 1)
    )
    engine = Engine(Bench(timers=timers), Decoder(load_profile("flag-comma-signed")))
    told = kinds(engine.run_to(10**12))
    assert told.count("timer.ended") == len(lengths)
    assert engine.due_us() is None


def test_the_same_inputs_in_other_pieces_lead_to_the_same_bench() -> None:
    """Bytes cut anywhere, the later piece at the same instant: nothing else is computed."""
    there = with_cup()
    there.pour(50)
    there.stream(20)
    again = Engine(Bench(), Decoder(load_profile("flag-comma-signed")))
    told = []
    for item in there.inputs:
        pieces = [item]
        if isinstance(item, Raw) and len(item.data) > 4:
            pieces = [replace(item, data=item.data[:3]), replace(item, data=item.data[3:])]
        for piece in pieces:
            told += [o for o in again.take(piece)[1] if isinstance(o, Record)]
    assert told == there.events
    assert again.bench == there.bench


# --- one answer to every command -----------------------------------------------------------------


def test_every_command_there_is_is_tried() -> None:
    assert set(COMMANDS) <= {do["do"] for do in EVERY_COMMAND}


@pytest.mark.parametrize("phase", PHASES)
def test_every_command_in_every_phase_gets_one_answer_and_a_refused_one_changes_nothing(
    phase: str,
) -> None:
    there = at_phase(phase)
    if phase in IS_PHASE:
        assert there.bench.batch.phase is IS_PHASE[phase]
    for do in EVERY_COMMAND:
        at_s = there.bench.at_s + 0.001
        after, effects = step(there.bench, ev.Commanded(at_s, do, "x"))
        answers = [e for e in effects if isinstance(e, Answer)]
        assert len(answers) == 1, do
        answer = answers[0]
        assert (answer.id, answer.ok) in (("x", True), ("x", False))
        assert effects[-1] is answer
        picture(after)
        if answer.ok:
            assert answer.error is None
            continue
        assert effects == (answer,), do
        assert after == replace(there.bench, at_s=at_s), do
        assert answer.error.endswith("."), do
        assert answer.error[:1].isupper(), do
        assert "\n" not in answer.error


@pytest.mark.parametrize("phase", PHASES)
def test_a_choice_that_is_offered_is_never_refused(phase: str) -> None:
    there = at_phase(phase)
    for choice in there.view.choices:
        if choice in ("timer", "start", "tare"):
            continue  # these want a name, or a cup on the pan
        _, effects = step(there.bench, ev.Commanded(there.bench.at_s, {"do": choice}, "x"))
        answer = effects[-1]
        assert isinstance(answer, Answer)
        assert answer.ok, (choice, answer.error)


@pytest.mark.parametrize("phase", PHASES)
def test_what_next_would_do_is_shown_exactly_where_it_would_do_something(phase: str) -> None:
    there = at_phase(phase)
    _, effects = step(there.bench, ev.Commanded(there.bench.at_s, {"do": "next"}, "x"))
    answer = effects[-1]
    assert isinstance(answer, Answer)
    assert (there.view.due is not None) == answer.ok


@pytest.mark.parametrize("phase", ["pouring", "away", "returned", "decide", "combine", "stir"])
def test_no_other_batch_is_started_while_one_is_on_the_scale(phase: str) -> None:
    there = at_phase(phase)
    answer = there.do("start")
    assert (answer.ok, answer.error) == (
        False,
        "Batch 1 is on the scale. Finish it or abandon it, then start the next.",
    )


def test_a_batch_too_large_for_its_cup_is_refused() -> None:
    there = AtTheBench(recipe=recipe(cup={"capacity_g": 120.0}, dye={"in": "cup", "fraction": 0.1}))
    assert there.do("start", batch_g=115.0).error == (
        "126 g with the dye do not fit the cup of 120 g."
    )


# --- nothing breaks it ---------------------------------------------------------------------------


def finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list):
        return all(map(finite, value))
    return not isinstance(value, float) or math.isfinite(value)


@pytest.mark.parametrize("phase", ["cup", "tared", "pouring", "decide", "two alive"])
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(script=st.lists(EVENTS, max_size=14))
def test_whatever_the_scale_and_the_person_do_the_core_goes_on_and_tells_true_numbers(
    phase: str, script: list[tuple[str, Any]]
) -> None:
    told = play(at_phase(phase).bench, script)
    for record in told:
        json.dumps(record.data, allow_nan=False)
        assert finite(record.data)


@settings(max_examples=15)
@given(st.lists(st.binary(max_size=40), max_size=30))
def test_any_bytes_from_the_port_are_survived(pieces: list[bytes]) -> None:
    there = with_cup()
    there.told()
    for piece in pieces:
        there.bytes(piece)
    there.rest(3)
    assert there.view.prompt
    assert not [e for e in there.events if e.kind in ("part.landed", "part.over")]


# --- odds and ends -------------------------------------------------------------------------------


def test_a_line_shape_brings_back_what_was_learned_of_that_scale() -> None:
    there = with_cup()
    traits = dict(there.bench.traits)["flag-comma-signed"]
    assert traits == there.bench.weighing.scale
    bench, _ = step(replace(there.bench, link=replace(there.bench.link, profile="other")),
                    ev.ProfileFound(99.0, "flag-comma-signed"))  # fmt: skip
    assert bench.weighing.scale == traits


def test_a_wall_clock_that_was_set_says_so_and_changes_nothing_else() -> None:
    there = with_cup()
    before = there.bench
    there.take(WallClock(there.now_us, 5_000_000))
    assert there.bench == replace(before, wall_offset_s=5.0, at_s=there.bench.at_s)


def test_a_port_that_is_lost_twice_is_told_once() -> None:
    there = with_cup()
    there.told()
    for _ in range(3):
        there.take(Port(there.now_us, "lost", "/dev/scale", "unplugged"))
    assert there.told() == ["scale.lost"]
