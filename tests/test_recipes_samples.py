"""The recipes that ship: they load, agree with themselves, and say that they are invented."""

import pytest

from recipes.advice import warnings
from recipes.amounts import basis, targets_g
from recipes.loader import SAMPLES_DIR, list_recipes, load_recipe
from recipes.mix import intended

SAMPLES = list_recipes([SAMPLES_DIR])


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_loads_without_a_word_against_it(name):
    assert warnings(load_recipe(SAMPLES[name])) == ()


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_says_that_it_is_invented(name):
    text = SAMPLES[name].read_text(encoding="utf-8")
    assert "nvented" in text.splitlines()[0]
    assert "obody's data sheet" in text.replace("\n# ", " ")


@pytest.mark.parametrize(
    ("name", "targets"),
    [
        ("slate-knob", (69.474, 63.286)),
        ("moss-knob", (85.0, 85.0, 2.04)),
        ("clear-knob", (66.909, 29.091)),
        ("stone-knob", (72.0, 88.0, 80.0)),
        ("knob-mold", (301.5, 30.0)),
    ],
)
def test_what_a_whole_shot_of_each_asks_for(name, targets):
    """By hand: 132 x 100/190, and 132 x 90/190 / 0.988 for the tinted B, and so on down.

    85 and 85 and 1.2 % of 170; 96 x 2.3/3.3; 240 in 90 to 110 to 100; 330 x 10/11 and 1.5.
    """
    recipe = load_recipe(SAMPLES[name])
    assert targets_g(basis(recipe), recipe.shot_g) == pytest.approx(targets, abs=1e-3)


def test_the_slate_knob_meets_its_index():
    recipe = load_recipe(SAMPLES["slate-knob"])
    assert intended(recipe, basis(recipe), recipe.shot_g).index == pytest.approx(105.03, abs=0.01)


def test_between_them_they_show_every_way_to_weigh():
    recipes = [load_recipe(path) for path in SAMPLES.values()]
    assert {recipe.method for recipe in recipes} == {"gain", "loss"}
    assert {len(recipe.parts) for recipe in recipes} == {2, 3}
    assert any(recipe.dye_in_cup for recipe in recipes)
    assert any(recipe.dye_part is not None for recipe in recipes)
    assert any(recipe.cup.one_per_part and recipe.cup.clings_g for recipe in recipes)
    assert any(recipe.parts[0].by_volume for recipe in recipes)
    assert any(recipe.stops.fine for recipe in recipes)
    assert any(recipe.uses_tank for recipe in recipes)
