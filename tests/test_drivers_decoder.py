"""Every stream gives the readings it must, in any pieces, and no weight is trusted wrongly."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoder import Decoder
from drivers.reading import Garbled, Reading
from drivers.scale_profile import load_profile, parse_profile
from tests.frame_streams import PIECES, Stream, serial_streams


def fed(stream: Stream, decoder: Decoder, size: int) -> list[Reading]:
    """The readings, each piece of the stream arriving when its bytes would."""
    per_byte_s = 0.2 * len(stream.expected) / max(1, len(stream.data))
    readings: list[Reading] = []
    arrived = 0
    for piece in stream.pieces(size):
        arrived += len(piece)
        items = decoder.feed(arrived * per_byte_s, piece)
        readings += [item for item in items if isinstance(item, Reading)]
    return readings


def told(readings: list[Reading]) -> list[tuple[object, ...]]:
    return [(r.offset, r.text, r.unit, r.declared, r.overload, r.net) for r in readings]


@pytest.mark.parametrize("size", PIECES)
@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_each_stream_is_read_as_it_must_be_in_pieces_of_any_size(stream, size):
    decoder = Decoder(load_profile(stream.id), carry_unit=False)
    readings = fed(stream, decoder, size)
    assert told(readings) == list(stream.expected)
    assert not {reading.text for reading in readings if reading.trusted} & set(stream.must_not)


@pytest.mark.parametrize("stream", serial_streams(wrong=True), ids=str)
def test_bytes_read_with_wrong_line_settings_publish_nothing(stream):
    for stream_of in ("flag-comma-signed", "bare-number-line", "stx-3status-implied"):
        assert fed(stream, Decoder(load_profile(stream_of)), 7) == []


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_trust_does_not_depend_on_the_pieces(stream):
    """All bytes at one time: then trust rests on agreement alone."""
    trusted = []
    for size in PIECES:
        decoder = Decoder(load_profile(stream.id))
        items = [item for piece in stream.pieces(size) for item in decoder.feed(5.0, piece)]
        trusted.append([(r.offset, r.trusted) for r in items if isinstance(r, Reading)])
    assert trusted.count(trusted[0]) == len(trusted)


@pytest.mark.parametrize("stream", serial_streams(), ids=str)
def test_a_replay_can_begin_anywhere_in_a_stream(stream):
    profile = load_profile(stream.id)
    whole = told(fed(stream, Decoder(profile, carry_unit=False), 1))
    for cut in range(0, len(stream.data), 13):
        first, second = Decoder(profile, carry_unit=False), Decoder(profile, carry_unit=False)
        readings = first.feed(1.0, stream.data[:cut])
        second.restore(json.loads(json.dumps(first.snapshot())))
        readings += second.feed(2.0, stream.data[cut:])
        assert told([r for r in readings if isinstance(r, Reading)]) == whole


def lines(*texts: str, gap_s: float = 0.2, name: str = "flag-comma-signed") -> list[Reading]:
    """Readings of whole lines that arrive so far apart."""
    decoder = Decoder(load_profile(name))
    items = [
        item
        for n, text in enumerate(texts)
        for item in decoder.feed(n * gap_s, text.encode("latin-1") + b"\r\n")
    ]
    return [item for item in items if isinstance(item, Reading)]


def trust(*texts: str, gap_s: float = 0.2, name: str = "flag-comma-signed") -> list[bool]:
    return [reading.trusted for reading in lines(*texts, gap_s=gap_s, name=name)]


A, B = "ST,GS,+   36.5 g", "ST,GS,+   36.6 g"
MOVING = "US,GS,+   36.5 g"


def test_two_successive_equal_stable_frames_are_trusted():
    assert trust(A, A, A, B, B) == [False, True, True, False, True]


def test_a_frame_that_says_it_moves_is_never_trusted_and_begins_trust_anew():
    assert trust(A, A, MOVING, MOVING, MOVING, A, A) == [False, True, *[False] * 4, True]


def test_a_changed_unit_ends_trust():
    assert trust(A, A, "ST,GS,+   36.5kg", "ST,GS,+   36.5kg") == [False, True, False, True]


def test_changed_decimals_end_trust_though_the_weight_is_the_same():
    assert trust(A, A, "ST,GS,+  36.50 g", "ST,GS,+  36.50 g") == [False, True, False, True]


def test_a_tare_key_ends_trust_though_the_digits_are_the_same():
    assert trust(A, A, "ST,NT,+   36.5 g", "ST,NT,+   36.5 g") == [False, True, False, True]


def test_an_overload_has_no_weight_and_ends_trust():
    readings = lines(A, A, "OL,GS,+   36.5 g", A)
    assert [(r.text, r.overload, r.trusted) for r in readings] == [
        ("36.5", False, False),
        ("36.5", False, True),
        (None, True, False),
        ("36.5", False, False),
    ]


def test_a_damaged_line_ends_trust_and_one_more_frame_must_agree_for_a_while():
    assert trust(A, A, "ST,GS,+   3 .5 g", A, A, A) == [False, True, False, False, True]
    assert trust(A, A, "ST,GS,+   3 .5 g", *[A] * 10, B, B)[-2:] == [False, True]


def test_a_tare_report_between_two_equal_lines_is_no_reading_and_no_damage():
    assert trust(A, "ST,TR,+   15.0 g", A) == [False, True]


def test_after_a_pause_the_first_frame_is_not_trusted():
    assert trust(A, A, gap_s=2.9) == [False, True]
    assert trust(A, A, gap_s=3.1) == [False, False]


def test_where_nothing_says_stable_a_weight_must_stay_the_same_for_a_time_not_a_count():
    slow = "    36.52"
    assert trust(slow, *[slow] * 5, gap_s=0.2, name="bare-number-line") == [False] * 3 + [True] * 2
    assert not any(trust(slow, *[slow] * 50, gap_s=0.01, name="bare-number-line"))


def test_after_the_port_was_lost_the_rest_of_a_cut_line_is_dropped_and_trust_begins_anew():
    decoder = Decoder(load_profile("flag-comma-signed"))
    decoder.feed(0.0, f"{A}\r\n{A}\r\nST,GS,+  12".encode())
    decoder.reset(1.0)
    items = decoder.feed(1.1, f"36.5 g\r\n{A}\r\n{A}\r\n".encode())
    assert [(item.text, item.trusted) for item in items if isinstance(item, Reading)] == [
        ("36.5", False),
        ("36.5", True),
    ]
    assert not [item for item in items if isinstance(item, Garbled)]


def test_damage_is_counted_and_shown_once():
    decoder = Decoder(load_profile("flag-comma-signed"))
    items = decoder.feed(0.0, f"{A}\r\n\xff\xfe nonsense\r\n{A}\r\n".encode("latin-1"))
    assert [type(item) for item in items] == [Reading, Garbled, Reading]
    assert (decoder.good, decoder.garbled) == (2, 1)


@pytest.mark.parametrize("name", ["flag-comma-signed", "stx-3status-implied", "block-soh-labelled"])
def test_a_flood_without_an_end_is_held_in_bounds(name):
    decoder = Decoder(load_profile(name))
    for _ in range(200):
        decoder.feed(0.0, b"\x02\x01ST,GS," * 200)
    assert len(json.dumps(decoder.snapshot())) < 8000
    frame = load_profile(name).render("36.50", "g", net=True)
    items = decoder.feed(1.0, b"\r\n" + frame * 2)
    assert [item.text for item in items if isinstance(item, Reading)][-1] == "36.50"


def test_a_moving_weight_without_its_unit_is_in_the_last_one_known():
    """Live guidance needs grams while pouring; the stored stream says honestly that it has none."""
    at_rest, moving = "+    36.52 g  ", "+    36.60    "
    live = lines("", at_rest, at_rest, moving, name="sixteen-col-blank-unit")
    assert [(r.grams, r.unit) for r in live[1:]] == [(36.52, "g"), (36.60, None)]
    stored = Decoder(load_profile("sixteen-col-blank-unit"), carry_unit=False)
    items = stored.feed(0.0, f"\r\n{at_rest}\r\n{moving}\r\n".encode())
    assert [item.grams for item in items if isinstance(item, Reading)] == [36.52, None]


def test_the_unit_of_a_scale_that_sends_none_can_be_given():
    decoder = Decoder(load_profile("bare-number-line"), unit="kg")
    (reading,) = decoder.feed(0.0, b"\r\n    1.254\r\n")
    assert isinstance(reading, Reading)
    assert (reading.grams, reading.unit) == (1254.0, "kg")


def test_pounds_and_ounces_are_one_weight():
    """3 lb 4.25 oz is 3 x 16 + 4.25 = 52.25 oz; an ounce is 28.349523125 g exactly."""
    (reading,) = lines("S D    3:04.25 lb:oz", name="echo-letter-right10")
    assert (reading.text, reading.unit) == ("52.25", "oz")
    assert reading.grams == pytest.approx(52.25 * 28.349523125)


def test_an_unverified_digit_in_brackets_counts():
    readings = lines("", "+    36.5[2] g  ", name="sixteen-col-blank-unit")
    assert [(r.text, r.declared) for r in readings] == [("36.52", True)]


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (b"ST,GS,\x01\x84,000024.6 kg\r\n", "header says stable, lamp says moving"),
        (b"US,GS,\x01\xc4,000024.6 kg\r\n", "header says moving, lamp says stable"),
        (b"ST,NT,\x01\xc4,000024.6 kg\r\n", "header says net, lamp says gross"),
    ],
)
def test_two_indicators_that_disagree_reject_the_frame(frame, why):
    decoder = Decoder(load_profile("flag-lamp-byte-22"))
    good = b"ST,GS,\x01\xc4,000024.6 kg\r\n"
    items = decoder.feed(0.0, good + frame)
    assert [type(item) for item in items] == [Reading, Garbled], why


def test_the_echo_of_the_request_is_neither_a_reading_nor_damage():
    decoder = Decoder(load_profile("stx-value-or-query-status"))
    items = decoder.feed(0.0, b"W\x0212.540\rW\x0212.540\r")
    assert [item.trusted for item in items if isinstance(item, Reading)] == [False, True]
    assert decoder.garbled == 0


def test_a_scale_keeps_to_the_form_it_has_shown():
    """A 22-column line that lost its six columns of identifier is damage, not the short form."""
    long, short = "G     +    36.52 g  ", "+    36.52 g  "
    assert len(lines("", long, long, short, name="sixteen-col-blank-unit")) == 2


def test_a_check_by_another_published_rule_is_found_and_then_kept():
    """The CRC with start FFFF and bytes entering high: computed by hand-written bit shifts here."""

    def crc(data: bytes) -> bytes:
        value = 0xFFFF
        for code in data:
            value ^= code << 8
            for _ in range(8):
                value = (value << 1) ^ 0x1021 if value & 0x8000 else value << 1
                value &= 0xFFFF
        return value.to_bytes(2, "little")

    body = bytes([0x24]) + (365).to_bytes(4, "little") + bytes([0, 1, 0, 0])
    frame = b"\xf8U\xce\x09\x00" + body + crc(body)
    decoder = Decoder(load_profile("bin-le32-crc16"))
    items = decoder.feed(0.0, frame * 2)
    assert [item.text for item in items if isinstance(item, Reading)] == ["36.5", "36.5"]
    low = load_profile("bin-le32-crc16").render("36.5")
    assert not [item for item in decoder.feed(0.1, low) if isinstance(item, Reading)]


@pytest.mark.parametrize(
    "line",
    [
        "ST,NT,-   12.3 g",
        "ST,NT,-   12.3g",
        "ST,NT,-   12.3, g",
        "ST,NT,-   12.3  g",
        "ST,NT,-    12.3 g",
        "ST,NT,   -12.3 g",
        "ST,NT,-   12.3 g  ",
        "ST,N,-   12.3 g",
        "ST,NT   -12.3g",
        "ST,NT   -12.3 g",
    ],
)
def test_variants_of_the_signed_line_say_the_same(line):
    for count, said in ((1, ("-12.3", "g", True, True)), (2, ("-12.3", "g", True, True))):
        (*_, reading) = lines(*[line] * count)
        assert (reading.text, reading.unit, reading.declared, reading.net) == said
        assert reading.trusted is (count == 2)


def test_a_signed_line_without_a_point_has_a_divisor_that_nobody_knows():
    assert lines("ST,GS,+   1254 g", "ST,GS,+0012540kg") == []


def test_comma_and_reversed_digits_and_digit_codes_are_data():
    profile = parse_profile(
        """
        name = "odd"
        end = "<CR>"
        first = "keep"
        [fields.number]
        kind = "number"
        sign = "last"
        reversed = true
        point = ","
        digits = "ABCDEFGHIJ"
        [[form]]
        layout = "={number:8}{unit:2}"
        fields.unit = { kind = "unit", names = { gr = "g" } }
        """
    )
    frame = profile.render("-12.30", "g")
    assert frame == b"=-AD,CB  gr\r"
    (reading,) = Decoder(profile).feed(0.0, frame)
    assert isinstance(reading, Reading)
    assert (reading.text, reading.grams) == ("-12.30", -12.3)


EXPONENT = parse_profile(
    """
