"""The far outlets beside a running daemon: what they may read of its journal, and when."""

from __future__ import annotations

import asyncio
from pathlib import Path

from daemon import control
from daemon.clock import Clock
from daemon.config import Config
from daemon.journal import Entry, EventRow, Journal
from daemon.outlets import CommittedEvents, serve_outlets
from daemon.run import Running, RunOptions


def event(seq: int) -> tuple[EventRow, int]:
    return EventRow(seq, seq * 1000, "2026-01-01T00:00:00.000Z", "ambient.told", None, {}), 1


def test_nobody_is_told_of_an_event_that_may_still_be_taken_back(tmp_path: Path) -> None:
    """The writer is in the middle of a commit: what is safe is read, and nothing is waited for."""
    journal = Journal(tmp_path, write=True)
    journal.append(Entry(events=[event(1)]))
    events = CommittedEvents(tmp_path)
    journal._db.execute("BEGIN IMMEDIATE")
    journal._db.execute(
        "INSERT INTO events SELECT seq + 1, at_us, after_input, at, kind, batch, data FROM events"
    )
    assert [row.seq for row in journal.events_after(0)] == [1, 2]
    assert [row.seq for row in events.after(0, 20)] == [1]
    journal._db.execute("ROLLBACK")
    assert [row.seq for row in events.after(0, 20)] == [1]
    journal.append(Entry(events=[event(2)]))
    assert [row.seq for row in events.after(1, 20)] == [2]
    events.close()
    journal.close()


async def test_who_asks_for_a_page_too_early_or_in_vain_is_told_so(tmp_path: Path) -> None:
    config = Config.model_validate(
        {"phone": {"off": True}, "broker": {"url": "none"}, "sound": {"to": "none"}}
    )
    running = Running(RunOptions(config=config, console="none", clock=Clock()), tmp_path)
    early = await running.asked({"phone": "list"})
    assert early == {"ok": False, "error": "The daemon is just starting; try again in a moment."}
    assert await control.not_yet({}) == early
    await serve_outlets(running)
    late = await running.asked({"phone": "list"})
    assert (late["page"], "off in the settings" in late["error"]) == (False, True)
    await running.loop.close()
    running.journal.close()


async def test_reading_beside_the_daemon_ends_with_the_line(tmp_path: Path) -> None:
    Journal(tmp_path, write=True).close()
    events = CommittedEvents(tmp_path)
    assert await asyncio.to_thread(events.after, 0, 5) == []
    events.close()
    events.close()
    assert await asyncio.to_thread(events.after, 0, 5) == []
    events.close()
