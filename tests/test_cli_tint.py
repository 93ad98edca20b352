"""`tint`: a jug's colour from the command line, alone with a scale and beside a running daemon."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import main
from daemon.journal import Journal
from drivers.scale_profile import load_profile
from tests.kit_port import PtyScale

ROOT = Path(__file__).parents[1]
LONGEST_S = 20.0


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("CONFIGURATION", "STATE", "RUNTIME"):
        monkeypatch.setenv(f"{name}_DIRECTORY", str(tmp_path / name.lower()))
    settings = tmp_path / "configuration" / "benchpour.toml"
    settings.parent.mkdir()
    settings.write_text("[phone]\noff = true\n")


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs `tint` with these words; what it printed."""

    def run(*words: str, status: int = 0) -> str:
        assert main(["tint", *words]) == status, capsys.readouterr().err
        found = capsys.readouterr()
        return found.err if status else found.out

    return run


def sheet(told: Callable[..., str], *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(told(*words, "--json"))
    return found


# -- told by hand ------------------------------------------------------------------------------


def test_a_jug_from_its_base_to_the_next_dose(told):
    """Measured: base, then two doses; L*a*b* of a grey that darkens."""
    assert "Colour must be dry" in told(
        "start", "--jug", "B7", "--base-g", "1000", "--target-lab", "50,0,0"
    )
    told("test", "--lab", "92,0,2")
    assert "0.2" in told("add", "black", "--grams", "2", "--strength", "0.1")
    assert "trial 2" in told("test", "--lab", "80,0,1", "--wet-lab", "76,0,1")
    status = sheet(told, "status")
    assert (status["base_g"], status["dyes"]) == (1001.8, {"black": 0.2})
    assert status["fraction"] == pytest.approx(0.2 / 1002, abs=1e-9)
    assert len(status["trials"]) == 2
    (dose,) = sheet(told, "next")["add"]
    assert {"dye", "grams", "low_g", "high_g"} <= dose.keys()
    assert 0 < dose["low_g"] <= dose["grams"] <= dose["high_g"]
    assert re.search(r"weigh in [\d.]+ g of black at 10 %", told("next"))


def test_a_jug_judged_by_eye_with_two_dyes(told):
    told("start", "--jug", "B7", "--base-g", "1000")
    for dye, grams in (("black", "4"), ("blue", "2")):
        told("add", dye, "--grams", grams)
    told("test", "--judge", "lighter", "--by", "clear", "--toward", "blue")
    assert [one["dye"] for one in sheet(told, "next")["add"]] == ["black"]


def test_a_jug_too_dark_is_rescued_against_what_the_order_needs(told):
    told("start", "--jug", "B7", "--base-g", "1000")
    told("add", "black", "--grams", "8")
    told("test", "--judge", "darker", "--by", "strong")
    found = sheet(told, "rescue", "--needed-g", "3000")
    assert found["base_to_add_g"] > 0
    assert found["jug_g_after"] == pytest.approx(1008 + found["base_to_add_g"], abs=0.01)
    assert found["needed_g"] == 3000
    assert "of base bring it back" in told("rescue", "--needed-g", "3000")
    told("add", "base", "--grams", "500")
    assert sheet(told, "status")["base_g"] == 1500
    assert sheet(told, "rescue", "--order", "slate-knobs")["needed_g"] > 2000


def test_the_same_colour_for_another_jug(told):
    told("start", "--jug", "B7", "--base-g", "990")
    told("add", "black", "--grams", "10")
    other = sheet(told, "status", "--for-g", "500")["same_colour"]
    assert other["base_g"] == pytest.approx(495)
    assert other["doses"][0]["grams"] == pytest.approx(5)
    assert "The same colour for 500.0 g" in told("status", "--for-g", "500")


def test_a_slip_is_taken_back(told):
    told("start", "--jug", "B7", "--base-g", "990")
    told("add", "black", "--grams", "10")
    told("add", "black", "--grams", "100")
    assert "Taken back" in told("undo")
    assert sheet(told, "status")["dyes"] == {"black": 10.0}


def test_a_dose_of_another_strength_than_the_last_is_pointed_out(told):
    told("start", "--jug", "B7", "--base-g", "990")
    told("add", "black", "--grams", "10", "--strength", "0.1")
    assert "If that was a slip" in told("add", "black", "--grams", "10")


def test_a_photograph_is_read_beside_a_reference(told):
    """The casting shows as the reference does, so it is of the reference's colour."""
    told("start", "--jug", "B7", "--base-g", "990", "--target-lab", "50,0,0")
    told("add", "black", "--grams", "1")
    told("test", "--rgb", "100,90,80", "--ref-rgb", "100,90,80")
    assert sheet(told, "status")["trials"][0]["lab"] == pytest.approx([50.0, 0.0, 0.0], abs=0.01)
    assert "off a photograph" in told("status")
    assert "tells no colour" in told("test", "--rgb", "1,2,3", status=2)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("test", "--by", "slight"), "belong to a judgement"),
        (("test",), "Tell how the trial looks"),
        (("test", "--judge", "match", "--mix-g", "50"), "needs both"),
    ],
)
def test_wrong_use_says_what_to_give(told, words, why):
    told("start", "--jug", "B7", "--base-g", "990")
    assert why in told(*words, status=2)


def test_before_any_jug_each_command_says_how_to_begin(told, tmp_path):
    for words in (("status",), ("next",), ("rescue",), ("undo",), ("add", "x", "--grams", "1")):
        assert "tint start --jug NAME" in told(*words, status=1)
    assert not (tmp_path / "state" / "journal.sqlite").exists()


