"""No event is lost however often the broker dies: the trial in short, and its own arithmetic."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from daemon import broker
from daemon.broker import BrokerLink
from daemon.journal import EventRow
from tests.kit_shop import shop_broker, until
from tests.test_broker import Cable
from tools import outage
from tools.outage import OutageError, Result, main


def test_five_kills_during_pours_cost_no_event(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["--kills", "5", "--speed", "10"])
    said = capsys.readouterr().out
    assert status == 0, said
    assert "killed      5 times" in said
    assert "lost               0\nout of order       0\n" in said


@pytest.mark.parametrize(
    ("seqs", "last", "lost", "astray"),
    [
        ([1, 2, 3], 3, [], 0),
        ([1, 2, 1, 2, 3], 3, [], 0),  # sent again after a loss
        ([1, 3], 3, [2], 0),
        ([1, 3, 2], 3, [], 1),
        ([1, 2], 3, [3], 0),
        ([2, 3], 3, [1], 0),
        ([], 0, [], 0),
    ],
)
def test_what_is_missing_or_astray_is_found(
    seqs: list[int], last: int, lost: list[int], astray: int
) -> None:
    found = Result(seqs=seqs, last_seq=last)
    assert (found.lost, found.astray) == (lost, astray)
    assert found.good == (bool(seqs) and not lost and not astray)


def test_a_trial_that_fails_is_no_success(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def gap(kills: int, speed: float, seed: int) -> Result:
        return Result(kills=kills, seqs=[1, 3], last_seq=3)

    monkeypatch.setattr(outage, "outage", gap)
    assert main(["--kills", "1"]) == 1
    assert "lost               1: 2" in capsys.readouterr().out


def test_without_a_broker_to_kill_it_is_said_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(outage, "find_mosquitto", lambda: None)
    assert main([]) == 1
    assert "apt install mosquitto" in capsys.readouterr().err


async def test_a_broker_that_keeps_dying_does_not_keep_the_bench_from_what_is_new(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ten events in each of six short lives: what is sent again stays within three of them."""
    monkeypatch.setattr(broker, "_FIRST_PAUSE_S", 0.02)
    rows: list[EventRow] = []
    acked: list[int] = []
    began_at: list[int] = []

    def events_after(seq: int, limit: int) -> list[EventRow]:
        asked.append(seq)
        return rows[seq : seq + limit]

    async with shop_broker() as shop, Cable(shop.port) as cable:
        asked: list[int] = []
        link = BrokerLink(
            replace(shop.endpoint(), port=cable.port),
            bench="bench",
            version="0.0.test",
            events_after=events_after,
            acked=acked.append,
            last_acked=0,
            on_do=lambda payload: None,
        )
        running = asyncio.create_task(link.run())
        for life in range(6):
            await until(lambda: link.connected)
            rows.extend(EventRow(10 * life + i + 1, 0, "", "x", None, {}) for i in range(10))
            link.committed(len(rows))
            await until(lambda: acked[-1:] == [len(rows)])
            began_at.append(asked[0])
            asked.clear()
            cable.cut()
            await until(lambda: not link.connected)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert began_at == [0, 0, 0, 0, 10, 20]


async def test_a_trial_that_is_stuck_ends() -> None:
    with pytest.raises(OutageError, match="stuck"):
        await outage._until(lambda: False, 0.01)
