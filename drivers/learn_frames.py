"""Where the frames of an unknown stream may begin and end: every way that cuts it regularly.

Owns the search for ends, starts and lengths, and how likely each way is by itself. Does not know
what stands in a frame.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from operator import eq

_ENDS = {
    b"\r\n\r\n": 1.6,
    b"\n\n": 1.2,
    b"\r\n": 1.5,
    b"\n\r": 1.5,
    b"\x03": 2.0,
    b"\x04": 2.0,
    b"\x17": 1.2,
    b"\r": 1.0,
    b"\n": 1.0,
    b"\x00": 0.8,
    b"\x0c": 0.8,
    b"\x1e": 0.8,
    b";": 0.3,
}
"""Ends of frames, and how much speaks for each where it is found at all."""
_STARTS = {0x02: 2.0, 0x01: 2.0, 0x05: 0.6, 0x1B: 0.6, 0x0A: 0.4}
_SIGNS_OF_START = b"=$#@*>:<[{!%&~^|"
_LEAST = 3
"""Frames that a way of cutting must give."""
_LENGTHS = 12
"""Different lengths of frames that are looked for behind a start."""
_LONGEST_PERIOD = 130
_MOST = 8
_IN_TEXT = b"\t\r\n\x01\x02\x03\x04\x05\x06\x1b\x00"
_IN_NUMBERS = b" 0123456789.,"
"""Bytes that stand within numbers: no frame begins with one."""
_BEFORE = 0x20
"""Bytes below are control bytes: they hold lines together and are no part of their text."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One frame: where it stands in the stream, and its bytes between start and end."""

    begin: int
    end: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Framing:
    """One way to cut the stream."""

    start: bytes
    end: bytes
    cuts: tuple[Cut, ...]
    likely: float
    """How much speaks for it before its frames are looked at; comparable among framings only."""

    @property
    def share(self) -> float:
        """The part of the stream, from the first frame on, that lies in frames."""
        covered = sum(cut.end - cut.begin for cut in self.cuts)
        return covered / max(1, self.cuts[-1].end - self.cuts[0].begin)

    @property
    def lengths(self) -> int:
        """How many lengths its frames have."""
        return len({len(cut.body) for cut in self.cuts})


def framings(data: bytes, boundaries: Iterable[int] = ()) -> list[Framing]:
    """The ways to cut `data`, the likeliest first.

    `boundaries` are offsets at which something is said to have begun or ended; a way of cutting
    that cuts there is likelier.
    """
    at = sorted(set(boundaries))
    lines = _is_lines(data)
    found: dict[tuple[tuple[int, int], ...], Framing] = {}
    for framing in _every(data):
        if len(framing.cuts) < _LEAST or framing.share < 0.5:
            continue
        if lines and _runs_across(framing):
            continue
        rated = replace(framing, likely=framing.likely + _fit(framing, data, at))
        key = tuple((cut.begin, cut.end) for cut in framing.cuts[1:])
        if key not in found or found[key].likely < rated.likely:
            found[key] = rated
    return sorted(found.values(), key=lambda framing: -framing.likely)[:_MOST]


def _is_lines(data: bytes) -> bool:
    """Whether the stream is text whose lines have ends."""
    text = sum(0x20 <= code < 0x7F or code in _IN_TEXT for code in data)
    return text >= 0.98 * len(data) and any(data.count(end) >= _LEAST for end in b"\r\n\x03")


def _runs_across(framing: Framing) -> bool:
    """Whether its frames begin within a line and go on behind the end of that."""
    if framing.start and framing.start[0] < _BEFORE and framing.start[0] != 9:
        return False
    across = sum(
        any(end in cut.body.rstrip(b"\r\n\x03") for end in (b"\r", b"\n", b"\x03"))
        for cut in framing.cuts
    )
    return not framing.end and 2 * across > len(framing.cuts)


def _fit(framing: Framing, data: bytes, boundaries: Sequence[int]) -> float:
    """What speaks for a way of cutting beyond its bytes: no rest, few lengths, cuts in place."""
    begins = {cut.begin for cut in framing.cuts} | {cut.end for cut in framing.cuts}
    in_place = sum(at in begins for at in boundaries) / max(1, len(boundaries))
    whole = framing.cuts[-1].end == len(data)
    return 3 * in_place + 2 * framing.share + 0.5 * whole - 0.1 * min(10, framing.lengths - 1)


def _every(data: bytes) -> Iterator[Framing]:
    for end, likely in _ENDS.items():
        if data.count(end) >= _LEAST:
            yield from _by_end(data, end, likely)
    for code, count in Counter(data).items():
        if count >= _LEAST and (code in _STARTS or code in _SIGNS_OF_START or code >= 0x7F):
            yield from _by_start(data, bytes([code]), _STARTS.get(code, 0.8))
    yield from _by_period(data)


# -- ends ------------------------------------------------------------------------------------


def _by_end(data: bytes, end: bytes, likely: float) -> Iterator[Framing]:
    spans = list(_pieces(data, end))
    lines = [data[begin:stop] for begin, stop in spans]
    if len(lines) < _LEAST:
        return
    end = _longer_end(lines[1:], end)
    known = Counter(lines)
    keep = [n for n, line in enumerate(lines) if line.endswith(end) and line != end]
    if keep and keep[0] == 0 and known[lines[0]] < 2:
        keep = keep[1:]  # the first line is usually cut
    start = _common_start([lines[n] for n in keep], end)
    framed = [
        Cut(*spans[n], lines[n][len(start) : len(lines[n]) - len(end)])
        for n in keep
        if lines[n].startswith(start) and len(lines[n]) >= len(start) + len(end)
    ]
    if len(framed) < _LEAST:
        return
    yield Framing(start, end, tuple(framed), likely + (_STARTS.get(start[0], 0.3) if start else 0))


