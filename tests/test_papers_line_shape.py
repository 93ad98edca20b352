"""What the papers say about line shapes holds: the example is a shape, the commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from daemon.cli import main
from drivers.decoder import Decoder
from drivers.profile_fields import FACTS
from drivers.reading import Garbled, Reading
from drivers.recogniser import Recogniser
from drivers.scale_profile import known_profiles, parse_profile

ROOT = Path(__file__).parents[1]


def section(paper: str, title: str) -> str:
    text = (ROOT / paper).read_text()
    found = re.search(rf"^(#+) {re.escape(title)}\n(.*?)(?=^#{{1,3}} |\Z)", text, re.DOTALL | re.M)
    assert found is not None, title
    return found[2]


@pytest.fixture(scope="module")
def example():
    (block,) = re.findall(
        r"```toml\n(.*?)```", section("DEVELOPERS.md", "Adding a line shape"), re.DOTALL
    )
    return parse_profile(block, "DEVELOPERS.md")


def test_the_example_of_a_line_shape_reads_the_line_that_it_shows(example):
    line = example.about.partition("rest: ")[2].encode() + b"\r\n"
    assert line == b"W:   125.4 g  S\r\n"
    assert example.render("125.4", "g") == line
    items = Decoder(example).feed(
        0.0, line * 2 + line.replace(b"S\r", b"M\r") + b"W:--------    M\r\n"
    )
    assert [
        (r.text, r.unit, r.declared, r.overload, r.trusted) for r in items if isinstance(r, Reading)
    ] == [
        ("125.4", "g", True, False, False),
        ("125.4", "g", True, False, True),
        ("125.4", "g", False, False, False),
        (None, None, False, True, False),
    ]


def test_a_shortened_line_of_the_example_is_damage(example):
    line = example.render("125.4", "g")
    for at in range(len(line) - 2):
        (item,) = Decoder(example).feed(0.0, line + line[:at] + line[at + 1 :])[1:]
        assert isinstance(item, Garbled)


def test_the_example_is_recognised_beside_the_shapes_that_ship(example):
    recogniser = Recogniser([*known_profiles(), example])
    recogniser.feed(0.0, example.render("125.4", "g") * 5)
    assert recogniser.profile_name == example.name


def test_the_words_that_the_section_uses_mean_something():
    text = section("DEVELOPERS.md", "Adding a line shape")
    assert {"stable", "moving", "other", "out"} <= FACTS
    for word in ("stable", "moving", "other"):
        assert f"`{word}`" in text


def test_the_commands_for_an_unknown_scale_are_there(capsys):
    text = section("README.md", "A scale nobody has described")
    words = set(re.findall(r"(?:benchpour )?scale (listen|decode)", text))
    assert words == {"listen", "decode"}
    for word in words:
        assert main(["scale", word, "-h"]) == 0
    capsys.readouterr()
