"""`order report` and `order status` on a store, as a person and a program use them."""

import json
import sys
from dataclasses import replace
from random import Random

import pytest

from daemon import cli
from daemon.cli_order_start import found_order
from daemon.cli_order_traces import recipe_of, traces
from daemon.journal import Journal
from daemon.order_run import OrderRun, counted, more_batches
from daemon.record import record
from daemon.record_forecast import forecast
from tests.kit_bench import SimBench, slate, two_knobs
from tests.kit_record import A_G, B_G, Story, finish, pour, slate_knob, slate_order, whole_order


@pytest.fixture
def order(tmp_path, capsys, monkeypatch):
    """Runs `benchpour order ...` on a store with settings of its own, in a folder of its own."""
    settings = tmp_path / "benchpour.toml"
    settings.write_text("", encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    def run(*words, store=tmp_path / "store", status=0):
        given = ["order", *words, "--store", str(store), "--config", str(settings)]
        assert cli.main(given) == status
        out, err = capsys.readouterr()
        return err if status else out

    return run


def under_way(batches=4, rejects=0):
    """An order of which some batches are poured, a batch every ten minutes."""
    story = Story()
    story.tell("order.started", **slate_order())
    for batch in range(1, batches + 1):
        began_s = story.at_s
        pour(story, batch, pieces=6, order="Cabinet knobs, slate")
        if batch > 1:
            bad = [{"rejected": rejects, "cause": "bubble"}] * bool(rejects)
            finish(story, batch - 1, 6 - rejects, bad)
        story.at_s = began_s + 600
    return story


# --- the page ------------------------------------------------------------------------------------


def test_the_page_is_named_after_the_order(order, tmp_path):
    whole_order(6).store(tmp_path / "store")
    said = order("report")
    page = tmp_path / "cabinet-knobs-slate.html"
    assert said.startswith("cabinet-knobs-slate.html: ")
    assert said.endswith(" kB.\n")
    text = page.read_text(encoding="utf-8")
    assert "<h1>Cabinet knobs, slate</h1>" in text
    assert text.count("<svg") == 3


def test_page_and_tables_go_where_they_are_wanted(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    said = order("report", "-o", "record.html", "--csv", "tables/knobs")
    assert "tables/knobs: batches.csv, parts.csv, pieces.csv, colour.csv, clocks.csv" in said
    assert (tmp_path / "record.html").is_file()
    names = {path.name for path in (tmp_path / "tables/knobs").iterdir()}
    assert names == {f"{name}.csv" for name in ("batches", "parts", "pieces", "colour", "clocks")}


def test_tables_alone_write_no_page(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    order("report", "--csv", "tables")
    assert list(tmp_path.glob("*.html")) == []


def test_the_page_goes_to_standard_output(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    assert order("report", "-o", "-").startswith("<!doctype html>")


def test_a_program_gets_one_object(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    text = order("report", "--json")
    assert text.count("\n") == 1
    told = json.loads(text)
    assert (told["name"], told["good"], len(told["batches"])) == ("Cabinet knobs, slate", 17, 3)
    assert told["batches"][0]["parts"][0]["name"] == "A"
    assert told["order"]["mold"]["cavities"] == 6
    assert isinstance(told["cost"]["total"], float)
    assert list(tmp_path.glob("*.html")) == []


def test_an_order_or_a_recipe_is_named(order, tmp_path):
    story = under_way(1)
    pour(story, 2)
    story.tell("order.started", **slate_order(name="Second run"))
    story.store(tmp_path / "store")
    assert json.loads(order("report", "--json"))["name"] == "Second run"
    told = json.loads(order("report", "Cabinet knobs, slate", "--json"))
    assert [batch["number"] for batch in told["batches"]] == [1]
    run = json.loads(order("report", "Slate knob, fast urethane", "--json"))
    assert (run["kind"], len(run["batches"])) == ("run", 2)


def test_a_run_without_an_order_is_reported_with_its_pours(order, tmp_path):
    two_knobs().journal(tmp_path / "store")
    order("report", "-o", "run.html")
    text = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert "Record of a run" in text
    assert text.count('aria-label="Pours of batch') == 2


def test_a_daemon_that_runs_meanwhile_is_not_disturbed(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    running = Journal(tmp_path / "store", write=True)
    try:
        assert order("report").endswith(" kB.\n")
        assert "good pieces" in order("status")
    finally:
        running.close()


def test_without_the_charting_library_it_says_what_adds_charts(order, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pygal", None)
    two_knobs().journal(tmp_path / "store")
    said = order("report", "-o", "run.html")
    assert "Without charts; pip install 'benchpour[report]' adds them." in said
    assert "<svg" not in (tmp_path / "run.html").read_text(encoding="utf-8")


# --- what goes wrong -----------------------------------------------------------------------------


def test_a_store_that_is_not_there_is_told(order, tmp_path):
    assert "There is no journal" in order("report", store=tmp_path / "nowhere", status=1)


def test_an_empty_store_is_told(order, tmp_path):
    Story().store(tmp_path / "store")
    said = order("status", status=1)
    assert "Nothing has been poured in this store yet." in said
    assert "benchpour order start FILE" in said


def test_a_name_that_is_not_there_is_told_with_those_that_are(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    said = order("report", "Drawer pulls", status=1)
    assert "no order or run called 'Drawer pulls'" in said
    assert "there are: Cabinet knobs, slate, Slate knob, fast urethane." in said


def test_a_page_that_cannot_be_written_leaves_the_old_one(order, tmp_path):
    whole_order(3).store(tmp_path / "store")
    folder = tmp_path / "record.html"
    folder.mkdir()
    said = order("report", "-o", "record.html", status=1)
    assert "record.html" in said
    assert "Nothing that was journaled is lost." in said
    assert list(tmp_path.glob("*.part")) == []


# --- pours ---------------------------------------------------------------------------------------


def read(folder):
    journal = Journal(folder, write=False)
    try:
        events = journal.events_between(0, None)
        found = record(events, recipe_of=lambda batch: recipe_of(journal, batch))
        return found, list(traces(journal, found))
    finally:
        journal.close()


def test_a_traces_end_is_what_landed(tmp_path):
    found, drawn = read(two_knobs().journal(tmp_path / "store"))
    assert found.recipe.name == slate_knob().name
    assert [one.batch for one in drawn] == [1, 2]
    for batch, one in zip(found.batches, drawn, strict=True):
        for part, line in zip(batch.parts, one.parts, strict=True):
            assert line.name == part.name
            assert line.points[0][1] == pytest.approx(0.0, abs=0.3)
            assert line.points[-1][1] == pytest.approx(part.actual_g, abs=0.3)
            assert [name for name, _ in line.cues][:2] == ["stop.coarse", "stop.fine"]
            assert len(line.points) < 120


def test_a_pour_whose_scale_was_recognised_on_the_way_is_drawn(tmp_path):
    bench = SimBench(slate(), seed=4, recognise=True, shred=True)
    _, drawn = read(bench.pour().journal(tmp_path / "store"))
    assert len(drawn) == 1
    assert len(drawn[0].parts) == 2


def test_a_state_that_is_not_known_costs_only_the_drawing(tmp_path):
    found, drawn = read(whole_order(3).store(tmp_path / "store"))
    assert found.recipe is not None
    assert drawn == []


# --- status --------------------------------------------------------------------------------------


def test_status_for_a_person(order, tmp_path):
    under_way(4, rejects=1).store(tmp_path / "store")
    lines = order("status").splitlines()
    assert lines[0] == "Cabinet knobs, slate: 15 of 240 good pieces, 3 rejected."
    assert lines[1] == "Rejects are somewhere from 3.6 % to 41.4 %."
    assert lines[2] == "Batches mixed: 4 of 43."
    assert lines[3].startswith("The last cup about 2026-11-16 ")
    assert "cut sprues: 18 pieces" in lines
    assert "  225 of 240 good pieces are still to come." in lines


def test_status_for_a_program(order, tmp_path):
    under_way(4).store(tmp_path / "store")
    told = json.loads(order("status", "--json"))
    assert (told["pieces"], told["good"], told["uncounted"]) == (240, 18, 6)
    assert (told["batches_done"], told["batches_planned"]) == (4, 43)
    assert told["eta_early"] <= told["eta"] <= told["eta_late"]


def test_status_of_a_run_without_an_order(order, tmp_path):
    two_knobs().journal(tmp_path / "store")
    said = order("status")
    assert "Batches mixed: 2." in said
    assert json.loads(order("status", "--json"))["eta"] is None


# --- the forecast --------------------------------------------------------------------------------


def coming(story):
    return forecast(record(story.rows, recipe_of=lambda batch: slate_knob()))


def test_the_last_cup_comes_so_many_batches_on_at_the_pace_so_far():
    """Mixed at 95 s, then every 600 s; 43 batches, so the last is mixed at 95 + 42 x 600 s."""
    found = coming(under_way(4))
    assert found.batches == 39
    assert found.at == "2026-11-16T15:01:35.000Z"


def test_the_range_is_that_of_the_reject_rate():
    """Nothing rejected yet of 18: from none to a seventh; 222 pieces and 6 under way."""
    calm, bad = coming(under_way(4)), coming(under_way(4, rejects=2))
    assert calm.least <= calm.batches <= calm.most
    assert 36 <= calm.least <= 38
    assert 39 <= calm.most <= 44
    assert bad.most > calm.most + 3


def poured_to_the_end(seed, rejects):
    """A run with this true reject rate, extended as the bench does; batches, and two forecasts."""
    rng, story, order = Random(seed), Story(), slate_order()
    file = found_order("slate-knobs", [])
    run = OrderRun(file.order, file.recipe)
    story.tell("order.started", **order)
    sizes = [(batch["pieces"], batch["resin_g"]) for batch in order["batches"]]
    batch, told = 0, {}
    while sizes:
        (pieces, _), batch = sizes.pop(0), batch + 1
        story.opened(batch, "Slate knob, fast urethane", A_G, B_G, pieces=pieces)
        story.mixed(batch, A_G, B_G, 0.0)
        bad = sum(rng.random() < rejects for _ in range(pieces))
        story.tell("batch.counted", batch, good=pieces - bad, rejected=bad)
        run = counted(replace(run, started=(*run.started, pieces)), pieces - bad, bad)
        more = more_batches(run, tuple(sizes))
        if more:
            sizes += more
            story.tell("order.extended", batches=len(more), rejected=0, counted=0)
        if batch in (8, 20):
            told[batch] = coming(story)
    return batch, told


@pytest.mark.parametrize("rejects", [0.03, 0.08, 0.15])
def test_the_range_holds_what_comes_though_the_rate_is_not_the_expected_one(rejects):
    """Expected are 4 %; 16 runs are poured to their end at another rate."""
    held = 0
    for seed in range(16):
        batches, told = poured_to_the_end(seed, rejects)
        held += sum(f.least <= batches - at <= f.most for at, f in told.items())
    assert held >= 0.9 * 2 * 16


def test_added_batches_are_still_to_come():
    story = under_way(4)
    story.tell("order.extended", batches=2, rejected=8, counted=24)
    assert coming(story).batches == 41


def test_before_the_second_batch_there_is_no_pace():
    found = coming(under_way(1))
    assert (found.batches, found.at) == (42, None)


def test_a_lunch_is_no_pace():
    story = under_way(3)
    story.later(3000)
    pour(story, 4, pieces=6, order="Cabinet knobs, slate")
    found = coming(story)
    assert found.at == "2026-11-16T15:51:35.000Z", "39 x 600 s after the batch after lunch"


def test_a_whole_order_has_nothing_to_come():
    found = coming(whole_order())
    assert (found.batches, found.least, found.most, found.at) == (0, 0, 0, None)


def test_the_order_commands_have_help_with_an_example(capsys):
    for words in (["order", "report", "-h"], ["order", "status", "-h"]):
        assert cli.main(words) == 0
        assert "example: benchpour order" in capsys.readouterr().out
