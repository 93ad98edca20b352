"""What fell due before a kill is told once; deadlines that no float stands for exactly go away."""

from __future__ import annotations

from math import ceil

import pytest

from daemon.bench import Bench
from daemon.engine import Engine
from daemon.logfile import Log
from daemon.replay import verify
from daemon.timers import TimerKind, started
from tests.kit_bench import ON_THE_READING, SimBench, slate


def test_a_deadline_between_two_floats_goes_away() -> None:
    """Found by chance: the warning's instant lies a hair above the microsecond it rounds to."""
    at_us = next(
        us for us in range(1, 10**6)
        if ceil((started(1, TimerKind.PRESS_BY, us / 1e6, 170.0).warn_at_s or 0) * 1e6) / 1e6
        < (started(1, TimerKind.PRESS_BY, us / 1e6, 170.0).warn_at_s or 0)
    )  # fmt: skip
    bench = Bench(timers=(started(1, TimerKind.PRESS_BY, at_us / 1e6, 170.0),))
    told = Engine(bench, SimBench(slate()).decoder()).run_to(200_000_000)
    assert [record.kind for record in told if hasattr(record, "kind")] == [
        "timer.warned",
        "timer.ended",
    ]


@pytest.mark.parametrize("killed_at_s", [0.05, 30.8, 8.1, 13.7, 54.67])
def test_nothing_is_told_twice_after_a_kill(killed_at_s: float, tmp_path) -> None:
    poured = SimBench(slate(stops=ON_THE_READING), killed_at_s=killed_at_s, limit_s=90.0).pour(2)
    told = [(e.kind, e.batch) for e in poured.events if e.kind in ("batch.opened", "timer.ended")]
    assert len(told) == len(set(told))
    assert verify(Log(f"{x}\n".encode() for x in poured.log(1, tmp_path))).difference == ""
