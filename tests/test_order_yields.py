"""Counted pieces: how many to start, and the interval of a reject rate, against scipy."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from recipes.yields import chance_of_enough, pieces_to_start, share_at_most, share_interval


@pytest.mark.parametrize(
    ("need", "good_share", "confidence", "start"),
    [
        (100, 0.95, 0.90, 108),
        (100, 0.95, 0.95, 109),
        (100, 0.95, 0.99, 111),
        (50, 0.90, 0.95, 60),
        (24, 0.92, 0.95, 29),
        (12, 0.90, 0.95, 16),
        (10, 0.90, 0.95, 13),
        (10, 0.80, 0.95, 16),
        (1, 0.50, 0.95, 5),
    ],
)
def test_the_pieces_to_start_are_those_of_the_binomial(need, good_share, confidence, start):
    """Worked with scipy.stats.binom; one fewer would not do."""
    assert pieces_to_start(need, good_share, confidence) == start
    assert binom.sf(need - 1, start, good_share) >= confidence
    assert binom.sf(need - 1, start - 1, good_share) < confidence


def test_one_piece_that_is_good_every_other_time_can_be_checked_by_hand():
    """Chances 1/2, 3/4, 7/8: with 75 % two do, and a hair above asks for a third."""
    assert pieces_to_start(1, 0.5, 0.5) == 1
    assert pieces_to_start(1, 0.5, 0.75) == 2
    assert pieces_to_start(1, 0.5, 0.7501) == 3
    assert chance_of_enough(1, 3, 0.5) == pytest.approx(7 / 8)


def test_dividing_by_the_yield_falls_short():
    """100 of 106 at 95 % good come out in 72 of 100 runs only; scipy.stats.binom."""
    assert chance_of_enough(100, 106, 0.95) == pytest.approx(0.71997, abs=1e-5)
    assert chance_of_enough(100, 108, 0.95) == pytest.approx(0.90807, abs=1e-5)
    assert chance_of_enough(100, 109, 0.95) == pytest.approx(0.95330, abs=1e-5)


def test_without_rejects_none_are_started_on_top():
    assert pieces_to_start(150, 1.0, 0.9999) == 150
    assert pieces_to_start(0, 0.9, 0.95) == 0


@pytest.mark.parametrize(("good_share", "confidence"), [(0.0, 0.9), (1.1, 0.9), (0.9, 1.0)])
def test_what_no_number_of_pieces_could_reach_is_refused(good_share, confidence):
    with pytest.raises(ValueError, match="the good share is above 0"):
        pieces_to_start(10, good_share, confidence)


@settings(max_examples=80)
@given(
    need=st.integers(1, 3000),
    good_share=st.floats(0.02, 0.999),
    confidence=st.floats(0.01, 0.9999),
)
def test_it_is_the_smallest_number_whatever_is_asked(need, good_share, confidence):
    start = pieces_to_start(need, good_share, confidence)
    assert binom.sf(need - 1, start, good_share) >= confidence - 1e-8
    assert binom.sf(need - 1, start - 1, good_share) < confidence + 1e-8


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        (0, 30, 0, 0.11570),
        (2, 40, 0.00611, 0.16920),
        (3, 50, 0.01255, 0.16548),
        (19, 20, 0.75127, 0.99873),
    ],
)
def test_the_exact_interval_is_that_of_clopper_and_pearson(hits, of, low, high):
    """Worked with scipy.stats.binomtest(...).proportion_ci(method="exact")."""
    assert share_interval(hits, of) == pytest.approx((low, high), abs=1e-5)


@settings(max_examples=60)
@given(
    counted=st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    confidence=st.floats(0.5, 0.999),
)
def test_the_interval_agrees_with_a_general_library(counted, confidence):
    hits, of = counted
    exact = binomtest(hits, of).proportion_ci(confidence, method="exact")
    assert share_interval(hits, of, confidence) == pytest.approx(tuple(exact), abs=1e-7)


def test_no_rejects_in_thirty_still_leave_room_for_one_in_ten():
    """One-sided 95 %: 1 - 0.05 ** (1 / 30); the rule of three gives 0.100."""
    assert share_at_most(0, 30) == pytest.approx(0.09503, abs=1e-5)
    assert share_at_most(0, 30) == pytest.approx(1 - 0.05 ** (1 / 30))


def test_with_nothing_counted_nothing_is_known():
    assert share_interval(0, 0) == (0.0, 1.0)


def test_a_count_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="hits are from 0"):
        share_interval(4, 3)
