"""Numbers in all the ways that fields hold them, and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.number_text import number_reader, write_number
from drivers.profile_fields import NumberField

CASES = [
    ({}, b"     36.52", "36.52"),
    ({}, b"    -36.52", "-36.52"),
    ({}, b"      1254", "1254"),
    ({"sign": "first"}, b"-    36.52", "-36.52"),
    ({"sign": "first", "pad": "0"}, b"-000036.52", "-36.52"),
    ({"pad": "0"}, b"-000036.52", "-36.52"),
    ({"pad": "0"}, b"0000036.52", "36.52"),
    ({"sign": "last"}, b"    36.52-", "-36.52"),
    ({"align": "left"}, b"-36.52    ", "-36.52"),
    ({"point": ","}, b"     36,52", "36.52"),
    ({"point": "", "decimals": 2}, b"      3652", "36.52"),
    ({"point": "", "decimals": 2, "pad": "0"}, b"0000000081", "0.81"),
    ({"reversed": True}, b"25.63     ", "36.52"),
    ({"digits": "pqrstuvwxy"}, b"     sv.ur", "36.52"),
    ({"brackets": True}, b"   36.5[2]", "36.52"),
    ({"code": "int-le"}, (-1230).to_bytes(4, "little", signed=True), "-1230"),
    ({"code": "uint-be", "decimals": 1}, (1254).to_bytes(3, "big"), "125.4"),
    ({"code": "bcd-be", "decimals": 2}, b"\x00\x36\x52", "36.52"),
    ({"code": "bcd-le", "decimals": 2}, b"\x52\x36\x00", "36.52"),
    ({"code": "hex", "decimals": 2}, b"0E44", "36.52"),
    ({"code": "int-be", "decimals": 1, "times": 5}, b"\xff\xfe", "-1.0"),
    ({"point": "", "decimals": 2, "times": 2}, b"      1826", "36.52"),
    ({"code": "float-be", "decimals": 2}, b"\x42\x12\x14\x7b", "36.52"),
    ({"code": "hex:int-be", "decimals": 2}, b"FFFFAF", "-0.81"),
    ({"exponent": True}, b"-3.652E+01", "-36.52"),
    ({"exponent": True}, b"  8.10E-01", "0.810"),
    ({"exponent": True, "sign": "last"}, b" 3.652E+01-", "-36.52"),
    ({"point": "", "pad": "0", "lit_point": True}, b"003\xb652", "36.52"),
    (
        {"point": "", "digits": "\x3f\x06\x5b\x4f\x66\x6d\x7d\x07\x7f\x6f\x00@", "lit_point": True},
        b"\x00\x40\xbf\x7f\x06",
        "-0.81",
    ),
]


@pytest.mark.parametrize(("field", "raw", "text"), CASES)
def test_a_field_is_read_and_written_alike(field, raw, text):
    number = NumberField.model_validate(field)
    assert number_reader(number)(raw) == text
    assert write_number(number, text, len(raw), len(raw)) == raw


@pytest.mark.parametrize(
    ("field", "raw"),
    [
        ({}, b"    36.5 2"),
        ({}, b"-    36.52"),
        ({}, b"    36.52 "),
        ({}, b"    36..52"),
        ({}, b"    36.52."),
        ({}, b"          "),
        ({}, b"   --36.52"),
        ({"whole": False}, b"      3652"),
        ({"sign": "none"}, b"    -36.52"),
        ({"pad": "0"}, b"     36.52"),
        ({"decimals": 2}, b"     365.2"),
        ({"digits": "pqrstuvwxy"}, b"     36.52"),
        ({"code": "bcd-be"}, b"\x3a\x52"),
        ({"exponent": True}, b"     36.52"),
        ({"exponent": True}, b"      E+02"),
        ({"exponent": True}, b"     -E+02"),
        ({"exponent": True}, b"   9.9E+10"),
        ({"exponent": True}, b"   9.9E-99"),
        ({"point": "", "lit_point": True}, b"  3652"),
        ({"point": "", "lit_point": True}, b"  \xb3\xb652"),
    ],
)
def test_what_is_not_quite_the_field_is_no_number(field, raw):
    assert number_reader(NumberField.model_validate(field))(raw) is None


@pytest.mark.parametrize(
    ("field", "text", "width"),
    [
        ({}, "123456.78", 6),
        ({"sign": "none"}, "-1", 6),
        ({"point": "", "decimals": 2}, "1.234", 6),
        ({"code": "uint-le"}, "-1", 2),
        ({"code": "int-le"}, "40000", 2),
        ({"code": "bcd-be"}, "-1", 2),
        ({"code": "hex"}, "-1", 4),
        ({"code": "hex"}, "70000", 4),
        ({"code": "int-be", "times": 5}, "3", 2),
    ],
)
def test_what_a_field_cannot_hold_is_refused(field, text, width):
    with pytest.raises(ValueError):
        write_number(NumberField.model_validate(field), text, width, width)


def test_a_point_may_be_the_one_lamp_that_is_out():
    number = NumberField(point="", lit_point=True, digits="".join(map(chr, range(0x40, 0x4A))))
    assert number_reader(number)(bytes([0xC3, 0x46, 0xC5, 0xC2])) == "36.52"


def test_characters_that_group_digits_mean_nothing():
    read = number_reader(NumberField(group="',", point="."))
    assert [read(b"   1'254.0"), read(b"   1,254.0")] == ["1254.0", "1254.0"]
    assert read(b"   1 254.0") is None


@given(st.integers(-9_999_999, 9_999_999), st.sampled_from([case[0] for case in CASES[:6]]))
def test_any_weight_that_fits_comes_back(hundredths, field):
    text = f"{'-' if hundredths < 0 else ''}{abs(hundredths) // 100}.{abs(hundredths) % 100:02}"
    number = NumberField.model_validate(field)
    assert number_reader(number)(write_number(number, text, 10, 10)) == text
