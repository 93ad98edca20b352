"""The unit in the lines of an unknown scale: which letters they are, and how wide their field is.

Owns the search for letters that name the unit the display showed. Does not know what else the lines
hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from drivers.learn_course import Course, State
from drivers.learn_layout import NUMBER, Key, Layout, Make
from drivers.learn_roles import Roles, roles_of
from drivers.units import GRAMS_PER, unit_named

_SPELLED_ELSEWHERE = {
    "gr": "g",
    "grs": "g",
    "grm": "g",
    "gms": "g",
    "gram": "g",
    "grams": "g",
    "kgs": "kg",
    "kilo": "kg",
    "ozs": "oz",
    "car": "ct",
    "carat": "ct",
}
"""Spellings that are believed only where the display showed that unit meanwhile."""
_WIDEST = 5
_MORE_BEFORE, _MORE_BEHIND = 2, 3


@dataclass(slots=True)
class UnitMark:
    """The places that hold the unit, and what the field needs to be told."""

    keys: list[Key]
    names: dict[str, str] = field(default_factory=dict)
    blank: tuple[str, ...] | None = None
    given: tuple[str, ...] = ()
    roles: Roles = field(default_factory=Roles)
    spelled: tuple[str, ...] = ()


def find_unit(
    layout: Layout, make: Make, course: Course, shown: Sequence[str | None], taken: set[Key]
) -> UnitMark | None:
    """The unit's place in this make, the nearest to the number; None where none is sure.

    `shown` are the units of the marks; `taken` are places that are known to be something else.
    """
    found = list(_candidates(layout, make, course, shown, taken))
    if not found:
        return None
    _, keys, names, states = min(found, key=lambda one: one[0])
    keys = _wider(layout, make, keys, taken)
    spelled = sorted({raw.decode("ascii").strip() for raw in states if raw and raw.strip()})
    mark = UnitMark(keys, names, spelled=tuple(spelled))
    blanks: list[State] = [None if raw is None else bool(raw.strip()) for raw in states]
    if False in blanks:
        roles = mark.roles = roles_of(blanks, course)
        mark.blank = tuple(word for word in roles.words[False] if word != "any")
        mark.given = tuple(word for word in roles.words[True] if word != "any")
    return mark


_Candidate = tuple[int, list[Key], dict[str, str], list[bytes | None]]


def _candidates(
    layout: Layout, make: Make, course: Course, shown: Sequence[str | None], taken: set[Key]
) -> Iterator[_Candidate]:
    order = [key for key, _ in make.slots]
    number = order.index(NUMBER)
    for begin, end in _words(make, course):
        keys = order[begin:end]
        if NUMBER in keys or not taken.isdisjoint(keys):
            continue
        states = layout.joint(keys)
        names = _names(states, course, shown) if _is_word(states) else None
        if names is not None:
            far = begin - number if begin > number else 100 + number - end
            yield far, keys, names, states


def _words(make: Make, course: Course) -> set[tuple[int, int]]:
    """Where, in slots, the lines have a word short enough for a unit."""
    marked = [n for n, row in enumerate(make.rows) if course.marks[row] >= 0]
    found = set()
    for n in dict.fromkeys([*marked[:1], *marked[-1:], 0, len(make.rows) - 1]):
        widths = [len(taken[n]) for _, taken in make.slots]
        starts = [sum(widths[:slot]) for slot in range(len(widths))]
        line = b"".join(taken[n] for _, taken in make.slots)
        for word in re.finditer(rb"[A-Za-z]+", line):
            if word.start() in starts and len(word[0]) <= _WIDEST:
                begin = starts.index(word.start())
                end = next((m for m in range(begin, len(starts)) if starts[m] >= word.end()), None)
                found.add((begin, len(starts) if end is None else end))
    return found


def _is_word(states: Sequence[bytes | None]) -> bool:
    """Whether these places hold one word, or nothing at all, in every row."""
    seen = {raw for raw in states if raw is not None}
    return all(re.fullmatch(rb" *[A-Za-z]* *", raw) for raw in seen) and any(map(bytes.strip, seen))


def _names(
    states: Sequence[bytes | None], course: Course, shown: Sequence[str | None]
) -> dict[str, str] | None:
    """Spellings that need telling; None where the words are no units, or not those shown."""
    names: dict[str, str] = {}
    confirmed = False
    for row, raw in enumerate(states):
        word = (raw or b"").strip().decode("ascii")
        wanted = shown[course.marks[row]] if course.marks[row] >= 0 else None
        unit = unit_named(word)
        if word and wanted and unit != wanted:
            if _SPELLED_ELSEWHERE.get(word.lower()) != wanted:
                return None
            names[word] = wanted
        confirmed = confirmed or bool(word and wanted)
    words = {(raw or b"").strip().decode("ascii") for raw in states} - {""}
    known = all(unit_named(word) in GRAMS_PER or word in names for word in words)
    if not known or not (confirmed or all(word.islower() or len(word) > 1 for word in words)):
        return None
    return names


def said_behind(layout: Layout) -> str | None:
    """The unit of mass that always stands right behind the number; one letter is not enough."""
    slots = layout.makes[0].slots
    at = [key for key, _ in slots].index(NUMBER)
    behind = [b"".join(layout.seen(key)) for key, _ in slots[at + 1 : at + 1 + _WIDEST]]
    line = b"".join(raw if len(raw) == 1 else b"\x00" for raw in behind)
    found = re.match(rb" ?([A-Za-z]{2,3})(?![A-Za-z])", line)
    unit = unit_named(found[1].decode("ascii")) if found else None
    return unit if unit in GRAMS_PER else None


def _is_digits(layout: Layout, key: Key) -> bool:
    seen = b"".join(layout.seen(key)) if key != NUMBER else b""
    return any(code in b"0123456789" for code in seen)


def _wider(layout: Layout, make: Make, keys: list[Key], taken: set[Key]) -> list[Key]:
    """With the blanks around, in which a longer unit would stand."""
    order = [key for key, _ in make.slots]
    begin, end = order.index(keys[0]), order.index(keys[-1]) + 1

    def blank(n: int) -> bool:
        if not 0 <= n < len(order) or order[n] == NUMBER or order[n] in taken:
            return False
        return {raw for raw in layout.states[order[n]] if raw is not None} == {b" "}

    for _ in range(_MORE_BEFORE):
        begin -= blank(begin - 1)
    behind = end
    for _ in range(_MORE_BEHIND):
        behind += blank(behind)
    beyond = behind
    while blank(beyond):
        beyond += 1
    if not (beyond < len(order) and _is_digits(layout, order[beyond])):
        end = behind  # else the blanks are those before another number
    return order[begin:end]
