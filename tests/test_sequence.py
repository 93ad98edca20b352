"""Whole batches at the bench: what is put down and poured, and what is told, heard and shown."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.batch import Phase
from daemon.sequence import NEEDS_THE_SCALE, TABLE
from daemon.view import Step
from tests.kit_core import CUP_G, AtTheBench, recipe, with_cup

URETHANE = [
    {"name": "A", "by_weight": 50, "role": "isocyanate"},
    {"name": "B", "by_weight": 50, "role": "polyol"},
]


def parts(*shares: tuple[str, float, str]) -> list[dict[str, Any]]:
    return [{"name": n, "by_weight": w, "role": r} for n, w, r in shares]


def actuals(there: AtTheBench) -> dict[str, float]:
    """Grams of each part as the mixed batch was told, to the scale's tenth."""
    return {p["name"]: round(p["actual_g"], 1) for p in there.last("batch.mixed")["parts"]}


# --- by gain -------------------------------------------------------------------------------------


def test_a_batch_without_a_miss_needs_no_key() -> None:
    there = AtTheBench()
    assert (there.step, there.prompt) == (
        "cup",
        "Batch 1: put an empty cup on the scale and let go.",
    )
    there.rest()
    there.put(CUP_G)
    assert there.told() == ["cup.tared", "part.started"]
    assert (there.step, there.view.zone, there.prompt) == ("pour", "dump", "Pour A: 50.0 g.")
    there.stream(44)
    assert there.told() == ["stop.coarse"]
    assert (there.view.zone, there.prompt) == ("ease", "Ease off A: a trickle now.")
    there.stream(6, 8.0)
    assert there.told() == ["stop.fine"]
    assert (there.step, there.view.zone) == ("settle", "stop")
    there.rest()
    assert there.told() == ["part.landed", "part.started"]
    there.pour(50)
    assert there.told() == [
        "mix.contact",
        *["timer.started"] * 2,
        "stop.coarse",
        "stop.fine",
        "part.landed",
        "batch.mixed",
        "timer.started",
    ]
    assert there.sounds() == ["tared", *["coarse", "fine", "landed"] * 2, "mixed"]
    assert (there.step, actuals(there)) == ("stir", {"A": 50.0, "B": 50.0})
    there.lift()
    assert (there.step, there.bench.batch, there.answers[1:]) == ("idle", None, [])


def test_the_next_batch_opens_when_the_mixed_cup_has_left_and_idles_after_the_last() -> None:
    there = AtTheBench(batches=3)
    for number in (1, 2, 3):
        there.rest()
        there.put(CUP_G + 0.1 * number)  # every paper cup weighs a little different
        there.pour(50)
        there.pour(50)
        assert (there.view.batch, there.step) == (number, "stir")
        there.rest(5)
        assert there.view.batch == number
        there.lift()
    assert there.bench.batch is None
    assert [e.batch for e in there.events if e.kind == "batch.mixed"] == [1, 2, 3]
    assert [c["cup_g"] for c in there.all("cup.tared")] == pytest.approx([8.1, 8.2, 8.3], abs=0.05)
    there.rest(5)
    assert (there.view.run.batches_done, there.view.run.batches_planned) == (3, 3)
    assert there.told()[-1] != "batch.opened"


def test_without_a_number_of_batches_there_is_always_a_next_one() -> None:
    there = AtTheBench(batches=None)
    for _ in range(3):
        there.rest()
        there.put(CUP_G)
        there.pour(50)
        there.pour(50)
        there.lift()
    assert (there.step, there.view.batch) == ("cup", 4)


