"""The bench's health, one finding after another: what is well, or what is wrong and what to do.

Owns the checks and their sentences. Mends nothing, and leaves no trace in a store or on a broker.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.clock import Clock, GoesOn, Timeline
from daemon.config import FILE_NAME, Config, ConfigError, config_dir, load_config
from daemon.doctor_finding import Case, Finding
from daemon.doctor_links import broker, scale
from daemon.journal import Journal
from daemon.messages import rfc3339
from daemon.store import JournalError, holder
from recipes.loader import RecipeError, list_recipes, load_recipe

LEAST_FREE_MB = 50
_EARLIEST_S = 1_767_225_600
"""2026-01-01: no clock that is right shows a time before this program was written."""
_LATEST_S = 4_102_444_800
"""2100-01-01."""
_TIME_ERROR = 5
"""What the kernel answers while nothing keeps its clock (adjtimex, STA_UNSYNC)."""


def examine(path: Path | None, options: Mapping[str, Any]) -> Iterator[Finding]:
    """Every finding, each as soon as it is known; `path` and `options` as for `load_config`."""
    config, found = configuration(path, options)
    yield from found
    case = Case(config, holder(config.store_dir))
    for name, check in CHECKS.items():
        try:
            yield from check(case)
        except Exception as error:
            text = f"could not be looked at ({type(error).__name__}: {error})"
            yield Finding(name, False, text, "report this")


def configuration(
    path: Path | None, options: Mapping[str, Any]
) -> tuple[Config, tuple[Finding, ...]]:
    """The settings, as far as they can be used, and what is wrong with them."""
    file = path or config_dir() / FILE_NAME
    try:
        config = load_config(path, options)
    except ConfigError as error:
        said = tuple(problem.sentence(error.source).rstrip(".") for problem in error.problems)
        advice = "mend it; until then the defaults are looked at"
        found = tuple(Finding("configuration", False, one, advice) for one in said)
        return _options_alone(options), found
    if not file.exists():
        return config, (
            Finding("configuration", True, f"there is no {file}, so all is at its default"),
        )
    return config, (Finding("configuration", True, str(file)),)


def _options_alone(options: Mapping[str, Any]) -> Config:
    tables: dict[str, Any] = {}
    for key, value in options.items():
        table, _, name = key.rpartition(".")
        if value is not None and table:
            tables.setdefault(table, {})[name] = str(value)
    try:
        return Config.model_validate(tables)
    except ValidationError:
        return Config()


def recipes(case: Case) -> Iterator[Finding]:
    """Each recipe of the shop's own that cannot be used."""
    folder = case.config.recipes_dir
    names, bad = list_recipes([folder]), 0
    for path in names.values():
        try:
            load_recipe(path)
        except RecipeError as error:
            bad += 1
            first = error.problems[0].sentence(str(path)).rstrip(".")
            more = f" (and {len(error.problems) - 1} more)" if len(error.problems) > 1 else ""
            yield Finding("recipes", False, first + more, f"benchpour recipe check {path}")
    if not names:
        yield Finding("recipes", True, f"none of your own in {folder}; the samples can be used")
    elif not bad:
        yield Finding("recipes", True, f"{len(names)} in {folder}, all of them in order")


def daemon(case: Case) -> Iterator[Finding]:
    """Whether a daemon runs on the store, and answers."""
    if case.daemon is None:
        yield Finding("daemon", True, f"none runs on {case.store}")
        return
    from daemon.control import ControlError, ask

    try:
        ask(case.store, {})
    except ControlError as error:
        advice = f"end it (kill {case.daemon}) and start it again; what was journaled is kept"
        yield Finding("daemon", False, str(error).rstrip("."), advice)
    else:
        yield Finding("daemon", True, f"process {case.daemon} runs on {case.store} and answers")


def phone(case: Case) -> Iterator[Finding]:
    """Whether the page's port can be had."""
    settings = case.config.phone
    where = f"{settings.address}:{settings.port}"
    if settings.off:
        yield Finding("phone page", True, "off, as set")
        return
    if case.daemon is not None:
        yield Finding("phone page", True, f"{where}, the daemon's")
        return
    family = socket.AF_INET6 if ":" in settings.address else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((settings.address, settings.port))
        except OSError as error:
            advice = "stop what listens there, or set phone.port and phone.address otherwise"
            why = error.strerror or str(error)
            yield Finding("phone page", False, f"{where} cannot be had ({why})", advice)
        else:
            yield Finding("phone page", True, f"{where} is free")


