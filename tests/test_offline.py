"""A store that nobody runs on: looked at without a trace, acted on as a daemon would have."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from daemon import control
from daemon.batch import Phase
from daemon.clock import HandClock, Timeline
from daemon.inputs import Port
from daemon.journal import Entry, Journal, StateRow
from daemon.offline import OfflineError, look, tell
from daemon.restart import rebuild, saved_mark, shape_key
from daemon.store import JournalError
from drivers.decoder import Decoder
from drivers.recogniser import Recogniser
from drivers.scale_profile import load_profile, parse_profile, shipped_files
from tests.kit_bench import ON_THE_READING, SHAPE, Poured, SimBench, slate, two_knobs

FORGET = {"do": "forget-hand"}
MARK = {"do": "person", "name": "kim"}


def kept(poured: Poured, folder: Path, clock: HandClock | None = None) -> Path:
    """A store as a daemon leaves it that is stopped: the time line's mark in it."""
    folder = poured.journal(folder)
    journal = Journal(folder, write=True)
    mark = Timeline(clock or HandClock()).mark()
    mark = replace(mark, at_us=journal.last_at_us())
    journal.append(Entry(meta={"mark": json.dumps(asdict(mark))}))
    journal.close()
    return folder


def stopped(at_s: float) -> Poured:
    """A store left in the middle of things."""
    return SimBench(slate(stops=ON_THE_READING), limit_s=at_s).pour()


@contextmanager
def reading(folder: Path) -> Iterator[Journal]:
    journal = Journal(folder, write=False)
    try:
        yield journal
    finally:
        journal.close()


def kinds_after(folder: Path, seq: int) -> list[str]:
    with reading(folder) as journal:
        return [event.kind for event in journal.events_after(seq)]


def last_seq(folder: Path) -> int:
    with reading(folder) as journal:
        return journal.last_seq()


def test_a_look_is_the_bench_as_it_was_left(tmp_path):
    poured = two_knobs()
    assert look(poured.journal(tmp_path)).engine.bench == poured.bench


def test_a_look_leaves_no_trace(tmp_path):
    folder = two_knobs().journal(tmp_path)
    before = (folder / "journal.sqlite").read_bytes()
    look(folder)
    assert (folder / "journal.sqlite").read_bytes() == before


def test_a_store_is_not_made_by_looking_or_telling(tmp_path):
    for act in (look, lambda folder: tell(folder, FORGET, "test")):
        with pytest.raises(JournalError, match="no journal"):
            act(tmp_path / "none")
    assert list(tmp_path.iterdir()) == []


