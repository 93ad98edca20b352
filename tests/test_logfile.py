"""Log lines: written and read back exactly, cut off anywhere, refused with their number."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.logfile import End, Event, Header, Log, LogError, header_line, line_of, written

HEADER = Header(recipe={"name": "Slate knob"}, started_at="2026-11-02T09:30:00.000Z")
MINIMAL = '{"benchpour_log": 1, "recipe": {"name": "x"}, "settings": {}, "scale": {}}'
START_US = 7_000_000


def log_of(*lines: str) -> Log:
    return Log(f"{line}\n".encode() for line in lines)


def refused(*lines: str) -> str:
    with pytest.raises(LogError) as caught:
        list(log_of(*lines))
    assert caught.value.status == 1
    sentence = str(caught.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    return sentence


# --- lines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("item", "line"),
    [
        (Raw(8_234_567, b"ST,GS,+ 1.0 g\r\n"), '{"t":1.234567,"raw":"ST,GS,+ 1.0 g\\r\\n"}'),
        (Raw(7_000_000, b"\x02\xff\x80"), '{"t":0.000000,"raw":"\\u0002ÿ\x80"}'),
        (Do(7_000_001, {"do": "next"}, "k1", "key"),
         '{"t":0.000001,"do":{"do":"next"},"id":"k1","by":"key"}'),
        (Port(8_000_000, "lost", "/dev/ttyUSB0", "unplugged"),
         '{"t":1.000000,"port":"lost","url":"/dev/ttyUSB0","why":"unplugged"}'),
        (WallClock(9_500_000, -3), '{"t":2.500000,"clock":{"wall_offset_us":-3}}'),
        (DaemonStart(3_607_000_000, "0.1.0", True, "left", 5.0),
         '{"t":3600.000000,"daemon":{"version":"0.1.0","resumed":true,"bench":"left","risk_pct":5.0,"wall_offset_us":0}}'),
        (Event(8_000_000, 12, "2026-11-02T09:30:01.000Z", "cup.tared", 3, {"cup_g": 8.3}),
         '{"t":1.000000,"event":{"seq":12,"at":"2026-11-02T09:30:01.000Z","kind":"cup.tared",'
         '"batch":3,"data":{"cup_g":8.3}}}'),
        (End(8_000_000), '{"t":1.000000,"end":true}'),
    ],
)  # fmt: skip
def test_each_kind_of_line_is_written_so_and_read_back(item: Any, line: str) -> None:
    assert line_of(item, START_US) == line
    clock = '"clock": {"start_us": 7000000}'
    log = log_of(MINIMAL[:-1] + f", {clock}}}", line)
    assert [found.item for found in log] == [item]


def test_the_promised_members_of_the_first_line_are_there() -> None:
    body = json.loads(header_line(HEADER))
    assert list(body)[:5] == ["benchpour_log", "recipe", "settings", "scale", "started_at"]
    assert body["benchpour_log"] == 1


def test_the_lines_of_the_published_form_are_read_as_they_stand() -> None:
    """The page on the log file gives these forms; blanks after commas and colons are JSON's."""
    log = log_of(
        MINIMAL,
        '{"t": 0.25, "raw": "\\u00ff 12.30 g"}',
        '{"t": 1, "do": {"do": "next"}}',
        '{"t": 1.5, "port": "found"}',
        '{"t": 2, "clock": {"wall_offset_us": 5}}',
        '{"t": 2, "event": {"seq": 1, "at": "x", "kind": "k", "batch": null, "data": {}}}',
    )
    assert [line.item for line in log] == [
        Raw(250_000, b"\xff 12.30 g"),
        Do(1_000_000, {"do": "next"}),
        Port(1_500_000, "found", ""),
        WallClock(2_000_000, 5),
        Event(2_000_000, 1, "x", "k", None, {}),
    ]


def test_events_stand_after_the_inputs_of_the_same_instant() -> None:
    told = [Event(5, 1, "", "a", None, {}), Event(9, 2, "", "b", None, {})]
    lines = list(written(HEADER, [Raw(5, b"x"), Raw(7, b"y")], told, 20))
    assert [line[:14] for line in lines[1:]] == [
        '{"t":0.000005,',
        '{"t":0.000005,',
        '{"t":0.000007,',
        '{"t":0.000009,',
        '{"t":0.000020,',
    ]
    assert '"raw"' in lines[1]
    assert '"event"' in lines[2]
    assert lines[-1].endswith('"end":true}')


_TIMES = st.integers(0, 10**13)
_TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
_INPUTS = st.one_of(
    st.builds(Raw, _TIMES, st.binary(max_size=40)),
    st.builds(
        Do,
        _TIMES,
        st.dictionaries(_TEXT, _TEXT | st.floats(allow_nan=False, allow_infinity=False)),
        _TEXT,
    ),
    st.builds(Port, _TIMES, st.sampled_from(("lost", "found")), _TEXT, _TEXT),
    st.builds(WallClock, _TIMES, st.integers(-(10**16), 10**16)),
)


@given(st.lists(_INPUTS, max_size=8), st.integers(0, 10**13))
def test_whatever_came_in_is_read_back_to_the_microsecond(items: list[Input], start: int) -> None:
    inputs = sorted((_later(item, start) for item in items), key=lambda item: item.at_us)
    header = Header(recipe={"name": "x"}, start_us=start, wall_offset_us=12)
    log = log_of(*written(header, inputs, []))
    found = [line.item for line in log]
    assert found[:-1] == inputs
    assert log.header == header
    assert log.ended


