"""The journal: all or nothing, one daemon at a time, and plain words for whatever goes wrong."""

from __future__ import annotations

import fcntl
import resource
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock, from_body, to_body
from daemon.journal import FORM, Entry, EventRow, Journal, StateRow, join
from daemon.store import JournalError, holder


def event(seq: int, kind: str = "cup.tared", batch: int | None = 1) -> EventRow:
    return EventRow(seq, seq * 1000, "2026-01-01T00:00:00.000Z", kind, batch, {"cup_g": 8.3})


def entry(first: int, count: int = 1, inputs: int = 0) -> Entry:
    return Entry(
        inputs=[(first + i, Raw(first + i, b"ST,GS,+    8.3 g\r\n")) for i in range(inputs)],
        events=[(event(first + i), first) for i in range(count)],
    )


# --- written and read back -----------------------------------------------------------------------


def test_what_is_appended_is_read_back_in_order(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal.append(entry(1, count=3, inputs=4))
    journal.append(Entry(events=[(event(4, "batch.opened", 2), 4)], meta={"mark": "{}"}))
    assert [row.seq for row in journal.events_after(0)] == [1, 2, 3, 4]
    assert [row.seq for row in journal.events_after(1, limit=2)] == [2, 3]
    assert [row.seq for row in journal.events_between(2, 4)] == [2, 3]
    assert journal.events_of(2) == [event(4, "batch.opened", 2)]
    assert [row.seq for row in journal.events_of_kind("batch.opened")] == [4]
    assert journal.batches() == [1, 2]
    assert (journal.last_seq(), journal.last_input(), journal.last_at_us()) == (4, 4, 4000)
    assert (journal.meta("mark"), journal.meta("other")) == ("{}", None)
    assert [number for number, _ in journal.inputs(1, 3)] == [2, 3]
    journal.close()


@settings(max_examples=50)
@given(
    st.one_of(
        st.builds(Raw, st.integers(0, 10**15), st.binary(max_size=60)),
        st.builds(
            Do,
            st.integers(0, 10**15),
            st.just({"do": "mark", "kind": "vented"}),
            st.one_of(st.none(), st.text(max_size=5), st.integers(), st.floats(0, 9)),
            st.text(max_size=5),
        ),
        st.builds(
            Port, st.integers(0, 10**15), st.sampled_from(["lost", "found"]), st.text(max_size=9)
        ),
        st.builds(WallClock, st.integers(0, 10**15), st.integers(-(10**16), 10**16)),
        st.builds(
            DaemonStart,
            st.integers(0, 10**15),
            st.text(max_size=5),
            st.booleans(),
            st.text(max_size=5),
            st.floats(0.1, 50),
            st.integers(0, 10**16),
        ),
    )
)
def test_every_input_is_written_and_read_back_as_it_was(item: Input) -> None:
    import json

    assert from_body(item.at_us, json.loads(json.dumps(to_body(item)))) == item


def test_a_body_that_holds_no_input_is_passed_over() -> None:
    assert from_body(0, {"event": {}}) is None


def test_an_entry_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal.append(entry(1))
    twice = Entry(inputs=[(1, Raw(5, b"x"))], events=[(event(2), 1), (event(1), 1)])
    with pytest.raises(JournalError):
        journal.append(twice)
    assert (journal.last_seq(), journal.last_input()) == (1, 0)
    journal.append(entry(2))
    assert journal.last_seq() == 2
    journal.close()


def test_only_the_newest_state_for_restarts_is_kept_and_every_batchs_own(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal.append(Entry(states=[StateRow(1, 1, 10, 1, {"n": 1}), StateRow(5, 3, 50, None, {})]))
    journal.append(Entry(states=[StateRow(9, 4, 90, None, {"n": 9})]))
    journal.append(Entry(states=[StateRow(12, 6, 120, 2, {"n": 12})]))
    assert journal.latest_state() == StateRow(12, 6, 120, 2, {"n": 12})
    assert journal.state_before(1) == StateRow(1, 1, 10, 1, {"n": 1})
    assert journal.state_after(1) == StateRow(12, 6, 120, 2, {"n": 12})
    assert (journal.state_before(3), journal.state_after(2)) == (None, None)
    journal.close()


def test_entries_are_joined_in_order() -> None:
    both = join((entry(1, inputs=1), Entry(meta={"a": "1"}), entry(2, inputs=1)))
    assert [row.seq for row, _ in both.events] == [1, 2]
    assert [number for number, _ in both.inputs] == [1, 2]
    assert (both.meta, both.urgent) == ({"a": "1"}, True)


# --- one daemon at a time ------------------------------------------------------------------------


def test_two_daemons_on_one_store_are_one_too_many(tmp_path: Path) -> None:
    first = Journal(tmp_path, write=True)
    with pytest.raises(JournalError, match=r"Another benchpour \(process \d+\) is running on the"):
        Journal(tmp_path, write=True)
    assert holder(tmp_path) is not None
    first.close()
    assert holder(tmp_path) is None
    Journal(tmp_path, write=True).close()


def test_whoever_asks_for_the_holder_does_not_keep_a_daemon_from_starting(tmp_path: Path) -> None:
    Journal(tmp_path, write=True).close()
    with (tmp_path / "lock").open("rb") as asking, ThreadPoolExecutor(1) as pool:
        fcntl.flock(asking, fcntl.LOCK_SH)
        starts = pool.submit(Journal, tmp_path, write=True)
        with pytest.raises(TimeoutError):
            starts.result(0.05)
        fcntl.flock(asking, fcntl.LOCK_UN)
        starts.result(10).close()


def test_others_may_read_while_a_daemon_writes(tmp_path: Path) -> None:
    writer = Journal(tmp_path, write=True)
    writer.append(entry(1))
    reader = Journal(tmp_path, write=False)
    writer.append(entry(2))
    assert [row.seq for row in reader.events_after(0)] == [1, 2]
    with pytest.raises(JournalError, match=r"cannot be written"):
        reader.append(entry(3))
    reader.close()
    writer.close()


# --- what goes wrong -----------------------------------------------------------------------------


def test_a_journal_on_a_disk_where_nothing_can_be_written_can_be_read(tmp_path: Path) -> None:
    """SQLite's own file beside it cannot be made, as on a disk that is mounted read-only."""
    journal = Journal(tmp_path, write=True)
    journal.append(entry(1, count=3))
    journal.close()
    (tmp_path / "journal.sqlite-wal").symlink_to(tmp_path / "nowhere" / "wal")
    read = Journal(tmp_path, write=False)
    assert [row.seq for row in read.events_after(0)] == [1, 2, 3]
    read.close()
    (tmp_path / "nowhere").mkdir()
    (tmp_path / "nowhere" / "wal").write_bytes(b"changes that nobody could take over")
    (tmp_path / "journal.sqlite-shm").symlink_to(tmp_path / "nowhere" / "else" / "shm")
    with pytest.raises(JournalError):
        Journal(tmp_path, write=False)


def test_a_store_that_is_not_there_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"no journal in .* yet\. Pour a batch with"):
        Journal(tmp_path / "none", write=False)
    assert holder(tmp_path / "none") is None


def test_a_folder_that_cannot_be_made_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match=r"cannot be made: .* Name a folder you may write to"):
        Journal(tmp_path / "file" / "store", write=True)


