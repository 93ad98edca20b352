"""A store looked at, or acted on, from outside a running daemon: through it, or in its stead.

Owns how one command is taken on a store that nobody runs on. Knows no command: what it does, and
whether it is allowed, is decided where a running daemon decides it.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from daemon import control
from daemon.batch import Phase
from daemon.clock import Clock, Ticks, Timeline
from daemon.effects import Answer, Record
from daemon.engine import Engine, Opening, Outcome
from daemon.inputs import Do, Input, Port, WallClock
from daemon.journal import Entry, EventRow, Journal, StateRow
from daemon.messages import rfc3339
from daemon.restart import Restart, rebuild, saved_mark
from daemon.store import holder
from drivers.recogniser import Recogniser

_WORKED_ON = (Phase.POUR, Phase.DECIDE)
"""While the batch stands here, readings are expected: without any the scale is called silent."""


class OfflineError(Exception):
    """The store cannot be acted on now; the text says why and what to do."""


def look(folder: Path) -> Restart:
    """The bench as its journal has it, whether a daemon runs on the store or not.

    Nothing that fell due since is in it. Raises JournalError where there is no journal to be read.
    """
    journal = Journal(folder, write=False)
    try:
        return rebuild(journal, Recogniser())
    finally:
        journal.close()


def tell(
    folder: Path,
    do: dict[str, Any],
    by: str,
    *,
    clock: Ticks | None = None,
    begins: bool = False,
) -> Answer:
    """Have a command carried out by the daemon that runs on the store, or here where none does.

    `do` is well formed, and holds all that it needs (`resolved` where it names a recipe). A command
    with which work on a bench `begins` may make a store that is not there yet. Raises
    JournalError, ControlError or OfflineError where the store cannot be acted on.
    """
    if holder(folder) is not None:
        found = control.ask(folder, do)
        return Answer(None, bool(found.get("ok")), found.get("error"))
    if not begins:
        Journal(folder, write=False).close()  # a slip in a store's name must not make a store
    journal = Journal(folder, write=True)
    try:
        return _acted(journal, do, by, clock or Clock())
    finally:
        journal.close()


def _acted(journal: Journal, do: dict[str, Any], by: str, clock: Ticks) -> Answer:
    timeline = Timeline(clock, saved_mark(journal))
    restart = rebuild(journal, Recogniser())
    if restart.note:
        raise OfflineError(f"{restart.note} Start `benchpour run` on it once, then try again.")
    turn = _Turn(journal, restart.engine)
    _pass_the_time(turn, timeline)
    answer = turn.take(Do(timeline.now_us(), do, None, by))
    turn.entry.meta["mark"] = json.dumps(asdict(timeline.mark()))
    journal.append(turn.entry)
    assert answer is not None
    return answer


def _pass_the_time(turn: _Turn, timeline: Timeline) -> None:
    """Let the clocks that ended meanwhile end, and nothing be called as if somebody still poured.

    Where a pour was under way when the daemon stopped, the scale's line was lost at that instant.
    """
    engine = turn.engine
    batch, link = engine.bench.batch, engine.bench.link
    if batch is not None and batch.phase in _WORKED_ON and link.state != "lost":
        turn.take(Port(engine.at_us, "lost", link.port, "nobody reads the scale"))
    turn.take(WallClock(timeline.now_us(), timeline.wall_offset_us()))


class _Turn:
    """Inputs taken one after another, and what they lead to gathered for one commit."""

    def __init__(self, journal: Journal, engine: Engine) -> None:
        self.engine = engine
        self.entry = Entry()
        self._input = journal.last_input()
        self._seq = journal.last_seq()

    def take(self, item: Input) -> Answer | None:
        """Take one input, what is due before it first; returns its answer where it is a command."""
        self._keep(self.engine.run_to(item.at_us))
        item, outcomes = self.engine.take(item)
        self._input += 1
        self.entry.inputs.append((self._input, item))
        return self._keep(outcomes)

    def _keep(self, outcomes: list[Outcome]) -> Answer | None:
        answer = None
        for outcome in outcomes:
            match outcome:
                case Record():
                    self._note(outcome)
                case Opening(at_us, batch, state):
                    row = StateRow(self._input, self._seq + 1, at_us, batch, state)
                    self.entry.states.append(row)
                case Answer():
                    answer = outcome
        return answer

    def _note(self, record: Record) -> None:
        self._seq += 1
        at = rfc3339(record.at_s + self.engine.bench.wall_offset_s)
        at_us = round(record.at_s * 1e6)
        row = EventRow(self._seq, at_us, at, record.kind, record.batch, record.data)
        self.entry.events.append((row, self._input))
