"""The full screen of a terminal: takes it over, draws the latest view, gives it back.

Owns the terminal's screen, its colours, and when to draw. Does not know what stands where.
"""

from __future__ import annotations

import asyncio
import atexit
import os
from collections.abc import Callable
from functools import lru_cache
from types import TracebackType
from typing import Self, TextIO

from rich.color import ColorSystem
from rich.style import Style

from daemon.screen_layout import Frame, compose
from daemon.screen_lines import Line
from daemon.screen_words import NO_NOTES, Notes
from daemon.screen_writer import FrameWriter
from daemon.view import BenchView, Step

POURING_S = 0.2
RESTING_S = 0.5
"""Shortest time between two drawings; a new zone, step, question or prompt is drawn at once."""

_ENTER = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"
_LEAVE = "\x1b[0m\x1b[2J\x1b[?7h\x1b[?25h\x1b[?1049l"
"""The second screen, without cursor and without wrapping; and back."""

_STYLES = {
    "plain": "",
    "dim": "dim",
    "bold": "bold",
    "note": "italic",
    "key": "bold reverse",
    "head.band": "reverse dim",
    "prompt.band": "bold white on blue",
    "qr": "bright_white on black",
    "calm": "bold blue",
    "calm.big": "bold",
    "calm.band": "bold white on blue",
    "go": "bold green",
    "go.big": "bold bright_green",
    "go.band": "bold black on green",
    "good": "bold cyan",
    "good.big": "bold bright_cyan",
    "good.band": "bold black on cyan",
    "ease": "bold yellow",
    "ease.big": "bold bright_yellow",
    "ease.band": "bold black on yellow",
    "stop": "bold red",
    "stop.big": "bold bright_red",
    "stop.band": "bold white on red",
}
_ASCII = str.maketrans(
    "█▌▋▊▉▏▎▍·…▀▄▒░–│±▼▽◆■◇▲○►√×‖∪",
    "#####.....',=:-|~Vv*#o^o>vxHU",
)
_CONSOLE = str.maketrans("▋▊▉▏▎▍▽◆◇○‖∪×–…", "▌▌▌   v♦oo║Ux-.")
"""Each sign stays one column wide. The bare console of a small computer has the 256 signs of code
page 437 in its font (from memory) and no others."""
_EMPHASIS = ("bold", "dim", "italic", "reverse")


def signs_for(encoding: str, term: str) -> dict[int, int] | None:
    """Give what must be drawn otherwise on this kind of terminal; None where nothing must."""
    if not encoding.lower().replace("-", "").startswith("utf"):
        return _ASCII
    return _CONSOLE if term == "linux" else None


def can_draw(file: TextIO) -> bool:
    """Whether this is a terminal that a full screen can be drawn on."""
    return file.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb", "unknown")


class FullScreen:
    """Draws the bench on a terminal, at most five times a second and only what has changed.

    `show` takes a view and returns within a millisecond or so; the writing is done by a thread.
    Use it as a context: the terminal gets its screen back however that ends.
    """

    def __init__(self, file: TextIO, now: Callable[[], float]) -> None:
        self._file = file
        self._now = now
        self._coloured = not os.environ.get("NO_COLOR")
        self._signs = signs_for(file.encoding or "", os.environ.get("TERM", ""))
        self._writer: FrameWriter | None = None
        self._view: BenchView | None = None
        self._notes = NO_NOTES
        self._drawn_s = float("-inf")
        self._drawn: object = None
        self._size = (0, 0)
        self._next: asyncio.TimerHandle | None = None

    def open(self) -> None:
        """Take the screen over."""
        atexit.register(self.close)
        os.write(self._file.fileno(), _ENTER.encode())
        self._writer = FrameWriter(self._file)

    def close(self) -> None:
        """Give the screen back; does nothing the second time."""
        writer, self._writer = self._writer, None
        if writer is None:
            return
        atexit.unregister(self.close)
        if self._next is not None:
            self._next.cancel()
        if writer.close():
            os.write(self._file.fileno(), _LEAVE.encode())

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

    def show(self, view: BenchView, notes: Notes = NO_NOTES) -> None:
        """Take the latest picture; draw it now when it says something new, else when it is time."""
        self._view, self._notes = view, notes
        news = (view.zone, view.step, view.needs, view.prompt, view.scale, view.batch, notes.said)
        if news != self._drawn:
            self._drawn = news
            self._draw()
        else:
            self._draw_when_due()

    async def run(self) -> None:
        """Keep the clocks and the size of the drawing right between views, until cancelled."""
        while True:
            await asyncio.sleep(RESTING_S)
            if self._now() - self._drawn_s >= RESTING_S:
                self._draw()

    def _draw_when_due(self) -> None:
        if self._next is not None or self._view is None:
            return
        pouring = self._view.step is Step.POUR
        wait_s = self._drawn_s + (POURING_S if pouring else RESTING_S) - self._now()
        if wait_s <= 0:
            self._draw()
        else:
            self._next = asyncio.get_running_loop().call_later(wait_s, self._draw)

    def _draw(self) -> None:
        if self._next is not None:
            self._next.cancel()
            self._next = None
        if self._view is None or self._writer is None:
            return
        self._drawn_s = self._now()
        width, height = self._terminal_size()
        frame = Frame(self._view, self._notes, self._drawn_s, width, height)
        lines = [self._coded(line) for line in compose(frame)]
        self._writer.show(lines, afresh=(width, height) != self._size)
        self._size = (width, height)

    def _terminal_size(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._file.fileno())
        except OSError:
            return 80, 24
        return max(8, size.columns or 80), max(2, size.lines or 24)

    def _coded(self, line: Line) -> str:
        text = "".join(
            f"{before}{words}{after}"
            for words, style in line
            for before, after in (codes(style, self._coloured),)
        )
        return text.translate(self._signs) if self._signs else text


@lru_cache(maxsize=128)
def codes(style: str, coloured: bool) -> tuple[str, str]:
    """Give the control codes before and after text of this style; bare emphasis without colour."""
    look = _STYLES[style]
    if not coloured:
        bare = {word for word in look.split() if word in _EMPHASIS}
        look = " ".join(sorted(bare | {"reverse"} if style.endswith("band") else bare))
    text = Style.parse(look).render("\0", color_system=ColorSystem.STANDARD)
    before, _, after = text.partition("\0")
    return before, after
