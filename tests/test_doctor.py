"""Each thing that can be wrong with a bench is found, and what to do about it is said."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import shutil
import socket
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon import doctor, doctor_links
from daemon.broker_access import HOST, Role, free_port, new_accounts
from daemon.broker_child import child_broker, find_mosquitto
from daemon.broker_embedded import embedded_broker
from daemon.clock import HandClock
from daemon.config import Config
from daemon.doctor import examine
from daemon.doctor_finding import Case, Finding
from daemon.journal import Entry, Journal
from tests.kit_bench import two_knobs
from tests.kit_port import PtyScale

PASSWORD = "BENCHPOUR_MQTT_PASSWORD"


@pytest.fixture(autouse=True)
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders as a service manager gives them; no password lies about."""
    for name in ("CONFIGURATION", "STATE", "RUNTIME"):
        monkeypatch.setenv(f"{name}_DIRECTORY", str(tmp_path / name.lower()))
    monkeypatch.delenv(PASSWORD, raising=False)
    return tmp_path


@pytest.fixture
def scale(tmp_path: Path) -> Iterator[PtyScale]:
    made = PtyScale(tmp_path / "scale")
    yield made
    made.pull_out()


def case(**tables: Any) -> Case:
    return Case(Config.model_validate(tables), None)


def only(findings: Any) -> Finding:
    (finding,) = tuple(findings)
    return finding


@contextlib.contextmanager
def sending(scale: PtyScale, data: bytes) -> Iterator[None]:
    """The scale says this over and over."""

    def send() -> None:
        while not over.wait(0.05):
            scale.say(data)

    over = threading.Event()
    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


# -- a finding ---------------------------------------------------------------------------------


def test_a_finding_is_one_line():
    assert Finding("store", True, "here").line == "ok   store          here"
    wrong = Finding("store", False, "damaged\nat line 3", "keep it").line
    assert wrong == "fix  store          damaged at line 3: keep it"


def test_a_check_that_fails_itself_hides_no_other(monkeypatch):
    def broken(_case: Case) -> Iterator[Finding]:
        raise KeyError("surprise")

    fine = Finding("fine", True, "yes")
    monkeypatch.setattr(doctor, "CHECKS", {"odd": broken, "fine": lambda _case: [fine]})
    found = list(examine(None, {}))
    assert [finding.check for finding in found] == ["configuration", "odd", "fine"]
    assert (found[1].ok, "KeyError: 'surprise'" in found[1].said) == (False, True)


def test_looking_leaves_no_trace(folders):
    list(examine(None, {"broker.url": "none", "sound.to": "none"}))
    assert list(folders.iterdir()) == []


# -- configuration and recipes -----------------------------------------------------------------


def test_settings_that_cannot_be_used_are_told_one_by_one(folders):
    file = folders / "bench.toml"
    file.write_text('bench = "Loft 2"\n[phone]\nport = "x"\n')
    config, found = doctor.configuration(file, {"store.dir": "elsewhere"})
    assert [finding.ok for finding in found] == [False, False]
    assert found[0].said.startswith(f"{file}, line 1, bench: found")
    assert found[1].said.startswith(f"{file}, line 3, phone.port: found")
    assert config.store_dir == Path("elsewhere")


def test_no_settings_at_all_are_the_defaults(folders):
    config, (finding,) = doctor.configuration(None, {})
    assert config == Config()
    assert finding.ok
    assert "benchpour.toml, so all is at its default" in finding.said


def test_each_recipe_that_cannot_be_used_is_named(folders):
    (folders / "good.toml").write_text(
        'name = "k"\nshot_g = 9\npart = [{name="A", by_weight=1}, {name="B", by_weight=1}]\n'
        "times = {pot_life_s = 60}\n"
    )
    looked_at = case(recipes={"dir": str(folders)})
    assert only(doctor.recipes(looked_at)).said == f"1 in {folders}, all of them in order"
    bad = folders / "bad.toml"
    bad.write_text('name = "k"\nshot_g = -9\n')
    finding = only(doctor.recipes(looked_at))
    assert not finding.ok
    assert finding.said.startswith(f"{bad}, line")
    assert "more)" in finding.said
    assert finding.do == f"benchpour recipe check {bad}"


