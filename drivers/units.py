"""Units of mass as scales spell them, and exact grams.

Owns the spellings and the factors; does not know where in a line a unit stands.

Factors: the international avoirdupois pound is 0.45359237 kg exactly, the ounce is 1/16 of it, the
grain 1/7000; the troy ounce is 480 grains, the pennyweight 24 grains; the metric carat is 200 mg
(all after NIST Handbook 44, appendix C).
"""

from __future__ import annotations

from decimal import Decimal

GRAMS_PER = {
    "g": Decimal(1),
    "kg": Decimal(1000),
    "mg": Decimal("0.001"),
    "t": Decimal(1_000_000),
    "lb": Decimal("453.59237"),
    "oz": Decimal("28.349523125"),
    "gr": Decimal("0.06479891"),
    "ozt": Decimal("31.1034768"),
    "dwt": Decimal("1.55517384"),
    "ct": Decimal("0.2"),
}
"""Grams in one of each unit, exact. `gr` is the grain."""

_SPELLINGS = {
    "g": "g",
    "gm": "g",
    "kg": "kg",
    "mg": "mg",
    "lb": "lb",
    "lbs": "lb",
    "oz": "oz",
    "ozt": "ozt",
    "dwt": "dwt",
    "gn": "gr",
    "ct": "ct",
    "pc": "pcs",
    "pcs": "pcs",
}


def unit_named(spelled: str) -> str:
    """The unit's one name for the way a scale spells it; what is not known stays as it was sent.

    A bare `gr` is not translated: some scales mean grains by it and some grams, fifteen to one. It
    stays an unknown unit ("gr?") until a profile says which. `t` is the tonne, `T` is not.
    """
    bare = spelled.strip()
    if bare.lower() == "gr":
        return "gr?"
    if bare == "t":
        return bare
    return _SPELLINGS.get(bare.lower(), bare)


def grams(text: str, unit: str | None) -> float | None:
    """Grams of the decimal `text` in `unit`; None where the unit is no known unit of mass."""
    factor = GRAMS_PER.get(unit or "")
    if factor is None:
        return None
    return float(Decimal(text) * factor) + 0.0  # + 0.0 turns a negative zero into zero
