"""A real headless browser at phone size, driven from an asyncio test."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from pathlib import Path
from typing import Any

from selenium.webdriver import Chrome
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from tests.browser.floor import moment

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
    # Nothing but this machine is to be reached, whatever a page asks for.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
)
WIDTH, HEIGHT = 390, 844


class Phone:
    """One browser with a profile of its own. Every call runs on a thread: the bench goes on."""

    def __init__(self, *more_flags: str) -> None:
        self._profile = tempfile.mkdtemp(prefix="benchpour-phone-")
        options = Options()
        for flag in (*_FLAGS, *more_flags, f"--user-data-dir={self._profile}"):
            options.add_argument(flag)
        metrics = {"width": WIDTH, "height": HEIGHT, "pixelRatio": 2.0, "touch": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        options.binary_location = _found("chromium")
        self._driver = Chrome(options=options, service=Service(_found("chromedriver")))
        self._driver.set_script_timeout(15)

    async def run(self, script: str, *arguments: Any) -> Any:
        """Run a script in the page and return what it returns."""
        return await asyncio.to_thread(self._driver.execute_script, script, *arguments)

    async def open(self, address: str) -> None:
        """Go to an address."""
        await asyncio.to_thread(self._driver.get, address)

    async def until(self, condition: str, within_s: float = 15.0) -> Any:
        """Wait until an expression of the page holds; returns its value."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + within_s
        while not (value := await self.run(f"return {condition}")):
            assert loop.time() < end_s, f"{condition} does not hold. {await self.told()}"
            await moment(0.02)
        return value

    async def text(self, selector: str) -> str:
        """What a person reads there; empty where it is hidden."""
        found = await self.run(
            "const e = document.querySelector(arguments[0]);"
            "return e && e.checkVisibility() ? e.innerText : ''",
            selector,
        )
        return str(found).strip()

    async def texts(self, selector: str) -> list[str]:
        """The visible elements of that kind, each as a person reads it."""
        found = await self.run(
            "return [...document.querySelectorAll(arguments[0])]"
            ".filter(e => e.checkVisibility()).map(e => e.innerText)",
            selector,
        )
        return [" ".join(str(one).split()) for one in found]

    async def press(self, selector: str) -> None:
        """Press a button as a finger does, where it stands."""

        def click() -> None:
            self._driver.find_element("css selector", selector).click()

        await asyncio.to_thread(click)

    async def type(self, selector: str, text: str) -> None:
        """Type into a field that is empty afterwards of what was there before."""

        def keys() -> None:
            field = self._driver.find_element("css selector", selector)
            field.clear()
            field.send_keys(text)

        await asyncio.to_thread(keys)

    async def light(self, scheme: str) -> None:
        """Have the phone prefer light or dark."""
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        await self.cdp("Emulation.setEmulatedMedia", {"features": features})

    async def cdp(self, command: str, arguments: dict[str, Any]) -> Any:
        """Give the browser a command of its own protocol."""
        return await asyncio.to_thread(self._driver.execute_cdp_cmd, command, arguments)

    async def shoot(self, path: Path) -> None:
        """Take a picture of the screen."""
        await asyncio.to_thread(self._driver.save_screenshot, str(path))

    async def complaints(self) -> list[str]:
        """What the browser complained about since the last time, refused files included."""
        entries = await asyncio.to_thread(self._driver.get_log, "browser")
        return [entry["message"] for entry in entries if entry["level"] in ("SEVERE", "WARNING")]

    async def told(self) -> str:
        """What is on the screen, for a failed test's words."""
        seen = await self.run("return document.body.innerText")
        return f"The page says: {' '.join(str(seen).split())[:600]}; {await self.complaints()}"

    def close(self) -> None:
        """Put the phone away."""
        self._driver.quit()
        shutil.rmtree(self._profile, ignore_errors=True)


def _found(program: str) -> str:
    path = shutil.which(program)
    assert path is not None, f"{program} is not installed"
    return path
