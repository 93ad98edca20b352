"""Targets, the dye's share, the ratio, and what a miss changes: numbers to check by hand."""

import pint
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from recipes.amounts import (
    DYE,
    basis,
    batch_for_pieces_g,
    concentrate_brings_g,
    concentrate_to_add_g,
    correction,
    dye_g,
    landing_tolerance_g,
    mixed_total_g,
    neat_g,
    ratio_error_pct,
    ratio_errors_pct,
    size_factor_g,
    targets_g,
)
from recipes.mix import intended, mixed
from recipes.model import Recipe


def recipe_of(*parts, shot_g=190.0, **more):
    """A recipe of (name, by_weight[, role]) parts, the rest as given."""
    tables = [
        {"name": name, "by_weight": weight, **({"role": role[0]} if role else {})}
        for name, weight, *role in parts
    ]
    times = {"pot_life_s": 180}
    return Recipe.model_validate(
        {"name": "Knob", "shot_g": shot_g, "part": tables, "times": times, **more}
    )


TWO = recipe_of(("A", 100), ("B", 90))


# --- targets -------------------------------------------------------------------------------------


def test_a_batch_is_shared_out_by_mass_parts():
    assert targets_g(basis(TWO), 190.0) == pytest.approx((100.0, 90.0))


def test_a_one_to_one_resin_for_eight_cavities():
    """Eight cavities took 170 g of a 1:1 resin, 85 g and 85 g, A first.

    Common practice, no source.
    """
    recipe = recipe_of(("A", 100), ("B", 100), shot_g=170.0)
    assert targets_g(basis(recipe), recipe.shot_g) == pytest.approx((85.0, 85.0))
    assert recipe.part_names == ("A", "B")


def test_pieces_to_grams():
    assert batch_for_pieces_g(6, 21.5, 2.0) == pytest.approx(131.0)


@pytest.mark.parametrize(
    ("volume_b", "density_a", "density_b", "weight_b"),
    [(50, 1.16, 0.96, 41.3793), (43, 1.16, 0.96, 35.5862), (100, 1.05, 1.10, 104.7619),
     (33.3, 1.13, 1.01, 29.7637)],
)  # fmt: skip
def test_volume_parts_become_weight_parts(volume_b, density_a, density_b, weight_b):
    """The weight ratio follows from each part's weight per volume and the volume ratio.

    Rule: Tex-614-J, section 2 (state materials test method), seen; the figures are computed.
    """
    recipe = volume_recipe(100, volume_b, density_a, density_b)
    a, b = targets_g(basis(recipe), 100.0)
    assert 100 * b / a == pytest.approx(weight_b, rel=1e-5)


def volume_recipe(volume_a, volume_b, density_a, density_b, shot_g=100.0):
    return Recipe.model_validate(
        {
            "name": "Knob",
            "shot_g": shot_g,
            "part": [
                {"name": "A", "by_volume": volume_a, "density": density_a},
                {"name": "B", "by_volume": volume_b, "density": density_b},
            ],
            "times": {"pot_life_s": 1800},
        }
    )


def test_the_volumes_of_a_mix_add_up_to_its_density():
    """100 g at 1.05 and 90 g at 1.10 g/mL are 1.07311 g/mL with no change of volume: computed."""
    volume_a, volume_b = 100 / 1.05, 90 / 1.10
    targets = targets_g(basis(volume_recipe(volume_a, volume_b, 1.05, 1.10)), 190.0)
    assert targets == pytest.approx((100.0, 90.0))
    assert sum(targets) / (volume_a + volume_b) == pytest.approx(1.07311, rel=1e-5)


def test_densities_are_grams_in_a_millilitre_whatever_the_sheet_says():
    """A density in lb/US gal becomes g/mL by the factor of a general library of units (pint).

    1 lb/US gal = 0.119826427317 g/mL, NIST SP 811 appendix B: from memory, pint gives the same.
    """
    units = pint.UnitRegistry()
    sheet = 9.68 * units.pound / units.gallon
    density = sheet.to("g/mL").magnitude
    assert density == pytest.approx(9.68 * 0.119826427317, rel=1e-11)
    a, b = targets_g(basis(volume_recipe(2, 1, density, 1.0)), 100.0)
    assert a / b == pytest.approx(2 * 1.15992, rel=1e-5)


