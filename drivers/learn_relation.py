"""Other numbers in the lines that go with the weight: gross and tare, or the weight once more.

Owns the arithmetic between them. Does not know which of them the display shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import permutations

from drivers.learn_layout import Key, Layout
from drivers.learn_strict import Strict, strict_field
from drivers.learn_writing import Writing

_LEAST_DIFFERENT = 3


@dataclass(frozen=True, slots=True)
class Partner:
    """Another number of the line, and the strict field that reads it."""

    keys: tuple[Key, ...]
    part: str
    strict: Strict


def partners(
    layout: Layout, runs: Iterable[Sequence[Key]], writing: Writing, weights: Sequence[Decimal]
) -> tuple[Partner, ...]:
    """Gross and tare, where in every line their difference is the weight; else nothing.

    The tare must have been something at least once: a gross weight that was never tared proves
    nothing.
    """
    read = [(tuple(keys), _values(layout, keys, writing)) for keys in runs]
    known = [(keys, values) for keys, values in read if values is not None]
    for (gross_keys, gross), (tare_keys, tare) in permutations(known, 2):
        if not any(tare) or len(set(gross)) < _LEAST_DIFFERENT:
            continue
        if all(g - t == w for g, t, w in zip(gross, tare, weights, strict=True)):
            found = [
                _partner(layout, gross_keys, "gross", writing, gross),
                _partner(layout, tare_keys, "tare", writing, tare),
            ]
            return tuple(p for p in found if p) if None not in found else ()
    return ()


def again(
    layout: Layout, runs: Iterable[Sequence[Key]], writing: Writing, weights: Sequence[Decimal]
) -> tuple[Partner, ...]:
    """The numbers that were the weight in every line, zeros and minus signs included."""
    if len(set(weights)) < _LEAST_DIFFERENT:
        return ()
    twins = (tuple(keys) for keys in runs if _values(layout, keys, writing) == list(weights))
    found = (_partner(layout, keys, "weight", writing, list(weights)) for keys in twins)
    return tuple(partner for partner in found if partner is not None)


def _values(layout: Layout, keys: Sequence[Key], writing: Writing) -> list[Decimal] | None:
    values = []
    for raw in layout.joint(keys):
        value = None if raw is None else writing.read(raw)
        if value is None:
            return None
        values.append(value)
    return values


def _partner(
    layout: Layout, keys: tuple[Key, ...], part: str, writing: Writing, values: list[Decimal]
) -> Partner | None:
    raws = [raw for raw in layout.joint(keys) if raw is not None]
    one_width = len(set(map(len, raws))) == 1
    strict = strict_field(writing, raws, values, one_width=one_width)
    return None if strict is None or strict.point_at >= 0 else Partner(keys, part, strict)
