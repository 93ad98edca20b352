"""The broker inside the daemon's own process: on the loopback, with our accounts and access list.

Owns its start, its end and the guarding of its clients. Imported only where it is used, since it
brings a dozen packages. What it lacks decides its place: it closes no client that fell silent, has
no limit on a packet's size and gives retained messages to whoever is connected; so it is never
opened to the network, phones reach it through the gate, and nothing retained is secret.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from amqtt.broker import Broker  # type: ignore[import-untyped]
from amqtt.contexts import Action, BaseContext  # type: ignore[import-untyped]
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin  # type: ignore[import-untyped]
from amqtt.session import Session  # type: ignore[import-untyped]

from daemon.broker_access import HOST, Accounts, BrokerError, Endpoint, Role, may

_STOP_S = 1.0
_MAX_CONNECTIONS = 200
_KEEP_SESSION_S = 900
"""How long messages are kept for a client that is away: they pile up in the daemon's own memory."""


class Guard(BaseAuthPlugin, BaseTopicPlugin):  # type: ignore[misc]
    """Lets in those with a right password, or with none to read, and keeps each to its topics."""

    @dataclass
    class Config:
        """Role to (user, password), and the topics that `local` may feed."""

        accounts: dict[str, list[str]] = field(default_factory=dict)
        inputs: list[str] = field(default_factory=list)

    def __init__(self, context: BaseContext) -> None:
        super().__init__(context)
        self._by_user = {
            user: (Role(role), password) for role, (user, password) in self.config.accounts.items()
        }
        self._inputs = tuple(self.config.inputs)

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
        return may(role, topic, write=write, inputs=self._inputs)


@contextlib.asynccontextmanager
async def embedded_broker(
    port: int, accounts: Accounts, inputs: tuple[str, ...] = ()
) -> AsyncIterator[Endpoint]:
    """Run the broker for as long as the context lasts; BrokerError where it cannot listen."""
    _hush()
    broker = Broker(_settings(port, accounts, inputs))
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
            await asyncio.wait_for(broker.shutdown(), _STOP_S)


def _settings(port: int, accounts: Accounts, inputs: tuple[str, ...]) -> dict[str, object]:
    guard = {
        "accounts": {role.value: [one.user, one.password] for role, one in accounts.items()},
        "inputs": list(inputs),
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
