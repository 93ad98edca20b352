"""The jug's ledger: masses and strengths a person can check by hand."""

from math import sqrt
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recipes.amounts import Item
from recipes.tint_ledger import (
    Dose,
    Ledger,
    LedgerError,
    Trial,
    doses_to,
    same_colour,
    spread_of,
    strength_for,
    trial_error_pct,
    weighing_error_pct,
)


def jug(*doses: Dose, base_g: float = 1000.0) -> Ledger:
    ledger = Ledger("B7", base_g)
    for dose in doses:
        ledger = ledger.added(dose)
    return ledger


def after(ledger: Ledger, doses: tuple[Dose, ...]) -> Ledger:
    for dose in doses:
        ledger = ledger.added(dose)
    return ledger


def test_doses_of_several_dyes_add_up():
    ledger = jug(Dose("black", 2.0), Dose("blue", 1.5), Dose("black", 0.5))
    assert ledger.dyes == (("black", 2.5), ("blue", 1.5))
    assert ledger.jug_g == 1004.0
    assert ledger.fraction == pytest.approx(4 / 1004)


def test_a_concentrate_brings_dye_and_base():
    """10 g at 20 % are 2 g of dye and 8 g of base."""
    ledger = jug(Dose("black", 10.0, 0.2))
    assert (ledger.base_g, dict(ledger.dyes)) == (1008.0, {"black": 2.0})
    assert ledger.strength("black") == 0.2
    assert ledger.strength("blue") == 1.0


def test_the_jugs_fraction_is_what_the_dispense_corrects_by():
    """90 g of neat base out of a jug that is 2 % dye are 91.8367 g on the scale.

    Computed: 90 / 0.98.
    """
    ledger = jug(Dose("black", 20.0), base_g=980.0)
    assert ledger.fraction == pytest.approx(0.02)
    item = Item("B", 1.0, dye_share=ledger.fraction)
    assert item.poured_g(90.0) == pytest.approx(91.8367, rel=1e-5)


@pytest.mark.parametrize(
    ("strength", "grams"), [(0.10, 2.04082), (1.0, 0.20040)], ids=["concentrate", "neat"]
)
def test_a_dose_takes_account_of_what_it_thins(strength, grams):
    """250 g from 0.12 % to 0.20 %: M (c2 - c1) / (k - c2), computed."""
    ledger = jug(Dose("black", 0.12, strength=1.0), base_g=99.88)
    ledger = Ledger(
        "B7", ledger.base_g * 2.5, dyes=(("black", 0.3),), doses=(Dose("black", 1, strength),)
    )
    (dose,) = doses_to(ledger, {"black": 0.002 / 0.998})
    assert dose.grams == pytest.approx(grams, rel=1e-5)
    assert ledger.added(dose).fraction == pytest.approx(0.002)


def test_untinted_base_thins_all_dyes_alike():
    ledger = jug(Dose("black", 2.0), Dose("blue", 1.0)).diluted(1000.0)
    assert dict(ledger.amounts) == {"black": 0.001, "blue": 0.0005}


def test_what_is_drawn_takes_dye_along():
    ledger = jug(Dose("black", 10.0), base_g=990.0)
    half = ledger.drawn(500.0)
    assert (half.base_g, dict(half.dyes)) == (495.0, {"black": 5.0})
    assert half.fraction == pytest.approx(ledger.fraction)
    with pytest.raises(LedgerError, match="holds 1000 g; 1000 g cannot come out"):
        ledger.drawn(1000.0)


def test_a_trial_mix_has_more_dye_than_the_jug():
    """50 g of a jug at 1 % with 0.25 g more, weighed as a concentrate of 10 %."""
    ledger = jug(Dose("black", 10.0), base_g=990.0)
    ((name, amount),) = ledger.mixed(50.0, [Dose("black", 2.5, 0.1)])
    assert (name, amount) == ("black", pytest.approx((0.5 + 0.25) / (49.5 + 2.25)))


def test_a_trial_mix_with_a_dye_that_the_jug_lacks_is_refused():
    with pytest.raises(LedgerError, match=r"no red in jug B7 yet.*In it: black"):
        jug(Dose("black", 1.0)).mixed(50.0, [Dose("red", 0.1)])


