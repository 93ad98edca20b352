"""Numbers that are no digits, against Python's own integers and floats and worked examples."""

from __future__ import annotations

import struct
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.binary_numbers import KINDS, ORDERS, is_code, read_binary, write_binary

CODES = [f"{kind}-{order}" for kind, order in product(KINDS, ORDERS)]


@given(st.integers(-(2**31), 2**31 - 1))
def test_whole_numbers_are_those_of_the_language(value: int) -> None:
    for code, order in (("int-be", "big"), ("int-le", "little")):
        raw = value.to_bytes(4, order, signed=True)  # type: ignore[arg-type]
        assert read_binary(code, raw) == value
        assert write_binary(code, value, 4) == raw


@given(st.integers(0, 99_999_999))
def test_floats_are_those_of_ieee_754_rounded_to_the_decimals(hundredths: int) -> None:
    """`struct` packs IEEE 754 binary64; its value nearest to hundredths rounds back to them."""
    raw = struct.pack(">d", hundredths / 100)
    assert read_binary("float-be", raw, 2) == hundredths
    assert read_binary("float-le", raw[::-1], 2) == hundredths


@pytest.mark.parametrize(
    ("code", "raw", "value"),
    [
        ("mag-be", b"\x80\x05", -5),
        ("mag-le", b"\x05\x00", 5),
        ("off-be", b"\x80\x00\x07", 7),
        ("off-be", b"\x7f\xff\xf9", -7),
        ("int-ws", b"\x2b\x33\x00\x00", 0x2B33),
        ("int-bs", b"\x00\x00\x33\x2b", 0x2B33),
        ("bcd-be", b"\x01\x10\x55", 11055),
        ("bcdn-be", b"\x10\x01\x55", 11055),
        ("bcds-be", b"\x01\x10\x55\x0d", -110550),
        ("bcds-be", b"\x01\x10\x55\x0c", 110550),
        ("hex", b"2B2F", 11055),
        ("hex:int-be", b"FFFFFB", -5),
        ("hex:int-be", b"ffb", -5),
        ("hex:uint-le", b"2F2B", 11055),
        ("float-be", b"\x42\xdd\x19\x9a", 11055),
        ("hex:float-be", b"42DD199A", 11055),
    ],
)
def test_worked_examples(code: str, raw: bytes, value: int) -> None:
    assert read_binary(code, raw, 2) == value


@pytest.mark.parametrize(
    ("code", "raw"),
    [
        ("bcd-be", b"\x0a\x10"),
        ("bcds-be", b"\x01\x1a"),
        ("hex", b"2G"),
        ("hex:uint-le", b"2F2"),
        ("int-ws", b"\x01\x02\x03"),
        ("float-be", b"\x7f\xc0\x00\x00"),
        ("float-be", b"\x7f\x80\x00\x00"),
        ("float-be", b"\x00\x00"),
    ],
)
def test_what_is_no_number_is_none(code: str, raw: bytes) -> None:
    """Letters among packed digits, half bytes, words cut in two, what is not a number, no end."""
    assert read_binary(code, raw, 2) is None


@given(st.sampled_from([c for c in CODES if not c.startswith("float")]), st.integers(0, 9_999_999))
def test_every_code_comes_back(code: str, value: int) -> None:
    assert read_binary(code, write_binary(code, value, 4)) == value
    if not code.startswith("bcd"):
        assert read_binary(f"hex:{code}", write_binary(f"hex:{code}", value, 8)) == value
    if code[:3] in ("int", "mag", "off") or code.startswith("bcds"):
        assert read_binary(code, write_binary(code, -value, 4)) == -value


@pytest.mark.parametrize(
    ("code", "value", "width"),
    [("uint-be", -1, 2), ("int-le", 40_000, 2), ("bcd-be", -1, 2), ("bcd-be", 100_000, 2)],
)
def test_what_does_not_fit_is_refused(code: str, value: int, width: int) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        write_binary(code, value, width)


def test_codes_are_named_strictly() -> None:
    assert all(is_code(code) and is_code(f"hex:{code}") for code in CODES)
    assert not any(map(is_code, ("text", "int", "int-xe", "hex-le", "sum-be")))
    with pytest.raises(ValueError, match="no code"):
        read_binary("int", b"\x00")
