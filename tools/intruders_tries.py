"""What somebody who has no business there may try at the bench's port, one function a try.

Owns the tries. Each lasts until its time is up, and returns how often it was tried and how often
it was let in, which ought to be never. Knows nothing of what is measured meanwhile. Only this
machine is ever called.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import time
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass
from functools import partial
from typing import Any

import aiomqtt
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import InvalidHandshake, WebSocketException
from websockets.typing import Origin, Subprotocol

from daemon.mqtt_packets import V5, V311, connect_bytes, length_bytes, text_bytes

HOST = "127.0.0.1"
FORGED = "forged by an intruder"
ANSWER_S = 1.0
SILENT = 200
OWN_TOPICS = ("status", "weight", "dispense", "timers", "run", "event", "done")
"""Of the daemon alone."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where the bench listens, and what an intruder may have got hold of: (name, token)."""

    port: int
    broker_port: int
    watch: tuple[str, str]
    control: tuple[str, str]
    forgotten: tuple[str, str]
    old_code: str
    until_s: float
    """When it is over, on this machine's monotonic clock."""

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() >= self.until_s


Tried = tuple[int, int]
Try = Callable[[Target], Coroutine[Any, Any, Tried]]


# --- packets and lines --------------------------------------------------------------------------


def packet(first: int, body: bytes) -> bytes:
    """A packet with its length."""
    return bytes([first]) + length_bytes(len(body)) + body


def publish(topic: str, payload: str = FORGED, *, retain: bool = True) -> bytes:
    """A message of the lowest service."""
    return packet(0x31 if retain else 0x30, text_bytes(topic) + payload.encode())


def subscribe(*filters: str) -> bytes:
    """A subscription."""
    return packet(0x82, b"\0\1" + b"".join(text_bytes(one) + b"\1" for one in filters))


def line(target: Target, path: str = "mqtt", origin: str | None = None) -> connect:
    """A WebSocket to the page's port."""
    protocols = [Subprotocol("mqtt")] if path == "mqtt" else None
    return connect(
        f"ws://{HOST}:{target.port}/{path}",
        subprotocols=protocols,
        origin=Origin(origin) if origin else None,
        compression=None,
        open_timeout=ANSWER_S,
        ping_interval=None,
    )


async def answers(ws: ClientConnection, data: bytes, first: int) -> bool:
    """Whether these bytes are answered by a packet that begins with `first`."""
    with contextlib.suppress(WebSocketException, OSError, TimeoutError):
        await ws.send(data)
        async with asyncio.timeout(ANSWER_S):
            said = await ws.recv()
        return isinstance(said, bytes) and said[:1] == bytes([first])
    return False


async def logged_in(
    ws: ClientConnection, who: tuple[str, str], client_id: str = "page", level: int = V311
) -> bool:
    """Whether the gate lets this name and token in."""
    with contextlib.suppress(WebSocketException, OSError, TimeoutError):
        await ws.send(connect_bytes(level, client_id, 30, *who))
        async with asyncio.timeout(ANSWER_S):
            said = await ws.recv()
        return isinstance(said, bytes) and said[0] == 0x20 and said[3] == 0
    return False


async def repeated(target: Target, once: Callable[[], Awaitable[bool]]) -> Tried:
    """Try again and again, with a breath between, and count what was let in."""
    tried = let_in = 0
    while not target.over:
        tried += 1
        with contextlib.suppress(WebSocketException, OSError, TimeoutError, aiomqtt.MqttError):
            let_in += await once()
        await asyncio.sleep(0.02)
    return tried, let_in


# --- without leave ------------------------------------------------------------------------------


async def no_credentials(target: Target) -> Tried:
    """Log in without a name, with a guessed token, and as a phone that was forgotten."""
    guesses = (("", ""), (target.control[0], "A" * 43), target.forgotten)

    async def once() -> bool:
        found = []
        for who in guesses:
            async with line(target) as ws:
                found.append(await logged_in(ws, who))
        return any(found)

    return await repeated(target, once)


