"""One connection to an MQTT broker, used once: open, say, hear, drop, and what went wrong.

Owns the client library's pitfalls. Knows nothing of the bench or of when to try again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
import ssl
import threading
from typing import Any

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.broker_access import Endpoint, Role

KEEPALIVE_S = 12
"""A dead broker is noticed after twice this at the latest."""

SAY_S = 3.0
"""A broker that has not acknowledged by then is as good as gone."""

_HEARD_KEPT = 256
_WEIGHT_EXPIRES_S = 5
"""A weight older than this is of no use to anybody (MQTT 5 brokers drop it)."""

_BAD_LOGIN = {4, 5, 134, 135, 140, 138}
"""Reason codes of a CONNACK that another try with the same password will not change."""

_log = logging.getLogger("benchpour.mqtt")
_log.addHandler(logging.NullHandler())


class RefusedError(Exception):
    """The broker does not let us in, or does not let us do what we must."""


class LinkClient(aiomqtt.Client):
    """A client for one connection: after a loss the library's own object is not to be trusted."""

    denied = False
    dropped = False
    speaks_5 = False

    async def open(self) -> None:
        """Connect; raises RefusedError for a bad password, else MqttError or OSError."""
        try:
            await self.__aenter__()
            _heed_cancel()
        except MqttConnectError as error:
            self.drop()
            code = error.rc.value if isinstance(error.rc, ReasonCode) else error.rc
            if code in _BAD_LOGIN:
                raise RefusedError("login") from None
            raise
        except BaseException:
            self.drop()
            raise

    async def say(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        """Publish and, above QoS 0, wait for the broker's acknowledgement."""
        await self.publish(
            topic, payload, qos=qos, retain=retain, timeout=SAY_S, properties=self._expiry(qos)
        )
        _heed_cancel()
        if self.denied:
            raise RefusedError(topic)

    def _expiry(self, qos: int) -> Properties | None:
        if qos or not self.speaks_5:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = _WEIGHT_EXPIRES_S
        return properties

    async def hear(self, topic: str) -> None:
        """Subscribe with QoS 1; raises RefusedError where the broker says no."""
        codes = await self.subscribe(topic, qos=1, timeout=SAY_S)
        _heed_cancel()
        if any(getattr(code, "value", code) >= 128 for code in codes):
            raise RefusedError(topic)

    def drop(self) -> None:
        """Let go of the connection, whatever state it is in; waits for nothing."""
        self.dropped = True
        with contextlib.suppress(Exception):
            self._client.disconnect()
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()

    def _on_connect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        """A connection that came up after we let go of it would stay up unheeded."""
        if self.dropped:
            client.disconnect()
            return
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        """A broker that hangs up unanswered: the library would go on waiting for it."""
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError("hung up before it answered"))
        if not self._connected.cancelled():
            super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(
        self,
        client: Any,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Any,
    ) -> None:
        """An MQTT 5 broker says here that it threw the message away; the library ignores it."""
        if getattr(reason_code, "is_failure", False):
            self.denied = True
        super()._on_publish(client, userdata, mid, reason_code, properties)


def _heed_cancel() -> None:
    """Python 3.11's `wait_for`, in the library, forgets a cancel that meets the acknowledgement."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def new_client(
    endpoint: Endpoint, name: str, will: aiomqtt.Will | None = None, *, mqtt5: bool
) -> LinkClient:
    """Make a client for the daemon's account."""
    account = endpoint.accounts.get(Role.DAEMON)
    client = LinkClient(
        endpoint.host,
        endpoint.port,
        username=account.user if account else None,
        password=account.password if account else None,
        identifier=name,
        protocol=aiomqtt.ProtocolVersion.V5 if mqtt5 else aiomqtt.ProtocolVersion.V311,
        clean_session=None if mqtt5 else True,
        clean_start=True if mqtt5 else MQTT_CLEAN_START_FIRST_ONLY,
        will=will,
        keepalive=KEEPALIVE_S,
        timeout=SAY_S,
        max_queued_incoming_messages=_HEARD_KEPT,
        tls_params=_tls(endpoint),
        logger=_log,
    )
    client.speaks_5 = mqtt5
    return client


