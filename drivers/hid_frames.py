"""The reports of a USB HID scale as a stream of bytes, and that stream cut into reports again.

Owns the two forms that such a stream has. Does not know what a report says (`hid_report`), has no
sense of time and reads no device.

A scale that is read live is told of in lines, so that a journal holds all that is needed to read
it again: `D` and the report descriptor first, then `R` and each report as it came; hexadecimal
digits, a star, a check (CRC-16, polynomial 1021, start FFFF) over the letter and the bytes, CR and
LF. Bytes copied from the device node, without the descriptor, are taken to be reports of the usual
form, six bytes each.
"""

from __future__ import annotations

import re
from typing import Any

from drivers.checks import RULES
from drivers.facts import Parsed
from drivers.frames import Frame
from drivers.hid_descriptor import LONGEST
from drivers.hid_report import USUAL, Layout, NotAScaleError, layout_of

_LINE = re.compile(rb"([DR])((?:[0-9A-F]{2})+)\*([0-9A-F]{4})\r\n")
_END = b"\r\n"
_LONGEST_LINE = 2 * LONGEST + 8
_SHOWN = 64
_BLOCK = 6
_IDS = range(1, 7)
"""Report ids that the example in the standard uses."""
_STRANGE = 3
"""So many blocks in a row that are no weight: the beat may be lost, and is looked for again."""
_IN_LINES = b"0123456789ABCDEFR*" + _END


def descriptor_line(descriptor: bytes) -> bytes:
    """The line that a live stream begins with."""
    return _line(b"D", descriptor)


def report_line(report: bytes) -> bytes:
    """One report as it came from the device."""
    return _line(b"R", report)


def _line(kind: bytes, data: bytes) -> bytes:
    return b"%s%s*%04X\r\n" % (kind, data.hex().upper().encode(), _check(kind + data))


def _check(data: bytes) -> int:
    return RULES["crc16-1021-ffff"](data)


class HidReader:
    """What `FrameReader` is for lines: `push` gives the same frames for any chunking.

    The first report with a weight after a beginning is dropped: it is often the weighing before.
    """

    longest = 64
    """Bytes that a report takes up, descriptor lines apart."""

    def __init__(self, offset: int = 0) -> None:
        self.offset = offset
        """Bytes taken so far."""
        self._descriptor = b""
        self._layout: Layout | None = None
        self.reset()

    def reset(self) -> None:
        """The stream was interrupted: the unfinished report is forgotten, what is known kept."""
        self._rest = b""
        self._bare: bool | None = None
        self._fresh = True
        self._skipped = 0
        self._strange = _STRANGE
        self._held: int | None = None

    def push(self, data: bytes) -> list[Frame]:
        """The frames that `data` completes, in order, damage included."""
        self.offset += len(data)
        self._rest += data
        if self._bare is None and self._rest:
            self._bare = self._rest[0] not in _IN_LINES
        return self._blocks() if self._bare else self._lines()

    def snapshot(self) -> dict[str, Any]:
        """Everything that a reader of the rest of the stream needs, ready for JSON."""
        return {
            "descriptor": self._descriptor.hex(),
            "rest": self._rest.decode("latin-1"),
            "bare": self._bare,
            "fresh": self._fresh,
            "skipped": self._skipped,
            "strange": self._strange,
            "held": self._held,
            "offset": self.offset,
        }

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off."""
        self._learn(bytes.fromhex(saved["descriptor"]))
        self._rest = saved["rest"].encode("latin-1")
        self._bare, self._fresh = saved["bare"], saved["fresh"]
        self._skipped, self._strange = saved["skipped"], saved["strange"]
        self._held, self.offset = saved["held"], saved["offset"]

    def _learn(self, descriptor: bytes) -> str:
        """Go by this descriptor from now on; why that cannot be, or nothing."""
        self._descriptor, self._layout = descriptor, None
        if not descriptor:
            return ""
        try:
            self._layout = layout_of(descriptor)
        except NotAScaleError as error:
            return str(error)
        return ""

    # -- lines ---------------------------------------------------------------------------------

    def _lines(self) -> list[Frame]:
        frames: list[Frame] = []
        at, base = 0, self.offset - len(self._rest)
        while (found := self._rest.find(_END, at)) >= 0:
            stop = found + len(_END)
            line, skipped, self._skipped = self._rest[at:stop], self._skipped, 0
            if skipped + len(line) <= _LONGEST_LINE:
                frames.append(_frame(base + at, base + stop, line, self._said(line)))
            else:
                frames.append(_frame(base + at - skipped, base + stop, b"", "a line without end"))
            at = stop
        self._rest = self._rest[at:]
        if len(self._rest) > _LONGEST_LINE:
            self._skipped += len(self._rest) - 1
            self._rest = self._rest[-1:]
        return frames

    def _said(self, line: bytes) -> Parsed | str:
        whole = _LINE.fullmatch(line)
        if whole is None:
            return "not a line of a report"
        kind, data = whole[1], bytes.fromhex(whole[2].decode())
        if int(whole[3], 16) != _check(kind + data):
            return "the check does not match"
        if kind == b"D":
            self._fresh, self._held = True, None
            return self._learn(data) or Parsed(other=True)
        if self._layout is None:
            return "a report whose descriptor is not known"
        return self._read(self._layout, data)

    def _read(self, layout: Layout, report: bytes) -> Parsed | str:
        said = layout.read(report, self._held)
        self._held = layout.status_apart(report) or self._held
        if isinstance(said, str) or said.other or not self._fresh:
            return said
        self._fresh = False
        return Parsed(other=True)

    # -- bare reports --------------------------------------------------------------------------

    def _blocks(self) -> list[Frame]:
        """Blocks of the usual form; a lost byte shifts the beat, which is then looked for again."""
        frames: list[Frame] = []
        at, base = 0, self.offset - len(self._rest)
        while len(self._rest) - at >= _BLOCK:
            block = self._rest[at : at + _BLOCK]
            said = self._told(block)
            self._strange = 0 if isinstance(said, Parsed) else self._strange + 1
            on_beat = self._strange <= _STRANGE and block[0] in _IDS
            size = _BLOCK if on_beat else 1
            frames.append(_frame(base + at, base + at + size, block[:size], said))
            at += size
        self._rest = self._rest[at:]
        return frames

    def _told(self, block: bytes) -> Parsed | str:
        if block[0] != _USUAL.report_id:
            return "not the report with the weight"
        said = self._read(_USUAL, block)
        if isinstance(said, str) or said.declared is False or said.other:
            return said
        if any(_could_be(block[n:] + block[:n]) for n in range(1, _BLOCK)):
            return "reports that read differently from another byte on"
        return said


def _could_be(block: bytes) -> bool:
    """Whether a block is a weight, and one with no more than the usual exponents."""
    if block[0] != _USUAL.report_id or 0 < block[3] < 0x80:
        return False
    said = _USUAL.read(block)
    return isinstance(said, Parsed)


_USUAL = layout_of(USUAL)


def _frame(begin: int, end: int, data: bytes, said: Parsed | str) -> Frame:
    if isinstance(said, str):
        return Frame(begin, end, data[:_SHOWN], None, said)
    return Frame(begin, end, data, said)