def test_a_command_is_carried_out_and_journaled(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    before = last_seq(folder)
    assert look(folder).engine.bench.hands
    answer = tell(folder, FORGET, "test", clock=HandClock(5.0))
    assert answer.ok
    assert look(folder).engine.bench.hands == ()
    assert kinds_after(folder, before)[-1] == "hand.forgotten"


def test_a_refusal_changes_nothing(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    before = look(folder).engine.bench.hands
    answer = tell(folder, FORGET | {"name": "nobody"}, "test", clock=HandClock(5.0))
    assert (answer.ok, answer.error) == (False, "Nothing has been learned of such a hand.")
    assert look(folder).engine.bench.hands == before


def test_the_next_daemon_stands_where_the_command_left_the_bench(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    tell(folder, FORGET, "test", clock=HandClock(5.0))
    tell(folder, MARK, "test", clock=HandClock(9.0))
    with reading(folder) as journal:
        restart = rebuild(journal, Decoder(load_profile(SHAPE)))
        seqs = [event.seq for event in journal.events_after(0, 10_000)]
    assert seqs == list(range(1, len(seqs) + 1))
    bench = restart.engine.bench
    assert (bench.hands, bench.person) == ((), "kim")


def test_it_happens_now_and_not_when_the_daemon_stopped(tmp_path):
    """The clock stood at 100 s when the store was left, and an hour has passed since."""
    clock = HandClock(100.0)
    folder = kept(two_knobs(), tmp_path, clock)
    with reading(folder) as journal:
        left_us = journal.last_at_us()
    clock.advance(3600.0)
    tell(folder, MARK, "test", clock=clock)
    with reading(folder) as journal:
        (told,) = journal.events_of_kind("person.told")
        assert told.at_us == left_us + 3_600_000_000
        assert told.at == "2026-01-01T01:00:00.000Z"
        assert Timeline(clock, saved_mark(journal)).now_us() == told.at_us


def test_clocks_that_ended_meanwhile_have_ended(tmp_path):
    """Two batches leave their pot life and demold clocks running; an hour later all have ended."""
    clock = HandClock(100.0)
    folder = kept(two_knobs(), tmp_path, clock)
    before = last_seq(folder)
    clock.advance(3600.0)
    tell(folder, MARK, "test", clock=clock)
    kinds = kinds_after(folder, before)
    assert kinds.count("timer.ended") >= 2
    assert kinds[-1] == "person.told"


@pytest.mark.parametrize("at_s", [8.0, 10.0, 12.0, 14.0])
def test_nothing_is_called_out_for_a_pour_that_nobody_does_any_more(at_s, tmp_path):
    """Stopped while it poured: neither a stop cue nor a landing falls due in the hour after."""
    poured = stopped(at_s)
    assert poured.bench.batch is not None
    assert poured.bench.batch.phase is Phase.POUR
    clock = HandClock(100.0)
    folder = kept(poured, tmp_path, clock)
    before = last_seq(folder)
    clock.advance(3600.0)
    assert tell(folder, MARK, "test", clock=clock).ok
    kinds = kinds_after(folder, before)
    assert kinds[0] == "scale.lost"
    assert {kind.partition(".")[0] for kind in kinds} <= {"scale", "timer", "person"}
    batch = look(folder).engine.bench.batch
    assert batch is not None
    assert (batch.phase, batch.poured_g) == (Phase.AWAY, poured.bench.batch.poured_g)


def test_a_scale_whose_shape_was_being_recognised_is_taken_up_as_such(tmp_path):
    poured = SimBench(slate(stops=ON_THE_READING), recognise=True, limit_s=6.0).pour()
    folder = kept(poured, tmp_path)
    assert look(folder).engine.bench == poured.bench
    assert isinstance(look(folder).engine.decoder, Recogniser)


def test_a_shape_of_ones_own_is_taken_from_the_store_itself(tmp_path):
    text = next(file for file in shipped_files() if file.stem == SHAPE).read_text()
    text = text.replace(f'"{SHAPE}"', '"own"', 1)
    poured = SimBench(slate(), shape=parse_profile(text), limit_s=4.0).pour()
    poured.keeper.keep_state()
    poured.keeper.entry.meta[shape_key("own")] = text
    folder = kept(poured, tmp_path)
    assert look(folder).engine.bench == poured.bench
    assert tell(folder, MARK, "test").ok


def test_a_store_of_another_version_is_not_written_over(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    journal = Journal(folder, write=True)
    strange = StateRow(10**6, 10**6, 10**9, None, {"bench": {"odd": 1}, "decoder": {}})
    journal.append(Entry(states=[strange]))
    journal.close()
    before = last_seq(folder)
    with pytest.raises(OfflineError, match=r"another version.*benchpour run"):
        tell(folder, FORGET, "test")
    assert last_seq(folder) == before


def test_two_at_once_are_kept_apart(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    taken = Journal(folder, write=True)
    with pytest.raises(control.ControlError, match=r"No daemon runs|does not answer"):
        tell(folder, FORGET, "test")
    taken.close()
    assert tell(folder, FORGET, "test").ok


@contextmanager
def a_daemon_on(folder: Path, answer: Callable[[dict[str, Any]], dict[str, Any]]) -> Iterator[None]:
    """Somebody who holds the store and answers on its socket."""
    journal = Journal(folder, write=True)
    ready, loop = threading.Event(), asyncio.new_event_loop()
    over = asyncio.Event()

    async def handle(request: dict[str, Any]) -> dict[str, Any]:
        return answer(request)

    async def serve() -> None:
        async with control.serve(folder, handle):
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()))
    thread.start()
    assert ready.wait(5.0)
    try:
        yield
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(5.0)
        loop.close()
        journal.close()


def test_a_running_daemon_is_asked(tmp_path):
    folder = kept(two_knobs(), tmp_path)
    asked = []

    def answer(request: dict[str, Any]) -> dict[str, Any]:
        asked.append(request)
        return {"ok": False, "error": "Not now."}

    with a_daemon_on(folder, answer):
        found = tell(folder, FORGET, "test")
        assert look(folder).engine.bench.hands
    assert asked == [FORGET]
    assert (found.ok, found.error) == (False, "Not now.")


def test_a_lost_port_is_not_lost_once_more(tmp_path):
    poured = stopped(10.0)
    at_us = poured.keeper.engine.at_us
    poured.keeper.take(Port(at_us, "lost", "simulated", "cable out"))
    folder = kept(poured, tmp_path)
    before = last_seq(folder)
    tell(folder, MARK, "test", clock=HandClock(60.0))
    assert "scale.lost" not in kinds_after(folder, before)
