"""Check bytes at the end of a frame: sums, exclusive-or and CRCs.

Owns the arithmetic; does not know where in a frame a check stands or what it covers.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce

_POLY = 0x1021
_MASK = 0xFFFF


def _shift_high(crc: int) -> int:
    for _ in range(8):
        crc = ((crc << 1) ^ _POLY if crc & 0x8000 else crc << 1) & _MASK
    return crc


_TABLE = tuple(_shift_high(code << 8) for code in range(256))


def _crc_high(data: bytes, crc: int) -> int:
    """CRC-16, polynomial 1021, each byte entering at the high end."""
    for code in data:
        crc = ((crc << 8) & _MASK) ^ _TABLE[(crc >> 8) ^ code]
    return crc


def _crc_low(data: bytes) -> int:
    """The same polynomial, but each byte is exclusive-ored in at the low end after the shifts.

    Bit by bit as published for one family of scales: eight shifts on the high byte of the register
    give a; then crc = a xor (low byte of crc moved up) xor byte.
    """
    crc = 0
    for code in data:
        crc = (_TABLE[crc >> 8] ^ ((crc & 0xFF) << 8) ^ code) & _MASK
    return crc


RULES: dict[str, Callable[[bytes], int]] = {
    "xor": lambda data: reduce(lambda a, b: a ^ b, data, 0),
    "sum": sum,
    "sum-low7": lambda data: sum(code & 0x7F for code in data),
    "crc16-1021-low": _crc_low,
    "crc16-1021-high": lambda data: _crc_high(data, 0),
    "crc16-1021-ffff": lambda data: _crc_high(data, _MASK),
}
"""What is computed over the covered bytes, before complement, offset and modulus."""


def check_value(rule: str, data: bytes, *, modulus: int, complement: str, add: int) -> int:
    """The check over `data`: by `rule`, complemented, modulo `modulus`, plus `add`."""
    value = RULES[rule](data)
    if complement == "ones":
        value = ~value
    elif complement == "twos":
        value = -value
    return (value % modulus + add) % 256 if modulus <= 256 else (value + add) % modulus


def encode_check(value: int, code: str, width: int) -> bytes:
    """`value` as it stands in a frame: bytes (low or high first), hexadecimal or decimal digits."""
    if code == "hex":
        return f"{value:0{width}x}".encode()[-width:]
    if code == "HEX":
        return f"{value:0{width}X}".encode()[-width:]
    if code == "decimal":
        return f"{value:0{width}d}".encode()[-width:]
    return value.to_bytes(max(width, 2), "little" if code == "low-first" else "big")[
        slice(0, width) if code == "low-first" else slice(-width, None)
    ]
