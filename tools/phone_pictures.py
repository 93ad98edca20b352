"""Takes pictures of the phone's page in every state, to be looked at, for each light and hand.

A real headless browser, the real page; the states are those of its tests. `python -m
tools.phone_pictures FOLDER` writes STATE-WIDTH-LIGHT-HAND.png files there.

Owns the taking of pictures. Judges nothing: contrast and focus are measured by the tests.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from daemon.view import Zone
from tests.browser.conftest import pair
from tests.browser.floor import CLOCKS, IDLE, POUR_A, Floor, moment, poured
from tests.browser.phone import Phone
from tests.browser.test_look import STATES, shown

SIZES = ((360, 740), (412, 915))
SETTLED_S = 0.35
HAND = """
localStorage.setItem('benchpour.settings', JSON.stringify({hand: arguments[0], sound: false}));
"""


class Album:
    """One phone, one floor, and where the pictures go."""

    def __init__(self, phone: Phone, floor: Floor, folder: Path) -> None:
        self._phone, self._floor, self._folder = phone, floor, folder
        self._tag = ""

    async def fill(self) -> None:
        """Take them all."""
        for width, height in SIZES:
            metrics = {"width": width, "height": height, "deviceScaleFactor": 2, "mobile": True}
            await self._phone.cdp("Emulation.setDeviceMetricsOverride", metrics)
            for light in ("light", "dark"):
                await self._phone.light(light)
                await self._unpaired(f"{width}-{light}")
                for hand in ("right", "left"):
                    self._tag = f"{width}-{light}-{hand}"
                    await self._one_hand(hand)

    async def _unpaired(self, tag: str) -> None:
        await self._phone.open(self._floor.origin)
        await self._phone.run("localStorage.clear()")
        await self._phone.open(self._floor.origin)
        self._tag = tag
        await self._take("unpaired")
        for one in self._floor.pairing.book.phones:
            await self._floor.pairing.forget(one.name)
        await pair(self._phone, self._floor, "control")

    async def _one_hand(self, hand: str) -> None:
        await self._phone.run(HAND, hand)
        await self._phone.open(self._floor.origin)
        await self._phone.until("document.getElementById('line').dataset.line === 'up'")
        self._floor.show(replace(IDLE, batch=7, choices=("next",), timers=CLOCKS[2:3]), "east")
        self._floor.show(poured(POUR_A, 57.4, 3.1, Zone.EASE), "north")
        for name in STATES:
            await shown(self._phone, self._floor, name)
            await self._take(name)
            await self._phone.run("scrollTo(0, document.body.scrollHeight)")
            await self._take(f"{name}-below")
            await self._phone.run("scrollTo(0, 0)")
        for sheet in ("benches", "settings"):
            await self._phone.press(f"#open-{sheet}")
            await self._take(sheet)
            await self._phone.press(f"#{sheet} [data-close]")
        await self._trouble()

    async def _trouble(self) -> None:
        await shown(self._phone, self._floor, "dump")
        self._floor.silent = True
        await self._phone.until("document.getElementById('line').innerText === 'unheard'")
        await self._take("unheard")
        self._floor.silent = False
        await self._phone.until("document.body.dataset.stale === 'no'")
        self._floor.kill_broker()
        await self._phone.until("document.body.dataset.stale === 'yes'")
        await self._phone.shoot(self._folder / f"cut-off-{self._tag}.png")
        await self._phone.until("document.body.dataset.stale === 'no'")

    async def _take(self, name: str) -> None:
        await moment(SETTLED_S)
        await self._phone.shoot(self._folder / f"{name}-{self._tag}.png")


async def take(folder: Path) -> None:
    """Have a phone and a floor, and fill the folder."""
    phone = Phone()
    try:
        with tempfile.TemporaryDirectory() as store:
            floor = Floor(Path(store))
            async with floor.open("east", "north"):
                await Album(phone, floor, folder).fill()
    finally:
        phone.close()


def main(argv: list[str] | None = None) -> int:
    """Take the pictures and say how many there are."""
    parser = argparse.ArgumentParser(
        prog="python -m tools.phone_pictures", description="Take pictures of the phone's page."
    )
    parser.add_argument("folder", type=Path, help="where the pictures go")
    args = parser.parse_args(argv)
    args.folder.mkdir(parents=True, exist_ok=True)
    asyncio.run(take(args.folder))
    print(f"{len(list(args.folder.glob('*.png')))} pictures are in {args.folder}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
