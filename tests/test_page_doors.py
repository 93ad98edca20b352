"""The page's connections: who comes too often, who sends too much, and whose turn it is."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from daemon import config as settings
from daemon import page_doors
from daemon.broker_access import HOST
from daemon.page import Page
from daemon.page_doors import COMING_PER_S, MOST_COMING, MOST_FRAMES_UNKNOWN, Doors
from daemon.pairing_store import Pairing
from tests.browser.floor import any_port, until

EMPTY = bytes([0x82, 0x80, 0, 0, 0, 0])
"""A binary frame without content, masked with nothing (RFC 6455, 5.2)."""
PING = bytes([0x89, 0x80 | 4, 0, 0, 0, 0]) + b"ping"


@pytest.fixture
async def page(tmp_path: Path) -> AsyncIterator[Page]:
    phone = settings.Phone(address=HOST, port=any_port())
    made = Page(phone, Pairing(tmp_path), lambda: None, lambda: {"ok": True}, "bench")
    async with made.serve():
        yield made


class Line:
    """A WebSocket that nobody has logged in on, byte by byte."""

    def __init__(self, page: Page, peer: str = HOST) -> None:
        self.page, self.peer = page, peer

    async def __aenter__(self) -> Line:
        local = (self.peer, 0)
        port = self.page.port
        self.reader, self.writer = await asyncio.open_connection(HOST, port, local_addr=local)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.transport.abort()

    async def upgraded(self) -> bytes:
        """Make a WebSocket of it; returns the first line of the answer, nothing if cut off."""
        self.writer.write(
            f"GET /mqtt HTTP/1.1\r\nHost: {HOST}:{self.page.port}\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
            "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: mqtt\r\n\r\n".encode()
        )
        async with asyncio.timeout(5):
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                return (await self.reader.readuntil(b"\r\n\r\n")).partition(b"\r\n")[0]
        return b""

    async def ended(self) -> bool:
        """Read on until the other side hangs up."""
        async with asyncio.timeout(5):
            with contextlib.suppress(ConnectionError):
                while await self.reader.read(65536):
                    pass
        return True


@pytest.mark.parametrize("noise", [EMPTY, PING])
async def test_who_sends_frames_and_no_token_is_hung_up_on(page: Page, noise: bytes) -> None:
    """A ping asks for an answer: who reads none would fill the memory with them."""
    async with Line(page) as line:
        assert b"101" in await line.upgraded()
        line.writer.write(noise * (MOST_FRAMES_UNKNOWN // 2))
        line.writer.write(noise * (MOST_FRAMES_UNKNOWN // 2 + 1))
        assert await line.ended()
    await until(lambda: not page._doors.all)


async def test_much_at_once_is_not_even_looked_at(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []
    take = page_doors.Door.take_piece

    def count(door: Any) -> bool:
        seen.append(min(len(door._rest), 1024))
        return take(door)

    monkeypatch.setattr(page_doors.Door, "take_piece", count)
    async with Line(page) as line:
        assert b"101" in await line.upgraded()
        line.writer.write(EMPTY * 200_000)
        assert await line.ended()
    assert sum(seen) < 32 * 1024


async def test_what_has_come_in_is_taken_piece_by_piece_in_turn() -> None:
    """One piece a turn of the loop: a cue that is due comes in between, whoever is noisy."""
    doors = Doors()
    turn, said = 0, []

    class Noisy:
        def __init__(self, name: str, pieces: int) -> None:
            self.name, self.left = name, pieces

        def take_piece(self) -> bool:
            said.append((turn, self.name))
            self.left -= 1
            return self.left > 0

    for noisy in (Noisy("a", 3), Noisy("b", 2), Noisy("c", 1)):
        doors.wait(noisy)  # type: ignore[arg-type]
    while len(said) < 6:
        await asyncio.sleep(0)
        turn += 1
    assert [name for _, name in said] == ["a", "b", "c", "a", "b", "a"]
    assert len({turn for turn, _ in said}) == 6


async def test_a_peer_that_comes_too_often_waits_and_another_does_not(page: Page) -> None:
    async with contextlib.AsyncExitStack() as stack:
        for _ in range(MOST_COMING):
            line = await stack.enter_async_context(Line(page))
        assert b"101" in await line.upgraded()
        # Time forgives a few while the others are still coming.
        for _ in range(MOST_COMING):
            one_more = await stack.enter_async_context(Line(page))
            if not (said := await one_more.upgraded()):
                break
        assert said == b""
        other = await stack.enter_async_context(Line(page, "127.0.0.2"))
        assert b"101" in await other.upgraded()


def test_time_forgives_those_who_came_too_often() -> None:
    doors = Doors()
    assert sum(doors._may_come("a", 10.0) for _ in range(500)) == MOST_COMING
    assert sum(doors._may_come("a", 11.0) for _ in range(500)) == COMING_PER_S
    assert sum(doors._may_come("a", 1000.0) for _ in range(500)) == MOST_COMING
    for number in range(1000):
        doors._may_come(f"peer {number}", 1000.0)
    assert len(doors._came) <= 256
