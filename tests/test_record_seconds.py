"""The shop's own seconds, from the marks of everything recorded, and quoting by them."""

from __future__ import annotations

import json

import pytest

from daemon import cli
from daemon.record_seconds import SEEN_OFTEN, shop_seconds
from tests.kit_record import Story, finish, pour, whole_order


def test_steps_and_operations_come_out_as_they_were_done():
    """The story's own figures: 75 s at the scale, 32 to stir, 10 to close the tank, 36 for six."""
    found = shop_seconds(whole_order(12).rows, 30.0)
    exact = {"dispense": 75.0, "stir": 32.0, "tank": 10.0, "vent": 30.0, "demold": 115.0}
    assert {name: found[name] for name in exact} == pytest.approx(exact, abs=0.5)
    assert found["cut sprues"] == 6.0
    assert 100 / 6 < found["sand foot"] < 125 / 6
    assert 48 <= found["fill"] <= 78


def test_what_was_seen_too_seldom_is_not_quoted_by():
    assert shop_seconds(whole_order(SEEN_OFTEN - 1).rows, 30.0) == {}


def test_stirring_that_nobody_marks_is_taken_off_the_filling():
    """Ninety seconds from the last landing to the filled molds, 30 of them stirring."""
    story = Story()
    for batch in range(1, 5):
        pour(story, batch, fill_s=58.0)
        story.later(900)
    rows = [row for row in story.rows if row.data.get("kind") != "stirred"]
    found = shop_seconds(rows, 30.0)
    assert found["fill"] == 60.0
    assert "stir" not in found


def test_only_the_last_ones_count():
    story = Story()
    for batch in range(1, 101):
        pour(story, batch, fill_s=200.0 if batch <= 60 else 50.0)
        story.later(600)
        finish(story, batch)
    assert shop_seconds(story.rows, 30.0)["fill"] == 50.0


@pytest.fixture
def bare(tmp_path):
    """The sample order without any seconds of its own."""
    from recipes.order_loader import SAMPLE_ORDERS_DIR

    text = (SAMPLE_ORDERS_DIR / "slate-knobs.toml").read_text(encoding="utf-8")
    lines = text.splitlines()
    left = [x for x in lines if not x.startswith(("dispense", "fill", "demold", "seconds_per"))]
    path = tmp_path / "bare.toml"
    path.write_text("\n".join(left), encoding="utf-8")
    return str(path)


def test_the_next_quote_uses_them(bare, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path))
    store = str(whole_order(12).store(tmp_path / "store"))
    assert cli.main(["order", "plan", bare, "--json", "--store", store]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert (plan["measured_s"]["dispense"], plan["measured_s"]["cut sprues"]) == (75.0, 6.0)
    assert plan["assumed_s"] == {}
    assert cli.main(["order", "plan", bare, "--json", "--store", str(tmp_path / "none")]) == 0
    assert json.loads(capsys.readouterr().out)["measured_s"] == {}


def test_what_the_order_says_itself_goes_first(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path))
    store = str(whole_order(12).store(tmp_path / "store"))
    assert cli.main(["order", "plan", "slate-knobs", "--json", "--store", store]) == 0
    plan = json.loads(capsys.readouterr().out)
    own = {"tank": 10.0, "vent": 30.0, "stir": 32.0}
    assert plan["measured_s"] == pytest.approx(own, abs=0.5)


def test_the_plan_takes_the_dye_from_the_jugs_ledger(tmp_path, capsys, monkeypatch):
    """The story's jug B7: 22.56 g of black in 1902.56 g and what the trials told."""
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", str(tmp_path))
    store = str(whole_order(2).store(tmp_path / "store"))
    assert cli.main(["order", "plan", "slate-knobs", "--json", "--store", store]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["dye_g"] / plan["material_g"]["B"] == pytest.approx(22.56 / 1902.56, rel=1e-3)
    assert cli.main(["order", "plan", "slate-knobs", "--store", store]) == 0
    assert "in the B above, as the ledger of jug B7 has it" in capsys.readouterr().out
