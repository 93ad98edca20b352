"""What a scale's report says, by the usages of its descriptor and never by the place of a byte.

Tables: USB-IF, HID Point of Sale Usage Tables 1.02, section 4 (weighing devices, page 8D).
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.facts import Parsed
from drivers.hid_report import USUAL, NotAScaleError, layout_of
from tests import kit_hid as kit
from tests.kit_hid import EXPONENT, STATUS, UNIT, WEIGHT, descriptor, report, usual

LAYOUT = layout_of(usual())


def told(data: bytes, layout=LAYOUT) -> tuple[str | None, str | None, bool | None]:
    said = layout.read(data)
    assert isinstance(said, Parsed), said
    return said.text, said.unit, said.declared


@pytest.mark.parametrize(
    ("data", "text", "unit", "declared"),
    [
        ("03 04 02 00 6D 01", "365", "g", True),
        ("03 03 0B FF 39 00", "5.7", "oz", False),
        ("03 05 02 FF 19 00", "-2.5", "g", False),
        ("03 04 0C FE 7B 00", "1.23", "lb", True),
        ("03 04 03 FD E6 04", "1.254", "kg", True),
        ("03 02 02 FF 00 00", "0.0", "g", True),
        ("03 04 02 01 0C 00", "120", "g", True),
        ("03 04 02 FE 05 00", "0.05", "g", True),
        ("03 04 02 00 FF FF", "65535", "g", True),
    ],
)
def test_weights_worked_by_hand(data, text, unit, declared):
    assert told(bytes.fromhex(data)) == (text, unit, declared)


@pytest.mark.parametrize(
    ("status", "text", "declared", "overload"),
    [
        (kit.FAULT, None, False, False),
        (kit.MOVING, "12.5", False, False),
        (kit.STABLE, "12.5", True, False),
        (kit.UNDER, "-12.5", False, False),
        (kit.OVER, None, False, True),
        (kit.CALIBRATE, None, False, False),
        (kit.REZERO, None, False, False),
    ],
)
def test_each_status_of_the_table(status, text, declared, overload):
    said = LAYOUT.read(report(125, -1, status=status))
    assert isinstance(said, Parsed)
    assert (said.text, said.declared, said.overload) == (text, declared, overload)
    assert said.net is None


@pytest.mark.parametrize(
    ("number", "name"),
    [
        *enumerate(("mg", "g", "kg", "ct", "tael", "gr", "dwt", "t", "ton", "ozt", "oz", "lb"), 1),
    ],
)
def test_each_unit_of_the_table(number, name):
    assert told(report(7, unit=number)) == ("7", name, True)


def test_a_unit_that_is_not_told_is_none():
    assert told(report(7, unit=0)) == ("7", None, True)
    assert told(report(7, unit=13)) == ("7", None, True)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (report(7, status=0), "no status"),
        (report(7, status=9), "no status"),
        (report(7, exponent=10), "to the power of 10"),
        (report(7, exponent=-128), "to the power of -128"),
        (report(7, status=kit.ZERO), "7 at the centre of zero"),
        (report(7)[:5], "no weight"),
        (report(7)[:3], "too short"),
        (b"", "empty"),
    ],
)
def test_what_cannot_be_is_not_believed(data, said):
    found = LAYOUT.read(data)
    assert isinstance(found, str)
    assert said in found


def test_padding_behind_a_report_says_nothing():
    assert LAYOUT.read(report(7) + b"\xff\xff") == LAYOUT.read(report(7))


def test_reports_of_other_ids_are_no_weight():
    said = layout_of(kit.WHOLE).read(b"\x04\x03")
    assert said == Parsed(other=True)


def test_all_reports_of_the_standard_and_the_data_report_alone_read_alike():
    for layout in (layout_of(kit.WHOLE), layout_of(USUAL)):
        assert told(report(365), layout) == ("365", "g", True)


@pytest.mark.parametrize("report_id", [1, 3, 9, 255])
def test_any_report_id_will_do_and_only_that_one(report_id):
    layout = layout_of(usual(report_id))
    assert told(report(365, report_id=report_id), layout) == ("365", "g", True)
    other = 4 if report_id == 3 else 3
    assert layout.read(report(365, report_id=other)) == Parsed(other=True)


def test_a_device_without_report_ids():
    assert told(report(365)[1:], layout_of(usual(0))) == ("365", "g", True)


def test_another_order_of_the_values():
    layout = layout_of(descriptor(WEIGHT, EXPONENT, UNIT, STATUS))
    assert told(bytes.fromhex("03 6D 01 FF 02 03"), layout) == ("36.5", "g", False)


def test_values_that_do_not_begin_at_a_byte():
    """Status in four bits, unit in four, exponent in four, weight in twenty."""
    layout = layout_of(
        descriptor(
            "15 01 09 70 A1 02 25 08 75 04 19 71 29 78 81 00 C0",
            "09 50 A1 02 25 0C 19 51 29 5C 81 00 C0",
            "15 F8 25 07 09 41 81 02",
            "75 14 15 00 27 FF FF 0F 00 09 40 81 02",
        )
    )
    bits = kit.STABLE | kit.G << 4 | (-2 % 16) << 8 | 123_456 << 12
    assert told(b"\x03" + bits.to_bytes(4, "little"), layout) == ("1234.56", "g", True)


def test_a_wide_weight_and_one_with_a_sign():
    wide = layout_of(descriptor(STATUS, UNIT, EXPONENT, "75 20 15 00 27 FF FF FF 7F 09 40 81 02"))
    assert told(bytes.fromhex("03 04 02 FD 40 E2 01 00"), wide) == ("123.456", "g", True)
    signs = layout_of(descriptor(STATUS, UNIT, EXPONENT, "75 10 16 00 80 26 FF 7F 09 40 81 02"))
    minus = bytes.fromhex("03 04 02 FF E7 FF")
    assert told(minus, signs) == ("-2.5", "g", True)
    assert told(minus[:1] + bytes([kit.UNDER]) + minus[2:], signs) == ("-2.5", "g", False)


def test_the_exponent_is_signed_even_where_its_bounds_are_not():
    layout = layout_of(descriptor(STATUS, UNIT, "75 08 15 00 26 FF 00 09 41 81 02", WEIGHT))
    assert told(report(57, -1), layout) == ("5.7", "g", True)


def test_a_scale_that_sends_no_status_does_not_say_whether_it_is_at_rest():
    layout = layout_of(descriptor(UNIT, EXPONENT, WEIGHT))
    assert told(bytes.fromhex("03 02 FF 7D 00"), layout) == ("12.5", "g", None)


def test_a_scale_that_sends_weight_and_exponent_alone():
    layout = layout_of(descriptor(EXPONENT, WEIGHT))
    assert told(bytes.fromhex("03 FF 1B 01"), layout) == ("28.3", None, None)


def test_status_as_single_bits():
    bits = "15 00 25 01 75 01 95 08 19 71 29 78 81 02 95 01"
    layout = layout_of(descriptor(bits, UNIT.replace("15 01", "75 08 15 01"), EXPONENT, WEIGHT))
    body = report(125, -1)[2:]
    assert told(b"\x03" + bytes([1 << 3]) + body, layout) == ("12.5", "g", True)
    assert told(b"\x03" + bytes([1 << 4]) + body, layout) == ("-12.5", "g", False)
    assert layout.read(b"\x03" + bytes([0b1100]) + body) == "no status that is known"


def test_status_and_unit_as_plain_numbers():
    numbers = "15 00 25 0C 09 70 81 02 09 50 81 02"
    layout = layout_of(descriptor(numbers, EXPONENT, WEIGHT))
    assert told(report(125, -1, kit.OZ, kit.MOVING), layout) == ("12.5", "oz", False)


def test_a_list_of_units_is_gone_by_whatever_its_order():
    """The first number is the first usage (HID 1.11, 6.2.2.5): here pound, ounce, gram."""
    units = "15 01 09 50 A1 02 25 03 09 5C 09 5B 09 52 81 00 C0"
    layout = layout_of(descriptor(STATUS, units, EXPONENT, WEIGHT))
    assert [told(report(7, unit=n), layout)[1] for n in (1, 2, 3, 4)] == ["lb", "oz", "g", None]


def test_a_list_that_is_counted_from_nought_is_gone_by():
    units = "15 00 09 50 A1 02 25 0B 19 51 29 5C 81 00 C0"
    layout = layout_of(descriptor(STATUS, units, EXPONENT, WEIGHT))
    assert [told(report(7, unit=n), layout)[1] for n in (0, 1, 11)] == ["mg", "g", "lb"]


def test_a_nought_beside_the_numbers_of_the_table_is_none_of_them():
    units = "15 00 09 50 A1 02 25 0C 19 51 29 5C 81 00 C0"
    layout = layout_of(descriptor(STATUS, units, EXPONENT, WEIGHT))
    assert [told(report(7, unit=n), layout)[1] for n in (0, 2, 12)] == [None, "g", "lb"]


def test_a_status_in_a_report_of_its_own_never_makes_a_weight_one_at_rest():
    apart = "C0 09 33 A1 02 85 04 75 08 95 01 " + STATUS
    layout = layout_of(descriptor(UNIT, EXPONENT, WEIGHT, apart))
    weighing = bytes.fromhex("03 02 FF 7D 00")
    assert layout.read(weighing) == "no status has come yet"
    held = {n: layout.status_apart(bytes([4, n])) for n in range(1, 9)}
    assert held == {n: n for n in range(1, 9)}
    assert layout.status_apart(weighing) is None

    def read(status: int) -> Parsed | str:
        return layout.read(weighing, status)

    assert read(kit.STABLE) == Parsed("12.5", "g", None)
    assert read(kit.ZERO) == Parsed("12.5", "g", None)
    assert read(kit.MOVING) == Parsed("12.5", "g", False)
    assert read(kit.UNDER) == Parsed("-12.5", "g", False)
    assert read(kit.OVER) == Parsed(None, "g", False, reach="over")
    assert read(kit.FAULT) == Parsed(None, "g", False)
    assert layout.read(bytes([4, kit.OVER])) == Parsed(declared=False, reach="over")
    assert layout.read(bytes([4, kit.REZERO])) == Parsed(declared=False)
    assert layout.read(bytes([4, kit.MOVING])) == Parsed(other=True)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (kit.VENDOR_PAGE, "no weight of a weighing device"),
        (kit.KEYBOARD, "no weight of a weighing device"),
        (kit.MOUSE, "no weight of a weighing device"),
        (b"", "no weight of a weighing device"),
        (usual()[:-1], "cannot be read: a collection has no end"),
        (descriptor(STATUS, UNIT, WEIGHT), "no exponent of a weighing device"),
        (descriptor(STATUS, UNIT, EXPONENT, WEIGHT, WEIGHT), "more than one weight"),
        (descriptor(EXPONENT, "C0 09 32 A1 02 85 07", WEIGHT), "in different reports"),
        (
            descriptor(STATUS, UNIT.replace("15 01", "15 00").replace("25 0C", "26 FF 00"),
                       EXPONENT, WEIGHT),
            "256 numbers for 12 usages of its unit",
        ),
        (
            descriptor(STATUS.replace("15 01", "15 02"), UNIT, EXPONENT, WEIGHT),
            "7 numbers for 8 usages of its status",
        ),
    ],
)  # fmt: skip
def test_what_is_no_scale_or_could_be_read_in_two_ways_is_refused(data, said):
    with pytest.raises(NotAScaleError, match=said):
        layout_of(data)


@given(st.integers(0, 65535), st.integers(-9, 9), st.integers(1, 12))
def test_a_weight_is_the_number_times_ten_to_the_power_of_the_exponent(number, exponent, unit):
    """Worked by the decimal arithmetic of the library; every digit that was sent is there."""
    text, _, declared = told(report(number, exponent, unit))
    assert text is not None
    assert declared
    assert Decimal(text) == Decimal(number).scaleb(exponent)
    assert len(text.partition(".")[2]) == max(0, -exponent)
    assert "e" not in text.lower()


@given(st.binary(max_size=12), st.sampled_from([None, *range(1, 9)]))
def test_any_report_is_read_or_refused(data, held):
    apart = "C0 09 33 A1 02 85 04 75 08 95 01 " + STATUS
    for body in (usual(), usual(0), kit.WHOLE, descriptor(UNIT, EXPONENT, WEIGHT, apart)):
        said = layout_of(body).read(data, held)
        assert isinstance(said, str | Parsed)
        if isinstance(said, Parsed) and said.text is not None:
            assert Decimal(said.text).is_finite()


@given(st.integers(0, len(usual()) - 1), st.integers(0, 255))
def test_a_descriptor_with_one_byte_changed_is_a_layout_or_is_refused(at, code):
    body = usual()
    try:
        layout = layout_of(body[:at] + bytes([code]) + body[at + 1 :])
    except NotAScaleError:
        return
    said = layout.read(report(365))
    assert isinstance(said, str) or said.text is None or Decimal(said.text).is_finite()
