"""Pieces after demolding: which operation of which batch is next, and what would come too late.

Owns the queue of finishing. Knows nothing of molds, tank or people.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from recipes.pace import Work

TICK_S = 1e-6
"""Instants closer than this are the same; sums of seconds do not come out exactly."""


@dataclass(slots=True, eq=False)
class Lot:
    """A batch's pieces, all at the same operation. `claimed` of them were taken up, `done` are."""

    batch: int
    pieces: int
    demolded_s: float
    operation: int = 0
    claimed: int = 0
    done: int = 0


class Lots:
    """All lots with pieces to take up, the one that has to be done first on top."""

    def __init__(self, operations: Sequence[Work]) -> None:
        self.operations = tuple(operations)
        self.late: dict[str, int] = {}
        """Pieces that were done after their time, by operation."""
        timed = [i for i, work in enumerate(operations) if work.within_s is not None]
        self._timed = max(timed, default=-1) + 1
        self._timed_work_s = 0.0
        """Work left in all lots up to the last operation that has a time."""
        self._waiting: list[tuple[float, int, Lot]] = []

    def __bool__(self) -> bool:
        """Whether there is a piece to take up."""
        return bool(self._waiting)

    def demolded(self, batch: int, pieces: int, at_s: float) -> bool:
        """A batch's pieces are out of the mold; returns whether there is anything to do on them."""
        lot = Lot(batch, pieces, at_s)
        self._timed_work_s += self._timed_s(lot)
        return self._offer(lot)

    def claim(self) -> tuple[Lot, Work]:
        """Take up one piece of the lot on top."""
        lot = self._waiting[0][2]
        work = self.operations[lot.operation]
        lot.claimed += 1
        if lot.operation < self._timed:
            self._timed_work_s -= work.seconds_per_piece
        if lot.claimed == lot.pieces:
            heapq.heappop(self._waiting)
        return lot, work

    def done(self, lot: Lot, at_s: float) -> bool:
        """A claimed piece is done; returns whether the batch is done with all operations."""
        work = self.operations[lot.operation]
        if work.within_s is not None and at_s > lot.demolded_s + work.within_s + TICK_S:
            self.late[work.name] = self.late.get(work.name, 0) + 1
        lot.done += 1
        if lot.done < lot.pieces:
            return False
        lot.operation += 1
        return not self._offer(lot)

    def would_be_late(self, at_s: float) -> bool:
        """Whether some piece comes too late if nobody works on them until then."""
        if not self._waiting or self._waiting[0][0] == inf:
            return False
        # Most of the time there is no hurry at all, and that is seen without looking at each lot.
        if self._waiting[0][0] - self._timed_work_s > at_s:
            return False
        work_s = 0.0
        for due_s, _, lot in sorted(self._waiting):
            work_s += self._timed_s(lot)
            if due_s - work_s <= at_s:
                return True
        return False

    def _offer(self, lot: Lot) -> bool:
        """Put a lot up for its next operation; False where there is none."""
        if lot.operation >= len(self.operations):
            return False
        lot.claimed = lot.done = 0
        heapq.heappush(self._waiting, (self._due_s(lot), lot.batch, lot))
        return True

    def _due_s(self, lot: Lot) -> float:
        left = self.operations[lot.operation :]
        within_s = min((work.within_s for work in left if work.within_s is not None), default=inf)
        return lot.demolded_s + within_s

    def _timed_s(self, lot: Lot) -> float:
        """Work left on a lot up to its last operation that has a time, seconds."""
        left = self.operations[lot.operation : self._timed]
        if not left:
            return 0.0
        whole_s = lot.pieces * sum(work.seconds_per_piece for work in left)
        return whole_s - lot.claimed * left[0].seconds_per_piece
