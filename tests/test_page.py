"""The one port: files, health, hosts and origins, pairing by socket and by command."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gzip
import json
import re
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from daemon import cli_phone, control, page_host
from daemon import config as settings
from daemon.broker_access import HOST
from daemon.clock import HandClock
from daemon.outlets import _no_page
from daemon.page import Page, PageError
from daemon.page_doors import Door, Doors
from daemon.page_files import FOLDER, files
from daemon.page_host import is_loopback, is_ours, is_same_origin, shown_host
from daemon.page_qr import qr_lines
from daemon.pairing import CODE_LIVES_S, Phone, PhoneRole
from daemon.pairing_store import FILE_NAME, Pairing, load_book, save_book
from tests.browser.floor import any_port, until
from tools import refresh_web


@dataclass
class Answer:
    """What came back: status, headers in small letters, body."""

    status: int
    headers: dict[str, str]
    body: bytes


class Served:
    """A page without a broker, with a clock and a health that a test sets."""

    def __init__(self, folder: Path, **config: Any) -> None:
        self.clock = HandClock()
        self.pairing = Pairing(folder, self.clock)
        self.health: dict[str, Any] = {"ok": True}
        given: dict[str, Any] = {"address": HOST, "port": any_port()} | config
        phone = settings.Phone(**given)
        self.page = Page(
            phone, self.pairing, lambda: None, lambda: self.health, "bench", clock=self.clock
        )

    async def ask(self, path: str, method: str = "GET", **headers: str) -> Answer:
        given = {"Host": f"{HOST}:{self.page.port}"} | {
            name.replace("_", "-"): value for name, value in headers.items()
        }
        lines = [f"{method} {path} HTTP/1.1", *(f"{n}: {v}" for n, v in given.items() if v), "", ""]
        return await self.ask_raw("\r\n".join(lines).encode())

    async def ask_raw(self, request: bytes) -> Answer:
        reader, writer = await asyncio.open_connection(HOST, self.page.port)
        try:
            writer.write(request)
            async with asyncio.timeout(5):
                head, _, body = (await reader.read()).partition(b"\r\n\r\n")
        finally:
            writer.transport.abort()
        first, *rest = head.decode().split("\r\n")
        pairs = (line.split(": ", 1) for line in rest)
        return Answer(int(first.split()[1]), {n.lower(): v for n, v in pairs}, body)

    async def pair(self, message: str | bytes) -> dict[str, Any]:
        async with connect(f"ws://{HOST}:{self.page.port}/pair", compression=None) as line:
            await line.send(message)
            found: dict[str, Any] = json.loads(await line.recv())
            return found


@pytest.fixture
async def served(tmp_path: Path) -> AsyncIterator[Served]:
    made = Served(tmp_path)
    async with made.page.serve():
        yield made


# --- files --------------------------------------------------------------------------------------


async def test_the_front_page_comes_packed_and_with_strict_headers(served: Served) -> None:
    found = await served.ask("/", Accept_Encoding="br;q=1, gzip")
    assert found.status == 200
    assert found.headers["content-type"] == "text/html; charset=utf-8"
    assert found.headers["content-encoding"] == "gzip"
    assert gzip.decompress(found.body) == (FOLDER / "index.html").read_bytes()
    policy = found.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
    assert f"ws://{HOST}:{served.page.port}" in policy
    assert "unsafe" not in policy
    assert found.headers["x-content-type-options"] == "nosniff"
    assert found.headers["referrer-policy"] == "no-referrer"
    assert "server" not in found.headers


async def test_who_cannot_unpack_gets_it_plain(served: Served) -> None:
    found = await served.ask("/app.js")
    assert "content-encoding" not in found.headers
    assert found.body == (FOLDER / "app.js").read_bytes()
    assert int(found.headers["content-length"]) == len(found.body)


async def test_what_the_phone_has_is_not_sent_again(served: Served) -> None:
    tag = (await served.ask("/style.css")).headers["etag"]
    again = await served.ask("/style.css", If_None_Match=f'"other", W/{tag}')
    assert (again.status, again.body) == (304, b"")
    assert (await served.ask("/style.css", If_None_Match='"other"')).status == 200


async def test_a_head_has_no_body_and_other_methods_are_refused(served: Served) -> None:
    head = await served.ask("/", "HEAD")
    assert (head.status, head.body) == (200, b"")
    assert int(head.headers["content-length"]) > 1000
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "X" * 40):
        refused = await served.ask("/", method)
        assert (refused.status, refused.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize(
    "path", ["/nothing", "/../page.py", "/%2e%2e/page.py", "//", "/phones.json", "/index.html"]
)
async def test_nothing_else_is_served(served: Served, path: str) -> None:
    assert (await served.ask(path)).status == 404


MANY = b"GET / HTTP/1.1\r\n" + b"".join(b"X-%d: %s\r\n" % (n, b"y" * 4000) for n in range(9))


async def test_a_request_that_is_none_does_no_harm(served: Served) -> None:
    for raw in (b"\x16\x03\x01\x02", b"GET\r\n\r\n", b"GET / HTTP/1.1\r\nHost" + b"x" * 9000, MANY):
        reader, writer = await asyncio.open_connection(HOST, served.page.port)
        writer.write(raw)
        writer.write_eof()
        async with asyncio.timeout(5):
            with contextlib.suppress(ConnectionError):
                assert b"200" not in await reader.read()
        writer.transport.abort()
    assert (await served.ask("/healthz")).status == 200


def test_the_page_asks_for_its_own_files_alone() -> None:
    own = {path.removeprefix("/") for path in files()} | {""}
    names = set()
    for path in FOLDER.iterdir():
        if path.suffix not in {".html", ".js", ".css", ".webmanifest"}:
            continue
        text = path.read_text(encoding="utf-8")
        addresses = re.findall(r"(?:https?:)?//[\w-]+\.[\w.-]+", text)
        assert [one for one in addresses if "www.w3.org" not in one] == [], path.name
        names |= set(re.findall(r'(?:src|href)="([^"#:]+)"', text))
        names |= {one.removeprefix("./") for one in re.findall(r'from "(\./[^"]+)"', text)}
        assert not re.search(r"style=\"|\son\w+=\"|innerHTML\s*=[^=]", text), path.name
    assert names <= own


def test_what_is_vendored_is_what_its_manifest_says() -> None:
    assert refresh_web.check() == ""
    said = json.loads(refresh_web.MANIFEST.read_text())
    assert set(said) >= {"package", "version", "licence", "sha256", "date"}


# --- health -------------------------------------------------------------------------------------


async def test_health_is_ok_or_says_what_is_not(served: Served) -> None:
    good = await served.ask("/healthz")
    assert (good.status, json.loads(good.body)) == (200, {"ok": True})
    assert good.headers["bench-time"] == "2026-01-01T00:00:00.000Z"
    assert good.headers["cache-control"] == "no-store"
    served.health = {"ok": False, "scale": "lost"}
    bad = await served.ask("/healthz")
    assert (bad.status, json.loads(bad.body)) == (503, {"ok": False, "scale": "lost"})


async def test_strangers_hear_what_is_not_well_and_no_more(served: Served) -> None:
    """Ports, addresses and user names in the sentences are for this machine alone."""
    served.health = {"ok": False, "broker": "The broker at mqtt://192.0.2.1 refuses user 'x'."}
    shown = await served.page.handle_phone({"phone": "pair"})
    assert shown["opened"]
    near = await served.ask("/healthz")
    assert "192.0.2.1" in near.body.decode()
    response = served.page._healthz(False, False)
    assert (response.status_code, json.loads(response.body)) == (
        503,
        {"ok": False, "broker": "not well"},
    )


# --- whose page this is -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "ours"),
    [
        ("192.168.1.20:8787", True),
        ("[fd00::1]:8787", True),
        ("localhost:8787", True),
        ("bench-pi", True),
        ("BENCH-PI.local:8787", True),
        ("bench-pi.lan.", True),
        ("bench-pi.home.arpa:1", True),
        ("bench-pi.example.com", False),
        ("evil.example", False),
        ("other.local", False),
        ("192.168.1.20.example.com", False),
        ("user@192.168.1.20", False),
        ("", False),
        ("a b", False),
        ("bench-pi:http", False),
    ],
)
def test_a_name_that_somebody_else_can_own_is_not_ours(
    monkeypatch: pytest.MonkeyPatch, host: str, ours: bool
) -> None:
    monkeypatch.setattr(page_host.socket, "gethostname", lambda: "bench-pi")
    assert is_ours(host) is ours
    assert is_ours("pour.example", ("pour.example",))


def test_where_the_page_is_shown_and_who_reaches_it() -> None:
    assert is_loopback("127.0.0.1") and is_loopback("::1") and is_loopback("localhost")
    assert not is_loopback("0.0.0.0") and not is_loopback("bench.example")
    assert shown_host("192.168.1.20") == "192.168.1.20"
    assert shown_host("fd00::1") == "[fd00::1]"
    assert shown_host("0.0.0.0")
    assert is_same_origin(None, "a:1") and is_same_origin("http://A:1", "a:1")
    assert not is_same_origin("null", "a:1") and not is_same_origin("http://a:2", "a:1")


@pytest.mark.parametrize("host", ["evil.example", "", "a, b"])
async def test_a_page_that_points_its_name_here_gets_nothing(served: Served, host: str) -> None:
    for path in ("/", "/healthz", "/mqtt", "/pair"):
        assert (await served.ask(path, Host=host)).status == 421


async def test_a_host_given_twice_gets_nothing(served: Served) -> None:
    twice = f"GET / HTTP/1.1\r\nHost: {HOST}\r\nHost: {HOST}\r\n\r\n"
    assert (await served.ask_raw(twice.encode())).status == 421


@pytest.mark.parametrize("path", ["/mqtt", "/pair"])
@pytest.mark.parametrize("origin", ["http://evil.example", "null", f"http://{HOST}:1"])
async def test_a_socket_is_for_this_page_alone(served: Served, path: str, origin: str) -> None:
    address = f"ws://{HOST}:{served.page.port}{path}"
    with pytest.raises(InvalidStatus) as refused:
        await connect(address, origin=origin, subprotocols=["mqtt"])  # type: ignore[arg-type,list-item]
    assert refused.value.response.status_code == 403


async def test_mqtt_is_the_only_subprotocol(served: Served) -> None:
    for more in ({}, {"subprotocols": ["mqttx"]}):
        with pytest.raises(InvalidStatus) as refused:
            await connect(f"ws://{HOST}:{served.page.port}/mqtt", **more)  # type: ignore[arg-type]
        assert refused.value.response.status_code == 400
    assert (await served.ask("/mqtt", Sec_WebSocket_Protocol="mqtt")).status == 426


# --- pairing ------------------------------------------------------------------------------------


async def test_a_code_by_command_a_token_by_socket(served: Served) -> None:
    shown = await served.page.handle_phone({"phone": "pair", "role": "watch"})
    assert re.fullmatch(r"[A-Z2-9]{4}-[A-Z2-9]{4}", shown["code"])
    assert shown["url"].endswith(f"#pair={shown['code'].replace('-', '')}")
    paired = await served.pair(json.dumps({"code": shown["code"], "name": "bench phone"}))
    assert (paired["bench"], paired["name"], paired["role"]) == ("bench", "bench phone", "watch")
    assert served.pairing.admitted("bench phone", paired["token"]) is not None
    waited = await served.page.handle_phone({"phone": "waited", "code": shown["code"]})
    assert (waited["state"], waited["name"], waited["over"]) == ("used", "bench phone", True)
    again = await served.pair(json.dumps({"code": shown["code"], "name": "other"}))
    assert set(again) == {"error"}


@pytest.mark.parametrize(
    "message",
    [
        "",
        "nonsense",
        "[]",
        "{}",
        '{"code": "ABCD"}',
        b"\xff\xfe",
        "[" * 2000,
        '{"a": "' + "x" * 5000,
    ],
)
async def test_a_first_message_that_is_none_is_answered_with_an_error(
    served: Served, message: str | bytes
) -> None:
    await served.page.handle_phone({"phone": "pair"})
    assert set(await served.pair(message)) == {"error"}
    assert served.pairing.seconds_left() > 0


async def test_five_wrong_codes_from_anywhere_end_it(served: Served) -> None:
    shown = await served.page.handle_phone({"phone": "pair"})
    for number in range(5):
        assert set(await served.pair(json.dumps({"code": f"{number}", "name": "x"}))) == {"error"}
    late = await served.pair(json.dumps({"code": shown["code"], "name": "x"}))
    assert "has ended" in late["error"]
    waited = await served.page.handle_phone({"phone": "waited", "code": shown["code"]})
    assert waited["state"] == "guessed"


async def test_a_code_is_late_after_five_minutes(served: Served) -> None:
    shown = await served.page.handle_phone({"phone": "pair"})
    served.clock.advance(CODE_LIVES_S)
    assert "error" in await served.pair(json.dumps({"code": shown["code"], "name": "x"}))
    waited = await served.page.handle_phone({"phone": "waited", "code": shown["code"]})
    assert (waited["state"], waited["over"]) == ("late", True)


async def test_a_command_that_is_none_is_answered(served: Served) -> None:
    for request in (
        {"phone": "dance"},
        {"phone": "pair", "role": "daemon"},
        {"phone": "forget", "name": "nobody"},
        {"phone": "waited", "code": "ABCD-EFGH"},
    ):
        found = await served.page.handle_phone(request)
        assert found["ok"] is False
        assert found["error"].endswith(".")


async def test_pairing_opens_the_page_to_the_network_until_the_last_phone_is_forgotten(
    tmp_path: Path,
) -> None:
    first = Served(tmp_path)
    async with first.page.serve():
        port = first.page.port
        assert not await reached(port)
        shown = await first.page.handle_phone({"phone": "pair"})
        assert (shown["opened"], first.page.port) == (True, port)
        assert await reached(port)
        assert (await first.page.handle_phone({"phone": "pair"}))["opened"] is False
        shown = await first.page.handle_phone({"phone": "pair"})
    nobody_came = Served(tmp_path)
    async with nobody_came.page.serve():
        assert not await reached(nobody_came.page.port)
        shown = await nobody_came.page.handle_phone({"phone": "pair"})
        assert shown["opened"]
        await nobody_came.pair(json.dumps({"code": shown["code"], "name": "p"}))
    second = Served(tmp_path)
    async with second.page.serve():
        assert await reached(second.page.port)
        await second.page.handle_phone({"phone": "forget", "name": "p"})
        assert not await reached(second.page.port)
        assert (await second.ask("/healthz")).status == 200
    third = Served(tmp_path)
    async with third.page.serve():
        assert not await reached(third.page.port)


async def test_a_code_that_nobody_used_leaves_the_page_open_no_longer_than_it_lives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = Served(tmp_path)
    async with served.page.serve():
        shown = await served.page.handle_phone({"phone": "pair"})
        await served.page._shut_the_network_out()
        assert await reached(served.page.port)
        monkeypatch.setattr("daemon.page.CODE_LIVES_S", -1.0)
        served.clock.advance(CODE_LIVES_S)
        await served.page._shut_the_network_out(shown["code"].replace("-", ""))
        assert not await reached(served.page.port)
        assert (await served.ask("/healthz")).status == 200
        assert (await served.page.handle_phone({"phone": "pair"}))["opened"] is True


async def test_a_network_that_cannot_be_opened_leaves_the_page_as_it_was(served: Served) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.3", served.page.port))
        refused = await served.page.handle_phone({"phone": "pair"})
        assert "cannot listen on 0.0.0.0" in refused["error"]
    assert (await served.ask("/healthz")).status == 200
    assert (await served.page.handle_phone({"phone": "pair"}))["opened"] is True


async def reached(port: int) -> bool:
    """Whether somebody answers on an address that is not the one of the settings."""
    try:
        _, writer = await asyncio.open_connection("127.0.0.2", port)
    except OSError:
        return False
    writer.transport.abort()
    return True


async def test_a_port_that_is_taken_is_said_and_off_is_off(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        served = Served(tmp_path, port=taken.getsockname()[1])
        with pytest.raises(PageError, match="pouring goes on"):
            async with served.page.serve():
                pass
    off = Served(tmp_path, off=True)
    async with off.page.serve():
        assert not off.page.serving
        refused = await off.page.handle_phone({"phone": "pair"})
        assert "off = false" in refused["error"]
        assert (await off.page.handle_phone({"phone": "list"}))["phones"] == []


async def test_the_end_is_quick_whoever_is_still_connected(tmp_path: Path) -> None:
    served = Served(tmp_path)
    loop = asyncio.get_running_loop()
    async with served.page.serve():
        port = served.page.port
        lines = [await asyncio.open_connection(HOST, port) for _ in range(5)]
        await until(lambda: len(served.page._doors.all) == 5)
        began_s = loop.time()
    assert loop.time() - began_s < 1.9
    assert served.page._doors.all == set()
    for _, writer in lines:
        writer.transport.abort()


async def test_the_oldest_of_the_greediest_goes_first() -> None:
    doors, gone = Doors(most_unknown=3), []

    class Fake:
        def __init__(self, peer: str, name: str) -> None:
            self.peer, self.name = peer, name

        def abort(self) -> None:
            gone.append(self.name)
            doors.went(self)  # type: ignore[arg-type]

    def came(peer: str, name: str) -> Door:
        door: Any = Fake(peer, name)
        doors.came(door)
        made: Door = door
        return made

    one = came("a", "a1")
    for peer, name in (("b", "b1"), ("b", "b2"), ("c", "c1")):
        came(peer, name)
    assert gone == ["b1"]
    doors.known(one)
    came("d", "d1")
    assert gone == ["b1"]
    for door in list(doors.all):
        doors.went(door)
    assert doors.all == set()


# --- the command --------------------------------------------------------------------------------


def command(folder: Path, *words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--store")
    common.add_argument("--config")
    cli_phone.add_parsers(parser.add_subparsers(), common)
    return parser.parse_args(["phone", *words, "--store", str(folder)])


async def said(folder: Path, *words: str) -> int:
    args = command(folder, *words)
    status: int = await asyncio.to_thread(args.run, args)
    return status


async def test_phone_pair_shows_a_code_waits_and_says_who_it_was(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = ""

    def read() -> bool:
        nonlocal shown
        shown += capsys.readouterr().out
        return "commands" in shown or "may then" in shown

    async with control.serve(tmp_path, served.page.handle_phone):
        waiting = asyncio.create_task(said(tmp_path, "pair", "--role", "control"))
        await until(read)
        code = re.search(r"^  ([A-Z2-9]{4}-[A-Z2-9]{4})$", shown, re.MULTILINE)
        assert code is not None
        assert "█▀▀▀▀▀█" in shown or "█ ▄▄▄▄▄ █" in shown
        assert "until the last phone is forgotten" in shown
        assert "whoever listens" in shown
        await served.pair(json.dumps({"code": code[1], "name": "bench phone"}))
        assert await waiting == 0
        assert capsys.readouterr().out == "Paired: bench phone.\n"
        assert await said(tmp_path, "list") == 0
        assert capsys.readouterr().out.startswith("bench phone")
        assert await said(tmp_path, "list", "--json") == 0
        assert json.loads(capsys.readouterr().out)["connected"] is False
        assert await said(tmp_path, "forget", "bench phone") == 0
        assert served.pairing.book.phones == ()
        with pytest.raises(cli_phone.PhoneError, match="No paired phone"):
            await said(tmp_path, "forget", "bench phone")


async def test_phones_are_listed_and_forgotten_where_the_daemon_has_no_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    phone = Phone("bench phone", PhoneRole.WATCH, "00" * 32, "2026-01-01T00:00:00Z")
    save_book(tmp_path, load_book(tmp_path).with_phone(phone))
    async with control.serve(tmp_path, _no_page):
        with pytest.raises(cli_phone.PhoneError, match="off in the settings"):
            await said(tmp_path, "pair")
        assert await said(tmp_path, "list") == 0
        assert capsys.readouterr().out.startswith("bench phone")
        assert await said(tmp_path, "forget", "bench phone") == 0
    assert load_book(tmp_path).phones == ()


async def test_phone_pair_says_why_a_code_ended(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with control.serve(tmp_path, served.page.handle_phone):
        waiting = asyncio.create_task(said(tmp_path, "pair"))
        await until(lambda: served.pairing.seconds_left() > 0)
        for _ in range(5):
            await served.pair(json.dumps({"code": "WRONG", "name": "x"}))
        with pytest.raises(cli_phone.PhoneError, match="five wrong tries"):
            await waiting
    assert capsys.readouterr().out


async def test_without_a_daemon_list_and_forget_use_the_file_and_pair_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pairing = Pairing(tmp_path)
    code = await pairing.open_code(PhoneRole.WATCH)
    await pairing.pair(code.text, "old phone")
    assert await said(tmp_path, "list") == 0
    assert "old phone" in capsys.readouterr().out
    assert await said(tmp_path, "forget", "old phone") == 0
    assert json.loads((tmp_path / FILE_NAME).read_text())["phones"] == []
    capsys.readouterr()
    assert await said(tmp_path, "list") == 0
    assert "No phone is paired" in capsys.readouterr().out
    with pytest.raises(control.ControlError, match="benchpour run"):
        await said(tmp_path, "pair")


def test_the_qr_code_fits_a_small_terminal_and_has_its_three_corners() -> None:
    lines = qr_lines("http://192.168.100.200:8787/#pair=ABCDEFGH")
    assert len(lines) <= 22
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= 80
    assert set("".join(lines)) <= set("█▀▄ ")
    # ISO/IEC 18004: a finder pattern is 7 modules square, here under two blank modules.
    assert lines[1].startswith("██ ▄▄▄▄▄ █") and lines[1].endswith("█ ▄▄▄▄▄ ██")
    assert any(line.startswith("██▄▄▄▄▄▄▄█") for line in lines)


async def test_the_benchs_own_screen_is_told_for_as_long_as_the_code_lives(served: Served) -> None:
    assert served.page.invitation is None
    shown = await served.page.handle_phone({"phone": "pair"})
    invited = served.page.invitation
    assert invited is not None
    assert (invited.code, invited.address) == (shown["code"], served.page.url)
    assert list(invited.qr) == qr_lines(shown["url"])
    served.clock.advance(CODE_LIVES_S)
    assert served.page.invitation is None
    shown = await served.page.handle_phone({"phone": "pair"})
    await served.pair(json.dumps({"code": shown["code"], "name": "p"}))
    assert served.page.invitation is None
