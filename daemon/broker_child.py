"""A mosquitto of our own as a child process: its files, its start, its watching, its end.

Owns that process and its private folder. Knows nothing of what is published through it.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import os
import pwd
import secrets
import shutil
from collections import deque
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

from daemon.broker_access import (
    HOST,
    NOTHING_BEYOND,
    Accounts,
    Beyond,
    BrokerError,
    Endpoint,
    Role,
    free_port,
    reads,
    writes,
)

MAX_PACKET_BYTES = 262_144
"""Far above any payload of ours; without it a packet of many megabytes is accepted."""

_START_S = 3.0
_STOP_S = 1.0
_FIRST_PAUSE_S = 0.1
_LONGEST_PAUSE_S = 3.0
_STEADY_S = 2.0
"""A broker that ran this long before it died is started again without a long pause."""

_SERVICE_USER = "mosquitto"


def find_mosquitto() -> str | None:
    """Return where mosquitto is installed, None if nowhere; it is not on a plain user's path."""
    path = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))
    return shutil.which("mosquitto", path=path)


def password_line(user: str, password: str, salt: bytes | None = None) -> str:
    """Return a line of its password file: PBKDF2 with SHA-512, 101 rounds, as its own tool writes.

    The passwords are long and random, so that more rounds would guard nothing.
    """
    salt = secrets.token_bytes(12) if salt is None else salt
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return f"{user}:$7$101${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"


def access_list(accounts: Accounts, beyond: Beyond = NOTHING_BEYOND) -> str:
    """Return its access list; what stands before the first user is for those without a password."""
    lines = [f"topic read {topic}" for topic in reads(Role.WATCH, beyond)]
    for role, account in accounts.items():
        lines += ["", f"user {account.user}"]
        lines += [f"topic read {topic}" for topic in reads(role, beyond)]
        lines += [f"topic write {topic}" for topic in writes(role, beyond)]
    return "\n".join(lines) + "\n"


def settings(port: int, folder: Path) -> str:
    """Return its configuration: loopback only, bounded, its state on a disk that needs no care."""
    options: Mapping[str, Any] = {
        "listener": f"{port} {HOST}",
        "allow_anonymous": "true",
        "password_file": folder / "passwords",
        "acl_file": folder / "access",
        "max_packet_size": MAX_PACKET_BYTES,
        "max_queued_messages": 5000,
        "max_keepalive": 600,
        "persistent_client_expiration": "7d",
        "set_tcp_nodelay": "true",
        "sys_interval": 0,
        # Subscribers with a session of their own keep it when the broker dies and comes back.
        "persistence": "true",
        "persistence_location": f"{folder}/",
        "autosave_on_changes": "true",
        "autosave_interval": 1,
        "connection_messages": "false",
        "log_dest": "stderr",
        "log_timestamp": "false",
    }
    lines = [f"{name} {value}" for name, value in options.items()]
    return "\n".join([*lines, "log_type error", "log_type warning", ""])


