"""The one port: the phone page's files, `/healthz`, `/pair`, and `/mqtt`, the gate to the broker.

Owns the listening, who may ask, and what `benchpour phone` asks of the running daemon. Knows
nothing of what the bench says: that goes through the gate.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import ssl
from collections.abc import AsyncIterator, Callable
from http import HTTPStatus
from typing import Any

from websockets.asyncio.server import Server, ServerConnection
from websockets.asyncio.server import serve as listen
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response
from websockets.typing import Subprotocol

from daemon import config as settings
from daemon.broker_access import Endpoint
from daemon.clock import Clock, Ticks
from daemon.gate import MAX_PACKET, Gate
from daemon.messages import rfc3339
from daemon.page_doors import AT_ONCE, Door, Doors, doors_of, lengthen_queue
from daemon.page_files import answer, plain
from daemon.page_host import is_loopback, is_ours, is_same_origin, shown_host
from daemon.page_qr import qr_lines
from daemon.pairing import CODE_LIVES_S, CodeState, Invitation, PairingError, PhoneRole, spaced
from daemon.pairing_store import Pairing

OPEN_S = 10.0
PAIR_S = 5.0
WAIT_S = 8.0
"""How long a command waits at a time for a phone to use its code."""

_EVERYWHERE = "0.0.0.0"
_CLOSE_S = 3.0
_END_S = 0.5
_MOST_PAIR_CHARS = 2048
_SOCKETS = ("/mqtt", "/pair")

_log = logging.getLogger("benchpour.page")
_log.addHandler(logging.NullHandler())
_log.propagate = False

Health = Callable[[], dict[str, Any]]


class PageError(Exception):
    """The page cannot be served as it was asked for; the text says why and what to do."""


class Page:
    """The phone page of one bench. Serves while `serve` lasts."""

    def __init__(
        self,
        config: settings.Phone,
        pairing: Pairing,
        endpoint_of: Callable[[], Endpoint | None],
        health: Health,
        bench: str,
        *,
        tls: ssl.SSLContext | None = None,
        clock: Ticks | None = None,
    ) -> None:
        """`health` gives `{"ok": true}`, or `ok` false and a sentence for each thing that is not.

        `endpoint_of` gives the broker in use, or None while there is none.
        """
        self._config = config
        self._pairing = pairing
        self._health = health
        self._bench = bench
        self._tls = tls
        self._clock = clock or Clock()
        self._doors = Doors(tls=tls)
        self._gate = Gate(pairing, endpoint_of, self._known)
        self._server: Server | None = None
        self._address = config.address
        self.port = config.port
        self._invitation: Invitation | None = None
        self._waiting: asyncio.Task[None] | None = None
        pairing.on_forget = self._gate.cut

    @property
    def serving(self) -> bool:
        """Whether somebody listens on the port."""
        return self._server is not None

    @property
    def url(self) -> str:
        """The page's address, as a phone is to open it."""
        scheme = "http" if self._tls is None else "https"
        return f"{scheme}://{shown_host(self._address)}:{self.port}/"

    @property
    def phones(self) -> tuple[str, ...]:
        """The names of the phones that are connected."""
        return self._gate.names

    @property
    def note(self) -> str:
        """One phrase for the bench's screen: who is connected, else where the page is."""
        return f"phone: {', '.join(self.phones) or self.url}"

    @property
    def invitation(self) -> Invitation | None:
        """What the bench's own screen shows for as long as a phone may be paired by it."""
        return self._invitation if self._pairing.seconds_left() else None

    @contextlib.asynccontextmanager
    async def serve(self) -> AsyncIterator[None]:
        """Serve for as long as the context lasts; nothing where the settings say `off`.

        Raises PageError where the port cannot be had.
        """
        if self._config.off:
            yield
            return
        if is_loopback(self._address) and self._pairing.book.open_to_network:
            self._address = _EVERYWHERE
        self._server = await self._listen(self._address)
        try:
            yield
        finally:
            if self._waiting is not None:
                self._waiting.cancel()
            server, self._server = self._server, None
            if server is not None:
                server.close()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_END_S):
                        await asyncio.shield(server.wait_closed())
            self._doors.abort_all()

    async def _listen(self, address: str) -> Server:
        try:
            server = await listen(
                self._talk,
                address,
                self.port,
                process_request=self._asked,
                select_subprotocol=_subprotocol,
                compression=None,
                server_header=None,
                open_timeout=OPEN_S,
                # MQTT's own keepalive does this work.
                ping_interval=None,
                close_timeout=_CLOSE_S,
                max_size=MAX_PACKET,
                max_queue=8,
                logger=_log,
                create_connection=doors_of(self._doors),
                backlog=AT_ONCE,
            )
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            raise PageError(
                f"The phone page cannot listen on {address}, port {self.port} ({why}); "
                "pouring goes on without it. Set another address or port under [phone], or stop "
                "what has this one."
            ) from None
        for one in server.sockets:
            lengthen_queue(one.fileno())
        self.port = next(iter(server.sockets)).getsockname()[1]
        return server

    async def _open_to_network(self) -> bool:
        """Listen on the network if only the loopback was listened on so far; whether it was.

        Raises PageError, and goes on as before then.
        """
        if self._server is None or not is_loopback(self._address):
            return False
        server, self._server = self._server, None
        server.close(close_connections=False)
        try:
            self._server = await self._listen(_EVERYWHERE)
        except PageError:
            self._server = await self._listen(self._address)
            raise
        self._address = _EVERYWHERE
        return True

    async def _shut_the_network_out(self, code: str | None = None) -> None:
        """Listen on the loopback alone again, once no phone is paired and no code is open.

        With a `code`, that one is waited for first.
        """
        if code is not None:
            await self._pairing.became_of(code, CODE_LIVES_S + 1.0)
        wanted = bool(self._pairing.book.phones) or self._pairing.seconds_left() > 0
        if wanted or self._server is None or is_loopback(self._address):
            return
        if not is_loopback(self._config.address):
            return
        server, self._server = self._server, None
        server.close()
        self._address = self._config.address
        try:
            self._server = await self._listen(self._address)
        except PageError as error:
            _log.warning("%s", error)

    # --- what comes in through the port ---------------------------------------------------------

    def _known(self, socket: ServerConnection) -> None:
        if isinstance(socket, Door):
            self._doors.known(socket)

    def _asked(self, connection: ServerConnection, request: Request) -> Response | None:
        """Answer a request with a file, or let a WebSocket through by returning None."""
        head_only = isinstance(connection, Door) and connection.head_only
        path = request.path.partition("?")[0]
        host, origin = _only(request.headers, "Host"), _only(request.headers, "Origin")
        if host is None or not is_ours(host, (self._config.address,)):
            text = "This page is not known by that name. Open it by its address.\n"
            return plain(HTTPStatus.MISDIRECTED_REQUEST, text, head_only=head_only)
        if path in _SOCKETS:
            return self._let_through(path, host, origin, request.headers, head_only)
        if path == "/healthz":
            near = isinstance(connection, Door) and is_loopback(connection.peer)
            return self._healthz(near, head_only)
        return answer(path, request.headers, host, head_only=head_only)

    def _let_through(
        self, path: str, host: str, origin: str | None, headers: Headers, head_only: bool
    ) -> Response | None:
        if head_only or not is_same_origin(origin, host):
            text = "That is for this bench's own page alone.\n"
            return plain(HTTPStatus.FORBIDDEN, text, head_only=head_only)
        offered = ",".join(headers.get_all("Sec-WebSocket-Protocol")).split(",")
        if path == "/mqtt" and "mqtt" not in (one.strip() for one in offered):
            text = "Only the WebSocket subprotocol mqtt is spoken here.\n"
            return plain(HTTPStatus.BAD_REQUEST, text, head_only=head_only)
        return None

    def _healthz(self, near: bool, head_only: bool) -> Response:
        found = self._health()
        if not near:
            # What is not well, yes; ports, addresses and user names are nobody's business.
            found = {name: said if name == "ok" else "not well" for name, said in found.items()}
        status = HTTPStatus.OK if found.get("ok") is True else HTTPStatus.SERVICE_UNAVAILABLE
        response = plain(
            status, json.dumps(found) + "\n", type_="application/json", head_only=head_only
        )
        # The page sets its clocks by this: a phone's own clock may be minutes off.
        wall_s = self._clock.now_s() + self._clock.wall_offset_us() / 1e6
        response.headers["Bench-Time"] = rfc3339(wall_s)
        return response

    async def _talk(self, socket: ServerConnection) -> None:
        path = socket.request.path.partition("?")[0] if socket.request is not None else ""
        if path == "/mqtt":
            await self._gate.serve(socket)
            return
        with contextlib.suppress(ConnectionClosed, TimeoutError, OSError):
            async with asyncio.timeout(PAIR_S):
                asked = await socket.recv()
            await socket.send(json.dumps(await self._pair(asked), ensure_ascii=False))

    async def _pair(self, asked: str | bytes) -> dict[str, Any]:
        try:
            found: Any = json.loads(asked) if len(asked) <= _MOST_PAIR_CHARS else None
            code, name = str(found["code"]), str(found["name"])
        except (ValueError, TypeError, KeyError, RecursionError):
            return {"error": 'The first message is {"code": "…", "name": "…"}.'}
        try:
            paired = await self._pairing.pair(code, name)
        except PairingError as error:
            return {"error": str(error)}
        return {
            "bench": self._bench,
            "name": paired.name,
            "token": paired.token,
            "role": paired.role.value,
        }

    # --- what `benchpour phone` asks ------------------------------------------------------------

    async def handle_phone(self, request: dict[str, Any]) -> dict[str, Any]:
        """Answer `{"phone": "pair" | "waited" | "list" | "forget", …}` from the control socket.

        Every answer has `ok`, and `error` (one sentence) where it is false.
        """
        asked = str(request.get("phone"))
        try:
            if asked == "pair":
                return await self._open_code(str(request.get("role", PhoneRole.CONTROL)))
            if asked == "waited":
                return await self._waited(str(request.get("code")))
            if asked == "list":
                return {"ok": True, "phones": self._listed()}
            if asked == "forget":
                return await self._forget(str(request.get("name")))
        except (PairingError, PageError) as error:
            return {"ok": False, "error": str(error)}
        return {"ok": False, "error": "phone is one of pair, waited, list, forget."}

    async def _open_code(self, role: str) -> dict[str, Any]:
        if role not in (PhoneRole.WATCH, PhoneRole.CONTROL):
            raise PairingError(f"A phone's role is watch or control, not {role[:40]}.")
        if not self.serving:
            raise PairingError(
                "The phone page is not served here: set off = false and a free port under [phone] "
                "in the settings, and start the daemon again."
            )
        opened = await self._open_to_network()
        if opened:
            await self._pairing.remember_opened()
        code = await self._pairing.open_code(PhoneRole(role))
        if self._waiting is not None:
            self._waiting.cancel()
        self._waiting = asyncio.create_task(self._shut_the_network_out(code.text))
        url = f"{self.url}#pair={code.text}"
        # Drawing it takes a while, and a cue must not wait for it.
        qr = tuple(await asyncio.to_thread(qr_lines, url))
        self._invitation = Invitation(qr, self.url, spaced(code.text))
        return {
            "ok": True,
            "code": spaced(code.text),
            "url": url,
            "role": role,
            "seconds": round(CODE_LIVES_S),
            "opened": opened,
        }

    async def _waited(self, shown: str) -> dict[str, Any]:
        code = await self._pairing.became_of(shown.replace("-", ""), WAIT_S)
        if code is None:
            raise PairingError("No such code was given out by this daemon.")
        return {
            "ok": True,
            "state": code.state.value,
            "name": code.paired,
            "over": code.state is not CodeState.OPEN,
        }

    def _listed(self) -> list[dict[str, Any]]:
        return [
            {
                "name": phone.name,
                "role": phone.role.value,
                "paired_at": phone.paired_at,
                "connected": phone.name in self.phones,
            }
            for phone in self._pairing.book.phones
        ]

    async def _forget(self, name: str) -> dict[str, Any]:
        if await self._pairing.forget(name):
            await self._shut_the_network_out()
            return {"ok": True, "name": name}
        return {"ok": False, "error": f"No paired phone is called {name[:64]}."}


def _only(headers: Headers, name: str) -> str | None:
    """The value of a header; one that is given twice, which no browser does, fits nothing."""
    values = headers.get_all(name)
    return ",".join(values) if values else None


def _subprotocol(_: ServerConnection, offered: Any) -> Subprotocol | None:
    return Subprotocol("mqtt") if "mqtt" in offered else None
