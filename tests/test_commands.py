"""Commands as they come in: what is understood, what is refused, and in which words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.commands import COMMANDS, MARKS, MAX_BYTES, CommandError, parse_do


def refusal(payload: Any) -> CommandError:
    with pytest.raises(CommandError) as caught:
        parse_do(payload)
    return caught.value


@pytest.mark.parametrize(
    "command",
    [
        {"do": "start"},
        {"do": "start", "recipe": "slate-knob"},
        {"do": "start", "recipe": "slate-knob", "batch_g": 66},
        {"do": "start", "recipe": "slate-knob", "pieces": 6},
        {"do": "confirm"},
        {"do": "accept"},
        {"do": "correct"},
        {"do": "abandon", "reason": "knocked over"},
        {"do": "tare"},
        {"do": "timer", "timer": "demold-3", "clear": True},
        {"do": "timer", "timer": "demold-3", "extend_s": 60},
        {"do": "next"},
        {"do": "mark", "kind": "shaken", "jug": "B7"},
        {"do": "mark", "kind": "cut sprues", "pieces": 12, "batch": 3},
        {"do": "count", "good": 6},
        {
            "do": "count",
            "batch": 3,
            "good": 5,
            "rejected": 1,
            "cause": "bubble",
            "mold": "left",
            "cavity": 4,
        },
        {"do": "ambient", "celsius": 21.5, "of": "resin"},
        {"do": "ambient", "celsius": -3, "of": "room"},
        {"do": "person", "name": "Mara"},
        *({"do": "mark", "kind": kind, "batch": 3} for kind in MARKS if kind != "shaken"),
    ],
)
def test_every_command_of_the_contract_is_understood(command: dict[str, Any]) -> None:
    payload = json.dumps({"id": "k1", **command}).encode()
    assert parse_do(payload) == ("k1", command)
    assert parse_do({"id": "k1", **command}) == ("k1", command)


def test_the_temperature_is_the_rooms_unless_said() -> None:
    assert parse_do('{"id": 1, "do": "ambient", "celsius": 20}')[1]["of"] == "room"


@pytest.mark.parametrize("name", ["a", "", 0, 7, -1, 1.5, 10**30])
def test_an_id_comes_back_as_given(name: str | int | float) -> None:
    back, _ = parse_do(json.dumps({"id": name, "do": "next"}))
    assert back == name
    assert type(back) is type(name)


def test_unknown_members_are_ignored() -> None:
    assert parse_do('{"id": 1, "do": "next", "colour": {"of": "the key"}}') == (1, {"do": "next"})


def test_a_whole_number_may_be_written_with_a_point() -> None:
    assert parse_do('{"id": 1, "do": "count", "good": 3.0}')[1]["good"] == 3


@pytest.mark.parametrize(
    ("payload", "name", "words"),
    [
        (b"", None, "no JSON"),
        (b"next", None, "no JSON"),
        (b"\xff\xfe", None, "no JSON"),
        (b"[" * 4000, None, "no JSON"),
        (b"[1]", None, "no JSON object"),
        (b"null", None, "no JSON object"),
        (b'{"do": "next"}', None, "needs an id"),
        (b'{"id": null, "do": "next"}', None, "needs an id"),
        (b'{"id": true, "do": "next"}', None, "needs an id"),
        (b'{"id": [1], "do": "next"}', None, "needs an id"),
        (b'{"id": 1e999, "do": "next"}', None, "too large"),
        (b'{"id": "\\ud800", "do": "next"}', None, "must be text"),
        (b'{"id": "' + b"x" * 129 + b'", "do": "next"}', None, "at most 128"),
        (b'{"id": 1, "do": "next", "do": "abandon"}', None, "twice"),
        (b'{"id": 1, "do": "ambient", "celsius": NaN}', None, "NaN"),
        (b'{"id": 1, "do": "ambient", "celsius": -Infinity}', None, "Infinity"),
        (b'{"id": 1, "do": "ambient", "celsius": 1e999}', 1, "celsius"),
        (b'{"id": 1}', 1, "no do; it is one of start,"),
        (b'{"id": 1, "do": "dance"}', 1, "no command 'dance'; do is one of start,"),
        (b'{"id": 1, "do": ["next"]}', 1, "no command ['next']"),
        (b'{"id": 1, "do": "start", "recipe": "../../etc/passwd"}', 1, "not a path"),
        (b'{"id": 1, "do": "start", "recipe": ".hidden"}', 1, "not a path"),
        (b'{"id": 1, "do": "start", "batch_g": 10, "pieces": 1}', 1, "not both"),
        (b'{"id": 1, "do": "start", "batch_g": 0}', 1, "batch_g"),
        (b'{"id": 1, "do": "start", "batch_g": "10"}', 1, "batch_g"),
        (b'{"id": 1, "do": "start", "batch_g": true}', 1, "batch_g"),
        (b'{"id": 1, "do": "start", "pieces": 1.5}', 1, "pieces"),
        (b'{"id": 1, "do": "timer", "timer": "stir-1"}', 1, "either clear: true or extend_s"),
        (
            b'{"id": 1, "do": "timer", "timer": "stir-1", "clear": true, "extend_s": 5}',
            1,
            "either clear: true or extend_s",
        ),
        (b'{"id": 1, "do": "timer", "timer": "stir-1", "extend_s": -5}', 1, "extend_s"),
        (b'{"id": 1, "do": "mark"}', 1, "mark needs kind"),
        (b'{"id": 1, "do": "mark", "kind": "shaken"}', 1, "needs jug"),
        (b'{"id": 1, "do": "mark", "kind": "polished"}', 1, "one of combined, stirred"),
        (b'{"id": 1, "do": "count"}', 1, "give good, rejected, or both"),
        (b'{"id": 1, "do": "count", "good": -1}', 1, "good"),
        (b'{"id": 1, "do": "ambient"}', 1, "ambient needs celsius"),
        (b'{"id": 1, "do": "ambient", "celsius": 20, "of": "moon"}', 1, "of"),
        (b'{"id": 1, "do": "person", "name": "  "}', 1, "name is empty"),
        (b'{"id": 1, "do": "person", "name": "a\\nb"}', 1, "one line of plain text"),
    ],
)
def test_a_bad_command_is_refused_in_one_sentence(payload: bytes, name: Any, words: str) -> None:
    refused = refusal(payload)
    assert refused.id == name
    assert words in refused.sentence
    assert "\n" not in refused.sentence
    assert refused.sentence.endswith(".")


def test_a_command_is_small() -> None:
    room = MAX_BYTES - len('{"id": 1, "do": "next", "pad": ""}')
    assert parse_do('{"id": 1, "do": "next", "pad": "%s"}' % ("x" * room))
    assert (
        "longer than"
        in refusal('{"id": 1, "do": "next", "pad": "%s"}' % ("x" * (room + 1))).sentence
    )


def test_a_command_is_flat() -> None:
    deep: Any = 1
    for _ in range(20):
        deep = [deep]
    refused = refusal({"id": "d", "do": "next", "pad": deep})
    assert (refused.id, "nested" in refused.sentence) == ("d", True)


MEMBERS = sorted({name for model in COMMANDS.values() for name in model.model_fields} - {"do"})
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=8,
)


@given(st.binary(max_size=200) | st.text(max_size=200))
def test_bytes_that_are_no_command_are_refused_in_one_line(payload: bytes | str) -> None:
    sentence = refusal(payload).sentence
    assert sentence
    assert "\n" not in sentence


@given(
    st.sampled_from([*COMMANDS, "other"]),
    st.dictionaries(
        st.sampled_from(MEMBERS),
        ANY_JSON,
    ),
)
def test_any_members_are_understood_or_refused(do: str, members: dict[str, Any]) -> None:
    try:
        name, command = parse_do({"id": "x", "do": do, **members})
    except CommandError as refused:
        assert refused.id == "x"
        assert "\n" not in refused.sentence
    else:
        assert (name, command["do"]) == ("x", do)
        json.dumps(command, allow_nan=False)
