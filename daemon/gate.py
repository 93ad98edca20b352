"""The gate: MQTT over a WebSocket for paired phones, relayed to whichever broker is in use.

Owns what a phone may send and receive, its deadlines and its limits. Knows neither how a phone was
paired nor what the messages say.

The broker's own account never leaves here: a phone shows its name and token, and the CONNECT that
goes on is the gate's. Packets are read in both directions, so that a phone is kept to its topics by
the gate whatever the broker does.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import secrets
import ssl
from collections.abc import Callable, Coroutine
from typing import Any, Protocol

from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from daemon.broker_access import Account, Endpoint, Role, may
from daemon.mqtt_packets import (
    FROM_CLIENT,
    LOGIN_REFUSED,
    NOT_AUTHORISED,
    V5,
    V311,
    WRONG_VERSION,
    Connect,
    Kind,
    MalformedError,
    Packet,
    Splitter,
    connack_code,
    connack_refused,
    connect_bytes,
    parse_connect,
    parse_filters,
    parse_publish,
)
from daemon.pairing import Phone
from daemon.topics import ROOT

CONNECT_S = 5.0
REACH_S = 3.0
SEND_S = 5.0
"""A phone that takes nothing for so long is let go; it comes back to the retained state."""

GOODBYE_S = 0.5

MAX_PACKET = 64 * 1024
_MAX_FROM_BROKER = 512 * 1024
LONGEST_KEEPALIVE_S = 60
MOST_CONNECTIONS = 24
MOST_OF_ONE_PHONE = 4
MOST_PACKETS_A_SECOND = 1000
"""A page sends a handful, its acknowledgements after an outage are hundreds; more costs time."""

_COUNTS_AS = {Kind.PUBLISH: 20, Kind.SUBSCRIBE: 50, Kind.UNSUBSCRIBE: 50}
"""Of those thousand: a command is written down, a subscription brings all that is retained."""

MOST_BYTES_A_SECOND = 256 * 1024
MOST_FILTERS = 32
"""A page has seven."""

NORMAL, GOING_AWAY, BAD_DATA, NOT_ALLOWED, TRY_LATER = 1000, 1001, 1003, 1008, 1013
"""WebSocket close codes (RFC 6455, 7.4.1; 1013 from the IANA registry)."""


class EndedError(Exception):
    """The connection ends here: with this WebSocket close code and reason."""

    def __init__(self, code: int, why: str) -> None:
        super().__init__(why)
        self.code = code
        self.why = why


class Admits(Protocol):
    """What the gate needs of pairing."""

    def admitted(self, name: str, token: str) -> Phone | None:
        """Return the phone if name and token belong together."""


class Session:
    """One phone on its way to the broker."""

    def __init__(self, socket: ServerConnection, phone: Phone, connect: Connect) -> None:
        self.socket = socket
        self.phone = phone
        self.level = connect.level
        asked_s = connect.keepalive_s or LONGEST_KEEPALIVE_S
        self.keepalive_s = min(asked_s, LONGEST_KEEPALIVE_S)
        self.task = asyncio.current_task()
        self._second = 0
        self._count = self._bytes = 0
        self._filters: set[str] = set()

    @property
    def role(self) -> Role:
        """The phone's role at the broker."""
        return Role(self.phone.role.value)

    def new_client_id(self) -> str:
        """Make a name at the broker, of the phone's and of what nobody can guess (23 letters)."""
        phone = hashlib.sha256(self.phone.name.encode()).hexdigest()[:8]
        return f"phone{phone}{secrets.token_hex(5)}"

    def check(self, packet: Packet) -> None:
        """See that the phone may send this; raises EndedError or MalformedError."""
        self._count_packet(packet)
        if packet.kind not in FROM_CLIENT:
            raise MalformedError(f"packet type {packet.kind.value} from a client")
        if packet.kind is Kind.PUBLISH:
            said = parse_publish(packet)
            if said.retain or not may(self.role, said.topic, write=True):
                raise EndedError(NOT_ALLOWED, "this phone may not publish that")
        elif packet.kind in (Kind.SUBSCRIBE, Kind.UNSUBSCRIBE):
            filters = parse_filters(packet, self.level)
            if any(one.split("/")[0] != ROOT for one in filters):
                raise EndedError(NOT_ALLOWED, f"phones may subscribe below {ROOT}/ only")
            self._keep_filters(packet.kind, set(filters))

    def _keep_filters(self, kind: Kind, filters: set[str]) -> None:
        """The broker keeps each and looks through all of them for every message."""
        if kind is Kind.SUBSCRIBE:
            self._filters |= filters
        else:
            self._filters -= filters
        if len(self._filters) > MOST_FILTERS:
            raise EndedError(NOT_ALLOWED, "too many subscriptions")

    def _count_packet(self, packet: Packet) -> None:
        second = int(asyncio.get_running_loop().time())
        if second != self._second:
            self._second, self._count, self._bytes = second, 0, 0
        self._count += _COUNTS_AS.get(packet.kind, 1)
        self._bytes += len(packet.raw)
        if self._count > MOST_PACKETS_A_SECOND or self._bytes > MOST_BYTES_A_SECOND:
            raise EndedError(NOT_ALLOWED, "too many packets")

    def wanted(self, packet: Packet) -> bool:
        """Whether what the broker sends is for this phone's eyes."""
        return packet.kind is not Kind.PUBLISH or may(
            self.role, parse_publish(packet).topic, write=False
        )


