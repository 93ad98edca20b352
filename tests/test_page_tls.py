"""The page by https: what its two files must be, and everybody who stands at that door."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus
from websockets.typing import Origin

from daemon import config as settings
from daemon import page_doors
from daemon.broker_access import HOST
from daemon.page import Page
from daemon.page_doors import MOST_COMING, MOST_UNKNOWN
from daemon.page_tls import TlsError, tls_of
from daemon.pairing_store import Pairing
from tests.browser.floor import any_port, until


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A self-made certificate, its key, the key with a password, and another key."""
    folder = tmp_path_factory.mktemp("tls")
    make_certificate(folder)
    for command in (
        "openssl ec -in page.key -aes128 -passout pass:word -out locked.key",
        "openssl ecparam -name prime256v1 -genkey -noout -out other.key",
    ):
        subprocess.run(command.split(), cwd=folder, check=True, capture_output=True)
    return folder


def make_certificate(folder: Path) -> None:
    """By the command that the sample settings give, the address in it replaced by ours."""
    sample = (Path(__file__).parents[1] / "tools" / "benchpour.sample.toml").read_text()
    (line,) = (one for one in sample.splitlines() if "openssl req" in one)
    command = line.lstrip("# ").replace("192.0.2.20", HOST)
    subprocess.run(["sh", "-c", command], cwd=folder, check=True, capture_output=True)


def phone(files: Path, **more: Any) -> settings.Phone:
    given: dict[str, Any] = {"certificate": str(files / "page.crt"), "key": str(files / "page.key")}
    return settings.Phone.model_validate({"address": HOST, "port": any_port()} | given | more)


@pytest.fixture
async def page(files: Path, tmp_path: Path) -> AsyncIterator[Page]:
    config = phone(files)
    pairing = Pairing(tmp_path)
    made = Page(config, pairing, lambda: None, lambda: {"ok": True}, "bench", tls=tls_of(config))
    async with made.serve():
        yield made


def trust(files: Path) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(files / "page.crt"))


async def get(page: Page, files: Path) -> bytes:
    reader, writer = await asyncio.open_connection(HOST, page.port, ssl=trust(files))
    try:
        writer.write(f"GET /healthz HTTP/1.1\r\nHost: {HOST}:{page.port}\r\n\r\n".encode())
        async with asyncio.timeout(5):
            return await reader.read()
    finally:
        writer.transport.abort()


async def test_page_and_sockets_are_encrypted(page: Page, files: Path) -> None:
    assert page.url == f"https://{HOST}:{page.port}/"
    assert (await get(page, files)).startswith(b"HTTP/1.1 200")
    shown = await page.handle_phone({"phone": "pair"})
    assert shown["url"].startswith("https://")
    own = Origin(f"https://{HOST}:{page.port}")
    async with connect(f"wss://{HOST}:{page.port}/pair", ssl=trust(files), origin=own) as line:
        await line.send(json.dumps({"code": shown["code"], "name": "p"}))
        assert "token" in json.loads(await line.recv())
    with pytest.raises(InvalidStatus):
        await connect(
            f"wss://{HOST}:{page.port}/pair", ssl=trust(files), origin=Origin("https://a.example")
        )


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
async def test_nothing_older_than_tls_1_2_is_spoken(page: Page, files: Path) -> None:
    """RFC 8996: TLS 1.0 and 1.1 must not be negotiated."""
    old = trust(files)
    old.minimum_version = ssl.TLSVersion.TLSv1
    old.maximum_version = ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.raises(OSError):
        await asyncio.open_connection(HOST, page.port, ssl=old)
    assert (await get(page, files)).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "said", [b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", b"\x16\x03\x01\xff\xff", b""]
)
async def test_who_does_not_speak_it_gets_nothing_and_is_no_fault(
    page: Page, files: Path, said: bytes
) -> None:
    faults: list[Any] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, told: faults.append(told))
    reader, writer = await asyncio.open_connection(HOST, page.port)
    writer.write(said + bytes(300) if said else said)
    writer.write_eof()
    async with asyncio.timeout(5):
        with contextlib.suppress(ConnectionError):
            assert b"HTTP" not in await reader.read()
    writer.transport.abort()
    await until(lambda: not page._doors.all)
    assert (await get(page, files)).startswith(b"HTTP/1.1 200")
    assert faults == []


async def test_who_never_shakes_hands_is_counted_and_let_go(
    page: Page, files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each would hold a quarter of a megabyte ready, and a file, for as long as it likes."""
    monkeypatch.setattr(page_doors, "COMING_PER_S", 1000.0)
    monkeypatch.setattr(page_doors, "MOST_COMING", 1000)
    with contextlib.ExitStack() as stack:
        for _ in range(2 * MOST_COMING):
            stack.enter_context(await connected(page.port))
        await until(lambda: len(page._doors.all) <= MOST_UNKNOWN)
        assert (await get(page, files)).startswith(b"HTTP/1.1 200")
        assert len(page._doors.all) <= MOST_UNKNOWN


async def connected(port: int) -> socket.socket:
    line = socket.socket()
    line.setblocking(False)
    await asyncio.get_running_loop().sock_connect(line, (HOST, port))
    return line


async def test_the_handshake_has_a_deadline(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_doors, "HANDSHAKE_S", 0.05)
    reader, writer = await asyncio.open_connection(HOST, page.port)
    async with asyncio.timeout(5):
        assert await reader.read() == b""
    writer.close()
    await until(lambda: not page._doors.all)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: {"key": ""}, "belong together: set both, or neither"),
        (lambda f: {"key": str(f / "none.key")}, "No such file"),
        (lambda f: {"key": str(f / "other.key")}, "MISMATCH|mismatch"),
        (lambda f: {"key": str(f / "locked.key")}, "have no password"),
        (lambda f: {"certificate": str(f / "page.key")}, "cannot be used"),
    ],
)
def test_files_that_do_not_do_are_said_plainly(
    files: Path, change: Callable[[Path], dict[str, str]], said: str
) -> None:
    with pytest.raises(TlsError, match=said) as refused:
        tls_of(phone(files, **change(files)))
    assert str(refused.value).endswith(".")
    assert tls_of(settings.Phone()) is None
