"""What dashboards are told: held against rules written from the conventions' own texts.

Homie 5: the convention's text (homieiot.github.io, version 5.0.0, May 2025), its sections named at
each rule. Home-automation discovery: its public description of the single-message form, read once;
the classes and units of a sensor are from memory.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import announce_home as home
from daemon import announce_homie as homie
from daemon import topics
from daemon.announce import Wanted, kept_topics
from daemon.config import Config, ConfigError, load_config
from daemon.messages import Dispense, Run, Status, Timer, Weight
from daemon.timers import TimerKind
from daemon.view import BenchView, RunView, Step, TimerView, Zone

NOON_S = 1_793_620_800.0
POURING = BenchView(
    at_s=2.0,
    wall_offset_s=NOON_S,
    scale="ok",
    batch=1,
    step=Step.POUR,
    part="A",
    zone=Zone.EASE,
    target_g=69.5,
    actual_g=57.16,
    remaining_g=12.34,
    weight_g=57.16,
    flow_g_per_s=4.0,
    prompt="Ease off: A to 69.5 g",
    timers=(
        TimerView("stir-1", 1, "stir", 0.0, None, 1.0, "ended"),
        TimerView("pot-life-2", 2, "pot-life", 2.0, None, 242.0, "running"),
        TimerView("pot-life-1", 1, "pot-life", 2.0, 150.0, 182.0, "warned"),
        TimerView("demold-1", 1, "demold", 2.0, None, 3602.0, "running"),
    ),
    run=RunView("Cabinet knobs", 40, 12, 1, 4, 14, 7200.0),
)
IDLE = BenchView(at_s=1.0, wall_offset_s=NOON_S)

# --- the Homie convention -------------------------------------------------------------------------

TOPIC_ID = re.compile(r"[a-z0-9-]+")  # section "Topic IDs"
UNITS = {"°C", "%", "s", "min", "h", "#"}  # section "Units", those that a bench might need
PAYLOADS = {  # section "Payloads"
    "integer": re.compile(r"-?\d+"),
    "float": re.compile(r"-?\d+(\.\d+)?([eE]-?\d+)?"),
    "boolean": re.compile(r"true|false"),
    "datetime": re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z"),
}
RANGES = {  # section "Formats": [min]:[max][:step]
    "integer": re.compile(r"(-?\d+)?:(-?\d+)?(:\d+)?"),
    "float": re.compile(r"(-?\d+(?:\.\d+)?)?:(-?\d+(?:\.\d+)?)?(:\d+(\.\d+)?)?"),
}


def check_description(told: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Sections "Device Attributes", "Node Attributes", "Property Attributes"; the properties."""
    assert re.fullmatch(r"5\.\d+", told["homie"])
    assert type(told["version"]) is int
    assert set(told) <= {"homie", "version", "nodes", "name", "type", "children", "extensions"}
    found = {}
    for node, told_node in told["nodes"].items():
        assert TOPIC_ID.fullmatch(node)
        assert set(told_node) <= {"name", "type", "properties"}
        for name, prop in told_node["properties"].items():
            assert TOPIC_ID.fullmatch(name)
            check_property(prop)
            found[f"{node}/{name}"] = prop
    return found


def check_property(prop: dict[str, Any]) -> None:
    assert set(prop) <= {"name", "datatype", "format", "settable", "retained", "unit"}
    kind, form = prop["datatype"], prop.get("format")
    assert kind in {*PAYLOADS, "string", "enum", "color", "duration", "json"}
    if kind == "enum":
        options = form.split(",")
        assert all(options)
        assert len(options) == len(set(options))
    elif form is not None:
        assert RANGES[kind].fullmatch(form)
    # Others than the recommended ones are allowed; these two are what a scale weighs in.
    assert prop.get("unit", "#") in UNITS | {"g", "g/s"}


def check_value(prop: dict[str, Any], payload: bytes) -> None:
    """Section "Payloads": valid for the property, or empty, which takes the topic away."""
    text = payload.decode("utf-8")
    kind = prop["datatype"]
    if kind == "string":
        assert text, "an empty text is the one character of value 0"
    elif kind == "enum":
        assert text in prop["format"].split(",")
    elif text:
        assert PAYLOADS[kind].fullmatch(text)
        if kind == "datetime":
            datetime.fromisoformat(text)
        if prop.get("format") == "0:":
            assert float(text) >= 0


@pytest.mark.parametrize("settable", [False, True])
def test_the_description_is_a_valid_one(settable: bool) -> None:
    found = check_description(homie.description("north", settable=settable))
    assert [name for name, prop in found.items() if prop.get("settable")] == (
        ["do/next"] if settable else []
    )
    json.dumps(homie.description("north"), allow_nan=False)