def test_eight_cavities_of_a_one_to_one_resin_take_85_g_and_85_g_the_first_part_first() -> None:
    """The dump stops at about 70, 82 and 94 % of A, and B at a running 150 and 160 of 170 g.

    Common practice, no source.
    """
    there = with_cup(recipe=recipe(shot_g=170.0))
    assert there.last("part.started") == {
        "part": "A",
        "target_g": 85.0,
        "stops_g": {"coarse": 68.0, "fine": 80.75},
    }
    there.stream(59.5)  # 70 %
    there.rest(2)
    assert (there.step, there.told()[-1]) == ("pour", "part.started")  # a pause is no short pour
    there.stream(10.2)  # 82 %
    there.rest(2)
    there.stream(10.2)  # 94 %
    there.rest(2)
    there.stream(5.1, 8.0)
    there.rest(3)
    landed = there.last("part.landed")
    assert (landed["target_g"], round(landed["actual_g"], 1)) == (85.0, 85.0)
    there.stream(65)  # a running 150
    there.rest(2)
    there.stream(10)  # a running 160
    there.rest(2)
    assert round(there.view.weight_g) == 160
    there.stream(10, 8.0)
    there.rest(3)
    assert actuals(there) == {"A": 85.0, "B": 85.0}
    assert "part.over" not in [e.kind for e in there.events]


def test_dye_in_the_jug_makes_its_part_heavier() -> None:
    """50 g neat at a mass fraction of 0.02 are 50 / 0.98 = 51.02 g from the jug.

    That B lands heavy because of its dye is common practice, no source; the figure is the mass
    balance of the dye.
    """
    there = with_cup(recipe=recipe(dye={"in": "B", "fraction": 0.02}))
    there.pour(50)
    assert there.last("part.started")["target_g"] == pytest.approx(51.02, abs=0.02)
    there.pour(51)
    mixed = there.last("batch.mixed")
    assert mixed["dye_g"] == pytest.approx(1.02, abs=0.01)
    assert abs(mixed["ratio_error_pct"]) < 0.2


def test_dye_in_the_cup_is_weighed_last_by_what_resin_landed_and_only_trickled() -> None:
    there = with_cup(recipe=recipe(dye={"in": "cup", "fraction": 0.02, "tolerance_g": 0.1}))
    there.pour(51)  # half a gram over the band: B follows, and so does the dye
    there.pour(51)
    started = there.last("part.started")
    assert (started["part"], started["stops_g"]["coarse"]) == ("dye", None)
    assert started["target_g"] == pytest.approx(0.02 * 102, abs=0.01)
    assert there.prompt == "Trickle dye: 2.0 g."
    there.stream(2.0, 1.0)
    there.rest(3)
    assert there.last("batch.mixed")["dye_g"] == pytest.approx(2.0, abs=0.06)
    assert there.step == "stir"


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_three_to_six_parts_follow_one_another_in_the_order_of_the_recipe(count: int) -> None:
    names = [*("B", "powder", "B2", "B3", "B4")[: count - 1], "A"]
    shares = parts(*((n, 20, "filler" if n == "powder" else "polyol") for n in names[:-1]))
    shares += parts(("A", 20, "isocyanate"))
    there = with_cup(recipe=recipe(part=shares, shot_g=20.0 * count))
    for name in names:
        assert there.view.part == name
        there.pour(20)
    assert actuals(there) == dict.fromkeys(names, 20.0)


def test_the_reaction_starts_with_the_part_that_completes_the_pair_not_with_the_filler() -> None:
    there = with_cup(
        recipe=recipe(
            part=parts(("B", 30, "polyol"), ("powder", 40, "filler"), ("A", 30, "isocyanate"))
        )
    )
    there.pour(30)
    there.pour(40)
    assert "mix.contact" not in there.told()
    there.stream(5)
    assert there.told().count("mix.contact") == 1
    assert there.clocks() == {"pour-by-1": "running", "pot-life-1": "running"}


# --- by loss, and in cups of their own -----------------------------------------------------------


def test_by_loss_the_container_stands_on_the_scale_and_the_reading_falls() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    assert there.prompt == "Batch 1: put the container of A on the scale and let go."
    there.put(500.0)
    there.stream(-40)
    there.stream(-10, 8.0)
    there.rest(3)
    assert there.last("part.landed")["actual_g"] == pytest.approx(50.0, abs=0.06)
    assert there.prompt == "Take what is on the pan off; then put the container of B on it."
    there.lift()
    assert there.prompt == "Put the container of B on the scale and let go."
    there.put(300.0)
    there.stream(-40)
    there.stream(-10, 8.0)
    there.rest(3)
    assert actuals(there) == {"A": 50.0, "B": 50.0}
    there.lift()
    assert there.step == "idle"