def test_ounces_of_a_mold_come_out_as_grams():
    """6 oz avoirdupois is 170.097 g: 28.349523125 g each exactly, NIST HB 44 appendix C (pint)."""
    shot_g = (6 * pint.UnitRegistry().ounce).to("g").magnitude
    assert shot_g == pytest.approx(6 * 28.349523125, rel=1e-12)
    recipe = recipe_of(("A", 1), ("B", 1), shot_g=shot_g)
    assert targets_g(basis(recipe), shot_g)[0] == pytest.approx(85.0486, abs=1e-4)


@settings(deadline=None)
@given(
    st.floats(0.1, 1000), st.floats(0.1, 1000), st.floats(0.5, 3), st.floats(0.5, 3)
)  # fmt: skip
def test_by_volume_equals_by_the_weight_of_that_volume(v_a, v_b, rho_a, rho_b):
    by_weight = recipe_of(("A", v_a * rho_a), ("B", v_b * rho_b))
    by_volume = volume_recipe(v_a, v_b, rho_a, rho_b)
    assert targets_g(basis(by_volume), 100) == pytest.approx(targets_g(basis(by_weight), 100))


# --- following what was poured -------------------------------------------------------------------


def test_the_second_part_follows_the_first_ones_true_mass():
    """100:90, A poured 103.2 asks for 92.88 of B (check by hand: 103.2 x 0.9)."""
    assert targets_g(basis(TWO), 190.0, (103.2, None)) == pytest.approx((103.2, 92.88))
    assert targets_g(basis(TWO), 190.0, (99.0, None))[1] == pytest.approx(89.1)


def test_an_overshoot_of_the_second_part_asks_for_more_of_the_first():
    """94.5 of B at 100 of A: A comes to 105.0, 5.0 more, the batch is 5.0 % larger (by hand)."""
    plan = correction(basis(TWO), (100.0, 94.5))
    assert [(p.name, p.add_g) for p in plan.adds] == [("A", pytest.approx(5.0))]
    assert plan.parts[0].target_g == pytest.approx(105.0)
    assert plan.parts[1].add_g == 0
    assert plan.total_g == pytest.approx(199.5)
    assert plan.total_g / 190.0 == pytest.approx(1.05)
    assert plan.possible
    assert plan.why == "5.0 g more of A; the cup comes to 199.5 g"


def test_the_batch_is_as_large_as_its_most_plentiful_part_asks_for():
    assert size_factor_g(basis(TWO), (None, None)) is None
    assert size_factor_g(basis(TWO), (100.0, None)) == pytest.approx(190.0)
    assert size_factor_g(basis(TWO), (100.0, 94.5)) == pytest.approx(199.5)


def test_in_three_parts_the_ones_before_and_after_an_overshoot_both_follow():
    base = basis(recipe_of(("B", 100), ("powder", 50), ("A", 100), shot_g=250))
    assert targets_g(base, 250, (100.0, 55.0, None)) == pytest.approx((110.0, 55.0, 110.0))
    plan = correction(base, (100.0, 55.0, None))
    assert [(p.name, p.add_g) for p in plan.adds] == [("B", pytest.approx(10.0))]
    assert plan.parts[2].target_g == pytest.approx(110.0)
    assert plan.parts[2].add_g == 0
    assert plan.total_g == pytest.approx(275.0)


SHARES = st.lists(st.floats(1, 100), min_size=2, max_size=6)


@settings(deadline=None)
@given(SHARES, st.data())
def test_a_correction_brings_the_ratio_back_within_what_may_land(shares, data):
    recipe = recipe_of(*((f"P{i}", share) for i, share in enumerate(shares)), shot_g=500)
    base = basis(recipe)
    misses = data.draw(st.lists(st.floats(0.97, 1.3), min_size=len(shares), max_size=len(shares)))
    poured = [t * m for t, m in zip(targets_g(base, 500), misses, strict=True)]
    plan = correction(base, poured, division_g=0.0001)
    after = [part.target_g for part in plan.parts]
    assert all(now >= before - 1e-9 for now, before in zip(after, poured, strict=True))
    size = size_factor_g(base, after)
    assert size == pytest.approx(size_factor_g(base, poured))
    for item, grams in zip(base.items, after, strict=True):
        assert abs(grams - item.share * size) <= min(0.3, 0.02 * item.share * size) + 1e-9
    for part in plan.adds:
        exact = base.items[base.names.index(part.name)].share * size
        assert part.target_g == pytest.approx(exact)


