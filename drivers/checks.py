"""Check bytes at the end of a frame: sums, exclusive-or and CRCs.

Owns the arithmetic; does not know where in a frame a check stands or what it covers.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, reduce

_MASK = 0xFFFF


@cache
def _table(bits: int, poly: int, *, low_first: bool) -> tuple[int, ...]:
    """What each byte brings about in a register of so many bits."""
    return tuple(_shifted(code, bits, poly, low_first=low_first) for code in range(256))


def _shifted(code: int, bits: int, poly: int, *, low_first: bool) -> int:
    crc = code if low_first else code << bits - 8
    for _ in range(8):
        out = crc & 1 if low_first else crc >> bits - 1
        crc = crc >> 1 if low_first else crc << 1 & (1 << bits) - 1
        crc ^= poly if out else 0
    return crc


def _crc_high(bits: int, poly: int, start: int) -> Callable[[bytes], int]:
    """A CRC whose bytes enter at the high end, high bit first."""

    def crc_of(data: bytes) -> int:
        table, crc = _table(bits, poly, low_first=False), start
        for code in data:
            crc = (crc << 8 & (1 << bits) - 1) ^ table[crc >> bits - 8 ^ code]
        return crc

    return crc_of


def _crc_low(bits: int, poly: int, start: int) -> Callable[[bytes], int]:
    """A CRC whose bytes enter low bit first; `poly` is written in that order too."""

    def crc_of(data: bytes) -> int:
        table, crc = _table(bits, poly, low_first=True), start
        for code in data:
            crc = crc >> 8 ^ table[crc & 0xFF ^ code]
        return crc

    return crc_of


def _crc_late(data: bytes) -> int:
    """CRC-16, polynomial 1021, but each byte is exclusive-ored in at the low end after the shifts.

    Bit by bit as published for one family of scales: eight shifts on the high byte of the register
    give a; then crc = a xor (low byte of crc moved up) xor byte.
    """
    table, crc = _table(16, 0x1021, low_first=False), 0
    for code in data:
        crc = (table[crc >> 8] ^ ((crc & 0xFF) << 8) ^ code) & _MASK
    return crc


RULES: dict[str, Callable[[bytes], int]] = {
    "xor": lambda data: reduce(lambda a, b: a ^ b, data, 0),
    "sum": sum,
    "sum-low7": lambda data: sum(code & 0x7F for code in data),
    "crc16-1021-low": _crc_late,
    "crc16-1021-high": _crc_high(16, 0x1021, 0),
    "crc16-1021-ffff": _crc_high(16, 0x1021, _MASK),
    "crc16-8005-high": _crc_high(16, 0x8005, 0),
    "crc16-a001": _crc_low(16, 0xA001, 0),
    "crc16-a001-ffff": _crc_low(16, 0xA001, _MASK),
    "crc16-8408": _crc_low(16, 0x8408, 0),
    "crc16-8408-ffff": _crc_low(16, 0x8408, _MASK),
    "crc8-07": _crc_high(8, 0x07, 0),
    "crc8-31": _crc_high(8, 0x31, 0),
    "crc8-8c": _crc_low(8, 0x8C, 0),
}
"""What is computed over the covered bytes, before complement, offset and modulus."""


def check_value(rule: str, data: bytes, *, modulus: int, complement: str, add: int) -> int:
    """The check over `data`: by `rule`, complemented, modulo `modulus`, plus `add`."""
    value = RULES[rule](data)
    if complement == "ones":
        value = ~value
    elif complement == "twos":
        value = -value
    bits = modulus & (modulus - 1) == 0
    return (value % modulus + add) % 256 if bits and modulus <= 256 else (value + add) % modulus


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
