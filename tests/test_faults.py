"""What goes wrong in the daemon itself: an outlet's fault is said, the heart's ends it in order.

The daemon runs in this process, where such faults can be made.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from threading import Thread
from types import MethodType
from typing import Any

import pytest

from daemon import cli
from daemon.config import load_config
from daemon.journal import Journal
from daemon.run import Running, RunOptions
from recipes.loader import SAMPLES_DIR, load_recipe


def running(store: Path, **more: Any) -> Running:
    config = load_config(None, {"scale.url": "/dev/null", "broker.url": "none", "sound.to": "none"})
    config = config.model_copy(update={"phone": config.phone.model_copy(update={"off": True})})
    recipe = load_recipe(SAMPLES_DIR / "slate-knob.toml")
    return Running(RunOptions(config, recipe=recipe, console="none", **more), store)


async def silent_port(_: Running) -> None:
    await asyncio.Event().wait()


async def run_until(it: Running, true: Callable[[], Any], port: Any = silent_port) -> None:
    """Run it until this is true, then stop it as a signal would."""

    async def watch() -> None:
        await until(true)
        it.stop.set()

    watching = asyncio.create_task(watch())
    try:
        await it.run(port)
    finally:
        watching.cancel()


async def until(true: Callable[[], Any]) -> None:
    deadline_s = time.monotonic() + 10
    while not true():
        assert time.monotonic() < deadline_s, "waited in vain"
        await asyncio.sleep(0.005)


def kinds_in(store: Path) -> list[str]:
    journal = Journal(store, write=False)
    try:
        return [row.kind for row in journal.events_after(0, 100)]
    finally:
        journal.close()


async def test_an_outlet_that_fails_is_said_and_the_rest_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fails(_: Running) -> None:
        raise ExceptionGroup("several", [KeyError("broker")])

    monkeypatch.setattr("daemon.outlets._have_broker", fails)
    it = running(tmp_path)
    await run_until(it, lambda: it.said.lines and it.bench.batch)
    assert it.said.lines[-1][1] == (
        "The line to the broker failed and is left out (KeyError: 'broker'); all else goes on."
    )
    assert kinds_in(tmp_path) == ["daemon.started", "batch.opened"]


async def test_a_fault_in_the_heart_ends_it_with_everything_journaled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    it = running(tmp_path)

    def stumbles() -> None:
        raise AssertionError("what is due does not go away")

    monkeypatch.setattr(it.loop, "_ring", MethodType(lambda _: stumbles(), it.loop))
    asyncio.get_running_loop().call_later(0.2, it.loop._ring)
    with pytest.raises(AssertionError, match="does not go away"):
        await run_until(it, lambda: False)
    assert kinds_in(tmp_path) == ["daemon.started", "batch.opened"]


async def test_a_fault_in_the_scale_s_reader_ends_it_and_one_elsewhere_is_said(
    tmp_path: Path,
) -> None:
    def stumbles() -> None:
        raise ValueError("no such speed")

    async def port(_: Running) -> None:
        Thread(target=stumbles, name="PlainWriter").start()
        await until(lambda: it.said.lines)
        Thread(target=stumbles, name="scale port").start()
        await silent_port(_)

    it = running(tmp_path)
    with pytest.raises(ValueError, match="no such speed"):
        await run_until(it, lambda: False, port)
    said = "PlainWriter stumbled (ValueError: no such speed); all else goes on."
    assert [line for _, line in it.said.lines] == [said]


async def test_a_disk_that_holds_no_sockets_is_no_reason_not_to_pour(tmp_path: Path) -> None:
    (tmp_path / "control").mkdir()
    it = running(tmp_path)
    await run_until(it, lambda: it.bench.batch)
    assert "cannot reach this daemon" in it.said.lines[0][1]


def has_a_batch(it: Running) -> bool:
    return it.bench.batch is not None


async def test_what_was_asked_for_before_a_stop_is_taken_up_only_if_it_is_the_same(
    tmp_path: Path,
) -> None:
    for asked, planned in ((3, 3), (3, 3), (None, 3), (5, 5)):
        it = running(tmp_path, batches=asked)
        await run_until(it, partial(has_a_batch, it))
        assert it.bench.plan is not None
        assert it.bench.plan.left == planned
    assert kinds_in(tmp_path).count("batch.opened") == 2


def test_what_comes_wrapped_in_a_group_is_told_as_what_it_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def raises(_: Any) -> int:
        raise ExceptionGroup("one", [ExceptionGroup("two", [cli.UsageError("No scale is named.")])])

    monkeypatch.setattr(cli, "_run", raises)
    assert cli.main(["run"]) == cli.WRONG_USE
    assert capsys.readouterr().err == "benchpour: No scale is named.\n"
    with pytest.raises(ExceptionGroup):
        cli.main(["run", "--debug"])