class ChildBroker:
    """One mosquitto, started again whenever it dies, gone when the daemon is gone."""

    def __init__(
        self,
        program: str,
        port: int,
        accounts: Accounts,
        folder: Path,
        beyond: Beyond = NOTHING_BEYOND,
    ) -> None:
        self._program = program
        self._port = port
        self._accounts = accounts
        self._folder = folder
        self._beyond = beyond
        self._process: asyncio.subprocess.Process | None = None
        self._reading: asyncio.Task[None] | None = None
        self._said: deque[str] = deque(maxlen=8)
        self._trouble = ""

    @property
    def endpoint(self) -> Endpoint:
        """Where it listens."""
        return Endpoint(
            host=HOST,
            port=self._port,
            accounts=self._accounts,
            own=True,
            mqtt5=True,
            kind="mosquitto",
            trouble=lambda: self._trouble,
        )

    @property
    def pid(self) -> int | None:
        """The running process, None while there is none."""
        return self._process.pid if self._process and self._process.returncode is None else None

    async def start(self) -> None:
        """Start it and wait until it listens; BrokerError with what it said where it does not."""
        # Whoever else listens there would be taken for our broker.
        free_port(self._port)
        self._write_files()
        self._said.clear()
        try:
            self._process = await asyncio.create_subprocess_exec(
                *_with_parent_death(self._program),
                "-c",
                str(self._folder / "conf"),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
        except OSError as error:
            raise BrokerError(
                f"mosquitto cannot be started ({error.strerror}); it is tried again, or use "
                "--broker embedded."
            ) from None
        listening = asyncio.create_task(self._until_it_listens(), name="mosquitto-start")
        self._reading = asyncio.create_task(self._read_stderr(), name="mosquitto-stderr")
        ended = asyncio.create_task(self._process.wait(), name="mosquitto-end")
        try:
            await asyncio.wait(
                {listening, ended}, timeout=_START_S, return_when=asyncio.FIRST_COMPLETED
            )
            if ended.done() or not listening.done():
                await self._end()
                await self._reading
                raise BrokerError(self._complaint("did not start"))
        finally:
            listening.cancel()
            ended.cancel()

    def _write_files(self) -> None:
        users = [password_line(one.user, one.password) for one in self._accounts.values()]
        files = {
            "passwords": "\n".join(users) + "\n",
            "access": access_list(self._accounts, self._beyond),
            "conf": settings(self._port, self._folder),
        }
        try:
            for name, text in files.items():
                _write_private(self._folder / name, text)
            _hand_over(self._folder)
        except OSError as error:
            raise BrokerError(
                f"The broker's folder {self._folder} cannot be written ({error.strerror}); "
                "free some space there, or use --broker embedded."
            ) from None

    async def _until_it_listens(self) -> None:
        while True:
            try:
                _, writer = await asyncio.open_connection(HOST, self._port)
            except OSError:
                await asyncio.sleep(0.005)
                continue
            writer.close()
            return

    async def _read_stderr(self) -> None:
        process = self._process
        if process is None or process.stderr is None:
            return
        async for line in process.stderr:
            if text := line.decode(errors="replace").strip():
                self._said.append(text[:200])

    async def keep(self) -> None:
        """Start it again whenever it dies, until cancelled."""
        loop = asyncio.get_running_loop()
        pause_s = _FIRST_PAUSE_S
        while self._process is not None:
            since_s = loop.time()
            code = await self._process.wait()
            self._trouble = self._complaint(f"stopped by itself (status {code})")
            if loop.time() - since_s > _STEADY_S:
                pause_s = _FIRST_PAUSE_S
            await asyncio.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            await self._try_again()

    async def _try_again(self) -> None:
        try:
            await self.start()
        except BrokerError as error:
            self._trouble = str(error)
        else:
            self._trouble = ""

    async def _end(self) -> None:
        process = self._process
        if process is None or process.returncode is not None:
            return
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            async with asyncio.timeout(_STOP_S):
                await process.wait()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def stop(self) -> None:
        """End it and remove its passwords."""
        await self._end()
        self._process = None
        for name in ("passwords", "access", "conf"):
            (self._folder / name).unlink(missing_ok=True)

    def _complaint(self, what: str) -> str:
        said = "; ".join(self._said) or "it gave no reason"
        return f"The mosquitto broker on port {self._port} {what}: {said}."


@contextlib.asynccontextmanager
async def child_broker(
    program: str, port: int, accounts: Accounts, folder: Path, beyond: Beyond = NOTHING_BEYOND
) -> AsyncIterator[ChildBroker]:
    """Run a mosquitto with its files in `folder` for as long as the context lasts.

    Raises BrokerError where it does not start.
    """
    broker = ChildBroker(program, port, accounts, folder, beyond)
    await broker.start()
    keeper = asyncio.create_task(broker.keep(), name="mosquitto-keeper")
    try:
        yield broker
    finally:
        keeper.cancel()
        await asyncio.gather(keeper, return_exceptions=True)
        await broker.stop()


def _with_parent_death(program: str) -> list[str]:
    """Start it so that it ends with us, however we end, and never as root."""
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        return [program]
    service = _service_user()
    drop = (
        [f"--reuid={service.pw_uid}", f"--regid={service.pw_gid}", "--clear-groups"]
        if service
        else []
    )
    # The signal is set after the change of user, which would clear it.
    return [setpriv, *drop, "--pdeathsig", "TERM", "--", program]


def _service_user() -> pwd.struct_passwd | None:
    if os.geteuid() != 0:
        return None
    try:
        return pwd.getpwnam(_SERVICE_USER)
    except KeyError:
        return None


def _write_private(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(text)


def _hand_over(folder: Path) -> None:
    """As root the broker runs under an account of its own, which must reach its files."""
    service = _service_user()
    if service is None:
        return
    for path in (folder, *folder.iterdir()):
        os.chown(path, service.pw_uid, service.pw_gid, follow_symlinks=False)
