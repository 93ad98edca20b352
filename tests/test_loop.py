"""The heart: heard and shown at once, journaled, then told; whatever fails, no cue waits for it."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from daemon import loop as loops
from daemon.bench import Bench
from daemon.clock import HandClock, Timeline
from daemon.effects import Answer, Pattern
from daemon.engine import Engine
from daemon.inputs import DaemonStart, Do, Raw
from daemon.journal import Entry, Journal
from daemon.loop import Loop
from daemon.restart import rebuild
from daemon.store import JournalError
from daemon.timers import TimerKind, started
from daemon.view import BenchView
from tests.kit_core import CUP_G, AtTheBench, fresh_decoder

FULL = "The disk is full: free some space."


@dataclass(slots=True)
class GatedJournal:
    """A real journal whose commits wait for the test, or fail as long as `trouble` says why."""

    real: Journal
    gate: threading.Event = field(default_factory=threading.Event)
    trouble: str = ""
    tries: int = 0
    under_way: threading.Event = field(default_factory=threading.Event)

    def append(self, entry: Entry) -> None:
        self.tries += 1
        self.under_way.set()
        assert self.gate.wait(10)
        if self.trouble:
            raise JournalError(self.trouble)
        self.real.append(entry)

    def last_input(self) -> int:
        return self.real.last_input()

    def last_seq(self) -> int:
        return self.real.last_seq()


@dataclass(slots=True)
class Outlet:
    """Near and far at once: notes what it is told, and in which order."""

    told: list[str] = field(default_factory=list)
    views: list[BenchView] = field(default_factory=list)

    def play(self, pattern: Pattern) -> None:
        self.told.append(pattern.value)

    def show(self, view: BenchView) -> None:
        self.views.append(view)

    def committed(self, upto_seq: int) -> None:
        self.told.append(f"committed {upto_seq}")


@dataclass(slots=True)
class Running:
    """A loop with everything around it."""

    loop: Loop
    journal: GatedJournal
    clock: HandClock
    near: Outlet
    far: Outlet
    answers: list[Answer] = field(default_factory=list)

    def do(self, do: str, **members: object) -> None:
        self.loop.take(Do(self.loop.timeline.now_us(), {"do": do, **members}), self.answers.append)

    async def until(self, condition: Callable[[], object]) -> None:
        """Let the loop turn until it is so; ten seconds are more than any machine needs."""
        async with asyncio.timeout(10):
            while not condition():  # noqa: ASYNC110 (there is nothing to wait on but the condition)
                await asyncio.sleep(0.001)


@contextlib.asynccontextmanager
async def running(
    folder: Path, bench: Bench | None = None, speed: float = 1.0, gate_open: bool = True
) -> AsyncIterator[Running]:
    journal = GatedJournal(Journal(folder, write=True))
    if gate_open:
        journal.gate.set()
    clock = HandClock()
    engine = Engine(bench or Bench(), fresh_decoder())
    loop = Loop(engine, journal, Timeline(clock), speed)  # type: ignore[arg-type]
    there = Running(loop, journal, clock, Outlet(), Outlet())
    loop.near.append(there.near)
    loop.far.append(there.far)
    task = asyncio.create_task(loop.run())
    loop.take(DaemonStart(0, "0.1.0", False, wall_offset_us=loop.timeline.wall_offset_us()))
    try:
        yield there
    finally:
        journal.gate.set()
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        with contextlib.suppress(JournalError, RuntimeError):
            await loop.close()
        journal.real.close()


def tare(there: Running) -> None:
    """One batch is asked for, and a cup put down on the empty pan."""
    pretend = AtTheBench()
    pretend.rest()
    pretend.put(CUP_G)
    plan = next(item for item in pretend.inputs if isinstance(item, Do))
    there.do(**plan.do)
    for item in pretend.inputs:
        if isinstance(item, Raw):
            there.clock.advance(max(0.0, item.at_us / 1e6 - there.clock.now_s()))
            there.loop.take(item)


# --- write first, speak second -------------------------------------------------------------------


async def test_a_cue_is_heard_and_seen_at_once_and_told_to_others_only_once_it_is_safe(
    tmp_path: Path,
) -> None:
    async with running(tmp_path, gate_open=False) as there:
        tare(there)
        assert "tared" in there.near.told
        assert there.near.views[-1].part == "A"
        await there.until(there.journal.under_way.is_set)
        assert (there.far.told, there.answers) == ([], [])
        assert [v for v in there.far.views if v.batch is not None] == []
        there.journal.gate.set()
        await there.until(lambda: there.far.told)
        await there.until(lambda: there.answers)
        assert there.answers == [Answer(None, True)]
        await there.until(lambda: there.far.told[-1:] == [f"committed {there.loop._seq}"])
        assert there.journal.last_seq() == there.loop._seq
        assert there.far.views[-1].part == "A"


async def test_an_answer_comes_after_the_commit_of_what_it_answers(tmp_path: Path) -> None:
    async with running(tmp_path, gate_open=False) as there:
        there.do("ambient", celsius=21.0)
        there.do("tare")
        assert there.near.views[-1].version == "0.1.0"
        await there.until(there.journal.under_way.is_set)
        assert there.answers == []
        there.journal.gate.set()
        await there.until(lambda: len(there.answers) == 2)
        assert [a.ok for a in there.answers] == [True, False]
        kinds = [row.kind for row in there.journal.real.events_after(0)]
        assert kinds == ["daemon.started", "ambient.told"]


async def test_events_are_numbered_without_a_gap_in_the_order_they_happened(tmp_path: Path) -> None:
    async with running(tmp_path) as there:
        for celsius in range(20, 30):
            there.do("ambient", celsius=float(celsius))
            await asyncio.sleep(0)
        await there.until(lambda: len(there.answers) == 10)
        rows = there.journal.real.events_after(0)
        assert [row.seq for row in rows] == list(range(1, 12))
        assert [row.data.get("celsius") for row in rows[1:]] == list(range(20, 30))
        assert rows[0].at == "2026-01-01T00:00:00.000Z"


async def test_readings_that_decide_nothing_gather_for_one_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with running(tmp_path) as there:
        await there.until(lambda: there.far.told)
        tries = there.journal.tries
        for at_us in range(1, 6):
            there.loop.take(Raw(at_us, b"ST,GS,+     0.0 g\r\n"))
        await asyncio.sleep(0)
        assert there.journal.tries == tries
        assert len(there.far.views) >= 5  # what is already safe may be shown all the same
        monkeypatch.setattr(loops, "RAW_EVERY_S", 0.001)
        there.loop._call_off_raw()
        there.loop.take(Raw(6, b"ST,GS,+     0.0 g\r\n"))
        await there.until(lambda: there.journal.tries == tries + 1)
        await there.until(lambda: there.journal.last_input() == 7)


async def test_others_never_see_an_older_picture_after_a_newer_one(tmp_path: Path) -> None:
    async with running(tmp_path) as there:
        for celsius in range(5):
            there.do("ambient", celsius=float(celsius))
            await asyncio.sleep(0)
        tare(there)
        await there.until(lambda: there.far.told[-1:] == [f"committed {there.loop._seq}"])
        times = [view.at_s for view in there.far.views]
        assert times == sorted(times)


# --- due in between ------------------------------------------------------------------------------


async def test_a_clock_rings_without_any_input(tmp_path: Path) -> None:
    """`speed` makes the loop look at once; the hand-moved clock says when it is time."""
    bench = Bench(timers=(started(1, TimerKind.STIR, 0.0, 30.0),))
    async with running(tmp_path, bench, speed=1e9) as there:
        there.clock.advance(29.9)
        await asyncio.sleep(0.002)
        assert there.near.told == []
        there.clock.advance(0.1)
        await there.until(lambda: there.near.told == ["clock-end"])
        await there.until(lambda: there.far.told[-1:] == ["committed 2"])
        row = there.journal.real.events_after(1)[0]
        assert (row.kind, row.at_us) == ("timer.ended", 30_000_000)


async def test_a_wall_clock_that_was_set_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "WALL_EVERY_S", 0.001)
    async with running(tmp_path) as there:
        watching = asyncio.create_task(there.loop.watch_wall())
        there.clock.step_wall(3600.0)
        before = there.loop.engine.bench.wall_offset_s
        await there.until(lambda: there.loop.engine.bench.wall_offset_s != before)
        assert there.loop.engine.bench.wall_offset_s == before + 3600.0
        watching.cancel()


# --- outlets that fail ---------------------------------------------------------------------------


class Broken:
    """An outlet that has gone wrong."""

    def play(self, pattern: Pattern) -> None:
        raise OSError("the sound card is gone")

    def show(self, view: BenchView) -> None:
        raise OSError("the terminal is gone")

    def committed(self, upto_seq: int) -> None:
        raise OSError("the broker is gone")


async def test_an_outlet_that_fails_is_left_out_and_keeps_no_cue_from_the_others(
    tmp_path: Path,
) -> None:
    async with running(tmp_path) as there:
        there.loop.near.insert(0, Broken())
        there.loop.far.insert(0, Broken())
        tare(there)
        assert "tared" in there.near.told
        await there.until(lambda: there.far.told[-1:] == [f"committed {there.loop._seq}"])
        assert [type(outlet) for outlet in there.loop.near] == [Outlet]
        assert [type(outlet) for outlet in there.loop.far] == [Outlet]
        assert there.loop.failed == [
            "Broken failed and is left out: the terminal is gone.",
            "Broken failed and is left out: the broker is gone.",
        ]


# --- the disk ------------------------------------------------------------------------------------


async def test_a_full_disk_is_said_and_everything_is_told_in_order_once_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "RETRY_S", 0.001)
    async with running(tmp_path) as there:
        await there.until(lambda: there.far.told == ["committed 1"])
        there.journal.trouble = FULL
        there.do("ambient", celsius=21.0)
        await there.until(lambda: there.loop.trouble == FULL)
        there.do("ambient", celsius=22.0)
        await there.until(lambda: there.journal.tries >= 4)
        assert there.near.views[-1].at_s == there.loop.now_s()
        assert (there.answers, there.far.told) == ([], ["committed 1"])
        there.journal.trouble = ""
        await there.until(lambda: len(there.answers) == 2)
        assert there.loop.trouble == ""
        assert there.far.told == ["committed 1", "committed 3"]
        rows = there.journal.real.events_after(1)
        assert [(r.seq, r.data["celsius"]) for r in rows] == [(2, 21.0), (3, 22.0)]


async def test_in_trouble_the_journal_is_tried_now_and_then_and_not_with_every_reading(
    tmp_path: Path,
) -> None:
    async with running(tmp_path) as there:
        await there.until(lambda: there.far.told)
        there.journal.trouble = FULL
        there.do("ambient", celsius=21.0)
        await there.until(lambda: there.loop.trouble)
        tries = there.journal.tries
        for celsius in range(20):
            there.do("ambient", celsius=float(celsius))
            await asyncio.sleep(0.001)
        assert there.journal.tries == tries
        there.journal.trouble = ""


async def test_what_waits_for_a_full_disk_is_bounded_and_the_bench_comes_back_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "RETRY_S", 0.001)
    monkeypatch.setattr(loops, "MOST_WAITING", 20)
    async with running(tmp_path) as there:
        await there.until(lambda: there.far.told)
        there.journal.trouble = FULL
        tare(there)
        await there.until(lambda: there.loop.trouble)
        await there.until(lambda: not there.loop._group.entry.inputs)
        there.journal.trouble = ""
        await there.until(lambda: there.loop.trouble == "")
        await there.until(lambda: there.journal.last_seq() == there.loop._seq)
        live = there.loop.engine.bench
        assert rebuild(there.journal.real, fresh_decoder()).engine.bench == live
        assert live.batch.name == "A"


# --- the end -------------------------------------------------------------------------------------


async def ended(there: Running, task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    await there.loop.close()


@contextlib.asynccontextmanager
async def to_be_ended(
    folder: Path, **kwargs: bool
) -> AsyncIterator[tuple[Running, asyncio.Task[None]]]:
    """As `running`, the end left to the test."""
    journal = GatedJournal(Journal(folder, write=True))
    if kwargs.get("gate_open", True):
        journal.gate.set()
    engine = Engine(Bench(), fresh_decoder())
    loop = Loop(engine, journal, Timeline(HandClock()))  # type: ignore[arg-type]
    there = Running(loop, journal, HandClock(), Outlet(), Outlet())
    task = asyncio.create_task(loop.run())
    loop.take(DaemonStart(0, "0.1.0", False))
    try:
        yield there, task
    finally:
        journal.real.close()


async def test_at_the_end_everything_is_journaled_the_whole_state_last(tmp_path: Path) -> None:
    async with to_be_ended(tmp_path) as (there, task):
        there.do("ambient", celsius=21.0)
        there.loop.take(Raw(5, b"ST,GS,+     0.0 g\r\n"))
        there.loop.note_meta("shape.mine", "a profile")
        await ended(there, task)
        assert [a.ok for a in there.answers] == [True]
        assert there.journal.last_input() == 3
        assert there.journal.real.meta("shape.mine") == "a profile"
        state = there.journal.real.latest_state()
        assert (state.after_input, state.next_seq) == (3, 3)
        found = rebuild(there.journal.real, fresh_decoder())
        assert found.engine.bench == there.loop.engine.bench


async def test_ended_in_the_middle_of_a_commit_nothing_is_lost_or_written_twice(
    tmp_path: Path,
) -> None:
    async with to_be_ended(tmp_path, gate_open=False) as (there, task):
        there.do("ambient", celsius=21.0)
        await there.until(there.journal.under_way.is_set)
        there.do("ambient", celsius=22.0)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        there.journal.gate.set()
        await there.loop.close()
        rows = there.journal.real.events_after(0)
        assert [row.seq for row in rows] == [1, 2, 3]
        assert [a.ok for a in there.answers] == [True, True]


async def test_ended_while_the_disk_is_full_what_waited_is_written_if_there_is_room_by_then(
    tmp_path: Path,
) -> None:
    async with to_be_ended(tmp_path) as (there, task):
        there.journal.trouble = FULL
        there.do("ambient", celsius=21.0)
        await there.until(lambda: there.loop.trouble)
        there.journal.trouble = ""
        await ended(there, task)
        assert [row.seq for row in there.journal.real.events_after(0)] == [1, 2]


async def test_ended_while_the_disk_is_still_full_it_says_so(tmp_path: Path) -> None:
    async with to_be_ended(tmp_path) as (there, task):
        there.journal.trouble = FULL
        there.do("ambient", celsius=21.0)
        await there.until(lambda: there.loop.trouble)
        with pytest.raises(JournalError, match="The disk is full"):
            await ended(there, task)
        assert there.answers == []
