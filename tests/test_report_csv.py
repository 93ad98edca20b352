"""The record as tables: a spreadsheet reads them, and no text in them is a formula."""

import csv
import io

from daemon.record import record
from daemon.report_csv import tables
from tests.kit_record import Story, finish, pour, slate_knob, slate_order, whole_order


def read(story):
    found = record(story.rows, recipe_of=lambda batch: slate_knob())
    written = tables(found)
    return {
        name.removesuffix(".csv"): list(csv.DictReader(io.StringIO(text, newline="")))
        for name, text in written.items()
    }


def one_batch(**more):
    story = Story()
    story.tell("order.started", **slate_order())
    story.tell("ambient.told", of="resin", celsius=23.5)
    story.tell("jug.listed", jug="B7", part="B", lot="26-1102", grams=1900)
    pour(story, 1, 0.3, fill_s=95, pieces=6, jugs={"B": "B7"}, **more)
    return story


def test_the_tables_of_a_whole_order():
    found = read(whole_order())
    assert {name: len(rows) for name, rows in found.items()} == {
        "batches": 43,
        "parts": 86,
        "pieces": 59,
        "colour": 6,
        "clocks": 7 * 43,
    }


def test_a_batch_and_its_parts_in_full():
    found = read(one_batch())
    batch = found["batches"][0]
    assert batch["batch"] == "1"
    assert batch["opened_at"] == "2026-11-16T08:00:00.000Z"
    assert (batch["state"], batch["pieces"], batch["dispense_s"]) == ("mixed", "6", "75.0")
    assert (batch["resin_celsius"], batch["room_celsius"], batch["gel_s"]) == ("23.5", "", "")
    a, b = found["parts"]
    assert (a["part"], a["target_g"], a["actual_g"], a["error_g"]) == (
        "A",
        "69.474",
        "69.77",
        "0.296",
    )
    assert (b["jug"], b["lot"], a["jug"]) == ("B7", "26-1102", "")


def test_the_colour_has_a_row_an_entry():
    started, dose, trial, *_ = read(whole_order(2))["colour"]
    assert (started["what"], started["jug"], started["base_g"]) == ("started", "B7", "1880.0")
    assert (dose["dye"], dose["grams"], dose["fraction"]) == ("black", "14.2", "0.0074969")
    assert (trial["light"], trial["a"], trial["b"], trial["wet_b"]) == ("51.9", "0.2", "-1.0", "")


def test_a_missed_clock_has_negative_seconds_to_spare():
    found = {row["clock"]: row for row in read(one_batch())["clocks"]}
    assert (found["pour-by"]["spare_s"], found["pour-by"]["state"]) == ("-1.0", "missed")
    assert (found["demold"]["marked_at"], found["demold"]["state"]) == ("", "open")


def test_pieces_with_their_causes():
    story = one_batch()
    finish(story, 1, 5, [{"rejected": 1, "cause": "bubble, large", "mold": 2, "cavity": 4}])
    good, bad = read(story)["pieces"]
    assert (good["good"], good["rejected"], good["cause"]) == ("5", "0", "")
    assert (bad["rejected"], bad["cause"], bad["mold"], bad["cavity"]) == (
        "1", "bubble, large", "2", "4",
    )  # fmt: skip


def test_text_that_a_spreadsheet_would_run_is_only_shown():
    story = one_batch()
    story.tell("batch.counted", 1, good=0, rejected=1, cause='=HYPERLINK("x")', mold="@m")
    story.tell("batch.counted", 1, good=0, rejected=1, cause="-soft", cavity="+1")
    told = [(row["cause"], row["mold"], row["cavity"]) for row in read(story)["pieces"]]
    assert told == [('\'=HYPERLINK("x")', "'@m", ""), ("'-soft", "", "'+1")]


def test_lines_end_as_the_form_has_it():
    """RFC 4180: a carriage return and a line feed."""
    text = tables(record(one_batch().rows))["pieces.csv"]
    assert text == "batch,at,good,rejected,cause,mold,cavity\r\n"
