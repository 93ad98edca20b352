"""The stream of a HID scale: read alike in any pieces, damaged or begun anywhere, never wrong."""

from __future__ import annotations

import binascii
import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.cli import main
from daemon.logfile import Header
from daemon.replay import decoder_of
from drivers.decoder import Decoder
from drivers.hid_frames import HidReader, descriptor_line, report_line
from drivers.reading import Garbled, Reading
from drivers.scale_profile import load_profile
from drivers.stream_decode import decode_stream
from tests import kit_hid as kit
from tests.frame_streams import PIECES, Stream, streams
from tests.kit_hid import EXPONENT, STATUS, UNIT, WEIGHT, descriptor, report, usual

PROFILE = load_profile("hid-scale-report")
(RECORDED,) = (stream for stream in streams() if stream.transport == "hid")
D = descriptor_line(usual())


def live(*reports: bytes, told: bytes = D) -> bytes:
    return told + b"".join(map(report_line, reports))


def rows(readings: list[Reading]) -> list[tuple[object, ...]]:
    return [(r.offset, r.text, r.unit, r.declared, r.overload, r.net) for r in readings]


def read(data: bytes, size: int = 1_000_000, every_s: float = 0.5) -> list[Reading]:
    """The readings of a stream in pieces of this size, the pieces this far apart."""
    decoder = Decoder(PROFILE)
    items = []
    for n, at in enumerate(range(0, len(data), size)):
        items += decoder.feed(n * every_s, data[at : at + size])
    return [item for item in items if isinstance(item, Reading)]


def trusted(data: bytes, size: int = 6) -> set[str | None]:
    return {reading.text for reading in read(data, size) if reading.trusted}


# -- what was recorded ---------------------------------------------------------------------------


@pytest.mark.parametrize("size", PIECES)
def test_the_recorded_reports_read_as_they_must_in_any_pieces(size: int):
    found = read(RECORDED.data, size)
    assert rows(found) == list(RECORDED.expected)
    assert not {reading.text for reading in found if reading.trusted} & set(RECORDED.must_not)


def test_the_command_that_decodes_reads_them_too(tmp_path, capsys):
    stream: Stream = RECORDED
    file = tmp_path / "reports.bin"
    file.write_bytes(stream.data)
    words = ["scale", "decode", str(file), "--profile", PROFILE.name, "--period-ms", "500"]
    assert main(words) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    names = ("at", "text", "unit", "declared", "overload", "net")
    assert [tuple(row[name] for name in names) for row in found] == list(stream.expected)
    assert [row["text"] for row in found if row["trusted"]] == ["254"]
    assert main(["scale", "decode", str(file)]) == 1
    assert "no known line shape fits" in capsys.readouterr().err


def test_bytes_whose_bits_happen_to_be_even_are_not_taken_for_parity():
    """Every byte of this report has an even number of ones, one of them above 7F."""
    moving = bytes.fromhex("03 03 0C FF 03 00")
    assert {code.bit_count() % 2 for code in moving} == {0}
    decoded = decode_stream(moving * 10, PROFILE)
    assert {(r.text, r.unit) for r in decoded.readings} == {("0.3", "lb")}


# -- lines ---------------------------------------------------------------------------------------


def test_a_line_is_its_letter_its_bytes_and_a_check_that_a_general_library_gives_too():
    """CRC-16 with polynomial 1021 and start FFFF; published for "123456789": 29B1."""
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    for line, data in ((report_line(b"\x03\x04"), b"R\x03\x04"), (D, b"D" + usual())):
        check = binascii.crc_hqx(data, 0xFFFF)
        assert line == data[:1] + data[1:].hex().upper().encode() + b"*%04X\r\n" % check


def test_the_first_weighing_is_dropped_and_two_more_alike_are_trusted():
    found = read(live(report(812), report(254), report(254), report(254)), 22)
    assert [(r.text, r.trusted) for r in found] == [
        ("254", False),
        ("254", True),
        ("254", True),
    ]
    assert found[-1].grams == 254.0


def test_a_scale_that_says_centre_of_zero_for_ever_is_at_rest_at_nought():
    found = read(live(*[report(0, -1, status=kit.ZERO)] * 4), 22)
    assert [(r.text, r.declared, r.trusted) for r in found[1:]] == [("0.0", True, True)] * 2


