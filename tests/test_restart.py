"""Killed at any commit, rebooted, copied, damaged: the daemon takes up the very bench it left."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daemon.bench import Bench
from daemon.clock import HandClock, Mark, Timeline
from daemon.engine import Engine
from daemon.inputs import DaemonStart, Do, Port, Raw
from daemon.journal import Entry, EventRow, Journal, StateRow, join
from daemon.restart import Restart, rebuild, saved_mark
from daemon.state import dump
from tests.kit_core import CUP_G, PORT, WALL_S, AtTheBench, fresh_decoder, recipe, with_cup

TIMES = {
    "pot_life_s": 200,
    "press_by_s": 180,
    "stir_s": 20,
    "pressure_s": 120,
    "demold_s": 300,
    "trim_until_s": 600,
}


def a_day() -> AtTheBench:
    """A miss, a lost scale, a lifted cup, two batches, marks and clocks, and deadlines between."""
    there = with_cup(recipe=recipe(times=TIMES), batches=2)
    there.do("ambient", celsius=24.0)
    there.pour(48)
    there.stream(2, 2.0)
    there.rest(3)
    there.stream(20)
    there.take(Port(there.now_us, "lost", PORT, "unplugged"))
    there.silence(3)
    there.take(Port(there.now_us, "found", PORT))
    there.rest(2)
    there.put(there.lift(), 2)
    there.stream(27)
    there.stream(6, 8.0)
    there.rest(3)
    there.do("correct")
    there.stream(3, 2.0)
    there.rest(3)
    there.lift()
    there.do("next")
    there.do("mark", kind="in-tank")
    there.silence(150)
    there.rest(2)
    there.do("next")
    there.put(CUP_G)
    there.stream(15)
    there.rest(2)
    return there


@pytest.fixture(scope="module")
def day() -> AtTheBench:
    return a_day()


def stored(folder: Path, *entries: Entry) -> Journal:
    journal = Journal(folder, write=True)
    journal.append(join(entries))
    return journal


def taken_up(folder: Path, *entries: Entry) -> Restart:
    journal = stored(folder, *entries)
    try:
        return rebuild(journal, fresh_decoder())
    finally:
        journal.close()


# --- killed --------------------------------------------------------------------------------------


def test_killed_after_any_commit_the_bench_is_as_it_was_then(
    day: AtTheBench, tmp_path: Path
) -> None:
    assert len(day.commits) > 25
    for count in range(1, len(day.commits) + 1):
        entries = [entry for entry, _ in day.commits[:count]]
        if not any(entry.states for entry in entries):
            continue  # no batch has been opened yet: there is nothing to take up
        found = taken_up(tmp_path / str(count), *entries)
        told = entries[-1].events[-1][0]
        assert found.engine.bench == day.commits[count - 1][1], told
        assert found.note == ""


def test_readings_that_decided_nothing_yet_may_be_in_the_journal_or_not(
    day: AtTheBench, tmp_path: Path
) -> None:
    """They are written in groups: killed between two groups the bench is the one before them."""
    count = next(
        i for i, (e, _) in enumerate(day.commits) if e.events[-1][0].kind == "part.started"
    )
    entries = [entry for entry, _ in day.commits[: count + 1]]
    after = day.commits[count + 1][0]
    some = Entry(inputs=after.inputs[:7])
    found = taken_up(tmp_path, *entries, some)
    engine = Engine(day.commits[count][1], found.engine.decoder)
    assert found.engine.bench.at_s > engine.bench.at_s
    assert found.engine.bench.weighing.at_s == after.inputs[6][1].at_us / 1e6


def resumed(there: AtTheBench, folder: Path, off_s: float = 3.0) -> AtTheBench:
    """The same bench after a kill: taken up from its journal, the load still on the pan."""
    journal = stored(folder, *(entry for entry, _ in there.commits))
    engine = rebuild(journal, fresh_decoder()).engine
    journal.close()
    again = AtTheBench(engine=engine, load_g=there.load_g, zero_g=there.zero_g)
    again.now_us = max(again.now_us, there.now_us) + round(off_s * 1e6)
    again.take(DaemonStart(again.now_us, "0.1.0", True))
    again.take(Port(again.now_us, "found", PORT))
    return again


def test_killed_in_the_middle_of_a_pour_it_is_poured_on_as_if_nothing_had_been(
    tmp_path: Path,
) -> None:
    there = with_cup()
    there.pour(50)
    there.stream(42)  # past the coarse stop
    there.rest(2)
    again = resumed(there, tmp_path)
    assert again.told() == ["daemon.resumed", "scale.found"]
    assert again.events[0].data == {"version": "0.1.0", "batch": 1, "step": "away"}
    again.rest(2)
    assert (again.step, again.view.zone, again.view.part) == ("pour", "ease", "B")
    assert round(again.view.actual_g, 1) == 42.0
    again.stream(8, 8.0)
    again.rest(3)
    assert again.told() == ["stop.fine", "part.landed", "batch.mixed", "timer.started"]
    mixed = again.last("batch.mixed")
    assert [round(p["actual_g"], 1) for p in mixed["parts"]] == [50.0, 50.0]


def test_what_was_poured_on_while_it_was_down_is_asked_about(tmp_path: Path) -> None:
    there = with_cup()
    there.stream(20)
    there.rest(2)
    again = resumed(there, tmp_path)
    again.load_g += 12
    again.rest(2)
    assert again.view.needs == "confirm"
    assert again.do("confirm").ok
    assert round(again.view.actual_g, 1) == 32.0


def test_a_second_restart_finds_what_the_first_one_found(tmp_path: Path) -> None:
    """The scale fell silent and that was told; after the daemon was down it is as long ago."""
    there = with_cup(recipe=recipe(times=TIMES))
    there.stream(20)
    there.silence(5)
    assert there.told()[-1] == "scale.lost"
    again = resumed(there, tmp_path / "one", off_s=200.0)
    again.rest(2)
    numbered = len(there.inputs)
    journal = Journal(tmp_path / "one", write=True)
    seq = journal.last_seq()
    for entry, _ in again.commits:
        journal.append(
            Entry(
                inputs=[(numbered + n, item) for n, item in entry.inputs],
                events=[
                    (replace(row, seq=seq + row.seq), numbered + after)
                    for row, after in entry.events
                ],
            )
        )
    found = rebuild(journal, fresh_decoder())
    journal.close()
    assert found.engine.bench == again.commits[-1][1]


def test_an_overshoot_still_waits_to_be_decided(tmp_path: Path) -> None:
    there = with_cup()
    there.pour(50)
    there.pour(53)
    again = resumed(there, tmp_path)
    again.rest(2)
    assert (again.step, again.view.needs) == ("decide", "accept or correct")
    assert again.do("correct").ok


# --- rebooted ------------------------------------------------------------------------------------


def test_clocks_that_ran_out_while_it_was_off_are_told_once_as_ended(tmp_path: Path) -> None:
    there = with_cup(recipe=recipe(times=TIMES))
    there.pour(50)
    there.pour(50)
    there.lift()
    again = resumed(there, tmp_path, off_s=250.0)
    told = [(e.kind, e.data.get("timer")) for e in again.events]
    assert told == [
        ("daemon.resumed", None),
        ("timer.ended", "stir-1"),
        ("timer.ended", "pour-by-1"),
        ("timer.ended", "press-by-1"),
        ("timer.ended", "pot-life-1"),
        ("scale.found", None),
    ]
    assert {e.at_s for e in again.events} == {again.now_us / 1e6}
    assert again.clocks()["demold-1"] == "running"


def test_the_time_line_goes_on_by_the_wall_after_a_reboot(tmp_path: Path) -> None:
    clock = HandClock(now_s=1000.0)
    line = Timeline(clock)
    clock.advance(60.0)
    journal = Journal(tmp_path, write=True)
    journal.append(Entry(meta={"mark": json.dumps(mark_body(line))}))
    clock.reboot(off_s=500.0)
    again = Timeline(clock, saved_mark(journal))
    assert again.now_s() == pytest.approx(560.0)
    journal.close()


def mark_body(line: Timeline) -> dict[str, Any]:
    mark = line.mark()
    return {name: getattr(mark, name) for name in Mark.__slots__}


def test_without_a_mark_the_last_event_says_where_the_time_line_stood(tmp_path: Path) -> None:
    there = with_cup()
    for text in (None, "no json", '{"at_us": "x"}', "{}"):
        meta: dict[str, str] = {} if text is None else {"mark": text}
        entries = [entry for entry, _ in there.commits]
        journal = stored(tmp_path / str(text)[:4].strip('{" '), *entries, Entry(meta=meta))
        mark = saved_mark(journal)
        assert mark is not None
        assert mark.at_us == journal.last_at_us() > 0
        assert mark.wall_us == pytest.approx(mark.at_us + WALL_S * 1e6, abs=2000)
        journal.close()


def test_the_time_line_never_starts_before_what_the_journal_knows_of(tmp_path: Path) -> None:
    there = with_cup()
    mark = Entry(meta={"mark": json.dumps(mark_body(Timeline(HandClock())))})
    journal = stored(tmp_path, *(entry for entry, _ in there.commits), mark)
    assert saved_mark(journal).at_us == journal.last_at_us()
    journal.close()


def test_a_new_store_has_no_mark(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    assert saved_mark(journal) is None
    found = rebuild(journal, fresh_decoder())
    assert (found.resumed, found.note, found.engine.bench) == (False, "", Bench())
    journal.close()


# --- what cannot be taken up ---------------------------------------------------------------------


def facts(journal: Journal) -> Restart:
    found = rebuild(journal, fresh_decoder())
    journal.close()
    assert not found.resumed
    assert found.note.startswith("The store was left by another version")
    return found


def test_a_state_of_another_version_keeps_the_record_and_says_what_is_lost(tmp_path: Path) -> None:
    there = with_cup()
    there.pour(50)
    entries = [entry for entry, _ in there.commits]
    journal = stored(tmp_path, *entries)
    seq, at_us = journal.last_seq(), journal.last_at_us()
    odd = StateRow(journal.last_input(), seq + 1, at_us, None, {"bench": {"batch": 7}})
    journal.append(Entry(states=[odd]))
    found = facts(journal)
    assert found.engine.bench.next_batch == 2
    assert found.engine.at_us == at_us


def test_an_input_that_this_version_does_not_know_is_no_reason_not_to_start(
    tmp_path: Path,
) -> None:
    there = with_cup()
    journal = stored(tmp_path, *(entry for entry, _ in there.commits))
    number = journal.last_input() + 1
    journal.append(Entry(inputs=[(number, Do(journal.last_at_us() + 5, {"do": "levitate"}))]))
    assert facts(journal).engine.bench.batch is None


def test_what_was_learned_of_hands_outlives_a_change_of_version(tmp_path: Path) -> None:
    learned = {"hand": "Kim on any scale", "lead_s": 0.31, "spread_s": 0.06, "count": 12}
    at = "2026-01-01T00:00:01.000Z"
    row = EventRow(1, 1_000_000, at, "hand.learned", 1, learned)
    journal = stored(tmp_path, Entry(events=[(row, 0)]))
    journal.append(Entry(states=[StateRow(0, 2, 1_000_000, None, {})]))
    hands = dict(facts(journal).engine.bench.hands)
    assert hands["Kim on any scale"].lead_s == 0.31
    assert hands["Kim on any scale"].count == 12


def test_a_whole_state_at_a_clean_end_is_taken_up_without_stepping_anything(
    day: AtTheBench, tmp_path: Path
) -> None:
    entries = [entry for entry, _ in day.commits]
    body = {"bench": dump(day.bench), "decoder": day.engine.decoder.snapshot()}
    journal = stored(tmp_path, *entries)
    last = StateRow(journal.last_input() + 9, journal.last_seq() + 1, day.engine.at_us, None, body)
    raw = Raw(day.engine.at_us, b"")
    journal.append(Entry(inputs=[(journal.last_input() + 9, raw)], states=[last]))
    found = rebuild(journal, fresh_decoder())
    assert found.engine.bench == day.bench
    assert found.resumed
    journal.close()