def test_by_loss_a_container_may_be_lifted_poured_from_and_put_back() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(500.0)
    there.lift(4)
    assert (there.step, there.prompt) == (
        "away",
        "Pour A: 50.0 g to go; then the container back on the scale.",
    )
    there.put(470.0)
    assert (there.step, round(there.view.remaining_g, 1)) == ("pour", 20.0)
    there.lift(3)
    assert there.prompt == "Pour A: 20.0 g to go; then the container back on the scale."
    there.put(450.0, 5)
    assert there.last("part.landed")["actual_g"] == pytest.approx(50.0, abs=0.06)


def test_by_loss_the_reaction_counts_from_when_the_second_container_was_lifted() -> None:
    there = AtTheBench(recipe=recipe(method="loss"))
    there.rest()
    there.put(500.0)
    there.lift(3)
    there.put(450.0, 5)
    there.lift()
    there.put(300.0)
    lifted_s = there.now_us / 1e6
    there.lift(6)
    there.put(250.0, 3)
    started = {t.id: t.started_at_s for t in there.view.timers}["pot-life-1"]
    assert lifted_s <= started <= lifted_s + 0.5


def test_a_container_that_was_nearly_emptied_is_still_on_the_pan_when_the_mix_is_done() -> None:
    there = AtTheBench(recipe=recipe(method="loss"), batches=2)
    there.rest()
    for full_g in (70.0, 62.0):
        there.put(full_g)
        there.stream(-40)
        there.stream(-10, 8.0)
        there.rest(3)
        if full_g == 70.0:
            there.lift()
    there.rest(3)
    assert (there.step, there.view.batch) == ("stir", 1)
    there.lift()
    assert there.view.batch == 2


def own_cups(**changes: Any) -> AtTheBench:
    there = AtTheBench(recipe=recipe(cup={"one_per_part": True, "clings_g": 1.0}, **changes))
    there.rest()
    return there


def test_in_a_cup_each_the_pot_life_starts_when_they_are_combined() -> None:
    there = own_cups()
    assert there.prompt == "Batch 1: put the cup for A on the scale and let go."
    there.put(CUP_G)
    assert there.last("part.started")["target_g"] == 51.0  # 1 g of it stays in its own cup
    there.pour(51)
    assert there.prompt == "Take what is on the pan off; then put the cup for B on it."
    there.lift()
    there.put(CUP_G + 0.4)
    there.pour(50)
    assert (there.step, there.view.needs, there.clocks()) == ("stir", "combined", {})
    assert there.prompt == "Empty A into the cup of B, then say combined."
    there.lift(10)
    there.told()
    assert there.do("next").ok
    assert there.told()[:2] == ["batch.marked", "mix.contact"]
    assert there.last("batch.marked") == {"kind": "combined"}
    mixed = there.last("batch.mixed")
    assert round(mixed["total_g"], 1) == 100.0  # what clings is in no mix
    assert abs(mixed["ratio_error_pct"]) < 0.2


def test_dye_goes_into_the_last_of_the_cups() -> None:
    there = own_cups(dye={"in": "cup", "fraction": 0.03, "tolerance_g": 0.1})
    there.put(CUP_G)
    there.pour(51)
    there.lift()
    there.put(CUP_G)
    there.pour(50)
    assert (there.view.part, there.step) == ("dye", "pour")
    there.stream(3, 1.0)
    there.rest(3)
    assert there.view.needs == "combined"


# --- a fill --------------------------------------------------------------------------------------