def _tls(endpoint: Endpoint) -> aiomqtt.TLSParameters | None:
    if not endpoint.tls:
        return None
    return aiomqtt.TLSParameters(ca_certs=str(endpoint.ca_file) if endpoint.ca_file else None)


async def try_broker(endpoint: Endpoint) -> str:
    """Connect once and let go; returns what is wrong and what to do, nothing where all is well."""
    said = ""
    for mqtt5 in (True, False) if endpoint.mqtt5 is None else (endpoint.mqtt5,):
        client = new_client(endpoint, f"benchpour-try-{secrets.token_hex(6)}", mqtt5=mqtt5)
        try:
            await reach(endpoint)
            await client.open()
        except (aiomqtt.MqttError, OSError, RefusedError) as error:
            said = sentence(error, endpoint)
        else:
            client.drop()
            return ""
    return said


async def reach(endpoint: Endpoint) -> None:
    """See that something listens there; raises OSError (a TimeoutError is one) where nothing does.

    The client library connects in a thread that cannot be cancelled: an address that swallows
    packets, or a name server that does, would hold the daemon up when it wants to end.
    """
    if endpoint.own:
        return
    error: OSError = OSError("no address")
    for family, kind, _, _, address in await _addresses(endpoint):
        with socket.socket(family, kind) as probe:
            probe.setblocking(False)
            try:
                async with asyncio.timeout(SAY_S):
                    await asyncio.get_running_loop().sock_connect(probe, address)
            except OSError as one:
                error = one
            else:
                return
    raise error


async def _addresses(endpoint: Endpoint) -> list[Any]:
    loop = asyncio.get_running_loop()
    found: asyncio.Future[list[Any]] = loop.create_future()

    def tell(answer: list[Any] | OSError) -> None:
        if found.done():
            return
        if isinstance(answer, OSError):
            found.set_exception(answer)
        else:
            found.set_result(answer)

    def look_up() -> None:
        answer: list[Any] | OSError
        try:
            answer = socket.getaddrinfo(endpoint.host, endpoint.port, type=socket.SOCK_STREAM)
        except OSError as error:
            answer = error
        # The loop may have ended meanwhile; then nobody waits any more.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(tell, answer)

    threading.Thread(target=look_up, name="mqtt-lookup", daemon=True).start()
    async with asyncio.timeout(SAY_S):
        return await found


def sentence(error: Exception, endpoint: Endpoint) -> str:
    """Say in one sentence what is wrong with the broker and what the person can do."""
    where = endpoint.url
    account = endpoint.accounts.get(Role.DAEMON)
    who = f"user {account.user!r}" if account else "a client without a password"
    if isinstance(error, RefusedError):
        what = str(error)
        if what == "login":
            return (
                f"The broker at {where} refuses {who}; check the user in the address and the "
                "password. Events are kept and sent once it is right."
            )
        return (
            f"The broker at {where} does not let {who} use {what}; check its access list. "
            "Events are kept and sent once it is right."
        )
    return f"The broker at {where} {_why(error)}; pouring goes on, events are kept and sent later."


def _why(error: Exception) -> str:
    text = str(error).lower()
    if isinstance(error, socket.gaierror) or "name or service" in text:
        return "is not known by that name"
    if isinstance(error, ConnectionRefusedError) or "refused" in text:
        return "does not answer (nothing listens there)"
    if isinstance(error, ssl.SSLError) or "ssl" in text or "certificate" in text:
        return "does not show a certificate that this machine trusts (see ca_file)"
    if isinstance(error, TimeoutError) or "timed out" in text:
        return "does not answer in time"
    if "unsupported protocol" in text:
        return "does not speak this version of MQTT"
    return "closed the connection or cannot be reached"