class Gate:
    """All phones that are connected. `serve` is the life of one of them."""

    def __init__(
        self,
        pairing: Admits,
        endpoint_of: Callable[[], Endpoint | None],
        known: Callable[[ServerConnection], None] = lambda _: None,
    ) -> None:
        """`endpoint_of` is the broker in use, `known` is told of each that showed a token."""
        self._pairing = pairing
        self._endpoint_of = endpoint_of
        self._known = known
        self._sessions: list[Session] = []
        self._tls: dict[str, ssl.SSLContext] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Who is connected, each once."""
        return tuple(dict.fromkeys(session.phone.name for session in self._sessions))

    async def serve(self, socket: ServerConnection) -> None:
        """Be the gate for one WebSocket, until it ends. The socket is closed when this returns."""
        code, why = GOING_AWAY, ""
        try:
            await self._serve(socket)
        except EndedError as end:
            code, why = end.code, end.why
        except MalformedError as error:
            code, why = BAD_DATA, f"no good MQTT: {error}"
        except TimeoutError:
            code, why = NOT_ALLOWED, "too late"
        except (ConnectionClosed, OSError):
            code, why = TRY_LATER, "the line to the broker is down"
        except asyncio.CancelledError:
            # Cut off by `cut`; the server goes on and closes the socket in order.
            code, why = NOT_ALLOWED, "cut off"
            if (task := asyncio.current_task()) is not None:
                task.uncancel()
        # Whoever goes on sending does not answer the goodbye; there is no waiting for it.
        with contextlib.suppress(ConnectionClosed, OSError):
            async with asyncio.timeout(GOODBYE_S):
                await socket.close(code, why)
        socket.transport.abort()

    def cut(self, name: str) -> None:
        """Cut this phone off at once: nothing more goes to it or comes from it."""
        for session in self._sessions:
            if session.phone.name == name and session.task is not None:
                session.task.cancel()

    async def _serve(self, socket: ServerConnection) -> None:
        splitter = Splitter(MAX_PACKET)
        async with asyncio.timeout(CONNECT_S):
            first = await _first_packet(socket, splitter)
        session = await self._admit(socket, parse_connect(first))
        self._known(socket)
        self._make_room(session)
        self._sessions.append(session)
        try:
            reader, writer = await self._reach(session)
            try:
                await _first_of(_up(session, splitter, writer), _down(session, reader))
            finally:
                writer.transport.abort()
        finally:
            self._sessions.remove(session)

    async def _admit(self, socket: ServerConnection, connect: Connect) -> Session:
        if connect.level not in (V311, V5):
            await _say(socket, connack_refused(connect.level, WRONG_VERSION))
            raise EndedError(NOT_ALLOWED, "MQTT 3.1.1 or 5, please")
        phone = self._pairing.admitted(connect.user or "", connect.password or "")
        if phone is None:
            await _say(socket, connack_refused(connect.level, NOT_AUTHORISED))
            raise EndedError(NOT_ALLOWED, "not paired")
        return Session(socket, phone, connect)

    def _make_room(self, session: Session) -> None:
        """A phone's older connections give way to its new one; other phones' do not."""
        mine = [one for one in self._sessions if one.phone.name == session.phone.name]
        if len(mine) >= MOST_OF_ONE_PHONE and mine[0].task is not None:
            mine[0].task.cancel()
        elif len(self._sessions) >= MOST_CONNECTIONS:
            raise EndedError(TRY_LATER, "too many phones")

    async def _reach(self, session: Session) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        endpoint = self._endpoint_of()
        if endpoint is None:
            raise EndedError(TRY_LATER, "no broker")
        try:
            async with asyncio.timeout(REACH_S):
                reader, writer = await asyncio.open_connection(
                    endpoint.host, endpoint.port, ssl=self._context(endpoint)
                )
        except (OSError, TimeoutError):
            raise EndedError(TRY_LATER, "the broker cannot be reached") from None
        account = _account(endpoint, session.role)
        user, password = (account.user, account.password) if account else (None, None)
        writer.write(
            connect_bytes(
                session.level, session.new_client_id(), session.keepalive_s, user, password
            )
        )
        return reader, writer

    def _context(self, endpoint: Endpoint) -> ssl.SSLContext | None:
        if not endpoint.tls:
            return None
        ca_file = str(endpoint.ca_file) if endpoint.ca_file else ""
        if ca_file not in self._tls:
            self._tls[ca_file] = ssl.create_default_context(cafile=ca_file or None)
        return self._tls[ca_file]


def _account(endpoint: Endpoint, role: Role) -> Account | None:
    """The role's account; a broker that was given has one for all (the gate minds topics)."""
    return endpoint.accounts.get(role) or endpoint.accounts.get(Role.DAEMON)


