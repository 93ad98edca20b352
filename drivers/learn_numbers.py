"""Where in the frames the weight may stand, and how written: every way that gives what was shown.

Owns the search over places and writings and how well each explains all frames. Does not know what
the other bytes mean.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from drivers.binary_numbers import ORDERS
from drivers.learn_codes import Written, alphabets
from drivers.learn_marks import shows
from drivers.learn_writing import Place, Writing, scale_of, scaled, tokens
from drivers.number_text import unlit

_RUN = re.compile(rb"[0-9](?:[^A-Za-z0-9 +()\x00-\x1f-]{0,3}[0-9])*")
_SPREAD = re.compile(rb"[0-9](?: [0-9.,])+(?![0-9])")
"""Digits with a blank between each two."""
_POWER = re.compile(rb"[eE][-+]?[0-9]{1,2}(?![0-9])")
_PADS = b" 0+-*_#("
_FILLERS = "*_#"
_WIDEST = 14
_WHOLE = ("int", "uint", "mag", "off", "bcd", "bcdn", "bcds")
_BINARY: tuple[tuple[str, int], ...] = (
    *(
        (f"{kind}-{order}", width)
        for width in (4, 3, 2)
        for kind in _WHOLE
        for order in ("le", "be")
    ),
    *((f"{kind}-{order}", 4) for kind in _WHOLE[:4] for order in ("ws", "bs")),
    *((f"float-{order}", width) for width in (4, 8) for order in ORDERS),
    *((f"hex:{kind}-be", width) for kind in ("int", "mag", "off") for width in (8, 7, 6, 5, 4)),
    *((f"hex:{kind}-le", width) for kind in _WHOLE[:4] for width in (8, 6, 4)),
    *((f"hex:float-{order}", 8) for order in ORDERS),
)
_HEX_WIDTHS = (8, 7, 6, 5, 4, 3)
_MOST_FINER = 4
_TELLING = 1000
"""A rounded number of fewer steps of its last digit could be anything."""
_WILDER = 0.05
"""A column belongs to a number if the weight's course is not less calm by more than this."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What was shown while frames came, and the frame that came most often meanwhile."""

    value: Decimal
    body: bytes
    finer: bool = False
    """The line may have more decimals than were shown."""


@dataclass(slots=True)
class Found:
    """One place and writing that give what was shown in every mark."""

    place: Place
    writing: Writing
    values: dict[bytes, Decimal] = field(default_factory=dict)
    """The value in each distinct body that has one there."""
    turned: bool = False
    """The number has no sign of its own, although a negative weight was shown."""
    exact: bool = True
    """It has as many decimals as the display in every mark."""

    def read(self, body: bytes) -> Decimal | None:
        """The number in this body; None where it has none there."""
        span = self.place.span(body)
        return None if span is None else self.writing.read(body[span[0] : span[1]])

    def narrower(self) -> Iterator[Found]:
        """The same number, then with ever less of the padding before its digits."""
        place, backwards = self.place, self.writing.reversed
        for less in range(_WIDEST):
            if place.kind == "token" or self.writing.code != "text":
                yield self
                return
            step = -less if place.kind == "right" else less
            a, b = (place.a, place.b - step) if backwards else (place.a + step, place.b)
            yield replace(self, place=Place(place.kind, a, b))

    def way(self, bodies: Iterable[bytes]) -> list[Decimal]:
        """The values in the order of the frames."""
        return [value for body in bodies if (value := self.values.get(body)) is not None]


def search(bodies: Sequence[bytes], marks: Sequence[Mark]) -> list[Found]:
    """Every place and writing that gives each mark's value in its body, written out in full.

    Digits come first; only where they say nothing are bytes taken for binary numbers.
    """
    for candidates in (_in_text(bodies, marks), in_codes(marks), _in_bytes(marks)):
        if found := _explored(bodies, marks, candidates):
            return found
    return []


def _explored(
    bodies: Sequence[bytes], marks: Sequence[Mark], found: Iterable[Found]
) -> list[Found]:
    distinct = list(dict.fromkeys(bodies))
    fitting: dict[tuple[object, ...], list[Found]] = {}
    for one in found:
        if not _fits(one, marks):
            continue
        one.values = {b: value for b in distinct if (value := one.read(b)) is not None}
        fitting.setdefault((_fixed_edge(one), one.writing), []).append(one)
    return [_widest(bodies, family) for family in fitting.values()]


def _fixed_edge(found: Found) -> tuple[object, ...]:
    """What stays when a place takes in more padding: the edge at the last digit."""
    place = found.place
    if place.kind == "token" or found.writing.code != "text":
        return (place,)
    return (place.kind, place.a if found.writing.reversed else place.b)


