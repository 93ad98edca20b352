"""The interface document against the public AsyncAPI 3.0.0 schema, and real payloads against it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from daemon.commands import COMMANDS, MARKS
from daemon.messages import (
    Done,
    EventMessage,
    Status,
    dispense_of,
    run_of,
    timers_of,
    to_json,
    weight_of,
)
from daemon.schema import asyncapi
from daemon.schema_events import EVENT_DATA
from daemon.topics import TOPICS, base, topics_json, topics_text
from daemon.view import BenchView, PartView, RunView, Step, TimerView, Zone
from tests.kit_promises import broken_promise

# The JSON Schema that the makers of the AsyncAPI specification publish; see NOTICE beside it.
PUBLIC = Path(__file__).parent / "asyncapi" / "asyncapi-3.0.0.json"

VIEW = BenchView(
    at_s=1.0,
    wall_offset_s=1_793_620_800.0,
    batch=3,
    recipe="Slate knob",
    step=Step.POUR,
    part="A",
    zone=Zone.EASE,
    target_g=69.5,
    parts=(PartView("A", 69.5, 12.0),),
    weight_g=12.0,
    timers=(TimerView("stir-2", 2, "stir", 0.0, 20.0, 30.0, "warned"),),
    run=RunView("Knobs", 240, 12, 0, 2, None, 60.0),
    last_landings=(("A", 0.1),),
)


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return json.loads(json.dumps(asyncapi("bench-2")))


@pytest.fixture(scope="module")
def public() -> jsonschema.Draft7Validator:
    return jsonschema.Draft7Validator(json.loads(PUBLIC.read_text(encoding="utf-8")))


def payload_errors(document: dict[str, Any], name: str, payload: Any) -> list[str]:
    message = document["components"]["messages"][name]
    schema = {"components": document["components"], "allOf": [message["payload"]]}
    return [fault.message for fault in jsonschema.Draft202012Validator(schema).iter_errors(payload)]


def test_the_document_keeps_to_the_public_schema(
    document: dict[str, Any], public: jsonschema.Draft7Validator
) -> None:
    assert [f"{fault.json_path} {fault.message}" for fault in public.iter_errors(document)] == []


@pytest.mark.parametrize(
    "path",
    [("asyncapi",), ("info", "version"), ("operations", "send-event", "action")],
)
def test_the_public_schema_would_notice(
    document: dict[str, Any], public: jsonschema.Draft7Validator, path: tuple[str, ...]
) -> None:
    broken = json.loads(json.dumps(document))
    place = broken
    for step in path[:-1]:
        place = place[step]
    del place[path[-1]]
    assert not public.is_valid(broken)


def test_the_public_schema_checks_the_bindings(
    document: dict[str, Any], public: jsonschema.Draft7Validator
) -> None:
    broken = json.loads(json.dumps(document))
    broken["operations"]["send-event"]["bindings"]["mqtt"]["qos"] = 3
    assert not public.is_valid(broken)


def test_every_topic_has_its_channel_operation_and_binding(document: dict[str, Any]) -> None:
    assert [channel["address"] for channel in document["channels"].values()] == [
        f"benchpour/bench-2/{topic.name}" for topic in TOPICS
    ]
    for topic in TOPICS:
        action = "send" if topic.direction == "out" else "receive"
        operation = document["operations"][f"{action}-{topic.name}"]
        assert operation["action"] == action
        assert operation["bindings"]["mqtt"] == {
            "qos": topic.qos,
            "retain": topic.retained,
            "bindingVersion": "0.2.0",
        }
    assert document["operations"]["receive-do"]["reply"]["channel"]["$ref"] == "#/channels/done"
    will = document["servers"]["bench"]["bindings"]["mqtt"]["lastWill"]
    assert (will["topic"], will["qos"], will["retain"]) == ("benchpour/bench-2/status", 1, True)


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    def references(value: Any) -> list[str]:
        if isinstance(value, dict):
            own = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
            return own + [ref for inner in value.values() for ref in references(inner)]
        if isinstance(value, list):
            return [ref for inner in value for ref in references(inner)]
        return []

    found = references(document)
    for reference in found:
        place = document
        for step in reference.removeprefix("#/").split("/"):
            assert step in place, reference
            place = place[step]
    assert found


@pytest.mark.parametrize(
    ("name", "payload"),
    [
        ("status", to_json(Status(state="online", version="1", at="2026-11-02T12:00:00.000Z"))),
        ("weight", to_json(weight_of(VIEW) or [])),
        ("dispense", to_json(dispense_of(VIEW))),
        ("dispense", to_json(dispense_of(BenchView(0.0, 0.0)))),
        ("timers", to_json(timers_of(VIEW))),
        ("run", to_json(run_of(VIEW))),
        ("run", to_json(run_of(replace(VIEW, run=None)))),
        ("done", to_json(Done(id=7, ok=False, error="There is no batch."))),
        ("done", to_json(Done(id=None, ok=False, error="No JSON."))),
    ],
)
def test_what_is_published_is_what_the_document_says(
    document: dict[str, Any], name: str, payload: bytes
) -> None:
    said = json.loads(payload)
    assert payload_errors(document, name, said) == []
    assert payload_errors(document, name, {"other": 1}) != []


PROMISED: dict[str, dict[str, Any]] = {
    "batch.opened": {"recipe": "Slate knob", "parts": [{"name": "A", "target_g": 69.5}]},
    "cup.tared": {"cup_g": 8.2},
    "part.started": {"part": "A", "target_g": 69.5, "stops_g": {"coarse": None, "fine": 67.1}},
    "stop.coarse": {"part": "A", "reading_g": 51.0, "flow": 6.2, "landing_g": 60.1},
    "stop.fine": {"part": "A", "reading_g": 67.0, "flow": 1.2, "landing_g": 69.4},
    "part.short": {"part": "A", "actual_g": 68.1, "short_g": 1.4},
    "part.landed": {
        "part": "A",
        "target_g": 69.5,
        "actual_g": 69.6,
        "error_g": 0.1,
        "seconds": 21.5,
    },
    "part.over": {
        "part": "B",
        "actual_g": 70.0,
        "over_g": 7.5,
        "plan": {
            "parts": [{"name": "A", "add_g": 8.3}, {"name": "B", "add_g": 0.0}],
            "total_g": 147.8,
            "possible": True,
            "why": "the cup holds it",
        },
    },
    "mix.contact": {"pot_life_s": 174.0, "basis": "the data sheet"},
    "mix.corrected": {"parts": [{"name": "B", "target_g": 63.0}], "reason": "over"},
    "batch.mixed": {
        "parts": [{"name": "A", "actual_g": 69.6}, {"name": "B", "actual_g": 62.6}],
        "ratio_error_pct": -0.1,
        "dye_g": 0.75,
        "total_g": 132.2,
        "index": 104.8,
    },
    "timer.started": {
        "timer": "stir-3",
        "timer_kind": "stir",
        "ends_at": "2026-11-02T12:00:30.000Z",
    },
    "batch.marked": {"kind": "stirred"},
    "batch.counted": {"good": 5, "rejected": 1},
    "batch.closed": {"reason": "finished"},
    "batch.abandoned": {"reason": "knocked over"},
    "scale.lost": {"port": "/dev/ttyS0", "why": "it went away"},
    "daemon.started": {"version": "1"},
    "daemon.resumed": {"version": "1", "batch": None, "step": "idle"},
    "tint.started": {"jug": "B7", "base_g": 1900.0},
    "tint.added": {
        "jug": "B7",
        "dye": "black",
        "grams": 1.2,
        "base_g": 1901.0,
        "dyes": {"black": 0.24},
        "fraction": 0.000126,
    },
    "tint.tested": {"jug": "B7", "fraction": 0.000126},
    "tint.undone": {"jug": "B7", "base_g": 1900.0, "dyes": {}, "fraction": 0.0},
}
for alike, model in (("timer.warned", "timer.started"), ("scale.found", "scale.lost")):
    PROMISED[alike] = PROMISED[model]
for kind in ("timer.ended", "timer.cleared"):
    PROMISED[kind] = PROMISED["timer.started"]
for kind in ("scale.garbled", "scale.overload"):
    PROMISED[kind] = PROMISED["scale.lost"]


def test_every_kind_of_the_contract_has_its_promise() -> None:
    assert set(PROMISED) == set(EVENT_DATA)


@pytest.mark.parametrize("kind", EVENT_DATA)
def test_a_promise_is_kept_or_the_breach_is_named(document: dict[str, Any], kind: str) -> None:
    data = PROMISED[kind]
    assert broken_promise(kind, data) is None
    assert broken_promise(kind, {**data, "more": 1}) is None
    event = EventMessage(seq=1, at="2026-11-02T12:00:00.000Z", kind=kind, batch=1, data=data)
    assert payload_errors(document, f"event.{kind}", json.loads(to_json(event))) == []
    for member in data:
        if member in ("index", "round"):
            continue
        less = {name: value for name, value in data.items() if name != member}
        assert member in str(broken_promise(kind, less))
        wrong = broken_promise(kind, {**data, member: {"no": "such"}})
        assert wrong is not None
        assert wrong.startswith(f"{kind}: {member}")


def test_a_kind_that_promises_nothing_keeps_it() -> None:
    assert broken_promise("hand.learned", {}) is None


@pytest.mark.parametrize(
    ("kind", "more", "wrong"),
    [
        ("batch.opened", {"pieces": 12, "order": "Slate knobs"}, {"pieces": "a dozen"}),
        ("batch.opened", {"jugs": {"B": "B7"}, "tints": {"B": 0.01}}, {"tints": {"B": "dark"}}),
        ("mix.corrected", {"reason": "dye", "jugs": {"B": "B8"}}, {"jugs": ["B8"]}),
    ],
)
def test_what_only_some_events_have_is_described_too(
    document: dict[str, Any], kind: str, more: dict[str, Any], wrong: dict[str, Any]
) -> None:
    def faults(data: dict[str, Any]) -> list[str]:
        event = EventMessage(seq=1, at="2026-11-02T12:00:00.000Z", kind=kind, batch=1, data=data)
        return payload_errors(document, f"event.{kind}", json.loads(to_json(event)))

    assert broken_promise(kind, PROMISED[kind] | more) is None
    assert faults(PROMISED[kind] | more) == []
    (member,) = wrong
    assert f"{kind}: {member}" in str(broken_promise(kind, PROMISED[kind] | wrong))
    assert faults(PROMISED[kind] | wrong) != []


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_described(document: dict[str, Any], name: str) -> None:
    needs: dict[str, dict[str, Any]] = {
        "timer": {"timer": "stir-3"},
        "mark": {"kind": MARKS[0]},
        "ambient": {"celsius": 21},
        "person": {"name": "Mara"},
    }
    needed = needs.get(name, {})
    assert payload_errors(document, f"do.{name}", {"id": "1", "do": name, **needed}) == []
    assert payload_errors(document, f"do.{name}", {"do": name, **needed}) != []
    assert payload_errors(document, f"do.{name}", {"id": "1", "do": "dance", **needed}) != []


def test_the_topics_are_listed_for_people_and_for_programs() -> None:
    lines = topics_text("bench-2").splitlines()
    assert [line.split()[0] for line in lines] == [
        f"benchpour/bench-2/{name}"
        for name in ["status", "weight", "dispense", "timers", "run", "event", "do", "done"]
    ]
    assert "QoS 1  retained" in lines[0]
    assert topics_json("bench-2")[6] == {
        "topic": "benchpour/bench-2/do",
        "direction": "in",
        "retained": False,
        "qos": 1,
        "what": 'one command, such as {"id": "1", "do": "next"}',
    }


@pytest.mark.parametrize("bench", ["", "Bench", "a/b", "a+", "x" * 33, "bänk"])
def test_a_bench_that_has_no_name_has_no_topics(bench: str) -> None:
    with pytest.raises(ValueError, match="1 to 32 small letters"):
        base(bench)