def test_the_same_colour_for_a_smaller_jug():
    """Half of a jug of 1000 g base, 8 g neat black and 10 g of a 20 % blue."""
    ledger = jug(Dose("black", 8.0), Dose("blue", 10.0, 0.2))
    other = same_colour(ledger, 509.0)
    assert other.base_g == pytest.approx(500.0)
    assert [(d.dye, d.grams, d.strength) for d in other.doses] == [
        ("black", pytest.approx(4.0), 1.0),
        ("blue", pytest.approx(5.0), 0.2),
    ]
    poured = after(Ledger("B8", other.base_g), other.doses)
    assert dict(poured.amounts) == pytest.approx(dict(ledger.amounts))


def test_concentrates_that_would_overfill_a_jug_are_refused():
    ledger = jug(Dose("black", 40.0), base_g=60.0)
    weak = Ledger("B7", 60.0, dyes=ledger.dyes, doses=(Dose("black", 1.0, 0.1),))
    with pytest.raises(LedgerError, match="overfill"):
        same_colour(weak, 100.0)


AMOUNTS = st.tuples(*[st.floats(0.0, 0.01)] * 3)
STRENGTHS = st.tuples(*[st.sampled_from([1.0, 0.5, 0.1])] * 3)


@given(AMOUNTS, AMOUNTS, STRENGTHS)
def test_doses_come_to_what_is_wanted_and_pass_nothing(held, wanted, strengths):
    """A dye short of its amount comes to it; one beyond it gets nothing."""
    names = ("black", "blue", "red")
    ledger = jug(*(Dose(n, 1e-6, f) for n, f in zip(names, strengths, strict=True)))
    dyes = tuple((n, 1000 * a) for n, a in zip(names, held, strict=True))
    ledger = Ledger("B7", 1000.0, dyes=dyes, doses=ledger.doses)
    doses = doses_to(ledger, dict(zip(names, wanted, strict=True)))
    assert all(dose.grams > 0 for dose in doses)
    then = dict(after(ledger, doses).amounts)
    for name, before, goal in zip(names, held, wanted, strict=True):
        if name in {dose.dye for dose in doses}:
            assert then[name] == pytest.approx(goal, rel=1e-9)
        else:
            assert then[name] <= before * (1 + 1e-12)


def test_a_concentrate_that_is_too_weak_says_so():
    ledger = jug(Dose("black", 1.0, 0.01))
    with pytest.raises(LedgerError, match="too weak"):
        doses_to(ledger, {"black": 0.02})


# -- what the scale leaves open ----------------------------------------------------------------


def test_a_dose_is_a_difference_of_two_rounded_readings():
    """The 95 % range of such a difference, against drawing it many times."""
    random = Random(1)
    off = sorted(
        abs(round(a / 0.1) * 0.1 - round(b / 0.1) * 0.1 - (a - b))
        for a, b in ((random.uniform(50, 60), random.uniform(40, 50)) for _ in range(20_000))
    )
    assert weighing_error_pct(1.0, 0.1) / 100 == pytest.approx(off[19_000], abs=0.002)


def test_what_a_division_leaves_open():
    """0.776 of a division: of 2 g on 0.01 g that is 0.39 %, of 0.05 g on 0.1 g 155 %."""
    assert weighing_error_pct(2.0, 0.01) == pytest.approx(0.388, abs=1e-3)
    assert weighing_error_pct(0.05, 0.1) == pytest.approx(155.3, abs=0.1)


def test_a_small_trial_mix_adds_both_weighings():
    dye, rest = weighing_error_pct(0.5, 0.01), weighing_error_pct(49.5, 0.01)
    assert trial_error_pct(50.0, 0.5, 0.01) == pytest.approx(sqrt(dye**2 + rest**2))


def test_how_far_to_let_a_dye_down():
    """0.05 g to within 5 % on 0.01 g: a dose of 0.155 g, so a strength of 0.32."""
    strength = strength_for(0.05, 0.01, 5.0)
    assert strength == pytest.approx(0.322, abs=1e-3)
    assert weighing_error_pct(0.05 / strength, 0.01) == pytest.approx(5.0)
    assert strength_for(5.0, 0.01, 5.0) == 1.0


def test_weighing_often_spreads_less_than_it_adds():
    once = jug(Dose("black", 2.0))
    often = jug(*[Dose("black", 0.5)] * 4)
    assert spread_of(once, "black", 0.01) == pytest.approx(0.01 / sqrt(6) / 2)
    assert spread_of(often, "black", 0.01) == pytest.approx(2 * spread_of(once, "black", 0.01))
    assert spread_of(once, "blue", 0.01) == 0.0


def test_a_trial_knows_what_was_in_it():
    trial = Trial((("black", 0.002),))
    assert (trial.amount("black"), trial.amount("blue")) == (0.002, 0.0)