def _fits(found: Found, marks: Sequence[Mark]) -> bool:
    """Whether every mark reads as it was shown, apart from a minus that stands elsewhere."""
    for mark in marks:
        value = found.read(mark.body)
        if value is None or not shows(value, mark):
            return False
        if value < 0 < mark.value:
            return False
        found.turned = found.turned or mark.value < 0 < value
        found.exact = found.exact and _decimals(value) == _decimals(mark.value)
    return True


def _widest(bodies: Sequence[bytes], family: list[Found]) -> Found:
    """The one with the most columns that can belong to the number."""
    best = family[0]
    for wider in family[1:]:
        if len(wider.values) > len(best.values) or (
            len(wider.values) == len(best.values) and _as_calm(bodies, wider, best)
        ):
            best = wider
    return best


def _as_calm(bodies: Sequence[bytes], wider: Found, best: Found) -> bool:
    """Whether the columns that `wider` takes in make no wild jumps; a minus makes none."""
    ways = [[abs(value) for value in found.way(bodies)] for found in (wider, best)]
    if ways[0] == ways[1]:
        return True
    calm = [calmness(way) for way in ways]
    return calm[0] is not None and calm[1] is not None and calm[0] >= calm[1] - _WILDER


def calmness(way: Sequence[Decimal]) -> float | None:
    """How much this course looks like that of a load, 0 to 1; None where nothing moved.

    Counts the lines between two rests in which the weight goes the way that it has to go in the
    end, and not far beyond.
    """
    runs = [0, *(n for n in range(1, len(way)) if way[n] != way[n - 1]), len(way)]
    rests = [(a, b) for a, b in itertools.pairwise(runs) if b - a > 1]
    good = moved = 0
    for (_, begin), (end, _) in itertools.pairwise(rests):
        goal, span = way[end], way[end] - way[begin - 1]
        for n in range(begin, end):
            onward = (way[n] - way[n - 1]) * span > 0
            good += onward and abs(way[n] - goal) <= 2 * abs(span)
        moved += end - begin
    return good / moved if moved else None


# -- digits ----------------------------------------------------------------------------------


def richest(marks: Sequence[Mark]) -> Mark:
    """The mark whose digits say most."""
    return max(marks, key=lambda mark: len(str(abs(mark.value)).strip("0.")))


def _in_text(bodies: Sequence[bytes], marks: Sequence[Mark]) -> Iterator[Found]:
    base = richest(marks)
    fillers = [""] + [char for char in _FILLERS if any(char.encode() in m.body for m in marks)]
    brackets = {False, any(b"(" in body and b")" in body for body in bodies)}
    for begin, end, writing in _cores(base):
        for filler in fillers:
            for bracketed in sorted(brackets):
                filled = replace(writing, group=writing.group + filler, brackets=bracketed)
                yield from _places(base.body, begin, end, filled)


def _cores(base: Mark) -> Iterator[tuple[int, int, Writing]]:
    """The bare digits of the value in its body, read forwards and backwards."""
    size = len(base.body)
    for backwards in (False, True):
        line = base.body[::-1] if backwards else base.body
        for core, at, writing in _written(line, base, backwards=backwards):
            to = at + len(core)
            yield (size - to, size - at, writing) if backwards else (at, to, writing)


def _written(line: bytes, shown: Mark, *, backwards: bool) -> Iterator[tuple[bytes, int, Writing]]:
    """Every part of the line that is the value: its bytes, where they begin, and how written."""
    for run in _RUN.finditer(line):
        if not backwards and (power := _POWER.match(line, run.end())):
            core = line[run.start() : power.end()]
            for point in ".,":
                writing = Writing(point=point, exponent=True)
                if writing.read(core) == abs(shown.value):
                    yield core, run.start(), writing
        for begin, end in _parts(run[0]):
            core = run[0][begin:end]
            for writing in _writings(core, shown, backwards):
                yield core, run.start() + begin, writing
    for run in _SPREAD.finditer(line):
        for writing in _writings(run[0].replace(b" ", b""), shown, backwards):
            yield run[0], run.start(), replace(writing, group=writing.group + " ")


def _parts(run: bytes) -> Iterator[tuple[int, int]]:
    """Every part of the run that begins and ends with a digit."""
    digits = [n for n, code in enumerate(run) if 0x30 <= code <= 0x39]
    for first, begin in enumerate(digits):
        for last in digits[first:]:
            if last - begin < _WIDEST:
                yield begin, last + 1