# -- the scale ---------------------------------------------------------------------------------


def test_without_a_scale_the_ports_there_are_are_named():
    finding = only(doctor_links.scale(case()))
    assert (finding.ok, finding.said) == (False, "no scale is named")
    assert "serial ports that are: " in finding.do


@pytest.mark.parametrize(
    ("scale", "said"),
    [
        ({"url": "/dev/nowhere"}, "/dev/nowhere is not there: is the cable in, the scale on?"),
        ({"url": "socket://127.0.0.1:1"}, "nothing answers at socket://127.0.0.1:1"),
        ({"url": "made-up://x"}, "protocol 'made-up' not known"),
        ({"url": "/dev/nowhere", "profile": "nope"}, "no line shape is called 'nope'"),
    ],
)
def test_a_port_that_cannot_be_had_is_told(scale, said):
    finding = only(doctor_links.scale(case(scale=scale)))
    assert not finding.ok
    assert said in finding.said


def test_a_port_that_another_program_has_is_told_with_its_name(scale):
    port = os.open(scale.name, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(port, fcntl.LOCK_EX)
    finding = only(doctor_links.scale(case(scale={"url": scale.name})))
    os.close(port)
    assert not finding.ok
    assert f"(process {os.getpid()})" in finding.said


def test_a_scale_that_is_silent_is_told(scale, monkeypatch):
    monkeypatch.setattr(doctor_links, "HEARD_WITHIN_S", 0.3)
    finding = only(doctor_links.scale(case(scale={"url": str(scale.link)})))
    assert not finding.ok
    assert finding.said == f"{scale.link} is open, but nothing came in 0.3 s"
    assert "benchpour scale listen" in finding.do


@pytest.mark.parametrize("profile", ["auto", "flag-comma-signed"])
def test_a_scale_that_is_understood_is_well(scale, profile):
    with sending(scale, b"ST,GS,+   36.5 g\r\n"):
        port, shape = doctor_links.scale(
            case(scale={"url": str(scale.link), "profile": profile, "baud": 9600})
        )
    assert (port.ok, port.said) == (True, f"{scale.link} sends (9600 8N1)")
    assert (shape.ok, shape.said) == (True, "flag-comma-signed")


def test_a_scale_that_sends_something_else_is_told(scale, monkeypatch):
    monkeypatch.setattr(doctor_links, "SHAPE_WITHIN_S", 1.0)
    with sending(scale, b"hello there\r\n"):
        looked_at = case(scale={"url": str(scale.link), "profile": "flag-comma-signed"})
        port, shape = doctor_links.scale(looked_at)
    assert port.ok
    assert not shape.ok
    assert "no flag-comma-signed in what came" in shape.said


# -- the broker --------------------------------------------------------------------------------


def test_the_broker_the_daemon_would_start_is_named(monkeypatch):
    own = only(doctor_links.broker(case()))
    assert own.ok
    assert (find_mosquitto() or "the embedded one") in own.said
    embedded = only(doctor_links.broker(case(broker={"url": "embedded"})))
    assert embedded.said == "the embedded one, on the loopback"


def test_no_broker_to_be_had_is_told(monkeypatch):
    monkeypatch.setattr(doctor_links.importlib.util, "find_spec", lambda name: None)
    finding = only(doctor_links.broker(case(broker={"url": "embedded"})))
    assert not finding.ok
    assert "apt install mosquitto" in finding.do


def test_no_broker_wanted_is_well():
    assert only(doctor_links.broker(case(broker={"url": "none"}))).ok


def test_a_broker_that_is_not_there_is_told():
    finding = only(doctor_links.broker(case(broker={"url": f"mqtt://{HOST}:{free_port()}"})))
    assert not finding.ok
    assert "nothing listens there" in finding.said


def test_a_password_file_that_is_not_there_is_told(folders):
    looked_at = case(broker={"url": "mqtt://kim@shop:1884", "password_file": str(folders / "gone")})
    finding = only(doctor_links.broker(looked_at))
    assert not finding.ok
    assert "password file" in finding.said


@pytest.fixture
def broker() -> Iterator[tuple[int, str]]:
    """A real broker on the loopback that asks for passwords: its port, and the right one.

    Its folder is one that a broker under an account of its own can get at.
    """
    folder = Path(tempfile.mkdtemp(prefix="benchpour-test-"))
    port, program = free_port(), find_mosquitto()
    accounts = new_accounts(folder, port)
    ready, over, loop = threading.Event(), asyncio.Event(), asyncio.new_event_loop()

    async def serve() -> None:
        served: contextlib.AbstractAsyncContextManager[Any] = (
            child_broker(program, port, accounts, folder)
            if program
            else embedded_broker(port, accounts)
        )
        async with served:
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()))
    thread.start()
    assert ready.wait(10.0)
    yield port, accounts[Role.DAEMON].password
    loop.call_soon_threadsafe(over.set)
    thread.join(10.0)
    loop.close()
    shutil.rmtree(folder)


