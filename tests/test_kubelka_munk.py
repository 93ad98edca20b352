"""Kubelka-Munk: worked values, and a general library (scipy) for the least squares.

Sources, and how known: R = 0.20 is K/S = 1.6 in a colour-matching tutorial and by equations 19 and
20 of Allen 1980 (seen, reproduced); the tables follow from (1-R)^2/2R (computed).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls

from recipes.kubelka_munk import amounts_for, fitted, ks_of, mixed_ks, reflectance_of


def test_the_worked_example():
    assert ks_of(0.20) == pytest.approx(1.6, rel=1e-12)


@pytest.mark.parametrize(
    ("reflectance", "ks"),
    [
        (0.9, 0.005556),
        (0.8, 0.025),
        (0.5, 0.25),
        (0.4, 0.45),
        (0.3, 0.816667),
        (0.1, 4.05),
        (0.05, 9.025),
        (0.02, 24.01),
    ],
)
def test_ks_of_a_reflectance(reflectance, ks):
    assert ks_of(reflectance) == pytest.approx(ks, rel=1e-4 if ks < 0.01 else 1e-6)


@pytest.mark.parametrize(
    ("ks", "reflectance"),
    [
        (0.1, 0.641742),
        (0.25, 0.5),
        (0.5, 0.381966),
        (1, 0.267949),
        (2, 0.171573),
        (5, 0.083920),
        (10, 0.045549),
    ],
)
def test_the_reflectance_of_ks(ks, reflectance):
    assert reflectance_of(ks) == pytest.approx(reflectance, abs=1e-6)


@given(st.floats(0.001, 1.0))
def test_there_and_back(reflectance):
    assert reflectance_of(ks_of(reflectance)) == pytest.approx(reflectance, rel=1e-7)


def test_what_no_surface_throws_back_is_taken_as_the_nearest_that_one_does():
    assert ks_of(1.2) == 0.0
    assert ks_of(-0.1) == ks_of(0.0) < 1e3


BASE = (0.025,)
"""R 0.80."""
UNIT = ((0.85,),)
"""One per cent of a dye of which half a per cent takes this base to R 0.40."""


@pytest.mark.parametrize(
    ("percent", "reflectance"),
    [(0.1, 0.628232), (0.25, 0.508524), (0.5, 0.4), (1, 0.288928), (2, 0.190118)],
)
def test_the_ladder_of_one_dye(percent, reflectance):
    (ks,) = mixed_ks(BASE, UNIT, (percent,))
    assert reflectance_of(ks) == pytest.approx(reflectance, abs=1e-6)


@pytest.mark.parametrize(
    ("reflectance", "percent"),
    [(0.60, 0.127451), (0.50, 0.264706), (0.30, 0.931373), (0.20, 1.852941)],
)
def test_how_much_of_one_dye(reflectance, percent):
    (found,) = amounts_for((ks_of(reflectance),), BASE, UNIT)
    assert found == pytest.approx(percent, abs=1e-6)


THREE = ((0.80, 0.15, 0.05), (0.10, 0.60, 0.20), (0.05, 0.10, 0.90))
"""Three dyes in three bands."""


def test_three_dyes_in_three_bands_and_back():
    base, amounts = (0.02, 0.025, 0.03), (0.20, 0.50, 0.10)
    mixed = mixed_ks(base, THREE, amounts)
    seen = [reflectance_of(ks) for ks in mixed]
    assert seen == pytest.approx([0.510276, 0.435901, 0.513830], abs=1e-6)
    assert amounts_for([ks_of(r) for r in seen], base, THREE) == pytest.approx(amounts, abs=1e-9)


def test_the_next_dose_from_a_straight_ledger():
    """Doses 0, 0.5 and 1.0 g gave K/S 0.30, 0.55 and 0.80: for 1.05 it takes 1.5 g in all."""
    base, unit = fitted([[0.0], [0.5], [1.0]], [0.30, 0.55, 0.80])
    (whole,) = amounts_for((1.05,), (base,), ((unit,),))
    assert whole == pytest.approx(1.5, abs=1e-8)


AMOUNT = st.floats(0, 3)


@given(st.lists(st.tuples(AMOUNT, AMOUNT, AMOUNT), min_size=4, max_size=8), st.data())
def test_trials_are_fitted_as_by_a_general_library(amounts, data):
    """No part of the fit is below 0; where the trials leave a choice, no better fit is there."""
    seen = data.draw(st.lists(st.floats(0, 5), min_size=len(amounts), max_size=len(amounts)))
    rows = [[1.0, *line] for line in amounts]
    found = fitted(amounts, seen)
    _, off = nnls(rows, seen)
    ours = sum(
        (y - sum(a * x for a, x in zip(row, found, strict=True))) ** 2
        for row, y in zip(rows, seen, strict=True)
    )
    assert min(found) >= 0
    assert ours <= off**2 + 1e-4


def test_dyes_that_the_bands_cannot_tell_apart_are_kept_where_they_are():
    """Two dyes alike: any split gives the colour, and the one nearest to the jug's is taken."""
    alike = ((1.0, 0.5, 0.2), (1.0, 0.5, 0.2))
    keep = ((0.6, 1e-6), (0.2, 1e-6))
    found = amounts_for((1.0, 0.5, 0.2), (0.0, 0.0, 0.0), alike, drawn=keep)
    assert sum(found) == pytest.approx(1.0, abs=1e-4)
    assert found[0] - found[1] == pytest.approx(0.4, abs=1e-3)


def test_no_amount_is_ever_below_nothing():
    """A target paler than the base needs no dye, not less than none."""
    assert amounts_for((0.01,), BASE, UNIT) == (0.0,)
