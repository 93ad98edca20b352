"""A whole stream at hand: the shape named, recognised, or refused with a reason."""

from __future__ import annotations

import pytest

from drivers.scale_profile import load_profile
from drivers.stream_decode import NotRecognisedError, decode_stream, reading_as_json
from tests.frame_streams import Stream, serial_streams, streams


def rows(stream: Stream, *, named: bool) -> list[tuple[object, ...]]:
    profile = load_profile(stream.id) if named else None
    decoded = decode_stream(stream.data, profile, stream.period_ms)
    trusted = {reading.text for reading in decoded.readings if reading.trusted}
    assert not trusted & set(stream.must_not)
    return [(r.offset, r.text, r.unit, r.declared, r.overload, r.net) for r in decoded.readings]


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_a_stream_of_a_named_shape(stream):
    assert rows(stream, named=True) == list(stream.expected)


@pytest.mark.parametrize(
    "stream",
    [s for s in serial_streams() if str(s) != "number-unit-trailing-query-glitch"],
    ids=str,
)
def test_a_stream_whose_shape_is_recognised(stream):
    assert rows(stream, named=False) == list(stream.expected)


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_a_display_that_stood_still_long_enough_is_trusted_as_the_person_saw_it(stream):
    """Beyond the two frames that must agree, and 0.6 s where frames do not speak of stability."""
    decoded = decode_stream(stream.data, load_profile(stream.id), stream.period_ms)
    for start, stop, shown, _ in stream.marks:
        inside = [r for r in decoded.readings if start < r.offset <= stop]
        trusted = {reading.text for reading in inside if reading.trusted}
        if shown is None:
            assert not trusted
        elif len(inside) >= 5 and stream.period_ms and inside[-1].text is not None:
            assert trusted == {shown}


def test_two_shapes_that_give_the_same_readings_are_both_named_and_the_readings_printed():
    (stream,) = (s for s in streams() if str(s) == "number-unit-trailing-query-glitch")
    decoded = decode_stream(stream.data)
    assert decoded.profiles == ("number-unit-trailing-query", "sixteen-col-blank-unit")
    assert [r.text for r in decoded.readings] == [row[1] for row in stream.expected]
    assert {r.net for r in decoded.readings} == {None}


def test_seven_bit_bytes_read_as_eight_are_recognised_by_their_parity():
    (stream,) = (s for s in serial_streams(wrong=True) if s.case == "7E1-read-as-8N1")
    decoded = decode_stream(stream.data, None, stream.period_ms)
    assert [(r.text, r.unit, r.declared) for r in decoded.readings] == list(stream.alt)
    assert decoded.note.endswith("(bit 7 of every byte is even parity)")


@pytest.mark.parametrize("case", ["9600-read-as-4800", "9600-read-as-19200"])
def test_a_wrong_speed_is_refused_with_what_was_seen(case):
    (stream,) = (s for s in serial_streams(wrong=True) if s.case == case)
    with pytest.raises(NotRecognisedError, match=r"no known line shape fits these \d+ bytes"):
        decode_stream(stream.data)
    assert decode_stream(stream.data, load_profile("flag-comma-signed")).readings == ()


@pytest.mark.parametrize("data", [b"", b"ST,GS,+   36.5 g\r\n", b"hello\r\n" * 20])
def test_too_little_or_no_scale_is_refused(data):
    with pytest.raises(NotRecognisedError, match="no known line shape fits"):
        decode_stream(data)


def test_the_members_of_a_printed_reading():
    data = b"ST,NT,-   12.3 g\r\nST,NT,-   12.3 g\r\nOL,GS,+ 6200.0 g\r\n"
    decoded = decode_stream(data, load_profile("flag-comma-signed"))
    assert [reading_as_json(reading) for reading in decoded.readings[1:]] == [
        {
            "at": 36,
            "text": "-12.3",
            "grams": -12.3,
            "unit": "g",
            "declared": True,
            "overload": False,
            "net": True,
            "trusted": True,
        },
        {
            "at": 54,
            "text": None,
            "grams": None,
            "unit": "g",
            "declared": False,
            "overload": True,
            "net": False,
            "trusted": False,
        },
    ]
