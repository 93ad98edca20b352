"""Lines of several kinds in turn: which kind is the one that the display shows.

Owns the choice of lines to keep, by what was shown or by the words in them. Does not know how the
number is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from drivers.learn_course import State
from drivers.learn_layout import NUMBER, Layout
from drivers.learn_roles import GROSS_WORDS, NET_WORDS

_MOST_KINDS = 4
_IN_TURN = 0.25
_LEAST_BETWEEN = 4
_OFTEN = 0.05


class TwoKindsError(Exception):
    """Lines of two kinds come in turn and say different weights; nothing tells which to take."""

    def __init__(self, rows: tuple[int, int], values: tuple[Decimal, Decimal]) -> None:
        super().__init__("lines of two kinds come in turn")
        self.rows, self.values = rows, values


@dataclass(frozen=True, slots=True)
class Row:
    """What is known of one line with a number."""

    value: Decimal
    mark: int
    """The mark it lies in, -1 for none."""
    right: bool
    """It says what was shown there."""


def kept(layout: Layout, rows: Sequence[Row]) -> frozenset[int]:
    """The rows that hold the weight on the display; raises TwoKindsError where that is open."""
    every = frozenset(range(len(rows)))
    for states in _candidates(layout):
        kinds = _kinds(states, rows)
        if kinds is None:
            continue
        wanted = _chosen(states, rows, kinds)
        return frozenset(n for n in every if states[n] in wanted)
    return every


def _candidates(layout: Layout) -> list[Sequence[State]]:
    columns: list[Sequence[State]] = [layout.of_make]
    columns += [states for key, states in layout.states.items() if key != NUMBER]
    return columns


def _kinds(states: Sequence[State], rows: Sequence[Row]) -> list[State] | None:
    """The kinds of lines, where they come in turn and say different weights at the same time."""
    kinds = list(dict.fromkeys(states))
    if not 1 < len(kinds) <= _MOST_KINDS or None in kinds:
        return None
    switches = sum(a != b for a, b in pairwise(states))
    if switches < _IN_TURN * len(rows):
        return None
    last: dict[State, int] = {}
    between = 0
    for n, (state, row) in enumerate(zip(states, rows, strict=True)):
        before = last.get(state, n)
        steady = rows[before].value == row.value
        between += steady and any(rows[m].value != row.value for m in range(before + 1, n))
        last[state] = n
    return kinds if between >= max(_LEAST_BETWEEN, _OFTEN * len(rows)) else None


def _chosen(states: Sequence[State], rows: Sequence[Row], kinds: Sequence[State]) -> set[State]:
    wrong = {
        state for state, row in zip(states, rows, strict=True) if row.mark >= 0 and not row.right
    }
    left = [kind for kind in kinds if kind not in wrong]
    if len(left) == 1:
        return set(left)
    words = {kind: _word(kind) for kind in left}
    net = {kind for kind, word in words.items() if word in NET_WORDS}
    if len(net) == 1 and all(words[kind] in NET_WORDS | GROSS_WORDS for kind in left):
        return net
    for n in range(1, len(rows)):
        pair = rows[n - 1].value, rows[n].value
        both = states[n - 1] in left and states[n] in left and states[n - 1] != states[n]
        if both and pair[0] != pair[1] and rows[n].mark < 0:
            raise TwoKindsError((n - 1, n), pair)
    return set(left)


def _word(kind: State) -> str:
    return kind.decode("latin-1").strip().upper() if isinstance(kind, bytes) else ""