@settings(deadline=None)
@given(SHARES, st.floats(0, 0.3), st.integers(0, 5), st.data())
def test_following_the_pour_keeps_the_ratio_to_the_last_part(shares, fraction, tinted, data):
    """Each part misses its target upwards; the next follow, and only what came before is short."""
    tinted %= len(shares)
    recipe = recipe_of(
        *((f"P{i}", share) for i, share in enumerate(shares)),
        dye={"in": f"P{tinted}", "fraction": fraction},
    )
    base = basis(recipe)
    first = targets_g(base, 190)[0] * data.draw(st.floats(0.95, 1.2))
    landed = [first] + [None] * (len(shares) - 1)
    for index in range(1, len(shares)):
        landed[index] = targets_g(base, 190, landed)[index]
    assert ratio_error_pct(base, landed) == pytest.approx(0, abs=1e-9)
    assert dye_g(base, landed) == pytest.approx(fraction * landed[tinted])


# --- ratio error and tolerance -------------------------------------------------------------------


def test_the_ratio_error_is_signed_and_in_percent():
    base = basis(TWO)
    assert ratio_error_pct(base, (100.0, 90.0)) == pytest.approx(0)
    assert ratio_error_pct(base, (100.0, 91.8)) == pytest.approx(2.0)
    assert ratio_error_pct(base, (100.0, 85.5)) == pytest.approx(-5.0)
    assert ratio_error_pct(base, (100.0, None)) is None
    assert ratio_error_pct(base, (None, None)) is None


@pytest.mark.parametrize(
    ("pct", "low", "high"), [(1, 89.1, 90.9), (2, 88.2, 91.8), (5, 85.5, 94.5)]
)
def test_the_window_for_the_second_part(pct, low, high):
    """100:90 held within 1, 2 and 5 %: exact by hand.

    That mixes are to be held within 5 % or better, 2 % where it matters, is guidance on two
    adhesive suppliers' pages, seen; it is no standard.
    """
    base = basis(TWO)
    assert ratio_error_pct(base, (100.0, low)) == pytest.approx(-pct)
    assert ratio_error_pct(base, (100.0, high)) == pytest.approx(pct)


def test_of_several_parts_the_worst_is_told():
    base = basis(recipe_of(("A", 100), ("B", 50), ("C", 50)))
    assert ratio_errors_pct(base, (100, 50.5, 48.0)) == pytest.approx((0, 1.0, -4.0))
    assert ratio_error_pct(base, (100, 50.5, 48.0)) == pytest.approx(-4.0)


def test_ratios_are_judged_against_resin_and_not_against_powder():
    base = basis(recipe_of(("powder", 100, "filler"), ("A", 50), ("B", 50)))
    assert ratio_errors_pct(base, (110.0, 50.0, 50.0)) == pytest.approx((10.0, 0.0, 0.0))
    assert ratio_error_pct(base, (110.0, 50.0, 50.0)) == pytest.approx(10.0)


def test_a_landing_is_within_the_smaller_tolerance_but_never_finer_than_the_scale():
    base = basis(TWO)
    assert landing_tolerance_g(base, 1, 90.0, 0.1) == pytest.approx(0.3)
    assert landing_tolerance_g(base, 1, 9.0, 0.1) == pytest.approx(0.18)
    assert landing_tolerance_g(base, 1, 2.0, 0.1) == pytest.approx(0.1)
    assert landing_tolerance_g(base, 1, 90.0, 1.0) == pytest.approx(1.0)


