"""A number as it stands in a field of a frame, and back.

Owns sign, padding, point, digit order, digit codes and binary integers of one field; does not know
where the field stands or what its number means.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from functools import cache

from drivers.binary_numbers import read_binary, write_binary
from drivers.facts import shifted
from drivers.profile_fields import NumberField

ReadNumber = Callable[[bytes], str | None]
_PLAIN = b"0123456789"
_LEAST_LIT = 3
"""With fewer characters it is open which of them has the point."""
_MEANT = _PLAIN + b" -"
"""What the characters of an alphabet stand for."""


def field_class(number: NumberField) -> str:
    """The character class of the bytes such a field can hold."""
    if number.code.startswith("hex"):
        return "[0-9A-Fa-f]"
    if number.code != "text":
        return r"[\x00-\xff]"
    if number.lit_point:
        return r"[\x00-\xff]"
    chars = (
        number.digits
        + ("eE+-" if number.exponent else "")
        + number.point
        + number.group
        + " "
        + ("[]" if number.brackets else "")
    )
    if number.sign != "none":
        chars += "-+"
    return f"[{''.join(re.escape(char) for char in dict.fromkeys(chars))}]"


def ends_in_digit(number: NumberField) -> bool:
    """Whether no blank can stand behind the last digit."""
    return number.code == "text" and number.align == "right" and number.sign != "last"


def number_reader(number: NumberField) -> ReadNumber:
    """A function from the field's bytes to signed decimal text, None where they are no number."""
    if number.code != "text":
        return lambda raw: _from_binary(number, raw)
    pattern = re.compile(_pattern(number).encode())
    table = decoding(number.digits)
    point, group = number.point.encode(), number.group.encode("latin-1")

    def read(raw: bytes) -> str | None:
        line = raw[::-1] if number.reversed else raw
        decimals = number.decimals
        if number.lit_point:
            if (lit := unlit(line)) is None:
                return None
            line, decimals = lit
        if group:
            line = line.translate(None, group)
        if table:
            line = line.translate(table)
        found = pattern.fullmatch(line)
        if found is None:
            return None
        digits = found["n"].translate(None, b"[]")
        for char in point:
            digits = digits.replace(bytes([char]), b".")
        sign = "-" if found["s"] == b"-" else ""
        if number.exponent:
            return f"{Decimal(sign + digits.decode('ascii')):f}"
        whole, dot, part = digits.decode("ascii").partition(".")
        text = f"{sign}{whole.lstrip('0') or '0'}{dot}{part}"
        return text if number.point else _scaled(number, text, decimals)

    return read


def unlit(line: bytes) -> tuple[bytes, int] | None:
    """The characters without bit 7, and how many stand behind the one that differs in it."""
    high = [n for n, code in enumerate(line) if code & 0x80]
    low = [n for n, code in enumerate(line) if not code & 0x80]
    lit = min(high, low, key=len)
    if len(lit) != 1 or len(line) < _LEAST_LIT:
        return None
    return bytes(code & 0x7F for code in line), len(line) - 1 - lit[0]


def _pattern(number: NumberField) -> str:
    plus = "+" if number.plus else ""
    gap = " *" if " " in number.pad or number.align != "right" else ""
    lead = gap if number.align != "left" else ""
    tail = gap if number.align != "right" else ""
    core = f"(?P<n>{_core(number)})"
    if number.sign == "none":
        return f"(?P<s>){lead}{core}{tail}"
    if number.sign == "first":
        return f"(?P<s>[- {plus}]?){lead}{core}{tail}"
    if number.sign == "last":
        return f"{lead}{core}(?P<s>[- {plus}]?){tail}"
    return f"{lead}(?P<s>[-{plus}]?){core}{tail}"


def _core(number: NumberField) -> str:
    if not number.point:
        return "[0-9]+"
    point = f"[{re.escape(number.point)}]"
    if number.brackets:
        return rf"(?:[0-9]+{point})?[0-9]*\[[0-9]\]"
    if number.exponent:
        # A power beyond 9 is damage: no scale shows such a weight.
        return f"(?:[0-9]+(?:{point}[0-9]+)?|{point}[0-9]+)[eE][-+]?0?[0-9]"
    if number.decimals is not None:
        return f"[0-9]*{point}[0-9]{{{number.decimals}}}" if number.decimals else "[0-9]+"
    return f"[0-9]*{point}[0-9]+" + ("|[0-9]+" if number.whole else "")