def sound(case: Case) -> Iterator[Finding]:
    """Whether what is to be heard can be."""
    to = case.config.sound.to
    if to == "none":
        yield Finding("sound", True, "none, as set: cues are only seen")
    elif to == "bell":
        yield Finding("sound", True, "the terminal's bell")
    elif to == "auto":
        yield _card(case)
    else:
        folder = Path(to.removeprefix("file:")).parent
        if os.access(folder, os.W_OK):
            yield Finding("sound", True, f"written to {to.removeprefix('file:')}")
        else:
            advice = "name a folder that is there and may be written to"
            yield Finding("sound", False, f"{folder} cannot be written to", advice)


def _card(case: Case) -> Finding:
    from drivers.sound_card import CardStream
    from drivers.tones import RATE

    if case.daemon is not None:
        return Finding("sound", True, "the daemon has it")
    silence = bytes(2 * RATE // 5)
    instead = "the terminal's bell rings instead"
    try:
        done = subprocess.run(
            CardStream.COMMAND, input=silence, capture_output=True, timeout=3, check=False
        )
    except FileNotFoundError:
        return Finding("sound", True, instead, "for a sound card, sudo apt install alsa-utils")
    except (OSError, subprocess.TimeoutExpired):
        return Finding("sound", True, f"the sound card does not play; {instead}")
    if done.returncode:
        return Finding("sound", True, f"no sound card answers; {instead}")
    return Finding("sound", True, "a sound card plays")


def store(case: Case) -> Iterator[Finding]:
    """Whether the journal can be written and read."""
    folder = case.store
    there = next(place for place in (folder, *folder.parents) if place.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        advice = "see who owns it and whether the disk is mounted read-only, or name another"
        yield Finding("store", False, f"{there} cannot be written to", f"{advice} with --store")
        return
    free_mb = shutil.disk_usage(there).free // 1_000_000
    if free_mb < LEAST_FREE_MB:
        yield Finding("store", False, f"only {free_mb} MB are free in {there}", "make room")
    if not (folder / "journal.sqlite").exists():
        made = "" if folder.exists() else ", which the first run makes"
        yield Finding("store", True, f"{folder}{made}; nothing is journaled yet")
        return
    yield from _journal(case)


def _journal(case: Case) -> Iterator[Finding]:
    from daemon.offline import look

    try:
        journal = Journal(case.store, write=False)
        with contextlib.closing(journal):
            batches, events = len(journal.batches()), journal.last_seq()
        note = look(case.store).note
    except JournalError as error:
        yield Finding("store", False, str(error).rstrip("."))
        return
    said = f"{case.store}, {batches} batches in {events} events"
    yield Finding("store", not note, f"{said}. {note}".rstrip(". "))


def clock(case: Case) -> Iterator[Finding]:
    """Whether the times in the record will be right."""
    from daemon.restart import saved_mark

    machine = Clock()
    wall_s = (machine.now_us() + machine.wall_offset_us()) / 1e6
    shown = rfc3339(wall_s)
    advice = "set it: sudo timedatectl set-ntp true, or sudo timedatectl set-time"
    if not _EARLIEST_S <= wall_s <= _LATEST_S:
        yield Finding("clock", False, f"it shows {shown}, which cannot be", advice)
        return
    with (
        contextlib.suppress(JournalError),
        contextlib.closing(Journal(case.store, write=False)) as journal,
    ):
        if Timeline(machine, saved_mark(journal)).goes_on is GoesOn.WALL_BEHIND:
            yield Finding("clock", False, f"it shows {shown}, before the journal's end", advice)
            return
    kept = _kept_by_server()
    if kept is False:
        advice = "for right times in the record, sudo timedatectl set-ntp true"
        yield Finding("clock", True, f"{shown}, kept by no time server", advice)
    else:
        yield Finding("clock", True, f"{shown}{', kept by a time server' if kept else ''}")


def _kept_by_server() -> bool | None:
    """Whether the kernel's clock is being kept right; None where the kernel does not say."""
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))
    except (OSError, AttributeError):
        return None
    return None if answer < 0 else answer != _TIME_ERROR


def terminal(case: Case) -> Iterator[Finding]:
    """What the prompts will be shown on."""
    from daemon.screen import can_draw

    size = shutil.get_terminal_size()
    screen = f"a full screen of {size.columns} x {size.lines}"
    shown = screen if can_draw(sys.stdout) else "plain lines, as there is no terminal"
    yield Finding("terminal", True, f"{shown}; Python {platform.python_version()}")


CHECKS: dict[str, Callable[[Case], Iterable[Finding]]] = {
    "recipes": recipes,
    "daemon": daemon,
    "scale": scale,
    "broker": broker,
    "phone page": phone,
    "sound": sound,
    "store": store,
    "clock": clock,
    "terminal": terminal,
}
"""Everything that is looked at besides the configuration, in order."""
