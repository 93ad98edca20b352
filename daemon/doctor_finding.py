"""What is found on looking at the bench, and what is looked at.

Owns the form of a finding. Looks at nothing itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from daemon.config import Config


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. `do` is what to do about it; a well thing may have advice, too."""

    check: str
    ok: bool
    said: str
    do: str = ""

    @property
    def line(self) -> str:
        """The finding in one line."""
        advice = f": {self.do}" if self.do else ""
        return (
            f"{'ok ' if self.ok else 'fix'}  {self.check:13}  {' '.join(self.said.split())}{advice}"
        )


@dataclass(frozen=True, slots=True)
class Case:
    """What is examined: the settings, and the daemon that runs on their store (its process)."""

    config: Config
    daemon: int | None

    @property
    def store(self) -> Path:
        """The folder of the journal."""
        return self.config.store_dir
