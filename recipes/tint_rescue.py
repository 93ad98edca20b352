"""What saves a jug that went too far: untinted base, and how much of it.

Owns that reckoning and the words for it. Knows nothing of how colours are fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

from recipes.tint_castings import Past
from recipes.tint_ledger import Ledger
from recipes.tint_likely import Likely
from recipes.tint_next import SURE, likely

SHORT = 1.05
"""Past this many times what is there a dye is lacking."""
TOO_MUCH = 20.0
"""Nobody dilutes a jug so many times over."""


@dataclass(frozen=True, slots=True)
class Rescue:
    """Base that brings a jug back, 0 where none is needed, None where none would or none knows."""

    needed_g: float | None
    why: str
    base_to_add_g: float | None = None
    low_g: float | None = None
    high_g: float | None = None
    jug_g_after: float | None = None


def rescue(
    ledger: Ledger, past: Past, division_g: float = 0.01, needed_g: float | None = None
) -> Rescue:
    """The base that thins the dye which is furthest beyond its need back to it.

    `needed_g` is what the order still needs of this jug, None where there is none.
    """
    found = likely(ledger, past, division_g)
    if isinstance(found, str):
        return Rescue(needed_g, found)
    low, best, high = (_times(ledger, found, share) for share in (1 - SURE, 0.5, SURE))
    if best > TOO_MUCH:
        why = "No base saves this jug: the target hardly has that dye. Keep it for a darker order."
        return Rescue(needed_g, why)
    base_g = (best - 1) * ledger.base_g
    after_g = ledger.jug_g + base_g
    return Rescue(
        needed_g,
        _rescue_why(ledger, found, base_g, after_g, needed_g),
        base_to_add_g=round(base_g, 2),
        low_g=round((low - 1) * ledger.base_g, 2),
        high_g=round((min(high, TOO_MUCH) - 1) * ledger.base_g, 2),
        jug_g_after=round(after_g, 2),
    )


def _times(ledger: Ledger, found: Likely, share: float) -> float:
    """How many times its base the jug needs for its worst dye; 1 where none is beyond its need."""
    least = 1 / (100 * TOO_MUCH)
    return max(
        1.0,
        *(
            1 / max(found.amount(k, share) / now, least)
            for k, (_, now) in enumerate(ledger.amounts)
        ),
    )


def _rescue_why(
    ledger: Ledger, found: Likely, base_g: float, after_g: float, needed_g: float | None
) -> str:
    if base_g <= 0:
        said = "The jug has not gone too far: no base is needed."
        return _beside(said, after_g, needed_g, then="")
    said = "Stir the base in bit by bit, cast a trial, and stop while it is still a hair dark."
    short = [
        name
        for k, (name, now) in enumerate(ledger.amounts)
        if found.amount(k, 0.5) > now * ledger.base_g / (ledger.base_g + base_g) * SHORT
    ]
    if short:
        said += f" It will then lack {' and '.join(short)}: `tint next` says how much."
    return _beside(said, after_g, needed_g)


def _beside(said: str, jug_g: float, needed_g: float | None, then: str = "then ") -> str:
    """The same, with what the jug holds beside what the order needs of it."""
    if needed_g is None:
        return said
    if needed_g <= 0:
        return f"{said} The order needs nothing more of it."
    if jug_g >= needed_g:
        return f"{said} The jug {then}holds more than the {needed_g:.0f} g that the order needs."
    return f"{said} The order needs {needed_g - jug_g:.0f} g more than the jug {then}holds."
