"""The little of MQTT 3.1.1 and 5 that the gate has to read: packet bounds, CONNECT, topics.

Owns the bytes, by the OASIS standards (section numbers are those of MQTT 5.0 unless said). Knows no
socket, no account, and not who may do what.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum

V311, V5 = 4, 5
"""Protocol levels (3.1.2.2)."""


class Kind(IntEnum):
    """Packet types (2.1.2)."""

    CONNECT = 1
    CONNACK = 2
    PUBLISH = 3
    PUBACK = 4
    PUBREC = 5
    PUBREL = 6
    PUBCOMP = 7
    SUBSCRIBE = 8
    SUBACK = 9
    UNSUBSCRIBE = 10
    UNSUBACK = 11
    PINGREQ = 12
    PINGRESP = 13
    DISCONNECT = 14
    AUTH = 15


FROM_CLIENT = frozenset(
    {
        Kind.PUBLISH,
        Kind.PUBACK,
        Kind.PUBREC,
        Kind.PUBREL,
        Kind.PUBCOMP,
        Kind.SUBSCRIBE,
        Kind.UNSUBSCRIBE,
        Kind.PINGREQ,
        Kind.DISCONNECT,
    }
)
"""What a client may send once it is connected; a second CONNECT is an error (3.1)."""

_FLAGS_TWO = frozenset({Kind.PUBREL, Kind.SUBSCRIBE, Kind.UNSUBSCRIBE})
NOT_AUTHORISED = {V311: 5, V5: 0x87}
WRONG_VERSION = {V311: 1, V5: 0x84}
LOGIN_REFUSED = frozenset({4, 5, 0x86, 0x87, 0x8A, 0x8C})
"""Codes of a CONNACK by which a broker refuses an account (3.2.2.2; 3.1.1: table 3.1)."""


class MalformedError(ValueError):
    """Bytes that are no MQTT, or not what may come here; the text says which, for the log."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One whole packet: its type, the four flags, what follows the fixed header, and all of it."""

    kind: Kind
    flags: int
    body: bytes
    raw: bytes


@dataclass(frozen=True, slots=True)
class Connect:
    """What a CONNECT asks for, as far as anybody here cares."""

    level: int
    keepalive_s: int
    user: str | None
    password: str | None = field(repr=False)


@dataclass(frozen=True, slots=True)
class Publish:
    """The head of a PUBLISH."""

    topic: str
    qos: int
    retain: bool


class Splitter:
    """Cuts a stream into packets, however it was chopped up on the way."""

    def __init__(self, limit: int) -> None:
        """`limit` is the longest packet in bytes, its header included."""
        self._limit = limit
        self._rest = bytearray()

    def feed(self, data: bytes) -> Iterator[Packet]:
        """Give the packets that are complete now, one by one: a reader may stop at any of them.

        What was not taken is given by the next call. Raises MalformedError for what can become no
        packet.
        """
        self._rest += data
        while (packet := self._take()) is not None:
            yield packet

    def _take(self) -> Packet | None:
        head = _fixed_header(self._rest)
        if head is None:
            return None
        start, length = head
        if start + length > self._limit:
            raise MalformedError(f"a packet of {start + length} bytes")
        kind, flags = _kind(self._rest[0])
        if len(self._rest) < start + length:
            return None
        raw = bytes(self._rest[: start + length])
        del self._rest[: start + length]
        return Packet(kind, flags, raw[start:], raw)


def _fixed_header(data: bytearray) -> tuple[int, int] | None:
    """Where the body starts and how long it is (2.1); None while that cannot be said yet."""
    length = 0
    for index in range(1, 5):
        if index >= len(data):
            return None
        length |= (data[index] & 0x7F) << (7 * (index - 1))
        if not data[index] & 0x80:
            return index + 1, length
    raise MalformedError("a length of more than four bytes")


def _kind(first: int) -> tuple[Kind, int]:
    try:
        kind = Kind(first >> 4)
    except ValueError:
        raise MalformedError("packet type 0") from None
    flags = first & 0x0F
    if kind is Kind.PUBLISH:
        if flags & 0x06 == 0x06:
            raise MalformedError("quality of service 3")
    elif flags != (2 if kind in _FLAGS_TWO else 0):
        raise MalformedError(f"flags {flags} of packet type {kind.value}")
    return kind, flags


