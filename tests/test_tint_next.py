"""The next dose, and what saves a jug: measured jugs as in `kit_tint`, judged ones by hand."""

from __future__ import annotations

import pytest

from recipes.colour import ciede2000
from recipes.tint_castings import Past
from recipes.tint_ledger import Dose, Ledger, Trial
from recipes.tint_next import likely, next_dose
from recipes.tint_rescue import rescue
from tests.kit_tint import World, dosed, judged, jug, world

# -- approaching, never passing ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "noise"), [(("black",), 0.3), (("black", "blue"), 0.3), (("red", "ochre"), 0.5)]
)
def test_doses_on_measured_trials_come_near_and_seldom_pass(names, noise):
    """Five jugs, five doses each at a risk of 2 %: the colours end close together."""
    passed, given, ends = 0, 0, []
    for seed in range(5):
        truth = world(seed, names, noise)
        ledger = truth.begun(1000.0, 0.3)
        for _ in range(5):
            before = truth.beyond(ledger)
            add = next_dose(ledger, Past(), division_g=0.001).add
            ledger = dosed(ledger, add)
            given += bool(add)
            passed += len(truth.beyond(ledger)) > len(before)
            ledger = truth.measured(ledger)
        ends.append(min(a / truth.wanted[n] for n, a in ledger.amounts))
    assert passed <= max(1, 0.06 * given)
    assert sorted(ends)[len(ends) // 2] > 0.65


def mixed(truth: World, ledger: Ledger) -> Ledger:
    """A measured trial mix, beside the jug, of what is likely needed."""
    found = likely(ledger, Past(), 0.001)
    assert not isinstance(found, str)
    amounts = tuple(
        (name, max(found.amount(k, 0.5), now)) for k, (name, now) in enumerate(ledger.amounts)
    )
    l, a, b = (v + truth.random.gauss(0, truth.noise) for v in truth.lab(dict(amounts)))  # noqa: E741
    return ledger.tested(Trial(amounts, lab=(l, a, b)))


def test_three_dyes_that_stand_in_for_one_another_come_near_all_the_same():
    """Four jugs, five doses each, before each a trial mix of what is likely needed.

    What is too much of one dye by less than is seen holds no dose up.
    """
    passed, nearer = 0, []
    for seed in range(4):
        truth = world(seed + 10, ("black", "blue", "ochre"), 0.3)
        ledger = truth.begun(1000.0, 0.3)
        target = ledger.target_lab
        begun = ciede2000(truth.lab(dict(ledger.amounts)), target)
        for _ in range(5):
            before, ledger = truth.beyond(ledger), mixed(truth, ledger)
            ledger = dosed(ledger, next_dose(ledger, Past(), division_g=0.001).add)
            passed += len(truth.beyond(ledger)) > len(before)
        nearer.append(ciede2000(truth.lab(dict(ledger.amounts)), target) / begun)
    assert passed <= 1
    assert sorted(nearer)[2] < 0.6


def test_a_smaller_risk_gives_a_smaller_dose():
    ledger = world(1, ("black",), noise=0.3).begun(1000.0, 0.4)
    cautious, bold = (next_dose(ledger, Past(), risk).add[0].grams for risk in (0.5, 20.0))
    assert cautious < bold


def test_a_dose_tells_between_what_the_need_lies():
    truth = world(1, ("black",), noise=0.3)
    ledger = truth.begun(1000.0, 0.4)
    (one,) = next_dose(ledger, Past(), 2.0, 0.01).add
    short = (truth.wanted["black"] - dict(ledger.amounts)["black"]) * ledger.base_g
    assert one.low_g <= one.grams <= one.best_g <= one.high_g
    assert one.low_g < short < one.high_g
    assert one.error_pct == pytest.approx(100 * 0.776 * 0.01 / one.grams, rel=1e-2)


def test_a_concentrate_is_dosed_as_it_is_weighed():
    """The same jug with its dye from a bottle at a tenth: ten times the mass, and a little."""
    truth = world(1, ("black",), noise=0.05)
    neat = truth.begun(1000.0, 0.4)
    weak = Ledger(
        "B7",
        neat.base_g,
        neat.target_lab,
        neat.dyes,
        (Dose("black", 10 * neat.dye_g, 0.1),),
        neat.trials,
    )
    (one,), (ten,) = (next_dose(one, Past()).add for one in (neat, weak))
    assert ten.strength == 0.1
    assert ten.grams == pytest.approx(10 * one.grams, rel=0.02)
    assert dosed(weak, (ten,)).amounts[0][1] == pytest.approx(
        dosed(neat, (one,)).amounts[0][1], rel=0.005
    )


@pytest.mark.parametrize("judge", ["match", "darker"])
def test_a_match_or_a_hair_dark_gets_no_more(judge):
    """Aim a hair dark: common practice, no source."""
    advice = next_dose(
        judged(jug(black=4.0), judge, None if judge == "match" else "slight"), Past()
    )
    assert advice.add == ()
    assert ("matches" if judge == "match" else "A hair dark is the side to be on") in advice.why


def test_a_light_jug_is_darkened_and_a_dark_one_only_diluted():
    """Common practice, no source: that is why a hair dark is better than a hair light."""
    light, dark = (judged(jug(black=4.0), how, "strong") for how in ("lighter", "darker"))
    assert next_dose(light, Past()).add[0].grams > 0
    assert rescue(light, Past()).base_to_add_g == 0
    assert next_dose(dark, Past()).add == ()
    assert rescue(dark, Past()).base_to_add_g > 0


def test_what_leans_to_a_dye_gets_none_of_it():
    ledger = judged(jug(black=4.0, blue=2.0), "lighter", "clear", toward="blue")
    assert [one.dye for one in next_dose(ledger, Past()).add] == ["black"]


def test_where_nothing_can_be_said_it_is_said_what_to_do():
    assert "no dye in jug B7 yet" in next_dose(Ledger("B7", 1000.0), Past()).why
    unseen = next_dose(jug(black=1.0), Past())
    assert (unseen.add, "No trial of jug B7 with black" in unseen.why) == ((), True)
    measured = jug(black=1.0).tested(Trial(jug(black=1.0).amounts, lab=(50.0, 0.0, 0.0)))
    assert "the master was not" in next_dose(measured, Past()).why


def test_a_dose_too_small_for_the_scale_says_how_far_to_let_the_dye_down():
    """On 0.1 g a dose of a few tenths is wide open: a weaker concentrate weighs more."""
    advice = next_dose(judged(jug(black=1.0), "lighter", "clear"), Past(), 2.0, 0.1)
    assert advice.add[0].error_pct > 5.0
    assert "let it down with base to a strength of" in advice.why


# -- rescue ------------------------------------------------------------------------------------


def test_a_jug_twice_too_dark_needs_about_its_own_mass_of_base():
    """Measured: twice the wanted amount of dye for a gram of base, so as much base again."""
    truth = world(1, ("black",), noise=0.05)
    ledger = truth.begun(1000.0, 0.6)
    more = 2 * truth.wanted["black"] * ledger.base_g - ledger.dye_g
    ledger = truth.measured(ledger.added(Dose("black", more)))
    found = rescue(ledger, Past(), 0.001, needed_g=3000.0)
    assert found.base_to_add_g == pytest.approx(1000.0, rel=0.15)
    assert found.low_g < found.base_to_add_g < found.high_g
    assert found.jug_g_after == pytest.approx(ledger.jug_g + found.base_to_add_g, abs=0.01)
    assert f"needs {3000.0 - found.jug_g_after:.0f} g more" in found.why


def test_a_jug_that_grows_past_the_order_says_so():
    ledger = judged(jug(black=4.0), "darker", "strong")
    found = rescue(ledger, Past(), 0.01, needed_g=500.0)
    assert found.base_to_add_g > 100.0
    assert "more than the 500 g that the order needs" in found.why


def test_thinning_one_dye_leaves_the_other_lacking():
    truth = world(1, ("black", "blue"), noise=0.05)
    ledger = truth.begun(1000.0, 0.9)
    black = 2.0 * truth.wanted["black"] * ledger.base_g - dict(ledger.dyes)["black"]
    ledger = truth.measured(ledger.added(Dose("black", black)))
    found = rescue(ledger, Past(), 0.001)
    assert found.base_to_add_g == pytest.approx(1000.0, rel=0.3)
    assert "It will then lack blue" in found.why


def test_a_jug_that_is_not_too_dark_needs_no_base_and_still_says_what_the_order_needs():
    found = rescue(judged(jug(black=4.0), "lighter", "clear"), Past(), 0.01, needed_g=2500.0)
    assert (found.base_to_add_g, found.jug_g_after) == (0.0, 1004.0)
    assert "no base is needed" in found.why
    assert "The order needs 1496 g more than the jug holds." in found.why
    done = rescue(judged(jug(black=4.0), "lighter", "clear"), Past(), 0.01, needed_g=0.0)
    assert "needs nothing more of it" in done.why


def test_a_dye_that_the_target_hardly_has_cannot_be_thinned_away():
    """A red master and a jug full of black."""
    truth = world(2, ("red",), noise=0.05)
    ledger = Ledger("B7", 1000.0, truth.lab(truth.wanted))
    black = world(2, ("black",), noise=0.05)
    ledger = black.measured(black.measured(ledger).added(Dose("black", 8.0)))
    found = rescue(ledger, Past(), 0.001)
    assert found.base_to_add_g is None
    assert "No base saves this jug" in found.why


def test_what_cannot_be_reckoned_is_said():
    found = rescue(jug(black=1.0), Past())
    assert (found.base_to_add_g, found.needed_g) == (None, None)
    assert "No trial" in found.why