def test_a_fill_guides_one_material_to_one_mass_and_ends() -> None:
    from recipes.model import Recipe

    jug = Recipe.for_fill("B", 200.0)
    there = with_cup(recipe=jug)
    there.stream(180)
    there.stream(20, 4.0)
    there.rest(3)
    assert there.told()[-2:] == ["part.landed", "batch.closed"]
    assert there.last("batch.closed") == {
        "reason": "filled",
        "total_g": there.last("part.landed")["actual_g"],
    }
    assert (there.step, there.clocks(), there.bench.lives) == ("idle", {}, ())


# --- given up ------------------------------------------------------------------------------------


def test_a_batch_that_was_given_up_does_not_count_and_its_clocks_end() -> None:
    there = with_cup(batches=1)
    there.pour(50)
    there.stream(10)
    assert there.clocks() == {"pour-by-1": "running", "pot-life-1": "running"}
    there.told()
    assert there.do("abandon", reason="dust in the cup").ok
    assert there.told() == ["batch.abandoned", *["timer.cleared"] * 2, "batch.opened"]
    assert there.last("batch.abandoned") == {"reason": "dust in the cup"}
    assert (there.view.batch, there.view.run.batches_done) == (2, 0)
    assert there.prompt == "Take what is on the pan off; then put an empty cup on it."
    assert there.view.caution.startswith("It heats itself")
    there.lift()
    there.put(CUP_G)
    there.pour(50)
    there.pour(50)
    there.lift()
    assert (there.bench.batch, there.view.run.batches_done) == (None, 1)


def test_a_batch_in_between_does_not_count_among_the_planned_ones() -> None:
    there = AtTheBench(batches=1)
    there.rest()
    assert there.do("start", batch_g=60.0).ok
    assert there.told() == ["batch.abandoned", "batch.opened"]
    there.put(CUP_G)
    assert there.last("part.started")["target_g"] == 30.0
    there.pour(30)
    there.pour(30)
    there.lift()
    assert there.view.batch == 3
    there.put(CUP_G)
    assert there.last("part.started")["target_g"] == 50.0


def test_another_run_lets_a_half_poured_batch_be_finished_and_counts_from_the_next() -> None:
    there = with_cup(batches=5)
    there.pour(50)
    assert there.run(recipe(name="Other knob", shot_g=60.0), 1).ok
    there.pour(50)
    there.lift()
    assert (there.view.recipe, there.view.run.batches_done) == ("Other knob", 0)
    there.put(CUP_G)
    there.pour(30)
    there.pour(30)
    there.lift()
    assert (there.bench.batch, there.view.run.batches_done) == (None, 1)


# --- the table -----------------------------------------------------------------------------------


def test_every_phase_has_its_line_in_the_table() -> None:
    assert set(TABLE) == set(Phase)
    for phase, row in TABLE.items():
        assert row.follows, phase
        assert isinstance(row.step, Step)


def test_only_a_mixed_or_combining_batch_can_do_without_the_scale() -> None:
    assert set(Phase) - NEEDS_THE_SCALE == {Phase.STIR, Phase.COMBINE}


# --- what an event promises ----------------------------------------------------------------------

PROMISED = {
    "batch.opened": {"recipe", "parts"},
    "cup.tared": {"cup_g"},
    "part.started": {"part", "target_g", "stops_g"},
    "stop.coarse": {"part", "reading_g", "flow", "landing_g"},
    "stop.fine": {"part", "reading_g", "flow", "landing_g"},
    "part.short": {"part", "actual_g", "short_g"},
    "part.landed": {"part", "target_g", "actual_g", "error_g", "seconds"},
    "part.over": {"part", "actual_g", "over_g", "plan"},
    "mix.contact": {"pot_life_s", "basis"},
    "mix.corrected": {"parts", "reason"},
    "mix.off": {"ratio_error_pct", "plan"},
    "batch.mixed": {"parts", "ratio_error_pct", "dye_g", "total_g"},
    "timer.started": {"timer", "timer_kind", "ends_at"},
    "timer.warned": {"timer", "timer_kind", "ends_at"},
    "timer.ended": {"timer", "timer_kind", "ends_at"},
    "timer.cleared": {"timer", "timer_kind", "ends_at"},
    "batch.marked": {"kind"},
    "batch.counted": {"good", "rejected"},
    "batch.closed": {"reason"},
    "batch.abandoned": {"reason"},
    "scale.lost": {"port", "why"},
    "scale.found": {"port", "why"},
    "scale.garbled": {"port", "why"},
    "scale.overload": {"port", "why"},
    "daemon.started": {"version"},
    "daemon.resumed": {"version", "batch", "step"},
    "hand.learned": {"hand", "lead_s", "spread_s", "count"},
    "ambient.told": {"of", "celsius"},
    "person.told": {"name"},
}
"""The members of `data` that outsiders rely on, by kind."""


