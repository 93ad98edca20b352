"""Whether the number that was found is a whole one, or a part of a longer one in the lines.

Owns the looks at what stands beside it. Does not know how it was found.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from decimal import Decimal

from drivers.learn_layout import NUMBER, Layout, Make
from drivers.learn_numbers import Found
from drivers.learn_refusal import NotBuiltError

_NEARLY_ALL = 0.75
_MANY_DIGITS = 3
"""So many different digits in a column before a number, blank else, belong to it."""


def refuse_part(layout: Layout, found: Found, values: Sequence[Decimal]) -> None:
    """Raise NotBuiltError for a number that is cut out of a longer one."""
    for make in layout.makes:
        at = [key for key, _ in make.slots].index(NUMBER)
        if found.writing.code != "text":
            cut = _borrows(make, at, found.writing.code, [values[row] for row in make.rows])
        else:
            cut = not found.writing.reversed and _is_cut(make, at, found.writing.point)
        if cut:
            raise NotBuiltError("the number that was shown is only a part of one in the lines")


def _borrows(make: Make, at: int, code: str, values: Sequence[Decimal]) -> bool:
    """Whether the byte above the number becomes one less exactly where that falls below zero."""
    above = at - 1 if code.endswith("be") else at + 1
    if not 0 <= above < len(make.slots):
        return False
    states = Counter(
        (value < 0, raw) for raw, value in zip(make.slots[above][1], values, strict=True)
    )
    sides = {below: (n, raw) for (below, raw), n in reversed(states.most_common())}
    if len(sides) < 2 or sum(n for n, _ in sides.values()) < _NEARLY_ALL * len(values):
        return False
    return sides[True][1][0] == (sides[False][1][0] - 1) % 256


def _is_cut(make: Make, at: int, point: str) -> bool:
    before = at > 0 and not make.bracketed and _goes_on_before(make, at, point)
    return before or (bool(point) and _goes_on_behind(make, at))


def _goes_on_before(make: Make, at: int, point: str) -> bool:
    """Whether its point, or more digits of the number, stand in the column before it."""
    pointed = at > 1 and all(raw in (b".", b",") for raw in make.slots[at - 1][1])
    if pointed and not point and all(raw[:1].isdigit() for raw in make.slots[at][1]):
        return all(raw.isdigit() for raw in make.slots[at - 2][1])
    pairs = zip(make.slots[at - 1][1], make.slots[at][1], strict=True)
    beside = {(raw, number[:1].isdigit()) for raw, number in pairs}
    digits = {raw for raw, _ in beside if raw.isdigit()}
    joined = all(whole for raw, whole in beside if raw in digits)
    return joined and (b" ", True) in beside and len(digits) >= _MANY_DIGITS


def _goes_on_behind(make: Make, at: int) -> bool:
    """Whether more decimals stand in the column behind it."""
    behind = set(make.slots[at + 1][1]) if at + 1 < len(make.slots) else set()
    return len(behind) >= _MANY_DIGITS and all(raw.isdigit() for raw in behind)
