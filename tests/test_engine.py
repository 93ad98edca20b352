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
from daemon.batch import Phase
from daemon.bench import Bench
from daemon.commands import COMMANDS
from daemon.effects import Answer, Record
from daemon.engine import Engine, first_us
from daemon.inputs import DaemonStart, Do, Port, Raw, WallClock
from daemon.picture import picture
from daemon.step import deadline_s, step
from daemon.timers import TimerKind, started
from drivers.decoder import Decoder
from drivers.reading import Garbled, Reading
from drivers.scale_profile import load_profile
from tests.kit_core import CUP_G, AtTheBench, recipe, with_cup

FULL_TIMES = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


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


def at_phase(phase: str) -> AtTheBench:
    """A bench that stands in this phase."""
    if phase == "idle":
        return AtTheBench(recipe=None)
    if phase == "combine":
        there = AtTheBench(recipe=recipe(cup={"one_per_part": True}))
        there.rest()
        for _ in range(2):
            there.put(CUP_G)
            there.pour(50)
            there.lift()
        return there
    there = AtTheBench(recipe=recipe(times=FULL_TIMES), batches=2)
    there.rest()
    if phase == "cup":
        return there
    if phase == "slow cup":
        there.stream(30, 5.0)
        there.rest(1.5)
        return there
    there.put(CUP_G)
    if phase == "tared":
        return there
    there.stream(20)
    if phase == "pouring":
        return there
    there.rest(1.5)
    if phase == "away":
        there.lift()
    elif phase == "returned":
        there.put(there.lift() + 5)
    elif phase == "resting":
        there.put(300, 3)
    elif phase == "lost":
        there.silence(5)
    else:
        there.stream(25)
        there.stream(5, 8.0)
        there.rest(2.5)
        there.pour(53 if phase == "decide" else 50)
    if phase in ("two alive", "in the tank"):
        there.lift()
    if phase == "in the tank":
        there.do("mark", kind="in-tank")
    return there


PHASES = (
    "idle",
    "cup",
    "slow cup",
    "tared",
    "pouring",
    "away",
    "returned",
    "resting",
    "lost",
    "decide",
    "combine",
    "stir",
    "two alive",
    "in the tank",
)
IS_PHASE = {
    "cup": Phase.CUP,
    "slow cup": Phase.CONFIRM,
    "tared": Phase.POUR,
    "pouring": Phase.POUR,
    "away": Phase.AWAY,
    "returned": Phase.CONFIRM,
    "resting": Phase.CONFIRM,
    "lost": Phase.AWAY,
    "decide": Phase.DECIDE,
    "combine": Phase.COMBINE,
    "stir": Phase.STIR,
    "two alive": Phase.CUP,
    "in the tank": Phase.CUP,
}

MARKS = (
    *("combined", "stirred", "poured", "in-tank", "witness-hard", "witness-soft"),
    *("vented", "out-of-tank", "gelled", "demolded"),
)
EVERY_COMMAND: list[dict[str, Any]] = [
    {"do": "start"},
    {"do": "start", "batch_g": 60.0},
    {"do": "start", "pieces": 6},
    {"do": "start", "batch_g": 99999.0},
    {"do": "confirm"},
    {"do": "accept"},
    {"do": "correct"},
    {"do": "abandon"},
    {"do": "abandon", "reason": "dust"},
    {"do": "tare"},
    {"do": "timer", "timer": "pot-life-1", "clear": True},
    {"do": "timer", "timer": "stir-1", "extend_s": 30.0},
    {"do": "next"},
    *({"do": "mark", "kind": kind} for kind in MARKS),
    *({"do": "mark", "kind": kind, "batch": 1} for kind in MARKS),
    {"do": "mark", "kind": "shaken", "jug": "B7"},
    {"do": "mark", "kind": "buffed", "pieces": 3},
    {"do": "count", "good": 6},
    {"do": "count", "rejected": 1, "batch": 1, "cause": "bubble"},
    {"do": "ambient", "celsius": 21.0},
    {"do": "person", "name": "Kim"},
    {"do": "forget-hand"},
]


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

GRAMS = st.one_of(
    st.floats(-50, 400).map(lambda g: round(g, 1)),
    st.sampled_from([0.0, 8.0, 28.0, 58.0, 107.9, -8.0, 1e5, -1e5, 5e3]),
)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    grams = draw(st.one_of(st.none(), GRAMS))
    text = None if grams is None else f"{grams:.1f}"
    overload = grams is None and draw(st.booleans())
    unit = draw(st.sampled_from(["g", "g", "g", None, "pcs"]))
    declared = draw(st.sampled_from([None, True, False]))
    return Reading(0.0, text, grams, unit, declared, overload, None, False)


EVENTS = st.one_of(
    readings().map(lambda r: ("reading", r)),
    readings().map(lambda r: ("rest", r)),
    st.floats(1.0, 60.0).map(lambda g: ("pour", g)),
    st.sampled_from(EVERY_COMMAND).map(lambda do: ("do", do)),
    st.floats(0.001, 4000.0).map(lambda s: ("wait", s)),
    st.sampled_from(["lost", "found", "garbled", "wall", "start"]).map(lambda what: (what, None)),
)


def play(bench: Bench, script: list[tuple[str, Any]]) -> list[Record]:
    """Step it all, deadlines in their order; everything that is to be recorded."""
    told: list[Record] = []
    shown_g = 0.0

    def take(event: ev.Event) -> None:
        nonlocal bench
        before = bench
        bench, effects = step(bench, event)
        assert bench.at_s >= before.at_s
        told.extend(e for e in effects if isinstance(e, Record))
        assert sum(isinstance(e, Answer) for e in effects) == isinstance(event, ev.Commanded)

    def run_to(at_s: float) -> None:
        for _ in range(1000):
            due = deadline_s(bench)
            if due is None or due > at_s:
                return
            take(ev.TimeCame(max(due, bench.at_s)))
        raise AssertionError("deadlines do not come to an end")

    for what, detail in script:
        now_s = bench.at_s
        match what:
            case "reading" | "rest":
                for tick in range(1 if what == "reading" else 15):
                    at_s = now_s + 0.1 * (tick + 1)
                    run_to(at_s)
                    shown_g = detail.grams if detail.grams is not None else shown_g
                    take(ev.ReadingTaken(replace(detail, at_s=at_s)))
            case "pour":
                for tick in range(20):
                    at_s = now_s + 0.1 * (tick + 1)
                    run_to(at_s)
                    shown_g = round(shown_g + detail / 20, 1)
                    take(ev.ReadingTaken(Reading(at_s, f"{shown_g:.1f}", shown_g, "g")))
            case "do":
                take(ev.Commanded(now_s, detail, 1))
            case "wait":
                run_to(now_s + detail)
                take(ev.TimeCame(now_s + detail))
            case "lost":
                take(ev.PortLost(now_s, "port", "gone"))
            case "found":
                take(ev.PortFound(now_s, "port"))
            case "garbled":
                take(ev.LineGarbled(Garbled(now_s, b"?", "no frame")))
            case "wall":
                take(ev.WallStepped(now_s, 1e9))
            case "start":
                take(ev.Started(now_s, "0.1.0", bench.batch is not None))
        view = picture(bench)
        assert view.prompt
    return told


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
