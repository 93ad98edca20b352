"""The journal: inputs, events and states of one store in SQLite, appended and read back.

Owns the file, its form and its lock. Knows nothing of what the inputs mean; whoever appends an
event may tell it to others only after `append` has returned.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from daemon.inputs import Input, from_body, to_body
from daemon.store import JournalError, lock, make_folder

FORM = 1
"""The form of the tables below; a store of a later form is refused, an earlier one migrated."""

_TABLES = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS inputs (
    id INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, body TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS events (
    seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, after_input INTEGER NOT NULL, at TEXT NOT NULL,
    kind TEXT NOT NULL, batch INTEGER, data TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS events_of_batch ON events (batch, seq);
CREATE TABLE IF NOT EXISTS states (
    after_input INTEGER NOT NULL, next_seq INTEGER NOT NULL, at_us INTEGER NOT NULL, batch INTEGER,
    body TEXT NOT NULL, PRIMARY KEY (after_input, next_seq));
CREATE INDEX IF NOT EXISTS states_of_batch ON states (batch);
"""


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event as it stands in the journal."""

    seq: int
    at_us: int
    at: str
    kind: str
    batch: int | None
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class StateRow:
    """The whole state as it was after `after_input` inputs and before event `next_seq`.

    `batch` is the number of the batch that opens next, None for a state kept only for restarts.
    """

    after_input: int
    next_seq: int
    at_us: int
    batch: int | None
    body: dict[str, Any]


@dataclass(slots=True)
class Entry:
    """What is appended in one transaction."""

    inputs: list[tuple[int, Input]] = field(default_factory=list)
    events: list[tuple[EventRow, int]] = field(default_factory=list)
    states: list[StateRow] = field(default_factory=list)
    meta: dict[str, str] = field(default_factory=dict)

    @property
    def urgent(self) -> bool:
        """Whether somebody waits for this to be safe on the disk."""
        return bool(self.events)


class Journal:
    """One store's journal, opened for writing by one daemon or for reading by anybody."""

    def __init__(self, folder: Path, *, write: bool) -> None:
        """Open the journal in `folder`; raises JournalError with what to do."""
        self.folder = folder
        self.path = folder / "journal.sqlite"
        self._lock: IO[bytes] | None = None
        if write:
            make_folder(folder)
            self._lock = lock(folder)
        elif not self.path.exists():
            raise JournalError(
                f"There is no journal in {folder} yet. Pour a batch with `benchpour run` first, "
                "or name the store with --store."
            )
        try:
            self._db = self._open(write)
        except BaseException:
            self._unlock()
            raise

    def _open(self, write: bool) -> sqlite3.Connection:
        with _told(self.path, goes_on=False):
            if not write:
                return self._open_to_read()
            db = self._connect("mode=rwc")
            if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone():
                _check_form(db, self.path)
            db.execute("PRAGMA journal_mode=WAL")
            db.executescript(_TABLES)
            db.execute("INSERT OR IGNORE INTO meta VALUES ('form', ?)", (str(FORM),))
            return db

    def _open_to_read(self) -> sqlite3.Connection:
        """Open it beside a daemon; or where nobody can write, as on a disk mounted read-only.

        SQLite keeps a file of its own beside a journal that others may be writing. Where it cannot,
        nobody is writing either, and all is in the journal itself if no log of changes is left.
        """
        db = self._connect("mode=ro")
        try:
            _check_form(db, self.path)
        except sqlite3.OperationalError as error:
            db.close()
            if not error.sqlite_errorname.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
                raise
            changes = self.path.with_name(f"{self.path.name}-wal")
            if changes.exists() and changes.stat().st_size:
                raise
            db = self._connect("mode=ro&immutable=1")
            _check_form(db, self.path)
        return db

    def _connect(self, how: str) -> sqlite3.Connection:
        return sqlite3.connect(
            f"file:{_quoted(self.path)}?{how}",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=5.0,
        )

    def close(self) -> None:
        """Close the file and give the store free."""
        self._db.close()
        self._unlock()

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def append(self, entry: Entry) -> None:
        """Write all of `entry` or nothing; durable on return where it holds events.

        Raises JournalError where the disk is full or the store cannot be written; nothing is lost
        as long as the caller keeps the entry and calls again.
        """
        with _told(self.path):
            self._db.execute(f"PRAGMA synchronous={'FULL' if entry.urgent else 'NORMAL'}")
            self._db.execute("BEGIN IMMEDIATE")
            try:
                self._write(entry)
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _write(self, entry: Entry) -> None:
        self._db.executemany(
            "INSERT INTO inputs VALUES (?, ?, ?)",
            [(number, item.at_us, _json(to_body(item))) for number, item in entry.inputs],
        )
        self._db.executemany(
            "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (e.seq, e.at_us, after, e.at, e.kind, e.batch, _json(e.data))
                for e, after in entry.events
            ],
        )
        for state in entry.states:
            self._db.execute("DELETE FROM states WHERE batch IS NULL")
            self._db.execute(
                "INSERT OR REPLACE INTO states VALUES (?, ?, ?, ?, ?)",
                (state.after_input, state.next_seq, state.at_us, state.batch, _json(state.body)),
            )
        self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", list(entry.meta.items()))

    def meta(self, key: str) -> str | None:
        """A value kept beside the journal, None if it was never set."""
        with _told(self.path):
            row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def last_input(self) -> int:
        """The number of the last input, 0 before the first."""
        return self._number("SELECT max(id) FROM inputs")

    def last_seq(self) -> int:
        """The number of the last event, 0 before the first."""
        return self._number("SELECT max(seq) FROM events")

    def last_at_us(self) -> int:
        """The latest instant on the time line that the journal knows of."""
        return max(
            self._number("SELECT at_us FROM inputs ORDER BY id DESC LIMIT 1"),
            self._number("SELECT at_us FROM events ORDER BY seq DESC LIMIT 1"),
            self._number("SELECT max(at_us) FROM states"),
        )

    def told_before(self, number: int) -> int:
        """The latest instant of an event that was told before this input was taken; 0 for none."""
        return self._number("SELECT max(at_us) FROM events WHERE after_input < ?", (number,))

    def _number(self, question: str, values: tuple[int, ...] = ()) -> int:
        with _told(self.path):
            row = self._db.execute(question, values).fetchone()
            return int(row[0] or 0) if row else 0

    def latest_state(self) -> StateRow | None:
        """The newest whole state."""
        return self._state("ORDER BY after_input DESC, next_seq DESC LIMIT 1", ())

    def state_before(self, batch: int) -> StateRow | None:
        """The state from which the batch was opened."""
        return self._state("WHERE batch = ?", (batch,))

    def state_after(self, batch: int) -> StateRow | None:
        """The state from which the next batch was opened: where this batch's log ends."""
        return self._state("WHERE batch > ? ORDER BY batch LIMIT 1", (batch,))

    def _state(self, tail: str, values: tuple[Any, ...]) -> StateRow | None:
        columns = "after_input, next_seq, at_us, batch, body"
        with _told(self.path):
            row = self._db.execute(f"SELECT {columns} FROM states {tail}", values).fetchone()
            return None if row is None else _state_row(row)

    def inputs(self, after: int, until: int | None = None) -> Iterator[tuple[int, Input]]:
        """Inputs with numbers in (after, until], in order."""
        with _told(self.path), closing(self._db.cursor()) as cursor:
            cursor.execute(
                "SELECT id, at_us, body FROM inputs WHERE id > ? AND id <= ? ORDER BY id",
                (after, until if until is not None else 2**62),
            )
            for number, at_us, body in cursor:
                item = from_body(at_us, json.loads(body))
                if item is not None:
                    yield number, item

    def events_after(self, seq: int, limit: int = 200) -> list[EventRow]:
        """The next `limit` events after `seq`, in order."""
        return self._events("WHERE seq > ? ORDER BY seq LIMIT ?", (seq, limit))

    def events_between(self, first: int, past: int | None) -> list[EventRow]:
        """Events with first <= seq < past, in order."""
        return self._events(
            "WHERE seq >= ? AND seq < ? ORDER BY seq", (first, past if past is not None else 2**62)
        )

    def events_of(self, batch: int) -> list[EventRow]:
        """All events of one batch, in order, however long after the dispense."""
        return self._events("WHERE batch = ? ORDER BY seq", (batch,))

    def batches(self) -> list[int]:
        """The numbers of all batches, in order."""
        with _told(self.path):
            rows = self._db.execute(
                "SELECT DISTINCT batch FROM events WHERE batch IS NOT NULL ORDER BY batch"
            ).fetchall()
        return [int(row[0]) for row in rows]

    def events_of_kind(self, kind: str) -> list[EventRow]:
        """All events of one kind, in order."""
        return self._events("WHERE kind = ? ORDER BY seq", (kind,))

    def _events(self, tail: str, values: tuple[Any, ...]) -> list[EventRow]:
        with _told(self.path):
            rows = self._db.execute(
                f"SELECT seq, at_us, at, kind, batch, data FROM events {tail}", values
            ).fetchall()
            return [_event_row(row) for row in rows]