def test_a_lone_material_has_no_ratio_to_keep():
    base = basis(Recipe.for_fill("B", 5.0, tolerance_g=0.2))
    assert landing_tolerance_g(base, 0, 5.0, 0.01) == pytest.approx(0.2)
    assert targets_g(base, 5.0) == (5.0,)
    assert ratio_error_pct(base, (5.3,)) is None


# --- dye -----------------------------------------------------------------------------------------


def tinted(fraction, **more):
    return recipe_of(("A", 100), ("B", 90), dye={"in": "B", "fraction": fraction}, **more)


def test_a_tinted_jug_is_poured_heavier_by_its_dye():
    """Neat B 90 g of which the jug is 2 % inert dye: 91.8367 g (by hand, 90/0.98).

    B lands slightly heavy because the dye in it weighs something: common practice, no source.
    """
    assert targets_g(basis(tinted(0.02)), 190.0) == pytest.approx((100.0, 91.8367), rel=1e-5)
    base = basis(tinted(0.02))
    assert ratio_error_pct(base, (100.0, 91.8367)) == pytest.approx(0, abs=1e-4)
    # Poured as if there were no dye, the mix is 2 % short of B.
    assert ratio_error_pct(base, (100.0, 90.0)) == pytest.approx(-2.0)
    assert dye_g(base, (100.0, 91.8367)) == pytest.approx(1.8367, abs=1e-4)


def test_dye_in_the_first_part_makes_the_second_follow_what_is_neat():
    base = basis(recipe_of(("A", 100), ("B", 100), dye={"in": "A", "fraction": 0.1}, shot_g=100))
    assert targets_g(base, 100.0) == pytest.approx((50 / 0.9, 50.0))
    assert targets_g(base, 100.0, (60.0, None)) == pytest.approx((60.0, 54.0))


def test_the_jugs_ledger_overrides_the_recipe():
    base = basis(tinted(0.02), tint=0.10)
    assert targets_g(base, 190.0)[1] == pytest.approx(100.0)
    assert targets_g(basis(tinted(0.02), tint=0.0), 190.0)[1] == pytest.approx(90.0)
    assert targets_g(basis(tinted(0.02), tint={"B": 0.10}), 190.0)[1] == pytest.approx(100.0)
    assert targets_g(basis(tinted(0.02), tint={"A": 0.5}), 190.0) == pytest.approx((200, 90 / 0.98))


def test_a_jug_that_is_tinted_without_the_recipes_knowing_counts_by_name():
    assert targets_g(basis(TWO, tint={"B": 0.10}), 190.0)[1] == pytest.approx(100.0)
    assert targets_g(basis(TWO, tint=0.10), 190.0)[1] == pytest.approx(90.0)


@pytest.mark.parametrize("tint", [-0.1, 1.0, 2.0, {"B": 1.0}])
def test_a_tint_that_cannot_be_is_refused(tint):
    with pytest.raises(ValueError, match="from 0 to below 1"):
        basis(tinted(0.02), tint=tint)


def in_the_cup(fraction=0.02, **more):
    return recipe_of(("A", 100), ("B", 90), dye={"in": "cup", "fraction": fraction}, **more)


def test_dye_in_the_cup_is_weighed_last_and_follows_the_resin_that_landed():
    base = basis(in_the_cup())
    assert base.names == ("A", "B", DYE)
    assert targets_g(base, 190.0) == pytest.approx((100.0, 90.0, 3.8))
    assert targets_g(base, 190.0, (105.0, None, None))[2] == pytest.approx(0.02 * 199.5)
    # 105.0 and 94.0 landed: 2 % of the 199.0 that is there, not of the 199.5 that would be.
    assert targets_g(base, 190.0, (105.0, 94.0, None))[2] == pytest.approx(3.98)


def test_dye_in_the_cup_has_a_tolerance_of_its_own():
    base = basis(in_the_cup())
    assert landing_tolerance_g(base, 2, 3.8, 0.01) == pytest.approx(0.05)
    assert landing_tolerance_g(base, 2, 3.8, 0.1) == pytest.approx(0.1)
    assert ratio_errors_pct(base, (100.0, 90.0, 9.9))[2] is None


