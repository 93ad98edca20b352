"""What a USB HID device says of its reports: the report descriptor read into input elements.

Owns the items of the descriptor (USB-IF, Device Class Definition for Human Interface Devices 1.11,
section 6.2.2) and where each element stands in a report. Does not know what a usage means, and
reads no device.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

LONGEST = 4096
"""Bytes of the longest descriptor that the system hands on."""
_MOST_BITS = 8 * 4096
_MOST_ELEMENTS = 1024
_WIDEST = 32
_LONG_ITEM = 0xFE
_CONSTANT, _VARIABLE = 1, 2


class DescriptorError(Exception):
    """Bytes that are no report descriptor, or one beyond all bounds; the message says why."""


@dataclass(frozen=True, slots=True)
class Element:
    """One value in an input report. A variable has one usage; an array names one of several."""

    report_id: int
    """0 where reports carry no id."""
    at_bit: int
    """From the first bit of the report, its id included."""
    bits: int
    low: int
    high: int
    usages: tuple[range, ...]
    """Each usage with its page in the upper 16 bits."""
    array: bool

    @property
    def usage_count(self) -> int:
        """How many usages an array can name."""
        return sum(len(run) for run in self.usages)

    def usage(self, index: int) -> int:
        """The usage at this place among its usages; IndexError where there is none."""
        for run in self.usages:
            if index < len(run):
                return run[index]
            index -= len(run)
        raise IndexError(index)

    def raw(self, report: bytes) -> int | None:
        """The bits as an unsigned number; None where the report is too short for them."""
        if 8 * len(report) < self.at_bit + self.bits:
            return None
        return int.from_bytes(report, "little") >> self.at_bit & ((1 << self.bits) - 1)

    def value(self, report: bytes) -> int | None:
        """The number, signed if its least value is; None where it is outside its own bounds."""
        raw = self.raw(report)
        if raw is None:
            return None
        number = signed(raw, self.bits) if self.low < 0 else raw
        return number if self.low <= number <= self.high else None


def signed(raw: int, bits: int) -> int:
    """The two's complement number in so many bits."""
    return raw - (1 << bits) if raw >> (bits - 1) & 1 else raw


@dataclass(frozen=True, slots=True)
class Description:
    """The input elements of a device that have a usage, in the order of its descriptor."""

    elements: tuple[Element, ...]
    numbered: bool
    """Each report begins with a byte that is its id."""


@dataclass(frozen=True, slots=True)
class _Globals:
    page: int = 0
    low: int = 0
    high: bytes = b"\0"
    bits: int = 0
    count: int = 0
    report_id: int = 0

    @property
    def highest(self) -> int:
        """Signed only where the least value is negative: FF FF is 65535 beside a least value 0."""
        return int.from_bytes(self.high, "little", signed=self.low < 0)


@dataclass(slots=True)
class _Locals:
    usages: list[tuple[int, int, bool]] = field(default_factory=list)
    """First and last usage, and whether they carry a page of their own."""
    least: tuple[int, bool] | None = None