name = "power-line"
about = "a weight with its power of ten"
settings = ["9600 8N1"]
end = "<CR><LF>"
unit = "g"
recognise = false
[fields.number]
kind = "number"
exponent = true
[[form]]
layout = "{number:12}"
"""
)


WHOLE = b"    1.25E+02\r\n"


@given(st.text("0123456789.,eE+- ", min_size=12, max_size=12))
def test_no_line_of_an_exponent_shape_is_an_error(line):
    items = Decoder(EXPONENT).feed(1.0, WHOLE * 2 + line.encode() + b"\r\n" + WHOLE * 2)
    texts = [item.text or "" for item in items if isinstance(item, Reading)]
    assert texts[0] == texts[-1] == "125"
    assert max(map(len, texts)) <= 24


def test_a_number_cut_off_before_its_power_is_damage():
    *_, item = Decoder(EXPONENT).feed(1.0, WHOLE + b"        E+02\r\n")
    assert isinstance(item, Garbled)


@settings(max_examples=200)
@given(st.sampled_from(list(serial_streams())), st.data())
def test_no_damage_to_a_stream_is_an_error(stream, data):
    """Bytes changed, and taken out, at random places of every shape's own stream."""
    damaged = bytearray(stream.data[:400])
    for _ in range(data.draw(st.integers(1, 12))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at : at + data.draw(st.integers(0, 3))] = data.draw(
            st.binary(max_size=1) | st.sampled_from([b"E", b".", b"-", b" ", b"9", stream.data[:9]])
        )
        damaged += b"\r\n"
    decoder = Decoder(load_profile(stream.id))
    decoder.feed(1.0, bytes(damaged))
    assert decoder.offset == len(damaged)
