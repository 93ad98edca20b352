"""What a recipe says of itself: when it reacts, which clocks there are, what is tinted."""

import pytest
from pydantic import ValidationError

from recipes.model import Part, Recipe, Role, Times


def recipe_of(*parts, **more):
    tables = [{"name": f"P{i}", "by_weight": 1, **part} for i, part in enumerate(parts)]
    return Recipe.model_validate(
        {"name": "K", "shot_g": 100, "part": tables, "times": {"pot_life_s": 180}, **more}
    )


def roles(*names):
    return recipe_of(*({"role": name} for name in names))


@pytest.mark.parametrize(
    ("names", "contact", "known"),
    [
        (("isocyanate", "polyol"), 1, True),
        (("polyol", "isocyanate"), 1, True),
        (("polyol", "filler", "isocyanate"), 2, True),
        (("filler", "polyol", "polyol", "isocyanate"), 3, True),
        (("epoxy", "hardener"), 1, True),
        (("epoxy", "filler", "hardener"), 2, True),
        (("silicone-base", "silicone-curative"), 1, True),
        (("polyol", "other", "isocyanate"), 2, True),
        (("other", "other"), 1, False),
        (("filler", "other", "other"), 2, False),
        (("isocyanate", "hardener"), 1, False),
        (("filler", "filler"), None, False),
        (("filler", "other"), None, False),
    ],
)
def test_the_reaction_starts_when_a_pair_is_complete(names, contact, known):
    """Where no pair is known, the second part that is no filler: too early is the safe side."""
    recipe = roles(*names)
    assert recipe.contact_part == contact
    assert (recipe.pair_part is not None) == known


def test_a_parts_own_chemistry_tells_its_role():
    recipe = recipe_of({"oh_number": 325}, {"by_weight": 1}, {"nco_pct": 23})
    assert [part.known_role for part in recipe.parts] == [
        Role.POLYOL,
        Role.OTHER,
        Role.ISOCYANATE,
    ]
    assert recipe.contact_part == 2
    assert recipe.cautions_for == {Role.POLYOL, Role.OTHER, Role.ISOCYANATE}
    assert Part(name="E", by_weight=1, eew=190).known_role is Role.EPOXY
    assert Part(name="H", by_weight=1, ahew=50).known_role is Role.HARDENER


def test_an_epoxy_resin_may_carry_hydroxyl_too():
    recipe = recipe_of({"eew": 190, "oh_number": 80, "role": "epoxy"}, {"ahew": 50})
    assert recipe.parts[0].known_role is Role.EPOXY


def test_shares_sum_to_one_by_weight_and_by_volume():
    assert recipe_of({"by_weight": 100}, {"by_weight": 90}).neat_shares == pytest.approx(
        (100 / 190, 90 / 190)
    )
    volumes = Recipe.model_validate(
        {
            "name": "K",
            "shot_g": 100,
            "part": [
                {"name": "A", "by_volume": 2, "density": 1.15},
                {"name": "B", "by_volume": 1, "density": 1.0},
            ],
            "times": {"pot_life_s": 1800},
        }
    )
    assert volumes.neat_shares == pytest.approx((2.3 / 3.3, 1 / 3.3))


def test_where_the_dye_goes():
    jug = recipe_of({}, {}, dye={"in": "P1", "fraction": 0.01})
    cup = recipe_of({}, {}, dye={"in": "cup", "fraction": 0.01})
    none = recipe_of({}, {}, dye={"in": "cup"})
    assert (jug.dye_part, jug.dye_in_cup) == (1, False)
    assert (cup.dye_part, cup.dye_in_cup) == (None, True)
    assert (none.dye_part, none.dye_in_cup) == (None, False)
    assert (recipe_of({}, {}).dye_part, recipe_of({}, {}).dye_in_cup) == (None, False)
    assert cup.shot_with_dye_g == pytest.approx(101.0)
    assert jug.shot_with_dye_g == pytest.approx(50 + 50 / 0.99)


def test_pour_by_is_four_fifths_of_the_pot_life_unless_stated():
    assert recipe_of({}, {}).working_s == pytest.approx(144)
    stated = recipe_of({}, {}, times={"pot_life_s": 180, "working_s": 150})
    assert stated.working_s == 150
    assert stated.times.pour_by_s == 150
    assert Times().pour_by_s is None


def test_the_tank_is_in_use_where_it_has_a_time():
    assert not recipe_of({}, {}).uses_tank
    assert recipe_of({}, {}, times={"pot_life_s": 180, "pressure_s": 600}).uses_tank


def test_a_fill_is_one_material_to_one_mass_with_no_clock():
    fill = Recipe.for_fill("B", 250.0, tolerance_g=0.5)
    assert fill.is_fill
    assert fill.part_names == ("B",)
    assert (fill.shot_g, fill.hold_back_g, fill.stops.tolerance_g) == (250.0, 0.0, 0.5)
    assert (fill.times.pot_life_s, fill.times.stir_s, fill.working_s) == (None, None, None)
    assert fill.contact_part is None
    assert Recipe.model_validate(fill.model_dump(mode="json")) == fill
    assert Recipe.for_fill("dye", 2.0, method="loss").method == "loss"


@pytest.mark.parametrize("grams", [0, -1, float("nan"), float("inf"), True, "5"])
def test_a_fill_to_an_impossible_mass_is_refused(grams):
    with pytest.raises(ValidationError):
        Recipe.for_fill("B", grams)


def test_a_recipe_cannot_be_changed_under_a_running_batch():
    recipe = recipe_of({}, {})
    with pytest.raises(ValidationError):
        recipe.shot_g = 5.0
    with pytest.raises(ValidationError):
        recipe.parts[0].by_weight = 5.0


def test_a_mix_without_a_pot_life_is_refused_however_it_is_made():
    with pytest.raises(ValidationError, match="the data sheet's pot life"):
        recipe_of({}, {}, times={})
    assert recipe_of({}, times={}).is_fill
