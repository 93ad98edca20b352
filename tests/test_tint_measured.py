"""How much dye a measured target needs, in jugs whose colour is computed wavelength by wavelength.

The observer, the lamp and the conversion are a general colour library's (colour-science); the fit,
with its three bands, has seen none of it.
"""

from random import Random

import pytest

from recipes.colour import ciede2000
from recipes.tint_castings import Past
from recipes.tint_ledger import Dose, Ledger, Trial
from recipes.tint_likely import Likely
from recipes.tint_measured import learned, needed
from tests.kit_tint import DYES, filled, world


def fitted(ledger: Ledger, past: Past | None = None) -> Likely:
    assert ledger.target_lab is not None
    found = needed(ledger, ledger.target_lab, past or Past(), 0.001)
    assert found is not None
    return found


@pytest.mark.parametrize("name", sorted(DYES))
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_one_dye_is_foretold_from_the_base_and_one_trial(name, share):
    """The meter true to 0.05: what is needed lies in the range, its middle 10 % off at most."""
    truth = world(3, (name,), noise=0.05)
    found = fitted(truth.begun(1000.0, share))
    wanted = truth.wanted[name]
    assert found.amount(0, 0.025) < wanted < found.amount(0, 0.975)
    assert found.amount(0, 0.5) == pytest.approx(wanted, rel=0.10)
    assert found.left is not None
    assert found.left < 2.0


def test_without_a_trial_of_the_base_the_least_is_still_safe():
    """That the base may have a colour of its own only raises what is needed."""
    truth = world(5, ("black",), noise=0.05)
    found = fitted(truth.begun(1000.0, 0.4, bare=False))
    assert found.amount(0, 0.02) < truth.wanted["black"] < found.amount(0, 0.99)


def test_two_dyes_are_foretold_from_a_trial_of_each():
    for seed in range(4):
        truth = world(seed, ("black", "blue"), noise=0.1)
        found = fitted(truth.begun(1000.0, 0.5))
        for k, name in enumerate(found.names):
            wanted = truth.wanted[name]
            assert found.amount(k, 0.01) < wanted < found.amount(k, 0.99)
            assert found.amount(k, 0.5) == pytest.approx(wanted, rel=0.25)


def test_what_is_likely_covers_the_truth_as_often_as_it_says():
    """40 jugs, meters that scatter by 0.5: of the dyes' needs about 2 % lie below the 2 % point."""
    below, middle, dyes = 0, 0, 0
    for seed in range(40):
        names = tuple(sorted(DYES))[seed % 3 : seed % 3 + 1 + seed % 2]
        truth = world(seed, names, noise=0.5)
        found = fitted(truth.begun(1000.0, Random(seed).uniform(0.2, 0.8)))
        for k, name in enumerate(found.names):
            dyes += 1
            below += truth.wanted[name] < found.amount(k, 0.02)
            middle += truth.wanted[name] < found.amount(k, 0.5)
    assert below <= 3
    assert 0.25 * dyes < middle < 0.75 * dyes


def test_trials_near_the_target_leave_less_open():
    truth = world(1, ("black",), noise=0.3)
    far = fitted(truth.begun(1000.0, 0.2))
    near = fitted(truth.begun(1000.0, 0.9))
    width = [one.amount(0, 0.975) - one.amount(0, 0.025) for one in (far, near)]
    assert width[1] < 0.6 * width[0]


def test_a_meter_that_scatters_widens_the_range():
    """Six trials of the same jug that differ by several units: the scatter is believed."""
    truth = world(1, ("black",), noise=0.05)
    calm = truth.begun(1000.0, 0.6)
    wild = calm
    for k in range(6):
        l, a, b = truth.lab(dict(calm.amounts))  # noqa: E741
        off = 3.0 if k % 2 else -3.0
        wild = wild.tested(Trial(calm.amounts, lab=(l + off, a, b)))
        calm = truth.measured(calm)
    width = [f.amount(0, 0.975) - f.amount(0, 0.025) for f in (fitted(calm), fitted(wild))]
    assert width[1] > 1.5 * width[0]