def an_eventful_day() -> AtTheBench:
    """A bench at which nearly everything happens once."""
    from daemon.inputs import DaemonStart, Port

    chemistry = [
        {"name": "A", "by_weight": 50, "role": "isocyanate", "nco_pct": 23.0},
        {"name": "B", "by_weight": 50, "role": "polyol", "oh_number": 300},
    ]
    times = {"pot_life_s": 200, "stir_s": 20, "demold_s": 300, "trim_until_s": 600}
    there = with_cup(recipe=recipe(part=chemistry, times=times), batches=2)
    there.do("ambient", celsius=21.5)
    there.do("person", name="Kim")
    there.pour(48)
    there.stream(2, 2.0)
    there.rest(3)
    there.bytes(b"\x00garbled line\r\n")
    there.bytes(b"OL,GS,+99999.9 g\r\n")
    there.rest()
    there.take(Port(there.now_us, "lost", "/dev/scale", "unplugged"))
    there.take(Port(there.now_us, "found", "/dev/scale"))
    there.rest()
    there.pour(53)
    there.do("correct")
    there.pour(3)
    there.lift()
    for _ in range(3):
        there.do("next")
    there.silence(400)
    there.rest(2)
    there.do("next")
    there.do("count", good=6, rejected=1)
    there.silence(700)
    there.do("abandon")
    there.take(DaemonStart(there.now_us, "0.1.0", True))
    return there


def test_every_event_holds_what_is_promised_of_its_kind() -> None:
    there = an_eventful_day()
    for event in there.events:
        missing = PROMISED[event.kind] - set(event.data)
        assert not missing, (event.kind, missing)
    seen = {event.kind for event in there.events}
    assert set(PROMISED) - seen <= {"mix.off", "batch.closed", "scale.overload"}, (
        set(PROMISED) - seen
    )


def test_what_events_hold_is_json_rounded_and_without_a_negative_nought() -> None:
    import json
    import math

    def figures(value: Any) -> list[float]:
        if isinstance(value, dict):
            return [f for inner in value.values() for f in figures(inner)]
        if isinstance(value, list):
            return [f for inner in value for f in figures(inner)]
        return [value] if isinstance(value, float) else []

    for event in an_eventful_day().events:
        assert json.loads(json.dumps(event.data, allow_nan=False)) == event.data
        for figure in figures(event.data):
            assert round(figure, 4) == figure
            assert not (figure == 0.0 and math.copysign(1.0, figure) < 0), event


def test_a_mixed_batch_tells_its_index_where_the_recipe_gives_the_chemistry() -> None:
    """50 g at 23 % NCO hold 50/182.6 = 0.2738 equivalents, 50 g at an OH number of 300 hold 0.2674.

    Equivalent weights 4200/%NCO and 56100/OH number: urethane calculation guides (ASTM D2572,
    D4274 for the two figures); index as ASTM D7997 defines it.
    """
    there = with_cup(
        recipe=recipe(
            part=[
                {"name": "A", "by_weight": 50, "role": "isocyanate", "nco_pct": 23.0},
                {"name": "B", "by_weight": 50, "role": "polyol", "oh_number": 300},
            ]
        )
    )
    there.pour(50)
    there.pour(50)
    assert there.last("batch.mixed")["index"] == pytest.approx(102.4, abs=0.15)
