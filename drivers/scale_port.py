"""A scale on a serial port or a pyserial URL: bytes, stamped as they arrive, for ever.

Owns opening, reading and asking, and the line's settings. Does not know what the bytes mean;
whether they made sense it is told (`heard`). The thread and the telling are `port_reader`'s.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import socket
import termios
from collections.abc import Callable, Sequence
from functools import partial
from io import UnsupportedOperation
from typing import Protocol

import serial

from drivers.line_settings import LineSettings, Trial, Trier, seven_bits
from drivers.polling import Poller
from drivers.port_names import (
    identity_of,
    is_known,
    is_local,
    may_be,
    needs_somebody,
    trouble,
    who_holds,
)
from drivers.port_reader import REOPEN_S, STALLED_S, TURN_S, PortReader, let_go

_WRITE_S = 1.0
_OWN_S = 0.1
"""How long a port waits that cannot be waited on with others: a scale must be asked in time."""
_PRETEND = "/dev/pts/"
"""Pseudo-terminals: whoever made one may hold both its ends."""
_CHUNK = 512
_GUESS_S = 6.0
"""So long a port that may be the scale's is listened to: a known scale is understood by then."""
_DRAINED = 4096
_LIBRARY = (termios.error, ValueError, OSError)
"""What the serial library raises for settings that a port has not, and for a port that is gone."""
_CONVERTER_REFUSES = "does not accept parameter change"


class Judge(Protocol):
    """Reads lines of the scale's shape, apart from those that are told."""

    @property
    def heard(self) -> bool:
        """Whether they make sense so far."""

    def feed(self, at_s: float, data: bytes) -> object:
        """Take these bytes."""


class _NotOursError(OSError):
    """A port that may have been the scale's sends something else, or nothing."""


class ScalePort(PortReader[serial.Serial]):
    """Reads the serial port `url`; while `heard()` is false the `trials` are gone through in turn.

    Where a `judge` of the scale's shape is to be had, a port that only may be the scale's is told
    of once it is understood, and its bytes from then on. ValueError for a URL of an unknown kind.
    """

    _failures = (OSError, termios.error, TypeError, ValueError)
    """TypeError, ValueError: pyserial's own, where a device vanishes between two of its calls."""

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
        judge: Callable[[], Judge | None] = lambda: None,
    ) -> None:
        serial.serial_for_url(url, do_not_open=True)
        super().__init__(url, clock=clock, on_bytes=on_bytes, on_lost=on_lost, on_found=on_found)
        self._heard, self._judge = heard, judge
        self._judging: Judge | None = None
        """Who reads the lines of a port that has not been told of yet."""
        self._trier = Trier(trials)
        self._trial = self._trier.current
        self._changing = False
        self._identity: tuple[object, ...] | None = None
        self._may_be: list[str] = []
        self._turn = 0
        """Which of the ports that may be the scale's is listened to."""
        self._guessed = False
        self._opening = self._taken_of = self._understood = 0
        """How often it was opened; and which opening bytes are taken from, was understood last."""

    @property
    def settings(self) -> LineSettings:
        """The line settings in use."""
        return self._trial.settings

    @property
    def trial(self) -> Trial:
        """The way of listening that is in use: settings, and what the scale is asked with."""
        return self._trial

    # -- on the event loop -------------------------------------------------------------------

    def use(self, trial: Trial) -> None:
        """Listen in this way from now on, until another is tried."""
        self._trial, self._changing = trial, True

    def _take(self, at_s: float, data: bytes) -> None:
        if self._stop.is_set():
            return
        if data:
            self._on_bytes(at_s, self._bare(data))
        understood = self._heard()
        self._understood = self._taken_of if understood else 0
        if self._changing:
            return
        if (trial := self._trier.after(at_s, data, understood)) is not None:
            self.use(trial)

    def _opened(self, at_s: float, port: str) -> None:
        self._changed(at_s)
        self._on_found(at_s, port)

    def _say_found(self) -> None:
        if self._judging is not None:
            return
        opening = self._opening
        self._post(lambda: setattr(self, "_taken_of", opening))
        super()._say_found()

    def _say_lost(self, why: str) -> None:
        if self._judging is None:
            super()._say_lost(why)

    def _say_bytes(self, at_s: float, data: bytes) -> None:
        if self._judging is None:
            super()._say_bytes(at_s, data)
            return
        self._judging.feed(at_s, self._bare(data))
        if self._judging.heard:
            self._judging, self._understood = None, self._opening
            self._say_found()

    def _bare(self, data: bytes) -> bytes:
        """Without the parity in bit 7 of a seven-bit line, which a converter may pass on."""
        return seven_bits(data) if self._trial.settings.bits == 7 else data

    def _changed(self, at_s: float) -> None:
        self._changing = False
        self._trier.begin(at_s)

    # -- in the reader's thread --------------------------------------------------------------

    def _open(self) -> serial.Serial:
        self.port = port = self._next_port()
        self._opening += 1
        self._understood = 0
        if is_local(port) and not _is_pretend(port) and who_holds(port, others=True):
            # Looked at before opening, which would already disturb a program that took no lock.
            raise OSError(errno.EBUSY, "in use")
        device = serial.serial_for_url(port, do_not_open=True, timeout=_OWN_S, exclusive=True)
        device.write_timeout = _WRITE_S if is_local(port) else None
        try:
            self._begin(device)
        except Exception:
            let_go(device)
            raise
        return device

    def _next_port(self) -> str:
        """Where the scale is, or the next place where it may be."""
        ports = may_be(self.url, self._identity) if is_local(self.url) else [self.url]
        self._turn = self._turn + 1 if ports == self._may_be else 0
        self._may_be = ports
        port = ports[self._turn % len(ports)]
        self._guessed = not is_known(port, self._identity)
        self._judging = self._judge() if self._guessed else None
        return port

    def _begin(self, device: serial.Serial) -> None:
        _open_as_can_be(device, self._trial.settings)
        if not is_local(self.port):
            _keep_alive(device)
            return
        _close_to_others(device, self.port)
        if not self._guessed:
            self._identity = identity_of(self.port) or self._identity
        _drain(device)

    def _trouble(self, error: OSError) -> tuple[str, bool]:
        in_the_way = needs_somebody(error) and not self._guessed
        self._judging = None  # that nothing can be opened is told, if nothing else was
        return trouble(self.port, error), in_the_way

    def _gone(self, error: Exception) -> str:
        if isinstance(error, _NotOursError):
            return f"{self.port} does not send what the scale did; others like it are listened to"
        if is_local(self.url):
            return f"{self.port} went away: is the cable in, the scale on? ({error})"
        return f"the connection to {self.port} broke ({error})"

    def _read(self, device: serial.Serial) -> None:
        trial = self._trial
        poller = Poller(trial.request, self._clock())
        began_s = turned_s = told_s = self._clock()
        while not self._stop.is_set():
            if self._guessed and self._is_ours(self._clock() - began_s):
                self._identity, self._guessed = identity_of(self.port) or self._identity, False
            if trial is not self._trial:
                trial = self._trial
                _change(device, trial.settings)
                turned_s = self._clock()
                poller = Poller(trial.request, turned_s)
                self._post(partial(self._changed, turned_s))
            data = _whole(device, min(TURN_S, poller.left_s(self._clock())))
            at_s = self._clock()
            held_s, turned_s = at_s - turned_s, at_s
            if held_s > STALLED_S:
                _drain(device)
                self._say_stalled(held_s)
                at_s, data, turned_s = self._clock(), b"", self._clock()
            if data or at_s - told_s >= REOPEN_S:
                told_s = at_s
                self._say_bytes(at_s, data)
            if request := poller.due(at_s, data):
                device.write(request)

    def _is_ours(self, waited_s: float) -> bool:
        """Whether its lines tell that this port is the scale's; _NotOursError where it is not.

        It is left as soon as another place is likelier: the scale's own port is there again.
        """
        understood = self._understood == self._opening
        if waited_s > _GUESS_S and not understood:
            raise _NotOursError
        if may_be(self.url, self._identity) != self._may_be:
            raise _NotOursError
        return understood


