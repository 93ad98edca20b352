"""Other numbers in the lines: clocks, dates, counters, lengths, second weights.

Owns how these are told from digits that say how the weight is meant. Does not know where in the
line the weight stands.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from drivers.learn_course import Course
from drivers.learn_layout import NUMBER, Key, Layout
from drivers.learn_writing import Writing

_FEW = 4
_LEAST_CHANGES = 3
_LEAST_DIGITS = 4
_LEAST_COUNTS = 6
_LEAST_HASHES = 6
_HASHES = 0.35
_MORE = 3
_DAY_OR_TIME = re.compile(rb"\d\d?[:/.-]\d\d?([:/.-]\d\d(\d\d)?)?")
_DIGITS = re.compile(rb"[0-9 .,+-]*[0-9][0-9 .,+-]*")


def numeric_runs(
    layout: Layout, course: Course, strip: Sequence[Key], signs: Collection[Key]
) -> Iterator[list[Key]]:
    """Neighbouring places of the strip that hold nothing but digits and what stands in numbers.

    A place that says whether the weight moves is none of them, nor is its sign (of `signs`), nor a
    sign behind a number.
    """
    run: list[Key] = []
    blank: list[Key] = []
    for key, behind in pairwise([*strip, NUMBER, NUMBER]):
        codes = b"".join(layout.seen(key)) if key != NUMBER else b"x"
        leads = b" " in codes and _is_digit(layout, key) and _is_digit(layout, behind)
        if key in signs or (key != NUMBER and not leads and _is_motion(layout, course, key)):
            codes = b"x"
        if run and set(codes) & set(b"+-") and set(codes) <= set(b"+-0 "):
            codes = b"x"
        inner = bool(run) and set(codes) <= set(b":/.,-")
        if codes and (inner or _DIGITS.fullmatch(codes)):
            bare = bool(blank) and layout.seen(blank[0]) == {b" "}
            run += [*blank[bare:], key]  # the first blank keeps it apart from what stands before
            blank = []
            continue
        blank = [*blank, key] if codes and set(codes) <= set(b" -+") and not run else []
        while run and not re.search(rb"[0-9]", b"".join(layout.seen(run[-1]))):
            run.pop()
        if run:
            yield run
        run = []


def _is_digit(layout: Layout, key: Key) -> bool:
    """Whether digits stand there, with blanks and signs before them at most."""
    codes = b"".join(layout.seen(key)) if key != NUMBER else b""
    return bool(re.fullmatch(rb"[ 0-9+-]*[0-9][ 0-9+-]*", codes))


def _is_motion(layout: Layout, course: Course, key: Key) -> bool:
    """Whether a single character says that the weight moves; one of many is a digit by chance."""
    few = layout.is_byte(key) and len(layout.seen(key)) <= _FEW
    return few and bool(course.motion(layout.states[key]))


def is_free(layout: Layout, course: Course, writing: Writing, keys: Sequence[Key]) -> bool:
    """Whether a run of digits is a clock, a date, a counter or another weight.

    Digits that say how the weight is meant do not change while it rests and is shown.
    """
    states = layout.joint(keys)
    joint = [raw for raw in states if raw is not None]
    if len(keys) >= 5 and all(_DAY_OR_TIME.search(raw) for raw in joint):
        return True
    if writing.point and all(_is_weight(raw, course, writing) for raw in set(joint)):
        return True
    in_marks = set(zip(course.marks, states, strict=True))
    marked = {mark for mark, _ in in_marks if mark >= 0}
    at_rest = sum(mark >= 0 and raw is not None for mark, raw in in_marks)
    changing = at_rest - len(marked) >= _LEAST_CHANGES or _counts(joint)
    wide = any(len(raw) >= _LEAST_DIGITS for raw in joint) and len(set(joint)) > _FEW
    return changing or wide


def _counts(joint: Sequence[bytes]) -> bool:
    """Whether these are numbers that only ever grow."""
    if len(set(joint)) < _LEAST_COUNTS or not all(raw.strip().isdigit() for raw in joint):
        return False
    return all(int(a) <= int(b) for a, b in pairwise(joint))


def is_hash(layout: Layout, course: Course, keys: Sequence[Key], share: float = _HASHES) -> bool:
    """Whether the bytes look like a check: nearly another one for every other weight.

    `share` is how many there must be to a weight.
    """
    states = layout.joint(keys)
    different = len(set(states) - {None})
    weights = len({value for value, raw in zip(course.values, states, strict=True) if raw})
    return different >= _LEAST_HASHES and different >= share * weights


def _is_weight(raw: bytes, course: Course, writing: Writing) -> bool:
    """Whether this is written just like the weight, with as many decimals."""
    value = writing.read(raw)
    like = course.values[0].as_tuple().exponent
    return value is not None and value.as_tuple().exponent == like != 0


def is_length(layout: Layout, spans: Sequence[tuple[int, int]], keys: Sequence[Key]) -> bool:
    """Whether the bytes count those of the line, as a number or in digits."""
    if len(keys) > 2 or not all(layout.is_byte(key) for key in keys):
        return False
    states = layout.joint(keys)
    rest = set()
    for raw, (begin, end) in zip(states, spans, strict=True):
        if raw is None:
            return False
        count = int(raw) if raw.isdigit() else raw[-1]
        rest.add((end - begin - count, b"" if raw.isdigit() else raw[:-1]))
    return len(rest) == 1 and len(set(states)) > 1


def length_class(joint: Sequence[bytes]) -> str:
    """The class of characters of a length: what was seen, and of somewhat longer lines."""
    low, high = min(joint), max(joint)
    if low.isdigit():
        return "0-9"
    return f"\\x{low[-1]:02x}-\\x{min(0xFF, high[-1] + _MORE):02x}"


def char_class(raws: Sequence[bytes]) -> str:
    """The class of characters of bytes that are not looked at, for a profile."""
    codes = set(b"".join(raws))
    if any(not 0x20 <= code < 0x7F for code in codes):
        return "any"
    text = "".join(chr(code) for code in sorted(codes))
    ranges = (("[0-9]", "0-9"), ("[A-Z]", "A-Z"), ("[a-z]", "a-z"))
    out = "".join(name for pattern, name in ranges if re.search(pattern, text))
    return out + "".join(_escaped(char) for char in text if not char.isalnum())


def _escaped(char: str) -> str:
    return f"\\{char}" if char in "\\]^-[" else char
