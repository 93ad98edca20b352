"""What is odd about a recipe is said in a sentence, with the figures side by side."""

import pytest

from recipes.advice import warnings
from recipes.model import Recipe


def recipe_of(a, b, **more):
    return Recipe.model_validate(
        {
            "name": "Knob",
            "shot_g": 132,
            "part": [
                {"name": "A", "by_weight": 100, "role": "isocyanate", **a},
                {"name": "B", "by_weight": 90, "role": "polyol", **b},
            ],
            "times": {"pot_life_s": 180},
            **more,
        }
    )


CHEMISTRY = ({"nco_pct": 23.0}, {"oh_number": 325})


def test_parts_that_agree_with_their_chemistry_are_not_spoken_of():
    """100 x 23/4200 over 90 x 325/56100 is 105.03 by hand."""
    assert warnings(recipe_of(*CHEMISTRY, chemistry={"target_index": 105})) == ()
    assert warnings(recipe_of(*CHEMISTRY)) == ()
    assert warnings(recipe_of({}, {})) == ()


def test_parts_that_disagree_are_shown_with_both_figures():
    (said,) = warnings(recipe_of(*CHEMISTRY, chemistry={"target_index": 100}))
    assert said == (
        "The parts as given come to an index of 105.0, and the target is 100: 5.0 % above it, more"
        " than the ratio tolerance of 2 %. By weight it is 111.1 of A to 100 of B; the chemistry"
        " asks for 105.8. The maker's data sheet decides."
    )


def test_the_ratio_tolerance_is_the_measure():
    stops = {"ratio_tolerance_pct": 5.1}
    assert warnings(recipe_of(*CHEMISTRY, stops=stops, chemistry={"target_index": 100})) == ()


def test_damp_and_dye_count():
    damp = {"oh_number": 325, "water_pct": 0.5}
    (said,) = warnings(recipe_of({"nco_pct": 23.0}, damp, chemistry={"target_index": 105}))
    assert "index of 95.8" in said
    assert "below it" in said


def test_a_slip_in_a_figure_is_noticed_without_a_target():
    (said,) = warnings(recipe_of({"nco_pct": 23.0}, {"oh_number": 32.5}))
    assert "far from what urethanes are mixed at" in said


def test_a_target_with_nothing_to_compare_is_said():
    (said,) = warnings(recipe_of({}, {}, chemistry={"target_index": 105}))
    assert "do not give the chemistry" in said


def test_an_epoxy_is_compared_with_its_phr():
    a = {"role": "epoxy", "eew": 190, "by_weight": 100}
    (said,) = warnings(recipe_of(a, {"role": "hardener", "ahew": 42.6, "by_weight": 25}))
    # 100 x 42.6/190 = 22.4 phr by hand; 25 is 11.5 % too much.
    assert "index of 111.5, and the target is 100" in said
    assert "By weight it is 25.0 of B to 100 of A; the chemistry asks for 22.4." in said
    assert warnings(recipe_of(a, {"role": "hardener", "ahew": 42.6, "by_weight": 22.4})) == ()


def test_with_three_parts_no_ratio_is_suggested():
    recipe = recipe_of(*CHEMISTRY, chemistry={"target_index": 90})
    data = recipe.model_dump(mode="json")
    data["part"].append({"name": "powder", "by_weight": 50, "role": "filler"})
    (said,) = warnings(Recipe.model_validate(data))
    assert "asks for" not in said


@pytest.mark.parametrize(
    ("times", "fragment"),
    [
        ({"demold_s": 90}, "before the pot life"),
        ({"stir_s": 150}, "nothing is left for pouring"),
        ({"press_by_s": 170}, "no tank is used"),
        ({"press_by_s": 100, "pressure_s": 600}, "before they need be poured"),
    ],
)
def test_clocks_that_cannot_be_kept_are_said(times, fragment):
    (said,) = warnings(recipe_of({}, {}, times={"pot_life_s": 180, **times}))
    assert fragment in said


def test_clinging_without_a_cup_of_its_own_is_said():
    (said,) = warnings(recipe_of({}, {}, cup={"clings_g": 1.0}))
    assert "only with one_per_part" in said


def test_parts_without_roles_are_said():
    (said,) = warnings(recipe_of({"role": "other"}, {"role": "other"}))
    assert "the first drop of B" in said


def test_a_part_too_small_for_a_bench_scale_is_said():
    (said,) = warnings(recipe_of({}, {"by_weight": 2.0}))
    assert said.startswith("B is 2.59 g, and the ratio tolerance leaves it 0.052 g either way")


def test_a_fill_is_not_spoken_of():
    assert warnings(Recipe.for_fill("B", 2.0)) == ()
