"""`order plan` on the command line: what a program reads, what a person reads, what is refused."""

import argparse
import json
import shutil

import jsonschema
import pytest

from daemon import cli, cli_order
from recipes.order_loader import SAMPLE_ORDERS_DIR, OrderError

NUMBER = {"type": "number"}
WHAT_IF = {
    "type": "object",
    "required": ["hours", "saved_hours", "batches_per_hour", "limited_by"],
}
CONTRACT = {
    "type": "object",
    "required": [
        "pieces_to_start", "batches", "last_batch_pieces", "material_g", "dye_g", "cups", "shelf",
        "schedule", "cost",
    ],
    "properties": {
        "pieces_to_start": {"type": "integer"},
        "batches": {"type": "integer"},
        "last_batch_pieces": {"type": "integer"},
        "material_g": {"type": "object", "additionalProperties": NUMBER},
        "dye_g": NUMBER,
        "cups": {"type": "integer"},
        "shelf": {
            "type": "object",
            "additionalProperties": {
                "type": "object",
                "required": ["have_g", "need_g", "short_g"],
                "properties": {"have_g": NUMBER, "need_g": NUMBER, "short_g": NUMBER},
            },
        },
        "schedule": {
            "type": "object",
            "required": ["hours", "batches_per_hour", "limited_by", "what_if"],
            "properties": {
                "hours": NUMBER,
                "batches_per_hour": NUMBER,
                "limited_by": {"enum": ["person", "molds", "tank"]},
                "what_if": {"type": "object", "additionalProperties": WHAT_IF},
            },
        },
        "cost": {
            "type": ["object", "null"],
            "required": ["material", "labour", "setup", "total", "per_piece", "price_per_piece"],
            "additionalProperties": {"type": ["number", "string", "array"]},
        },
    },
}  # fmt: skip


@pytest.fixture
def order(tmp_path, capsys):
    """Runs `order ...` with settings of its own; returns what it printed."""
    settings = tmp_path / "benchpour.toml"
    settings.write_text(f'[recipes]\ndir = "{tmp_path}"\n', encoding="utf-8")

    def run(*words):
        top = argparse.ArgumentParser(prog="benchpour")
        cli_order.add_parsers(top.add_subparsers(), cli.common())
        args = top.parse_args(["order", *words, "--config", str(settings)])
        assert args.run(args) == 0
        return capsys.readouterr().out

    return run


@pytest.mark.parametrize("name", ["slate-knobs", "moss-knobs"])
def test_a_program_gets_one_object_with_all_that_is_promised(order, name):
    text = order("plan", name, "--json")
    assert text.count("\n") == 1
    planned = json.loads(text)
    jsonschema.validate(planned, CONTRACT)
    cost = planned["cost"]
    assert cost["total"] == pytest.approx(cost["material"] + cost["labour"] + cost["setup"])


def test_a_program_gets_the_figures_of_the_plan(order):
    planned = json.loads(order("plan", "slate-knobs", "--json", "--on", "2026-11-25"))
    assert (planned["pieces_to_start"], planned["batches"]) == (256, 43)
    assert (planned["last_batch_pieces"], planned["last_batch_g"]) == (4, 88.0)
    # 256 x 21.5 + 43 x 2 = 5590 g of resin and 1 % for missed cups, 100 to 90, B with its dye.
    assert planned["material_g"]["A"] == pytest.approx(1.01 * 5590 * 100 / 190, abs=0.006)
    assert planned["material_g"]["B"] == pytest.approx(1.01 * 5590 * 90 / 190 / 0.988, abs=0.006)
    assert planned["shelf"]["B"]["have_g"] == 3800
    assert planned["schedule"]["limited_by"] == "tank"
    assert set(planned["schedule"]["what_if"]) == {
        "one_more_mold",
        "one_more_tank_place",
        "second_tank",
        "second_person",
    }
    assert planned["cost"]["currency"] == "EUR"
    assert planned["assumed_s"] == {"tank": 10.0, "vent": 30.0}


def test_a_person_reads_what_to_pour_what_to_have_and_what_it_costs(order):
    text = order("plan", "slate-knobs", "--on", "2026-11-25")
    for said in (
        "Cabinet knobs, slate: 240 good pieces of Slate knob, fast urethane",
        "43 batches of 6 pieces, one mold to a cup, 131.0 g of resin; the last one 4 pieces,",
        "B, tinted    2706.9 g      3800.0 g  1093.1 g to spare, from 2 jugs: B7, B8",
        "12.6 h: 2.5 h of set-up (colour match)",
        "The tank limits the rate: a batch takes 13 min 55 s of it",
        "Of its 2 places 1 can be filled before the first batch in it has to be under pressure",
        "with one more mold                 12.6 h  saves nothing",
        "with a second tank                  9.1 h  saves 3.5 h and 112 EUR of labour",
        "price of one                    4.56  35 % of it margin",
        "Times that nobody gave, so they are assumed: tank 10 s, vent 30 s.",
        "The time for release agent is not known yet",
    ):
        assert said in text
    assert max(map(len, text.splitlines())) <= 100


def test_a_jug_past_its_date_shows_on_a_later_day(order):
    text = order("plan", "slate-knobs", "--on", "2027-06-01")
    assert "short by 2706.9 g, no jug to draw on" in text
    assert "Jug B7 (B, 1900 g) is past its date, 2027-05-01, and is not counted." in text


def test_without_prices_and_jugs_there_is_still_a_plan(order, tmp_path):
    path = tmp_path / "few.toml"
    path.write_text(
        'name = "Few"\nrecipe = "moss-knob"\npieces = 8\n'
        "[mold]\ncavities = 8\ngrams_per_piece = 21\n",
        encoding="utf-8",
    )
    text = order("plan", str(path))
    assert "1 batch of 8 pieces, one mold to a cup, 170.0 g of resin." in text
    assert "enough good ones in 100 of 100 such runs" in text
    assert "Cost" not in text
    assert json.loads(order("plan", str(path), "--json"))["cost"] is None


def test_the_shop_s_own_recipe_folder_is_looked_in(order, tmp_path):
    shutil.copy(SAMPLE_ORDERS_DIR.parent / "moss-knob.toml", tmp_path / "own-knob.toml")
    path = tmp_path / "order.toml"
    path.write_text(
        'name = "Few"\nrecipe = "own-knob"\npieces = 8\n'
        "[mold]\ncavities = 8\ngrams_per_piece = 21\n",
        encoding="utf-8",
    )
    assert "Moss knob" in order("plan", str(path))


def test_an_order_that_is_not_there_or_not_right_is_told_in_one_sentence_each(order, tmp_path):
    with pytest.raises(OrderError, match="found no such file"):
        order("plan", "no-such-order")
    path = tmp_path / "slip.toml"
    text = (SAMPLE_ORDERS_DIR / "slate-knobs.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("cavities", "cavitys"), encoding="utf-8")
    with pytest.raises(OrderError, match=r"slip\.toml, line 9, mold\.cavitys: .* perhaps cavities"):
        order("plan", str(path))


def test_a_day_that_is_none_is_wrong_use(order, capsys):
    with pytest.raises(SystemExit) as end:
        order("plan", "slate-knobs", "--on", "next week")
    assert end.value.code == 2
    assert "a date like 2027-01-15" in capsys.readouterr().err
