"""Stoichiometry against published worked amounts; the source stands beside each."""

import pint
import pytest

from recipes.chemistry import (
    HYDROXYL_CONSTANT,
    ISOCYANATE_CONSTANT,
    WATER_G_PER_EQ,
    batch_index,
    blend_g_per_eq,
    hardener_phr,
    hydroxyl_eq,
    isocyanate_for_index_g,
    isocyanate_g_per_eq,
    mix_index,
    nco_eq,
    polyol_g_per_eq,
)
from recipes.model import Recipe


def recipe_of(a, b, **more):
    return Recipe.model_validate(
        {
            "name": "Knob",
            "shot_g": 100,
            "part": [{"name": "A", **a}, {"name": "B", **b}],
            "times": {"pot_life_s": 180},
            **more,
        }
    )


# --- equivalent weights --------------------------------------------------------------------------


def test_the_trades_constants_are_the_atomic_masses_rounded():
    """EW = 56 100/OH number and EW = 4 200/%NCO.

    A polyurethane manufacturers' association's technical library, section 5, and a calculation
    guide of 2001, seen; the OH number is by ASTM D4274, %NCO by ASTM D2572 and D5155.

    Exact: potassium hydroxide 56.10565 g/mol, the NCO group 42.0168 g/mol, water 18.0153/2 (atomic
    masses, from memory and reproduced); one guide prints 4 202. They agree within 0.05 % or 0.1 %.
    """
    assert pytest.approx(56105.65, rel=5e-4) == HYDROXYL_CONSTANT
    assert pytest.approx(4201.68, rel=5e-4) == ISOCYANATE_CONSTANT
    assert pytest.approx(4202, rel=5e-4) == ISOCYANATE_CONSTANT
    assert pytest.approx(9.0076, rel=1e-3) == WATER_G_PER_EQ


def test_the_oh_number_is_milligrams_of_potash_in_units_of_a_general_library():
    """1 g at OH number 56.1 neutralises 56.1 mg KOH = 1 mmol (pint does the units)."""
    units = pint.UnitRegistry()
    potash = 56.1 * units.mg / (56.1 * units.g / units.mol)
    assert hydroxyl_eq(1.0, 56.1) == pytest.approx(potash.to("mol").magnitude, rel=1e-12)


def test_ethylene_glycol():
    """OH number 1810 is 31.0 g/eq, molar mass 62.0 at two hydroxyls: guide of 07/2001, seen."""
    assert polyol_g_per_eq(1810) == pytest.approx(31.0, abs=0.05)
    assert 2 * polyol_g_per_eq(1810) == pytest.approx(62.0, abs=0.1)


def test_a_polymeric_isocyanate():
    """31.0 %NCO is 136 g/eq as printed (rounded up) in the same guide, seen."""
    assert isocyanate_g_per_eq(31.0) == pytest.approx(136, abs=0.6)


@pytest.mark.parametrize(
    ("nco_pct", "g_per_eq"), [(33.58, 125.13), (48.25, 87.08), (49.96, 84.10), (37.81, 111.14)]
)
def test_pure_diisocyanates(nco_pct, g_per_eq):
    """4,4'-MDI, TDI, HDI, IPDI: handbook values, from memory, reproduced from atomic masses.

    4 200 is 0.04 % low and a %NCO of two decimals up to 0.015 % off.
    """
    assert isocyanate_g_per_eq(nco_pct) == pytest.approx(g_per_eq, rel=5.5e-4)


# --- amounts of isocyanate -----------------------------------------------------------------------


@pytest.mark.parametrize(("index", "grams"), [(100, 37.90), (105, 39.79)])
def test_isocyanate_for_an_acrylic_polyol(index, grams):
    """95.26 g of OH number 122 with 183 g/eq (23 %NCO): 37.90 g, 39.79 g at NCO/OH = 1.05.

    Coatings raw-material sheet, "sample calculations", seen; it rounds the
    equivalent weights (460 and 183), the unrounded chain gives 37.83 and 39.72.
    """
    assert isocyanate_for_index_g(
        index, ISOCYANATE_CONSTANT / 183, [(95.26, HYDROXYL_CONSTANT / 460)]
    ) == pytest.approx(grams, abs=0.01)
    unrounded = {100: 37.83, 105: 39.72}[index]
    assert isocyanate_for_index_g(index, 23, [(95.26, 122)]) == pytest.approx(unrounded, abs=0.01)


