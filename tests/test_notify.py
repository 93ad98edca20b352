"""What the service manager hears, through a real datagram socket of the kind it listens on."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.notify import ALIVE, READY, alive_every_s, notify, status


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A listening socket and the name under which it is told of."""
    name = str(tmp_path / "s") if request.param == "path" else f"@benchpour-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(name.replace("@", "\0", 1) if name.startswith("@") else name)
        listening.settimeout(5)
        yield listening, name


def test_the_states_arrive_in_one_datagram(manager: tuple[socket.socket, str]) -> None:
    listening, name = manager
    assert notify(READY, status("scale on\n/dev/x"), environ={"NOTIFY_SOCKET": name})
    assert listening.recv(200) == b"READY=1\nSTATUS=scale on /dev/x"


def test_a_manager_that_stopped_reading_holds_nothing_up(
    manager: tuple[socket.socket, str],
) -> None:
    _, name = manager
    sent = [notify(ALIVE, environ={"NOTIFY_SOCKET": name}) for _ in range(5000)]
    assert sent[0]
    assert not sent[-1]


def test_without_a_manager_nothing_is_sent(tmp_path: Path) -> None:
    assert not notify(READY, environ={})
    assert not notify(READY, environ={"NOTIFY_SOCKET": "nonsense"})
    assert not notify(READY, environ={"NOTIFY_SOCKET": str(tmp_path / "nobody")})


def test_the_daemon_says_it_is_alive_three_times_in_the_managers_patience() -> None:
    twenty = {"WATCHDOG_USEC": "20000000"}
    assert alive_every_s(twenty) == pytest.approx(20 / 3)
    assert alive_every_s(twenty | {"WATCHDOG_PID": str(os.getpid())}) == pytest.approx(20 / 3)


def test_no_patience_or_another_process_asks_for_nothing() -> None:
    assert alive_every_s({}) is None
    assert alive_every_s({"WATCHDOG_USEC": "0"}) is None
    assert alive_every_s({"WATCHDOG_USEC": "soon"}) is None
    assert alive_every_s({"WATCHDOG_USEC": "1000", "WATCHDOG_PID": "1"}) is None
