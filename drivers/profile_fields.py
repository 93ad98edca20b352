"""The fields that a line can hold, written down as data and checked strictly.

Owns the schema of fields and the words that marks stand for; does not know in what order they come
(`scale_profile`) nor how bytes are read by them.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator

from drivers.binary_numbers import KINDS, ORDERS, is_code
from drivers.checks import RULES
from drivers.notation import to_bytes

FACTS = frozenset(
    {
        "stable",
        "moving",
        "gross",
        "net",
        "plus",
        "minus",
        "over",
        "under",
        "out",
        "status",
        "other",
        "any",
    }
)
"""The words a mark can stand for.

`over`, `under` and `out` (direction not given) mean: no weight, overload. `status` means: no
weight. `other` means: a legal line that is not the weight on the pan. Beside these, `unit:g` names
the unit, `unit-otherwise:lb` does so unless another field does, `decimals:2` moves the point
(`decimals:-1` appends a zero). `any` means nothing.
"""

_WORD = re.compile(r"unit:[^\s]+|unit-otherwise:[^\s]+|decimals:-?\d")


def _words(value: object) -> object:
    """Accept "stable gross" for a list of words, and refuse a word that means nothing."""
    if not isinstance(value, str):
        return value
    words = tuple(value.split())
    for word in words:
        if word not in FACTS and not _WORD.fullmatch(word):
            raise ValueError(
                f"{word!r} is not one of {', '.join(sorted(FACTS))}, unit:…, decimals:…"
            )
    return words


def _notated(value: object) -> object:
    return to_bytes(value) if isinstance(value, str) else value


Words = Annotated[tuple[str, ...], BeforeValidator(_words)]
Notated = Annotated[bytes, BeforeValidator(_notated)]


class Strict(BaseModel):
    """A part of a profile: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


class NumberField(Strict):
    """Digits. Width comes from the layout."""

    kind: Literal["number"] = "number"
    part: Literal["weight", "net", "gross", "tare", "pounds", "ounces"] = "weight"
    """`weight` is the weight on the pan; gross, tare and net of one frame are checked against one
    another; pounds and ounces add up to one weight."""
    sign: Literal["none", "adjacent", "first", "last"] = "adjacent"
    """Where a minus stands: before the first digit (with zeros for padding that is in place of the
    first zero); in the field's first column, padding after it; behind the last digit."""
    plus: bool = False
    """A plus may stand where the minus does."""
    pad: Literal[" ", "0", " 0", ""] = " "
    align: Literal["right", "left", "any"] = "right"
    point: Literal["", ".", ",", ".,"] = "."
    whole: bool = True
    """A number without a point is legal. Where no divisor is known it must be refused."""
    decimals: int | None = None
    """Implied decimals where `point` is empty; else the only number of decimals that is legal."""
    reversed: bool = False
    """The last digit comes first."""
    digits: str = "0123456789"
    """The characters that stand for 0 to 9, then perhaps those for a blank and a minus."""
    lit_point: bool = False
    """The one character that differs from the others in bit 7 has the point behind it, as on the
    lamps of a display."""
    exponent: bool = False
    """A power of ten follows: 1.2540E+02."""
    brackets: bool = False
    """The last digit stands in square brackets: a digit that is not verified."""
    group: str = ""
    """Characters that may stand between the digits and mean nothing: 1'254.0."""
    code: str = "text"
    """Text, or a code of `drivers.binary_numbers` (int-le, bcd-be, float-le, hex and the like). A
    float is rounded to `decimals`."""
    times: int = Field(default=1, ge=1)
    """A whole number is so many of the last decimal: a scale that counts its divisions."""

    @field_validator("digits")
    @classmethod
    def _ten(cls, value: str) -> str:
        if not 10 <= len(set(value)) == len(value) <= 12:
            raise ValueError(
                "digits must be ten different characters, then perhaps a blank and a minus"
            )
        return value

    @field_validator("code")
    @classmethod
    def _code(cls, value: str) -> str:
        if value != "text" and not is_code(value):
            kinds, orders = ", ".join(KINDS), ", ".join(ORDERS)
            raise ValueError(
                f"code must be text, hex, or one of {kinds} with one of {orders}: int-le; "
                "hex:int-be in hexadecimal digits"
            )
        return value


class FlagField(Strict):
    """A mark: each text it can hold stands for some words."""

    kind: Literal["flag"] = "flag"
    map: dict[str, Words]
    otherwise: Words | None = None
    """What any other printable text means; without it another text is damage."""
    bytes_too: bool = False
    """`otherwise` takes any byte, not only printable ones."""


class BitCode(Strict):
    """A number in some bits of a byte, and the words it stands for."""

    bits: str
    map: dict[str, Words]
    otherwise: Words | None = None

    @property
    def span(self) -> tuple[int, int]:
        """Lowest and highest bit."""
        low, _, high = self.bits.partition("-")
        return int(low), int(high or low)


class BitsField(Strict):
    """One byte whose bits are marks."""

    kind: Literal["bits"] = "bits"
    fixed: str = "........"
    """Bit 7 first: 0 or 1 where the bit is constant, a point where it is free."""
    set: dict[int, Words] = Field(default_factory=dict)
    clear: dict[int, Words] = Field(default_factory=dict)
    code: list[BitCode] = Field(default_factory=list)

    @field_validator("fixed")
    @classmethod
    def _eight(cls, value: str) -> str:
        if not re.fullmatch("[01.]{8}", value):
            raise ValueError("fixed must be eight of 0, 1 and a point, bit 7 first")
        return value


class UnitField(Strict):
    """The unit, as letters."""

    kind: Literal["unit"] = "unit"
    align: Literal["right", "left", "any"] = "any"
    blank: Words | None = None
    """What an empty unit means; without it an empty unit is damage."""
    given: Words = ()
    """What a unit that is there means."""
    names: dict[str, str] = Field(default_factory=dict)
    """Spellings of this scale alone: {"gr" = "g"}."""


class AnyField(Strict):
    """Bytes that are not looked at, as long as they are of the right kind."""

    kind: Literal["any"] = "any"
    chars: str = " -~"
    """A character class; "any" takes every byte."""
    fill: Notated = b""
    """What a rendered frame has here; default blanks."""


class CheckField(Strict):
    """Check bytes over what stands before them in the frame."""

    kind: Literal["check"] = "check"
    rules: list[str]
    """The rule; where published ones disagree, all of them: the one that verifies is kept."""
    skip: int = 0
    """Bytes at the start of the frame that are not covered."""
    drop: int = 0
    """Bytes right before the check that are not covered."""
    modulus: int = 256
    complement: Literal["none", "ones", "twos"] = "none"
    add: int = 0
    code: Literal["low-first", "high-first", "hex", "HEX", "decimal"] = "high-first"

    @field_validator("rules")
    @classmethod
    def _known(cls, value: list[str]) -> list[str]:
        if not value or any(rule not in RULES for rule in value):
            raise ValueError(f"rules must be some of {', '.join(RULES)}")
        return value


AnyOfFields = Annotated[
    NumberField | FlagField | BitsField | UnitField | AnyField | CheckField,
    Field(discriminator="kind"),
]