@pytest.mark.parametrize(("nco_pct", "parts", "allowed"), [(23.1, 26, 0.5), (8.5, 70, 1.0)])
def test_polyisocyanate_for_a_hundred_parts_of_polyol(nco_pct, parts, allowed):
    """OH number 80: 26 parts of 23.1 %NCO, 70 of 8.5 %: a supplier's nomograph, seen."""
    assert isocyanate_for_index_g(100, nco_pct, [(100, 80)]) == pytest.approx(parts, abs=allowed)


def test_diisocyanate_for_a_damp_polyester():
    """100 of OH number 56 plus acid number 0.5, 3.0 of water, 87 g/eq, index 105: 39.65.

    Trade article on isocyanate dosage, seen; it prints 39.64 after a slip of 0.1 % of its own.
    """
    nco_pct = ISOCYANATE_CONSTANT / 87
    assert isocyanate_for_index_g(105, nco_pct, [(100, 56 + 0.5)], water_g=3.0) == pytest.approx(
        39.65, abs=0.04
    )


def test_what_one_gram_of_water_uses_up():
    """9.667 g of a diisocyanate of 174 g/mol: the same article (174/18), seen."""
    nco_pct = ISOCYANATE_CONSTANT / 87
    assert isocyanate_for_index_g(100, nco_pct, [], water_g=1.0) == pytest.approx(9.667, abs=0.002)


def test_several_polyols_add_up():
    """Index x EW_iso x sum(pbw/EW): association technical library, section 5, seen."""
    both = isocyanate_for_index_g(105, 23, [(60, 400), (40, 56)], water_g=0.1)
    each = (
        isocyanate_for_index_g(105, 23, [(60, 400)])
        + isocyanate_for_index_g(105, 23, [(40, 56)])
        + isocyanate_for_index_g(105, 23, [], water_g=0.1)
    )
    assert both == pytest.approx(each)


@pytest.mark.parametrize(
    ("oh_number", "nco_pct", "index", "water_g", "grams"),
    [
        (400, 31.5, 100, 0, 95.068),
        (400, 31.5, 105, 0, 99.822),
        (400, 31.5, 105, 0.05, 100.600),
        (200, 23, 100, 0, 65.101),
        (200, 23, 105, 0, 68.356),
        (56, 9.0, 100, 0, 46.584),
        (56, 9.0, 100, 0.1, 51.769),
    ],
)
def test_parts_of_a_for_a_hundred_of_b(oh_number, nco_pct, index, water_g, grams):
    """Computed from the 56 100/4 200 convention: a regression check, no outside evidence."""
    found = isocyanate_for_index_g(index, nco_pct, [(100, oh_number)], water_g)
    assert found == pytest.approx(grams, rel=1e-4)


# --- the index of a mix --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("a_g", "water_pct", "index"), [(105, 0, 110.447), (100, 0, 105.188), (100, 0.1, 103.573)]
)
def test_the_index_of_what_was_weighed(a_g, water_pct, index):
    """Equivalents of isocyanate over those of the resin blend, times 100.

    ASTM D7997-15, 3.2.4, seen; the figures are computed from it.
    """
    recipe = recipe_of(
        {"by_weight": 100, "nco_pct": 31.5},
        {"by_weight": 100, "oh_number": 400, "water_pct": water_pct},
    )
    assert mix_index(recipe, (a_g, 100.0)) == pytest.approx(index, rel=1e-5)


def test_a_reactive_dye_carrier_counts():
    """1 g of carrier of OH number 56 takes 0.000998 eq, 0.1331 g of A at 31.5 %NCO (computed)."""
    assert hydroxyl_eq(1.0, 56) == pytest.approx(0.000998, rel=1e-3)
    assert isocyanate_for_index_g(100, 31.5, [(1.0, 56)]) == pytest.approx(0.1331, rel=1e-3)
    recipe = recipe_of(
        {"by_weight": 95.068, "nco_pct": 31.5},
        {"by_weight": 100, "oh_number": 400},
        dye={"in": "cup", "fraction": 0.01, "oh_number": 56},
    )
    assert mix_index(recipe, (95.068, 100.0)) == pytest.approx(100.0, abs=1e-3)
    assert mix_index(recipe, (95.068 + 0.1331, 100.0), dye_g=1.0) == pytest.approx(100.0, abs=1e-3)


