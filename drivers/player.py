"""What a place for sounds looks like, and the thread that keeps a slow one from delaying anybody.

Knows sounds by the names in drivers.tones; does not know how any place plays them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Protocol

from drivers.tones import rank

Clock = Callable[[], float]
STALE_TICK_S = 0.15
"""A tick that comes later than this says something false about the time left."""

_WAITING_MOST = 8


class Sink(Protocol):
    """A place for sounds. No call ever waits for the place."""

    trouble: str
    """One plain sentence once something is wrong with it, else empty."""

    def play(self, name: str) -> None:
        """Let this be heard now."""

    def hold(self, wanted: bool) -> None:
        """Keep the way open, because a cue that must not be late may come."""

    def close(self) -> None:
        """Finish what sounds, within half a second, and let go."""


class Player:
    """A sink with a thread of its own and a short queue before it.

    When the thread is stuck the queue fills: then ticks go first, messages next, and stop and
    too-much only to make room for a newer one.
    """

    def __init__(self, clock: Clock) -> None:
        self.trouble = ""
        self._clock = clock
        self._asked: deque[tuple[float, str]] = deque()
        self._held = False
        self._closing = False
        self._poked = False
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._work, name=type(self).__name__, daemon=True)
        self._thread.start()

    def play(self, name: str) -> None:
        """Hand the sound to the thread, stamped with this instant."""
        with self._news:
            if len(self._asked) >= _WAITING_MOST and not self._make_room(name):
                return
            self._asked.append((self._clock(), name))
            self._news.notify()

    def hold(self, wanted: bool) -> None:
        """Wake the thread when the wish has changed."""
        if wanted != self._held:
            self._held = wanted
            self._poke()

    def close(self) -> None:
        """Ask the thread to finish, and wait for it a little."""
        with self._news:
            self._closing = True
            self._news.notify()
        self._thread.join(timeout=0.7)

    def _poke(self) -> None:
        with self._news:
            self._poked = True
            self._news.notify()

    def _make_room(self, name: str) -> bool:
        least = min(self._asked, key=lambda ask: rank(ask[1]))
        if rank(least[1]) > rank(name):
            return False
        self._asked.remove(least)
        return True

    def _work(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(self._called, self._nap_s())
                asked = tuple(self._asked)
                self._asked.clear()
                poked, self._poked = self._poked, False
                closing = self._closing
            self._turn(asked, poked)
            if closing:
                self._finish()
                return

    def _called(self) -> bool:
        return bool(self._asked) or self._poked or self._closing

    def _nap_s(self) -> float | None:
        """Seconds to the next turn when nobody asks; None to sleep until somebody does."""
        return None

    def _turn(self, asked: tuple[tuple[float, str], ...], poked: bool) -> None:
        """Take up what was asked, each with its instant, and go on with what sounds.

        `poked`: the way was opened, or the wish to hold it has changed.
        """

    def _finish(self) -> None:
        """Let go, at the end of the thread."""