def _pieces(data: bytes, end: bytes) -> Iterator[tuple[int, int]]:
    at = 0
    while (found := data.find(end, at)) >= 0:
        stop = found + len(end)
        if end in (b"\r\n\r\n", b"\n\n"):
            while data[stop : stop + len(end) // 2] == end[: len(end) // 2]:
                stop += len(end) // 2
        yield at, stop
        at = stop


def _longer_end(lines: Sequence[bytes], end: bytes) -> bytes:
    """The end with the control bytes that always stand before it."""
    while True:
        before = Counter(line[-len(end) - 1] for line in lines if len(line) > len(end))
        if not before:
            return end
        code, count = before.most_common(1)[0]
        if code >= _BEFORE or count < 0.95 * len(lines) or len(end) >= 8:
            return end
        end = bytes([code]) + end


def _common_start(lines: Sequence[bytes], end: bytes) -> bytes:
    """The control bytes with which nearly all lines begin."""
    start = b""
    while len(start) < 3:
        heads = Counter(line[len(start)] for line in lines if len(line) > len(start) + len(end))
        if not heads:
            break
        code, count = heads.most_common(1)[0]
        signs = _SIGNS_OF_START if not start else b""
        if (code >= _BEFORE and code not in signs) or count < 0.9 * len(lines):
            break
        start += bytes([code])
    return start


# -- starts ----------------------------------------------------------------------------------


def _by_start(data: bytes, start: bytes, likely: float) -> Iterator[Framing]:
    """Frames that begin with `start` and have one of few lengths, whatever is in them."""
    places = _places(data, start)
    if len(places) < _LEAST:
        return
    there = {*places, len(data)}
    gaps = Counter(
        places[n + ahead] - places[n] for ahead in (1, 2) for n in range(len(places) - ahead)
    )
    rated = [
        (sum(at + gap in there for at in places), gap)
        for gap, count in gaps.most_common(3 * _LENGTHS)
        if count >= 2 and gap > len(start) + 1
    ]
    lengths = [gap for _, gap in sorted(rated, key=lambda pair: (-pair[0], pair[1]))][:_LENGTHS]
    cuts = tuple(
        Cut(at, at + length, data[at + len(start) : at + length])
        for at, length in _chain(places, there, lengths)
    )
    if len(cuts) < _LEAST:
        return
    many = len({cut.end - cut.begin for cut in cuts})
    yield Framing(start, b"", cuts, likely if many <= 3 else likely - 1.0)


def _places(data: bytes, start: bytes) -> list[int]:
    places, at = [], data.find(start)
    while at >= 0:
        places.append(at)
        at = data.find(start, at + 1)
    return places


def _chain(
    places: Sequence[int], there: set[int], lengths: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Begin and length of frames that follow one another from start to start."""
    next_free = 0
    for at in places:
        if at < next_free:
            continue
        fitting = [length for length in lengths if at + length in there]
        length = next((n for n in fitting if _goes_on(at + n, there, lengths)), None)
        length = length or next(iter(fitting), None)
        if length:
            yield at, length
            next_free = at + length


def _goes_on(at: int, there: set[int], lengths: Sequence[int]) -> bool:
    """Whether another frame follows at `at`, or the stream ends there."""
    return at == max(there) or any(at + length in there for length in lengths)


# -- neither: what comes again and again -----------------------------------------------------


def _by_period(data: bytes) -> Iterator[Framing]:
    """Frames of one length without a known start or end: by what stands in the same column."""
    sample = data[:4096]
    alike = {
        period: sum(map(eq, sample, sample[period:])) / (len(sample) - period)
        for period in range(3, min(_LONGEST_PERIOD, len(sample) // 3))
    }
    best = max(alike.values(), default=0.0)
    if best < 0.5:
        return
    period = min(period for period, share in alike.items() if share >= 0.95 * best)
    for start in _constant_runs(sample, period):
        yield from _by_start(data, start, 0.5)


def _constant_runs(data: bytes, period: int) -> list[bytes]:
    """The bytes that stand in the same columns of nearly every frame, the rarest first."""
    columns = [Counter(data[phase::period]).most_common(1)[0] for phase in range(period)]
    rows = len(data) // period
    fixed = [code if count >= 0.9 * rows else None for code, count in columns]
    runs = []
    for phase in range(period):
        if fixed[phase] is None or fixed[phase - 1] is not None:
            continue
        run = bytearray()
        while len(run) < 4 and (code := fixed[(phase + len(run)) % period]) is not None:
            run.append(code)
        if not set(run) <= set(_IN_NUMBERS):
            runs.append(_shortest(data, bytes(run), rows))
    return sorted(runs, key=lambda run: data.count(run))[:4]


def _shortest(data: bytes, run: bytes, rows: int) -> bytes:
    """As much of `run` as is hardly ever found elsewhere."""
    for length in range(1, len(run)):
        if data.count(run[:length]) <= 1.1 * rows + 1:
            return run[:length]
    return run