def _state_row(row: tuple[Any, ...]) -> StateRow:
    return StateRow(row[0], row[1], row[2], row[3], json.loads(row[4]))


def _event_row(row: tuple[Any, ...]) -> EventRow:
    return EventRow(row[0], row[1], row[2], row[3], row[4], json.loads(row[5]))


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _quoted(path: Path) -> str:
    text = str(path.absolute())
    return text.replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _check_form(db: sqlite3.Connection, path: Path) -> None:
    found = db.execute("SELECT value FROM meta WHERE key = 'form'").fetchone()
    if found is None or not str(found[0]).isdigit():
        raise JournalError(_damaged(path))
    if int(found[0]) > FORM:
        raise JournalError(
            f"{path} was written by a later benchpour. Update this one; the file is untouched."
        )


@contextmanager
def _told(path: Path, *, goes_on: bool = True) -> Iterator[None]:
    """Turn what SQLite, or a row that is not of its form, says into a sentence for the person.

    `goes_on`: whether the daemon tries again by itself.
    """
    try:
        yield
    except sqlite3.Error as error:
        raise JournalError(_sentence(path, error, goes_on)) from error
    except (ValueError, TypeError, LookupError) as error:
        raise JournalError(_damaged(path)) from error


def _sentence(path: Path, error: sqlite3.Error, goes_on: bool) -> str:
    name = getattr(error, "sqlite_errorname", "") or ""
    then = "nothing is lost so far, and the journal goes on by itself" if goes_on else "start again"
    if name.startswith("SQLITE_FULL"):
        return f"The disk is full: {path} cannot grow. Free some space; {then}."
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return (
            f"The journal {path} cannot be written. Check who owns it and whether the disk is "
            "mounted read-only, or name another store with --store."
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return _damaged(path)
    if name.startswith("SQLITE_IOERR"):
        return (
            f"The disk reports an error on {path}. Check its space, its card and its cable; {then}."
        )
    return f"The journal {path} cannot be used: {error}."


def _damaged(path: Path) -> str:
    return (
        f"{path} is damaged or is no journal. Move it aside, keep it, and start again with a new "
        "store."
    )


def join(entries: Iterable[Entry]) -> Entry:
    """Several entries as one, for one transaction."""
    whole = Entry()
    for entry in entries:
        whole.inputs += entry.inputs
        whole.events += entry.events
        whole.states += entry.states
        whole.meta |= entry.meta
    return whole
