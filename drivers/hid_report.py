"""The reports of a USB HID scale, by the usages of its own descriptor.

Owns the usages of weighing devices and what a report says. Does not know how reports stand in a
stream (`hid_frames`), reads no device and keeps no history.

Usages: USB-IF, HID Point of Sale Usage Tables 1.02, section 4 (page 8D), and the same page in the
later HID Usage Tables. A weight is a number times ten to the power of a signed exponent.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from drivers.facts import Parsed, shifted
from drivers.hid_descriptor import Description, DescriptorError, Element, read_descriptor, signed

PAGE = 0x8D << 16
_WEIGHT, _SCALING = PAGE | 0x40, PAGE | 0x41
_UNITS, _STATES = PAGE | 0x50, PAGE | 0x70
_FAULT, _ZERO, _MOVING, _STABLE, _UNDER, _OVER, _CALIBRATE, _REZERO = range(1, 9)
_UNIT_NAMES = ("mg", "g", "kg", "ct", "tael", "gr", "dwt", "t", "ton", "ozt", "oz", "lb")
"""Usages 51 to 5C. How much a tael or a ton is depends on the country: those have no grams."""
_LAST_UNIT, _LAST_STATE = len(_UNIT_NAMES), _REZERO
_GREATEST_EXPONENT = 9

USUAL = bytes.fromhex(
    "05 8D 09 20 A1 01"  # weighing devices: a scale
    "09 32 A1 02 85 03 75 08 95 01"  # its data report, of the id 3
    "15 01 09 70 A1 02 25 08 19 71 29 78 81 00 C0"  # status
    "09 50 A1 02 25 0C 19 51 29 5C 81 00 C0"  # unit
    "15 80 25 7F 09 41 81 02"  # exponent
    "75 10 15 00 27 FF FF 00 00 09 40 81 02"  # weight
    "C0 C0"
)
"""The data report as the example in the standard has it; for bytes whose descriptor is not kept."""


class NotAScaleError(Exception):
    """A device whose reports cannot be read as weights; the message says why."""


@dataclass(frozen=True, slots=True)
class _Choice:
    """Elements that together name one of several things: a unit, a status."""

    elements: tuple[tuple[Element, int], ...]
    """Each with what its first usage, or its number, is counted from."""
    base: int
    last: int

    def named(self, report: bytes) -> set[int]:
        """What is named, as numbers of the standard's table; empty where nothing is."""
        found = (self._of(element, low, report) for element, low in self.elements)
        return {number for number in found if 1 <= number <= self.last}

    def _of(self, element: Element, low: int, report: bytes) -> int:
        value = element.value(report)
        if value is None:
            return 0
        if element.array:
            index = value - low
            return element.usage(index) - self.base if 0 <= index < element.usage_count else 0
        usage = element.usages[0][0]
        if usage == self.base:
            return value
        return usage - self.base if value else 0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a scale's reports have the weight, its exponent, its unit and its status."""

    numbered: bool
    weight: Element
    scaling: Element
    unit: _Choice | None
    status: _Choice | None
    apart: _Choice | None = None
    """The status, where it comes in a report of its own."""

    @property
    def report_id(self) -> int:
        """Of the report with the weight; 0 where reports carry no id."""
        return self.weight.report_id

    def read(self, report: bytes, held: int | None = None) -> Parsed | str:
        """What a report says, or why it says nothing.

        `held` is the status that came last in a report of its own. A report without a weight is
        `other`, unless it is a status that takes the weight away.
        """
        if not report:
            return "an empty report"
        if self.numbered and report[0] != self.report_id:
            return self._without_weight(report)
        status, why = self._status(report, held)
        if why:
            return why
        units = self.unit.named(report) if self.unit else set()
        if len(units) > 1:
            return "two units in one report"
        unit = _UNIT_NAMES[units.pop() - 1] if units else None
        if status in (_FAULT, _CALIBRATE, _REZERO):
            return Parsed(unit=unit, declared=False)
        if status == _OVER:
            return Parsed(unit=unit, declared=False, reach="over")
        return self._weight_of(report, unit, status)

    def status_apart(self, report: bytes) -> int | None:
        """The status in a report of its own; None for any other report."""
        if self.apart is None or not report or report[0] != self.apart.elements[0][0].report_id:
            return None
        found = self.apart.named(report)
        return found.pop() if len(found) == 1 else None

    def _without_weight(self, report: bytes) -> Parsed | str:
        status = self.status_apart(report)
        if status == _OVER:
            return Parsed(declared=False, reach="over")
        if status in (_FAULT, _CALIBRATE, _REZERO):
            return Parsed(declared=False)
        return Parsed(other=True)

    def _status(self, report: bytes, held: int | None) -> tuple[int | None, str]:
        """The status, None where the scale has none to tell; or why the report is no good."""
        if self.status is not None:
            found = self.status.named(report)
            return (found.pop(), "") if len(found) == 1 else (None, "no status that is known")
        if self.apart is None:
            return None, ""
        if held is None:
            return None, "no status has come yet"
        return (None if held in (_STABLE, _ZERO) else held), ""  # at rest it was with another

    def _weight_of(self, report: bytes, unit: str | None, status: int | None) -> Parsed | str:
        raw = self.scaling.raw(report)
        number = self.weight.value(report)
        if raw is None or number is None:
            return "too short a report" if raw is None else "no weight that can be"
        exponent = signed(raw, self.scaling.bits)
        if abs(exponent) > _GREATEST_EXPONENT:
            return f"ten to the power of {exponent}"
        if status == _ZERO and number:
            return f"{number} at the centre of zero"
        if status == _UNDER:
            number = -abs(number)
        declared = {_ZERO: True, _STABLE: True, _MOVING: False, _UNDER: False}.get(status or 0)
        return Parsed(shifted(str(number), -exponent), unit, declared)


