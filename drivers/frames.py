"""A stream of bytes cut into whole frames, in any pieces it arrives in.

Owns the buffer, its bound, the first fragment and the finding of the beat again after damage. Does
not know what a frame says beyond legal or not, and has no sense of time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from drivers.facts import Parsed
from drivers.frame_shape import CompiledProfile

_SHOWN = 64
"""Bytes of damage that are kept to be shown."""
_BETWEEN = b"\x00\r\n"
"""Bytes between frames that begin with a start byte which nobody needs to hear about."""
_RIVALS = 3
"""Successive lines of another family after which the scale is believed to have changed its form."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Bytes up to `end` (offset in the stream): a legal frame, or damage and why.

    `begin` is where its bytes began, those that may stand alone before it included.
    """

    begin: int
    end: int
    data: bytes
    parsed: Parsed | None
    why: str = ""


class FrameReader:
    """Cuts a stream into frames of one profile. `push` gives the same frames for any chunking."""

    def __init__(self, shape: CompiledProfile, offset: int = 0) -> None:
        profile = shape.profile
        self._shape = shape
        self._echo = profile.request.send if profile.request else b""
        self._start, self._end, self._ignore = profile.start, profile.end, profile.ignore
        self._keep_first = profile.first == "keep"
        self.longest = shape.longest
        self._limit = 2 * shape.longest + 16
        self._family = self._rival = ""
        self._rivals = 0
        self.offset = offset
        """Bytes taken so far."""
        self.reset()

    def reset(self) -> None:
        """Forget the unfinished frame: the stream was interrupted. The offset goes on."""
        self._rest = b""
        self._searched = 0
        self._synced = False
        self._flooded = False
        self._junk = b""

    def push(self, data: bytes) -> list[Frame]:
        """The frames that `data` completes, in order, damage included."""
        self.offset += len(data)
        buffer = self._rest + data
        frames = self._by_start(buffer) if self._start else self._by_end(buffer)
        return list(frames)

    def snapshot(self) -> dict[str, Any]:
        """Everything that a reader of the rest of the stream needs, ready for JSON."""
        return {
            "rest": self._rest.decode("latin-1"),
            "junk": self._junk.decode("latin-1"),
            "searched": self._searched,
            "synced": self._synced,
            "flooded": self._flooded,
            "family": self._family,
            "rival": self._rival,
            "rivals": self._rivals,
            "offset": self.offset,
        }

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off."""
        self._rest = saved["rest"].encode("latin-1")
        self._junk = saved["junk"].encode("latin-1")
        self._searched, self._synced = saved["searched"], saved["synced"]
        self._flooded, self.offset = saved["flooded"], saved["offset"]
        self._family, self._rival, self._rivals = saved["family"], saved["rival"], saved["rivals"]

    # -- lines that only have an end ---------------------------------------------------------

    def _by_end(self, buffer: bytes) -> Iterator[Frame]:
        end, at = self._end, 0
        base = self.offset - len(buffer)
        found = buffer.find(end, max(0, self._searched - len(end) + 1))
        while found >= 0:
            stop = found + len(end)
            if frame := self._line(buffer[at:stop], base + at):
                yield frame
            at = stop
            found = buffer.find(end, at)
        yield from self._keep_rest(buffer[at:])

    def _line(self, line: bytes, begin: int) -> Frame | None:
        bare = line.lstrip(self._ignore) if self._ignore else line
        flooded, self._flooded = self._flooded, False
        if flooded:
            return None
        first, self._synced = not self._synced, True
        if not first:
            return self._judged(bare, begin, begin + len(line))
        if not self._keep_first:
            return None  # a cut line can look like a smaller weight
        frame = self._judged(bare, begin, begin + len(line))
        return frame if frame and frame.parsed else None

    def _keep_rest(self, rest: bytes) -> Iterator[Frame]:
        """Hold the unfinished line, but no more of it than a line can be long."""
        if len(rest) > self._limit:
            if not self._flooded and self._synced:
                begin = self.offset - len(rest)
                yield Frame(begin, self.offset, rest[:_SHOWN], None, "no end of line")
            self._flooded = self._synced = True
            rest = rest[-(len(self._end) - 1) :] if len(self._end) > 1 else b""
        self._rest, self._searched = rest, len(rest)

    # -- frames that begin with a start byte -------------------------------------------------

    def _by_start(self, buffer: bytes) -> Iterator[Frame]:
        at = 0
        base = self.offset - len(buffer)
        while True:
            start = buffer.find(self._start, at)
            if start < 0:
                keep = self._partial_start(buffer, at)
                yield from self._damage(buffer[at : len(buffer) - keep], base + len(buffer) - keep)
                at = len(buffer) - keep
                break
            yield from self._damage(buffer[at:start], base + start)
            at = start
            if found := self._frame_at(buffer, at):
                stop, parsed = found
                begin = base + at - len(self._harmless())
                yield from self._flush_junk(base + at)
                yield self._accepted(buffer[at:stop], begin, base + stop, parsed)
                at = stop
            elif self._hopeless(buffer, at):
                yield from self._damage(buffer[at : at + 1], base + at + 1)
                at += 1
            else:
                break
        self._rest = buffer[at:]

    def _frame_at(self, buffer: bytes, at: int) -> tuple[int, Parsed] | None:
        for stop in self._shape.ends(buffer, at):
            said = self._shape.read(buffer[at:stop], self._family)
            if isinstance(said, Parsed):
                return stop, said
        return None

    def _hopeless(self, buffer: bytes, at: int) -> bool:
        """Whether no more bytes can make a frame of what begins at `at`."""
        if len(buffer) - at >= self._shape.longest:
            return True
        return not self._shape.start_inside and buffer.find(self._start, at + 1) >= 0

    def _partial_start(self, buffer: bytes, at: int) -> int:
        """How many last bytes may be the beginning of a start."""
        for length in range(min(len(self._start) - 1, len(buffer) - at), 0, -1):
            if buffer.endswith(self._start[:length]):
                return length
        return 0

    def _damage(self, data: bytes, end: int) -> Iterator[Frame]:
        """Collect damage; tell of it when it is long, so that its pieces do not count as many."""
        self._junk += data
        if len(self._junk) >= self._limit:
            yield from self._flush_junk(end)

    def _flush_junk(self, end: int) -> Iterator[Frame]:
        harmless = self._harmless()
        junk, self._junk = self._junk, b""
        if self._synced and not harmless and junk.strip(_BETWEEN):
            yield Frame(end - len(junk), end, junk[:_SHOWN], None, "not a frame of this shape")
        self._synced = True

    def _harmless(self) -> bytes:
        """The bytes before this frame, where they may stand there: an echo of the request, say."""
        bare = self._junk.strip(self._ignore) if self._ignore else self._junk
        return self._junk if not bare or bare == self._echo else b""

    # -- judging -----------------------------------------------------------------------------

    def _judged(self, data: bytes, begin: int, end: int) -> Frame | None:
        said = self._shape.read(data, self._family)
        if data == self._echo:
            said = Parsed(other=True)
        if isinstance(said, str):
            if not data.strip(_BETWEEN + self._ignore):
                return None  # an empty line says nothing and harms nothing
            self._rivals = 0
            return Frame(begin, end, data[:_SHOWN], None, said)
        return self._accepted(data, begin, end, said)

    def _accepted(self, data: bytes, begin: int, end: int, parsed: Parsed) -> Frame:
        """The frame, unless it is of another family than this scale has kept to so far."""
        frame = Frame(begin, end, data, parsed)
        if parsed.family in ("", self._family):
            self._rivals = 0
            return frame
        self._rivals = self._rivals + 1 if parsed.family == self._rival else 1
        self._rival = parsed.family
        if self._rivals >= (_RIVALS if self._family else 2):
            self._family, self._rivals = parsed.family, 0
            return frame
        return Frame(begin, end, data, None, "a line of another form") if self._family else frame