def _is_pretend(port: str) -> bool:
    """Whether the port is a pseudo-terminal, by whatever name."""
    return os.path.realpath(port).startswith(_PRETEND)


def _whole(device: serial.Serial, wait_s: float) -> bytes:
    """What has arrived, waiting so long for its first byte and not at all for more."""
    try:
        waits_on: int = device.fileno()
    except (AttributeError, UnsupportedOperation):
        pass  # its own timeout has to do
    else:
        if not select.select([waits_on], [], [], wait_s)[0]:
            return b""
    data: bytes = device.read(max(1, device.in_waiting))
    while len(data) < _CHUNK and (more := device.in_waiting):
        data += device.read(more)
    return data


def _open_as_can_be(device: serial.Serial, settings: LineSettings) -> None:
    """Open it with these settings, or with plainer ones where it has no such.

    Raises OSError where it cannot be opened at all.
    """
    refused: Exception | None = None
    for one in dict.fromkeys((settings, _plain(settings), LineSettings())):
        _set(device, one)
        try:
            device.open()
        except _LIBRARY as error:
            if not _is_refusal(error):
                raise
            refused = error
        else:
            return
    raise OSError(errno.EINVAL, f"it has no settings that can be used ({refused})")


def _change(device: serial.Serial, settings: LineSettings) -> None:
    """Set the line, or as much of it as this port can do; it stays in use whatever it refuses."""
    before = LineSettings(device.baudrate, device.bytesize, device.parity, int(device.stopbits))
    for one in dict.fromkeys((settings, _plain(settings), before)):
        if _set(device, one):
            return


def _set(device: serial.Serial, settings: LineSettings) -> bool:
    """Whether the port took these settings, all of them.

    Each is set although the one before was refused: the serial library keeps what was refused, and
    asks for it again with the next. So the last one tells.
    """
    taken = True
    for name, value in _named(settings):
        if getattr(device, name) == value:
            continue
        try:
            setattr(device, name, value)
            taken = True
        except _LIBRARY as error:
            if not _is_refusal(error):
                raise
            taken = False
    return taken


def _is_refusal(error: Exception) -> bool:
    """Whether the port has no such settings, rather than being gone."""
    return not isinstance(error, OSError) or _CONVERTER_REFUSES in str(error)


def _named(settings: LineSettings) -> tuple[tuple[str, object], ...]:
    return (
        ("bytesize", settings.bits),
        ("parity", settings.parity),
        ("stopbits", settings.stop),
        ("baudrate", settings.baud),
    )


def _plain(settings: LineSettings) -> LineSettings:
    """The same speed without parity: a pseudo-terminal knows no parity, and needs none."""
    return LineSettings(settings.baud)


def _drain(device: serial.Serial) -> None:
    """Throw away what was sent before now; clearing reaches only this side of the cable."""
    device.reset_input_buffer()
    device.read(_DRAINED)


def _close_to_others(device: serial.Serial, port: str) -> None:
    """Keep out programs that do not ask whether the port is free."""
    if not _is_pretend(port) and hasattr(device, "fileno"):
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