def test_the_version_moves_with_the_document_and_only_with_it() -> None:
    one = homie.description("north")
    assert homie.description("north") == one
    assert homie.description("south")["version"] != one["version"]
    assert homie.description("north", settable=True)["version"] != one["version"]


@pytest.mark.parametrize("view", [IDLE, POURING])
def test_every_property_has_a_valid_value_and_no_value_is_without_a_property(
    view: BenchView,
) -> None:
    found = check_description(homie.description("north"))
    values = homie.values(view)
    assert values.pop(homie.ALERT) == (b"" if view.scale == "ok" else b"The scale is waiting.")
    assert set(values) == set(found)
    for name, payload in values.items():
        check_value(found[name], payload)
    assert set(found) >= homie.UNHURRIED


def test_a_pour_reads_as_a_person_would_say_it() -> None:
    values = homie.values(POURING)
    assert values["weight/grams"] == b"57.160"
    assert values["dispense/step"] == b"pour"
    assert values["dispense/zone"] == b"ease"
    assert values["dispense/remaining"] == b"12.340"
    assert values["run/good"] == b"12"
    # Noon and the three minutes of a pot life (182 s), an hour of curing, two hours of the order.
    assert values["clocks/next"] == b"pot-life"
    assert values["clocks/next-ends-at"] == b"2026-11-02T12:03:02.000Z"
    assert values["clocks/pot-life"] == b"2026-11-02T12:03:02.000Z"
    assert values["clocks/demold"] == b"2026-11-02T13:00:02.000Z"
    assert values["clocks/stir"] == b""
    assert values["run/eta"] == b"2026-11-02T14:00:00.000Z"


def test_what_is_not_known_is_taken_away_and_never_told_as_nought() -> None:
    values = homie.values(replace(POURING, weight_g=None, actual_g=float("nan"), target_g=None))
    assert values["weight/grams"] == values["weight/flow"] == b""
    assert values["dispense/actual"] == values["dispense/target"] == b""
    assert homie.values(IDLE)["dispense/part"] == b"\0"
    assert homie.values(IDLE)["dispense/zone"] == b"none"


def test_a_lost_scale_is_an_alert_that_goes_again() -> None:
    """Section "Alert topic": deleted once it is resolved."""
    lost = replace(POURING, scale="lost", scale_note="The scale's port is gone; check the cable.")
    assert homie.values(lost)["$alert/scale"] == b"The scale's port is gone; check the cable."
    assert homie.values(POURING)["$alert/scale"] == b""


grams = st.none() | st.floats(-1e6, 1e6) | st.sampled_from([float("nan"), float("inf"), -1e-9])


@given(grams, grams, st.floats(-1e5, 1e5), st.text(max_size=20), st.sampled_from([None, *Zone]))
def test_whatever_the_bench_shows_is_valid(
    weight: float | None, actual: float | None, flow: float, text: str, zone: Zone | None
) -> None:
    found = check_description(homie.description("north"))
    view = replace(
        POURING, weight_g=weight, actual_g=actual, flow_g_per_s=flow, prompt=text, zone=zone
    )
    said = homie.values(view)
    assert said.keys() - {homie.ALERT} <= found.keys()
    for name in said.keys() - {homie.ALERT}:
        check_value(found[name], said[name])


def test_removal_begins_with_the_state_and_forgets_nothing() -> None:
    """Section "Device Lifecycle": `$state` first, then whatever else is retained."""
    removed = homie.topics("north", settable=True)
    assert removed[0] == "homie/5/benchpour-north/$state"
    told = {homie.root("north") + name for name in homie.values(POURING)}
    assert set(removed) == told | {
        homie.root("north") + "$state",
        homie.root("north") + "$description",
    }


# --- home-automation discovery --------------------------------------------------------------------

UNITS_OF = {"weight": {"kg", "g", "mg", "µg", "oz", "lb", "st"}}
"""By device class; one without a unit has none."""
MODELS = {"weight": Weight, "dispense": Dispense, "timers": Timer, "run": Run, "status": Status}
CLOCK = re.compile(
    r"\{\{ \(value_json \| selectattr\('kind', 'eq', '([a-z-]+)'\) \| rejectattr\('state', 'eq', "
    r"'ended'\) \| map\(attribute='ends_at'\) \| sort \| list \+ \[none\]\)\[0\] \}\}"
)


def document() -> dict[str, Any]:
    return home.config("north", "1.2.3")


