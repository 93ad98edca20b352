"""Which broker: what `--broker` means, where its password comes from, and the opening of it.

Owns the choice between a broker of our own and one that is given. Knows nothing of what is
published.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import re
import stat
import tempfile
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import SplitResult, unquote, urlsplit

from daemon.broker_access import (
    NOTHING_BEYOND,
    Account,
    Beyond,
    BrokerError,
    Endpoint,
    Role,
    free_port,
    is_free,
    local_url,
    new_accounts,
)
from daemon.broker_child import child_broker, find_mosquitto

_TRY_S, _LETS_GO_TRIES = 0.1, 40
"""A broker whose daemon was killed writes its state and ends within some three seconds."""

PASSWORD_VARIABLE = "BENCHPOUR_MQTT_PASSWORD"
_WAYS = "auto, embedded, none, mqtt://user@host:port or mqtts://user@host:port"
_DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class BrokerChoice:
    """A checked `--broker`. `warnings` are sentences for the person; no password is in them."""

    kind: Literal["auto", "embedded", "none", "url"]
    host: str = ""
    port: int = 0
    tls: bool = False
    account: Account | None = None
    ca_file: Path | None = None
    warnings: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """The choice as it may be shown and logged."""
        if self.kind != "url":
            return self.kind
        user = f"{self.account.user}@" if self.account else ""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{user}{host}:{self.port}"


@dataclass(slots=True)
class OpenBroker:
    """A broker that can be connected to; `note` says in one line which one and why."""

    endpoint: Endpoint
    note: str
    warnings: tuple[str, ...] = field(default=())


def masked(text: str) -> str:
    """Return the text with the password of any address in it replaced by stars."""
    return re.sub(r"(://[^\s:/@]*):[^\s]*@", r"\1:***@", text)


def parse_choice(
    text: str,
    *,
    password_file: Path | None = None,
    ca_file: Path | None = None,
    environ: Mapping[str, str] | None = None,
) -> BrokerChoice:
    """Read `--broker`; the password is the URL's, else the environment's, else the file's.

    `ca_file` holds the certificate that a broker of the shop's own is trusted by. Raises
    BrokerError with a sentence in which no password is shown.
    """
    if text in ("auto", "embedded", "none"):
        return BrokerChoice(text)  # type: ignore[arg-type]
    url = _split(text)
    if ca_file is not None and not ca_file.is_file():
        raise BrokerError(f"The broker's certificate file {ca_file} is not there; check ca_file.")
    warnings: list[str] = []
    account = None
    if url.username:
        password = _password(url, password_file, environ or os.environ, warnings)
        account = Account(unquote(url.username), password)
    return BrokerChoice(
        "url",
        host=url.hostname or "",
        port=url.port or _DEFAULT_PORT[url.scheme],
        tls=url.scheme == "mqtts",
        account=account,
        ca_file=ca_file,
        warnings=tuple(warnings),
    )


def _split(text: str) -> SplitResult:
    hint = f"--broker is one of {_WAYS}; special characters in it are written as %XX."
    try:
        url = urlsplit(text)
        port = url.port
    except ValueError:
        raise BrokerError(
            f"The broker's address {masked(text)} has no valid port. {hint}"
        ) from None
    if url.scheme not in _DEFAULT_PORT or not url.hostname or port == 0:
        raise BrokerError(f"The broker {masked(text)!r} is not understood. {hint}")
    if url.path not in ("", "/") or url.query or url.fragment:
        raise BrokerError(f"The broker's address {masked(text)} says more than a host. {hint}")
    return url


def _password(
    url: SplitResult, file: Path | None, environ: Mapping[str, str], warnings: list[str]
) -> str:
    if url.password is not None:
        warnings.append(
            "The broker's password stands in the address, where other users of this machine may "
            f"see it; put it into a file (password_file) or into {PASSWORD_VARIABLE}."
        )
        return unquote(url.password)
    if PASSWORD_VARIABLE in environ:
        return environ[PASSWORD_VARIABLE]
    return "" if file is None else _read_password(file, warnings)


def _read_password(file: Path, warnings: list[str]) -> str:
    try:
        password = file.read_text(encoding="utf-8").rstrip("\r\n")
        mode = file.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise BrokerError(
            f"The broker's password file {file} cannot be read ({why}); "
            "write the password into it as its only line."
        ) from None
    if not password:
        raise BrokerError(f"The broker's password file {file} is empty; write the password in it.")
    if mode & stat.S_IROTH:
        warnings.append(f"Everybody can read the password file {file}; run chmod 600 {file}.")
    return password


@contextlib.asynccontextmanager
async def open_broker(
    choice: BrokerChoice,
    *,
    store: Path,
    port: int | None = None,
    beyond: Beyond = NOTHING_BEYOND,
    runtime: Path | None = None,
) -> AsyncIterator[OpenBroker | None]:
    """Have the chosen broker for as long as the context lasts; None for `none`.

    A broker of our own is told of `beyond`; `runtime` is where a child broker's files go
    (default: `runtime_folder(store)`). Raises BrokerError.
    """
    async with contextlib.AsyncExitStack() as stack:
        yield await _open(choice, store, port, beyond, runtime, stack)


async def _open(
    choice: BrokerChoice,
    store: Path,
    port: int | None,
    beyond: Beyond,
    runtime: Path | None,
    stack: contextlib.AsyncExitStack,
) -> OpenBroker | None:
    if choice.kind == "none":
        return None
    if choice.kind == "url":
        return OpenBroker(_given(choice), f"MQTT at {choice.shown}")
    if port is None:
        await _let_go(store)
    try:
        return await _own(choice, store, port, beyond.plain(), runtime, stack)
    except BrokerError:
        # Somebody else may have taken the port since we saw it free; another one is as good.
        if port is not None:
            raise
        return await _own(choice, store, port, beyond.plain(), runtime, stack)


async def _let_go(store: Path) -> None:
    """Wait a little for the port of the last run: a broker that was left behind soon ends.

    Whoever listens there would otherwise not find the bench again after it was killed.
    """
    match = re.search(r":(\d{1,5})$", local_url(store) or "")
    last = int(match[1]) if match else 0
    for _ in range(_LETS_GO_TRIES):
        if not 0 < last < 65536 or is_free(last):
            return
        await asyncio.sleep(_TRY_S)


async def _own(
    choice: BrokerChoice,
    store: Path,
    port: int | None,
    beyond: Beyond,
    runtime: Path | None,
    stack: contextlib.AsyncExitStack,
) -> OpenBroker:
    at = free_port(port)
    accounts = new_accounts(store, at)
    warnings: tuple[str, ...] = ()
    program = find_mosquitto() if choice.kind == "auto" else None
    if program is not None:
        try:
            folder = runtime or runtime_folder(store)
            child = child_broker(program, at, accounts, folder, beyond)
            broker = await stack.enter_async_context(child)
        except BrokerError as error:
            warnings = (f"{error} The embedded broker is used instead.",)
        else:
            return OpenBroker(broker.endpoint, f"MQTT at {broker.endpoint.url} (mosquitto)")
    endpoint = await stack.enter_async_context(_embedded(at, accounts, beyond))
    return OpenBroker(endpoint, f"MQTT at {endpoint.url} (embedded)", warnings)


def _embedded(
    port: int, accounts: Mapping[Role, Account], beyond: Beyond
) -> contextlib.AbstractAsyncContextManager[Endpoint]:
    """Load the embedded broker's dozen packages only when it is wanted."""
    try:
        from daemon.broker_embedded import embedded_broker
    except ImportError as error:
        raise BrokerError(
            f"The embedded broker is not installed ({error.name} is missing); install mosquitto, "
            "or give --broker mqtt://user@host:port or --broker none."
        ) from None
    return embedded_broker(port, accounts, beyond)


