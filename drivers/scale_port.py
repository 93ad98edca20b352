"""A scale on a serial port or a pyserial URL: bytes, stamped as they arrive, for ever.

Owns opening, reading, asking, losing and finding the port again. Does not know what the bytes mean;
whether they made sense it is told (`heard`).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import socket
import termios
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from threading import Event, Thread

import serial

from drivers.line_settings import LineSettings, Trial, Trier
from drivers.polling import Poller
from drivers.port_names import (
    found_again,
    identity_of,
    is_local,
    needs_somebody,
    trouble,
    who_holds,
)

REOPEN_S = 0.5
"""Between two attempts to open a port that is not there."""
_TURN_S = 0.1
"""The longest wait for bytes; a turn of the reader. Bytes that are there end it at once."""
_WRITE_S = 1.0
_STALLED_S = 1.5
"""A reader that was held up this long finds old bytes: they must not pass as current."""
_PRETEND = "/dev/pts/"
"""Pseudo-terminals: whoever made one may hold both its ends."""
_CHUNK = 512
_SEVEN_BITS = bytes(code & 0x7F for code in range(256))
_BACKLOG = 4096
"""Chunks that may wait for the program; more mean that it stands still."""


class ScalePort:
    """Reads `url` in one thread and calls back on the event loop.

    `clock` gives the time line's seconds. `on_bytes(at_s, data)` gets what arrived at `at_s`,
    `on_lost(at_s, why)` one sentence when the port goes away, cannot be opened or its bytes have
    become too old to believe, `on_found(at_s, port)` the name it was opened under; found comes
    before its first bytes. While `heard()` is false the `trials` are gone through in turn.
    ValueError for a URL of an unknown kind.
    """

    def __init__(
        self,
        url: str,
        *,
        clock: Callable[[], float],
        on_bytes: Callable[[float, bytes], None],
        on_lost: Callable[[float, str], None],
        on_found: Callable[[float, str], None],
        trials: Sequence[Trial] = (),
        heard: Callable[[], bool] = lambda: True,
    ) -> None:
        serial.serial_for_url(url, do_not_open=True)
        self.url = url
        self.port = url
        """The name it is open under."""
        self._clock = clock
        self._on_bytes, self._on_lost, self._on_found = on_bytes, on_lost, on_found
        self._heard = heard
        self._trier = Trier(trials)
        self._trial = self._trier.current
        self._changing = False
        self._identity: tuple[object, ...] | None = None
        self._inbox: deque[Callable[[], None]] = deque()
        self._scheduled = False
        self._stop = Event()
        self._loop: asyncio.AbstractEventLoop
        self._failed: asyncio.Future[None]
        self._ended: asyncio.Future[None]

    @property
    def settings(self) -> LineSettings:
        """The line settings in use."""
        return self._trial.settings

    @property
    def waiting(self) -> int:
        """Pieces that have arrived and wait for the program to take them."""
        return len(self._inbox)

    async def run(self) -> None:
        """Read until cancelled. Raises what a callback raised."""
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

    # -- on the event loop -------------------------------------------------------------------

    def _deliver(self) -> None:
        self._scheduled = False
        try:
            while self._inbox:
                self._inbox.popleft()()
        except Exception as error:  # a fault of the program must not pass for a quiet scale
            if not self._failed.done():
                self._failed.set_exception(error)

    def _take(self, at_s: float, data: bytes) -> None:
        if self._stop.is_set():
            return
        if data:
            # Bit 7 of a seven-bit line is parity, which a network converter may pass on.
            seven = self._trial.settings.bits == 7
            self._on_bytes(at_s, data.translate(_SEVEN_BITS) if seven else data)
        if self._changing:
            return
        if (trial := self._trier.after(at_s, data, self._heard())) is not None:
            self._trial, self._changing = trial, True

    def _opened(self, at_s: float, port: str) -> None:
        self._changed(at_s)
        self._on_found(at_s, port)

    def _changed(self, at_s: float) -> None:
        self._changing = False
        self._trier.begin(at_s)

    # -- in the reader's thread --------------------------------------------------------------

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
                except OSError as error:
                    why = trouble(self.port, error)
                    if not told or (needs_somebody(error) and why != told):
                        self._say_lost(why)
                    told = why
                else:
                    told = self._read_until_lost(device)
                self._stop.wait(REOPEN_S)
        finally:
            self._post(lambda: None if self._ended.done() else self._ended.set_result(None))

    def _read_until_lost(self, device: serial.Serial) -> str:
        """Read the open port until it fails; the sentence that was told about that."""
        with contextlib.closing(device):
            self._say_found()
            try:
                self._read(device)
            except (OSError, termios.error, TypeError) as error:
                # TypeError: pyserial's own, where a device vanishes between two of its calls
                why = self._gone(error)
                self._say_lost(why)
                return why
        return ""

    def _open(self) -> serial.Serial:
        port = found_again(self.url, self._identity) if is_local(self.url) else self.url
        self.port = port
        if is_local(port) and not port.startswith(_PRETEND) and who_holds(port, others=True):
            # Looked at before opening, which would already disturb a program that took no lock.
            raise OSError(errno.EBUSY, "in use")
        device = serial.serial_for_url(port, do_not_open=True, timeout=_TURN_S, exclusive=True)
        device.write_timeout = _WRITE_S if is_local(port) else None
        _apply(device, self._trial.settings)
        try:
            device.open()
        except termios.error:
            _apply(device, _plain(self._trial.settings))
            device.open()
        if is_local(port):
            _close_to_others(device, port)
            self._identity = identity_of(port) or self._identity
            _drain(device)
        else:
            _keep_alive(device)
        return device

    def _gone(self, error: Exception) -> str:
        if is_local(self.url):
            return f"{self.port} went away: is the cable in, the scale on? ({error})"
        return f"the connection to {self.port} broke ({error})"

    def _read(self, device: serial.Serial) -> None:
        trial = self._trial
        poller = Poller(trial.request, self._clock())
        turned_s = told_s = self._clock()
        while not self._stop.is_set():
            if trial is not self._trial:
                trial = self._trial
                _change(device, trial.settings)
                turned_s = self._clock()
                poller = Poller(trial.request, turned_s)
                self._post(partial(self._changed, turned_s))
            data = _whole(device)
            at_s = self._clock()
            held_s, turned_s = at_s - turned_s, at_s
            if held_s > _STALLED_S:
                _drain(device)
                self._say_stalled(held_s)
                at_s, data, turned_s = self._clock(), b"", self._clock()
            if data or at_s - told_s >= REOPEN_S:
                told_s = at_s
                self._say_bytes(at_s, data)
            if request := poller.due(at_s, data):
                device.write(request)

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


def _whole(device: serial.Serial) -> bytes:
    """What has arrived, waiting at most one turn for its first byte and not at all for more."""
    data: bytes = device.read(max(1, device.in_waiting))
    while len(data) < _CHUNK and (more := device.in_waiting):
        data += device.read(more)
    return data


def _apply(device: serial.Serial, settings: LineSettings) -> None:
    device.baudrate = settings.baud
    device.bytesize = settings.bits
    device.parity = settings.parity
    device.stopbits = settings.stop


def _change(device: serial.Serial, settings: LineSettings) -> None:
    try:
        _apply(device, settings)
    except termios.error:
        _apply(device, _plain(settings))


def _plain(settings: LineSettings) -> LineSettings:
    """The same speed without parity: a pseudo-terminal knows no parity, and needs none."""
    return LineSettings(settings.baud)


def _drain(device: serial.Serial) -> None:
    """Throw away what was sent before now; clearing reaches only this side of the cable."""
    device.reset_input_buffer()
    device.read(_BACKLOG)


def _close_to_others(device: serial.Serial, port: str) -> None:
    """Keep out programs that do not ask whether the port is free."""
    if not port.startswith(_PRETEND) and hasattr(device, "fileno"):
        with contextlib.suppress(OSError):
            fcntl.ioctl(device.fileno(), termios.TIOCEXCL)


def _keep_alive(device: serial.Serial) -> None:
    """Let a dead network connection be noticed within some ten seconds; silence tells nothing."""
    link = getattr(device, "_socket", None)
    if isinstance(link, socket.socket):
        link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 5)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 2)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)
