"""Two phones, started once, and a shop floor for each test."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from tests.browser.floor import Floor
from tests.browser.phone import Phone


@pytest.fixture(scope="session")
def first_phone() -> Iterator[Phone]:
    made = Phone()
    yield made
    made.close()


@pytest.fixture(scope="session")
def second_phone() -> Iterator[Phone]:
    made = Phone()
    yield made
    made.close()


@pytest.fixture
async def floor(tmp_path: Path) -> AsyncIterator[Floor]:
    async with Floor(tmp_path).open("east") as made:
        yield made


@pytest.fixture
async def phone(first_phone: Phone, floor: Floor) -> AsyncIterator[Phone]:
    """A phone that is paired with nothing: each floor has a port, so an origin, of its own.

    Whatever a test does with it, the browser has to have nothing to complain of.
    """
    await first_phone.complaints()
    yield first_phone
    complaints = await first_phone.complaints()
    await first_phone.open("about:blank")
    assert [one for one in complaints if "WebSocket connection to" not in one] == []


@pytest.fixture
async def control(phone: Phone, floor: Floor) -> Phone:
    """A phone that may command, paired and connected."""
    await pair(phone, floor, "control")
    return phone


async def pair(phone: Phone, floor: Floor, role: str) -> None:
    """Pair by the address that the QR code holds, with one press."""
    await phone.open(await floor.code(role))
    await phone.until("document.activeElement.id === 'pair-go'")
    await phone.type("#pair-name", role)
    await phone.press("#pair-go")
    await phone.until("document.getElementById('line').dataset.line === 'up'")
