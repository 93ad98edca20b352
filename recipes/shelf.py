"""What is on the shelf against what an order needs: which jugs may be used, and which are drawn on.

Owns that reckoning. Knows no clock: the day is an argument.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from recipes.order import Jug


@dataclass(frozen=True, slots=True)
class JugCheck:
    """One jug of the order: whether it may be used, and how much of it the order draws."""

    name: str
    part: str
    grams: float
    lot: str | None
    use_by: datetime.date | None
    usable: bool
    draw_g: float = 0.0


@dataclass(frozen=True, slots=True)
class ShelfPart:
    """One part: what usable jugs hold, what the order needs, what is missing. Grams."""

    have_g: float
    need_g: float
    short_g: float
    jugs: int
    """Jugs that are drawn on."""
    left_g: float
    """What stays in these when the order is done."""
    spoiled_g: float = 0.0
    """What stands there past its date."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """All parts by name, and all jugs in the order they are to be drawn on."""

    parts: dict[str, ShelfPart]
    jugs: tuple[JugCheck, ...]


def shelf(jugs: Sequence[Jug], need_g: Mapping[str, float], today: datetime.date | None) -> Shelf:
    """The jugs against `need_g` by part. Without a day, no jug is past its date.

    The jug that has to be used up first is drawn on first; one past its date is not drawn on.
    """
    checked = [check for part in need_g for check in _drawn(jugs, part, need_g[part], today)]
    parts = {part: _sum([c for c in checked if c.part == part], need_g[part]) for part in need_g}
    return Shelf(parts, tuple(checked))


def _drawn(
    jugs: Sequence[Jug], part: str, need_g: float, today: datetime.date | None
) -> list[JugCheck]:
    last = datetime.date.max
    own = sorted(
        (jug for jug in jugs if jug.part == part),
        key=lambda jug: (jug.use_by or last, jug.opened or last),
    )
    found = []
    for jug in own:
        usable = today is None or jug.use_by is None or today <= jug.use_by
        draw_g = min(jug.grams, need_g) if usable else 0.0
        need_g -= draw_g
        found.append(JugCheck(jug.name, part, jug.grams, jug.lot, jug.use_by, usable, draw_g))
    return found


def _sum(jugs: Sequence[JugCheck], need_g: float) -> ShelfPart:
    have_g = sum((jug.grams for jug in jugs if jug.usable), 0.0)
    drawn = [jug for jug in jugs if jug.draw_g > 0]
    return ShelfPart(
        have_g=have_g,
        need_g=need_g,
        short_g=max(need_g - have_g, 0.0),
        jugs=len(drawn),
        left_g=sum((jug.grams - jug.draw_g for jug in drawn), 0.0),
        spoiled_g=sum((jug.grams for jug in jugs if not jug.usable), 0.0),
    )
