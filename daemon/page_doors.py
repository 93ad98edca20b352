"""The page's one port as connections: how many may stand there unknown, for how long, and who goes.

Owns limits on connections, most of all on those that have not shown a phone's token, and the
sharing of the loop's time among them. Knows no HTTP path and no MQTT.

Nobody is turned away for others' silence: when too many unknown ones stand at the door, the oldest
of the peer that has the most goes. A phone needs milliseconds to show its token. And nobody's
noise delays a cue: what comes in is taken in small pieces, one piece a turn of the loop, and who
sends more than any phone would is hung up on.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
from collections import Counter, deque
from typing import Any, cast

from websockets.asyncio.server import ServerConnection

MOST_UNKNOWN = 64
UNKNOWN_S = 20.0
"""Everything that needs no token (a page's file, pairing) is over by then."""

HANDSHAKE_S = 5.0
MOST_COMING = 160
COMING_PER_S = 32.0
"""So many connections a peer may open at once, and so many a second in the long run. A page with
all its files takes sixteen, and an impatient thumb may load it ten times in a row."""

AT_ONCE = 4
"""Connections that are accepted in one turn of the loop, at most; the others queue."""

QUEUE = 64

MOST_FRAMES_UNKNOWN = 256
MOST_FRAMES_A_SECOND = 1000
"""WebSocket frames: to show a token takes a dozen, a phone sends a handful a second."""

_PIECE = 1024
"""Bytes that are taken in one turn of the loop: a page's request, or at most 170 frames."""
_MOST_ASKED = 16 * 1024
"""Bytes of a request with its headers; a browser needs one or two thousand."""
_MOST_WAITING = 128 * 1024
"""Bytes that have come in and are not taken yet: twice the longest packet."""
_MOST_PEERS = 256
_METHOD_ENDS = 8

_REFUSED = (
    b"HTTP/1.1 405 Method Not Allowed\r\nAllow: GET, HEAD\r\nContent-Length: 0\r\n"
    b"Connection: close\r\n\r\n"
)


class Doors:
    """All open connections, and which of them are still unknown, the oldest first."""

    def __init__(self, most_unknown: int = MOST_UNKNOWN, tls: ssl.SSLContext | None = None) -> None:
        """With `tls` everybody has to speak it before anything else."""
        self.tls = tls
        self._most = most_unknown
        self._unknown: dict[Door, asyncio.TimerHandle] = {}
        self._came: dict[str, tuple[float, float]] = {}
        """How many have come from a peer, less those that time has forgiven, and as of when."""
        self._waiting: deque[Door] = deque()
        self.all: set[Door] = set()

    def came(self, door: Door) -> bool:
        """Take note of a new connection; another may have to go for it.

        False where its peer opens more than any phone would: then it is not taken.
        """
        loop = asyncio.get_running_loop()
        if not self._may_come(door.peer, loop.time()):
            return False
        self.all.add(door)
        self._unknown[door] = loop.call_later(UNKNOWN_S, door.abort)
        if len(self._unknown) > self._most:
            self._oldest_of_the_most().abort()
        return True

    def _may_come(self, peer: str, now_s: float) -> bool:
        count, at_s = self._came.pop(peer, (0.0, now_s))
        count = max(0.0, count - COMING_PER_S * (now_s - at_s))
        may = count < MOST_COMING
        self._came[peer] = (count + may, now_s)
        if len(self._came) > _MOST_PEERS:
            del self._came[next(iter(self._came))]
        return may

    def known(self, door: Door) -> None:
        """Let it stay as long as it likes: it has shown a token."""
        timer = self._unknown.pop(door, None)
        if timer is not None:
            timer.cancel()

    def is_known(self, door: Door) -> bool:
        """Whether it has shown a token."""
        return door not in self._unknown

    def went(self, door: Door) -> None:
        """Take note that it is gone."""
        self.known(door)
        self.all.discard(door)

    def abort_all(self) -> None:
        """Close every connection, without words."""
        for door in list(self.all):
            door.abort()

    def wait(self, door: Door) -> None:
        """Let this door take a piece of what has come in when it is its turn."""
        if not self._waiting:
            asyncio.get_running_loop().call_soon(self._next)
        self._waiting.append(door)

    def _next(self) -> None:
        door = self._waiting.popleft()
        if self._waiting:
            asyncio.get_running_loop().call_soon(self._next)
        if door.take_piece():
            self.wait(door)

    def _oldest_of_the_most(self) -> Door:
        count = Counter(door.peer for door in self._unknown)
        most = max(count.values())
        return next(door for door in self._unknown if count[door.peer] == most)


class Door(ServerConnection):
    """One connection. `doors` is set by the page; HEAD is served as a GET without a body."""

    doors: Doors
    peer = ""
    head_only = False
    _line: asyncio.Transport
    """What the peer is connected by, under the encryption if there is any."""
    _rest: bytearray
    """What has come in and is not taken yet."""
    _made = False
    _begun = False
    _head = b""
    _asked = 0
    _frames = 0
    _second = 0
    _wrapping: asyncio.Task[None] | None = None

    def abort(self) -> None:
        """Close it at once."""
        self._rest.clear()
        self.doors.went(self)
        self._line.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Be counted, then begin: with a handshake first where there is to be encryption."""
        self._rest = bytearray()
        self._line = cast(asyncio.Transport, transport)
        address = transport.get_extra_info("peername")
        self.peer = str(address[0]) if address else ""
        if not self.doors.came(self):
            self._line.abort()
        elif self.doors.tls is None:
            self._begin(self._line)
        else:
            self._wrapping = asyncio.create_task(self._wrap(self.doors.tls))

    async def _wrap(self, context: ssl.SSLContext) -> None:
        """Not by the listener: it counts nobody until the handshake is over."""
        loop, tls = asyncio.get_running_loop(), None
        with contextlib.suppress(OSError):
            tls = await loop.start_tls(
                self._line, self, context, server_side=True, ssl_handshake_timeout=HANDSHAKE_S
            )
        if tls is None:
            self.abort()
        else:
            self._begin(tls)

    def _begin(self, transport: asyncio.Transport) -> None:
        self._made = True
        super().connection_made(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        """Be counted no more."""
        self._rest.clear()
        self.doors.went(self)
        if self._made:
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Keep it until it is this door's turn; nobody sends so much at once for a good reason."""
        waiting = bool(self._rest)
        self._rest += data
        self._asked += len(data)
        endless = self.request is None and self._asked > _MOST_ASKED
        if endless or len(self._rest) > _MOST_WAITING:
            self.abort()
        elif not waiting:
            self.doors.wait(self)

    def eof_received(self) -> None:
        """What has come in before the end belongs before it."""
        while self._rest:
            self.take_piece()
        if self._made:
            super().eof_received()

    def take_piece(self) -> bool:
        """Take a piece of what has come in; whether there is more."""
        piece = bytes(self._rest[:_PIECE])
        del self._rest[:_PIECE]
        if piece and self._begun:
            super().data_received(piece)
        elif piece:
            self._look_at_method(piece)
        return bool(self._rest)

    def _look_at_method(self, piece: bytes) -> None:
        """The library below knows GET alone and is dumb to others."""
        self._head += piece
        method, blank, rest = self._head.partition(b" ")
        if not blank and len(self._head) < _METHOD_ENDS:
            return
        self._begun = True
        self.head_only = method == b"HEAD"
        if method not in (b"GET", b"HEAD"):
            self._rest.clear()
            self.transport.write(_REFUSED)
            self.transport.close()
            return
        super().data_received(b"GET " + rest)

    def process_event(self, event: Any) -> None:
        """Count the frames of a WebSocket: pings and empty ones cost time as well."""
        if self.request is not None:
            self._count_frame()
        super().process_event(event)

    def _count_frame(self) -> None:
        known, second = self.doors.is_known(self), int(self.loop.time())
        if known and second != self._second:
            self._second, self._frames = second, 0
        self._frames += 1
        if self._frames > (MOST_FRAMES_A_SECOND if known else MOST_FRAMES_UNKNOWN):
            self.abort()


def lengthen_queue(listener: int) -> None:
    """Let more wait at a listening socket than are accepted at once: for asyncio both are one."""
    with socket.socket(fileno=os.dup(listener)) as same:
        same.listen(QUEUE)


def doors_of(doors: Doors) -> type[Door]:
    """Return a class of connections that are counted at these doors."""
    attributes: dict[str, Any] = {"doors": doors}
    return type("CountedDoor", (Door,), attributes)