def test_a_folder_that_cannot_be_written_says_what_to_do(tmp_path: Path) -> None:
    """A lock that cannot be opened stands for a disk that is mounted read-only."""
    (tmp_path / "lock").mkdir()
    with pytest.raises(JournalError, match=r"cannot be written: .* mounted read-only"):
        Journal(tmp_path, write=True)


@pytest.mark.parametrize(
    ("room", "says"),
    [
        (0, r"The store .* cannot be written: .* Free some space on the disk\."),
        (5000, r"The disk reports an error on .* its space, .*; start again\."),
    ],
)
def test_a_new_store_on_a_full_disk_says_what_to_do(tmp_path: Path, room: int, says: str) -> None:
    """A file that may not grow stands for a disk without room."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
    try:
        with pytest.raises(JournalError, match=says):
            Journal(tmp_path, write=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    Journal(tmp_path, write=True).close()


def test_a_full_disk_is_said_and_nothing_is_lost_once_there_is_room(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal.append(entry(1))
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    big = Entry(inputs=[(i, Raw(i, b"x" * 4000)) for i in range(2, 50)], events=[(event(2), 1)])
    with pytest.raises(JournalError, match=r"The disk is full: .* Free some space"):
        journal.append(big)
    assert (journal.last_seq(), journal.last_input()) == (1, 0)
    journal._db.execute("PRAGMA max_page_count = 100000")
    journal.append(big)
    assert (journal.last_seq(), journal.last_input()) == (2, 49)
    journal.close()


def test_a_store_that_became_read_only_is_said_and_goes_on_when_it_is_writable(
    tmp_path: Path,
) -> None:
    journal = Journal(tmp_path, write=True)
    journal._db.execute("PRAGMA query_only = 1")
    with pytest.raises(JournalError, match=r"cannot be written\. Check who owns it"):
        journal.append(entry(1))
    journal._db.execute("PRAGMA query_only = 0")
    journal.append(entry(1))
    assert journal.last_seq() == 1
    journal.close()


def test_a_file_that_is_no_journal_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    content, path = (
        b"no database at all, but long enough to be one" * 50,
        tmp_path / "journal.sqlite",
    )
    path.write_bytes(content)
    with pytest.raises(JournalError, match=r"is damaged or is no journal\. Move it aside, keep it"):
        Journal(tmp_path, write=True)
    assert path.read_bytes() == content
    assert holder(tmp_path) is None


def test_a_damaged_page_is_said_when_it_is_read(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    for first in range(1, 400, 10):
        journal.append(entry(first, count=10))
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    journal.close()
    path = tmp_path / "journal.sqlite"
    whole = bytearray(path.read_bytes())
    for page in range(8192, len(whole), 4096):
        whole[page : page + 200] = b"\xff" * 200
    path.write_bytes(whole)
    with pytest.raises(JournalError, match="damaged"):
        again = Journal(tmp_path, write=True)
        again.events_after(0, 400)


def test_a_row_that_is_not_of_its_form_is_a_damaged_journal(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal.append(entry(1, inputs=1))
    journal._db.execute("UPDATE events SET data = '{broken'")
    journal._db.execute("UPDATE inputs SET body = '[1'")
    for read in (lambda: journal.events_after(0), lambda: list(journal.inputs(0))):
        with pytest.raises(JournalError, match="damaged"):
            read()
    journal.close()


def test_a_later_form_is_refused_and_the_file_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID")
    db.execute("INSERT INTO meta VALUES ('form', ?)", (str(FORM + 1),))
    db.commit()
    db.close()
    before = path.read_bytes()
    for write in (True, False):
        with pytest.raises(JournalError, match=r"was written by a later benchpour\. Update this"):
            Journal(tmp_path, write=write)
    assert path.read_bytes() == before


def test_a_form_that_is_no_number_is_a_damaged_journal(tmp_path: Path) -> None:
    journal = Journal(tmp_path, write=True)
    journal._db.execute("UPDATE meta SET value = 'seven' WHERE key = 'form'")
    journal.close()
    with pytest.raises(JournalError, match="damaged"):
        Journal(tmp_path, write=True)


def test_a_folder_with_odd_signs_in_its_name_is_no_trouble(tmp_path: Path) -> None:
    folder = tmp_path / "50% of what? #1"
    journal = Journal(folder, write=True)
    journal.append(entry(1))
    journal.close()
    assert [row.seq for row in Journal(folder, write=False).events_after(0)] == [1]