def test_too_much_dye_in_the_cup_asks_for_more_of_every_part():
    plan = correction(basis(in_the_cup()), (100.0, 90.0, 4.18), division_g=0.01)
    assert [(p.name, p.add_g) for p in plan.adds] == [
        ("A", pytest.approx(10.0)),
        ("B", pytest.approx(9.0)),
    ]
    assert plan.total_g == pytest.approx(209.0 + 4.18)


def test_no_dye_is_no_item():
    assert basis(in_the_cup(0.0)).names == ("A", "B")


def test_a_concentrate_is_added_with_its_own_dilution_counted():
    """250 g from 0.12 % to 0.20 % with a 10 % concentrate: 2.04082 g; neat dye 0.20040 g.

    M (c2 - c1)/(k - c2), the mass balance: computed, by hand the dye comes out as stated.
    """
    added = concentrate_to_add_g(250.0, 0.0012, 0.0020, 0.10)
    assert added == pytest.approx(2.04082, rel=1e-5)
    assert (250 * 0.0012 + 0.10 * added) / (250 + added) == pytest.approx(0.0020)
    assert concentrate_to_add_g(250.0, 0.0012, 0.0020) == pytest.approx(0.20040, rel=1e-4)
    assert concentrate_brings_g(2.0, 0.1) == pytest.approx((0.2, 1.8))


def test_a_concentrate_that_is_too_weak_is_refused():
    with pytest.raises(ValueError, match="no more dye"):
        concentrate_to_add_g(250.0, 0.1, 0.2, 0.2)


@settings(deadline=None)
@given(st.floats(1, 1e4), st.floats(0, 0.4), st.floats(0, 0.4), st.floats(0.41, 1))
def test_the_added_concentrate_brings_the_jug_to_its_fraction(jug, before, after, strength):
    added = concentrate_to_add_g(jug, before, after, strength)
    dye, base = concentrate_brings_g(added, strength)
    assume(jug + added > 0)
    assert (jug * before + dye) / (jug + dye + base) == pytest.approx(after, abs=1e-9)


# --- cups of their own ---------------------------------------------------------------------------


def test_what_clings_to_the_earlier_cup_is_poured_on_top_of_its_target():
    """1 g of A stays in its cup, so 101 g are poured; the last part's cup takes the mix."""
    recipe = recipe_of(("A", 100), ("B", 90), cup={"one_per_part": True, "clings_g": 1.0})
    base = basis(recipe)
    assert targets_g(base, 190.0) == pytest.approx((101.0, 90.0))
    assert targets_g(base, 190.0, (103.0, None)) == pytest.approx((103.0, 91.8))
    assert ratio_error_pct(base, (101.0, 90.0)) == pytest.approx(0)
    assert mixed_total_g(base, (101.0, 90.0)) == pytest.approx(190.0)
    assert neat_g(base, (101.0, None)) == (100.0, None)


def test_what_clings_counts_only_with_a_cup_for_each_part():
    recipe = recipe_of(("A", 100), ("B", 90), cup={"clings_g": 1.0})
    assert targets_g(basis(recipe), 190.0) == pytest.approx((100.0, 90.0))


def test_tinted_resin_that_clings_keeps_its_dye_with_it():
    recipe = recipe_of(
        ("A", 100), ("B", 100), dye={"in": "A", "fraction": 0.1}, shot_g=180,
        cup={"one_per_part": True, "clings_g": 2.0},
    )  # fmt: skip
    base = basis(recipe)
    assert targets_g(base, 180.0) == pytest.approx((102.0, 90.0))
    assert dye_g(base, (102.0, 90.0)) == pytest.approx(10.0)


def test_loss_and_gain_ask_for_the_same_grams():
    gain, loss = tinted(0.02), tinted(0.02, method="loss")
    assert targets_g(basis(loss), 190.0) == targets_g(basis(gain), 190.0)


# --- whether it can be mended --------------------------------------------------------------------


def over(**more):
    recipe = recipe_of(("A", 100), ("B", 90), **({"cup": more.pop("cup")} if "cup" in more else {}))
    return correction(basis(recipe), (100.0, 94.5), **more)


