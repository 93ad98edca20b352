"""The one sentence that matters now, in the words of the trade, and the caution beside it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.cautions import DAMP, DUST, EPOXY, HEAT, ISOCYANATE, TANK, VENT
from daemon.inputs import Port
from daemon.prompts import prompt
from tests.kit_core import CUP_G, PHASES, PORT, AtTheBench, at_phase, recipe, with_cup

TIMES = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 30,
    "pressure_s": 600,
    "demold_s": 900,
    "trim_until_s": 14400,
}


def mixed(batches: int = 1, **changes: object) -> AtTheBench:
    there = with_cup(recipe=recipe(**({"times": TIMES} | changes)), batches=batches)
    there.pour(50)
    there.pour(50)
    return there


# --- short, and in the hurry of three minutes to gel ---------------------------------------------


@pytest.mark.parametrize("phase", PHASES)
def test_a_prompt_is_short_enough_to_be_read_with_a_cup_in_the_hand(phase: str) -> None:
    assert len(at_phase(phase).prompt) <= 120


def test_a_whole_batch_prompt_by_prompt() -> None:
    there = AtTheBench(recipe=recipe(times=TIMES), batches=2, said=[])
    there.rest()
    there.put(CUP_G)
    for _ in ("A", "B"):
        there.stream(40)
        there.stream(10, 8.0)
        there.rest(2.5)
    there.lift()
    for _ in range(3):
        there.do("next")
    assert there.said == [
        "No batch is open: start one with a recipe.",
        "Batch 1: put an empty cup on the scale and let go.",
        "Pour A: 50.0 g.",
        "Ease off A: a trickle now.",
        "Stop. Hands off; A settles.",
        "Pour B: 50.0 g.",
        "Ease off B: a trickle now.",
        "Stop. Hands off; B settles.",
        "Stir 30 s: sides and bottom too. Then fill the molds.",
        "Batch 1: stir, sides and bottom too. Then an empty cup for batch 2.",
        "Batch 1: fill the molds. Then an empty cup for batch 2.",
        "Batch 1: molds into the tank, lid clamped. Then an empty cup for batch 2.",
        "Batch 2: put an empty cup on the scale and let go.",
    ]


def test_a_mix_that_is_setting_comes_before_the_next_cup_and_one_that_has_set_does_not() -> None:
    there = mixed(batches=2)
    there.lift()
    assert there.prompt.startswith("Batch 1: stir")
    there.silence(250)
    there.rest(1)
    assert there.prompt == "Batch 2: put an empty cup on the scale and let go."


def test_while_the_cup_is_still_on_the_scale_the_prompt_follows_the_marks() -> None:
    there = mixed()
    assert there.prompt == "Stir 30 s: sides and bottom too. Then fill the molds."
    there.do("next")
    assert there.prompt == "Fill the molds now."
    there.do("next")
    assert there.prompt == "Take the cup off the scale: batch 1 is poured."


def test_grams_are_written_as_the_scale_shows_them() -> None:
    there = with_cup(recipe=recipe(shot_g=66.66))
    assert there.prompt == "Pour A: 33.3 g."


def test_an_idle_bench_says_what_is_next() -> None:
    assert AtTheBench(recipe=None).prompt == "No batch is open: start one with a recipe."
    there = mixed(times={"pot_life_s": 200, "stir_s": None})
    there.lift()
    assert there.prompt == "Batch 1: fill the molds."
    there.do("next")
    assert there.prompt == "Batch 1: ready to demold."
    there.do("next")
    assert there.prompt == "All batches are poured."
    there.take(Port(there.now_us, "lost", PORT, "unplugged"))
    assert there.prompt == "No reading: unplugged."


# --- the shop's own words ------------------------------------------------------------------------


def test_the_shops_own_words_stand_at_their_step() -> None:
    own = {
        "cup": "a dry cup, label outwards",
        "A": "crack the lid slowly",
        "pour": "low and slow",
        "settle": "wipe the lip",
        "decide": "ask the board",
        "stir": "scrape twice",
        "fill": "half fill, tip, top off",
        "tank": "witness cup in as well",
        "vent": "crack the valve, count to sixty",
        "demold": "peel from the corner",
        "trim": "snips, then file",
        "away": "same cup, same place",
    }
    there = AtTheBench(recipe=recipe(times=TIMES, prompts=own))
    assert there.prompt == "a dry cup, label outwards."
    there.rest()
    there.put(CUP_G)
    assert there.prompt == "Pour A: 50.0 g. crack the lid slowly."
    there.stream(44)
    there.stream(6, 8.0)
    assert there.prompt == "Stop. Hands off; A settles. wipe the lip."
    there.rest(2.5)
    assert there.prompt == "Pour B: 50.0 g. low and slow."
    lifted = there.lift()
    assert there.prompt == "same cup, same place."
    there.put(lifted)
    there.pour(53)
    assert there.prompt.endswith("Or accept it as it is. ask the board.")
    there.do("accept")
    assert there.prompt == "Stir 30 s: scrape twice. Then half fill, tip, top off."
    there.lift()
    there.do("next")
    assert there.prompt == "Batch 1: half fill, tip, top off."
    there.do("next")
    assert there.prompt == "Batch 1: witness cup in as well."
    there.do("next")
    there.silence(650)
    assert there.prompt == "Batch 1: crack the valve, count to sixty."
    assert there.view.caution == VENT
    for _ in range(3):
        there.do("next")
    there.silence(300)
    assert there.prompt == "Batch 1: peel from the corner."
    there.do("next")
    assert there.prompt == "Batch 1: snips, then file."


def test_the_shops_words_for_combining_and_for_the_dye() -> None:
    there = AtTheBench(
        recipe=recipe(
            cup={"one_per_part": True},
            dye={"in": "cup", "fraction": 0.02, "tolerance_g": 0.2},
            prompts={"combine": "B into A's cup", "dye": "from the tip of a stick"},
        )
    )
    there.rest()
    there.put(CUP_G)
    there.pour(50)
    there.lift()
    there.put(CUP_G)
    there.pour(50)
    assert there.prompt == "Trickle dye: 2.0 g. from the tip of a stick."
    there.stream(2, 1.0)
    there.rest(3)
    assert there.prompt == "B into A's cup."


# --- cautions ------------------------------------------------------------------------------------


def test_a_caution_stands_at_the_step_that_it_belongs_to() -> None:
    there = AtTheBench(recipe=recipe(times=TIMES))
    assert there.view.caution == DAMP
    there.rest()
    there.put(CUP_G)
    assert there.view.caution == ISOCYANATE
    there.pour(50)
    there.pour(50)
    assert there.view.caution == HEAT
    there.lift()
    there.do("mark", kind="poured")
    assert there.view.caution == TANK
    there.do("next")
    there.silence(650)
    assert there.view.caution == VENT
    for _ in range(3):
        there.do("next")
    there.silence(300)
    assert there.view.caution == DUST
    there.do("next")
    assert there.view.caution == DUST
    there.do("next")
    assert there.view.caution == ""


def test_while_a_mix_is_stirred_the_tank_is_never_opened_by_a_key_that_means_the_molds() -> None:
    """`next` does the oldest thing that is due, so the prompt says whose turn that is."""
    there = AtTheBench(recipe=recipe(times=TIMES, prompts={"fill": "half fill, tip"}), batches=2)
    there.rest()
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    there.lift()
    for mark in ("stirred", "poured", "in-tank"):
        assert there.do("mark", kind=mark).ok
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    assert there.view.caution == HEAT
    there.silence(610)
    there.do("mark", kind="stirred", batch=2)
    assert there.view.due == "witness cup hard (batch 1)"
    assert there.view.caution == VENT
    assert there.prompt == (
        "Now half fill, tip. Next marks batch 1 first: to open the tank: witness cup hard, inlet "
        "closed, vent to zero, read the gauge, then open the lid."
    )


def test_the_shops_words_without_a_full_stop_get_one_where_more_follows() -> None:
    there = AtTheBench(recipe=recipe(times=TIMES, prompts={"fill": "half fill"}), batches=2)
    there.rest()
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    there.do("mark", kind="stirred")
    there.lift()
    assert there.prompt == "Batch 1: half fill. Then an empty cup for batch 2."


def test_epoxy_and_silicone_have_cautions_of_their_own_or_none() -> None:
    def of(one: str, other: str) -> str:
        parts = [
            {"name": "base", "by_weight": 2, "role": one},
            {"name": "other", "by_weight": 1, "role": other},
        ]
        return with_cup(recipe=recipe(part=parts)).view.caution

    assert of("epoxy", "hardener") == EPOXY
    assert of("silicone-base", "silicone-curative") == ""


def test_every_caution_defers_to_the_maker_the_law_or_tells_what_to_do() -> None:
    for caution in (ISOCYANATE, EPOXY, DUST):
        assert "data sheet" in caution
    assert "local rules" in TANK
    assert "licensed practice" in TANK
    assert "Never seal" in DAMP
    order = ["witness cup hard", "inlet closed", "vent to zero", "gauge", "lid"]
    assert sorted(order, key=VENT.index) == order


def test_a_left_over_cup_that_was_given_up_is_warned_of() -> None:
    there = with_cup()
    there.pour(50)
    there.stream(10)
    there.do("abandon")
    assert there.view.caution == HEAT


def test_what_sets_comes_before_a_warning_for_the_next_batch() -> None:
    there = mixed(batches=2)
    there.lift()
    bench = there.bench
    warned = replace(bench, batch=replace(bench.batch, warnings=("Shake jug B7 for a minute.",)))
    assert prompt(warned).startswith("Batch 1: stir")
    for _ in range(3):
        there.do("next")
    bench = there.bench
    warned = replace(bench, batch=replace(bench.batch, warnings=("Shake jug B7 for a minute.",)))
    assert prompt(warned) == "Shake jug B7 for a minute. Then put an empty cup on the scale."