def test_a_broker_lets_in_or_refuses(broker, monkeypatch):
    port, password = broker
    looked_at = case(broker={"url": f"mqtt://daemon@{HOST}:{port}"})
    monkeypatch.setenv(PASSWORD, password)
    well = only(doctor_links.broker(looked_at))
    monkeypatch.setenv(PASSWORD, "wrong")
    refused = only(doctor_links.broker(looked_at))
    assert (well.ok, well.said) == (True, f"mqtt://daemon@{HOST}:{port} answers and lets us in")
    assert not refused.ok
    assert "refuses user 'daemon'" in refused.said
    assert password not in well.said + refused.said


def test_a_password_in_the_address_is_warned_about(broker):
    port, password = broker
    url = f"mqtt://daemon:{password}@{HOST}:{port}"
    warned, well = doctor_links.broker(case(broker={"url": url}))
    assert "password stands in the address" in warned.said
    assert well.ok
    assert password not in warned.line + well.line


# -- page and sound ----------------------------------------------------------------------------


def test_a_page_port_that_is_taken_is_told():
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        port = other.getsockname()[1]
        taken = only(doctor.phone(case(phone={"port": port})))
    assert not taken.ok
    assert f"{HOST}:{port} cannot be had" in taken.said
    assert only(doctor.phone(case(phone={"port": port}))).ok
    assert only(doctor.phone(case(phone={"off": True}))).said == "off, as set"


def test_a_page_address_of_another_machine_is_told():
    finding = only(doctor.phone(case(phone={"address": "192.0.2.1", "port": 0})))
    assert not finding.ok


@pytest.mark.parametrize(
    ("to", "ok", "said"),
    [
        ("none", True, "cues are only seen"),
        ("bell", True, "the terminal's bell"),
        ("file:/nowhere/cues.wav", False, "/nowhere cannot be written to"),
    ],
)
def test_sound_is_looked_at(to, ok, said):
    finding = only(doctor.sound(case(sound={"to": to})))
    assert (finding.ok, said in finding.said) == (ok, True)


def test_a_sound_file_that_is_there_is_not_touched(tmp_path):
    file = tmp_path / "cues.wav"
    file.write_bytes(b"kept")
    assert only(doctor.sound(case(sound={"to": f"file:{file}"}))).ok
    assert file.read_bytes() == b"kept"


@pytest.mark.parametrize(
    ("program", "said"),
    [
        ("exit 0", "a sound card plays"),
        ("exit 1", "no sound card answers; the terminal's bell rings instead"),
        (None, "the terminal's bell rings instead"),
    ],
)
def test_a_sound_card_is_tried_as_the_daemon_would(program, said, tmp_path, monkeypatch):
    if program is not None:
        fake = tmp_path / "aplay"
        fake.write_text(f"#!/bin/sh\ncat >/dev/null\n{program}\n")
        fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{':/usr/bin:/bin' if program is not None else ''}")
    assert only(doctor.sound(case())).said == said


def test_a_sound_card_that_hangs_is_not_waited_for(monkeypatch):
    def hang(*_words: Any, **more: Any) -> None:
        raise subprocess.TimeoutExpired("aplay", more["timeout"])

    monkeypatch.setattr(doctor.subprocess, "run", hang)
    assert "does not play" in only(doctor.sound(case())).said


# -- the store ---------------------------------------------------------------------------------


