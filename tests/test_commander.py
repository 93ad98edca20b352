"""Commands from anywhere: each reaches the loop whole, or is refused in one sentence."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from daemon.clock import HandClock, Timeline
from daemon.commander import Commander, plain_recipe
from daemon.effects import Answer
from daemon.inputs import Do, Input
from daemon.loop import Reply
from recipes.loader import SAMPLES_DIR, load_recipe
from recipes.model import Recipe


@dataclass
class Taken:
    """A loop that only remembers what it was given."""

    timeline: Timeline = field(default_factory=lambda: Timeline(HandClock(5.0)))
    items: list[tuple[Input, Reply | None]] = field(default_factory=list)

    def take(self, item: Input, reply: Reply | None = None) -> None:
        self.items.append((item, reply))


class Bench:
    """A commander before such a loop, and the answers that it gave by itself."""

    def __init__(self, *folders: Path) -> None:
        self.loop = Taken()
        self.answers: list[Answer] = []
        self.commander = Commander(self.loop, folders)  # type: ignore[arg-type]

    def hear(self, payload: Any) -> Do | None:
        if isinstance(payload, dict):
            payload = json.dumps(payload).encode()
        before = len(self.loop.items)
        self.commander.heard(payload, "mqtt", self.answers.append)
        assert len(self.loop.items) - before + len(self.answers) == 1, "one way or the other"
        if self.answers:
            return None
        item, reply = self.loop.items[-1]
        assert isinstance(item, Do)
        assert reply is not None
        return item


def test_a_command_reaches_the_loop_with_its_id_its_sender_and_its_instant() -> None:
    do = Bench().hear({"id": "k1", "do": "count", "good": 5, "note": "unknown to us"})
    assert do == Do(0, {"do": "count", "good": 5}, "k1", "mqtt")


@pytest.mark.parametrize(
    ("payload", "name"),
    [
        (b"", None),
        (b"{", None),
        (b"[]", None),
        (b'{"do": "next"}', None),
        (b'{"id": true, "do": "next"}', None),
        (b'{"id": "7", "do": "fly"}', "7"),
        (b'{"id": 7, "do": "count"}', 7),
        (b'{"id": "7", "do": "start", "recipe": "../secret"}', "7"),
        (b'{"id": "7", "do": "plan"}', "7"),
        (b'{"id": "7", "do": "forget-hand"}', "7"),
    ],
)
def test_what_cannot_be_read_is_refused_at_once_in_one_sentence(payload: bytes, name: Any) -> None:
    bench = Bench()
    assert bench.hear(payload) is None
    assert bench.answers[0].id == name
    assert not bench.answers[0].ok
    assert bench.answers[0].error
    assert "\n" not in bench.answers[0].error


def test_a_recipe_that_is_named_goes_along_whole() -> None:
    bench = Bench(SAMPLES_DIR)
    do = bench.hear({"id": 1, "do": "start", "recipe": "slate-knob", "batch_g": 66.0})
    assert do is not None
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    assert Recipe.model_validate(do.do["resolved"]) == recipe
    assert do.do["batch_g"] == 66.0


def test_the_first_folder_that_has_the_recipe_wins(tmp_path: Path) -> None:
    text = (SAMPLES_DIR / "slate-knob.toml").read_text().replace("132.0", "100.0")
    (tmp_path / "slate-knob.toml").write_text(text)
    do = Bench(tmp_path, SAMPLES_DIR).hear({"id": 1, "do": "start", "recipe": "slate-knob"})
    assert do is not None
    assert do.do["resolved"]["shot_g"] == 100.0


def test_a_recipe_that_is_not_there_or_broken_is_refused_on_one_line(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("name = 3\nshot_g = -1\n")
    for name in ("nowhere", "bad"):
        bench = Bench(tmp_path)
        assert bench.hear({"id": 1, "do": "start", "recipe": name}) is None
        answer = bench.answers[0]
        assert answer.error is not None
        assert name in answer.error
        assert "\n" not in answer.error


def test_a_recipe_outside_the_folder_cannot_be_reached(tmp_path: Path) -> None:
    inside = tmp_path / "inside"
    inside.mkdir()
    (tmp_path / "secret.toml").write_text((SAMPLES_DIR / "slate-knob.toml").read_text())
    for name in ("../secret", str(tmp_path / "secret.toml"), "..", ".secret", "a/../../secret"):
        bench = Bench(inside)
        assert bench.hear({"id": 1, "do": "start", "recipe": name}) is None
        assert not bench.answers[0].ok


def test_a_command_of_our_own_needs_no_id_and_no_answer() -> None:
    bench = Bench()
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    bench.commander.do({"do": "plan", "resolved": plain_recipe(recipe)}, "start")
    assert isinstance(bench.loop.items[0][0], Do)
    bench.commander.do({"do": "start", "recipe": "nowhere"}, "start")
    assert len(bench.loop.items) == 1


def test_a_plain_recipe_is_read_back_as_it_was() -> None:
    for file in SAMPLES_DIR.glob("*.toml"):
        recipe = load_recipe(file)
        plain = json.loads(json.dumps(plain_recipe(recipe)))
        assert Recipe.model_validate(plain) == recipe