def _later(item: Any, start: int) -> Any:
    kind = type(item)
    fields = {name: getattr(item, name) for name in kind.__slots__}
    return kind(**fields | {"at_us": item.at_us + start})


# --- cut off, or damaged -------------------------------------------------------------------------


def test_a_whole_log_is_not_cut() -> None:
    log = log_of(MINIMAL, '{"t":1,"raw":"x"}', '{"t":2,"end":true}')
    list(log)
    assert (log.ended, log.cut) == (True, "")


def test_a_log_without_its_end_says_where_it_is_cut() -> None:
    log = log_of(MINIMAL, '{"t":1,"raw":"x"}', '{"t":2.5,"raw":"y"}')
    list(log)
    assert log.cut == "The log is cut off after line 3, 2.500 s from its start."


def test_a_half_last_line_is_left_out_and_told() -> None:
    log = Log([MINIMAL.encode() + b"\n", b'{"t":1,"raw":"x"}\n', b'{"t":2.5,"ra'])
    assert len(list(log)) == 1
    assert "line 3 is half a line" in log.cut


def test_a_whole_last_line_that_only_lacks_its_end_counts() -> None:
    log = Log([MINIMAL.encode() + b"\n", b'{"t":1,"raw":"x"}'])
    assert [line.item for line in log] == [Raw(1_000_000, b"x")]


def test_a_line_cut_within_a_character_is_half_a_line() -> None:
    log = Log([MINIMAL.encode() + b"\n", '{"t":1,"raw":"ÿ'.encode()[:-1]])
    assert list(log) == []
    assert log.half == 2


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{oops", "not one whole JSON object"),
        ('"text"', "not one whole JSON object"),
        ('{"t": NaN, "raw": "x"}', "not one whole JSON object"),
        ('{"raw": "x"}', "no t"),
        ('{"t": true, "raw": "x"}', "no t"),
        ('{"t": "1", "raw": "x"}', "no t"),
        ('{"t": -1, "raw": "x"}', "no time from the start"),
        ('{"t": 1e300, "raw": "x"}', "no time from the start"),
        ('{"t": 0.5, "raw": "x"}', "before that of the line above"),
        ('{"t": 2, "raw": "\\u0100"}', "not of its form"),
        ('{"t": 2, "do": 7}', "not of its form"),
        ('{"t": 2, "port": "unplugged"}', "port is either lost or found"),
        ('{"t": 2, "clock": {}}', "'wall_offset_us' is missing"),
        ('{"t": 2, "clock": {"wall_offset_us": 1e999}}', "not of its form"),
        ('{"t": 2, "daemon": 5}', "not of its form"),
        ('{"t": 2, "event": {"at": "", "kind": "", "data": {}}}', "'seq' is missing"),
        ('{"t": 2, "event": []}', "not of its form"),
    ],
)
def test_a_damaged_line_is_refused_with_its_number(line: str, words: str) -> None:
    sentence = refused(MINIMAL, '{"t":1,"raw":"x"}', line, '{"t":3,"raw":"y"}')
    assert sentence.startswith("Line 3 of the log cannot be used:")
    assert words in sentence


def test_what_comes_after_the_end_is_refused() -> None:
    assert "Line 3" in refused(MINIMAL, '{"t":1,"end":true}', '{"t":2,"raw":"x"}')


def test_blank_lines_and_unknown_members_are_passed_over() -> None:
    log = log_of(MINIMAL, "", '{"t":1,"note":"the kettle boils"}', '{"t":2,"raw":"x","bar":1}')
    assert [line.number for line in log] == [4]


@pytest.mark.parametrize(
    ("first", "words"),
    [
        ("", "no benchpour log"),
        ("{}", "no benchpour log"),
        ("[1]", "no benchpour log"),
        ('{"benchpour_log": 2, "recipe": {}}', "of form 2"),
        ('{"benchpour_log": 1}', "no recipe"),
        ('{"benchpour_log": 1, "recipe": 5}', "not of its form"),
        ('{"benchpour_log": 1, "recipe": {}, "clock": {"start_us": "soon"}}', "not of its form"),
    ],
)
def test_a_first_line_that_is_no_header_is_refused(first: str, words: str) -> None:
    assert words in refused(first)


def test_half_a_header_says_so() -> None:
    with pytest.raises(LogError, match="cut off within that line"):
        Log([b'{"benchpour_log": 1, "reci'])


def test_a_file_that_an_editor_marked_as_utf8_is_read() -> None:
    assert Log([b"\xef\xbb\xbf" + MINIMAL.encode()]).header.recipe == {"name": "x"}


@given(st.lists(st.binary(max_size=30), max_size=6))
def test_no_bytes_do_more_than_be_refused(lines: list[bytes]) -> None:
    text = MINIMAL.encode() + b"\n" + b"\n".join(lines)
    try:
        found = list(Log(text.splitlines(keepends=True)))
    except LogError as error:
        assert str(error).startswith("Line ")
    else:
        assert all(a.at_us <= b.at_us for a, b in pairwise(found))
