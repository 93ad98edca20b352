"""The mosquitto of our own: how it starts, complains, comes back, and ends with us."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import shutil
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon import broker_child
from daemon.broker_access import HOST, Beyond, BrokerError, Role, new_accounts
from daemon.broker_child import (
    ChildBroker,
    access_list,
    find_mosquitto,
    password_line,
)

ROOT = Path(__file__).parents[1]


def spare_port() -> int:
    """A port that neither others who test here at the same time nor outgoing lines go for."""
    while True:
        port = random.randint(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


@pytest.fixture
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="benchpour-test-"))
    yield made
    shutil.rmtree(made)


@pytest.fixture
def program() -> str:
    found = find_mosquitto()
    assert found is not None
    return found


async def until(true: Callable[[], object]) -> None:
    deadline_s = time.monotonic() + 10
    while not true():
        assert time.monotonic() < deadline_s, "waited in vain"
        await asyncio.sleep(0.005)


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((HOST, port)) == 0


def alive(pid: int) -> bool:
    """Whether the process runs; one that has ended and waits for its parent does not."""
    try:
        return (
            Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")")[-1].split()[0] != "Z"
        )
    except OSError:
        return False


def test_no_two_password_lines_are_alike() -> None:
    line = password_line("local", "guess", salt=bytes(12))
    assert line.startswith("local:$7$101$AAAAAAAAAAAAAAAA$")
    assert line.endswith("==")
    assert line != password_line("local", "guess")


def test_the_access_list_gives_strangers_reading_only(folder: Path) -> None:
    text = access_list(new_accounts(folder, 1883), Beyond(("shop/air",), ("homie/5/#",)))
    strangers, *users = text.split("\nuser ")
    assert strangers.split("\n")[:2] == ["topic read benchpour/#", "topic read homie/5/#"]
    assert "write" not in strangers
    assert [one.splitlines()[0] for one in users] == [
        "daemon",
        "phone-watch",
        "phone-control",
        "local",
    ]
    assert "write" not in users[1]
    assert "topic write benchpour/+/do" in users[2]
    assert "topic write shop/air" in users[3]
    assert "shop/air" not in users[2]


async def test_its_files_are_private_and_gone_afterwards(folder: Path, program: str) -> None:
    port = spare_port()
    accounts = new_accounts(folder, port)
    async with broker_child.child_broker(program, port, accounts, folder) as broker:
        assert listens(port)
        for name in ("passwords", "access", "conf"):
            assert (folder / name).stat().st_mode & 0o777 == 0o600
        assert accounts[Role.DAEMON].password not in (folder / "passwords").read_text()
        pid = broker.pid
        assert pid is not None
    assert not alive(pid)
    assert not (folder / "passwords").exists()
    assert not listens(port)


async def test_what_it_complains_about_is_passed_on(
    folder: Path, program: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_child, "settings", lambda port, folder: "nonsense 1\n")
    port = spare_port()
    broker = ChildBroker(program, port, new_accounts(folder, port), folder)
    with pytest.raises(BrokerError, match=r"did not start: .*nonsense") as caught:
        await broker.start()
    assert "\n" not in str(caught.value)
    assert broker.pid is None


async def test_nobody_else_is_taken_for_it(folder: Path, program: str) -> None:
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        port = other.getsockname()[1]
        broker = ChildBroker(program, port, new_accounts(folder, port), folder)
        with pytest.raises(BrokerError, match=f"Port {port} .* is taken"):
            await broker.start()


async def test_shot_it_comes_back_on_the_same_port(folder: Path, program: str) -> None:
    port = spare_port()
    async with broker_child.child_broker(
        program, port, new_accounts(folder, port), folder
    ) as broker:
        pid = broker.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        await until(lambda: "stopped by itself" in broker.endpoint.trouble())
        await until(lambda: broker.pid not in (None, pid) and listens(port))
        await until(lambda: broker.endpoint.trouble() == "")


_PARENT = """
import asyncio, sys
from pathlib import Path
from daemon.broker_access import new_accounts
from daemon.broker_child import child_broker, find_mosquitto

async def main():
    folder, port = Path(sys.argv[1]), int(sys.argv[2])
    async with child_broker(find_mosquitto(), port, new_accounts(folder, port), folder) as broker:
        print(broker.pid, flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


async def test_it_ends_with_us_even_when_we_are_shot(folder: Path) -> None:
    parent = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        _PARENT,
        str(folder),
        str(spare_port()),
        cwd=ROOT,
        stdout=asyncio.subprocess.PIPE,
    )
    assert parent.stdout is not None
    pid = int(await parent.stdout.readline())
    assert alive(pid)
    parent.kill()
    await parent.wait()
    await until(lambda: not alive(pid))
