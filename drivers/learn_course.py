"""The course of the weight over a stream: where it rested, moved, was tared.

Owns what a mark of a line can be proved to mean by that course alone. A mark is handed in as one
state for each line (None where the line has no such mark). Does not know bytes or columns.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import pairwise

State = Hashable
_RESTS_FROM = 3
"""So many equal lines one after another are a rest."""
_LEAST_MOVES = 3
_LEAST_NET = 4
_RESTS_A_STATE = 1.5
"""Rests for each state that says stable: one with a state to each rest says another thing."""
_MOST_LATE = 5
"""Of so many moving lines one may still be called stable by the scale."""


@dataclass(frozen=True)
class Course:
    """Lines with a weight in their order: its size, and which mark each lies in (-1: none)."""

    values: tuple[Decimal, ...]
    marks: tuple[int, ...]
    shown: tuple[Decimal, ...]
    """What was shown in each mark."""
    doubtful: frozenset[int] = frozenset()
    """Lines that may not be about the pan at all: they prove nothing about rest."""

    @cached_property
    def runs(self) -> tuple[tuple[int, int], ...]:
        """Begin and end of each run of equal weights."""
        edges = [0, *(n for n in range(1, len(self.values)) if self._differ(n))]
        return tuple(zip(edges, [*edges[1:], len(self.values)], strict=True))

    def _differ(self, n: int) -> bool:
        return self.values[n] != self.values[n - 1]

    @cached_property
    def rests(self) -> tuple[bool, ...]:
        """Whether the weight rested at each line: in a long run, or in a mark."""
        long = [False] * len(self.values)
        for begin, end in self.runs:
            if end - begin >= _RESTS_FROM:
                long[begin:end] = [True] * (end - begin)
        return tuple(one or mark >= 0 for one, mark in zip(long, self.marks, strict=True))

    @cached_property
    def is_live(self) -> bool:
        """Whether the lines follow the weight closely enough to tell rest from movement."""
        resting = sum(end - begin for begin, end in self.runs if end - begin >= _RESTS_FROM)
        return 2 * resting >= len(self.values) and len(self.runs) > 2

    @cached_property
    def moves(self) -> tuple[bool, ...]:
        """Whether the weight was certainly moving: far from the lines before and behind."""
        steps = [abs(b - a) for a, b in zip(self.values, self.values[1:], strict=False)]
        least = min((step for step in steps if step), default=Decimal(0))
        far = [False, *(step > 2 * least for step in steps), False]
        return tuple(
            self.is_live and far[n] and far[n + 1] and not self.rests[n]
            for n in range(len(self.values))
        )

    @cached_property
    def settled(self) -> tuple[bool, ...]:
        """Whether the weight had rested for a while: the later half of a long run."""
        late = [False] * len(self.values)
        for begin, end in self.runs:
            if end - begin >= _RESTS_FROM and self._is_reached(begin, end):
                late[(begin + end) // 2 : end] = [True] * (end - (begin + end) // 2)
        return tuple(one and n not in self.doubtful for n, one in enumerate(late))

    def _is_reached(self, begin: int, end: int) -> bool:
        """Whether the weight came to this rest in a way that a weight on a pan can."""
        marked = any(mark >= 0 for mark in self.marks[begin:end])
        return marked or begin == 0 or not self.values[begin] or self.moves[begin - 1]

    @cached_property
    def tares(self) -> tuple[int, ...]:
        """The lines at which a resting weight became exactly nothing at once."""
        return tuple(
            n
            for n in range(1, len(self.values))
            if not self.values[n] and self.values[n - 1] and self.rests[n] and self.rests[n - 1]
        )

    # -- what a mark means -------------------------------------------------------------------

    def motion(self, states: Sequence[State]) -> dict[State, str]:
        """Which states say `stable` and which `moving`; empty where the mark does not tell.

        A state that says moving is never seen in a rest that has lasted, one that says stable never
        while the weight moves; a line or so of delay at either end is the scale's own judgement.
        """
        rows = [n for n, state in enumerate(states) if state is not None]
        moved = sum(self.moves[n] for n in rows)
        if moved < _LEAST_MOVES:
            return {}
        said: dict[State, str] = {}
        for state in {states[n] for n in rows}:
            word = self._motion_of([n for n in rows if states[n] == state], moved)
            if word is None:
                return {}
            if word:
                said[state] = word
        if set(said.values()) != {"stable", "moving"}:
            return {}
        stable = sum(word == "stable" for word in said.values())
        rests = sum(any(self.settled[begin:end]) for begin, end in self.runs)
        return said if stable == 1 or stable * _RESTS_A_STATE <= rests else {}

    def _motion_of(self, rows: Sequence[int], moved: int) -> str | None:
        """What these lines of one state say; empty where they do not tell, None if it is neither.

        A line of delay when a load comes or goes is the scale's own judgement.
        """
        moving = [n for n in rows if self.moves[n]]
        settled = any(self.settled[n] for n in rows)
        if not settled:
            return "moving" if moving else ""
        late = all(n and self.rests[n - 1] for n in moving)
        return "stable" if late and _MOST_LATE * len(moving) <= moved else None

    def tared(self, states: Sequence[State]) -> dict[State, str]:
        """Which states say `net` and which `gross`: changed by the tare, and only by it.

        Behind the tare the new state has to stay while another load comes and goes.
        """
        for at in self.tares:
            for shift in (0, 1):
                if at - 1 >= 0 and at + shift < len(states):
                    before, after = states[at - 1], states[at + shift]
                    if before != after and self._holds(states, at + shift, before, after):
                        return {before: "gross", after: "net"}
        return {}

    def _holds(self, states: Sequence[State], at: int, before: State, after: State) -> bool:
        if before is None or after is None or after in states[:at]:
            return False
        end = next((n for n in range(at, len(states)) if states[n] == before), len(states))
        rows = [n for n in range(at, end) if states[n] == after]
        loads = {self.values[n] for n in rows if self.values[n]}
        moved = any(self.moves[n] for n in range(at, end))
        return len(rows) >= _LEAST_NET and bool(loads) and moved

    def negative(self, states: Sequence[State], turned: bool) -> dict[State, str]:
        """Which states say `minus` and which `plus`, where the number itself is never negative.

        By the marks; else by a load that was tared and taken off: then the display shows just as
        much below zero as the tare took away.
        """
        if turned:
            return self._negative_by_marks(states)
        for at in self.tares:
            found = self._negative_by_tare(states, at)
            if found:
                return found
        return {}

    def _negative_by_marks(self, states: Sequence[State]) -> dict[State, str]:
        said: dict[State, set[str]] = {}
        for state, mark in zip(states, self.marks, strict=True):
            if mark >= 0 and self.shown[mark]:
                said.setdefault(state, set()).add("minus" if self.shown[mark] < 0 else "plus")
        if None in said or any(len(words) > 1 for words in said.values()):
            return {}
        return {state: words.pop() for state, words in said.items()}

    def _negative_by_tare(self, states: Sequence[State], at: int) -> dict[State, str]:
        taken = self.values[at - 1]
        for begin, end in self.runs:
            if begin <= at or self.values[begin] != taken or end - begin < _RESTS_FROM:
                continue
            if any(mark >= 0 for mark in self.marks[begin:end]):
                continue
            for first in range(begin, at, -1):
                new, old = set(states[first:end]), set(states[:first])
                if new & old or None in new or not self._turns(first, begin):
                    continue
                return dict.fromkeys(new, "minus") | dict.fromkeys(old - {None}, "plus")
        return {}

    def _turns(self, first: int, begin: int) -> bool:
        """Whether the weight came down to nothing before `first`, and grew on to `begin`."""
        start = next((n for n in range(first - 1, -1, -1) if self.rests[n]), first)
        down, up = self.values[start:first], self.values[first:begin]
        falling = all(b < a for a, b in pairwise(down))
        rising = all(b > a for a, b in pairwise(up[:-1]))
        return bool(up) and falling and rising and any(self.moves[first:begin])

    # -- what is known to be harmless --------------------------------------------------------

    def proved(
        self, states: Sequence[State], explained: set[State], moving: set[State]
    ) -> set[State]:
        """States in which the number is known to be the weight on the pan.

        Seen in a mark; explained otherwise; at nothing, on the way from or to a load; taking over
        an unchanged weight from such a state and following it on; or saying that the weight moves,
        on a way between two rests in such states.
        """
        safe = {s for s, mark in zip(states, self.marks, strict=True) if mark >= 0} | explained
        safe |= {state for state in set(states) - safe if self._means_empty(states, state)}
        grown = True
        while grown:
            more = {
                s
                for s in set(states) - safe
                if self._takes_over(states, s, safe)
                or (s in moving and self.leads(states, s, safe))
            }
            safe |= more
            grown = bool(more)
        return safe - {None}

    def leads(self, states: Sequence[State], state: State, safe: set[State]) -> bool:
        """Whether the weight once moved in this state from one rest in a safe state to another.

        A state that lasts in a rest of its own may mean anything there.
        """
        if any(late and one == state for late, one in zip(self.settled, states, strict=True)):
            return False
        for row, one in enumerate(states):
            if one != state or not self.moves[row]:
                continue
            before = next((n for n in range(row, -1, -1) if self.rests[n]), None)
            after = next((n for n in range(row, len(states)) if self.rests[n]), None)
            if before is not None and after is not None:
                way = {states[n] for n in range(before, after + 1)} - {state}
                if way <= safe and state not in (states[before], states[after]):
                    return True
        return False

    def _means_empty(self, states: Sequence[State], state: State) -> bool:
        rows = [n for n, one in enumerate(states) if one == state]
        if any(self.values[n] for n in rows):
            return False
        return any(
            0 <= n < len(states) and self.moves[n] and states[n] != state
            for row in rows
            for n in (row - 1, row + 1)
        )

    def _takes_over(self, states: Sequence[State], state: State, safe: set[State]) -> bool:
        rows = [n for n, one in enumerate(states) if one == state]
        loads = {self.values[n] for n in rows if self.values[n]}
        joined = any(
            0 <= n < len(states) and states[n] in safe and self.values[n] == self.values[row] != 0
            for row in rows
            for n in (row - 1, row + 1)
        )
        return joined and len(loads) >= _LEAST_MOVES
