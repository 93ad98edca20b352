"""What a person read off the display while certain bytes of a stream came.

Owns the reading of such a statement and its exact value. Does not know what the bytes mean.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Protocol

from drivers.units import GRAMS_PER, unit_named

_STATEMENT = re.compile(r"\s*(\d+)\s*-\s*(\d+)\s*=\s*(.*?)\s*", re.DOTALL)
_WEIGHT = re.compile(r"([-+\u2212]?)\s*(\d[\d.,']*|[.,]\d+)\s*([A-Za-z]*)")
_TWO_WAYS = re.compile(r"[1-9]\d{0,2},\d{3}")
_REACH = {
    "over": "over",
    "under": "under",
    "overload": "over",
    "underload": "under",
    "out": "out",
    "ol": "out",
    "o-l": "out",
    "-ol-": "out",
}
_POWERS = {"mg": -3, "g": 0, "kg": 3}
_EXAMPLE = "write it like 224-368=125.40 g (first byte, byte behind the last, what was shown)"


class ShownError(ValueError):
    """A statement about the display that cannot be used; the text says how to write it."""


@dataclass(frozen=True, slots=True)
class Shown:
    """While the bytes from `begin` up to `end` came, the display steadily showed this."""

    begin: int
    end: int
    text: str | None
    """The signed weight with the display's decimals; None where it showed no weight."""
    unit: str | None = None
    reach: str = ""
    """Without a weight: over, under, out (direction not given), or empty for anything else."""
    finer: bool = False
    """The lines may have more decimals than the display."""
    said: str = ""
    """In the person's words, where the weight is given here in another unit."""

    @property
    def value(self) -> Decimal | None:
        """The weight as an exact number."""
        return None if self.text is None else Decimal(self.text)

    def says(self, value: Decimal | None) -> bool:
        """Whether a display that reads `value` off a line shows this, its sign left aside."""
        return self.text is not None and value is not None and shows(value, self)

    def in_unit(self, unit: str) -> Shown:
        """The same weight in another metric unit."""
        if self.text is None or self.unit is None:
            return self
        power = _POWERS[unit] - _POWERS[self.unit]
        text = f"{Decimal(self.text).scaleb(-power):f}"
        return replace(self, text=text, unit=unit, said=self.words)

    @property
    def words(self) -> str:
        """As a person would say it."""
        return self.said or f"{self.text or self.reach or 'no weight'} {self.unit or ''}".rstrip()


class HasValue(Protocol):
    """A weight that was shown."""

    @property
    def value(self) -> Decimal | None:
        """The weight."""

    @property
    def finer(self) -> bool:
        """Whether the lines may have more decimals."""


def shows(value: Decimal, shown: HasValue) -> bool:
    """Whether a display shows `shown` of this value, rounded; signs are left aside."""
    size, wanted = abs(value), abs(shown.value or Decimal(0))
    if size == wanted:
        return True
    last, own = wanted.as_tuple().exponent, size.as_tuple().exponent
    if not shown.finer or not isinstance(last, int) or not isinstance(own, int) or own >= last:
        return False
    return 2 * abs(size - wanted) <= Decimal(1).scaleb(last)


def other_units(shown: Sequence[Shown]) -> list[str]:
    """Metric units beside the one that was shown, in which the lines may be."""
    units = {mark.unit for mark in shown} - {None}
    unit = units.pop() if len(units) == 1 else None
    return [other for other in _POWERS if other != unit] if unit in _POWERS else []


def parse_shown(statement: str) -> Shown:
    """The statement written like `224-368=125.40 g`; `over`, `under` or other words: no weight.

    Raises ShownError where it is not like that, or can be meant in two ways.
    """
    found = _STATEMENT.fullmatch(statement)
    if found is None:
        raise ShownError(f"{statement!r} is not a range and what was shown: {_EXAMPLE}")
    begin, end = int(found[1]), int(found[2])
    if begin >= end:
        raise ShownError(f"{statement!r}: the range is empty; {_EXAMPLE}")
    text, unit, reach = read_display(found[3])
    return Shown(begin, end, text, unit, reach)


def read_display(words: str) -> tuple[str | None, str | None, str]:
    """Weight, unit and, without a weight, in which direction the scale was out of range.

    Raises ShownError for a number or a unit that can be meant in two ways.
    """
    bare = words.strip()
    if not bare:
        raise ShownError(f"nothing is said of the display; {_EXAMPLE}")
    found = _WEIGHT.fullmatch(bare)
    if found is None:
        if re.search(r"\d", bare):
            raise ShownError(f"{words!r} is no weight: write the number, then the unit: 125.40 g")
        return None, None, _REACH.get(bare.lower(), "")
    sign = "-" if found[1] in ("-", "\u2212") else ""
    digits = _plain(found[2])
    if not Decimal(digits):
        sign = ""
    return sign + digits, _unit(found[3]), ""


def _plain(number: str) -> str:
    """The number with a decimal point, and nothing between its thousands."""
    bare = number.replace("'", "")
    if _TWO_WAYS.fullmatch(bare):
        meant = f"{bare.replace(',', '')} or {bare.replace(',', '.')}"
        raise ShownError(f"{number!r} can be meant in two ways: write {meant}")
    last = max(bare.rfind("."), bare.rfind(","))
    if last < 0:
        return bare.lstrip("0") or "0"
    whole, part = bare[:last], bare[last + 1 :]
    if bare[last] in whole:
        raise ShownError(f"{number!r} has two decimal points")
    return f"{re.sub('[.,]', '', whole).lstrip('0') or '0'}.{part}" if part else whole


def _unit(spelled: str) -> str | None:
    if not spelled:
        return None
    unit = unit_named(spelled)
    if unit not in GRAMS_PER:
        known = ", ".join(GRAMS_PER)
        raise ShownError(f"{spelled!r} is no unit of mass that is known here: say one of {known}")
    return unit
