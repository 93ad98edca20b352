"""The page by https, its certificate self-made, through the gate to the shop's broker by TLS."""

from __future__ import annotations

import base64
import hashlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from websockets.asyncio.client import connect

from daemon import config as settings
from daemon.broker_access import HOST
from daemon.page import Page
from daemon.page_tls import tls_of
from daemon.view import Zone
from tests.browser.conftest import pair
from tests.browser.floor import POUR_A, Floor, any_port, poured, until
from tests.browser.phone import Phone
from tests.browser.test_phone import FIGURE, STIR, WORD
from tests.kit_shop import Shop, shop_broker
from tests.test_page_tls import make_certificate


class EncryptedFloor(Floor):
    """A page by https; the broker is the shop's, called by TLS by the bench and by the gate."""

    def __init__(self, folder: Path, certificate: Path) -> None:
        super().__init__(folder)
        self.shop: Shop | None = None
        phone = settings.Phone(
            address=HOST,
            port=any_port(),
            certificate=str(certificate / "page.crt"),
            key=str(certificate / "page.key"),
        )
        self.page = Page(
            phone,
            self.pairing,
            lambda: self.endpoint,
            lambda: {"ok": True},
            "bench",
            tls=tls_of(phone),
        )

    async def start_broker(self) -> None:
        self.shop = await self._broker.enter_async_context(shop_broker())
        self.endpoint = self.shop.endpoint(tls=True)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("https")
    make_certificate(folder)
    return folder


@pytest.fixture(scope="module")
def trusting(certificate: Path) -> Iterator[Phone]:
    """A phone whose person has told it to trust this one certificate, by its key, and no other."""
    key = subprocess.run(
        "openssl x509 -in page.crt -noout -pubkey | openssl pkey -pubin -outform der",
        shell=True,
        cwd=certificate,
        check=True,
        capture_output=True,
    ).stdout
    pin = base64.b64encode(hashlib.sha256(key).digest()).decode()
    made = Phone(f"--ignore-certificate-errors-spki-list={pin}")
    yield made
    made.close()


async def test_a_phone_pairs_pours_and_commands_over_encrypted_lines_alone(
    trusting: Phone, certificate: Path, tmp_path: Path
) -> None:
    floor = EncryptedFloor(tmp_path, certificate)
    async with floor.open():
        await trusting.open(floor.origin)
        assert await trusting.run("return location.protocol") == "https:"
        assert await trusting.text("#pair-plain") == ""
        assert "benchpour phone pair" in await trusting.text("#pair")
        await pair(trusting, floor, "control")
        floor.show(poured(POUR_A, 31.2, 9.0, Zone.DUMP))
        await trusting.until(f"{FIGURE} === '38.3'")
        floor.show(STIR)
        await trusting.until(f"{WORD} === 'Stir'")
        await trusting.press("[data-choice=next]")
        await until(lambda: floor.commands)
        assert floor.commands[0]["do"] == "next"
        sockets = await trusting.run(
            "return performance.getEntriesByType('resource').map((e) => new URL(e.name).protocol)"
        )
        assert set(sockets) == {"https:"}
        assert await trusting.complaints() == []
        assert floor.shop is not None and floor.endpoint is not None
        assert floor.endpoint.port == floor.shop.tls_port
        await trusting.open("about:blank")


async def test_a_phone_that_does_not_trust_the_certificate_sends_nothing(
    phone: Phone, certificate: Path, tmp_path: Path
) -> None:
    (tmp_path / "encrypted").mkdir()
    floor = EncryptedFloor(tmp_path / "encrypted", certificate)
    async with floor.open():
        await phone.open(floor.origin)
        assert "ERR_CERT" in await phone.run("return document.documentElement.textContent")
        assert await phone.run("return document.getElementById('pair')") is None
        with pytest.raises(OSError, match="certificate"):
            await connect(floor.origin.replace("https", "wss") + "pair")
        assert floor.page.phones == ()
