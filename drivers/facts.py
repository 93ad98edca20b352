"""What one frame says, gathered from its fields, and whether all of it can be true.

Owns the vocabulary's rules (what contradicts what, what takes a weight away); does not know which
column or bit a saying came from.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

_CONTRADICTIONS = (("stable", "moving"), ("gross", "net"), ("plus", "minus"), ("over", "under"))


@dataclass(frozen=True, slots=True)
class Parsed:
    """One legal frame. `text` is None where it carries no weight."""

    text: str | None = None
    unit: str | None = None
    declared: bool | None = None
    net: bool | None = None
    reach: str = ""
    """Empty, or over, under, out (of range, direction not given)."""
    other: bool = False
    """A legal line that is not the weight on the pan: a tare report, a clock, an echo."""
    family: str = ""

    @property
    def overload(self) -> bool:
        """Out of range, in either direction."""
        return bool(self.reach)


@dataclass(slots=True)
class Gathered:
    """The sayings of one frame while it is being read."""

    words: set[str] = field(default_factory=set)
    numbers: dict[str, str] = field(default_factory=dict)
    """Signed decimal text by part: weight, net, gross, tare, pounds, ounces."""

    def settle(self, family: str = "") -> Parsed | str:
        """The frame's meaning, or why its sayings cannot all be true."""
        words = self.words
        if "other" in words:
            return Parsed(other=True, family=family)
        for one, another in _CONTRADICTIONS:
            if one in words and another in words:
                return f"one mark says {one}, another says {another}"
        units = {word[5:] for word in words if word.startswith("unit:")}
        if len(units) > 1:
            return f"two units: {' and '.join(sorted(units))}"
        return self._meaning(next(iter(units), None) or self._otherwise_unit(), family)

    def _otherwise_unit(self) -> str | None:
        return next((word[15:] for word in self.words if word.startswith("unit-otherwise:")), None)

    def _meaning(self, unit: str | None, family: str) -> Parsed | str:
        words = self.words
        reach = next((word for word in ("over", "under", "out") if word in words), "")
        net = True if "net" in words else False if "gross" in words else None
        if reach or "status" in words:
            return Parsed(unit=unit, declared=False, net=net, reach=reach, family=family)
        text, net, unit = self._weight(net, unit)
        if text is None:
            return "no weight in the line"
        if why := self._unbalanced():
            return why
        if "minus" in words:
            if text.startswith("-"):
                return "two minus signs"
            text = f"-{text}"
        elif "plus" in words and text.startswith("-"):
            return "one sign says plus, another says minus"
        declared = True if "stable" in words else False if "moving" in words else None
        return Parsed(shifted(text, self._decimals()), unit, declared, net, family=family)

    def _weight(
        self, net: bool | None, unit: str | None
    ) -> tuple[str | None, bool | None, str | None]:
        numbers = self.numbers
        if "weight" in numbers:
            return numbers["weight"], net, unit
        if "pounds" in numbers:
            return _ounces(numbers["pounds"], numbers.get("ounces", "0")), net, "oz"
        if "net" in numbers:
            return numbers["net"], True, unit
        if "gross" in numbers:
            return numbers["gross"], False, unit
        return None, net, unit

    def _unbalanced(self) -> str | None:
        """Where all three weights of one printout are there, gross less tare must be net."""
        if not {"gross", "tare", "net"} <= self.numbers.keys():
            return None
        gross, tare, net = (Decimal(self.numbers[part]) for part in ("gross", "tare", "net"))
        return None if gross - tare == net else "gross less tare is not net"

    def _decimals(self) -> int | None:
        return next((int(word[9:]) for word in self.words if word.startswith("decimals:")), None)


def shifted(text: str, decimals: int | None) -> str:
    """`text`, a whole number, with the point put before its last `decimals` digits.

    Negative `decimals` append zeros; None leaves the text alone.
    """
    if not decimals:
        return text
    return f"{Decimal(text).scaleb(-decimals):f}" if decimals > 0 else _grown(text, -decimals)


def _grown(text: str, zeros: int) -> str:
    return text if text.strip("-0") == "" else text + "0" * zeros


def _ounces(pounds: str, ounces: str) -> str:
    """Pounds and ounces as ounces, with the ounces' own decimals."""
    minus = "-" if pounds.startswith("-") else ""
    return f"{minus}{abs(int(pounds)) * 16 + Decimal(ounces):f}"
