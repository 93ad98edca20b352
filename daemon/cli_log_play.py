"""A replay in front of somebody: plain lines or the full screen, and sound.

Owns which outlets a replay has and how they follow its time. Knows no arguments and no file.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Callable

from daemon import screen_words as words
from daemon.clock import Clock
from daemon.effects import Pattern
from daemon.logfile import Event, Log
from daemon.replay import Performance, Replay
from daemon.screen_lines import printable
from daemon.screen_plain import PROGRESS_S, news, progress
from daemon.view import BenchView, Step


async def play(
    log: Log,
    replay: Replay,
    speed: float | None,
    console: str,
    sound: str,
    tell: Callable[[Event], None] | None,
) -> None:
    """Play the log to its end. `console` is full, plain or none, `sound` where it is heard."""
    show = Performance(log, replay, Clock(), speed)
    with contextlib.ExitStack() as stack:
        _add_console(show, console, stack)
        if speed is not None and sound != "none":
            _add_sound(show, sound, speed, stack)
        await show.run(tell)


def _add_console(show: Performance, console: str, stack: contextlib.ExitStack) -> None:
    if console == "none":
        return
    from daemon.screen import FullScreen, can_draw

    if console == "full" and show.speed is not None and can_draw(sys.stdout):
        show.near.append(_Looked(stack.enter_context(FullScreen(sys.stdout, show.now_s)).show))
    else:
        show.near.append(_Looked(PlainLines(print).show))


def _add_sound(show: Performance, to: str, speed: float, stack: contextlib.ExitStack) -> None:
    from daemon.sound import SoundOutlet
    from drivers.beeper import open_sink

    def put_off(seconds: float, what: Callable[[], None]) -> asyncio.TimerHandle:
        return asyncio.get_running_loop().call_later(seconds / speed, what)

    outlet = SoundOutlet(open_sink(to, sys.stdout), show.now_s, None, put_off)
    stack.callback(outlet.close)
    show.near.append(outlet)


class _Looked:
    """An outlet that is only looked at."""

    def __init__(self, show: Callable[[BenchView], None]) -> None:
        self.show = show

    def play(self, pattern: Pattern) -> None:
        """A screen is silent."""


class PlainLines:
    """What the plain screen says, with the time of then; no line is left out, however fast."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._last: BenchView | None = None
        self._progress_s = float("-inf")

    def show(self, view: BenchView) -> None:
        """Write what is new in this view, and now and then how far the pour is."""
        lines = news(self._last, view) or self._progress(view)
        self._last = view
        for line in lines:
            self._write(printable(f"{words.wall(view, view.at_s, '%H:%M:%S')}  {line}"))

    def _progress(self, view: BenchView) -> list[str]:
        due = view.at_s - self._progress_s >= PROGRESS_S
        if view.step is not Step.POUR or view.actual_g is None or not due:
            return []
        self._progress_s = view.at_s
        return [progress(view)]
