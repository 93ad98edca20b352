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
    for begin in range(len(order)):
        for end in range(begin + 1, min(begin + _WIDEST, len(order)) + 1):
            keys = order[begin:end]
            if NUMBER in keys or not taken.isdisjoint(keys):
                break
            states = layout.joint(keys)
            if not _is_word(layout, order, begin, end, states):
                continue
            names = _names(states, course, shown)
            if names is not None:
                far = begin - number if begin > number else 100 + number - end
                yield far, keys, names, states


def _is_word(
    layout: Layout, order: Sequence[Key], begin: int, end: int, states: Sequence[bytes | None]
) -> bool:
    """Whether these places hold a whole word, or nothing at all, in every row."""
    seen = [raw for raw in states if raw is not None]
    words = [raw for raw in seen if raw.strip(b" ")]
    if not words or any(not re.fullmatch(rb" *[A-Za-z]+ *", raw) for raw in words):
        return False
    if all(raw[:1] == b" " for raw in words) or all(raw[-1:] == b" " for raw in words):
        return False  # a narrower one says the same
    for beside in (begin - 1, end):
        if 0 <= beside < len(order) and order[beside] != NUMBER:
            near = layout.states[order[beside]]
            if any(raw and near[row] and near[row].isalpha() for row, raw in enumerate(states)):  # type: ignore[union-attr]
                return False
    return True


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
    for _ in range(_MORE_BEHIND):
        end += blank(end)
    return order[begin:end]
