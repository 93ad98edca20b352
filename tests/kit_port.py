"""What the tests of serial ports share: a pseudo-terminal as a scale, servers, and a listener."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import socket
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, cast

import serial
import serial.rfc2217

from drivers.port_reader import PortReader

DEADLINE_S = 8.0


class PtyScale:
    """A scale at the other end of a pseudo-terminal, reachable under a lasting name."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.plug_in()

    def plug_in(self) -> None:
        """Be there (again), under whatever name the system gives."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(self.name)
        os.close(slave)
        os.set_blocking(self._master, False)

    def say(self, data: bytes) -> None:
        """Send these bytes."""
        os.write(self._master, data)

    def asked(self) -> bytes:
        """What has been sent to the scale since the last look."""
        with contextlib.suppress(BlockingIOError, OSError):
            return os.read(self._master, 4096)
        return b""

    def pull_out(self) -> None:
        """The cable is out: name and device are gone."""
        os.close(self._master)
        self.link.unlink(missing_ok=True)


class Heard:
    """What a port told, in order; wait for it with a deadline."""

    def __init__(self) -> None:
        self.log: list[tuple[str, float, object]] = []
        self._news = asyncio.Event()

    def bytes_came(self, at_s: float, data: bytes) -> None:
        self._note("bytes", at_s, data)

    def lost(self, at_s: float, why: str) -> None:
        self._note("lost", at_s, why)

    def found(self, at_s: float, port: str) -> None:
        self._note("found", at_s, port)

    def _note(self, kind: str, at_s: float, what: object) -> None:
        self.log.append((kind, at_s, what))
        self._news.set()

    @property
    def kinds(self) -> list[str]:
        """What happened, successive pieces of bytes taken together."""
        kinds = [kind for kind, _, _ in self.log]
        return [kind for n, kind in enumerate(kinds) if n == 0 or kinds[n - 1] != kind]

    @property
    def data(self) -> bytes:
        return b"".join(what for kind, _, what in self.log if isinstance(what, bytes))

    def told(self, kind: str) -> list[str]:
        return [str(what) for said, _, what in self.log if said == kind]

    def makes_no_sense(self) -> bool:
        """Whether the scale is understood: never. Whoever waits looks again."""
        self._news.set()
        return False

    async def until_data(self, data: bytes) -> None:
        """Wait until all bytes together are these."""
        await self.until(lambda: self.data == data)

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until what was heard fulfils this; TimeoutError at the deadline."""
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                self._news.clear()
                await self._news.wait()


@contextlib.asynccontextmanager
async def running(port: PortReader[Any]) -> AsyncIterator[asyncio.Task[None]]:
    """The port's run as a task, ended with the block."""
    task: asyncio.Task[None] = asyncio.create_task(port.run())
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class TcpScale:
    """A network converter without settings: whatever the scale says goes to the one client."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = self._server.getsockname()
        self.url = f"socket://127.0.0.1:{self.address[1]}"
        self._client: socket.socket | None = None

    async def accept(self) -> None:
        self._server.setblocking(False)
        async with asyncio.timeout(DEADLINE_S):
            self._client, _ = await asyncio.get_running_loop().sock_accept(self._server)

    def say(self, data: bytes) -> None:
        assert self._client is not None
        self._client.sendall(data)

    def hang_up(self) -> None:
        assert self._client is not None
        self._client.close()

    def close(self) -> None:
        self._server.close()


class Rfc2217Scale:
    """A real RFC 2217 server over a looped device: what is written to the device is what it sends.

    `speak(settings)` is asked again and again for what a scale would send under the line settings
    that the client has set, as the bytes that would arrive.
    """

    def __init__(self, speak: Callable[[serial.Serial], bytes]) -> None:
        self.device = serial.serial_for_url("loop://", timeout=0.02)
        self._speak = speak
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}"
        self._stop = threading.Event()
        self._manager: serial.rfc2217.PortManager | None = None
        self._threads = [threading.Thread(target=self._serve, daemon=True)]
        self._threads[0].start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            client, _ = self._server.accept()
            with client:
                self._client = client
                link = _Link(client)
                self._manager = serial.rfc2217.PortManager(cast(Any, self.device), cast(Any, link))
                speaker = threading.Thread(target=self._talk, args=(link,), daemon=True)
                self._threads.append(speaker)
                speaker.start()
                while not self._stop.is_set() and (data := client.recv(1024)):
                    b"".join(self._manager.filter(data))
        self._stop.set()

    def _talk(self, link: _Link) -> None:
        assert self._manager is not None
        with contextlib.suppress(OSError):
            while not self._stop.wait(0.02):
                link.write(b"".join(self._manager.escape(self._speak(self.device))))

    def close(self) -> None:
        self._stop.set()
        with contextlib.suppress(OSError, AttributeError):
            self._client.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for thread in self._threads:
            thread.join(DEADLINE_S)
        self.device.close()


class _Link:
    """The one method that the server side of RFC 2217 writes by; two threads use it."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client
        self._lock = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._lock:
            self._client.sendall(data)


def fast_clock(times: float) -> Callable[[], float]:
    """Seconds that pass so many times faster than real ones: patience without waiting."""
    began = time.monotonic()
    return lambda: (time.monotonic() - began) * times
