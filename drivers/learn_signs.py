"""The sign of a number that has none of its own: a place, or one bit of it, elsewhere in the line.

Owns the choice among the places that could be it. Does not know what else the lines say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from drivers.learn_course import Course, State
from drivers.learn_layout import NUMBER, Key, Layout
from drivers.learn_refusal import OpenError
from drivers.learn_roles import bit_states
from drivers.learn_runs import is_hash

Signs = dict[tuple[Key, int], dict[State, str]]
"""Which place (and bit, or -1 for the whole byte) is the sign, and what its states say."""
_MOST_STATES = 12
_ANY = 0.7
"""So many different bytes to a weight are a check."""
_CONVENTION = frozenset({b"-", b"+", b"", b"0"})


def find_signs(
    layout: Layout, course: Course, spans: Sequence[tuple[int, int]], *, turned: bool
) -> Signs:
    """The one place that is the sign; empty where there is none.

    `turned`: a negative weight was shown, so there has to be one. Raises OpenError where two places
    could be, and one observation would decide.
    """
    found = []
    for key, bit, column in _columns(layout):
        if bit < 0 and (words := _by_convention(column, course)):
            return {(key, bit): words}
        if is_hash(layout, course, [key], _ANY):
            continue  # some bit of a check says anything
        if words := _sign(column, course, turned=turned, plain=bit < 0):
            found.append((*_rows_of(column, words, course), {(key, bit): words}))
    if not found:
        return {}
    below, above, signs = max(found, key=lambda one: len(one[0] | one[1]))
    for other_below, other_above, _ in found:
        differing = (below & other_above) | (above & other_below)
        if differing and turned:
            begin, end = spans[min(differing)]
            raise OpenError(
                f"two marks in the lines could be the sign; they differ at the bytes {begin} to "
                f"{end}",
                "Say what the display showed there",
            )
        if differing:
            return {}
    return signs


def _columns(layout: Layout) -> Iterator[tuple[Key, int, Sequence[State]]]:
    for key, states in layout.states.items():
        if key == NUMBER or not layout.is_byte(key):
            continue
        yield key, -1, states
        seen = b"".join(layout.seen(key))
        if b"-" in seen and any(digit in seen for digit in b"123456789"):
            continue  # a column of a number
        codes = [None if raw is None else raw[0] for raw in states]
        for bit in range(8):
            yield key, bit, bit_states(codes, bit)


def _sign(
    column: Sequence[State], course: Course, *, turned: bool, plain: bool
) -> dict[State, str]:
    """The words of a mark that can be the sign: never below zero at rest at nothing.

    A mark of which only the side below zero was shown has to have been seen with nothing on the
    pan, on its other side.
    """
    seen = set(column) - {None}
    if not 1 < len(seen) <= (_MOST_STATES if plain else 2):
        return {}
    words = course.negative(column, turned)
    if any(state in words for state in course.tared(column)):
        return {}
    empty = any(
        words.get(state) == "minus" and not value
        for state, value in zip(column, course.values, strict=True)
    )
    one_sided = turned and "plus" not in words.values()
    if one_sided:
        at_zero = {
            state
            for state, mark in zip(column, course.marks, strict=True)
            if mark >= 0 and not course.shown[mark]
        }
        words |= dict.fromkeys(at_zero - {None} - set(words), "plus")
    said = set(words.values())
    return {} if empty or "minus" not in said or (one_sided and len(words) < len(seen)) else words


def _by_convention(column: Sequence[State], course: Course) -> dict[State, str]:
    """A place with nothing but minus, plus and blanks is the sign wherever it stands.

    One that says minus beside a number that says so itself belongs to another number.
    """
    seen = {state for state in column if isinstance(state, bytes)}
    kinds = {state.strip() for state in seen}
    if b"-" not in kinds or not kinds <= _CONVENTION:
        return {}
    words: dict[State, str] = {
        state: "minus" if state.strip() == b"-" else "plus" for state in seen
    }
    twice = any(
        value < 0 and words.get(state) == "minus"
        for value, state in zip(course.values, column, strict=True)
    )
    return {} if twice else words


def _rows_of(
    column: Sequence[State], words: dict[State, str], course: Course
) -> tuple[frozenset[int], frozenset[int]]:
    """The rows that are below and above zero by this mark."""
    said = [words.get(state) for state in column]
    return (
        frozenset(n for n, word in enumerate(said) if word == "minus"),
        frozenset(n for n, word in enumerate(said) if word == "plus" and course.values[n]),
    )