def test_the_document_has_what_the_convention_asks_for() -> None:
    told = document()
    assert home.config_topic("shop", "north") == "shop/device/benchpour-north/config"
    assert home.birth_topic("shop") == "shop/status"
    assert re.fullmatch(r"[a-zA-Z0-9_-]+", home.device("north"))
    assert told["device"]["identifiers"] == ["benchpour-north"]
    assert told["origin"]["name"] == "benchpour"
    ids = [one["unique_id"] for one in told["components"].values()]
    assert len(ids) == len(set(ids))
    for name, one in told["components"].items():
        assert re.fullmatch(r"[a-zA-Z0-9_-]+", name)
        assert one["platform"] == "sensor"
        assert one["name"]


def test_nothing_in_it_can_be_switched() -> None:
    assert "command_topic" not in json.dumps(document())


def test_the_bench_is_there_as_long_as_its_own_status_says_so() -> None:
    (told,) = document()["availability"]
    assert told["topic"] == "benchpour/north/status"
    assert told["value_template"] == "{{ value_json.state }}"
    states = Status.model_json_schema()["properties"]["state"]["enum"]
    assert {told["payload_available"], told["payload_not_available"]} == set(states)


def test_every_value_is_one_that_the_bench_publishes() -> None:
    for name, one in document()["components"].items():
        base, _, topic = one["state_topic"].rpartition("/")
        assert base + "/" == topics.base("north")
        model, template = MODELS[topic], one["value_template"]
        if topic == "timers":
            clock = CLOCK.fullmatch(template)
            assert clock, template
            assert clock[1] == name
        else:
            members = re.findall(r"value_json\.(\w+)", template)
            assert len(members) == 1
            assert set(members) <= set(model.model_fields)


def test_classes_units_and_choices_go_together() -> None:
    for one in document()["components"].values():
        kind = one.get("device_class")
        if kind in UNITS_OF:
            assert one["unit_of_measurement"] in UNITS_OF[kind]
        if kind in ("enum", "timestamp"):
            assert not {"unit_of_measurement", "state_class"} & set(one)
        assert ("options" in one) == (kind == "enum")
    components = document()["components"]
    assert components["step"]["options"] == [step.value for step in Step]
    assert components["zone"]["options"] == ["none", *(zone.value for zone in Zone)]
    assert set(components) >= {kind.value for kind in TimerKind}


def test_a_weight_that_is_no_longer_said_is_no_longer_believed() -> None:
    for name in ("weight", "flow"):
        assert 1 < document()["components"][name]["expire_after"] <= 10


# --- what is kept --------------------------------------------------------------------------------


def test_what_is_switched_on_is_what_is_kept_and_removed() -> None:
    assert Wanted().topics("north") == ()
    assert Wanted(prefix="shop").topics("north") == ("shop/device/benchpour-north/config",)
    both = Wanted(homie=True, homie_do=True, prefix="shop").topics("north")
    assert both[0] == "homie/5/benchpour-north/$state"
    assert both[-1] == "shop/device/benchpour-north/config"
    assert kept_topics(json.dumps(both)) == both


def settings(folder: Path, text: str) -> Config:
    path = folder / "benchpour.toml"
    path.write_text(text, encoding="utf-8")
    return load_config(path)


def test_everything_is_off_until_somebody_switches_it_on(tmp_path: Path) -> None:
    told = settings(tmp_path, "").announce
    assert (told.homie, told.homie_do, told.discovery_prefix) == (False, False, "")
    on = settings(tmp_path, '[announce]\nhomie = true\ndiscovery_prefix = "shop/found"\n').announce
    assert (on.homie, on.homie_do, on.discovery_prefix) == (True, False, "shop/found")


@pytest.mark.parametrize("prefix", ["/shop", "shop/", "a//b", "shop/#", "+"])
def test_a_prefix_that_nobody_could_listen_to_is_refused(tmp_path: Path, prefix: str) -> None:
    with pytest.raises(ConfigError, match=r"line 2, announce\.discovery_prefix: found the text"):
        settings(tmp_path, f'[announce]\ndiscovery_prefix = "{prefix}"\n')


def test_the_certificate_file_is_meant_from_the_folder_of_the_settings(tmp_path: Path) -> None:
    told = settings(tmp_path, '[broker]\nca_file = "shop-ca.crt"\n')
    assert told.broker.ca_file == str(tmp_path / "shop-ca.crt")


@pytest.mark.parametrize("text", [None, "", "no JSON", "[1, null]", "7", '{"a": 1}'])
def test_a_list_that_cannot_be_read_is_none(text: str | None) -> None:
    assert kept_topics(text) == ()