def test_without_a_scale_it_is_said_what_to_do(told):
    told("start", "--jug", "B7", "--base-g", "990")
    assert "Give --scale" in told("add", "black", status=1)


def test_filling_a_tinted_jug_up_says_what_becomes_of_its_colour(told, capsys):
    """10 g in 1000 g, and 1000 g more: half a percent."""
    told("start", "--jug", "B7", "--base-g", "990")
    told("add", "black", "--grams", "10")
    assert main(["order", "start", "slate-knobs"]) == 0
    assert main(["jug", "refill", "B7", "--grams", "1000"]) == 0
    assert "0.500 % dye" in capsys.readouterr().out


# -- from the scale ----------------------------------------------------------------------------


class Pan:
    """A scale on a pseudo-terminal that goes on sending what is on its pan."""

    def __init__(self, folder: Path) -> None:
        self.grams = 0.0
        self.scale = PtyScale(folder / "scale")
        self._profile = load_profile("flag-comma-signed")
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._end.wait(0.05):
            frame = self._profile.render(f"{self.grams:.2f}", "g", stable=True, net=False)
            try:
                self.scale.say(frame)
            except BlockingIOError:
                continue  # nobody reads

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        self.scale.pull_out()


@pytest.fixture
def pan(tmp_path: Path) -> Iterator[Pan]:
    made = Pan(tmp_path)
    yield made
    made.close()


class Person:
    """Somebody at the terminal: reads what is said, acts, presses Enter."""

    def __init__(self, *words: str) -> None:
        self.said = ""
        self.child = subprocess.Popen(
            [sys.executable, "-m", "daemon", "tint", *words],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def hears(self, words: str) -> None:
        assert self.child.stdout is not None
        while words not in self.said:
            line = self.child.stdout.readline()
            assert line, f"it ended: {self.said}"
            self.said += line

    def types(self, line: str = "") -> None:
        assert self.child.stdin is not None
        self.child.stdin.write(line + "\n")
        self.child.stdin.flush()

    def ends(self) -> int:
        rest, _ = self.child.communicate(timeout=LONGEST_S)
        self.said += rest
        return self.child.returncode


def weighed_in(pan: Pan, person: Person, before_g: float, after_g: float, last: str = "") -> int:
    person.hears("press Enter")
    pan.grams = before_g
    person.types()
    person.hears(f"It rests at {before_g:g} g")
    person.hears("with the same thing on the pan")
    pan.grams = after_g
    person.types()
    person.hears("Enter books them")
    person.types(last)
    return person.ends()


def test_a_dose_is_weighed_alone_by_what_the_bottle_lost(told, pan):
    told("start", "--jug", "B7", "--base-g", "990")
    person = Person("add", "black", "--scale", str(pan.scale.link), "--strength", "0.5")
    assert weighed_in(pan, person, 182.40, 162.40) == 0, person.said
    assert "20 g went out" in person.said
    assert "The scale's division leaves ±0.0 %" in person.said
    assert sheet(told, "status")["dyes"] == {"black": 10.0}


def test_the_base_is_weighed_alone_by_what_the_jug_gained(told, pan):
    person = Person("start", "--jug", "B7", "--scale", str(pan.scale.link))
    assert weighed_in(pan, person, 95.50, 1095.50) == 0, person.said
    assert sheet(told, "status")["base_g"] == 1000.0


def test_a_weighing_that_is_dropped_books_nothing(told, pan):
    told("start", "--jug", "B7", "--base-g", "990")
    person = Person("add", "black", "--scale", str(pan.scale.link))
    assert weighed_in(pan, person, 182.40, 162.40, "n") == 1
    assert "Nothing was booked" in person.said
    assert sheet(told, "status")["dyes"] == {}


@contextmanager
def daemon_on(pan: Pan, *words: str) -> Iterator[None]:
    """The real one on the default store, reading this pan."""
    quiet = ("--console", "none", "--broker", "none", "--sound", "none")
    child = subprocess.Popen(
        [sys.executable, "-m", "daemon", "run", "--scale", str(pan.scale.link), *quiet, *words],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )
    end_s = time.monotonic() + LONGEST_S
    while answers() is None:
        assert child.poll() is None, child.communicate()[1]
        assert time.monotonic() < end_s, "the daemon reads nothing"
        threading.Event().wait(0.05)
    try:
        yield
    finally:
        child.terminate()
        assert child.wait(LONGEST_S) == 0, child.communicate()[1]


def answers() -> dict[str, Any] | None:
    """What the daemon says of the pan, None before it reads it."""
    from daemon import control

    try:
        found = control.ask(store(), {"weight": "now"})
    except control.ControlError:
        return None
    return found if found.get("ok") and found.get("gross_g") is not None else None


def store() -> Path:
    from daemon.config import load_config

    return load_config(None, {}).store_dir


def test_beside_a_daemon_that_waits_for_its_cup_a_dose_is_weighed_on_its_scale(told, pan):
    """The recipe's jug is tinted while `run` holds the scale; the next batch is weighed for it."""
    told("start", "--jug", "B7", "--base-g", "990")
    with daemon_on(pan, "--recipe", "slate-knob"):
        person = Person("add", "black")
        assert weighed_in(pan, person, 182.40, 172.40) == 0, person.said
        assert "10 g went out" in person.said
        assert sheet(told, "status")["fraction"] == pytest.approx(0.01)
        told("test", "--judge", "match")
    journal = Journal(store(), write=False)
    kinds = [event.kind for event in journal.events_after(0)]
    journal.close()
    assert [kind for kind in kinds if kind.startswith("tint.")] == [
        "tint.started",
        "tint.added",
        "tint.tested",
    ]
    assert "cup.tared" not in kinds, "the bottle was no cup"
