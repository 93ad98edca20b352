"""The whole bench as JSON and back: the same value, wherever the day is cut."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.bench import Bench
from daemon.state import StateError, dump, load
from tests.kit_core import EVENTS, PHASES, at_phase, play


def through_json(bench: Bench) -> Bench:
    return load(json.loads(json.dumps(dump(bench), allow_nan=False)))


@pytest.mark.parametrize("phase", PHASES)
def test_a_bench_in_any_phase_comes_back_as_it_was(phase: str) -> None:
    bench = at_phase(phase).bench
    assert through_json(bench) == bench


@settings(max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@given(script=st.lists(EVENTS, max_size=10))
def test_a_bench_after_anything_at_all_comes_back_as_it_was(script: list[tuple[str, Any]]) -> None:
    def look(bench: Bench) -> None:
        assert through_json(bench) == bench

    play(at_phase("pouring").bench, script, look)


def test_a_bench_goes_on_from_its_state_to_the_same_floats() -> None:
    """Not only equal: what is computed from it afterwards is the same to the last digit."""
    from daemon.engine import Engine
    from tests.kit_core import AtTheBench, fresh_decoder

    there = at_phase("pouring")
    decoder = fresh_decoder()
    decoder.restore(json.loads(json.dumps(there.engine.decoder.snapshot())))
    again = AtTheBench(engine=Engine(through_json(there.bench), decoder), load_g=there.load_g)
    again._shown = there._shown
    for one in (there, again):
        one.stream(25)
        one.stream(5, 8.0)
        one.rest(3)
    assert again.bench == there.bench
    assert again.events == there.events[-len(again.events) :]


@pytest.mark.parametrize(
    "change",
    [
        {"batch": {"number": "three"}},
        {"batch": {}},
        {"timers": [{"id": "x"}]},
        {"weighing": 7},
        {"next_batch": None},
        {"batch": {"phase": "dreaming"}},
    ],
)
def test_a_state_of_another_form_is_refused_and_never_guessed_at(change: dict[str, Any]) -> None:
    body = dump(at_phase("pouring").bench)
    for key, value in change.items():
        both = isinstance(value, dict) and value and isinstance(body[key], dict)
        body[key] = body[key] | value if both else value
    with pytest.raises(StateError):
        load(body)


def test_a_state_that_knows_nothing_of_a_newer_member_is_taken_up_with_its_default() -> None:
    body = dump(at_phase("cup").bench)
    del body["usual_cup_g"]
    assert load(body).usual_cup_g is None
