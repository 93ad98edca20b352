"""The terminal as the daemon has it: a full screen, plain lines or nothing, and what is said on it.

Owns which of them it is, and how long a sentence stands. Knows nothing of what they draw.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from daemon.effects import Pattern
from daemon.screen_words import Notes
from daemon.view import BenchView

SAID_FOR_S = 12.0
SAID_KEPT = 5


@dataclass(slots=True)
class Said:
    """Plain sentences for the person, the newest last; old ones fade."""

    now: Callable[[], float]
    heard: Callable[[], None] = lambda: None
    """Called for each new sentence, so that it is seen at once."""
    lines: list[tuple[float, str]] = field(default_factory=list)

    def say(self, sentence: str) -> None:
        """Say this for a while."""
        if sentence:
            self.lines = [*self.lines[1 - SAID_KEPT :], (self.now(), sentence)]
            self.heard()

    def current(self) -> tuple[str, ...]:
        """What is still to be seen."""
        since = self.now() - SAID_FOR_S
        return tuple(line for at, line in self.lines if at >= since)


class Console:
    """The terminal: full screen, plain lines, or nothing; with the notes of the other outlets."""

    def __init__(self, kind: str, now: Callable[[], float], notes: Callable[[], Notes]) -> None:
        """`kind` is full, plain or none; full becomes plain where there is no terminal."""
        self._notes = notes
        self._screen: Any = None
        if kind == "none":
            return
        from daemon.screen import FullScreen, can_draw
        from daemon.screen_plain import PlainScreen

        if kind == "full" and can_draw(sys.stdout):
            self._screen = FullScreen(sys.stdout, now)
            self._screen.open()
        else:
            self._screen = PlainScreen(sys.stdout, now)

    def play(self, pattern: Pattern) -> None:
        """A screen is silent."""

    def show(self, view: BenchView) -> None:
        """Draw it."""
        if self._screen is not None:
            self._screen.show(view, self._notes())

    async def run(self) -> None:
        """Keep clocks moving on a full screen."""
        if hasattr(self._screen, "run"):
            await self._screen.run()

    def close(self) -> None:
        """Give the terminal back."""
        if self._screen is not None:
            self._screen.close()


@dataclass(frozen=True, slots=True)
class Watcher:
    """An outlet that only looks."""

    look: Callable[[BenchView], None]

    def play(self, pattern: Pattern) -> None:
        """Nothing is heard here."""

    def show(self, view: BenchView) -> None:
        """Look."""
        self.look(view)
