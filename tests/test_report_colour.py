"""The colour's history in words: base, doses, trials, and how far from the target."""

from __future__ import annotations

import re
from html import unescape

import pytest

from daemon.record_jugs import Said
from daemon.report_colour import entries

STARTED = Said(
    "", "started", {"jug": "B7", "base_g": 1900.0, "target_lab": [50.0, 2.6772, -79.7751]}
)


def told(what, **data):
    """The words of one entry after a start, and how far it is off the target."""
    entry = list(entries([STARTED, Said("", what, {"jug": "B7"} | data)]))[-1]
    return unescape(re.sub(r"<[^>]*>", "", str(entry.words))).strip(), entry.dye, entry.off


@pytest.mark.parametrize(
    ("what", "data", "words"),
    [
        ("added", {"dye": "black", "grams": 14.2, "strength": 1.0}, "14.20 g of black added"),
        ("added", {"dye": "blue", "grams": 0.31, "strength": 0.1}, "0.310 g of blue at 10 % added"),
        ("added", {"dye": "base", "grams": 500.0}, "500.0 g of untinted base added"),
        ("tested", {"judge": "match"}, "trial: match"),
        ("tested", {"judge": "darker", "by": "clear", "toward": "blue"}, "leans to blue"),
        ("tested", {"lab": [50, 0, 0], "photo": {"rgb": [1, 2, 3]}}, "off a photograph"),
        ("tested", {"wet_lab": [46, 0, 0]}, "trial: wet L*a*b* 46.0 0.0 0.0"),
        (
            "tested",
            {"judge": "match", "mix": {"jug_g": 50.0, "with": {"black": 0.12}}},
            "trial of 50.00 g with 0.120 g of black more: match",
        ),
        ("undone", {}, "the last entry taken back"),
    ],
)
def test_each_entry_in_words(what, data, words):
    assert words in told(what, **data)[0]


def test_a_measured_trial_is_told_beside_its_target():
    """The first of the 34 published pairs of CIEDE2000 (Sharma, Wu and Dalal 2005): 2.0425."""
    target = Said("", "started", STARTED.data)
    lab = [50.0, 0.0, -82.7485]
    *_, entry = entries([target, Said("", "tested", {"jug": "B7", "lab": lab})])
    assert entry.off == "2.0"


def test_the_share_of_dye_is_told_where_it_is_known():
    assert told("added", dye="black", grams=1.0, fraction=0.0125)[1] == "1.250 %"
    assert told("added", dye="black", grams=1.0)[1] == "–"


def test_a_dab_has_the_colour_that_a_screen_has_for_it():
    """L* 53.585 without hue is the middle grey, 128 of 255 (common reference value)."""
    entry = list(entries([STARTED, Said("", "tested", {"jug": "B7", "lab": [53.585, 0, 0]})]))[-1]
    assert "rgb(128, 128, 128)" in entry.words


@pytest.mark.parametrize(
    "data", [{"dye": "black"}, {"dye": "x", "grams": "many"}, {"dye": "x", "grams": []}]
)
def test_what_is_of_no_form_known_here_is_told_as_it_stands(data):
    assert told("added", **data)[0].startswith("added: jug B7; dye")
