"""What `tint` does at the bench: into the record, onto the shelf, and into what is poured."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.batch import Phase
from daemon.state import dump, load
from daemon.tint_acts import LENT_S
from daemon.tint_bench import needed_for, needed_g, weight_answer
from daemon.tint_book import fold
from recipes.loader import SAMPLES_DIR
from recipes.order_loader import SAMPLE_ORDERS_DIR, load_order
from tests.kit_core import AtTheBench, recipe

TINTED = recipe(dye={"in": "B", "fraction": 0.02})
"""50 g of A, then 50 g of neat B; as the recipe has it with 2 % dye, 51.0204 g."""

NAN = float("nan")
PHOTO = {"rgb": [90, 90, 90], "ref_rgb": [200, 200, 200], "ref_lab": [80.0, 0.0, 0.0]}


def tint(bench: AtTheBench, what: str, **members: Any) -> Any:
    return bench.do("tint", tint=what, **members)


def with_a_jug(grams_of_dye: float = 10.0, base_g: float = 990.0) -> AtTheBench:
    bench = AtTheBench(recipe=None)
    assert tint(bench, "start", jug="B7", base_g=base_g).ok
    assert tint(bench, "add", dye="black", grams=grams_of_dye).ok
    return bench


# -- into the record ---------------------------------------------------------------------------


def test_doses_and_trials_are_events_with_their_jug():
    bench = with_a_jug()
    assert tint(bench, "test", judge="lighter", by="slight", toward="black").ok
    assert bench.told() == ["tint.started", "tint.added", "tint.tested"]
    assert bench.last("tint.added") == {
        "jug": "B7",
        "dye": "black",
        "grams": 10.0,
        "strength": 1.0,
        "base_g": 990.0,
        "dyes": {"black": 10.0},
        "fraction": 0.01,
    }
    assert bench.last("tint.tested") == {
        "jug": "B7",
        "judge": "lighter",
        "by": "slight",
        "toward": "black",
        "fraction": 0.01,
    }


def test_the_bench_and_the_record_have_the_same_ledgers():
    bench = with_a_jug()
    tint(bench, "test", lab=[50.0, 0.0, 0.0], wet_lab=[46.0, 0.0, 0.0], used_g=40.0)
    tint(bench, "add", dye="blue", grams=3.0, strength=0.2)
    tint(bench, "add", dye="base", grams=100.0)
    tint(bench, "undo")
    assert bench.bench.tints == fold((event.kind, event.data) for event in bench.events)


def test_a_bench_with_ledgers_is_stored_and_taken_up_again():
    bench = with_a_jug().bench
    assert load(dump(bench)) == bench


@pytest.mark.parametrize(
    ("members", "why"),
    [
        ({"tint": "stir"}, "no such tint command; there are start, add"),
        ({"tint": "add", "dye": "black", "grams": -1.0}, "grams is a number from"),
        ({"tint": "add", "dye": "black", "grams": True}, "grams is a number from"),
        ({"tint": "add", "dye": "black", "grams": 1.0, "strength": 0.0}, "strength is a number"),
        ({"tint": "add", "dye": "base", "grams": 1.0, "strength": 0.5}, "has no strength"),
        ({"tint": "add", "dye": "a\nb", "grams": 1.0}, "on one line"),
        ({"tint": "add", "dye": "x", "grams": 1.0, "jug": "B9"}, "B9 has no colour yet"),
        ({"tint": "start", "jug": " ", "base_g": 10.0}, "jug is a name"),
        ({"tint": "start", "jug": "B8", "base_g": 10.0, "target_lab": [1, 2]}, "three numbers"),
        ({"tint": "test"}, "a measured colour or a judgement"),
        ({"tint": "test", "lab": [200, 0, 0]}, "L* is a number"),
        ({"tint": "test", "lab": [50, 0, 0], "photo": {"x": float("nan")}}, "three colours"),
        ({"tint": "test", "lab": [50, 0, 0], "photo": [1]}, "three colours"),
        ({"tint": "test", "lab": [50, 0, 0], "photo": PHOTO | {"rgb": [1, 2]}}, "red, green, blue"),
        ({"tint": "test", "lab": [50, 0, 0], "photo": PHOTO | {"rgb": [1, 2, NAN]}}, "rgb is a"),
        ({"tint": "test", "lab": [50, 0, 0], "photo": PHOTO | {"ref_lab": [NAN, 0, 0]}}, "L* is a"),
        ({"tint": "test", "judge": "pink"}, "judge is one of lighter, darker, match"),
        ({"tint": "test", "by": "slight"}, "belong to a judgement"),
        ({"tint": "test", "judge": "match", "toward": "red"}, "no dye red in jug B7; in it: black"),
        ({"tint": "test", "judge": "match", "mix": {"with": {}}}, "jug_g is a number"),
        ({"tint": "test", "judge": "match", "used_g": 2000.0}, "holds 1000 g; 2000 g cannot"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(members, why):
    bench = with_a_jug()
    before = bench.bench.tints
    answer = bench.do("tint", **members)
    assert (answer.ok, why in (answer.error or "")) == (False, True), answer.error
    assert bench.bench.tints == before
    assert bench.told() == ["tint.started", "tint.added"]


def test_a_second_start_by_mistake_is_taken_back_and_the_first_ledger_counts_again():
    bench = with_a_jug()
    before = bench.bench.tints
    assert tint(bench, "start", jug="B7", base_g=99.0).ok
    assert tint(bench, "undo", jug="B7").ok
    assert bench.bench.tints == before
    assert bench.last("tint.undone")["fraction"] == 0.01
    assert bench.bench.tints == fold((event.kind, event.data) for event in bench.events)


def test_the_only_start_is_taken_back_but_not_once_something_was_drawn():
    bench = AtTheBench(recipe=None)
    tint(bench, "start", jug="B7", base_g=990.0)
    assert tint(bench, "undo").ok
    assert bench.bench.tints == ()
    tint(bench, "start", jug="B7", base_g=990.0)
    bench.run(TINTED)
    poured(bench)
    assert "Nothing of jug B7 can be taken back" in tint(bench, "undo").error


def test_what_was_read_off_a_photograph_is_kept():
    bench = with_a_jug()
    assert tint(bench, "test", lab=[50.0, 0.0, 0.0], photo=PHOTO).ok
    assert bench.last("tint.tested")["photo"] == PHOTO


def test_without_any_jug_it_is_said_how_to_begin():
    assert "tint start --jug NAME" in tint(AtTheBench(recipe=None), "add", dye="x", grams=1.0).error


# -- into what is poured -----------------------------------------------------------------------


def poured(bench: AtTheBench) -> AtTheBench:
    """One batch, each part to its target."""
    bench.rest()
    bench.put(8.0)
    for _ in range(2):
        bench.pour(bench.view.remaining_g)
    return bench


def test_the_ledger_overrides_the_fraction_that_the_recipe_has():
    """1 % dye in the jug: 50 g of neat B are 50 / 0.99 = 50.505 g of it."""
    bench = with_a_jug()
    bench.run(TINTED)
    opened = bench.last("batch.opened")
    assert opened["parts"] == [
        {"name": "A", "target_g": 50.0},
        {"name": "B", "target_g": 50.505},
    ]
    assert (opened["jugs"], opened["tints"]) == ({"B": "B7"}, {"B": 0.01})


def test_without_a_ledger_the_recipe_is_followed():
    bench = AtTheBench(recipe=None)
    bench.run(TINTED)
    assert bench.last("batch.opened")["parts"][1] == {"name": "B", "target_g": 51.02}
    assert "tints" not in bench.last("batch.opened")


def test_a_batch_draws_on_the_ledger_and_books_its_dye():
    bench = with_a_jug()
    bench.run(TINTED)
    poured(bench)
    mixed = bench.last("batch.mixed")
    b_g = mixed["parts"][1]["actual_g"]
    assert mixed["dye_g"] == pytest.approx(0.01 * b_g, abs=1e-3)
    drawn = bench.last("jug.drawn")
    assert (drawn["jug"], drawn["grams"]) == ("B7", b_g)
    assert bench.bench.tints[-1].jug_g == pytest.approx(1000.0 - b_g, abs=0.01)
    assert bench.bench.jugs[0].left_g == pytest.approx(1000.0 - b_g, abs=0.01)


def test_a_dose_before_the_tinted_part_moves_its_target():
    """10 g more in 1010 g: 50 g of neat B are 50 / (1 - 20/1010) = 51.01 g of it."""
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    bench.put(8.0)
    bench.stream(20.0)
    assert tint(bench, "add", dye="black", grams=10.0).ok
    parts = [{"name": "A", "target_g": 50.0}, {"name": "B", "target_g": 51.01}]
    assert bench.last("mix.corrected") == {"parts": parts, "reason": "dye"}
    bench.pour(30.0)
    assert bench.view.part == "B"
    assert bench.view.target_g == pytest.approx(51.01, abs=0.5)


def test_a_jug_filled_up_before_the_tinted_part_moves_its_target_back():
    """1000 g of base more: half a percent, so 50 / 0.995 = 50.251 g."""
    bench = with_a_jug()
    bench.run(TINTED)
    assert bench.do("jug", jug="B7", grams=1000.0).ok
    assert bench.last("mix.corrected")["parts"][1] == {"name": "B", "target_g": 50.251}


def test_what_is_being_poured_was_of_the_colour_before():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    bench.put(8.0)
    bench.pour(bench.view.remaining_g)
    bench.stream(20.0)
    target_g = bench.view.target_g
    assert tint(bench, "add", dye="black", grams=10.0).ok
    assert not bench.all("mix.corrected")
    assert bench.view.target_g == target_g


def test_where_no_jug_is_listed_the_one_tinted_last_is_taken_and_said():
    bench = with_a_jug()
    bench.run(TINTED)
    assert bench.last("jug.listed")["jug"] == "B7"
    said = "B is taken to come from jug B7, with 1.00 % dye in it."
    assert bench.last("batch.warned") == {"warnings": [said]}


def test_a_jug_that_cannot_finish_the_batch_is_said_before_it_is_poured():
    bench = with_a_jug(0.4, 39.6)
    bench.run(TINTED)
    said = bench.last("batch.warned")["warnings"]
    assert "Jug B7 holds 40 g of B; this batch takes 51 g." in said


def test_a_recipe_without_dye_takes_nothing_from_the_ledger():
    bench = with_a_jug()
    bench.run(recipe())
    assert "jugs" not in bench.last("batch.opened")


# -- which jug is poured from ------------------------------------------------------------------


def test_a_jug_tinted_while_the_first_batch_waits_is_the_one_it_comes_from():
    """60 g of dye in 1050 g: 50 g of neat B are 50 / (1 - 60/1050) = 53.03 g of it."""
    bench = AtTheBench(recipe=None)
    bench.run(TINTED)
    tint(bench, "start", jug="B7", base_g=990.0)
    assert not bench.all("mix.corrected"), "a jug of plain base is not tinted yet"
    tint(bench, "add", dye="black", grams=60.0)
    corrected = bench.last("mix.corrected")
    assert corrected["parts"][1] == {"name": "B", "target_g": 53.03}
    assert corrected["jugs"] == {"B": "B7"}
    assert "B is taken to come from jug B7, with 5.71 % dye in it." in bench.view.prompt
    poured(bench)
    mixed = bench.last("batch.mixed")
    assert mixed["dye_g"] == pytest.approx(mixed["parts"][1]["actual_g"] * 60 / 1050, abs=1e-3)
    assert bench.last("jug.drawn")["jug"] == "B7"


def test_the_jug_that_was_tinted_last_is_the_one_the_next_batch_comes_from():
    """1 % dye, then a jug with 10 %: 50 / 0.99 = 50.505 g, then 50 / 0.9 = 55.556 g."""
    bench = with_a_jug()
    bench.run(TINTED, 2)
    poured(bench)
    tint(bench, "start", jug="B8", base_g=900.0)
    tint(bench, "add", dye="red", grams=100.0)
    bench.lift()
    bench.rest()
    opened = bench.last("batch.opened")
    assert (opened["jugs"], opened["tints"]) == ({"B": "B8"}, {"B": 0.1})
    assert opened["parts"][1] == {"name": "B", "target_g": 55.556}
    said = "B is taken to come from jug B8, with 10.00 % dye in it."
    assert bench.last("batch.warned") == {"warnings": [said]}


def test_a_jug_tinted_while_another_is_poured_from_is_for_the_next_batch():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    bench.put(8.0)
    bench.stream(20.0)
    tint(bench, "start", jug="B8", base_g=900.0)
    tint(bench, "add", dye="red", grams=100.0)
    assert not bench.all("mix.corrected")
    assert dict(bench.bench.batch.jugs) == {"B": "B7"}


def test_a_jug_tinted_before_the_order_is_none_of_the_orders_own():
    bench = AtTheBench(recipe=None)
    tint(bench, "start", jug="old", base_g=900.0)
    tint(bench, "add", dye="red", grams=100.0)
    ordered(bench)
    assert bench.last("batch.opened")["jugs"]["B"] == "B7"
    tint(bench, "start", jug="B12", base_g=990.0)
    tint(bench, "add", dye="slate", grams=10.0)
    assert bench.last("mix.corrected")["jugs"]["B"] == "B12"


# -- onto the shelf ----------------------------------------------------------------------------


def ordered(bench: AtTheBench) -> AtTheBench:
    """The sample order, invented: 240 knobs, jugs A3, B7 and B8 on the shelf."""
    from daemon.cli_order_start import order_told
    from daemon.clock import today

    file = load_order(SAMPLE_ORDERS_DIR / "slate-knobs.toml", [SAMPLES_DIR])
    bench.run(file.recipe, None, order=order_told(file, today()))
    return bench


def test_a_jug_tinted_before_the_order_holds_what_its_ledger_says():
    bench = ordered(with_a_jug(8.0, 792.0))
    shelf = {jug.name: jug.left_g for jug in bench.bench.jugs}
    assert shelf["B7"] == 800.0
    assert next(e for e in bench.all("jug.listed") if e["jug"] == "B7")["grams"] == 800.0
    assert bench.last("batch.opened")["tints"] == {"B": 0.01}


def test_a_dose_and_a_trial_change_what_is_on_the_shelf():
    bench = ordered(with_a_jug())
    tint(bench, "add", dye="black", grams=5.0)
    tint(bench, "test", judge="match", used_g=105.0)
    assert {j.name: j.left_g for j in bench.bench.jugs}["B7"] == pytest.approx(900.0)


def test_what_the_order_still_needs_of_the_colour():
    """40 full batches and a smaller one of the sample order, all from this colour."""
    bench = ordered(with_a_jug())
    plan, ledger = bench.bench.plan, bench.bench.tints[-1]
    assert plan is not None
    neat_g = sum(size_g for _, size_g in plan.sizes) * 90 / 190
    assert needed_g(bench.bench, ledger) == pytest.approx(neat_g / 0.99)
    file = load_order(SAMPLE_ORDERS_DIR / "slate-knobs.toml", [SAMPLES_DIR])
    waste = 1 + file.order.allow.waste_pct / 100
    assert needed_for(file.order, file.recipe, ledger) == pytest.approx(waste * neat_g / 0.99)
    assert needed_g(with_a_jug().bench, ledger) is None


# -- the pan lent ------------------------------------------------------------------------------


def test_a_lent_pan_takes_no_jug_for_a_cup():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    assert tint(bench, "lend").ok
    bench.put(430.0, 8.0)
    assert weight_answer(bench.bench, bench.now_us / 1e6)["gross_g"] == 430.0
    bench.put(2.4, 8.0)
    assert weight_answer(bench.bench, bench.now_us / 1e6)["gross_g"] == 432.4
    assert bench.bench.batch is not None
    assert bench.bench.batch.phase is Phase.CUP
    assert tint(bench, "return").ok
    bench.rest()
    assert not bench.all("cup.tared"), "what still stands there must go before a cup comes"
    bench.lift()
    bench.put(8.0)
    assert bench.last("cup.tared") == {"cup_g": 8.0}


def test_a_pan_that_is_never_given_back_is_the_batchs_again():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    tint(bench, "lend")
    bench.put(430.0)
    bench.silence(LENT_S)
    bench.lift()
    bench.put(8.0)
    assert bench.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.01)


def test_a_pan_that_is_lent_says_so_and_tares_nothing():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    tint(bench, "lend")
    bench.put(300.0)
    said = "The pan is lent for weighing colour in; an empty cup comes after that."
    assert bench.view.prompt == said
    assert "tare" not in bench.view.choices
    answer = bench.do("tare")
    assert (answer.ok, "The pan is lent" in answer.error) == (False, True)
    assert bench.bench.batch.phase is Phase.CUP


def test_a_loan_is_kept_up_by_asking_again_and_soon_over_without():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    for _ in range(3):
        assert tint(bench, "lend", by="one").ok
        bench.silence(0.7 * LENT_S)
        bench.rest()
        assert "lent" in bench.view.prompt
    bench.silence(0.3 * LENT_S)
    bench.rest()
    assert "lent" not in bench.view.prompt
    assert LENT_S <= 30.0


def test_a_second_weighing_neither_takes_nor_ends_the_loan_of_the_first():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    assert tint(bench, "lend", by="one").ok
    assert "another weighing" in tint(bench, "lend", by="two").error
    assert tint(bench, "return", by="two").ok
    bench.put(300.0)
    assert "lent" in bench.view.prompt
    assert tint(bench, "return", by="one").ok
    assert tint(bench, "lend", by="two").ok


def test_a_bottle_that_was_taken_for_the_cup_is_none_once_the_pan_is_lent():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    bench.put(50.0)
    assert bench.last("cup.tared")
    assert tint(bench, "lend").ok
    bench.put(-2.4)
    assert tint(bench, "return").ok
    bench.lift()
    bench.put(8.0)
    assert bench.last("cup.tared")["cup_g"] == pytest.approx(8.0, abs=0.01)
    assert bench.step == "pour"


def test_a_pan_with_resin_on_it_is_not_lent():
    bench = with_a_jug()
    bench.run(TINTED)
    bench.rest()
    bench.put(8.0)
    bench.stream(20.0)
    answer = tint(bench, "lend")
    assert (answer.ok, "is on the scale" in answer.error) == (False, True)


def test_a_moving_pan_has_no_weight_yet_and_a_silent_scale_says_so():
    bench = AtTheBench(recipe=None)
    bench.rest()
    bench.load_g = 300.0
    bench.reading()
    assert weight_answer(bench.bench, bench.now_us / 1e6)["gross_g"] is None
    answer = weight_answer(bench.bench, bench.now_us / 1e6 + 60.0)
    assert (answer["ok"], "cannot be read now" in answer["error"]) == (False, True)