async def codes(target: Target) -> Tried:
    """Pair by a code that was used, and by guesses."""

    async def once() -> bool:
        guess = os.urandom(5).hex()[:8].upper()
        for code in (target.old_code, guess):
            async with line(target, "pair") as ws:
                await ws.send(json.dumps({"code": code, "name": f"intruder {guess}"}))
                if "token" in json.loads(await ws.recv()):
                    return True
        return False

    return await repeated(target, once)


async def foreign_page(target: Target) -> Tried:
    """Open the sockets from another site's page, and ask by a name that is not ours."""

    async def once() -> bool:
        for path in ("mqtt", "pair"):
            with contextlib.suppress(InvalidHandshake):
                async with line(target, path, "http://pages.example"):
                    return True
        reader, writer = await asyncio.open_connection(HOST, target.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: pages.example\r\n\r\n")
        said = await reader.read()
        writer.close()
        return b" 200 " in said.partition(b"\r\n")[0]

    return await repeated(target, once)


# --- beyond one's role --------------------------------------------------------------------------


async def watch_commands(target: Target) -> Tried:
    """Give a command with a phone that may only look on."""
    command = json.dumps({"id": FORGED, "do": "abandon"})

    async def once() -> bool:
        async with line(target) as ws:
            assert await logged_in(ws, target.watch)
            await ws.send(publish("benchpour/bench/do", command, retain=False))
            return await answers(ws, b"\xc0\0", 0xD0)

    return await repeated(target, once)


async def daemon_topics(target: Target) -> Tried:
    """Speak for the bench with a phone that may command, and straight at the broker without one."""

    async def once() -> bool:
        found = []
        for name in OWN_TOPICS:
            async with line(target) as ws:
                assert await logged_in(ws, target.control)
                await ws.send(publish(f"benchpour/bench/{name}"))
                found.append(await answers(ws, b"\xc0\0", 0xD0))
        async with aiomqtt.Client(HOST, target.broker_port) as client:
            for name in (*OWN_TOPICS, "do"):
                await client.publish(f"benchpour/bench/{name}", FORGED, qos=1, retain=True)
        return any(found)

    return await repeated(target, once)


async def other_client_id(target: Target) -> Tried:
    """Come under the names of the daemon and of another phone, to push them off the broker."""
    names = ("benchpour-bench", "page", "phone", "daemon")

    async def once() -> bool:
        for name in names:
            async with line(target) as ws:
                await logged_in(ws, target.watch, name)
            async with line(target) as ws:
                await logged_in(ws, target.forgotten, name)
            with contextlib.suppress(aiomqtt.MqttError):
                bad = aiomqtt.Client(
                    HOST, target.broker_port, identifier=name, username="daemon", password="guess"
                )
                async with bad:
                    return True
        return False

    return await repeated(target, once)


# --- what is no good MQTT -----------------------------------------------------------------------


async def malformed(target: Target) -> Tried:
    """Oversized and malformed packets, in pieces of a few bytes, before and after the login."""
    login = connect_bytes(V311, "page", 30, *target.watch)
    bad = (
        b"\x10\xff\xff\xff\x7f" + b"x" * 2000,  # announces 256 MB
        b"\x30\xff\xff\xff\xff\xff",  # a length of five bytes
        b"\x00\x00",
        login[:-1] + b"\xff\xff",
        login + packet(0x30, b"\xff\xff"),
        login + packet(0x36, text_bytes("benchpour/bench/do") + b"\0\1"),  # quality of service 3
        login + packet(0x82, b"\0\1"),
        login + subscribe("#"),
        login + login,
        connect_bytes(V5, "page", 30, *target.watch) + packet(0xF0, b""),
        b"GET / HTTP/1.1\r\n\r\n",
        os.urandom(300),
    )

    async def once() -> bool:
        found = []
        for data in bad:
            async with line(target) as ws:
                with contextlib.suppress(WebSocketException):
                    for start in range(0, len(data), 7):
                        await ws.send(data[start : start + 7])
                found.append(await answers(ws, b"\xc0\0", 0xD0))
        return any(found)

    return await repeated(target, once)


# --- too much -----------------------------------------------------------------------------------


async def say_nothing(target: Target) -> Tried:
    """200 connections that say nothing, half of them WebSockets; what is cut comes again."""
    async with contextlib.AsyncExitStack() as stack:
        open_lines: list[socket.socket] = []
        stack.callback(lambda: _close(open_lines))
        tried = 0
        while not target.over:
            while len(open_lines) < SILENT:
                one = socket.create_connection((HOST, target.port))
                one.setblocking(False)
                if tried % 2:
                    one.send(upgrade(target))
                open_lines.append(one)
                tried += 1
            await asyncio.sleep(0.2)
            open_lines = [one for one in open_lines if not _ended(one)]
    return tried, 0


def _close(lines: list[socket.socket]) -> None:
    for one in lines:
        one.close()


def _ended(one: socket.socket) -> bool:
    """Whether the other side has hung up; closed then."""
    try:
        while one.recv(4096):
            pass
    except BlockingIOError:
        return False
    except OSError:
        pass
    one.close()
    return True


def upgrade(target: Target) -> bytes:
    """The request that makes a WebSocket of a connection."""
    return (
        f"GET /mqtt HTTP/1.1\r\nHost: {HOST}:{target.port}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: mqtt\r\n\r\n"
    ).encode()


EMPTY_FRAMES = bytes([0x80 | 2, 0x80, 0, 0, 0, 0]) * 20_000
PINGS = (bytes([0x80 | 9, 0x80 | 125, 0, 0, 0, 0]) + b"x" * 125) * 1_000
"""They ask for answers, which nobody reads."""


async def _flood(target: Target, data: bytes) -> Tried:
    """Frames, as fast as they go, over 16 lines that nobody has logged in on."""
    loop, tried = asyncio.get_running_loop(), 0

    async def one_line() -> None:
        nonlocal tried
        while not target.over:
            tried += 1
            with contextlib.suppress(OSError), socket.socket() as one:
                one.setblocking(False)
                await loop.sock_connect(one, (HOST, target.port))
                await loop.sock_sendall(one, upgrade(target))
                while not target.over:
                    await loop.sock_sendall(one, data)
            await asyncio.sleep(0.01)

    await _together(target, 16, one_line)
    return tried, 0


async def requests(target: Target) -> Tried:
    """The page's largest file, asked for over and over, unpacked, from 32 lines at once."""
    loop, tried = asyncio.get_running_loop(), 0
    ask = f"GET /mqtt.min.js HTTP/1.1\r\nHost: {HOST}:{target.port}\r\n\r\n".encode()

    async def one_line() -> None:
        nonlocal tried
        while not target.over:
            tried += 1
            with contextlib.suppress(OSError), socket.socket() as one:
                one.setblocking(False)
                await loop.sock_connect(one, (HOST, target.port))
                await loop.sock_sendall(one, ask)
                await loop.sock_recv(one, 1024)

    await _together(target, 32, one_line)
    return tried, 0


async def greedy_phone(target: Target) -> Tried:
    """A paired phone that subscribes without end, and asks for all that is retained each time."""
    tried = 0
    while not target.over:
        with contextlib.suppress(WebSocketException, OSError, TimeoutError):
            async with line(target) as ws:
                await logged_in(ws, target.watch)
                while not target.over:
                    tried += 1
                    await ws.send(subscribe("benchpour/#", *(f"benchpour/{i}" for i in range(500))))
        await asyncio.sleep(0.01)
    return tried, 0


async def _together(target: Target, count: int, work: Callable[[], Awaitable[None]]) -> None:
    left_s = target.until_s - time.monotonic() + ANSWER_S
    tasks = [asyncio.ensure_future(work()) for _ in range(count)]
    await asyncio.wait(tasks, timeout=left_s)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


TRIES: dict[str, Try] = {
    "no or guessed credentials, a forgotten phone": no_credentials,
    "an old code, guessed codes": codes,
    "another site's page, another host's name": foreign_page,
    "a watching phone gives commands": watch_commands,
    "a phone, a stranger speak for the bench": daemon_topics,
    "another's client id": other_client_id,
    "oversized, malformed packets in pieces": malformed,
    "200 connections that say nothing": say_nothing,
    "a flood of empty frames": partial(_flood, data=EMPTY_FRAMES),
    "a flood of pings": partial(_flood, data=PINGS),
    "a flood of requests": requests,
    "a paired phone that subscribes without end": greedy_phone,
}