def test_the_index_of_a_poured_batch_takes_the_dye_off_the_tinted_jug():
    recipe = recipe_of(
        {"by_weight": 95.068, "nco_pct": 31.5},
        {"by_weight": 100, "oh_number": 400},
        dye={"in": "B", "fraction": 0.02},
    )
    assert batch_index(recipe, (95.068, 100 / 0.98)) == pytest.approx(100.0, abs=1e-3)
    assert batch_index(recipe, (95.068, 100.0), tint=0.0) == pytest.approx(100.0, abs=1e-3)
    assert batch_index(recipe, (95.068, None)) is None


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ({}, {}),
        ({"nco_pct": 23}, {}),
        ({"nco_pct": 23}, {"role": "polyol"}),
        ({"role": "isocyanate"}, {"oh_number": 325}),
        ({"role": "epoxy"}, {"ahew": 80}),
        ({"eew": 190}, {"role": "hardener"}),
        ({"role": "silicone-base"}, {"role": "silicone-curative"}),
    ],
)
def test_half_the_chemistry_gives_no_index(a, b):
    recipe = recipe_of({"by_weight": 1, **a}, {"by_weight": 1, **b})
    assert mix_index(recipe, (50.0, 50.0)) is None


# --- epoxy ---------------------------------------------------------------------------------------


def test_a_resin_blend_with_filler():
    """80 % of EEW 189, 10 % of 183, 10 % inert: 209, and 20.6 phr of a hardener of AHEW 43.

    Epoxy stoichiometry sheet (total / sum(w/EEW)), seen in two copies.
    """
    assert blend_g_per_eq([(80, 189), (10, 183), (10, None)]) == pytest.approx(209, abs=0.5)
    assert hardener_phr(43, 209) == pytest.approx(20.6, abs=0.05)


def test_an_amine_of_five_hydrogens():
    """DETA: molar mass 103, 5 active hydrogens, AHEW 20.6; 10.3 phr at EEW 200.

    Handbook-style text on epoxies, seen.
    """
    assert blend_g_per_eq([(103, 103 / 5)]) == pytest.approx(20.6, abs=0.05)
    assert hardener_phr(103 / 5, 200) == pytest.approx(10.3, abs=0.02)


def test_an_amine_of_six_hydrogens():
    """TETA with a liquid bisphenol-A resin: 13 phr, abstract of a DSC study, seen."""
    for eew in (187, 189, 190):
        assert hardener_phr(24.37, eew) == pytest.approx(13, abs=0.3)


@pytest.mark.parametrize(
    ("ahew", "phr"),
    [(20.633, 10.86), (24.37, 12.83), (27.04, 14.23), (43.07, 22.67), (42.57, 22.41),
     (34.05, 17.92)],
)  # fmt: skip
def test_usual_amines_at_eew_190(ahew, phr):
    """DETA, TETA, TEPA, AEP, IPDA, MXDA.

    AHEWs: handbooks, from memory, reproduced from atomic masses; the phr are computed from them.
    """
    assert hardener_phr(ahew, 190) == pytest.approx(phr, rel=1e-3)


def test_hardener_blends_combine_as_harmonic_means():
    """70 % AHEW 42.6 and 30 % AHEW 34.1: 39.636, and 20.861 phr at EEW 190.

    With 10 % inert, 42.6 becomes 47.333. The rule of the resin blend above; computed.
    """
    ahew = blend_g_per_eq([(70, 42.6), (30, 34.1)])
    assert ahew == pytest.approx(39.636, rel=1e-4)
    assert hardener_phr(ahew, 190) == pytest.approx(20.861, rel=1e-4)
    assert blend_g_per_eq([(90, 42.6), (10, None)]) == pytest.approx(47.333, rel=1e-4)


def test_a_blend_in_which_nothing_reacts_is_refused():
    with pytest.raises(ValueError, match="nothing in this blend reacts"):
        blend_g_per_eq([(10, None)])


def test_an_epoxy_at_its_phr_has_index_100():
    phr = hardener_phr(43, 209)
    recipe = recipe_of({"by_weight": 100, "eew": 209}, {"by_weight": phr, "ahew": 43})
    assert mix_index(recipe, (100.0, phr)) == pytest.approx(100.0)
    assert mix_index(recipe, (100.0, 1.1 * phr)) == pytest.approx(110.0)


def test_equivalents_scale_with_mass():
    assert nco_eq(182.6, 23.0) == pytest.approx(1.0, rel=1e-3)
    assert nco_eq(100.0, None) == 0.0
