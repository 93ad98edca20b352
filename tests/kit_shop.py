"""The shop's broker as the sample describes it: Debian's mosquitto with that very file and list.

Owns its folder, its throw-away certificates and passwords, and the process. The certificates are
made by the commands that stand in the sample, the paths and the address in it replaced by ours.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pwd
import random
import re
import shlex
import shutil
import signal
import socket
import ssl
import subprocess
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import aiomqtt

from daemon.broker_access import HOST, Account, Endpoint, Role
from daemon.broker_child import find_mosquitto

TOOLS = Path(__file__).parents[1] / "tools"
CONF = (TOOLS / "mosquitto.sample.conf").read_text(encoding="utf-8")
ACCESS = (TOOLS / "mosquitto.sample.acl").read_text(encoding="utf-8")
USERS = ("daemon", "watch", "control", "button", "thermometer")
LONG_S = 10.0


async def until(true: Callable[[], object]) -> None:
    """Wait for a condition, for so long at most that a healthy machine never gets there."""
    deadline_s = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < deadline_s, "waited in vain"
        await asyncio.sleep(0.005)


def spare_port() -> int:
    """A port that neither others who test here at the same time nor outgoing lines go for."""
    while True:
        port = random.randint(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


def commands(program: str) -> list[str]:
    """The commands of one program that the sample tells people to type, in order."""
    return re.findall(rf"^#\s+sudo ({program} .*)$", CONF, re.MULTILINE)


class Shop:
    """The shop's broker."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port, self.tls_port = spare_port(), spare_port()
        self.ca_file = folder / "certs" / "shop-ca.crt"
        self._process: subprocess.Popen[bytes] | None = None

    def make(self, access: str = ACCESS) -> None:
        """Do what the sample says: files, passwords, certificates, rights."""
        (self.folder / "certs").mkdir()
        (self.folder / "conf.d").mkdir()
        (self.folder / "memory").mkdir()
        for command in commands("openssl"):
            words = shlex.split(command.replace("192.0.2.10", HOST))
            subprocess.run(words, cwd=self.folder / "certs", check=True, capture_output=True)
        for command in commands("mosquitto_passwd"):
            words = shlex.split(command)
            words = [words[0], "-b", *words[1:], self.password(words[-1])]
            subprocess.run(words, cwd=self.folder, check=True, capture_output=True)
        conf = CONF.replace("/etc/mosquitto", str(self.folder))
        conf = conf.replace("listener 1883", f"listener {self.port}")
        conf = conf.replace("listener 8883", f"listener {self.tls_port} {HOST}")
        (self.folder / "conf.d" / "benchpour.conf").write_text(conf)
        (self.folder / "benchpour.acl").write_text(access)
        # Debian's own file, as its package ships it, but for the paths and the log.
        (self.folder / "mosquitto.conf").write_text(
            f"persistence true\npersistence_location {self.folder}/memory/\nlog_dest none\n"
            f"include_dir {self.folder}/conf.d\n"
        )
        self._hand_over()

    def _hand_over(self) -> None:
        """Started by root, the broker becomes its own user, as under Debian."""
        if os.geteuid() != 0:
            return
        user = pwd.getpwnam("mosquitto")
        for path in (self.folder, *self.folder.rglob("*")):
            os.chown(path, user.pw_uid, user.pw_gid)

    @staticmethod
    def password(user: str) -> str:
        return f"the word of {user}"

    def account(self, user: str) -> Account:
        return Account(user, self.password(user))

    async def start(self) -> None:
        program = find_mosquitto()
        assert program is not None
        self._launch(program)
        await until(self.listens)

    def _launch(self, program: str) -> None:
        self._process = subprocess.Popen(
            [program, "-c", self.folder / "mosquitto.conf"],
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    def listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self._process.stderr and self._process.stderr.read()
        with socket.socket() as one, socket.socket() as other:
            return not one.connect_ex((HOST, self.port)) and not other.connect_ex(
                (HOST, self.tls_port)
            )

    def stop(self, sort: signal.Signals = signal.SIGTERM) -> None:
        if self._process is None:
            return
        self._process.send_signal(sort)
        self._process.wait(LONG_S)
        if self._process.stderr:
            self._process.stderr.close()
        self._process = None

    def endpoint(self, user: str = "daemon", *, tls: bool = False) -> Endpoint:
        """As a bench that was given the broker's address sees it."""
        accounts = {Role.DAEMON: self.account(user)}
        if not tls:
            return Endpoint(HOST, self.port, accounts)
        return Endpoint(HOST, self.tls_port, accounts, tls=True, ca_file=self.ca_file)

    def client(self, user: str, *, tls: bool = False, **more: Any) -> aiomqtt.Client:
        """A plain client of one of its accounts."""
        context = ssl.create_default_context(cafile=str(self.ca_file)) if tls else None
        return aiomqtt.Client(
            HOST,
            self.tls_port if tls else self.port,
            username=user,
            password=self.password(user),
            tls_context=context,
            **more,
        )


@contextlib.asynccontextmanager
async def shop_broker(access: str = ACCESS) -> AsyncIterator[Shop]:
    """The shop's broker, running, in a folder that is gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="benchpour-shop-"))
    shop = Shop(folder)
    try:
        shop.make(access)
        await shop.start()
        yield shop
    finally:
        shop.stop()
        shutil.rmtree(folder)


class Ear:
    """Somebody who listens; everything heard, in order, as (topic, payload, retained)."""

    def __init__(self, client: aiomqtt.Client, *filters: str) -> None:
        self._client, self._filters = client, filters
        self.got: list[tuple[str, bytes, bool]] = []
        self.properties: list[Any] = []

    async def __aenter__(self) -> Ear:
        await self._client.__aenter__()
        for one in self._filters:
            await self._client.subscribe(one, qos=1)
        self._task = asyncio.create_task(self._read())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await self._task
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.__aexit__(None, None, None)

    async def _read(self) -> None:
        async for message in self._client.messages:
            self.got.append((str(message.topic), message.payload, bool(message.retain)))
            self.properties.append(message.properties)

    async def say(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        await self._client.publish(topic, payload, qos=1, retain=retain)

    def all(self, topic: str) -> list[bytes]:
        return [payload for heard, payload, _ in self.got if heard == topic]
