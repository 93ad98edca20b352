"""The store's folder and its lock: one daemon at a time works in it.

Owns who may write there, and the error of whoever keeps something there. Knows nothing of what is
kept.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import IO


class JournalError(Exception):
    """The store, or what is kept in it, cannot be used; the text says why and what to do."""


def make_folder(folder: Path) -> None:
    """Make the store's folder; JournalError says why it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(
            f"The store {folder} cannot be made: {error.strerror}. "
            "Name a folder you may write to with --store."
        ) from error


def lock(folder: Path) -> IO[bytes]:
    """Take the store for this process, until the file is closed; JournalError says who has it."""
    path = folder / "lock"
    try:
        held = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o644), "r+b", buffering=0)
    except OSError as error:
        raise JournalError(
            f"The store {folder} cannot be written: {error.strerror}. Check who owns the folder "
            "and whether the disk is mounted read-only, or name another with --store."
        ) from error
    if not _taken(held):
        other = held.read().decode("ascii", "replace").strip() or "unknown"
        held.close()
        raise JournalError(
            f"Another benchpour (process {other}) is running on the store {folder}. "
            "Stop that one first, or name another store with --store."
        )
    try:
        held.truncate(0)
        held.write(str(os.getpid()).encode("ascii"))
    except OSError as error:
        held.close()
        raise JournalError(
            f"The store {folder} cannot be written: {error.strerror}. Free some space on the disk."
        ) from error
    return held


def _taken(file: IO[bytes]) -> bool:
    """Take the lock for this process; False where another daemon holds it.

    Whoever only asks for the holder shares the lock for an instant, and is waited for.
    """
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            if not _is_free(file):
                return False
        else:
            return True


def _is_free(file: IO[bytes]) -> bool:
    """Whether no daemon holds the lock."""
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return False
    fcntl.flock(file, fcntl.LOCK_UN)
    return True


def holder(folder: Path) -> int | None:
    """The process number of the daemon that runs on this store, None where none does."""
    try:
        with (folder / "lock").open("rb") as file:
            return None if _is_free(file) else int(file.read().strip() or 0)
    except (OSError, ValueError):
        return None
