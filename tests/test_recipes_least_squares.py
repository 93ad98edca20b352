"""The small fit against a general library's (scipy), and its way with a wild point."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from recipes.least_squares import OUTLIER, Row, ridge_fit

NUMBER = st.floats(-3, 3)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.tuples(NUMBER, NUMBER, NUMBER), st.floats(-1, 1), st.floats(0.1, 1)),
             max_size=12),
    st.tuples(st.floats(0.1, 1), st.floats(0.1, 1), st.floats(0.1, 1)),
)  # fmt: skip
def test_it_finds_what_scipy_finds(rows, spreads):
    """The same cost minimised by a general reference library, from a start of its own.

    Huber's loss on the rows, plain squares on the unknowns.
    """
    ours = ridge_fit([Row(*row) for row in rows], spreads)

    def cost(values):
        total = sum((x / s) ** 2 for x, s in zip(values, spreads, strict=True))
        for adds, seen, spread in rows:
            off = abs(seen - sum(a * x for a, x in zip(adds, values, strict=True))) / spread
            total += off**2 if off <= OUTLIER else 2 * OUTLIER * off - OUTLIER**2
        return total

    theirs = minimize(cost, [0.0, 0.0, 0.0], method="BFGS")
    assert cost(ours.values) <= theirs.fun * (1 + 1e-3) + 1e-6


def test_without_outliers_it_is_plain_ridge_regression():
    """Two rows, checked by hand: x = sum(a y/s2) / (sum(a2/s2) + 1/t2)."""
    rows = [Row((1.0,), 0.1, 0.2), Row((2.0,), 0.1, 0.2)]
    expected = (0.1 / 0.04 + 0.2 / 0.04) / (1 / 0.04 + 4 / 0.04 + 1 / 0.25)
    assert ridge_fit(rows, (0.5,)).values == pytest.approx((expected,))


def test_without_observations_nothing_moves_and_nothing_is_learned():
    fit = ridge_fit([], (0.2, 0.3))
    assert fit.values == (0.0, 0.0)
    assert fit.learned == (False, False)


def test_a_spread_of_nought_holds_an_unknown():
    fit = ridge_fit([Row((1.0, 1.0), 1.0, 0.1)], (0.0, 1.0))
    assert fit.values[0] == 0.0
    assert fit.learned == (False, True)


def test_one_wild_point_moves_it_little():
    good = [Row((1.0,), 0.1, 0.2)] * 6
    wild = ridge_fit([*good, Row((1.0,), 5.0, 0.2)], (1.0,))
    assert wild.values[0] == pytest.approx(0.1, abs=0.05)
    assert wild.agrees(good[0])
    assert not wild.agrees(Row((1.0,), 5.0, 0.2))