class _Reader:
    """The state while the items go by."""

    def __init__(self) -> None:
        self.now = _Globals()
        self.local = _Locals()
        self.kept: list[_Globals] = []
        self.depth = 0
        self.filled: dict[int, int] = {}
        """Bits of each input report so far, by its id; the id itself is not counted."""
        self.elements: list[Element] = []
        self.numbered = False

    # -- main items ----------------------------------------------------------------------------

    def main(self, tag: int, data: bytes) -> None:
        """Input, a collection's begin or end; output and feature describe nothing that comes."""
        if tag == 0x8:
            self._input(int.from_bytes(data, "little"))
        elif tag == 0xA:
            self.depth += 1
        elif tag == 0xC:
            self.depth -= 1
            if self.depth < 0:
                raise DescriptorError("a collection ends that has not begun")
        self.local = _Locals()

    def _input(self, flags: int) -> None:
        now = self.now
        at = self.filled.get(now.report_id, 0)
        self.filled[now.report_id] = at + now.bits * now.count
        if self.filled[now.report_id] > _MOST_BITS:
            raise DescriptorError("a report longer than any can be")
        usages = tuple(self._runs())
        if not usages or now.bits == 0:
            return  # padding
        if now.bits > _WIDEST:
            if flags & _CONSTANT:
                return
            raise DescriptorError(f"a value {now.bits} bits wide")
        if len(self.elements) + now.count > _MOST_ELEMENTS:
            raise DescriptorError("more values than any device has")
        whole = Element(
            now.report_id, at, now.bits, now.low, now.highest, usages, not flags & _VARIABLE
        )
        for n in range(now.count):
            one = replace(whole, at_bit=at + n * now.bits)
            self.elements.append(one if one.array else _of_one_usage(one, n))

    def _runs(self) -> Iterator[range]:
        """The usages of this item; one without a page of its own is of the page in force now."""
        for first, last, paged in self.local.usages:
            page = 0 if paged else self.now.page << 16
            yield range(page + first, page + last + 1)

    # -- global items --------------------------------------------------------------------------

    def shared(self, tag: int, data: bytes) -> None:
        """What holds until it is said anew."""
        number = int.from_bytes(data, "little")
        if tag == 0x0:
            self.now = replace(self.now, page=number & 0xFFFF)
        elif tag == 0x1:
            self.now = replace(self.now, low=int.from_bytes(data, "little", signed=True))
        elif tag == 0x2:
            self.now = replace(self.now, high=data)
        elif tag == 0x7:
            self.now = replace(self.now, bits=number)
        elif tag == 0x8:
            self._id(number)
        elif tag == 0x9:
            self.now = replace(self.now, count=number)
        elif tag == 0xA:
            self.kept.append(self.now)
        elif tag == 0xB:
            if not self.kept:
                raise DescriptorError("a state is taken back that was not put away")
            self.now = self.kept.pop()

    def _id(self, number: int) -> None:
        if not 1 <= number <= 255:
            raise DescriptorError(f"a report of the id {number}")
        if self.filled.get(0):
            raise DescriptorError("some reports have an id and some have none")
        self.numbered = True
        self.now = replace(self.now, report_id=number)

    # -- local items ---------------------------------------------------------------------------

    def near(self, tag: int, data: bytes) -> None:
        """What holds for the next main item only."""
        number, paged = int.from_bytes(data, "little"), len(data) == 4
        if tag == 0x0:
            self.local.usages.append((number, number, paged))
        elif tag == 0x1:
            self.local.least = (number, paged)
        elif tag == 0x2 and self.local.least is not None:
            (first, own), self.local.least = self.local.least, None
            if number < first or paged != own or number >> 16 != first >> 16:
                raise DescriptorError("a run of usages that does not run")
            self.local.usages.append((first, number, own))
        elif tag == 0xA:
            raise DescriptorError("values with more than one meaning each")


def _of_one_usage(element: Element, n: int) -> Element:
    """The n-th of several variables: the n-th usage is its own, the last one that of the rest."""
    usage = element.usage(min(n, element.usage_count - 1))
    return replace(element, usages=(range(usage, usage + 1),))


def read_descriptor(data: bytes) -> Description:
    """The input elements that a report descriptor describes.

    Raises DescriptorError where it cannot be one, or is one that nobody could go by.
    """
    if len(data) > LONGEST:
        raise DescriptorError("longer than a descriptor can be")
    reader = _Reader()
    take = (reader.main, reader.shared, reader.near, lambda _tag, _data: None)
    for kind, tag, body in _items(data):
        take[kind](tag, body)
    if reader.depth:
        raise DescriptorError("a collection has no end")
    if not reader.numbered:
        return Description(tuple(reader.elements), numbered=False)
    shifted = tuple(replace(one, at_bit=one.at_bit + 8) for one in reader.elements)
    return Description(shifted, numbered=True)


def _items(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Kind (0 main, 1 global, 2 local, 3 reserved), tag and data of each item, in order."""
    at = 0
    while at < len(data):
        prefix = data[at]
        if prefix == _LONG_ITEM:  # none is defined yet: passed over
            size, head, kind = int.from_bytes(data[at + 1 : at + 2], "little"), 3, 3
        else:
            size, head, kind = (0, 1, 2, 4)[prefix & 3], 1, prefix >> 2 & 3
        end = at + head + size
        if end > len(data):
            raise DescriptorError("it is cut off")
        yield kind, prefix >> 4, data[at + head : end]
        at = end
