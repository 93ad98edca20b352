"""The bytes of one field turned into what it says.

Owns the reading of each kind of field and the bytes that such a field can hold. Does not know the
other fields of the frame, save the bytes that a check covers.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.checks import check_value, encode_check
from drivers.facts import Gathered
from drivers.notation import to_bytes
from drivers.number_text import field_class, number_reader
from drivers.profile_fields import (
    AnyField,
    AnyOfFields,
    BitsField,
    CheckField,
    FlagField,
    NumberField,
    UnitField,
)
from drivers.units import unit_named

UNIT_CHARS = r"A-Za-z%:/"
"""The characters of a unit, as a class."""
ReadField = Callable[[bytes, Gathered, bytes, int], str | None]
"""(its bytes, where to put what they say, the whole frame, the field's column) -> why not."""


def field_bytes(field: AnyOfFields) -> str:
    """The character class of the bytes that a field can hold."""
    match field:
        case NumberField():
            return field_class(field)
        case UnitField():
            return f"[ {UNIT_CHARS}]"
        case AnyField():
            return r"[\x00-\xff]" if field.chars == "any" else f"[{field.chars}]"
        case BitsField():
            return "[" + "".join(f"\\x{code:02x}" for code in _legal_bytes(field)) + "]"
        case FlagField(otherwise=None):
            codes = {code for key in field.map for code in to_bytes(key)}
            return "[" + "".join(f"\\x{code:02x}" for code in sorted(codes)) + "]"
        case FlagField(bytes_too=False):
            return "[ -~]"
        case CheckField(code="hex" | "HEX" | "decimal"):
            return "[0-9A-Fa-f]"
    return r"[\x00-\xff]"


def _legal_bytes(field: BitsField) -> list[int]:
    fixed = [(7 - n, bit) for n, bit in enumerate(field.fixed) if bit != "."]
    return [code for code in range(256) if all(code >> n & 1 == int(bit) for n, bit in fixed)]


def field_reader(field: AnyOfFields) -> ReadField:
    """The function that takes one field of a matched frame."""
    match field:
        case NumberField():
            return _number(field)
        case FlagField():
            return _flag(field)
        case BitsField():
            return _bits(field)
        case UnitField():
            return _unit(field)
        case CheckField():
            return lambda raw, _into, frame, at: (
                None
                if raw == check_bytes(field, frame[:at], len(raw))
                else "the check does not fit the frame"
            )
    return lambda _raw, _into, _frame, _at: None


def check_bytes(field: CheckField, before: bytes, width: int) -> bytes:
    """The check that belongs behind `before`, which is the frame from its first byte."""
    covered = before[field.skip : len(before) - field.drop]
    modulus = field.modulus if not field.rules[0].startswith("crc16") else 65536
    value = check_value(
        field.rules[0], covered, modulus=modulus, complement=field.complement, add=field.add
    )
    return encode_check(value, field.code, width)


def _number(field: NumberField) -> ReadField:
    read = number_reader(field)

    def put(raw: bytes, into: Gathered, _frame: bytes, _at: int) -> str | None:
        text = read(raw)
        if text is None:
            return "the number is damaged"
        if into.numbers.setdefault(field.part, text) != text:
            return "the same number stands there twice, and differs"
        return None

    return put


def _flag(field: FlagField) -> ReadField:
    words = {to_bytes(key): value for key, value in field.map.items()}
    otherwise = field.otherwise

    def put(raw: bytes, into: Gathered, _frame: bytes, _at: int) -> str | None:
        said = words.get(raw, otherwise)
        if said is None:
            return "a mark is damaged"
        into.words.update(said)
        return None

    return put


def _bits(field: BitsField) -> ReadField:
    said = {code: bit_words(field, code) for code in _legal_bytes(field)}

    def put(raw: bytes, into: Gathered, _frame: bytes, _at: int) -> str | None:
        words = said[raw[0]]
        if words is None:
            return "a status byte is damaged"
        into.words.update(words)
        return None

    return put


def bit_words(field: BitsField, code: int) -> frozenset[str] | None:
    """What a status byte says; None where a number in it stands for nothing."""
    words: set[str] = set()
    for bit, said in field.set.items():
        words.update(said if code >> bit & 1 else ())
    for bit, said in field.clear.items():
        words.update(() if code >> bit & 1 else said)
    for part in field.code:
        low, high = part.span
        value = code >> low & ((1 << (high - low + 1)) - 1)
        found = part.map.get(str(value), part.otherwise)
        if found is None:
            return None
        words.update(found)
    return frozenset(words)


def _unit(field: UnitField) -> ReadField:
    gap = {"right": (" *", ""), "left": ("", " *"), "any": (" *", " *")}[field.align]
    shape = re.compile(f"{gap[0]}([{UNIT_CHARS}]+){gap[1]}".encode())

    def put(raw: bytes, into: Gathered, _frame: bytes, _at: int) -> str | None:
        if not raw.strip(b" "):
            if field.blank is None:
                return "the unit is missing"
            into.words.update(field.blank)
            return None
        found = shape.fullmatch(raw)
        if found is None:
            return "the unit is damaged"
        spelled = found[1].decode("ascii")
        into.words.add(f"unit:{field.names.get(spelled) or unit_named(spelled)}")
        into.words.update(field.given)
        return None

    return put
