"""What an order costs: every figure worked by hand, coins as the decimal type rounds them."""

from dataclasses import replace
from decimal import Decimal

import pytest

from recipes.cost import Used, cost, rounded
from recipes.order import Costs


def costs(**more):
    usual = {
        "currency": "EUR",
        "per_kg": {"A": 14.0, "B": 15.0, "dye": 220.0},
        "labour_per_hour": 32.0,
        "per_batch": 0.60,
        "once": 180.0,
        "margin_pct": 35,
    }
    return Costs.model_validate(usual | more)


USED = Used(
    good=240,
    batches=43,
    part_g={"A": 3000.0, "B": 2700.0},
    dye_g=30.0,
    run_hours=10.0,
    setup_hours=2.5,
    left_part_g={"B": 1000.0},
    left_dye_g=12.0,
)


def test_every_figure_by_hand():
    """Resin 3 x 14 + 2.7 x 15 = 82.50; dye 6.60; left over 15 + 2.64; 43 x 0.60 = 25.80."""
    found = cost(costs(), USED)
    assert (found.resin, found.dye) == (Decimal("82.50"), Decimal("6.60"))
    assert (found.left_over, found.consumables) == (Decimal("17.64"), Decimal("25.80"))
    assert found.material == Decimal("132.54")
    assert found.labour == Decimal("320.00")
    assert found.setup == Decimal("260.00") == found.setup_labour + found.once
    assert found.total == Decimal("712.54") == found.material + found.labour + found.setup
    assert found.per_piece == Decimal("2.97")
    assert found.price == Decimal("1096.22")  # 712.54 / 0.65
    assert found.price_per_piece == Decimal("4.57")
    assert found.unpriced == ()


def test_the_margin_is_a_share_of_the_price_not_of_the_cost():
    found = cost(costs(margin_pct=50), USED)
    assert found.price == 2 * found.total


def test_without_a_margin_the_price_is_the_cost():
    found = cost(costs(margin_pct=0), USED)
    assert (found.price, found.price_per_piece) == (found.total, found.per_piece)


def test_what_has_no_price_counts_as_nothing_and_is_named():
    found = cost(costs(per_kg={"A": 14.0}), USED)
    assert found.unpriced == ("B", "dye")
    assert found.material == Decimal("42.00") + Decimal("25.80")
    assert cost(costs(per_kg={"A": 1, "B": 1}), replace(USED, dye_g=0.0)).unpriced == ()


@pytest.mark.parametrize("currency", ["JPY", "jpy"])
def test_a_currency_without_coins_has_none(currency):
    """82.50 goes to 82 (half to even), 6.60 to 7, 17.64 to 18, 25.80 to 26; then 320 and 260."""
    found = cost(costs(currency=currency), USED)
    parts = (found.resin, found.dye, found.left_over, found.consumables)
    assert parts == (82, 7, 18, 26)
    assert found.total == 713
    assert found.price_per_piece == 5  # 713 / 0.65 / 240 = 4.57


def test_a_currency_of_a_thousand_coins_has_three_decimals():
    assert str(cost(costs(currency="KWD"), USED).price_per_piece) == "4.568"


@pytest.mark.parametrize(
    ("amount", "coin", "coins"),
    [
        (2.5, "1", "2"),
        (3.5, "1", "4"),
        (0.125, "0.01", "0.12"),
        (0.135, "0.01", "0.14"),
        (-2.5, "1", "-2"),
        (1.005, "0.01", "1.00"),
    ],
)
def test_a_half_coin_goes_to_the_even_one(amount, coin, coins):
    """ASTM E29 and IEEE 754, the rule from memory; a binary 1.005 is read as 1.005."""
    assert rounded(amount, Decimal(coin)) == Decimal(coins)
