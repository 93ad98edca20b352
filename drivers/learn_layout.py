"""The frames that hold the weight, taken apart: columns and tokens beside the number.

Owns how frames are grouped into makes and what stands at the same place in each. Does not know what
any of it means.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from drivers.learn_refusal import NotBuiltError
from drivers.learn_writing import Place, skeleton, tokens

Key = tuple[Hashable, ...]
NUMBER: Key = ("number",)


@dataclass(slots=True)
class Make:
    """Frames of one make: the same length, or the same tokens."""

    key: Hashable
    rows: list[int] = field(default_factory=list)
    slots: list[tuple[Key, list[bytes]]] = field(default_factory=list)
    """What stands at each place, for each of `rows`; the number among them in its place."""
    bracketed: bool = False
    """The number stands in round brackets."""


@dataclass(frozen=True)
class Layout:
    """All makes of the frames with a weight, the commonest first."""

    makes: tuple[Make, ...]
    rows: int

    @cached_property
    def states(self) -> dict[Key, list[bytes | None]]:
        """What stands at each place in each row; None in rows of makes that have no such place."""
        every: dict[Key, list[bytes | None]] = {}
        for make in self.makes:
            for key, taken in make.slots:
                states = every.setdefault(key, [None] * self.rows)
                for row, raw in zip(make.rows, taken, strict=True):
                    states[row] = raw
        return every

    def is_byte(self, key: Key) -> bool:
        """Whether a single byte stands there in every row that has the place."""
        return all(raw is None or len(raw) == 1 for raw in self.states[key])

    def seen(self, key: Key) -> set[bytes]:
        """The different bytes that stand there."""
        return {raw for raw in self.states[key] if raw is not None}

    @property
    def is_token(self) -> bool:
        """Whether the lines are told apart by their tokens."""
        return isinstance(self.makes[0].key, tuple)

    def joint(self, keys: Sequence[Key]) -> list[bytes | None]:
        """What stands at several neighbouring places together."""
        columns = [self.states[key] for key in keys]
        return [
            None if None in row else b"".join(raw for raw in row if raw is not None)
            for row in zip(*columns, strict=True)
        ]

    @cached_property
    def of_make(self) -> list[Hashable]:
        """The make of each row, as a state; brackets make no difference."""
        states: list[Hashable] = [None] * self.rows
        for make in self.makes:
            for row in make.rows:
                states[row] = make.key
        return states


def layout_of(
    place: Place, bodies: Sequence[bytes], checked: int = 0, *, brackets: bool = False
) -> Layout:
    """The makes among `bodies`, taken apart around the number at `place`.

    The last `checked` bytes of every body are left out: they are known already. With `brackets`
    lines with the number in brackets are a make of their own.
    """
    every: dict[tuple[Hashable, bool], Make] = {}
    for row, body in enumerate(bodies):
        span = place.span(body) if brackets else None
        inside = span is not None and b"(" in body[span[0] : span[1]]
        key = _key(place, body[: len(body) - checked])
        every.setdefault((key, inside), Make(key, bracketed=inside)).rows.append(row)
    for make in every.values():
        mine = [bodies[row] for row in make.rows]
        make.slots = list(_slots(place, make.key, mine, checked))
    ordered = sorted(every.values(), key=lambda make: -len(make.rows))
    return Layout(tuple(ordered), len(bodies))


def _key(place: Place, body: bytes) -> Hashable:
    if place.kind == "token":
        return skeleton(body, place.point)
    return len(body) if place.kind != "between" else "between"


def _slots(
    place: Place, key: Hashable, bodies: Sequence[bytes], checked: int
) -> Iterator[tuple[Key, list[bytes]]]:
    if place.kind == "token":
        yield from _token_slots(place, key, bodies, checked)
        return
    spans = [span for body in bodies if (span := place.span(body)) is not None]
    begin, behind = spans[0][0], len(bodies[0]) - spans[0][1]
    for column in range(begin):
        yield _key_of(place, column, len(bodies[0])), [body[column : column + 1] for body in bodies]
    yield NUMBER, [body[a:b] for body, (a, b) in zip(bodies, spans, strict=True)]
    for back in range(behind, checked, -1):
        taken = [body[len(body) - back : len(body) - back + 1] for body in bodies]
        yield _key_of(place, len(bodies[0]) - back, len(bodies[0])), taken


def _key_of(place: Place, column: int, size: int) -> Key:
    """What makes a column the same one in makes of different lengths."""
    if place.kind == "right" or (place.kind == "between" and column >= size - place.b):
        return (">", size - column)
    return ("<", column)


def _token_slots(
    place: Place, key: Hashable, bodies: Sequence[bytes], checked: int
) -> Iterator[tuple[Key, list[bytes]]]:
    """Tokens of one width column by column, others as a whole."""
    bare = [body[: len(body) - checked] for body in bodies]
    every = [tokens(body, place.point) for body in bare]
    span = place.span(bodies[0])
    number = next((n for n, (_, begin, end) in enumerate(every[0]) if (begin, end) == span), -1)
    if number < 0:
        raise NotBuiltError("the number runs into the check behind it")
    for n in range(len(every[0])):
        taken = [body[t[n][1] : t[n][2]] for body, t in zip(bare, every, strict=True)]
        if n == number:
            yield NUMBER, taken
        elif len(set(map(len, taken))) == 1:
            for column in range(len(taken[0])):
                yield ("t", key, n, column), [raw[column : column + 1] for raw in taken]
        else:
            yield ("t", key, n), taken