def test_a_cup_too_small_for_the_mended_mix_is_the_reason_against():
    plan = over(cup={"capacity_g": 195})
    assert not plan.possible
    assert plan.why == "the cup takes 195 g and this comes to 199.5 g"
    assert over(cup={"capacity_g": 199.5}).possible
    assert over(cup={"capacity_g": 220}).why == (
        "5.0 g more of A; the cup comes to 199.5 g of the 220 g it takes"
    )


def test_an_empty_jug_is_the_reason_against():
    assert over(jug_g={"A": 4.9}).why == "it needs 5.0 g of A and the jug holds 4.9 g"
    assert not over(jug_g={"A": 4.9}).possible
    assert over(jug_g={"A": 5.1, "B": 0.0}).possible


def test_half_the_pot_life_gone_is_the_reason_against():
    assert over(pot_life_used=0.49).possible
    assert over(pot_life_used=0.49).why.endswith("49 % of the pot life gone")
    late = over(pot_life_used=0.5)
    assert not late.possible
    assert (
        late.why == "50 % of the pot life is gone, and past 50 % what is added no longer stirs in"
    )
    assert over(pot_life_used=0.6, limit=0.7).possible


def test_every_reason_against_is_told():
    plan = over(cup={"capacity_g": 195}, jug_g={"A": 1}, pot_life_used=0.9)
    assert plan.why.count(";") == 2


def test_an_overshoot_of_the_first_part_adds_nothing_and_raises_the_rest():
    recipe = recipe_of(("A", 100), ("B", 90), cup={"capacity_g": 195})
    plan = correction(basis(recipe), (103.2, None))
    assert plan.adds == ()
    assert plan.parts[1].target_g == pytest.approx(92.88)
    assert not plan.possible
    assert plan.why == "the cup takes 195 g and this comes to 196.1 g"
    assert correction(basis(TWO), (103.2, None), jug_g={"B": 90}).why == (
        "it needs 92.9 g of B and the jug holds 90.0 g"
    )
    assert correction(basis(TWO), (103.2, None), pot_life_used=0.9).possible


def test_what_is_within_tolerance_is_left_alone():
    plan = correction(basis(TWO), (100.0, 90.2))
    assert plan.adds == ()
    assert plan.why == "nothing more of what is in the cup; the cup comes to 190.2 g"


def test_an_empty_cup_cannot_be_corrected():
    with pytest.raises(ValueError, match="nothing has been poured"):
        correction(basis(TWO), (None, None))


# --- the summary ---------------------------------------------------------------------------------


def test_the_summary_of_a_tinted_batch():
    recipe = tinted(0.02)
    found = mixed(recipe, basis(recipe), (100.0, 91.8367))
    assert found.resin_g == pytest.approx(190.0, abs=1e-3)
    assert found.dye_g == pytest.approx(1.8367, abs=1e-4)
    assert found.total_g == pytest.approx(191.8367)
    assert found.ratio_error_pct == pytest.approx(0, abs=1e-4)
    assert found.index is None


def test_the_summary_of_a_batch_under_way_counts_what_is_there():
    recipe = in_the_cup()
    found = mixed(recipe, basis(recipe), (100.0, None, None))
    assert (found.resin_g, found.dye_g, found.total_g) == (100.0, 0.0, 100.0)
    assert found.ratio_error_pct is None


@settings(deadline=None)
@given(st.floats(1, 500), st.floats(0, 0.5), st.sampled_from(["A", "B", "cup"]))
def test_a_batch_as_intended_has_no_error_and_the_dye_it_should(shot, fraction, where):
    recipe = recipe_of(("A", 100), ("B", 90), shot_g=shot, dye={"in": where, "fraction": fraction})
    found = intended(recipe, basis(recipe), shot)
    assert found.ratio_error_pct == pytest.approx(0, abs=1e-9)
    assert found.resin_g == pytest.approx(shot)
    assert found.total_g == pytest.approx(recipe.shot_with_dye_g)
    neat = {"A": shot * 100 / 190, "B": shot * 90 / 190}
    expected = fraction * shot if where == "cup" else neat[where] * fraction / (1 - fraction)
    assert found.dye_g == pytest.approx(expected)
