"""The broker in our own process: what it must stand from clients that mean no good or are stuck."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import socket
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import aiomqtt
import pytest

from daemon import broker_embedded
from daemon.broker_access import HOST, BrokerError, Endpoint, Role, new_accounts
from daemon.broker_embedded import embedded_broker

CONNECT = b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01x"
"""An MQTT 3.1.1 CONNECT (section 3.1): clean session, keepalive 60 s, client id `x`."""

SUBSCRIBE = b"\x82\x10\x00\x01\x00\x0bbenchpour/#\x00"
"""A SUBSCRIBE (section 3.8) to all benches at QoS 0."""


def spare_port() -> int:
    """A port that neither others who test here at the same time nor outgoing lines go for."""
    while True:
        port = random.randint(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


@pytest.fixture
async def endpoint(tmp_path: Path) -> AsyncIterator[Endpoint]:
    port = spare_port()
    async with embedded_broker(port, new_accounts(tmp_path, port)) as made:
        yield made


async def until(true: Callable[[], object]) -> None:
    deadline_s = time.monotonic() + 10
    while not true():
        assert time.monotonic() < deadline_s, "waited in vain"
        await asyncio.sleep(0.005)


async def hung_up_on(endpoint: Endpoint, data: bytes) -> bytes:
    """Send bytes and return what came back until the broker hung up."""
    reader, writer = await asyncio.open_connection(HOST, endpoint.port)
    writer.write(data)
    try:
        async with asyncio.timeout(10):
            return await reader.read()
    except ConnectionResetError:
        return b""
    finally:
        writer.close()


async def publish(endpoint: Endpoint, payload: bytes, times: int) -> None:
    daemon = endpoint.accounts[Role.DAEMON]
    async with aiomqtt.Client(
        HOST, endpoint.port, username=daemon.user, password=daemon.password
    ) as client:
        for _ in range(times):
            await client.publish("benchpour/bench/event", payload, qos=1)


async def test_a_port_that_is_taken_is_said(endpoint: Endpoint) -> None:
    with pytest.raises(BrokerError, match=f"cannot listen on 127.0.0.1:{endpoint.port}"):
        async with embedded_broker(endpoint.port, endpoint.accounts):
            pass


async def test_who_does_not_say_who_it_is_is_hung_up_on(
    endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_embedded, "_GREETING_S", 1.0)
    rude = (b"", b"GET / HTTP/1.1\r\n\r\n", os.urandom(300), CONNECT[:5])
    async with aiomqtt.Client(HOST, endpoint.port) as known:
        assert await asyncio.gather(*(hung_up_on(endpoint, data) for data in rude)) == [b""] * 4
        await known.subscribe("benchpour/#")


async def test_a_packet_of_many_megabytes_is_not_taken(endpoint: Endpoint) -> None:
    huge = b"\x30\xff\xff\xff\x7f\x00\x01a" + bytes(70_000)
    assert await hung_up_on(endpoint, CONNECT + huge) == b"\x20\x02\x00\x00"


async def test_a_client_that_reads_nothing_is_hung_up_on(
    endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_embedded, "_STUCK_S", 0.02)
    loop = asyncio.get_running_loop()
    with socket.socket() as stuck:
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.setblocking(False)
        await loop.sock_connect(stuck, (HOST, endpoint.port))
        await loop.sock_sendall(stuck, CONNECT + SUBSCRIBE)
        assert (await loop.sock_recv(stuck, 4))[:1] == b"\x20"
        await publish(endpoint, bytes(250_000), 150)
        taken = 0
        async with asyncio.timeout(10):
            with contextlib.suppress(ConnectionResetError):
                while data := await loop.sock_recv(stuck, 65_536):
                    taken += len(data)
        assert taken < 150 * 250_000


async def test_it_ends_at_once_though_silent_lines_are_open(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    port = spare_port()
    async with embedded_broker(port, new_accounts(tmp_path, port)):
        lines = [await asyncio.open_connection(HOST, port) for _ in range(50)]
        lines[0][1].write(CONNECT)
        await lines[0][0].readexactly(4)
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 2.0
    for reader, writer in lines:
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
        writer.close()
    assert caplog.records == []
