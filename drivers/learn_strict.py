"""The strict field of a profile for a number that has been read leniently in all frames.

Owns the choice of sign, padding and alignment: the strictest that reads every frame alike. Does not
know where in the frame the number stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from drivers.learn_writing import PLAIN, Writing
from drivers.number_text import number_reader
from drivers.profile_fields import NumberField

Sign = Literal["none", "adjacent", "first", "last"]
Pad = Literal[" ", "0", " 0", ""]
_POINTS = ("", ".", ",")


@dataclass(frozen=True, slots=True)
class Strict:
    """The field, and where in it the character stands that is its point (-1: none such)."""

    field: NumberField
    point_at: int = -1


def strict_field(
    writing: Writing, raws: Sequence[bytes], values: Sequence[Decimal], *, one_width: bool
) -> Strict | None:
    """A field that reads each of `raws` as the value beside it; None where none does.

    With `one_width` a lost byte shows in the frame's length; without it the number of decimals has
    to stay what it is.
    """
    if writing.code != "text":
        field = NumberField(code=writing.code, decimals=writing.decimals, times=writing.times)
        return _checked(field, raws, values, -1)
    at, bare = -1, list(raws)
    if writing.point not in _POINTS:
        places = {raw.find(writing.point.encode("latin-1")) for raw in raws}
        if len(places) != 1 or min(places) < 1:
            return None
        at = places.pop()
        bare = [raw[:at] + raw[at + 1 :] for raw in raws]
    for field in _fields(writing, bare, values, one_width):
        if (strict := _checked(field, bare, values, at)) is not None:
            return strict
    return None


def _checked(
    field: NumberField, raws: Sequence[bytes], values: Sequence[Decimal], at: int
) -> Strict | None:
    read = number_reader(field)
    known = dict(zip(raws, values, strict=True))
    alike = all(_same(read(raw), value) for raw, value in known.items())
    return Strict(field, at) if alike else None


def _same(text: str | None, value: Decimal) -> bool:
    return (
        text is not None and Decimal(text) == value and _decimals(Decimal(text)) == _decimals(value)
    )


def _fields(
    writing: Writing, raws: Sequence[bytes], values: Sequence[Decimal], one_width: bool
) -> Iterator[NumberField]:
    decimals = {_decimals(value) for value in values}
    point = writing.point if writing.point in _POINTS else ""
    kept = max(decimals) if len(decimals) == 1 else None
    implied = writing.decimals if not writing.point else kept
    if point:
        implied = None if one_width or writing.exponent else kept
    implied = None if writing.lit else implied
    whole = bool(point) and any(point.encode() not in raw for raw in raws)
    plain = [writing.plain(raw) for raw in raws]
    for sign, pad, align in _ways(plain):
        yield NumberField(
            sign=sign,
            plus=any(b"+" in raw for raw in raws),
            pad=pad,
            align=align,
            point=point,
            whole=whole or not point,
            decimals=implied,
            times=writing.times,
            reversed=writing.reversed,
            digits=writing.digits,
            group=writing.group,
            lit_point=writing.lit,
            exponent=writing.exponent,
        )


def _decimals(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return -exponent if isinstance(exponent, int) else 0


def _ways(raws: Sequence[bytes]) -> Iterator[tuple[Sign, Pad, Literal["right", "left", "any"]]]:
    """Sign, padding and alignment, the strictest first."""
    signed = any(b"-" in raw or b"+" in raw for raw in raws)
    blank = any(b" " in raw for raw in raws)
    signs: tuple[Sign, ...] = ("adjacent", "first", "last") if signed else ("adjacent", "first")
    for align in ("right", "left", "any") if blank else ("right",):
        for sign in signs:
            pads: tuple[Pad, ...] = (" ",) if blank else ("0", " ")
            for pad in pads:
                yield sign, pad, align


def as_toml(strict: Strict) -> dict[str, object]:
    """The keys of the field that differ from what a profile takes for granted."""
    field = strict.field
    usual = NumberField()
    keys = {"kind": "number", **{k: v for k, v in field if v != getattr(usual, k)}}
    if field.digits == PLAIN:
        keys.pop("digits", None)
    if field.code != "text":
        for key in ("pad", "sign", "point", "align", "whole"):
            keys.pop(key, None)
    return keys
