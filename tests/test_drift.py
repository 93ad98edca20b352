"""A drift is said in a sentence before it spoils a batch; ordinary scatter never is."""

from random import Random
from statistics import pvariance

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.drift import LOOKS_BACK, drift_of, watch

CALM = (0.1, -0.1, 0.0, 0.1, -0.2, 0.0, 0.1, -0.1, 0.2, -0.1)
"""Landings of somebody who is well, on a scale of tenths."""


def part(name, errors):
    return [(name, error) for error in errors]


# --- what is said --------------------------------------------------------------------------------


def test_landings_that_stay_high_are_told_with_how_often_and_by_how_much():
    said = watch(part("A", (*CALM, 0.4, 0.4, 0.5, 0.4, 0.4)), [])
    assert said == (
        "A has landed high five times running, by about 0.4 g: the scale, the hand or how A flows "
        "has shifted; check the scale with a known mass before the next cup."
    )


def test_both_parts_that_stay_low_are_told_together():
    low = (*CALM, 0.1, *(-0.5,) * 6)
    both = [
        landing for pair in zip(part("A", low), part("B", low), strict=True) for landing in pair
    ]
    assert watch(both, []).startswith(
        "A and B have landed low six times running, by about 0.5 g: the scale or the hand has "
    )


def test_three_parts_are_listed():
    high = (*CALM, 0.5, 0.5, 0.5, 0.5, 0.5)
    landings = [landing for name in "ABC" for landing in part(name, high)]
    assert watch(landings, []).startswith("A, B and C have landed high five times running")


def test_the_one_that_strays_is_named_and_the_other_is_not():
    landings = [*part("A", CALM), *part("B", (*CALM, 0.5, 0.5, 0.5, 0.5, 0.5))]
    assert watch(landings, []).startswith("B has landed high five times running")


def test_a_ratio_that_stays_off_is_told_where_no_landing_is():
    ratios = (0.2, -0.3, 0.1, 0.0, -0.1, -0.2, 0.3, -0.9, -1.0, -0.8, -0.9, -0.9)
    assert watch(part("A", CALM), ratios) == (
        "The mix ratio has come out low five times running, by about 0.9 % (too little of the "
        "later part): check the scale with a known mass and the ratio against the data sheet "
        "before the next cup."
    )


def test_a_finer_scale_tells_of_a_smaller_drift():
    errors = [error / 10 for error in (*CALM, 0.4, 0.4, 0.5, 0.4, 0.4)]
    assert watch(part("A", errors), []) == ""
    assert "five times running, by about 0.04 g" in watch(part("A", errors), [], division_g=0.01)


def test_a_long_run_is_told_in_figures():
    assert "high 13 times running" in watch(part("A", (*CALM, *(0.4,) * 13)), [])


# --- what is not ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "errors",
    [
        (),
        (0.5,) * 5,
        CALM,
        (*CALM, 2.6),
        (*CALM, 0.1, 1.2, 1.8, -0.1, 0.2, 1.5),
        (*CALM, 0.4, 0.4, 0.4),
        (*(0.6,) * 12, 0.0, -0.1, 0.1, 0.0),
        (0.08, 0.06, 0.09, 0.07) * 5,
    ],
    ids=[
        "nothing poured yet",
        "too few to tell",
        "a calm hand",
        "one slip of attention",
        "slips now and then",
        "a run of three",
        "a drift that is over",
        "a shift below the division",
    ],
)
def test_no_word_is_said_of(errors):
    assert watch(part("A", errors), list(errors)) == ""


def hand(rng, slips=0.1):
    """A landing like those of the pour simulator: tight, to a tenth, with a tail of overshoots."""
    error = rng.gauss(0.0, 0.13)
    return round(error + (rng.uniform(0.5, 2.5) if rng.random() < slips else 0.0), 1)


def told_in_an_order(seed, shift=0.0, batches=40):
    """After which batch a drift is first told, None where none is."""
    rng, landings, ratios = Random(seed), [], []
    for batch in range(batches):
        off = shift if batch >= 15 else 0.0
        a, b = hand(rng) + off, hand(rng) + off
        landings += [("A", a), ("B", b)]
        ratios.append(100 * ((63.2 + b) / (69.5 + a) * 69.5 / 63.2 - 1))
        if watch(landings, ratios):
            return batch
    return None


def test_ordinary_scatter_is_told_in_fewer_than_one_order_in_twenty():
    """40 batches of two parts each, strays included; nobody's hand or scale has shifted."""
    told = sum(told_in_an_order(seed) is not None for seed in range(300))
    assert told / 300 < 0.05


def test_a_shift_of_half_a_gram_is_told_within_a_few_batches():
    found = [told_in_an_order(seed, 0.5) for seed in range(1000, 1100)]
    waits = [batch - 15 for batch in found if batch is not None and batch >= 15]
    assert len(waits) > 95
    assert sorted(waits)[50] <= 5


def test_a_shift_of_two_sigma_is_told_before_the_order_is_over():
    found = [told_in_an_order(seed, 0.3) for seed in range(1000, 1100)]
    assert sum(batch is not None and batch >= 15 for batch in found) > 90


def test_why_nothing_is_corrected_by_itself():
    """The funnel's second rule doubles the variance (Deming, Out of the Crisis; from memory)."""
    rng = Random(3)
    aim, left, corrected = 0.0, [], []
    for _ in range(20_000):
        scatter = rng.gauss(0.0, 1.0)
        left.append(scatter)
        corrected.append(aim + scatter)
        aim -= corrected[-1]
    assert pvariance(corrected) / pvariance(left) == pytest.approx(2.0, rel=0.05)


# --- properties ----------------------------------------------------------------------------------

ERRORS = st.lists(st.floats(-5, 5), max_size=60)


@given(ERRORS)
def test_high_and_low_are_treated_alike(errors):
    found, mirrored = drift_of(errors, 0.1), drift_of([-error for error in errors], 0.1)
    assert (found is None) == (mirrored is None)
    if found is not None and mirrored is not None:
        assert (found.running, found.off) == (mirrored.running, -mirrored.off)


@given(ERRORS)
def test_a_drift_is_never_told_without_a_run_that_matters(errors):
    found = drift_of(errors, 0.1)
    if found is not None:
        run = errors[-found.running :]
        assert found.running >= 4
        assert abs(found.off) >= 0.1
        assert all((error > 0) is found.high for error in run)


@given(ERRORS, ERRORS)
def test_only_the_last_ones_count(errors, older):
    errors = errors + [0.3] * (LOOKS_BACK - len(errors))
    errors = errors[-LOOKS_BACK:]
    assert drift_of([*older, *errors], 0.1) == drift_of(errors, 0.1)
