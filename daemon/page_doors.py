"""The page's one port as connections: how many may stand there unknown, for how long, and who goes.

Owns limits on connections that have not shown a phone's token. Knows no HTTP path and no MQTT.

Nobody is turned away for others' silence: when too many unknown ones stand at the door, the oldest
of the peer that has the most goes. A phone needs milliseconds to show its token.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any

from websockets.asyncio.server import ServerConnection

MOST_UNKNOWN = 64
UNKNOWN_S = 20.0
"""Everything that needs no token (a page's file, pairing) is over by then."""

_METHOD_ENDS = 8
_MOST_ASKED = 16 * 1024
"""Bytes of a request with its headers; a browser needs one or two thousand."""

_REFUSED = (
    b"HTTP/1.1 405 Method Not Allowed\r\nAllow: GET, HEAD\r\nContent-Length: 0\r\n"
    b"Connection: close\r\n\r\n"
)


class Doors:
    """All open connections, and which of them are still unknown, the oldest first."""

    def __init__(self, most_unknown: int = MOST_UNKNOWN) -> None:
        self._most = most_unknown
        self._unknown: dict[Door, asyncio.TimerHandle] = {}
        self.all: set[Door] = set()

    def came(self, door: Door) -> None:
        """Take note of a new connection; another may have to go for it."""
        loop = asyncio.get_running_loop()
        self.all.add(door)
        self._unknown[door] = loop.call_later(UNKNOWN_S, door.abort)
        if len(self._unknown) > self._most:
            self._oldest_of_the_most().abort()

    def known(self, door: Door) -> None:
        """Let it stay as long as it likes: it has shown a token."""
        timer = self._unknown.pop(door, None)
        if timer is not None:
            timer.cancel()

    def went(self, door: Door) -> None:
        """Take note that it is gone."""
        self.known(door)
        self.all.discard(door)

    def abort_all(self) -> None:
        """Close every connection, without words."""
        for door in list(self.all):
            door.abort()

    def _oldest_of_the_most(self) -> Door:
        count = Counter(door.peer for door in self._unknown)
        most = max(count.values())
        return next(door for door in self._unknown if count[door.peer] == most)


class Door(ServerConnection):
    """One connection. `doors` is set by the page; HEAD is served as a GET without a body."""

    doors: Doors
    peer = ""
    head_only = False
    _begin = b""
    _begun = False
    _asked = 0

    def abort(self) -> None:
        """Close it at once."""
        self.doors.went(self)
        self.transport.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Be counted, then begin."""
        address = transport.get_extra_info("peername")
        self.peer = str(address[0]) if address else ""
        super().connection_made(transport)
        self.doors.came(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Be counted no more."""
        self.doors.went(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Look at the method first: the library below knows GET alone and is dumb to others."""
        self._asked += len(data)
        if self.request is None and self._asked > _MOST_ASKED:
            self.abort()
            return
        if self._begun:
            super().data_received(data)
            return
        self._begin += data
        method, blank, rest = self._begin.partition(b" ")
        if not blank and len(self._begin) < _METHOD_ENDS:
            return
        self._begun = True
        self.head_only = method == b"HEAD"
        if method not in (b"GET", b"HEAD"):
            self.transport.write(_REFUSED)
            self.transport.close()
            return
        super().data_received(b"GET " + rest)


def doors_of(doors: Doors) -> type[Door]:
    """Return a class of connections that are counted at these doors."""
    attributes: dict[str, Any] = {"doors": doors}
    return type("CountedDoor", (Door,), attributes)
