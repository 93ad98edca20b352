"""What is read off castings: wet and cured, meter and photograph."""

import pytest

from recipes.tint_castings import METER, PHOTO, WET, WET_SPREAD, Past, cured, seen_in, with_pairs
from recipes.tint_ledger import Dose, Ledger, Trial

JUG = Ledger("B7", 1000.0).added(Dose("black", 2.0))


def pair(wet, dry):
    return Trial((), lab=dry, wet_lab=wet)


def test_before_a_pair_was_measured_wet_is_taken_to_look_darker():
    ledger = JUG.tested(Trial(JUG.amounts, wet_lab=(50.0, 1.0, 2.0)))
    (seen,) = seen_in(ledger, Past())
    assert seen.lab == (50.0 + WET[0], 1.0, 2.0)
    assert seen.spread[0] > WET_SPREAD


def test_pairs_teach_how_cured_differs_from_wet():
    """Three pairs that are 5, 6 and 7 lighter when cured; the guess of 3 counts as one more."""
    past = with_pairs(Past(), [pair((40.0, 0, 0), (40.0 + d, 0, 0)) for d in (5.0, 6.0, 7.0)])
    assert past.pairs == 3
    assert past.wet[0] == pytest.approx((3 + 5 + 6 + 7) / 4)
    assert cured((60.0, 2.0, -1.0), past) == pytest.approx((65.25, 2.0, -1.0))
    assert past.wet_spread[0] < WET_SPREAD


def test_pairs_that_disagree_leave_more_open():
    alike = with_pairs(Past(), [pair((40.0, 0, 0), (46.0, 0, 0))] * 4)
    apart = with_pairs(Past(), [pair((40.0, 0, 0), (40.0 + d, 0, 0)) for d in (0, 12, 1, 11)])
    assert apart.wet_spread[0] > 2 * alike.wet_spread[0]


def test_a_trial_that_is_no_pair_teaches_nothing_of_wet():
    assert with_pairs(Past(), [Trial((), lab=(50.0, 0, 0)), Trial((), judge=None)]) == Past()


def test_a_cured_reading_counts_before_a_wet_one():
    ledger = JUG.tested(Trial(JUG.amounts, lab=(55.0, 0, 0), wet_lab=(50.0, 0, 0)))
    (seen,) = seen_in(ledger, Past())
    assert (seen.lab, seen.spread) == ((55.0, 0, 0), (METER,) * 3)


def test_a_photograph_leaves_more_open_than_a_meter():
    ledger = JUG.tested(Trial(JUG.amounts, lab=(55.0, 0, 0), rough=True))
    assert seen_in(ledger, Past())[0].spread == (PHOTO,) * 3


def test_a_judged_trial_is_no_measured_one():
    assert seen_in(JUG.tested(Trial(JUG.amounts)), Past()) == ()
