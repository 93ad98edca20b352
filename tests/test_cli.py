"""The command line: every command is there and explained, and nothing ends in a traceback."""

from __future__ import annotations

import argparse
import os
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from daemon import cli
from daemon.store import JournalError
from daemon.version import VERSION

PROGRAM = (sys.executable, "-m", "daemon")
ROOT = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders as a service manager gives them; the person's own are out of reach."""
    for name in ("CONFIGURATION", "STATE", "RUNTIME"):
        monkeypatch.setenv(f"{name}_DIRECTORY", str(tmp_path / name.lower()))
    return tmp_path


def run(*words: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """The program as a process of its own."""
    given = {"capture_output": True} | more
    return subprocess.run([*PROGRAM, *words], cwd=ROOT, text=True, timeout=30, check=False, **given)


def every_parser() -> Iterator[tuple[tuple[str, ...], argparse.ArgumentParser]]:
    """Each command and each command in a group, by its words."""
    yield from _below((), cli.parser([]))


def _below(
    words: tuple[str, ...], parser: argparse.ArgumentParser
) -> Iterator[tuple[tuple[str, ...], argparse.ArgumentParser]]:
    yield words, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, child in action.choices.items():
                yield from _below((*words, name), child)


EVERY = dict(every_parser())
LEAVES = [words for words in EVERY if not any(other[:-1] == words for other in EVERY)]


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], int]], None]:
    """Let `benchpour made-up` do this."""

    def set_handler(handler: Callable[[], int]) -> None:
        def add_parsers(commands: Any, common: argparse.ArgumentParser) -> None:
            parser = commands.add_parser("made-up", parents=[common])
            parser.set_defaults(run=lambda args: handler())

        module = ModuleType("daemon.cli_made_up")
        module.add_parsers = add_parsers
        monkeypatch.setitem(sys.modules, "daemon.cli_made_up", module)
        monkeypatch.setattr(cli, "COMMANDS", (("daemon.cli_made_up", "made-up"),))

    return set_handler


def raising(error: BaseException) -> Callable[[], int]:
    def handler() -> int:
        raise error

    return handler


def test_the_version_is_told(capsys):
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out == f"benchpour {VERSION}\n"


def test_the_commands_of_the_contract_are_there():
    wanted = """
        demo / run / fill / replay / log list / log show / log export / recipe check / recipe list /
        recipe show / scale listen / scale profiles / scale decode / hand show / hand forget /
        topics / schema / doctor
    """
    assert {tuple(words.split()) for words in wanted.split("/")} <= set(LEAVES)


@pytest.mark.parametrize("words", EVERY, ids=" ".join)
def test_help_is_everywhere_and_has_an_example(words, capsys):
    assert cli.main([*words, "-h"]) == 0
    said = capsys.readouterr()
    assert "example: benchpour" in said.out
    assert said.out.startswith(f"usage: {' '.join(('benchpour', *words))}")
    assert said.err == ""


@pytest.mark.parametrize("words", LEAVES, ids=" ".join)
def test_every_command_takes_the_settings_and_the_store(words, capsys):
    assert cli.main([*words, "-h"]) == 0
    said = capsys.readouterr().out
    assert "--config FILE" in said
    assert "--store DIR" in said


@pytest.mark.parametrize("words", EVERY, ids=" ".join)
def test_an_example_is_one_that_can_be_given(words):
    example = (EVERY[words].epilog or "").removeprefix("example: benchpour ").split(" > ")[0]
    args = cli.parser([]).parse_args(shlex.split(example))
    assert callable(args.run)


@pytest.mark.parametrize(
    "words",
    [(), ("recipe",), ("scale",), ("hand",), ("nonsense",), ("--nonsense",), ("recipe", "x")],
)
def test_wrong_use_says_what_there_is(words, capsys):
    assert cli.main(list(words)) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "usage: benchpour" in said.err