def layout_of(descriptor: bytes) -> Layout:
    """Where a device with this report descriptor has its weights; NotAScaleError if it has none."""
    try:
        seen = read_descriptor(descriptor)
    except DescriptorError as error:
        raise NotAScaleError(f"its report descriptor cannot be read: {error}") from None
    weight = _only(seen, _WEIGHT, "weight")
    scaling = _only(seen, _SCALING, "exponent")
    if weight.report_id != scaling.report_id:
        raise NotAScaleError("weight and exponent come in different reports")
    here = [one for one in seen.elements if one.report_id == weight.report_id]
    status = _choice(here, _STATES, _LAST_STATE, "status")
    apart = None if status else _apart(seen, weight.report_id)
    unit = _choice(here, _UNITS, _LAST_UNIT, "unit")
    return Layout(seen.numbered, weight, scaling, unit, status, apart)


def _only(seen: Description, usage: int, what: str) -> Element:
    found = [one for one in seen.elements if not one.array and one.usages[0][0] == usage]
    if not found:
        raise NotAScaleError(
            f"its report descriptor has no {what} of a weighing device (usage page 8D)"
        )
    if len(found) > 1:
        raise NotAScaleError(f"its report descriptor has more than one {what}")
    return found[0]


def _apart(seen: Description, report_id: int) -> _Choice | None:
    """The status in another report than the weight's."""
    others = sorted({one.report_id for one in seen.elements} - {report_id})
    for other in others:
        there = [one for one in seen.elements if one.report_id == other]
        if choice := _choice(there, _STATES, _LAST_STATE, "status"):
            return choice
    return None


def _choice(elements: Iterable[Element], base: int, last: int, what: str) -> _Choice | None:
    wanted = range(base, base + last + 1)
    found = [one for one in elements if any(_meets(run, wanted) for run in one.usages)]
    counted = tuple((one, _counted_from(one, base, what)) for one in found)
    return _Choice(counted, base, last) if counted else None


def _meets(run: range, wanted: range) -> bool:
    return run.start < wanted.stop and wanted.start < run.stop


def _counted_from(element: Element, base: int, what: str) -> int:
    """The number that stands for the first usage of an array.

    By the class definition that is the least number, where numbers and usages are equally many. A
    least number 0 beside a table that begins with 1 is none of them. Anything else could be meant
    either way, which would be one unit for another.
    """
    if not element.array:
        return 0
    numbers, usages = element.high - element.low + 1, element.usage_count
    first = element.usage(0) - base
    if numbers == usages or element.low == first:
        return element.low
    if (element.low, first, numbers) == (0, 1, usages + 1):
        return 1
    raise NotAScaleError(
        f"its report descriptor has {numbers} numbers for {usages} usages of its {what}, and does "
        "not say which is which"
    )