def test_a_scale_without_a_status_is_at_rest_after_some_time_of_equal_weights():
    told = descriptor_line(descriptor(UNIT, EXPONENT, WEIGHT))
    weighing = bytes.fromhex("03 02 FF 7D 00")
    line = report_line(weighing)
    decoder = Decoder(PROFILE)
    decoder.feed(0.0, told + line)
    found = [decoder.feed(0.1 * n, line)[0] for n in range(1, 12)]
    assert {item.declared for item in found if isinstance(item, Reading)} == {None}
    assert [isinstance(item, Reading) and item.trusted for item in found] == [False] * 6 + [
        True
    ] * 5


@pytest.mark.parametrize(
    "between",
    [
        report(80, status=kit.MOVING),
        report(25, status=kit.UNDER),
        report(0, status=kit.OVER),
        report(0, status=kit.FAULT),
        report(254, unit=kit.OZ),
        report(2540, -1),
        report(254, status=9),
    ],
)
def test_what_comes_between_ends_trust(between):
    found = read(live(*[report(254)] * 3, between, report(254)), 22)
    assert found[1].trusted
    assert not found[-1].trusted


def test_an_unplugged_scale_begins_anew_with_its_first_weighing_dropped():
    decoder = Decoder(PROFILE)
    decoder.feed(0.0, live(report(1), report(254), report(254)) + report_line(report(254))[:9])
    decoder.reset(1.0)
    assert decoder.feed(1.1, D + report_line(report(254))) == []
    (one,) = decoder.feed(1.2, report_line(report(254)))
    assert isinstance(one, Reading)
    assert not one.trusted


def test_another_descriptor_is_gone_by_from_its_line_on():
    other = descriptor_line(descriptor(WEIGHT, EXPONENT, UNIT, STATUS, report_id=9))
    turned = bytes.fromhex("09 6D 01 FF 02 04")
    found = read(live(report(1), report(254)) + other + report_line(turned) * 3)
    assert [r.text for r in found] == ["254", "36.5", "36.5"]


def test_a_status_in_a_report_of_its_own_is_held_and_its_sign_counts():
    apart = "C0 09 33 A1 02 85 04 75 08 95 01 " + STATUS
    told = descriptor_line(descriptor(UNIT, EXPONENT, WEIGHT, apart))
    weighing = bytes.fromhex("03 02 FF 7D 00")
    stream = [weighing, b"\x04\x04", weighing, weighing, b"\x04\x05", weighing]
    found = read(live(*stream, told=told))
    assert [(r.text, r.declared) for r in found] == [("12.5", None), ("-12.5", False)]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"R03040200FE00*0000\r\n", "the check does not match"),
        (b"R03040200FE0*1234\r\n", "not a line of a report"),
        (b"Q03040200FE00*1234\r\n", "not a line of a report"),
        (b"\r\n", "not a line of a report"),
        (report_line(report(7, status=9)), "no status that is known"),
        (descriptor_line(kit.VENDOR_PAGE), "no weight of a weighing device (usage page 8D)"),
    ],
)
def test_damage_is_told_and_why(line, why):
    items = Decoder(PROFILE).feed(1.0, D + line)
    assert [type(item) for item in items] == [Garbled]
    assert isinstance(items[0], Garbled)
    assert items[0].why.endswith(why)


def test_reports_without_a_descriptor_before_them_are_not_guessed_at():
    items = Decoder(PROFILE).feed(0.0, report_line(report(254)) * 3)
    assert [item.why for item in items if isinstance(item, Garbled)] == [
        "a report whose descriptor is not known"
    ] * 3


def test_a_line_without_an_end_is_one_damage_and_takes_no_room():
    for size in (997, 10_000_000):
        decoder = Decoder(PROFILE)
        flood = D + b"R" + b"00" * 50_000 + b"\r\n" + live(report(1), report(254))
        items = []
        for at in range(0, len(flood), size):
            items += decoder.feed(0.0, flood[at : at + size])
            assert len(json.dumps(decoder.snapshot())) < 20_000
        assert [type(item) for item in items] == [Garbled, Reading]
        assert isinstance(items[0], Garbled)
        assert items[0].why == "a line without end"


def test_from_the_middle_of_a_stream_a_snapshot_goes_on_as_if_nothing_had_been():
    stream = live(report(1), *[report(254, -1)] * 4)
    for data in (stream, RECORDED.data):
        for cut in range(0, len(data), 5):
            one = Decoder(PROFILE)
            before = one.feed(0.0, data[:cut])
            two = Decoder(PROFILE)
            two.restore(json.loads(json.dumps(one.snapshot())))
            assert before + two.feed(0.5, data[cut:]) == before + one.feed(0.5, data[cut:])
            assert two.heard == one.heard