def _writings(core: bytes, shown: Mark, backwards: bool) -> Iterator[Writing]:
    marks = [bytes([code]) for code in core if not 0x30 <= code <= 0x39]
    if not marks:
        if scale := scale_of(int(core), shown.value):
            yield Writing(reversed=backwards, decimals=scale[0], times=scale[1])
        return
    point = marks[-1].decode("latin-1")
    groups = "".join(dict.fromkeys(mark.decode("latin-1") for mark in marks[:-1]))
    if point in groups or marks.count(marks[-1]) > 1:
        return
    writing = Writing(point=point, reversed=backwards, group=groups)
    value = writing.read(core[::-1] if backwards else core)
    if value is not None and shows(value, shown):
        yield writing


def _places(body: bytes, begin: int, end: int, writing: Writing) -> Iterator[Found]:
    """The core at its place, with ever more padding taken in, counted from everywhere."""
    size = len(body)
    pads = _PADS
    for wider in range(_WIDEST):
        a, b = (begin, end + wider) if writing.reversed else (begin - wider, end)
        if a < 0 or b > size:
            break
        if wider and (body[b - 1] if writing.reversed else body[a]) not in pads:
            break
        yield Found(Place("left", a, b), writing)
        yield Found(Place("right", size - a, size - b), writing)
        yield Found(Place("between", a, size - b), writing)
        behind = b"+-" if not writing.brackets else b") "
        if not writing.reversed and b < size and body[b] in behind:
            yield Found(Place("left", a, b + 1), writing)
            yield Found(Place("right", size - a, size - b - 1), writing)
    yield from _as_token(body, begin, end, writing)


def _as_token(body: bytes, begin: int, end: int, writing: Writing) -> Iterator[Found]:
    point = "," if writing.point == "," else "."
    numbers = [(a, b) for kind, a, b in tokens(body, point) if kind == "n"]
    for n, (a, b) in enumerate(numbers):
        if a <= begin and b == end:
            yield Found(Place("token", n, len(numbers), point), writing)


# -- bytes -----------------------------------------------------------------------------------


def _in_bytes(marks: Sequence[Mark]) -> Iterator[Found]:
    base = richest(marks)
    for width in _HEX_WIDTHS:
        yield from _whole(base, "hex", width)
    for code, width in _BINARY:
        yield from _whole(base, code, width)


# -- digits that are other characters --------------------------------------------------------


def in_codes(marks: Sequence[Mark]) -> Iterator[Found]:
    """Digits of a fixed number of columns, each written as some other character."""
    decimals = max(_decimals(mark.value) for mark in marks)
    wanted = [str(abs(int(mark.value.scaleb(decimals)))) for mark in marks]
    shortest = min(len(mark.body) for mark in marks)
    for width in range(max(map(len, wanted)), min(_WIDEST, shortest) + 1):
        for at in range(shortest - width + 1):
            raws = [mark.body[at : at + width] for mark in marks]
            for backwards, lit in itertools.product((False, True), repeat=2):
                lines = [raw[::-1] if backwards else raw for raw in raws]
                if lit:
                    bare = [unlit(line) for line in lines]
                    if any(one is None or one[1] != decimals for one in bare):
                        continue
                    lines = [one[0] for one in bare if one is not None]
                pairs = [
                    Written(line, text.zfill(width), mark.value < 0)
                    for line, text, mark in zip(lines, wanted, marks, strict=True)
                ]
                for digits in alphabets(pairs):
                    implied = None if lit else decimals
                    writing = Writing(reversed=backwards, digits=digits, decimals=implied, lit=lit)
                    yield Found(Place("left", at, at + width), writing)


def finer_scale(raw: int, shown: Mark) -> tuple[int, int] | None:
    """Decimals by which `raw` has more of them than the display that rounds it; None for none."""
    decimals = _decimals(shown.value)
    if not shown.finer or abs(shown.value).scaleb(decimals) < _TELLING:
        return None
    more = (n for n in range(1, _MOST_FINER + 1) if shows(scaled(raw, decimals + n), shown))
    return next(((decimals + n, 1) for n in more), None)


def _decimals(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _whole(base: Mark, code: str, width: int) -> Iterator[Found]:
    floats = "float" in code
    plain = Writing(code, decimals=_decimals(base.value) if floats else None)
    size = len(base.body)
    for at in range(size - width + 1):
        raw = plain.read(base.body[at : at + width])
        if raw is None:
            continue
        if floats:
            writing = plain if abs(raw) == abs(base.value) else None
        else:
            scale = scale_of(abs(int(raw)), base.value) or finer_scale(abs(int(raw)), base)
            writing = Writing(code, decimals=scale[0], times=scale[1]) if scale else None
        if writing is not None:
            yield Found(Place("left", at, at + width), writing)
            yield Found(Place("right", size - at, size - at - width), writing)