def _given(choice: BrokerChoice) -> Endpoint:
    accounts = {Role.DAEMON: choice.account} if choice.account else {}
    return Endpoint(choice.host, choice.port, accounts, tls=choice.tls, ca_file=choice.ca_file)


def runtime_folder(store: Path) -> Path:
    """Make and return this store's private folder for a child broker, in memory where there is one.

    The broker notes every change there, which would wear a memory card out. Raises BrokerError.
    """
    name = f"benchpour-{hashlib.sha256(str(store.resolve()).encode()).hexdigest()[:12]}"
    folder = _runtime_base() / name
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
        if not stat.S_ISDIR(found.st_mode) or not _is_ours(found):
            return Path(tempfile.mkdtemp(prefix="benchpour-"))
        folder.chmod(0o700)
    except OSError as error:
        raise BrokerError(f"The folder {folder} cannot be made ({error.strerror}).") from None
    return folder


def _is_ours(found: os.stat_result) -> bool:
    """In a folder open to all, somebody else may have laid a trap under our name."""
    return os.geteuid() in (0, found.st_uid)


def _runtime_base() -> Path:
    for variable in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        if value := os.environ.get(variable):
            return Path(value.split(":")[0])
    return Path("/run") if os.geteuid() == 0 else Path(tempfile.gettempdir())
