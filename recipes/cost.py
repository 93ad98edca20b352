"""What an order costs and what a piece has to be sold for.

Owns the money. Knows nothing of how the hours and grams came about. Amounts are exact decimals in
the order's currency, rounded half to even (as ASTM E29 and IEEE 754 do) to its smallest coin.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from recipes.amounts import DYE
from recipes.order import Costs

_PLACES: Mapping[str, int] = {
    **dict.fromkeys(("CLP", "ISK", "JPY", "KRW", "PYG", "UGX", "VND", "XAF", "XOF", "XPF"), 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
}
"""Decimals of the currencies that have not two: ISO 4217, from memory."""


@dataclass(frozen=True, slots=True)
class Used:
    """What an order takes. Masses in grams: `part_g` and `left_part_g` neat, without their dye."""

    good: int
    """Pieces that are delivered."""
    batches: int
    part_g: Mapping[str, float]
    dye_g: float
    run_hours: float
    setup_hours: float
    left_part_g: Mapping[str, float]
    """What stays in a jug tinted for this order."""
    left_dye_g: float = 0.0


@dataclass(frozen=True, slots=True)
class Cost:
    """The order's cost. `material`, `labour` and `setup` sum up to `total`.

    `material` is `resin`, `dye`, `left_over` and `consumables`; `labour` the hours after the
    set-up; `setup` the set-up's hours, `setup_labour`, and what is bought once, `once`.
    """

    currency: str
    material: Decimal
    labour: Decimal
    setup: Decimal
    total: Decimal
    per_piece: Decimal
    price: Decimal
    """For the whole order, so that the margin is that share of it."""
    price_per_piece: Decimal
    resin: Decimal
    dye: Decimal
    left_over: Decimal
    consumables: Decimal
    setup_labour: Decimal
    once: Decimal
    margin_pct: float
    unpriced: tuple[str, ...]
    """Materials that are used and have no price: counted as nothing."""


def cost(costs: Costs, used: Used) -> Cost:
    """The cost of what is used, per good piece and with the margin on it."""
    coin = _coin(costs.currency)

    def money(amount: float) -> Decimal:
        return rounded(amount, coin)

    resin = money(_resin(costs, used.part_g))
    dye = money(used.dye_g * _per_g(costs, DYE))
    left_over = money(_resin(costs, used.left_part_g) + used.left_dye_g * _per_g(costs, DYE))
    consumables = money(used.batches * costs.per_batch)
    setup_labour = money(used.setup_hours * costs.labour_per_hour)
    once = money(costs.once)
    material = resin + dye + left_over + consumables
    labour = money(used.run_hours * costs.labour_per_hour)
    total = material + labour + setup_labour + once
    share = 1 - Decimal(str(costs.margin_pct)) / 100
    return Cost(
        currency=costs.currency,
        material=material,
        labour=labour,
        setup=setup_labour + once,
        total=total,
        per_piece=_round(total / used.good, coin),
        price=_round(total / share, coin),
        price_per_piece=_round(total / share / used.good, coin),
        resin=resin,
        dye=dye,
        left_over=left_over,
        consumables=consumables,
        setup_labour=setup_labour,
        once=once,
        margin_pct=costs.margin_pct,
        unpriced=_unpriced(costs, used),
    )


def _resin(costs: Costs, part_g: Mapping[str, float]) -> float:
    return sum(grams * _per_g(costs, part) for part, grams in part_g.items())


def _per_g(costs: Costs, material: str) -> float:
    return costs.per_kg.get(material, 0.0) / 1000


def _unpriced(costs: Costs, used: Used) -> tuple[str, ...]:
    names = [part for part, grams in used.part_g.items() if grams > 0]
    names += [DYE] if used.dye_g > 0 else []
    return tuple(name for name in names if name not in costs.per_kg)


def _coin(currency: str) -> Decimal:
    return Decimal(1).scaleb(-_PLACES.get(currency.upper(), 2))


def rounded(amount: float, coin: Decimal) -> Decimal:
    """An amount to a whole number of coins, half to even, as its shortest decimal form says it."""
    return _round(Decimal(str(amount)), coin)


def _round(amount: Decimal, coin: Decimal) -> Decimal:
    return amount.quantize(coin, rounding=ROUND_HALF_EVEN)
