"""The command line: which command there is, what it takes, and what becomes of an error.

Owns the arguments and the exit status. What a command does is in the `cli_*` modules, which are
loaded only when asked for: a person waits for the first prompt.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import sys
from collections.abc import Sequence

from daemon.version import VERSION

COMMANDS: tuple[tuple[str, str], ...] = (
    ("daemon.cli_run", "demo run fill"),
    ("daemon.cli_log", "replay log"),
    ("daemon.cli_recipe", "recipe"),
    ("daemon.cli_scale", "scale"),
    ("daemon.cli_bench", "hand topics doctor schema"),
    ("daemon.cli_phone", "phone"),
    ("daemon.cli_order", "order"),
    ("daemon.cli_jug", "jug"),
    ("daemon.cli_tint", "tint"),
)
"""Which module has which commands; only the one that is called for is loaded."""

DONE, FAILED, WRONG_USE = 0, 1, 2


class CommandFailedError(Exception):
    """A command was refused where it went; the text says why."""


class UsageError(Exception):
    """The command was given something it does not take; the text says what it takes."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    given = list(sys.argv[1:] if argv is None else argv)
    # A name with letters that this terminal lacks is shown in another way, not stumbled over.
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    return _finished(_guarded(given))


def _finished(status: int) -> int:
    """Write out what is still to be written, lest the end of the program stumble over it."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_output()
        return FAILED
    except OSError as error:
        _let_go_of_output()
        return _told(error, FAILED) if status == DONE else status
    return status


def _run(given: Sequence[str]) -> int:
    """Read the arguments and do what they say."""
    try:
        args = parser(given).parse_args(given)
    except SystemExit as end:  # argparse has said all there is to say
        return end.code if isinstance(end.code, int) else WRONG_USE
    if not hasattr(args, "run"):
        parser([]).print_help(sys.stderr)
        return WRONG_USE
    return int(args.run(args))


def parser(given: Sequence[str]) -> argparse.ArgumentParser:
    """The parser for these arguments: all commands, or just the one that they name."""
    top = argparse.ArgumentParser(
        prog="benchpour",
        description="Guides two-part resin pours on a bench scale: when to ease off, when to stop.",
        epilog="example: benchpour run --scale /dev/ttyUSB0 --recipe slate-knob --batches 20",
    )
    top.add_argument("--version", action="version", version=f"benchpour {VERSION}")
    if list(given) == ["--version"]:
        return top
    commands = top.add_subparsers(title="commands", metavar="COMMAND")
    wanted = next((word for word in given if not word.startswith("-")), None)
    known = any(wanted in names.split() for _, names in COMMANDS)
    for module, names in COMMANDS:
        if not known or wanted in names.split():
            importlib.import_module(module).add_parsers(commands, common())
    return top


def common() -> argparse.ArgumentParser:
    """What every command takes."""
    shared = argparse.ArgumentParser(add_help=False)
    group = shared.add_argument_group("everywhere")
    group.add_argument("--config", metavar="FILE", help="the settings, instead of the default file")
    group.add_argument("--store", metavar="DIR", help="where the journal is kept")
    group.add_argument("--debug", action="store_true", help="show where an error comes from")
    return shared


def _guarded(given: Sequence[str]) -> int:
    """Run the command; what goes wrong becomes one plain sentence and an exit status."""
    try:
        return _run(given)
    except BrokenPipeError:
        # Whoever read our output has heard enough.
        _let_go_of_output()
        return FAILED
    except KeyboardInterrupt:
        return 130
    except Exception as raised:
        if "--debug" in given:
            raise
        error = leaf(raised)
        usual = WRONG_USE if isinstance(error, UsageError) else FAILED
        return _told(error, int(getattr(error, "status", usual)))


def leaf(error: Exception) -> Exception:
    """The one thing that went wrong, where it comes wrapped in a group."""
    while isinstance(error, ExceptionGroup):
        error = error.exceptions[0]
    return error


def _let_go_of_output() -> None:
    """What could not be written must not be tried once more at the very end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _told(error: Exception, status: int) -> int:
    known = type(error).__module__.partition(".")[0] in ("daemon", "drivers", "recipes", "tools")
    text = str(error) if known else _unexpected(error)
    print(f"benchpour: {text}", file=sys.stderr)
    return status


def _unexpected(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror}. Nothing that was journaled is lost."
    what = f"{type(error).__name__}: {error}".rstrip(": ")
    return (
        f"Something went wrong that should not have ({what}). Nothing that was journaled is "
        "lost. Run it again with --debug and report what it shows."
    )