@cache
def decoding(digits: str) -> bytes | None:
    """The table from this scale's digit characters to plain ones; None where they are plain."""
    own = digits.encode("latin-1")
    if own == _PLAIN:
        return None
    table = bytearray(range(256))
    for code in _PLAIN:
        table[code] = 0  # a plain digit that is not in the alphabet is no digit here
    for code, meant in zip(own, _MEANT, strict=False):
        table[code] = meant
    return bytes(table)


def _from_binary(number: NumberField, raw: bytes) -> str | None:
    whole = read_binary(number.code, raw, number.decimals or 0)
    return None if whole is None else _scaled(number, str(whole), number.decimals)


def _scaled(number: NumberField, whole: str, decimals: int | None) -> str:
    """A whole number as the weight it stands for: divisions counted, the point put in."""
    minus = "-" if whole.startswith("-") else ""
    return shifted(f"{minus}{abs(int(whole)) * number.times}", decimals)


def write_number(number: NumberField, text: str, least: int, most: int) -> bytes:
    """`text` as it would stand in the field; ValueError where it cannot."""
    negative, digits = text.startswith("-"), text.lstrip("-")
    lit = number.lit_point
    if (number.code != "text" or not number.point) and not lit:
        whole, _, part = digits.partition(".")
        if len(part) != (number.decimals or 0) and number.decimals is not None:
            raise ValueError(f"this shape sends {number.decimals} decimals")
        digits = _divisions(number, int(whole + part))
    if number.code != "text":
        value = -int(digits) if negative else int(digits)
        return write_binary(number.code, value, least, number.decimals or 0)
    if number.point and "." not in number.point:
        digits = digits.replace(".", number.point[0])
    if number.brackets:
        digits = f"{digits[:-1]}[{digits[-1]}]"
    if number.exponent:
        digits = _with_exponent(number, Decimal(text.lstrip("-")))
    if lit:
        return _lit(number, negative, digits, least)
    raw = _placed(number, "-" if negative else "", digits, least).encode("latin-1")
    raw = _encoded(number.digits, raw[::-1] if number.reversed else raw)
    if not least <= len(raw) <= most:
        raise ValueError(f"{text} does not fit the field")
    return raw


def _with_exponent(number: NumberField, size: Decimal) -> str:
    digits = "".join(map(str, size.as_tuple().digits))
    mantissa = digits.ljust(2, "0")
    power = size.adjusted()
    return f"{mantissa[0]}{number.point or '.'}{mantissa[1:]}E{power:+03d}"


def _lit(number: NumberField, negative: bool, digits: str, width: int) -> bytes:
    """The digits with the point in bit 7 of the one before it."""
    whole, _, part = digits.partition(".")
    raw = _placed(number, "-" if negative else "", whole + part, width).encode("latin-1")
    coded = bytearray(_encoded(number.digits, raw))
    coded[len(coded) - 1 - len(part)] |= 0x80  # those of a scale that clears it read alike
    if len(coded) != width:
        raise ValueError(f"{digits} does not fit the field")
    return bytes(coded[::-1] if number.reversed else coded)


def _divisions(number: NumberField, value: int) -> str:
    if value % number.times:
        raise ValueError(f"this shape counts in steps of {number.times}")
    return str(value // number.times)


def _placed(number: NumberField, minus: str, digits: str, width: int) -> str:
    if minus and number.sign == "none":
        raise ValueError("this shape has no minus in its number")
    pad = "0" if number.pad == "0" else " "
    if number.sign == "first":
        return (minus or ("0" if pad == "0" else " ")) + digits.rjust(width - 1, pad)
    if number.sign == "last":
        return digits.rjust(width - 1, pad) + (minus or " ")
    if number.align == "left":
        return (minus + digits).ljust(width)
    if pad == "0":
        return minus + digits.rjust(width - len(minus), "0")
    return (minus + digits).rjust(width)


def _encoded(digits: str, raw: bytes) -> bytes:
    own = digits.encode("latin-1")
    return raw if own == _PLAIN else raw.translate(bytes.maketrans(_MEANT[: len(own)], own))
