"""Writes to a terminal or a pipe from a thread of its own, so that a stopped one delays nobody.

Owns the two ways of writing: whole frames of which only the latest counts, and lines in order. Does
not know what they say.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from typing import TextIO

_CLEAR = "\x1b[2J"
_BEGIN_TOGETHER, _END_TOGETHER = "\x1b[?2026h", "\x1b[?2026l"
"""Terminals that know it show what is between at one stroke; others ignore it."""


class _Writer:
    """A thread that writes what it is handed; one that cannot write any more falls silent."""

    def __init__(self, file: TextIO) -> None:
        self._fd = file.fileno()
        self._encoding = file.encoding or "utf-8"
        self._news = threading.Condition()
        self._closing = False
        self.broken = False
        self._thread = threading.Thread(target=self._work, name=type(self).__name__, daemon=True)
        self._thread.start()

    def close(self, timeout_s: float = 0.5) -> bool:
        """Write what is left, within this time; False when the terminal does not take it."""
        with self._news:
            self._closing = True
            self._news.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._closing or self._waiting())
                text, closing = self._take(), self._closing
            if text:
                self._write(text)
            elif closing:
                return

    def _write(self, text: str) -> None:
        data = text.encode(self._encoding, errors="replace")
        while data and not self.broken:
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                threading.Event().wait(0.02)
            except OSError:
                self.broken = True

    def _waiting(self) -> bool:
        return False

    def _take(self) -> str:
        return ""


class FrameWriter(_Writer):
    """Draws frames: only lines that differ from what stands there are sent, at one stroke.

    A frame that comes before the last one is written replaces it.
    """

    def __init__(self, file: TextIO) -> None:
        self._frame: list[str] | None = None
        self._shown: list[str] = []
        super().__init__(file)

    def show(self, frame: list[str], *, afresh: bool = False) -> None:
        """Let this frame stand; `afresh` when what stands there is not known (a new size)."""
        with self._news:
            self._frame = frame
            if afresh:
                self._shown = []
            self._news.notify()

    def _waiting(self) -> bool:
        return self._frame is not None

    def _take(self) -> str:
        frame, self._frame = self._frame, None
        if frame is None:
            return ""
        text = changes(self._shown, frame)
        self._shown = frame
        return text


def changes(shown: list[str], frame: list[str]) -> str:
    """Give what turns one screenful into another: nothing where they are alike."""
    afresh = len(shown) != len(frame)
    lines = [
        f"\x1b[{row};1H{line}"
        for row, line in enumerate(frame, start=1)
        if afresh or line != shown[row - 1]
    ]
    clear = _CLEAR if afresh else ""
    return _BEGIN_TOGETHER + clear + "".join(lines) + _END_TOGETHER if lines else ""


class LineWriter(_Writer):
    """Writes lines in order; when they are not taken, the oldest waiting ones go."""

    _WAITING_MOST = 400

    def __init__(self, file: TextIO) -> None:
        self._lines: deque[str] = deque(maxlen=self._WAITING_MOST)
        super().__init__(file)

    def write(self, line: str) -> None:
        """Let this line be written."""
        with self._news:
            self._lines.append(line)
            self._news.notify()

    def _waiting(self) -> bool:
        return bool(self._lines)

    def _take(self) -> str:
        text = "".join(f"{line}\n" for line in self._lines)
        self._lines.clear()
        return text
