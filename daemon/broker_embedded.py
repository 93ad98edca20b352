"""The broker inside the daemon's own process: on the loopback, with our accounts and access list.

Owns its start, its end and the guarding of its clients. Imported only where it is used, since it
brings a dozen packages. What it lacks decides its place: it keeps clients that fell silent, and
gives retained messages to whoever is connected; so it is never opened to the network, phones reach
it through the gate, and nothing retained is secret.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from typing import Any

from amqtt.adapters import (  # type: ignore[import-untyped]
    StreamReaderAdapter,
    StreamWriterAdapter,
)
from amqtt.broker import Broker  # type: ignore[import-untyped]
from amqtt.contexts import Action, BaseContext  # type: ignore[import-untyped]
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin  # type: ignore[import-untyped]
from amqtt.session import Session  # type: ignore[import-untyped]

from daemon.broker_access import (
    HOST,
    NOTHING_BEYOND,
    Accounts,
    Beyond,
    BrokerError,
    Endpoint,
    Role,
    may,
)

_STOP_S = 1.0
_MAX_CONNECTIONS = 200
_MAX_READ_BYTES = 262_144
_GREETING_S = 5.0
"""Whoever has not said who it is by then is hung up on."""
_STUCK_S = 10.0
"""How long a client may read nothing."""
_KEEP_SESSION_S = 900
"""How long messages are kept for a client that is away: they pile up in the daemon's own memory."""


class BoundedReader(StreamReaderAdapter):  # type: ignore[misc]
    """Reads from a client, but no packet of many megabytes."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        super().__init__(reader)
        self._writer = writer

    async def read(self, n: int = -1) -> bytes:
        """Read n bytes; a client that announces too many is hung up on."""
        if n > _MAX_READ_BYTES:
            self._writer.transport.abort()
            raise ConnectionResetError("announced too much")
        data: bytes = await super().read(n)
        return data


class PatientWriter(StreamWriterAdapter):  # type: ignore[misc]
    """Writes to a client, but waits for ever on none: what it does not read piles up in memory."""

    async def drain(self) -> None:
        """Wait until the client has taken enough; one that takes nothing is hung up on."""
        try:
            async with asyncio.timeout(_STUCK_S):
                await super().drain()
        except TimeoutError:
            self._writer.transport.abort()


class SteadyTable(dict[str, list[Any]]):
    """Who subscribed to what; may change while it is gone through.

    The library awaits in the middle of going through it. Somebody who subscribes at that moment
    would cost all others the message, somebody who leaves would cost his neighbour.
    """

    def __iter__(self) -> Iterator[str]:
        return iter(list(self.keys()))

    def items(self) -> Any:
        """Return the table as it is now."""
        return [(topic_filter, list(readers)) for topic_filter, readers in super().items()]


class LoopbackBroker(Broker):  # type: ignore[misc]
    """The library's broker, which lets go of every line in the end."""

    def __init__(self, config: dict[str, object]) -> None:
        super().__init__(config)
        self._subscriptions = SteadyTable()
        self._lines: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one client from its first byte to the closing of its line."""
        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        assert task is not None
        self._lines[task] = writer
        voice = PatientWriter(writer)
        alarm = loop.call_later(_GREETING_S, self._hang_up_unless_known, voice, writer)
        try:
            await self._client_connected(listener_name, BoundedReader(reader, writer), voice)
        finally:
            alarm.cancel()
            self._lines.pop(task, None)
            writer.close()

    def _hang_up_unless_known(self, voice: PatientWriter, writer: asyncio.StreamWriter) -> None:
        if all(handler.writer is not voice for _, handler in self.sessions.values()):
            writer.transport.abort()

    async def close(self) -> None:
        """Cut every line, silent ones too, and end."""
        for writer in self._lines.values():
            writer.transport.abort()
        if self._lines:
            await asyncio.wait(list(self._lines), timeout=_STOP_S / 2)
        await self.shutdown()


class Guard(BaseAuthPlugin, BaseTopicPlugin):  # type: ignore[misc]
    """Lets in those with a right password, or with none to read, and keeps each to its topics."""

    @dataclass
    class Config:
        """Role to (user, password), and the topics beyond the bench's own."""

        accounts: dict[str, list[str]] = field(default_factory=dict)
        inputs: list[str] = field(default_factory=list)
        outputs: list[str] = field(default_factory=list)

    def __init__(self, context: BaseContext) -> None:
        super().__init__(context)
        self._by_user = {
            user: (Role(role), password) for role, (user, password) in self.config.accounts.items()
        }
        self._beyond = Beyond(tuple(self.config.inputs), tuple(self.config.outputs))

    async def authenticate(self, *, session: Session) -> bool:
        """Check the password, and the last will, which nobody would check later."""
        session.is_anonymous = session.username is None
        if session.username is not None and not self._knows(session):
            return False
        will = session.will_topic if session.will_flag else None
        return will is None or self._may(session, will, write=True)

    def _knows(self, session: Session) -> bool:
        _, password = self._by_user.get(session.username or "", (None, None))
        given = (session.password or "").encode()
        return password is not None and hmac.compare_digest(password.encode(), given)

    async def topic_filtering(
        self,
        *,
        session: Session | None = None,
        topic: str | None = None,
        action: Action | None = None,
    ) -> bool:
        """Judge each message by its own topic; a subscription alone gives nothing."""
        if session is None or topic is None:
            return False
        if action is Action.SUBSCRIBE:
            return True
        return self._may(session, topic, write=action is not Action.RECEIVE)

    def _may(self, session: Session, topic: str, *, write: bool) -> bool:
        role, _ = self._by_user.get(session.username or "", (Role.WATCH, ""))
        return may(role, topic, write=write, beyond=self._beyond)


@contextlib.asynccontextmanager
async def embedded_broker(
    port: int, accounts: Accounts, beyond: Beyond = NOTHING_BEYOND
) -> AsyncIterator[Endpoint]:
    """Run the broker for as long as the context lasts; BrokerError where it cannot listen."""
    _hush()
    broker = LoopbackBroker(_settings(port, accounts, beyond))
    try:
        await broker.start()
    except Exception as error:
        raise BrokerError(
            f"The embedded broker cannot listen on {HOST}:{port}: {error.__cause__ or error}."
        ) from None
    try:
        yield Endpoint(HOST, port, accounts, own=True, mqtt5=False, kind="embedded")
    finally:
        # Whatever it complains about while it ends, nobody is served by hearing it.
        with contextlib.suppress(Exception):
            async with asyncio.timeout(_STOP_S):
                await broker.close()


def _settings(port: int, accounts: Accounts, beyond: Beyond) -> dict[str, object]:
    guard = {
        "accounts": {role.value: [one.user, one.password] for role, one in accounts.items()},
        "inputs": list(beyond.inputs),
        "outputs": list(beyond.outputs),
    }
    return {
        "listeners": {
            "default": {
                "type": "tcp",
                "bind": f"{HOST}:{port}",
                "max_connections": _MAX_CONNECTIONS,
            }
        },
        "session_expiry_interval": _KEEP_SESSION_S,
        "plugins": {f"{__name__}.{Guard.__name__}": guard},
    }


def _hush() -> None:
    """A client that goes away is no news to the person at the bench."""
    for name in ("amqtt", "transitions"):
        logger = logging.getLogger(name)
        logger.setLevel(logging.CRITICAL)
        logger.addHandler(logging.NullHandler())
