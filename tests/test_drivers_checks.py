"""Check bytes against published figures."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.checks import RULES, check_value, encode_check


def test_crc_16_with_polynomial_1021_and_start_ffff():
    """The catalogued check value of CRC-16 with polynomial 1021, start FFFF ("123456789"): 29B1."""
    assert RULES["crc16-1021-ffff"](b"123456789") == 0x29B1


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        ("crc16-8005-high", 0xFEE8),
        ("crc16-a001", 0xBB3D),
        ("crc16-a001-ffff", 0x4B37),
        ("crc16-8408", 0x2189),
        ("crc16-8408-ffff", 0x6F91),
        ("crc8-07", 0xF4),
        ("crc8-31", 0xA2),
        ("crc8-8c", 0xA1),
    ],
)
def test_the_catalogued_check_values(rule, value):
    """The public catalogue of CRC parameters gives these for "123456789"; from memory."""
    assert RULES[rule](b"123456789") == value


def test_a_sum_in_two_decimal_digits_wraps_at_a_hundred():
    assert check_value("sum", b"\xff\x02", modulus=100, complement="none", add=50) == 7


@given(st.binary())
def test_crc_16_with_start_zero_is_that_of_the_standard_library(data):
    """`binascii.crc_hqx` is the same CRC from another hand."""
    assert RULES["crc16-1021-high"](data) == binascii.crc_hqx(data, 0)


@given(st.binary(max_size=40))
def test_the_low_entering_crc_is_the_plain_remainder(data):
    """Bytes that enter low, after the shifts: the CRC of the message without two zero bytes."""
    assert RULES["crc16-1021-low"](data + b"\x00\x00") == binascii.crc_hqx(data, 0)


def test_sum_and_exclusive_or():
    assert RULES["xor"](b"\x0f\xf0\x01") == 0xFE
    assert RULES["sum"](b"\xff\x02") == 0x101
    assert RULES["sum-low7"](b"\x82\x01") == 3


@pytest.mark.parametrize(
    ("complement", "add", "expected"),
    [("none", 0, 0x01), ("twos", 0, 0xFF), ("ones", 0, 0xFE), ("none", 0x20, 0x21)],
)
def test_complements_and_offsets(complement, add, expected):
    value = check_value("sum", b"\xff\x02", modulus=256, complement=complement, add=add)
    assert value == expected


def test_a_check_that_makes_the_whole_sum_nothing():
    frame = b"\x02, !  3652     0\r"
    check = check_value("sum-low7", frame, modulus=128, complement="twos", add=0)
    assert (sum(frame) + check) % 128 == 0


def test_how_a_check_stands_in_a_frame():
    assert encode_check(0x1A2B, "low-first", 2) == b"\x2b\x1a"
    assert encode_check(0x1A2B, "high-first", 2) == b"\x1a\x2b"
    assert encode_check(0x2B, "high-first", 1) == b"\x2b"
    assert encode_check(0x2B, "low-first", 1) == b"\x2b"
    assert encode_check(0xA, "HEX", 2) == b"0A"
    assert encode_check(0xA, "hex", 2) == b"0a"
    assert encode_check(7, "decimal", 3) == b"007"