class _Reader:
    """Takes fields off a body, one after another."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    @property
    def more(self) -> bool:
        return self._at < len(self._body)

    def take(self, count: int) -> bytes:
        if self._at + count > len(self._body):
            raise MalformedError("a packet shorter than what it says is in it")
        self._at += count
        return self._body[self._at - count : self._at]

    def byte(self) -> int:
        return self.take(1)[0]

    def number(self) -> int:
        return int.from_bytes(self.take(2), "big")

    def binary(self) -> bytes:
        return self.take(self.number())

    def text(self) -> str:
        """A UTF-8 string (1.5.4): no surrogates, no U+0000."""
        try:
            text = self.binary().decode("utf-8")
        except UnicodeDecodeError:
            raise MalformedError("a string that is no UTF-8") from None
        if "\0" in text:
            raise MalformedError("a string with U+0000")
        return text

    def properties(self, level: int) -> None:
        """Pass over the properties, which only MQTT 5 has (2.2.2)."""
        if level != V5:
            return
        length = 0
        for shift in (0, 7, 14, 21):
            byte = self.byte()
            length |= (byte & 0x7F) << shift
            if not byte & 0x80:
                self.take(length)
                return
        raise MalformedError("a length of properties of more than four bytes")

    def end(self) -> None:
        if self.more:
            raise MalformedError("a packet longer than what it says is in it")


def parse_connect(packet: Packet) -> Connect:
    """Read a CONNECT (3.1). Its will, its properties and its client identifier are passed over.

    Raises MalformedError; for a version that is neither 3.1.1 nor 5 there is nothing but a level
    below those.
    """
    if packet.kind is not Kind.CONNECT:
        raise MalformedError("something else before the CONNECT")
    fields = _Reader(packet.body)
    name, level = fields.text(), fields.byte()
    if name not in ("MQTT", "MQIsdp"):
        raise MalformedError("another protocol")
    if name != "MQTT" or level not in (V311, V5):
        return Connect(level if level < V311 else 0, 0, None, None)
    flags, keepalive_s = fields.byte(), fields.number()
    _check_connect_flags(flags, level)
    fields.properties(level)
    fields.text()
    if flags & 0x04:
        fields.properties(level)
        fields.text()
        fields.binary()
    user = fields.text() if flags & 0x80 else None
    password = _password(fields.binary()) if flags & 0x40 else None
    fields.end()
    return Connect(level, keepalive_s, user, password)


def _check_connect_flags(flags: int, level: int) -> None:
    will, will_more = flags & 0x04, flags & 0x38
    if flags & 0x01 or (will_more and not will) or flags & 0x18 == 0x18:
        raise MalformedError("flags of the CONNECT")
    if level == V311 and flags & 0x40 and not flags & 0x80:
        raise MalformedError("a password without a user name")


def _password(given: bytes) -> str:
    """Our tokens are plain ASCII; whatever is not, is none of ours."""
    return given.decode("ascii", "replace")


def connect_bytes(
    level: int, client_id: str, keepalive_s: int, user: str | None, password: str | None
) -> bytes:
    """Write a CONNECT that asks for a fresh session and leaves no will."""
    flags = 0x02 | (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    body = text_bytes("MQTT") + bytes((level, flags)) + keepalive_s.to_bytes(2, "big")
    body += b"\0" if level == V5 else b""
    body += text_bytes(client_id)
    body += text_bytes(user) if user is not None else b""
    body += text_bytes(password) if password is not None else b""
    return bytes((Kind.CONNECT << 4,)) + length_bytes(len(body)) + body


def connack_refused(level: int, codes: dict[int, int]) -> bytes:
    """Write a CONNACK that refuses; what speaks neither version gets the older form."""
    body = bytes((0, codes[level], 0)) if level == V5 else bytes((0, codes[V311]))
    return bytes((Kind.CONNACK << 4, len(body))) + body


def connack_code(packet: Packet) -> int:
    """Return the code of a CONNACK, 0 where the client is let in."""
    fields = _Reader(packet.body)
    fields.byte()
    return fields.byte()


def parse_publish(packet: Packet) -> Publish:
    """Read the head of a PUBLISH (3.3). An MQTT 5 alias has no topic: the text is empty then."""
    topic = _Reader(packet.body).text()
    if "+" in topic or "#" in topic:
        raise MalformedError("a wildcard in a topic")
    return Publish(topic, packet.flags >> 1 & 3, bool(packet.flags & 1))


def parse_filters(packet: Packet, level: int) -> tuple[str, ...]:
    """Return the topic filters of a SUBSCRIBE or UNSUBSCRIBE (3.8, 3.10), at least one."""
    fields = _Reader(packet.body)
    fields.number()
    fields.properties(level)
    filters: list[str] = []
    while fields.more:
        filters.append(fields.text())
        if packet.kind is Kind.SUBSCRIBE:
            fields.byte()
    if not filters:
        raise MalformedError("no topic filter")
    return tuple(filters)


def text_bytes(text: str) -> bytes:
    """Write a text with its length before it (1.5.4)."""
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def length_bytes(length: int) -> bytes:
    """Write a length as a variable byte integer (1.5.5)."""
    out = bytearray()
    while True:
        length, byte = divmod(length, 128)
        out.append(byte | (0x80 if length else 0))
        if not length:
            return bytes(out)
