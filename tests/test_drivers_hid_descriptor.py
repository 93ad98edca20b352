"""Report descriptors: where each value stands, after the class definition; nonsense is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.hid_descriptor import DescriptorError, Element, read_descriptor, signed
from tests.kit_hid import KEYBOARD, MOUSE, WHOLE


def places(elements: tuple[Element, ...]) -> list[tuple[int, int]]:
    return [(one.at_bit, one.bits) for one in elements]


def test_the_keyboard_of_the_class_definition():
    """HID 1.11, appendix B.1: a byte of modifiers, a reserved one, six bytes of key codes."""
    seen = read_descriptor(KEYBOARD)
    assert not seen.numbered
    modifiers, keys = seen.elements[:8], seen.elements[8:]
    assert places(modifiers) == [(n, 1) for n in range(8)]
    assert [one.usage(0) for one in modifiers] == [0x7_00E0 + n for n in range(8)]
    assert places(keys) == [(8 * n, 8) for n in range(2, 8)]
    assert all(one.array and one.usage_count == 102 and one.high == 101 for one in keys)
    down = bytes([0b0000_0010, 0, 0x04, 0, 0, 0, 0, 0])  # left shift and A
    assert [one.value(down) for one in modifiers] == [0, 1, 0, 0, 0, 0, 0, 0]
    assert keys[0].usage(keys[0].value(down) or 0) == 0x7_0004


def test_the_mouse_of_the_class_definition():
    """HID 1.11, appendix B.2: three buttons, five bits of padding, X and Y as signed bytes."""
    seen = read_descriptor(MOUSE)
    assert places(seen.elements) == [(0, 1), (1, 1), (2, 1), (8, 8), (16, 8)]
    assert [one.usage(0) for one in seen.elements] == [0x90001, 0x90002, 0x90003, 0x10030, 0x10031]
    moved = bytes([0b101, 5, 0xFB])
    assert [one.value(moved) for one in seen.elements] == [1, 0, 1, 5, -5]


def test_of_all_the_reports_of_a_weighing_device_only_what_it_sends_counts():
    """Features with the same usages (the weight limit) are no weighing."""
    seen = read_descriptor(WHOLE)
    assert seen.numbered
    assert [(one.report_id, one.at_bit, one.bits) for one in seen.elements] == [
        (3, 8, 8),
        (3, 16, 8),
        (3, 24, 8),
        (3, 32, 16),
        (4, 8, 8),
    ]


@pytest.mark.parametrize(
    ("items", "bounds"),
    [
        ("15 00 26 FF FF", (0, 65535)),  # FF FF is no -1 beside a least value of 0
        ("15 00 27 FF FF 00 00", (0, 65535)),
        ("16 00 80 26 FF 7F", (-32768, 32767)),
        ("15 81 25 7F", (-127, 127)),
        ("14 25 01", (0, 1)),  # an item without data is a nought
    ],
)
def test_bounds_are_signed_as_the_least_value_is(items, bounds):
    (one,) = read_descriptor(bytes.fromhex(f"05 8D {items} 75 10 95 01 09 40 81 02")).elements
    assert (one.low, one.high) == bounds


def test_a_value_outside_its_bounds_is_none_and_a_short_report_has_none():
    (one,) = read_descriptor(bytes.fromhex("05 8D 15 00 25 64 75 10 95 01 09 40 81 02")).elements
    assert one.value(b"\x64\x00") == 100
    assert one.value(b"\x65\x00") is None
    assert one.value(b"\x64") is None


def test_what_is_put_away_comes_back_and_a_long_item_is_passed_over():
    """HID 1.11, 6.2.2.3 (long items) and 6.2.2.7 (push and pop)."""
    text = "05 8D 75 08 95 01 A4 75 20 05 01 B4 FE 02 F0 AA BB 09 40 81 02"
    (one,) = read_descriptor(bytes.fromhex(text)).elements
    assert (one.bits, one.usage(0)) == (8, 0x8D0040)


def test_a_usage_can_bring_its_page_and_takes_the_one_in_force_where_it_is_used():
    """HID 1.11, 6.2.2.8: four bytes hold page and usage; else the page of the main item counts."""
    text = "05 01 0B 40 00 8D 00 09 41 05 8D 75 08 95 02 81 02"
    assert [one.usage(0) for one in read_descriptor(bytes.fromhex(text)).elements] == [
        0x8D0040,
        0x8D0041,
    ]


def test_the_last_usage_is_that_of_all_values_that_are_left():
    text = "05 8D 09 40 09 41 75 08 95 04 81 02"
    usages = [one.usage(0) & 0xFF for one in read_descriptor(bytes.fromhex(text)).elements]
    assert usages == [0x40, 0x41, 0x41, 0x41]


@pytest.mark.parametrize(
    ("items", "said"),
    [
        ("05", "cut off"),
        ("26 FF", "cut off"),
        ("FE 09 F0", "cut off"),
        ("A1 01", "has no end"),
        ("C0", "has not begun"),
        ("B4", "not put away"),
        ("85 00", "the id 0"),
        ("86 00 01", "the id 256"),
        ("05 8D 09 40 75 08 95 01 81 02 85 01", "some have none"),
        ("05 8D 09 40 75 08 97 FF FF FF 7F 81 02", "longer than any"),
        ("05 8D 09 40 75 01 96 01 08 81 02", "more values than any"),
        ("05 8D 09 40 75 28 95 01 81 02", "40 bits wide"),
        ("05 8D 19 50 29 40", "does not run"),
        ("1B 00 00 01 00 2B FF FF FF FF", "does not run"),
        ("A9 01", "more than one meaning"),
    ],
)
def test_what_nobody_could_go_by_is_refused(items, said):
    with pytest.raises(DescriptorError, match=said):
        read_descriptor(bytes.fromhex(items))


def test_longer_than_a_descriptor_can_be_is_refused():
    with pytest.raises(DescriptorError, match="longer than a descriptor"):
        read_descriptor(b"\x05\x8d" * 2049)


@given(st.binary(max_size=200), st.binary(max_size=12))
def test_any_bytes_are_read_or_refused(data, report):
    try:
        seen = read_descriptor(data)
    except DescriptorError:
        return
    for one in seen.elements:
        value = one.value(report)
        assert value is None or one.low <= value <= one.high


@given(st.integers(0, len(WHOLE) - 1), st.integers(0, 255), st.binary(max_size=12))
def test_a_descriptor_with_one_byte_changed_is_read_or_refused(at, code, report):
    try:
        seen = read_descriptor(WHOLE[:at] + bytes([code]) + WHOLE[at + 1 :])
    except DescriptorError:
        return
    assert all(one.usage_count > 0 and one.bits <= 32 for one in seen.elements)
    assert all(one.raw(report) is None or (one.raw(report) or 0) >= 0 for one in seen.elements)


@given(st.integers(1, 32), st.data())
def test_signed_is_twos_complement(bits, data):
    number = data.draw(st.integers(-(1 << (bits - 1)), (1 << (bits - 1)) - 1))
    assert signed(number % (1 << bits), bits) == number
