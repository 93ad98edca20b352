"""Payloads as outsiders read them: exact JSON of a bench in the middle of a pour, and time."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.effects import Answer
from daemon.messages import (
    EventMessage,
    dispense_of,
    done_of,
    grams,
    parse_rfc3339,
    rfc3339,
    run_of,
    timers_of,
    to_json,
    weight_of,
)
from daemon.view import BenchView, PartView, RunView, Step, StopsView, TimerView, Zone

NOON_S = 1_793_620_800.0  # 2026-11-02T12:00:00Z, as `date -u -d 2026-11-02T12:00:00Z +%s` gives

POURING = BenchView(
    at_s=100.25,
    wall_offset_s=NOON_S,
    bench="bench",
    person="Mara",
    scale="ok",
    batch=7,
    recipe="Slate knob, fast urethane",
    step=Step.POUR,
    part="A",
    zone=Zone.EASE,
    target_g=69.4736842,
    actual_g=52.1049,
    remaining_g=17.3687842,
    landing_g=55.0,
    stops=StopsView(coarse=51.0, fine=67.25),
    tolerance_g=0.3,
    prompt="Ease off: pour A to 69.5 g",
    caution="Ventilate.",
    parts=(PartView("A", 69.4736842, 52.1049), PartView("B", 62.5263158)),
    total_g=52.1049,
    choices=("abandon",),
    weight_g=52.1049,
    stable=False,
    flow_g_per_s=3.14159,
    timers=(TimerView("pot-life-7", 7, "pot-life", 100.0, 220.0, 280.0, "running"),),
    run=RunView("Cabinet knobs, slate", 240, 12, 1, 2, 42, 3700.0),
    last_landings=(("A", 0.12), ("B", -0.04)),
)


def read(payload: object) -> object:
    return json.loads(to_json(payload))  # type: ignore[arg-type]


def test_the_weight_is_the_cup_in_grams_with_its_flow() -> None:
    assert read(weight_of(POURING)) == {
        "at": "2026-11-02T12:01:40.250Z",
        "grams": 52.105,
        "stable": False,
        "flow": 3.142,
    }


@pytest.mark.parametrize("shown_g", [None, float("nan"), float("inf")])
def test_a_weight_that_is_not_believed_is_not_published(shown_g: float | None) -> None:
    assert weight_of(BenchView(1.0, NOON_S, weight_g=shown_g)) is None


def test_the_dispense_has_every_promised_member_in_grams() -> None:
    said = read(dispense_of(POURING))
    promised = {
        "at": "2026-11-02T12:01:40.250Z",
        "batch": 7,
        "recipe": "Slate knob, fast urethane",
        "step": "pour",
        "part": "A",
        "zone": "ease",
        "target_g": 69.474,
        "actual_g": 52.105,
        "remaining_g": 17.369,
        "stops_g": {"coarse": 51.0, "fine": 67.25},
        "tolerance_g": 0.3,
        "prompt": "Ease off: pour A to 69.5 g",
        "caution": "Ventilate.",
        "mix": {"ratio_error_pct": None, "total_g": 52.105},
        "needs": None,
    }
    assert isinstance(said, dict)
    assert {key: said[key] for key in promised} == promised
    assert said["parts"] == [
        {
            "name": "A",
            "target_g": 69.474,
            "actual_g": 52.105,
            "error_g": None,
            "done": False,
            "dye": False,
        },
        {
            "name": "B",
            "target_g": 62.526,
            "actual_g": None,
            "error_g": None,
            "done": False,
            "dye": False,
        },
    ]
    assert said["landing_g"] == 55.0
    assert said["choices"] == ["abandon"]
    assert said["last_landings"] == [
        {"part": "A", "error_g": 0.12},
        {"part": "B", "error_g": -0.04},
    ]


def test_an_idle_bench_still_has_every_member() -> None:
    said = read(dispense_of(BenchView(0.0, NOON_S)))
    assert isinstance(said, dict)
    assert said["step"] == "idle"
    assert said["stops_g"] == {"coarse": None, "fine": None}
    assert said["mix"] == {"ratio_error_pct": None, "total_g": None}
    assert said["parts"] == []


def test_timers_are_told_in_wall_time() -> None:
    assert read(timers_of(POURING)) == [
        {
            "id": "pot-life-7",
            "batch": 7,
            "kind": "pot-life",
            "started_at": "2026-11-02T12:01:40.000Z",
            "warn_at": "2026-11-02T12:03:40.000Z",
            "ends_at": "2026-11-02T12:04:40.000Z",
            "state": "running",
        }
    ]
    assert to_json(timers_of(BenchView(0.0, NOON_S))) == b"[]"


def test_the_run_is_the_orders_progress() -> None:
    assert read(run_of(POURING)) == {
        "name": "Cabinet knobs, slate",
        "pieces": 240,
        "good": 12,
        "rejected": 1,
        "batches_done": 2,
        "batches_planned": 42,
        "eta": "2026-11-02T13:01:40.000Z",
    }


def test_without_an_order_the_run_has_no_name_and_counts_nothing() -> None:
    said = read(run_of(BenchView(0.0, NOON_S)))
    assert isinstance(said, dict)
    assert said["name"] is None
    assert (said["pieces"], said["good"], said["eta"]) == (0, 0, None)


@pytest.mark.parametrize("name", ["a1", "7", None])
def test_an_answer_echoes_the_id(name: str | None) -> None:
    assert read(done_of(Answer(name, ok=True))) == {"id": name, "ok": True, "error": None}


def test_whatever_an_event_holds_it_is_told_as_json() -> None:
    data = {"flow": float("nan"), "parts": [{"g": float("-inf")}], "why": "half \ud800", "ok": 1.5}
    event = EventMessage(seq=1, at="2026-11-02T12:00:00.000Z", kind="x", batch=None, data=data)
    said = read(event)
    assert isinstance(said, dict)
    assert said["data"] == {"flow": None, "parts": [{"g": None}], "why": "half ?", "ok": 1.5}


@given(st.none() | st.floats())
def test_grams_are_json_numbers_to_a_milligram_or_null(value: float | None) -> None:
    said = json.dumps(grams(value), allow_nan=False)
    assert (
        said == "null" or abs(float(said) - float(value or 0)) <= 0.0005 + abs(value or 0) * 1e-15
    )
    assert not said.startswith("-0.0") or float(said) < 0


# RFC 3339 section 5.8 (the first two and the last two are its own examples; the seconds follow
# from the calendar) and the note in section 5.6 on letter case and the space.
@pytest.mark.parametrize(
    ("text", "wall_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050.52),
        ("1996-12-19T16:39:57-08:00", 851_042_397.0),
        ("1996-12-20T00:39:57Z", 851_042_397.0),
        ("1985-04-12t23:20:50z", 482_196_050.0),
        ("1985-04-12 23:20:50Z", 482_196_050.0),
        ("1990-12-31T23:59:60Z", 662_688_000.0),
        ("1990-12-31T15:59:60-08:00", 662_688_000.0),
        (
            "1937-01-01T12:00:27.87+00:20",
            datetime(1937, 1, 1, 11, 40, 27, tzinfo=UTC).timestamp() + 0.87,
        ),
        ("2024-02-29T00:00:00-00:00", 1_709_164_800.0),
    ],
)
def test_times_of_the_standard_are_read(text: str, wall_s: float) -> None:
    assert parse_rfc3339(text) == pytest.approx(wall_s, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-11-02",
        "2026-11-02T12:00:00",
        "2026-11-02T24:00:00Z",
        "2023-02-29T00:00:00Z",
        "2026-11-02T12:00:60Z",
        "2026-11-02T12:00:00+24:00",
        "2026-11-02T12:00:00+01:60",
        "2026-11-02T12:00:00,5Z",
        "٢٠٢٦-11-02T12:00:00Z",
        " 2026-11-02T12:00:00Z",
        "0001-01-01T00:00:00+23:59",
    ],
)
def test_what_is_no_such_time_is_refused_with_the_text(text: str) -> None:
    with pytest.raises(ValueError, match=r"time|leap second"):
        parse_rfc3339(text)


def test_time_is_written_with_milliseconds_and_z() -> None:
    assert rfc3339(482_196_050.52) == "1985-04-12T23:20:50.520Z"
    assert rfc3339(0.0) == "1970-01-01T00:00:00.000Z"
    assert rfc3339(0.9996) == "1970-01-01T00:00:01.000Z"
    assert rfc3339(-0.001) == "1969-12-31T23:59:59.999Z"


@given(st.integers(-62_135_596_800_000, 253_402_300_799_999))
def test_every_millisecond_of_the_calendar_comes_back(ms: int) -> None:
    written = rfc3339(ms / 1000)
    assert len(written) == 24
    assert parse_rfc3339(written) == pytest.approx(ms / 1000, abs=0.0005)