def test_a_log_that_begins_behind_the_descriptor_still_replays():
    decoder = Decoder(PROFILE)
    decoder.feed(0.0, live(report(1), report(254)))
    header = Header(
        recipe={}, settings={}, scale={"profile": PROFILE.name}, decoder=decoder.snapshot()
    )
    (reading,) = decoder_of(header).feed(0.5, report_line(report(254)))
    assert isinstance(reading, Reading)
    assert (reading.text, reading.trusted) == ("254", True)


# -- damage --------------------------------------------------------------------------------------


def damaged(piece: bytes, rng: random.Random) -> bytes:
    """One mishap: a flipped bit, lost, doubled or stray bytes, a cut."""
    at = rng.randrange(len(piece))
    kind = rng.randrange(5)
    if kind == 0:
        return piece[:at] + bytes([piece[at] ^ 1 << rng.randrange(8)]) + piece[at + 1 :]
    if kind == 1:
        return piece[:at] + piece[at + rng.randrange(1, 6) :]
    if kind == 2:
        return piece[: at + 1] + piece[at:]
    if kind == 3:
        return piece[:at] + bytes([rng.randrange(256)]) + piece[at:]
    return piece[:at]


def _ends_in_3(n: int) -> int:
    """A weight with a byte that could be the id of a report."""
    return n << 8 | 3


WEIGHINGS = st.lists(
    st.tuples(
        st.integers(0, 65535) | st.integers(0x300, 0x3FF) | st.integers(0, 255).map(_ends_in_3),
        st.sampled_from([-3, -2, -1, 0]),
        st.sampled_from([kit.G, kit.KG, kit.OZ, kit.LB]),
    ),
    min_size=1,
    max_size=3,
)


@settings(max_examples=150, deadline=None)
@given(WEIGHINGS, st.integers(0, 2**32), st.booleans())
def test_whatever_happens_to_single_reports_no_wrong_weight_is_trusted(weighings, seed, bare):
    rng = random.Random(seed)
    stream = b"" if bare else D
    true = set()
    for weight, exponent, unit in weighings:
        data = report(weight, exponent, unit)
        piece = data if bare else report_line(data)
        (said,) = read(live(data, data))
        true.add((said.text, said.unit))
        for n in range(12):
            stream += damaged(piece, rng) if n % 4 == 3 else piece
    decoder = Decoder(PROFILE)
    for n, at in enumerate(range(0, len(stream), 5)):
        for item in decoder.feed(n * 0.06, stream[at : at + 5]):
            if isinstance(item, Reading) and item.trusted:
                assert (item.text, item.unit) in true


@settings(max_examples=150, deadline=None)
@given(WEIGHINGS, st.integers(1, 40), st.sampled_from([kit.STABLE, kit.MOVING]))
def test_a_capture_cut_anywhere_gives_no_wrong_trusted_weight(weighings, cut, status):
    """Bare reports carry no mark of where they begin: what could be read in two ways is not."""
    for weight, exponent, unit in weighings:
        data = report(weight, exponent, unit, status)
        (said,) = read(live(data, data))
        found = trusted((data * 40)[cut:])
        assert found <= ({said.text} if status == kit.STABLE else set())


def test_two_alike_pieces_of_damage_with_something_between_are_no_two_weighings():
    """A capture of 259 kg with a doubled byte twice: on the shifted beat 768000 kg came up."""
    doubled = "03040300 0301 03040300 0301 03040300 0301 0304030300 0301 03040300 0301"
    stream = bytes.fromhex(doubled + "03040300 0301" * 2 + "0304030300 0301" + "03040300 0301" * 5)
    assert trusted(stream) <= {"259"}


def test_a_capture_that_begins_in_the_middle_of_a_report_is_read_after_a_while():
    for cut in range(1, 6):
        assert trusted((report(365) * 20)[cut:]) == {"365"}


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300), st.integers(1, 40), st.booleans())
def test_noise_is_read_alike_in_any_pieces_and_never_trusted(noise, size, told):
    stream = (D if told else b"") + noise + b"\r\n" + live(report(1), report(254))

    def frames(piece: int) -> list[object]:
        reader = HidReader()
        found: list[object] = []
        for at in range(0, len(stream), piece):
            found += reader.push(stream[at : at + piece])
        assert reader.offset == len(stream)
        return found

    assert frames(size) == frames(len(stream))
    assert trusted(stream, size) == set()
