"""A device that is read for ever: one thread that reads, and the event loop that is told.

Owns the thread, the telling in order, losing the device and finding it again, and that nothing old
passes for current. Does not know what kind of device it is, nor what its bytes mean.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from functools import partial
from threading import Event, Thread
from typing import Generic, Protocol, TypeVar

REOPEN_S = 0.5
"""Between two attempts to open a device that is not there."""
TURN_S = 0.2
"""The longest wait for bytes; a turn of the reader. Bytes that are there end it at once."""
STALLED_S = 1.5
"""A reader that was held up this long finds old bytes: they must not pass as current."""
_BACKLOG = 4096
"""Pieces that may wait for the program; more mean that it stands still."""


class Closable(Protocol):
    """An open device."""

    def close(self) -> None:
        """Let go of it."""


Device = TypeVar("Device", bound=Closable)


class PortReader(ABC, Generic[Device]):
    """Reads the device that `url` names in one thread and calls back on the event loop.

    `clock` gives the time line's seconds. `on_bytes(at_s, data)` gets what arrived at `at_s`,
    `on_lost(at_s, why)` one sentence when the device goes away, cannot be opened or its bytes have
    become too old to believe, `on_found(at_s, port)` the name it was opened under; found comes
    before its first bytes.
    """

    def __init__(
        self,
        url: str,
        *,
        clock: Callable[[], float],
        on_bytes: Callable[[float, bytes], None],
        on_lost: Callable[[float, str], None],
        on_found: Callable[[float, str], None],
    ) -> None:
        self.url = url
        self.port = url
        """The name it is open under."""
        self._clock = clock
        self._on_bytes, self._on_lost, self._on_found = on_bytes, on_lost, on_found
        self._inbox: deque[Callable[[], None]] = deque()
        self._scheduled = False
        self._stop = Event()
        self._loop: asyncio.AbstractEventLoop
        self._failed: asyncio.Future[None]
        self._ended: asyncio.Future[None]

    @property
    def waiting(self) -> int:
        """Pieces that have arrived and wait for the program to take them."""
        return len(self._inbox)

    async def run(self) -> None:
        """Read until cancelled. Raises what a callback raised, or the reader's thread."""
        self._loop = asyncio.get_running_loop()
        self._failed, self._ended = self._loop.create_future(), self._loop.create_future()
        self._stop.clear()
        Thread(target=self._work, name="scale port", daemon=True).start()
        try:
            await self._failed
        finally:
            self._stop.set()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._ended, 4 * REOPEN_S)

    # -- what kind of device it is, in the reader's thread -------------------------------------

    @abstractmethod
    def _open(self) -> Device:
        """Open it and set `port`; OSError where that fails."""

    @abstractmethod
    def _read(self, device: Device) -> None:
        """Tell what comes until it fails (with one of `_failures`) or `_stop` is set."""

    @abstractmethod
    def _trouble(self, error: OSError) -> tuple[str, bool]:
        """A sentence on why it cannot be opened, and whether a person must do something."""

    @abstractmethod
    def _gone(self, error: Exception) -> str:
        """A sentence on its having gone away."""

    _failures: tuple[type[Exception], ...] = (OSError,)
    """What reading raises when the device has gone away."""

    # -- on the event loop ---------------------------------------------------------------------

    def _deliver(self) -> None:
        self._scheduled = False
        try:
            while self._inbox:
                self._inbox.popleft()()
        except Exception as error:  # a fault of the program must not pass for a quiet scale
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        """Let `run` raise it."""
        if not self._failed.done():
            self._failed.set_exception(error)

    def _take(self, at_s: float, data: bytes) -> None:
        if not self._stop.is_set():
            self._on_bytes(at_s, data)

    def _opened(self, at_s: float, port: str) -> None:
        self._on_found(at_s, port)

    # -- in the reader's thread ----------------------------------------------------------------

    def _post(self, call: Callable[[], None]) -> None:
        self._inbox.append(call)
        if not self._scheduled:
            self._scheduled = True
            with contextlib.suppress(RuntimeError):  # the loop has closed meanwhile
                self._loop.call_soon_threadsafe(self._deliver)

    def _work(self) -> None:
        told = ""
        try:
            while not self._stop.is_set():
                try:
                    device = self._open()
                except Exception as error:  # a device that bounces raises anything there is
                    why, needs_somebody = self._trouble(as_os_error(error))
                    if not told or (needs_somebody and why != told):
                        self._say_lost(why)
                    told = why
                else:
                    told = self._read_until_lost(device)
                self._stop.wait(REOPEN_S)
        except Exception as error:  # it must not pass for a quiet scale
            self._post(partial(self._fail, error))
        finally:
            self._post(lambda: None if self._ended.done() else self._ended.set_result(None))

    def _read_until_lost(self, device: Device) -> str:
        """Read the open device until it fails; the sentence that was told about that."""
        try:
            self._say_found()
            self._read(device)
        except self._failures as error:
            why = self._gone(error)
            self._say_lost(why)
            return why
        finally:
            let_go(device)
        return ""

    def _say_bytes(self, at_s: float, data: bytes) -> None:
        if len(self._inbox) > _BACKLOG:
            self._inbox.clear()
            self._say_stalled(0.0)
            return
        self._post(lambda: self._take(at_s, data))

    def _say_stalled(self, held_s: float) -> None:
        held = f" for {held_s:.0f} s" if held_s >= 1.0 else ""
        self._say_lost(f"the computer was held up{held}; what the scale sent meanwhile is too old")
        self._say_found()

    def _say_lost(self, why: str) -> None:
        at_s = self._clock()
        self._post(lambda: self._on_lost(at_s, why))

    def _say_found(self) -> None:
        at_s, port = self._clock(), self.port
        self._post(lambda: self._opened(at_s, port))


def let_go(device: Closable) -> None:
    """Close it, whatever that raises: a device that has vanished is gone all the same."""
    with contextlib.suppress(Exception):
        device.close()


def as_os_error(error: Exception) -> OSError:
    """The same as an OSError, as if the device were not there; one stays what it is."""
    if isinstance(error, OSError):
        return error
    return OSError(errno.EIO, str(error) or type(error).__name__)
