"""The control socket: one answer a line, for whoever may reach it, whatever is sent."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon import control
from daemon.control import ControlError, ask, serve


@pytest.fixture
def store() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


async def echo(request: dict[str, Any]) -> dict[str, Any]:
    if "stumble" in request:
        raise KeyError(request["stumble"])
    return {"ok": True, "request": request}


async def asked(store: Path, request: dict[str, Any]) -> dict[str, Any]:
    return await asyncio.to_thread(ask, store, request)


@contextmanager
def line_to(store: Path) -> Iterator[socket.socket]:
    """A line that a program of somebody else's has opened."""
    with control._short_path(store) as path, socket.socket(socket.AF_UNIX) as line:
        line.settimeout(5)
        line.connect(path)
        yield line


def answers(store: Path, sent: bytes, count: int) -> list[dict[str, Any]]:
    with line_to(store) as line:
        line.sendall(sent)
        with line.makefile("rb") as back:
            return [json.loads(back.readline()) for _ in range(count)]


async def test_what_is_asked_comes_back_answered(store: Path) -> None:
    async with serve(store, echo):
        found = await asked(store, {"do": "start", "recipe": "Eiche, geölt"})
    assert found == {"ok": True, "request": {"do": "start", "recipe": "Eiche, geölt"}}


async def test_only_the_owner_may_reach_it_and_only_while_it_serves(store: Path) -> None:
    async with serve(store, echo):
        assert stat.S_IMODE((store / "control").stat().st_mode) == 0o600
    assert not (store / "control").exists()
    with pytest.raises(ControlError, match="No daemon runs on the store"):
        ask(store, {"do": "next"})


async def test_the_mask_of_other_files_is_left_as_it_was(store: Path) -> None:
    before = os.umask(0o022)
    try:
        async with serve(store, echo):
            (store / "other").touch(0o666)
        assert stat.S_IMODE((store / "other").stat().st_mode) == 0o644
    finally:
        os.umask(before)


async def test_what_a_killed_daemon_left_behind_is_no_hindrance(store: Path) -> None:
    with control._short_path(store) as path, socket.socket(socket.AF_UNIX) as dead:
        dead.bind(path)
    with pytest.raises(ControlError, match="No daemon runs"):
        ask(store, {"do": "next"})
    async with serve(store, echo):
        assert (await asked(store, {"do": "next"}))["ok"]


async def test_a_store_however_deep_can_be_reached(store: Path) -> None:
    """A socket's address may have 107 bytes (unix(7)); a folder's name more."""
    deep = store / ("a" * 100) / ("b" * 100)
    deep.mkdir(parents=True)
    async with serve(deep, echo):
        assert (await asked(deep, {"do": "next"}))["ok"]


async def test_several_requests_on_one_line_are_answered_in_order(store: Path) -> None:
    sent = b"".join(json.dumps({"n": n}).encode() + b"\n" for n in range(3))
    async with serve(store, echo):
        found = await asyncio.to_thread(answers, store, sent, 3)
    assert [one["request"]["n"] for one in found] == [0, 1, 2]


@pytest.mark.parametrize("sent", [b"\n", b"hello\n", b"[1]\n", b'"x"\n', b"\xff\xfe\n", b"{]\n"])
async def test_what_is_no_request_is_told_what_one_looks_like(store: Path, sent: bytes) -> None:
    async with serve(store, echo):
        found = await asyncio.to_thread(answers, store, sent + b'{"do": "next"}\n', 2)
    assert found[0] == {"ok": False, "error": "A request is one line with one JSON object."}
    assert found[1]["ok"]


async def test_a_request_that_makes_it_stumble_is_answered_and_the_next_one_too(
    store: Path,
) -> None:
    async with serve(store, echo):
        found = await asked(store, {"stumble": "jug"})
        assert found["error"] == "This request is not understood (KeyError: 'jug')."
        assert (await asked(store, {"do": "next"}))["ok"]


async def test_a_line_too_long_is_hung_up_on_and_harms_nobody(store: Path) -> None:
    def endless() -> bytes:
        with line_to(store) as line:
            try:
                line.sendall(b"x" * (control.MAX_LINE + 100_000))
                return line.recv(100)
            except (BrokenPipeError, ConnectionResetError):
                return b""

    async with serve(store, echo):
        assert await asyncio.to_thread(endless) == b""
        assert (await asked(store, {"do": "next"}))["ok"]


async def test_a_daemon_that_does_not_answer_in_time_is_said(store: Path) -> None:
    async def never(request: dict[str, Any]) -> dict[str, Any]:
        await asyncio.Event().wait()
        return {}

    async with serve(store, never):
        with pytest.raises(ControlError, match="does not answer"):
            await asyncio.to_thread(ask, store, {"do": "next"}, 0.05)


async def test_lines_that_are_open_at_the_end_do_not_hold_it_up(store: Path) -> None:
    async def slow(request: dict[str, Any]) -> dict[str, Any]:
        began.set()
        await asyncio.Event().wait()
        return {}

    began = asyncio.Event()
    async with asyncio.timeout(5):
        async with serve(store, slow):
            waiting = asyncio.create_task(asked(store, {"do": "next"}))
            await began.wait()
        with pytest.raises(ControlError, match="does not answer"):
            await waiting


async def test_an_answer_in_no_known_form_is_said(store: Path) -> None:
    async def odd(request: dict[str, Any]) -> Any:
        return ["ok"]

    async with serve(store, odd):
        with pytest.raises(ControlError, match="in a form known here"):
            await asked(store, {"do": "next"})