def test_the_distance_is_that_of_the_jug_as_it_is():
    truth = world(2, ("blue",), noise=0.05)
    ledger = truth.begun(1000.0, 0.5)
    assert ledger.target_lab is not None
    expected = ciede2000(truth.lab(dict(ledger.amounts)), ledger.target_lab)
    assert fitted(ledger).distance == pytest.approx(expected, abs=1.0)


def test_a_hue_that_these_dyes_do_not_have_is_left():
    """A red target, and only black in the jug."""
    truth = world(2, ("red",), noise=0.05)
    ledger = Ledger("B7", 1000.0, truth.lab(truth.wanted))
    black = world(2, ("black",), noise=0.05)
    ledger = black.measured(black.measured(ledger).added(Dose("black", 0.3)))
    found = fitted(ledger)
    assert found.left is not None
    assert found.left > 6.0


def test_a_dye_that_no_casting_shows_is_not_guessed_at():
    truth = world(2, ("black", "blue"), noise=0.05)
    ledger = truth.begun(1000.0, 0.5).added(Dose("red", 0.1))
    assert ledger.target_lab is not None
    assert needed(ledger, ledger.target_lab, Past(), 0.001) is None


# -- what earlier jugs teach -------------------------------------------------------------------


def test_a_dye_known_from_another_jug_is_foretold_before_the_first_trial():
    past = Past()
    for seed in (1, 2):
        past = learned(past, filled(world(seed, ("black",), noise=0.2).begun(1000.0, 0.6), "B6"))
    truth = world(7, ("black",), noise=0.2)
    ledger = Ledger("B7", 2000.0, truth.lab(truth.wanted)).added(Dose("black", 0.1))
    found = fitted(ledger, past)
    assert found.amount(0, 0.02) < truth.wanted["black"] < found.amount(0, 0.98)
    assert found.amount(0, 0.5) == pytest.approx(truth.wanted["black"], rel=0.35)


def test_what_is_known_of_a_dye_narrows_what_a_first_trial_says():
    truth = world(9, ("black", "blue"), noise=0.3)
    past = learned(Past(), world(4, ("black", "blue"), noise=0.3).begun(1000.0, 0.6))
    ledger = Ledger("B7", 1000.0, truth.lab(truth.wanted))
    for name, amount in truth.wanted.items():
        ledger = ledger.added(Dose(name, 0.4 * amount * 1000))
    ledger = truth.measured(ledger)  # both at once: by itself it does not tell them apart
    width = [
        found.amount(1, 0.975) - found.amount(1, 0.025)
        for found in (fitted(ledger), fitted(ledger, past))
    ]
    assert width[1] < 0.8 * width[0]


def test_a_jug_that_was_only_looked_at_teaches_nothing_of_dyes():
    ledger = Ledger("B6", 1000.0).added(Dose("black", 1.0))
    assert learned(Past(), ledger.tested(Trial(ledger.amounts))) == Past()


def test_a_small_dose_on_a_coarse_scale_leaves_more_open():
    truth = world(1, ("black",), noise=0.05)
    ledger = truth.begun(1000.0, 0.9)
    assert ledger.target_lab is not None
    coarse = needed(ledger, ledger.target_lab, Past(), 1.0)
    assert coarse is not None
    fine = fitted(ledger)
    now = dict(ledger.amounts)["black"]
    assert coarse.amount(0, 0.975) - now > 1.05 * (fine.amount(0, 0.975) - now)


def test_the_same_ledger_is_answered_the_same_each_time():
    ledger = world(1, ("black",), noise=0.2).begun(1000.0, 0.5)
    assert fitted(ledger) == fitted(ledger)


def test_every_dose_taken_leads_nearer():
    """Half of what is likely needed each time: five rounds on, the colours are hardly apart."""
    truth = world(8, ("black", "ochre"), noise=0.2)
    ledger = truth.begun(1000.0, 0.3)
    for _ in range(5):
        found = fitted(ledger)
        for k, name in enumerate(found.names):
            short = found.amount(k, 0.3) - dict(ledger.amounts)[name]
            if short > 0:
                ledger = ledger.added(Dose(name, short * ledger.base_g))
        ledger = truth.measured(ledger)
    assert ledger.target_lab is not None
    assert ciede2000(truth.lab(dict(ledger.amounts)), ledger.target_lab) < 1.5