def test_a_store_is_well_before_and_after_its_first_pour(tmp_path):
    looked_at = case(store={"dir": str(tmp_path / "new" / "store")})
    assert "which the first run makes" in only(doctor.store(looked_at)).said
    two_knobs().journal(looked_at.store)
    finding = only(doctor.store(looked_at))
    assert finding.ok
    assert finding.said.startswith(f"{looked_at.store}, 2 batches in ")


def test_a_store_that_is_a_file_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    finding = only(doctor.store(case(store={"dir": str(tmp_path / "file" / "store")})))
    assert (finding.ok, "cannot be written to" in finding.said) == (False, True)


def test_a_store_that_may_not_be_written_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(doctor.os, "access", lambda path, mode: False)
    finding = only(doctor.store(case(store={"dir": str(tmp_path)})))
    assert not finding.ok
    assert "read-only" in finding.do
    assert "--store" in finding.do


def test_a_disk_that_is_nearly_full_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(doctor, "LEAST_FREE_MB", 10**12)
    first, *_ = doctor.store(case(store={"dir": str(tmp_path)}))
    assert not first.ok
    assert " MB are free in " in first.said


def test_a_journal_that_is_none_is_told(tmp_path):
    (tmp_path / "journal.sqlite").write_bytes(b"no database at all" * 100)
    finding = only(doctor.store(case(store={"dir": str(tmp_path)})))
    assert not finding.ok
    assert "is damaged or is no journal" in finding.said


def test_a_journal_of_a_later_version_is_told(tmp_path):
    journal = Journal(two_knobs().journal(tmp_path), write=True)
    journal.append(Entry(meta={"form": "99"}))
    journal.close()
    finding = only(doctor.store(case(store={"dir": str(tmp_path)})))
    assert not finding.ok
    assert "written by a later benchpour" in finding.said


# -- daemon, clock and terminal ----------------------------------------------------------------


def test_no_daemon_is_well(tmp_path):
    assert (
        only(doctor.daemon(case(store={"dir": str(tmp_path)}))).said == f"none runs on {tmp_path}"
    )


def test_a_daemon_that_does_not_answer_is_told_with_its_process(tmp_path):
    looked_at = Case(Config.model_validate({"store": {"dir": str(tmp_path)}}), 812)
    finding = only(doctor.daemon(looked_at))
    assert not finding.ok
    assert "kill 812" in finding.do


@pytest.mark.parametrize(
    ("wall_s", "ok"), [(0.0, False), (1_793_620_800.0, True), (5_000_000_000.0, False)]
)
def test_a_clock_that_cannot_be_right_is_told(wall_s, ok, monkeypatch):
    """1970, 2026-11-02, and 2128."""
    monkeypatch.setattr(doctor, "Clock", lambda: HandClock(wall_s=wall_s))
    finding = only(doctor.clock(case()))
    assert finding.ok is ok
    if not ok:
        assert "timedatectl" in finding.do


def test_a_clock_before_the_journals_end_is_told(tmp_path, monkeypatch):
    """A small computer without power for its clock wakes up in the past."""
    store = two_knobs().journal(tmp_path)
    journal = Journal(store, write=True)
    mark = '{"at_us": 5000000, "boot_id": "other", "boottime_us": 1, "wall_us": 1900000000000000}'
    journal.append(Entry(meta={"mark": mark}))
    journal.close()
    monkeypatch.setattr(doctor, "Clock", lambda: HandClock(wall_s=1_793_620_800.0))
    finding = only(doctor.clock(case(store={"dir": str(store)})))
    assert not finding.ok
    assert finding.said == "it shows 2026-11-02T12:00:00.000Z, before the journal's end"


@pytest.mark.parametrize(
    ("kept", "said"),
    [(True, "kept by a time server"), (False, "kept by no time server"), (None, "Z")],
)
def test_who_keeps_the_clock_is_told_and_is_no_fault(kept, said, monkeypatch):
    monkeypatch.setattr(doctor, "_kept_by_server", lambda: kept)
    finding = only(doctor.clock(case()))
    assert finding.ok
    assert finding.said.endswith(said)


def test_the_kernel_can_be_asked_about_its_clock():
    assert doctor._kept_by_server() in (True, False, None)


def test_the_terminal_is_looked_at():
    assert "plain lines" in only(doctor.terminal(case())).said
