"""By ear: the batch's sounds at once, and in the ease zone a tick whose tempo is the time left.

Owns the tempo and the timing of ticks. Does not know how a sound is made or where it is played.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Protocol

from daemon.effects import Pattern
from daemon.view import BenchView, Step, Zone
from drivers.player import Sink

SLOWEST_S = 0.6
QUICKEST_S = 0.08
_SHARE = 0.2
"""Share of the time left that passes between two ticks: fast and slow pours sound alike."""

_GENTLE_FROM_S = 3.0
_GENTLE_S = 0.35
"""While still dumping, ticks are soft, begin this long before the stop, and never come faster."""

_STALE_S = 1.2
_HUSH = frozenset({Pattern.FINE, Pattern.OVER})


class Later(Protocol):
    """Something that was put off and can be called off."""

    def cancel(self) -> None:
        """Call it off."""


PutOff = Callable[[float, Callable[[], None]], Later]


def interval_s(to_stop_s: float) -> float:
    """Seconds between two ticks with `to_stop_s` seconds left to the stop.

    A fifth of the time left, between 0.08 and 0.6 s: continuous, and the same for every flow.
    """
    return min(SLOWEST_S, max(QUICKEST_S, _SHARE * to_stop_s))


def tick_of(view: BenchView, now_s: float) -> tuple[str, float] | None:
    """Say which tick sounds now and how long until the next; None where there is silence.

    Silent without a believed and fresh reading, and where no time to the stop is known.
    """
    if view.step is not Step.POUR or view.scale != "ok" or view.to_stop_s is None:
        return None
    age_s = now_s - view.at_s
    if age_s > _STALE_S:
        return None
    left_s = view.to_stop_s - age_s
    if view.zone is Zone.EASE:
        return "tick", interval_s(left_s)
    if view.zone is Zone.DUMP and left_s <= _GENTLE_FROM_S:
        return "soft-tick", max(_GENTLE_S, interval_s(left_s))
    return None


class SoundOutlet:
    """Plays what the batch asks for, and ticks by itself between the ease-off and the stop.

    Every call returns at once. `tell` hears each new trouble of the sink once, as a plain sentence.
    """

    def __init__(
        self,
        sink: Sink,
        now: Callable[[], float],
        tell: Callable[[str], None] | None = None,
        put_off: PutOff | None = None,
    ) -> None:
        self._sink = sink
        self._now = now
        self._tell = tell
        self._put_off = put_off or _on_the_loop
        self._view: BenchView | None = None
        self._last_tick_s = float("-inf")
        self._next: Later | None = None
        self._told = ""

    def play(self, pattern: Pattern) -> None:
        """Let it be heard now; after a stop no tick comes until another view asks for one."""
        self._sink.play(pattern.value)
        if pattern in _HUSH:
            self._view = None
            self._call_off()

    def show(self, view: BenchView) -> None:
        """Take the tempo from the latest picture of the bench."""
        self._view = view
        self._sink.hold(view.step in (Step.POUR, Step.SETTLE))
        self._plan()
        self._say_trouble()

    def close(self) -> None:
        """Stop ticking and let the sink finish."""
        self._view = None
        self._call_off()
        self._sink.close()

    def _say_trouble(self) -> None:
        trouble = self._sink.trouble
        if trouble and trouble != self._told:
            self._told = trouble
            if self._tell is not None:
                self._tell(trouble)

    def _plan(self) -> None:
        """Put the next tick where the latest tempo has it, counted from the last one."""
        self._call_off()
        now_s = self._now()
        tick = None if self._view is None else tick_of(self._view, now_s)
        if tick is not None:
            wait_s = self._last_tick_s + tick[1] - now_s
            self._next = self._put_off(max(0.0, wait_s), self._tick)

    def _tick(self) -> None:
        self._next = None
        now_s = self._now()
        tick = None if self._view is None else tick_of(self._view, now_s)
        if tick is None:
            return
        self._last_tick_s = now_s
        self._sink.play(tick[0])
        self._plan()

    def _call_off(self) -> None:
        if self._next is not None:
            self._next.cancel()
            self._next = None


def _on_the_loop(seconds: float, what: Callable[[], None]) -> Later:
    return asyncio.get_running_loop().call_later(seconds, what)
