"""Whatever has happened before, whoever does what the screen asks gets a mixed batch."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.inputs import DaemonStart, Port
from tests.kit_core import CUP_G, EVERY_COMMAND, PORT, AtTheBench, recipe

BOTTLE_G = 500.0
RECIPES: dict[str, dict[str, Any]] = {
    "gain": {"times": {"pot_life_s": 200, "pressure_s": 600, "demold_s": 900}},
    "predicted stops": {"stops": {"tolerance_g": 0.5}},
    "loss": {"method": "loss"},
    "own cups": {"cup": {"one_per_part": True, "clings_g": 1.0}},
    "dye in the cup": {"dye": {"in": "cup", "fraction": 0.02, "tolerance_g": 0.2}},
    "small cup": {"cup": {"capacity_g": 110.0}},
}

ALLOWED = [do for do in EVERY_COMMAND if do.get("batch_g", 0.0) < 1000.0]
SECONDS = st.floats(0.2, 3.0)
MESS = st.one_of(
    st.tuples(st.just("rest"), SECONDS),
    st.tuples(st.just("put"), st.floats(-40, 60), SECONDS),
    st.tuples(st.just("lift"), SECONDS),
    st.tuples(st.just("stream"), st.floats(1, 60), st.floats(2, 40)),
    st.tuples(st.just("cup"), st.floats(-1, 1)),
    st.tuples(st.just("do"), st.sampled_from(ALLOWED)),
    st.tuples(st.just("silence"), st.sampled_from([0.5, 3.0, 2000.0])),
    st.tuples(st.sampled_from(["replug", "zero", "restart"])),
    st.tuples(st.just("odd"), st.sampled_from([b"OL,GS,+99999.9 g\r\n", b"?\r\n"])),
    st.tuples(st.just("hand"), SECONDS, SECONDS),
    st.tuples(st.just("lift and back"), st.sampled_from([0.0, 0.3, 5.0, -5.0])),
)


def mess(there: AtTheBench, what: str, *how: Any) -> None:
    """One thing that somebody may do at the bench, sensible or not."""
    batch = there.bench.batch
    sign = -1 if batch is not None and batch.loss else 1
    match what:
        case "rest":
            there.rest(how[0])
        case "put":
            there.put(max(how[0], -there.load_g), how[1])
        case "lift":
            there.lift(how[0])
        case "stream":
            there.stream(max(sign * how[0], -there.load_g), how[1])
        case "cup":
            there.put(CUP_G + how[0])
        case "do":
            there.do(**how[0])
        case "silence":
            there.silence(how[0])
        case "replug":
            there.take(Port(there.now_us, "lost", PORT, "unplugged"))
            there.silence(2)
            there.take(Port(there.now_us, "found", PORT))
        case "zero":
            there.zero_g = there.load_g
        case "restart":
            there.take(DaemonStart(there.now_us, "0.1.0", batch is not None))
            there.take(Port(there.now_us, "found", PORT))
        case "odd":
            there.bytes(how[0])
        case "hand":
            there.put(300, how[0])
            there.put(-300, how[1])
        case "lift and back":
            lifted = there.lift()
            there.put(max(0.0, lifted + how[0]))


def obey(there: AtTheBench) -> None:
    """Do what the screen asks for."""
    view, batch = there.view, there.bench.batch
    if view.scale in ("lost", "silent", "waiting"):
        there.take(Port(there.now_us, "found", PORT))
        there.rest(3)
    elif view.needs == "confirm":
        if not there.do("confirm").ok:
            there.rest(3)
    elif view.needs == "combined":
        assert there.do("next").ok
    elif view.needs == "accept or correct":
        assert there.do("accept").ok
    elif view.step == "cup":
        there.lift(3)
        if there.view.step == "cup":
            there.put(BOTTLE_G if batch.loss else CUP_G, 3)
    elif view.step == "away" and view.scale == "ok":
        put_back(there)
    elif view.remaining_g is not None and view.remaining_g > 0.05:
        pour_on(there, view.remaining_g)
    else:
        there.rest(3)


def put_back(there: AtTheBench) -> None:
    batch = there.bench.batch
    was_g = max(0.0, (batch.believed_g or 0.0) - (there.bench.empty_g or 0.0))
    there.lift(3)
    if there.view.step == "away":
        there.put(BOTTLE_G if batch.loss and was_g < 60 else was_g, 4)


def pour_on(there: AtTheBench, grams: float) -> None:
    batch = there.bench.batch
    if batch.loss and grams > there.load_g:  # the bottle is empty: another one
        there.lift(2) if there.load_g >= 2 else there.put(BOTTLE_G, 4)
        return
    sign = -1 if batch.loss else 1
    there.stream(sign * 0.7 * grams, 15)
    there.stream(sign * 0.3 * grams, 4)
    there.rest(4)


@pytest.mark.parametrize("kind", RECIPES)
@settings(max_examples=8, suppress_health_check=[HealthCheck.too_slow])
@given(before=st.lists(MESS, max_size=14))
def test_there_is_a_way_from_anywhere_to_a_mixed_batch(kind: str, before: list[Any]) -> None:
    there = AtTheBench(recipe=recipe(**RECIPES[kind]), batches=3, hz=10.0)
    for what in before:
        mess(there, *what)
    number = there.view.batch
    for _ in range(60):
        if number is None or number in mixed(there):
            break
        obey(there)
    assert number is None or number in mixed(there), there.prompt


def mixed(there: AtTheBench) -> list[int | None]:
    return [event.batch for event in there.events if event.kind == "batch.mixed"]
