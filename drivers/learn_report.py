"""How sure each field of a learned profile is, and what it rests on, in words.

Owns the sentences. Does not know how any of it was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from drivers.binary_numbers import parts
from drivers.learn_build import Built
from drivers.learn_marks import Shown
from drivers.learn_writing import PLAIN, Writing

SURE, LIKELY, UNSAID, UNKNOWN = "sure", "likely", "not stated", "not known"

_KINDS = {
    "int": "a signed binary number",
    "uint": "a binary number",
    "mag": "a binary number with its sign in the top bit",
    "off": "a binary number with half its range for zero",
    "bcd": "packed digits",
    "bcdn": "packed digits, the low one first in each byte",
    "bcds": "packed digits with the sign behind them",
    "float": "a floating-point number, rounded",
}
_ORDERS = {
    "be": ", high byte first",
    "le": ", low byte first",
    "ws": ", low word first",
    "bs": ", the bytes of each word turned",
}


@dataclass(frozen=True, slots=True)
class Sure:
    """How sure one field of the profile is, and why."""

    field: str
    how: str
    why: str

    def __str__(self) -> str:
        return f"{self.field}: {self.how}: {self.why}"


def sure_of(built: Built, shown: Sequence[Shown], steady_s: float) -> tuple[Sure, ...]:
    """Weight, unit, stability, net and overload, in this order."""
    return (
        _weight(built, shown),
        _unit(built, shown),
        _stability(built, steady_s),
        _net(built),
        _overload(built),
    )


def about(built: Built, shown: Sequence[Shown], size: int) -> str:
    """One line on the shape and what it was learned from."""
    seen = ", ".join(mark.words for mark in shown)
    return f"learned from {size} bytes and the display: {seen}"


def writing_words(writing: Writing) -> str:
    """How the weight is written."""
    if writing.code != "text":
        in_hex, kind, order = parts(writing.code)
        words = f"{_KINDS[kind]}{_ORDERS[order]}{', in hexadecimal digits' if in_hex else ''}"
    else:
        words = "digits" if writing.digits == PLAIN else "digits written as other characters"
        words += ", last digit first" if writing.reversed else ""
    if writing.point:
        return f"{words}, with the point {writing.point!r}"
    times = f", in steps of {writing.times}" if writing.times > 1 else ""
    return f"{words}, {writing.decimals or 0} of them decimals{times}"


def _weight(built: Built, shown: Sequence[Shown]) -> Sure:
    found = built.found
    weights = sum(mark.text is not None for mark in shown)
    lines = len(built.readings)
    check = f"; a check fits in {built.check.frames} different lines" if built.check else ""
    why = (
        f"{writing_words(found.writing)}, {found.place.words}; all {weights} shown weights fit, "
        f"{lines} of {len(built.framing.cuts)} lines give a weight{check}"
    )
    return Sure("weight", SURE if lines > len(built.framing.cuts) // 3 else LIKELY, why)


def _unit(built: Built, shown: Sequence[Shown]) -> Sure:
    told = built.composer.parts.told.get("unit")
    if told:
        return Sure("unit", SURE, told)
    units = {mark.unit for mark in shown if mark.unit}
    if units:
        return Sure("unit", UNSAID, f"the lines name none; {units.pop()}, as the display showed")
    return Sure("unit", UNKNOWN, "the lines name none, and none was said: no grams can be given")


def _stability(built: Built, steady_s: float) -> Sure:
    told = built.composer.parts.told.get("stability")
    if told:
        return Sure("stability", SURE, f"{told}, in {_moves(built)} lines that moved")
    if built.composer.always:
        return Sure("stability", LIKELY, "a weight is sent only while it rests")
    why = f"a weight counts as at rest when it has stayed the same for {steady_s:g} s"
    return Sure("stability", UNSAID, why)


def _moves(built: Built) -> int:
    return sum(built.composer.parts.course.moves)


def _net(built: Built) -> Sure:
    told = built.composer.parts.told.get("net")
    if told:
        return Sure("net", SURE, told)
    return Sure("net", UNSAID, "nothing in the lines changed with a tare, and with that alone")


def _overload(built: Built) -> Sure:
    text = built.draft.toml()
    named = any(f'"{word}"' in text or f'says = "{word}' in text for word in ("over", "out"))
    if named:
        return Sure("overload", SURE, "the lines have a mark for it")
    if built.composer.parts.unproved:
        first = "; ".join(dict.fromkeys(built.composer.parts.unproved))
        return Sure("overload", UNKNOWN, f"lines that may mean it give no weight ({first})")
    return Sure("overload", UNKNOWN, "none was shown; a line unlike those heard gives no weight")
