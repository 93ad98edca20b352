"""What of the bench is to be published, and when: pacing of weight, dispense, timers and run.

Owns the order and the rates. Knows neither sockets nor clocks: it is told the time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from daemon import topics
from daemon.messages import Message, dispense_of, run_of, timers_of, to_json, weight_of
from daemon.topics import Topic
from daemon.view import BenchView

Content = Message | Sequence[Message] | None


@dataclass(frozen=True, slots=True)
class Post:
    """One payload for one topic."""

    topic: Topic
    payload: bytes


@dataclass(frozen=True, slots=True)
class Pace:
    """How one topic is paced.

    A view whose `turn` differs from the one before is published at once and none is skipped (up
    to `turns_kept`); any other change waits until `interval_s` has passed since the last payload,
    and the latest one wins. What has not changed is said again after `repeat_s`, if given.
    """

    topic: Topic
    content: Callable[[BenchView], Content]
    turn: Callable[[BenchView], object]
    interval_s: float
    turns_kept: int = 1
    repeat_s: float | None = None


def _dispense_turn(view: BenchView) -> object:
    targets = tuple(part.target_g for part in view.parts)
    pour = (view.step, view.part, view.zone, view.target_g, targets)
    return (view.batch, view.recipe, pour, view.needs, view.prompt, view.choices, view.due)


def _run_turn(view: BenchView) -> object:
    """The expected end moves a little all the time; that can wait."""
    run = view.run
    return run and (run.name, run.pieces, run.good, run.rejected, run.batches_done)


PACES: tuple[Pace, ...] = (
    Pace(topics.DISPENSE, dispense_of, _dispense_turn, 0.5, turns_kept=64),
    Pace(topics.TIMERS, timers_of, lambda view: view.timers, 0.5),
    Pace(topics.RUN, run_of, _run_turn, 5.0),
    Pace(topics.WEIGHT, weight_of, lambda _: None, 0.1, repeat_s=1.0),
)


class _Lane:
    """One topic's payloads on their way."""

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self._turn: object = ()
        self._turns: deque[BenchView] = deque(maxlen=pace.turns_kept)
        self._latest: BenchView | None = None
        self._looked_s = float("-inf")
        self._said_s = float("-inf")
        self._said: Content = None

    def show(self, view: BenchView) -> None:
        turn = self.pace.turn(view)
        if turn != self._turn and self.pace.topic.retained:
            self._turn = turn
            self._turns.append(view)
            self._latest = None
        else:
            self._latest = view

    def again(self, view: BenchView | None) -> None:
        """Forget what waits; say the state once more if it is one that is retained."""
        self._turns.clear()
        self._latest = None
        if view is not None and self.pace.topic.retained:
            self._turns.append(view)

    def take(self, now_s: float) -> list[Post]:
        if self._turns:
            posts = [self._post(self.pace.content(view), now_s) for view in self._turns]
            self._turns.clear()
            return [post for post in posts if post is not None]
        if self._latest is None or now_s < self.due_s:
            return []
        self._looked_s = now_s
        content, self._latest = self.pace.content(self._latest), None
        repeat_s = self.pace.repeat_s
        stale = repeat_s is not None and now_s - self._said_s >= repeat_s
        if _timeless(content) == _timeless(self._said) and not stale:
            return []
        post = self._post(content, now_s)
        return [] if post is None else [post]

    def _post(self, content: Content, now_s: float) -> Post | None:
        self._looked_s = self._said_s = now_s
        self._said = content
        return None if content is None else Post(self.pace.topic, to_json(content))

    @property
    def due_s(self) -> float:
        """When something may go next; infinitely late while nothing waits."""
        if self._turns:
            return float("-inf")
        if self._latest is None:
            return float("inf")
        return self._looked_s + self.pace.interval_s


def _timeless(content: Content) -> Any:
    """The content without its own instant: time passing alone is no change."""
    if isinstance(content, Message):
        return content.model_dump(exclude={"at"})
    return content


class Outbox:
    """The views that wait to be published."""

    def __init__(self) -> None:
        self._lanes = [_Lane(pace) for pace in PACES]
        self._view: BenchView | None = None

    def show(self, view: BenchView) -> None:
        """Take the bench as it is now; quick, and nothing is published yet."""
        self._view = view
        for lane in self._lanes:
            lane.show(view)

    def again(self) -> None:
        """After a new connection: drop what waits and have everything retained said once more."""
        for lane in self._lanes:
            lane.again(self._view)

    def take(self, now_s: float) -> list[Post]:
        """Return what is due, in order; `now_s` is seconds on any clock that never runs back."""
        return [post for lane in self._lanes for post in lane.take(now_s)]

    @property
    def due_s(self) -> float:
        """When something is due next: any time until now where something is, else infinity."""
        return min(lane.due_s for lane in self._lanes)
