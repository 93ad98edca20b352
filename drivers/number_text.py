"""A number as it stands in a field of a frame, and back.

Owns sign, padding, point, digit order, digit codes and binary integers of one field; does not know
where the field stands or what its number means.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.facts import shifted
from drivers.profile_fields import NumberField

ReadNumber = Callable[[bytes], str | None]
_PLAIN = b"0123456789"


def field_class(number: NumberField) -> str:
    """The character class of the bytes such a field can hold."""
    if number.code == "hex":
        return "[0-9A-Fa-f]"
    if number.code != "text":
        return r"[\x00-\xff]"
    chars = number.digits + number.point + number.group + " " + ("[]" if number.brackets else "")
    if number.sign != "none":
        chars += "-+"
    return f"[{''.join(re.escape(char) for char in dict.fromkeys(chars))}]"


def number_reader(number: NumberField) -> ReadNumber:
    """A function from the field's bytes to signed decimal text, None where they are no number."""
    if number.code != "text":
        return lambda raw: _from_binary(number, raw)
    pattern = re.compile(_pattern(number).encode())
    table = _decoding(number.digits)
    point, group = number.point.encode(), number.group.encode("latin-1")

    def read(raw: bytes) -> str | None:
        line = raw[::-1] if number.reversed else raw
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
        whole, dot, part = digits.decode("ascii").partition(".")
        sign = "-" if found["s"] == b"-" else ""
        text = f"{sign}{whole.lstrip('0') or '0'}{dot}{part}"
        return text if number.point else _scaled(number, text)

    return read


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
    if number.decimals is not None:
        return f"[0-9]*{point}[0-9]{{{number.decimals}}}" if number.decimals else "[0-9]+"
    return f"[0-9]*{point}[0-9]+" + ("|[0-9]+" if number.whole else "")


def _decoding(digits: str) -> bytes | None:
    """The table from this scale's digit characters to plain ones; None where they are plain."""
    own = digits.encode("latin-1")
    if own == _PLAIN:
        return None
    table = bytearray(range(256))
    for code in _PLAIN:
        table[code] = 0  # a plain digit that is not in the alphabet is no digit here
    for value, code in enumerate(own):
        table[code] = _PLAIN[value]
    return bytes(table)


def _from_binary(number: NumberField, raw: bytes) -> str | None:
    if number.code.startswith("bcd"):
        digits = (raw[::-1] if number.code.endswith("le") else raw).hex()
        return _scaled(number, digits) if digits.isdigit() else None
    if number.code == "hex":
        return _scaled(number, str(int(raw, 16)))
    signed = number.code.startswith("int")
    if number.code.endswith("le"):
        return _scaled(number, str(int.from_bytes(raw, "little", signed=signed)))
    return _scaled(number, str(int.from_bytes(raw, "big", signed=signed)))


def _scaled(number: NumberField, whole: str) -> str:
    """A whole number as the weight it stands for: divisions counted, the point put in."""
    minus = "-" if whole.startswith("-") else ""
    return shifted(f"{minus}{abs(int(whole)) * number.times}", number.decimals)


def write_number(number: NumberField, text: str, least: int, most: int) -> bytes:
    """`text` as it would stand in the field; ValueError where it cannot."""
    negative, digits = text.startswith("-"), text.lstrip("-")
    if number.code != "text" or not number.point:
        whole, _, part = digits.partition(".")
        if len(part) != (number.decimals or 0) and number.decimals is not None:
            raise ValueError(f"this shape sends {number.decimals} decimals")
        digits = _divisions(number, int(whole + part))
    if number.code != "text":
        return _to_binary(number, -int(digits) if negative else int(digits), least)
    if number.point and "." not in number.point:
        digits = digits.replace(".", number.point[0])
    if number.brackets:
        digits = f"{digits[:-1]}[{digits[-1]}]"
    raw = _placed(number, "-" if negative else "", digits, least).encode("latin-1")
    raw = _encoded(number.digits, raw[::-1] if number.reversed else raw)
    if not least <= len(raw) <= most:
        raise ValueError(f"{text} does not fit the field")
    return raw


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
    return raw if own == _PLAIN else raw.translate(bytes.maketrans(_PLAIN, own))


def _to_binary(number: NumberField, value: int, width: int) -> bytes:
    try:
        if number.code.startswith("bcd"):
            raw = bytes.fromhex(f"{value:0{2 * width}d}")
            return raw[::-1] if number.code.endswith("le") else raw
        if number.code == "hex":
            return _hex_digits(value, width)
        little = number.code.endswith("le")
        return value.to_bytes(width, "little" if little else "big", signed=number.code[0] == "i")
    except (OverflowError, ValueError) as error:
        raise ValueError(f"{value} does not fit {width} bytes") from error


def _hex_digits(value: int, width: int) -> bytes:
    raw = f"{value:0{width}X}".encode()
    if value < 0 or len(raw) > width:
        raise ValueError("too big, or negative")
    return raw