async def _first_packet(socket: ServerConnection, splitter: Splitter) -> Packet:
    while True:
        for packet in splitter.feed(await _hear(socket)):
            return packet


async def _hear(socket: ServerConnection) -> bytes:
    data = await socket.recv()
    if isinstance(data, str):
        raise MalformedError("text instead of bytes")
    return data


async def _say(socket: ServerConnection, data: bytes) -> None:
    # Not `wait_for`: in Python 3.11 it may swallow a cancellation that comes as it succeeds.
    async with asyncio.timeout(SEND_S):
        await socket.send(data)


async def _up(session: Session, splitter: Splitter, writer: asyncio.StreamWriter) -> None:
    """From the phone to the broker. A phone that says nothing for 1.5 keepalives is gone."""
    loop = asyncio.get_running_loop()
    deadline_s = 0.0
    data = b""  # what came along with the CONNECT is in the splitter already
    while True:
        for packet in splitter.feed(data):
            session.check(packet)
            writer.write(packet.raw)
            deadline_s = 0.0
            if packet.kind is Kind.DISCONNECT:
                raise EndedError(NORMAL, "")
        async with asyncio.timeout(SEND_S):
            await writer.drain()
        deadline_s = deadline_s or loop.time() + 1.5 * session.keepalive_s
        async with asyncio.timeout_at(deadline_s):
            data = await _hear(session.socket)


async def _down(session: Session, reader: asyncio.StreamReader) -> None:
    """From the broker to the phone, never more than it takes in time."""
    splitter = Splitter(_MAX_FROM_BROKER)
    while data := await reader.read(MAX_PACKET):
        out = []
        for packet in splitter.feed(data):
            if packet.kind is Kind.CONNACK and connack_code(packet) in LOGIN_REFUSED:
                # The daemon's account is refused: that must not look like a phone not paired.
                raise EndedError(TRY_LATER, "the broker refuses the account")
            if session.wanted(packet):
                out.append(packet.raw)
        if out:
            await _say(session.socket, b"".join(out))
    raise EndedError(TRY_LATER, "the broker closed the line")


async def _first_of(*work: Coroutine[Any, Any, None]) -> None:
    """Run all until the first one ends, then end the others; raises what the first one raised."""
    tasks = [asyncio.create_task(one) for one in work]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
