"""One key, one command: which key does what, and the reading of single presses from a terminal.

Owns the table of keys, the second press that a hard one needs, and the terminal's key mode. Does
not know what a command does, nor whether the bench will take it in the end.
"""

from __future__ import annotations

import asyncio
import atexit
import codecs
import contextlib
import os
import re
import termios
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self, TextIO

from daemon.view import BenchView, Step, TimerView


@dataclass(frozen=True, slots=True)
class Key:
    """One key: what the terminal sends, how it is written, its command, and what that is called.

    `asks` is the question that a second press (y) must answer; empty where one press does it.
    """

    sent: str
    shown: str
    do: str
    says: str
    asks: str = ""


QUIT = "quit"

KEYS = (
    Key(" ", "space", "next", "what is due"),
    Key("y", "y", "confirm", "confirm"),
    Key("a", "a", "accept", "accept"),
    Key("c", "c", "correct", "correct"),
    Key("t", "t", "tare", "tare"),
    Key("+", "+", "timer", "one minute more"),
    Key("g", "g", "mark", "gelled"),
    Key("x", "x", "abandon", "give up", "Give this batch up?"),
    Key("q", "q", QUIT, "quit", "Resin is waiting. Quit all the same?"),
)
_SAME = {"\r": " ", "\n": " ", "=": "+"}
"""Foot switches that send Enter, and the plus that needs no shift."""

_BY_SENT = {key.sent: key for key in KEYS}
_REPEAT_S = 0.6
"""A held key or switch repeats: the same key again within this time is the same press."""
_ANSWER_WITHIN_S = 5.0
_MORE_S = 60
_RESIN = ("pour-by", "press-by", "pot-life")
_STRETCHABLE = ("stir", "pressure", "demold", "trim")
"""Clocks that a person may lengthen; the resin's own are not for sale."""


@dataclass(frozen=True, slots=True)
class Press:
    """What a key came to: a command to send, a short note to show, or the wish to quit."""

    do: dict[str, Any] | None = None
    note: str = ""
    quits: bool = False


def keys_now(view: BenchView) -> tuple[tuple[str, str], ...]:
    """The keys that do something now, as (key, what it does), the most likely first."""
    found = []
    for choice in (*view.choices, "mark", QUIT):
        for key in KEYS:
            if key.do == choice and _command(key, view) is not None:
                says = view.due if key.do == "next" and view.due else key.says
                found.append((key.shown, says))
    return tuple(found)


class Presses:
    """Turns one key after another into commands; keeps the open question and the last key."""

    def __init__(self) -> None:
        self._open: Key | None = None
        self._open_until_s = 0.0
        self._last = ""
        self._last_s = float("-inf")

    def press(self, sent: str, view: BenchView, at_s: float) -> Press:
        """Say what this key comes to now; nothing at all for a held key's repeats."""
        sent = _SAME.get(sent.lower(), sent.lower())
        repeated = sent == self._last and at_s - self._last_s < _REPEAT_S
        self._last, self._last_s = sent, at_s
        if repeated:
            return Press()
        asked, self._open = self._open, None
        if asked is not None and at_s <= self._open_until_s:
            return _act(asked, view) if sent == "y" else Press(note="Left as it is.")
        key = _BY_SENT.get(sent)
        if key is None:
            return Press()
        if _command(key, view) is None:
            return Press(note=f"{key.shown} ({key.says}) does nothing now{_instead(view)}.")
        if key.asks and (key.do != QUIT or _resin_waits(view)):
            return self._ask(key, at_s)
        return _act(key, view)

    def _ask(self, key: Key, at_s: float) -> Press:
        self._open, self._open_until_s = key, at_s + _ANSWER_WITHIN_S
        return Press(note=f"{key.asks} y does it, any other key leaves it.")


def _resin_waits(view: BenchView) -> bool:
    """Whether a cup is being filled, or what is mixed is setting."""
    poured = view.step in (Step.POUR, Step.SETTLE)
    return poured or any(timer.kind in _RESIN and timer.state != "ended" for timer in view.timers)


def _instead(view: BenchView) -> str:
    """The key that does something, where the bench waits for an answer."""
    first = next((key for key in KEYS if view.needs and key.do in view.choices[:1]), None)
    return f"; {first.shown}: {first.says}" if first is not None else ""


def _act(key: Key, view: BenchView) -> Press:
    if key.do == QUIT:
        return Press(quits=True)
    return Press(do=_command(key, view))


def _command(key: Key, view: BenchView) -> dict[str, Any] | None:
    """Build the command, with what it needs from the view; None where it is not allowed now.

    That the resin has gelled can be said while a pot life runs, whatever else is going on.
    """
    if key.do == QUIT:
        return {}
    if key.do == "mark":
        pot = [timer for timer in view.timers if timer.kind == "pot-life"]
        return {"do": "mark", "kind": "gelled", "batch": pot[0].batch} if pot else None
    if key.do not in view.choices:
        return None
    if key.do == "timer":
        timer = _stretchable(view)
        return None if timer is None else {"do": "timer", "timer": timer.id, "extend_s": _MORE_S}
    if key.do == "abandon":
        return {"do": "abandon", "reason": "given up at the bench"}
    return {"do": key.do}


