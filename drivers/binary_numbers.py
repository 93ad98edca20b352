"""Numbers that are no digits: whole numbers and floating ones in bytes, packed digits, hexadecimal.

Owns the codes and both directions of each. Does not know where in a frame the number stands, nor
what it means.

A code is a kind and an order, `int-le`, with `hex:` before it where the bytes are hexadecimal
digits. Kinds: `int` two's complement, `uint` no sign, `mag` size with the sign in the top bit,
`off` with half the range for zero, `bcd` two digits a byte, `bcdn` the same with the low digit
first in each byte, `bcds` with the sign in the last half byte (C or F plus, D or B minus), `float`
IEEE 754. Orders: `be` high byte first, `le` low byte first, `ws` the low one of two words first,
`bs` the bytes of each word turned.
"""

from __future__ import annotations

import re
import struct
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache

KINDS = ("int", "uint", "mag", "off", "bcd", "bcdn", "bcds", "float")
ORDERS = ("be", "le", "ws", "bs")
_CODE = re.compile(rf"(hex:)?({'|'.join(KINDS)})-({'|'.join(ORDERS)})")
_OLD = {"hex": "hex:uint-be"}
_HEX = re.compile(rb"[0-9A-Fa-f]+")
_SIGNS = {"c": "", "f": "", "d": "-", "b": "-"}
_FLOATS = {4: ">f", 8: ">d"}
_MOST = 10**9
"""No weight is a greater number than this: other bits than a float's."""


def is_code(text: str) -> bool:
    """Whether this names a code."""
    return _CODE.fullmatch(_OLD.get(text, text)) is not None


@cache
def parts(code: str) -> tuple[bool, str, str]:
    """Whether it is in hexadecimal digits, the kind and the order."""
    found = _CODE.fullmatch(_OLD.get(code, code))
    if found is None:
        raise ValueError(f"{code!r} is no code of a number")
    return bool(found[1]), found[2], found[3]


def read_binary(code: str, raw: bytes, decimals: int = 0) -> int | None:
    """The whole number in `raw`, None where there is none.

    Of a floating number it is so many times the last of `decimals`, rounded.
    """
    in_hex, kind, order = parts(code)
    if in_hex:
        if not _HEX.fullmatch(raw) or (len(raw) % 2 and (order != "be" or kind == "float")):
            return None
        bits = 4 * len(raw)
        raw = bytes.fromhex(raw.decode("ascii").rjust(len(raw) + len(raw) % 2, "0"))
    else:
        bits = 8 * len(raw)
    line = _turned(order, raw)
    return None if line is None else _value(kind, line, bits, decimals)


def _turned(order: str, raw: bytes) -> bytes | None:
    """High byte first; turning twice gives the same again."""
    if order == "be":
        return raw
    if order == "le":
        return raw[::-1]
    if len(raw) % 4:
        return None
    if order == "ws":
        return b"".join(raw[n : n + 2] for n in range(len(raw) - 2, -1, -2))
    return b"".join(raw[n : n + 2][::-1] for n in range(0, len(raw), 2))


def _value(kind: str, line: bytes, bits: int, decimals: int) -> int | None:
    if kind == "float":
        return _from_float(line, decimals)
    if kind.startswith("bcd"):
        return _from_digits(kind, line.hex())
    whole, half = int.from_bytes(line, "big"), 1 << bits - 1
    if kind == "off":
        return whole - half
    if kind == "uint" or whole < half:
        return whole
    return whole - 2 * half if kind == "int" else half - whole


def _from_digits(kind: str, digits: str) -> int | None:
    sign = ""
    if kind == "bcdn":
        digits = "".join(digits[n : n + 2][::-1] for n in range(0, len(digits), 2))
    elif kind == "bcds":
        sign, digits = _SIGNS.get(digits[-1], "x"), digits[:-1]
    return int(sign + digits) if digits.isdigit() and sign != "x" else None


def _from_float(line: bytes, decimals: int) -> int | None:
    if len(line) not in _FLOATS:
        return None
    (value,) = struct.unpack(_FLOATS[len(line)], line)
    if not abs(value) < _MOST:
        return None
    return int(Decimal(value).scaleb(decimals).to_integral_value(ROUND_HALF_EVEN))


def write_binary(code: str, value: int, width: int, decimals: int = 0) -> bytes:
    """The number in so many bytes (hexadecimal digits); ValueError where it does not fit."""
    in_hex, kind, order = parts(code)
    try:
        size = (width + 1) // 2 if in_hex else width
        line = _turned(
            order, _line(kind, value, size, 4 * width if in_hex else 8 * width, decimals)
        )
    except (OverflowError, ValueError, struct.error) as error:
        raise ValueError(f"{value} does not fit {width} bytes") from error
    if line is None:
        raise ValueError(f"{width} bytes have no such order")
    return line.hex().upper()[-width:].encode() if in_hex else line


def _line(kind: str, value: int, size: int, bits: int, decimals: int) -> bytes:
    """High byte first."""
    if kind == "float":
        return struct.pack(_FLOATS.get(size, "x"), float(Decimal(value).scaleb(-decimals)))
    if kind.startswith("bcd"):
        digits = _digits(kind, value, 2 * size)
        if len(digits) > 2 * size:
            raise ValueError("out of range")
        return bytes.fromhex(digits)
    half = 1 << bits - 1
    low, high = {"uint": (0, 2 * half), "mag": (1 - half, half)}.get(kind, (-half, half))
    if not low <= value < high:
        raise ValueError("out of range")
    whole = {
        "uint": value,
        "int": value % (2 * half),
        "off": value + half,
        "mag": value if value >= 0 else half - value,
    }[kind]
    return whole.to_bytes(size, "big")


def _digits(kind: str, value: int, count: int) -> str:
    if kind == "bcds":
        return f"{abs(value):0{count - 1}d}{'d' if value < 0 else 'c'}"
    if value < 0:
        raise ValueError("packed digits have no sign")
    digits = f"{value:0{count}d}"
    if kind == "bcdn":
        return "".join(digits[n : n + 2][::-1] for n in range(0, len(digits), 2))
    return digits