def test_only_what_is_needed_is_loaded():
    """A person waits for the first line, and a small computer loads slowly."""
    heavy = ("pydantic", "asyncio", "sqlite3", "serial", "rich", "aiomqtt", "amqtt", "websockets")
    code = (
        "import sys; from daemon.cli import main; main(sys.argv[1:]);"
        f"print([name for name in {heavy} if name in sys.modules], file=sys.stderr)"
    )
    loaded = {}
    for words in (("--version",), ("recipe", "list"), ("topics",), ("scale", "profiles")):
        done = subprocess.run(
            [sys.executable, "-c", code, *words],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        loaded[words[0]] = done.stderr.strip()
    assert loaded == {
        "--version": "[]",
        "recipe": "['pydantic']",
        "topics": "['pydantic']",
        "scale": "['pydantic']",
    }


def test_a_known_error_is_one_plain_sentence(given, capsys):
    given(raising(JournalError("The disk is full: free some space.")))
    assert cli.main(["made-up"]) == 1
    assert capsys.readouterr().err == "benchpour: The disk is full: free some space.\n"


def test_wrong_use_found_late_is_wrong_use(given, capsys):
    given(raising(cli.UsageError("Name a scale.")))
    assert cli.main(["made-up"]) == 2
    assert capsys.readouterr().err == "benchpour: Name a scale.\n"


def test_an_error_may_bring_its_own_status(given):
    error = JournalError("x")
    error.status = 2
    given(raising(error))
    assert cli.main(["made-up"]) == 2


def test_the_systems_errors_name_the_file(given, capsys):
    given(raising(PermissionError(13, "Permission denied", "/dev/scale")))
    assert cli.main(["made-up"]) == 1
    assert capsys.readouterr().err.startswith("benchpour: /dev/scale: Permission denied.")


def test_a_fault_of_the_program_is_owned_up_to(given, capsys):
    given(raising(KeyError("surprise")))
    assert cli.main(["made-up"]) == 1
    said = capsys.readouterr().err
    assert "KeyError: 'surprise'" in said
    assert "--debug" in said
    assert said.count("\n") == 1


def test_debug_shows_where_it_comes_from(given):
    given(raising(KeyError("surprise")))
    with pytest.raises(KeyError):
        cli.main(["made-up", "--debug"])


def test_an_interrupt_is_no_fault(given, capsys):
    given(raising(KeyboardInterrupt()))
    assert cli.main(["made-up"]) == 130
    assert capsys.readouterr().err == ""


def run_unheard(*words: str) -> tuple[int, str]:
    """Status and complaints of the program when nobody reads what it prints."""
    read, write = os.pipe()
    os.close(read)
    done = run(*words, capture_output=False, stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    return done.returncode, done.stderr


@pytest.mark.parametrize("words", [("recipe", "list"), ("schema",)], ids=" ".join)
def test_a_reader_that_has_heard_enough_is_no_fault(words):
    assert run_unheard(*words) == (1, "")


def test_help_that_nobody_reads_is_no_fault():
    status, complaint = run_unheard("-h")
    assert complaint == ""
    assert status in (0, 1)  # argparse itself swallows the error where output is not buffered


def test_output_that_cannot_be_written_is_a_failure():
    with Path("/dev/full").open("w") as full:
        done = run("recipe", "list", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 1
    assert done.stderr.startswith("benchpour: No space left on device")
    assert done.stderr.count("\n") == 1


def test_without_any_output_it_still_runs():
    shell = f"{sys.executable} -m daemon recipe list >&- 2>&-"
    assert subprocess.run(shell, shell=True, cwd=ROOT, timeout=30, check=False).returncode == 0


def test_letters_that_the_terminal_lacks_are_shown_another_way():
    plain = os.environ | {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = run("recipe", "show", "slate-knob", env=plain)
    assert (done.returncode, done.stderr) == (0, "")
    assert r"180 s at 23 \xb0C" in done.stdout


def test_a_file_name_that_is_no_text_is_only_a_file_that_is_not_there():
    done = subprocess.run(
        [*PROGRAM, "recipe", "check", b"\xff\xfe.toml"],
        cwd=ROOT,
        capture_output=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 1
    assert b"no such recipe" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("run", "--scale", "/dev/null", "--sound", "mp3"),
        ("run", "--scale", "/dev/null", "--broker", "http://x"),
        ("run", "--scale", "/dev/null", "--order", "x", "--recipe", "y"),
        ("log", "show", "three"),
    ],
    ids=" ".join,
)
def test_an_option_that_cannot_be_is_wrong_use_and_said_plainly(words, capsys):
    assert cli.main(list(words)) == 2
    said = capsys.readouterr().err
    assert "expected" in said or "leave --recipe" in said or "a batch's number" in said


def test_settings_that_cannot_be_used_are_named_with_their_line(folders, capsys):
    file = folders / "bench.toml"
    file.write_text('bench = "bench"\n[cues]\nrisk_pct = 90\n')
    assert cli.main(["topics", "--config", str(file)]) == 1
    assert f"{file}, line 3, cues.risk_pct: found 90, expected" in capsys.readouterr().err