def _stretchable(view: BenchView) -> TimerView | None:
    """The clock that a minute more is for: of those that may be lengthened, the first to end."""
    found = [timer for timer in view.timers if timer.kind in _STRETCHABLE]
    return min(found, key=lambda timer: timer.ends_at_s, default=None)


_ESCAPED = re.compile(r"\x1b(\[[0-?]*[ -/]*[@-~]|O.|[^\[O\x1b])?", re.DOTALL)
_UNFINISHED = re.compile(r"\x1b(\[[0-?]*[ -/]*|O)?$")
_PASTED = 6
_NO_KEY = b"\0"
"""POSIX calls it _POSIX_VDISABLE; on Linux it is the zero byte."""


class KeySplitter:
    """Splits what a terminal sends into keys; arrows and other escape sequences are swallowed."""

    def __init__(self) -> None:
        self._decode = codecs.getincrementaldecoder("utf-8")(errors="ignore").decode
        self._rest = ""

    def split(self, data: bytes) -> tuple[str, ...]:
        """Give the keys in these bytes; more than a few at once were pasted, and none is meant."""
        text = self._decode(data)
        if self._rest != "\x1b" or text[:1] in ("[", "O"):
            text = self._rest + text
        unfinished = _UNFINISHED.search(text)
        self._rest = unfinished.group() if unfinished else ""
        if unfinished:
            text = text[: unfinished.start()]
        keys = tuple(_ESCAPED.sub("", text))
        return keys if len(keys) <= _PASTED else ()


class Keys:
    """The keyboard of a terminal: each press is one command, one note, or the wish to quit.

    Use it as a context: leaving it, in whatever way, gives the terminal back its own mode. `open`
    gives False, and takes no key, where the file is no terminal or in another's foreground.
    """

    def __init__(
        self,
        file: TextIO,
        now: Callable[[], float],
        do: Callable[[dict[str, Any]], None],
        note: Callable[[str], None],
        leave: Callable[[], None],
    ) -> None:
        self._file = file
        self._now = now
        self._do = do
        self._note = note
        self._leave = leave
        self._presses = Presses()
        self._splitter = KeySplitter()
        self._view: BenchView | None = None
        self._before: list[Any] | None = None

    @property
    def active(self) -> bool:
        """Whether presses are being taken."""
        return self._before is not None

    def show(self, view: BenchView) -> None:
        """Take note of what is allowed now."""
        self._view = view

    def open(self) -> bool:
        """Take single presses from now on; call it with the loop running."""
        if not _is_ours(self._file):
            return False
        fd = self._file.fileno()
        self._before = termios.tcgetattr(fd)
        atexit.register(self.close)
        termios.tcsetattr(fd, termios.TCSADRAIN, _single_presses(self._before))
        asyncio.get_running_loop().add_reader(fd, self._ready)
        return True

    def close(self) -> None:
        """Give the terminal back its own mode; does nothing the second time."""
        before, self._before = self._before, None
        if before is None:
            return
        atexit.unregister(self.close)
        with contextlib.suppress(RuntimeError):
            asyncio.get_running_loop().remove_reader(self._file.fileno())
        with contextlib.suppress(termios.error, OSError):
            termios.tcsetattr(self._file.fileno(), termios.TCSADRAIN, before)

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    def _ready(self) -> None:
        try:
            data = os.read(self._file.fileno(), 256)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.close()
            return
        for sent in self._splitter.split(data):
            self._pressed(sent)

    def _pressed(self, sent: str) -> None:
        if self._view is None:
            return
        press = self._presses.press(sent, self._view, self._now())
        if press.note:
            self._note(press.note)
        if press.do is not None:
            self._do(press.do)
        if press.quits:
            self._leave()


def _is_ours(file: TextIO) -> bool:
    """Whether this is a terminal that this program may change: being in its foreground."""
    try:
        return file.isatty() and os.tcgetpgrp(file.fileno()) == os.getpgrp()
    except (OSError, ValueError):
        return False


def _single_presses(before: list[Any]) -> list[Any]:
    """Derive the key mode: no line editing, no echo, no keys that stop the program or its output.

    Ctrl-C stays what it is. Ctrl-Z and Ctrl-S go, because a stopped daemon gives no cue.
    """
    mode = [*before[:6], list(before[6])]
    mode[0] &= ~(termios.IXON | termios.ICRNL)
    mode[3] &= ~(termios.ICANON | termios.ECHO)
    mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
    mode[6][termios.VSUSP] = _NO_KEY
    return mode
