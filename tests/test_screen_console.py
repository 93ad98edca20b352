"""What is said to the person: at once, for a while, the newest; and which terminal shows it."""

from __future__ import annotations

import io
import sys

import pytest

from daemon.screen_console import SAID_FOR_S, Console, Said
from daemon.screen_words import Notes
from daemon.view import BenchView

VIEW = BenchView(at_s=1.0, wall_offset_s=0.0, prompt="Put an empty cup on the scale.")


def test_what_is_said_is_heard_at_once_and_fades() -> None:
    now, heard = [100.0], []
    said = Said(lambda: now[0], lambda: heard.append(said.current()))
    said.say("The broker is there.")
    said.say("")
    now[0] += SAID_FOR_S - 1
    said.say("The disk is full.")
    assert heard == [
        ("The broker is there.",),
        ("The broker is there.", "The disk is full."),
    ]
    now[0] += 2
    assert said.current() == ("The disk is full.",)
    now[0] += SAID_FOR_S
    assert said.current() == ()


def test_only_the_newest_sentences_are_kept() -> None:
    said = Said(lambda: 0.0)
    for number in range(9):
        said.say(f"Sentence {number}.")
    assert said.current() == tuple(f"Sentence {number}." for number in range(4, 9))


@pytest.mark.parametrize("kind", ["full", "plain"])
async def test_without_a_terminal_the_full_screen_becomes_plain_lines(
    kind: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.FileIO(1, "w", closefd=False)))
    console = Console(kind, lambda: 1.0, lambda: Notes("", "", ("The broker is there.",)))
    console.show(VIEW)
    await console.run()
    console.close()
    written = capfd.readouterr().out
    assert "> Put an empty cup on the scale." in written
    assert "The broker is there." in written
    assert "\x1b" not in written


async def test_nothing_is_written_where_nothing_is_wanted(
    capfd: pytest.CaptureFixture[str],
) -> None:
    console = Console("none", lambda: 1.0, lambda: Notes("", "", ()))
    console.show(VIEW)
    await console.run()
    console.close()
    assert capfd.readouterr().out == ""
