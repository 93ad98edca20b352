"""The daemon's heart: an input is stepped, heard and shown at once, journaled, and then told.

Owns the order of those four and the waking at due instants. Knows nothing of how an input came, how
anything sounds or looks, or who listens.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from typing import Protocol, TypeVar

from daemon.clock import Timeline
from daemon.effects import Answer, Pattern, Record, Sound
from daemon.engine import Engine, Opening, Outcome
from daemon.inputs import DaemonStart, Input, WallClock
from daemon.journal import Entry, EventRow, Journal, StateRow, join
from daemon.messages import rfc3339
from daemon.picture import picture
from daemon.store import JournalError
from daemon.view import BenchView

RAW_EVERY_S = 1.0
"""Readings that decide nothing are written together: a flash card wears with every commit."""
STATE_EVERY_S = 120.0
"""How much has to be stepped again after a kill, at most."""
WALL_EVERY_S = 5.0
RETRY_S = 2.0
"""After the journal could not be written: how long until the next attempt."""
MOST_WAITING = 20_000
"""Inputs kept while the journal cannot be written, half an hour of readings; after that a whole
state takes their place, so that memory does not run out as well."""

T = TypeVar("T")
Reply = Callable[[Answer], None]


class Near(Protocol):
    """What the person at the bench has before them: waits for nothing."""

    def play(self, pattern: Pattern) -> None:
        """Let it be heard."""

    def show(self, view: BenchView) -> None:
        """Let it be seen."""


class Far(Protocol):
    """Other programs: hear of an event only once it is in the journal."""

    def show(self, view: BenchView) -> None:
        """The bench as of the last committed event."""

    def committed(self, upto_seq: int) -> None:
        """Events up to this one are safe and may be told."""


@dataclass(slots=True)
class _Group:
    """What waits for one commit, and what is told after it."""

    entry: Entry = field(default_factory=Entry)
    answers: list[tuple[Answer, Reply | None]] = field(default_factory=list)
    view: BenchView | None = None


class Loop:
    """Takes inputs on the loop's thread, in order; `run` writes and tells in the background."""

    def __init__(
        self,
        engine: Engine,
        journal: Journal,
        timeline: Timeline,
        speed: float = 1.0,
    ) -> None:
        """Go on with `engine` where `journal` ends.

        `speed` is how many times as fast as the event loop's own time the time line runs.
        """
        self.engine = engine
        self.journal = journal
        self.timeline = timeline
        self._speed = speed
        self.near: list[Near] = []
        self.far: list[Far] = []
        self.trouble = ""
        """Why the journal cannot be written, empty while it can."""
        self.failed: list[str] = []
        """Outlets that failed and were left out: a sentence each."""
        self.on_record: list[Callable[[Record], None]] = []
        self._input = journal.last_input()
        self._seq = self._told_seq = journal.last_seq()
        self._group = _Group()
        self._wake = asyncio.Event()
        self._raw_due: asyncio.TimerHandle | None = None
        self._due: asyncio.TimerHandle | None = None
        self._state_us = timeline.now_us()
        self._writer = ThreadPoolExecutor(1, "journal")
        self._writing: asyncio.Task[None] | None = None

    def now_s(self) -> float:
        """The daemon's own time."""
        return self.timeline.now_s()

    @property
    def view(self) -> BenchView:
        """The bench as it is now."""
        return picture(self.engine.bench, max(self.engine.bench.at_s, self.now_s()))

    # --- taken, heard and shown at once --------------------------------------------------------

    def take(self, item: Input, reply: Reply | None = None) -> None:
        """Take one input: sound and screen at once, the journal and everybody else after it."""
        if not isinstance(item, DaemonStart):
            # What was due before it belongs to the inputs before it.
            self._ask_for(self.engine.run_to(item.at_us), None)
        item, outcomes = self.engine.take(item)
        self._input += 1
        self._group.entry.inputs.append((self._input, item))
        self._ask_for(outcomes, reply)
        self._look()

    def note_meta(self, key: str, value: str) -> None:
        """Keep a value beside the journal with the next commit; it need not be durable at once."""
        self._group.entry.meta[key] = value
        self._write_soon(RAW_EVERY_S)

    def _ring(self) -> None:
        """An instant that something was due at has come."""
        self._due = None
        self._ask_for(self.engine.run_to(self.timeline.now_us()), None)
        self._look()

    def _ask_for(self, outcomes: list[Outcome], reply: Reply | None) -> None:
        for outcome in outcomes:
            match outcome:
                case Sound():
                    self._play(outcome.pattern)
                case Record():
                    self._note(outcome)
                case Answer():
                    self._group.answers.append((outcome, reply))
                case Opening():
                    self._keep_state(outcome.at_us, outcome.batch, outcome.state)

    def _play(self, pattern: Pattern) -> None:
        self._each(self.near, lambda ear: ear.play(pattern))

    def _look(self) -> None:
        """Show the bench to those near, hand it on to the others, and sleep until what is due."""
        view = self.view
        self._each(self.near, lambda eye: eye.show(view))
        self._hand_on(view)
        self._sleep_until_due()

    def _each(self, outlets: list[T], tell: Callable[[T], None]) -> None:
        """Tell every outlet; one that fails is left out, and harms neither the cue nor the rest."""
        for outlet in tuple(outlets):
            try:
                tell(outlet)
            except Exception as error:
                outlets.remove(outlet)
                self.failed.append(f"{type(outlet).__name__} failed and is left out: {error}.")

    def _note(self, record: Record) -> None:
        self._seq += 1
        at_us = round(record.at_s * 1e6)
        at = rfc3339(record.at_s + self.engine.bench.wall_offset_s)
        row = EventRow(self._seq, at_us, at, record.kind, record.batch, record.data)
        self._group.entry.events.append((row, self._input))
        for hear in self.on_record:
            hear(record)

    def _keep_state(self, at_us: int, batch: int | None, body: dict[str, object]) -> None:
        row = StateRow(self._input, self._seq + 1, at_us, batch, body)
        self._group.entry.states.append(row)
        self._state_us = at_us

    def _hand_on(self, view: BenchView) -> None:
        """Write now if an event or an answer waits, else let readings gather."""
        group = self._group
        group.view = view
        if group.entry.urgent or group.answers:
            self._write_soon(0.0)
        elif self._seq == self._told_seq:
            group.view = None
            self._each(self.far, lambda other: other.show(view))
        if group.entry.inputs:
            self._write_soon(RAW_EVERY_S)

    def _write_soon(self, wait_s: float) -> None:
        """Write at once or a little later; in trouble, not before it is to be tried again."""
        if wait_s == 0.0 and not self.trouble:
            self._wake.set()
        elif self._raw_due is None:
            wait_s = max(wait_s, RETRY_S) if self.trouble else wait_s
            self._raw_due = asyncio.get_running_loop().call_later(wait_s, self._wake.set)

    def _sleep_until_due(self) -> None:
        if self._due is not None:
            self._due.cancel()
            self._due = None
        due_us = self.engine.due_us()
        if due_us is not None:
            wait_s = max(0.0, (due_us - self.timeline.now_us()) / 1e6) / self._speed
            self._due = asyncio.get_running_loop().call_later(wait_s, self._ring)

    # --- written, and then told ----------------------------------------------------------------

    async def run(self) -> None:
        """Write and tell until cancelled; a commit that has begun is never torn."""
        while True:
            await self._wake.wait()
            self._writing = asyncio.create_task(self._write_and_tell(), name="commit")
            await asyncio.shield(self._writing)

    async def watch_wall(self) -> None:
        """Take note when somebody sets the wall clock, until cancelled."""
        while True:
            await asyncio.sleep(WALL_EVERY_S)
            offset_us = self.timeline.stepped()
            if offset_us is not None:
                self.take(WallClock(self.timeline.now_us(), offset_us))

    async def close(self) -> None:
        """Journal everything, the whole state last, so that the next start is exact and quick.

        Raises JournalError where that is not possible.
        """
        if self._due is not None:
            self._due.cancel()
        if self._writing is not None:
            await self._writing
        self._keep_state(self.engine.at_us, None, self.engine.snapshot())
        await self._write_and_tell()
        self._call_off_raw()
        self._writer.shutdown()
        if self.trouble:
            raise JournalError(self.trouble)

    async def _write_and_tell(self) -> None:
        self._wake.clear()
        self._call_off_raw()
        if self.timeline.now_us() - self._state_us > STATE_EVERY_S * 1e6:
            self._keep_state(self.engine.at_us, None, self.engine.snapshot())
        group, self._group = self._group, _Group()
        group.entry.meta["mark"] = json.dumps(asdict(self.timeline.mark()))
        try:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._writer, self.journal.append, group.entry)
        except JournalError as error:
            self._put_back(group, str(error))
            return
        healed, self.trouble = bool(self.trouble), ""
        self._tell(group)
        if healed:
            self._look()

    def _call_off_raw(self) -> None:
        if self._raw_due is not None:
            self._raw_due.cancel()
            self._raw_due = None

    def _put_back(self, group: _Group, why: str) -> None:
        """Nothing was written: keep it before what has come since, and try again later."""
        since, self._group = self._group, group
        group.entry = join((group.entry, since.entry))
        group.answers += since.answers
        group.view = since.view or group.view
        if len(group.entry.inputs) > MOST_WAITING:
            group.entry.inputs.clear()
            self._keep_state(self.engine.at_us, None, self.engine.snapshot())
        news, self.trouble = self.trouble != why, why
        self._write_soon(RETRY_S)
        if news:
            self._look()

    def _tell(self, group: _Group) -> None:
        if group.entry.events:
            self._told_seq = seq = group.entry.events[-1][0].seq
            self._each(self.far, lambda other: other.committed(seq))
        if group.view is not None:
            view = group.view
            self._each(self.far, lambda other: other.show(view))
        for answer, reply in group.answers:
            if reply is not None:
                reply(answer)
