"""Where the broker is, and who may do what there: one list for every broker that benchpour starts.

Owns accounts, roles and their topics. Knows nothing of any broker's own files or plugins.

A program on the same machine may read everything without a password, since the port is on the
loopback only. Whoever wants to command the bench needs the account `local`, whose address and
password lie in a file that only the daemon's own user can read (see `local_url`).
"""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from urllib.parse import urlsplit

from daemon.topics import DO, ROOT

HOST = "127.0.0.1"
LOCAL_FILE = "mqtt-local.url"
USUAL_PORT = 1883
_NEXT_PORTS: Sequence[int] = range(18830, 18840)
"""Tried in turn where the usual port is taken, so that a script finds the bench again."""


class Role(StrEnum):
    """What somebody at the broker may do."""

    DAEMON = "daemon"
    WATCH = "watch"
    CONTROL = "control"
    LOCAL = "local"


USER_OF: Mapping[Role, str] = {
    Role.DAEMON: "daemon",
    Role.WATCH: "phone-watch",
    Role.CONTROL: "phone-control",
    Role.LOCAL: "local",
}

READS: Mapping[Role, tuple[str, ...]] = {
    Role.DAEMON: ("#",),
    Role.WATCH: (f"{ROOT}/#",),
    Role.CONTROL: (f"{ROOT}/#",),
    Role.LOCAL: (f"{ROOT}/#",),
}

WRITES: Mapping[Role, tuple[str, ...]] = {
    Role.DAEMON: ("#",),
    Role.WATCH: (),
    Role.CONTROL: (f"{ROOT}/+/{DO.name}",),
    Role.LOCAL: (f"{ROOT}/+/{DO.name}",),
}


@dataclass(frozen=True, slots=True)
class Beyond:
    """Topics outside the bench's own, each with no wildcard but a closing `#` in what is read.

    `inputs` are those that the daemon listens to and `local` may feed (a thermometer), `outputs`
    those that the daemon publishes for whoever may read the bench (announcements to dashboards).
    """

    inputs: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()

    def plain(self) -> Beyond:
        """Return it without inputs that have a wildcard in them, which nobody may feed."""
        return Beyond(tuple(one for one in self.inputs if not set("+#") & set(one)), self.outputs)


NOTHING_BEYOND = Beyond()


def reads(role: Role, beyond: Beyond = NOTHING_BEYOND) -> tuple[str, ...]:
    """Return the filters of what a role may read."""
    return READS[role] + (() if role is Role.DAEMON else beyond.outputs)


def writes(role: Role, beyond: Beyond = NOTHING_BEYOND) -> tuple[str, ...]:
    """Return the filters of what a role may publish."""
    return WRITES[role] + (beyond.inputs if role is Role.LOCAL else ())


@dataclass(frozen=True, slots=True)
class Account:
    """A user name and its password, which is never shown."""

    user: str
    password: str = field(repr=False)


Accounts = Mapping[Role, Account]


@dataclass(frozen=True, slots=True)
class Endpoint:
    """A broker to connect to. `trouble` says what the broker itself complains about, or nothing."""

    host: str
    port: int
    accounts: Accounts
    tls: bool = False
    ca_file: Path | None = None
    own: bool = False
    """Started by this daemon, on the loopback."""
    mqtt5: bool | None = None
    """Whether it speaks MQTT 5; None: to be found out."""
    kind: str = "broker"
    trouble: Callable[[], str] = field(default=lambda: "", repr=False)

    @property
    def url(self) -> str:
        """The address without user and password."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


class BrokerError(Exception):
    """The broker cannot be had as it was asked for; the text says why and what to do."""


def new_accounts(store: Path, port: int) -> Accounts:
    """Make this start's accounts, and keep the local one's address in the store (mode 0600)."""
    accounts = {role: Account(user, secrets.token_urlsafe(24)) for role, user in USER_OF.items()}
    return {**accounts, Role.LOCAL: _local_account(store, port)}


def _local_account(store: Path, port: int) -> Account:
    path = store / LOCAL_FILE
    account = Account(USER_OF[Role.LOCAL], _kept_password(path) or secrets.token_urlsafe(24))
    line = f"mqtt://{account.user}:{account.password}@{HOST}:{port}\n"
    # A store that cannot be written is the journal's to complain about; commands still come by key.
    with contextlib.suppress(OSError):
        fresh = path.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(line)
        fresh.replace(path)
    return account


def _kept_password(path: Path) -> str | None:
    """A script that read the password yesterday still gets in today."""
    try:
        return urlsplit(path.read_text(encoding="utf-8").strip()).password
    except (OSError, ValueError):
        return None


def local_url(store: Path) -> str | None:
    """Return the address with user and password for a program of this user, None without a broker.

    As in `mosquitto_pub -L "$(cat STORE/mqtt-local.url)/benchpour/bench/do" -m COMMAND`.
    """
    try:
        return (store / LOCAL_FILE).read_text(encoding="utf-8").strip()
    except OSError:
        return None


def matches(topic: str, topic_filter: str) -> bool:
    """Tell whether a topic is covered by a filter with `+` and a closing `#`."""
    levels, wanted = topic.split("/"), topic_filter.split("/")
    for at, want in enumerate(wanted):
        if want == "#":
            return True
        if at >= len(levels) or want not in ("+", levels[at]):
            return False
    return len(levels) == len(wanted)


def may(role: Role, topic: str, *, write: bool, beyond: Beyond = NOTHING_BEYOND) -> bool:
    """Tell whether a role may publish (or read) a topic."""
    filters = writes(role, beyond) if write else reads(role, beyond)
    return any(matches(topic, one) for one in filters)


def free_port(wanted: int | None = None) -> int:
    """Return a port that is free on the loopback: the wanted one, the usual one, or another.

    Raises BrokerError where the wanted one is taken.
    """
    if wanted is not None:
        if is_free(wanted):
            return wanted
        raise BrokerError(f"Port {wanted} on {HOST} is taken; stop what listens there.")
    for port in [USUAL_PORT, *_NEXT_PORTS]:
        if is_free(port):
            return port
    return _any_port()


def _any_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
    return port


def is_free(port: int) -> bool:
    """Whether nobody listens there on the loopback."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError:
            return False
    return True
