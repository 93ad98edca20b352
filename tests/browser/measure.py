"""Measures what the phone page costs: weight on the wire, first paint, and bench-to-phone latency.

    .venv/bin/python -m tests.browser.measure

Latency is from the bench's handing a weight to its MQTT outlet to the figure in the page being
changed: outlet, broker, gate, WebSocket, script, frame. Both clocks are this machine's. How late
the daemon's own loop runs (a cue would be as late) is measured alone and with 200 silent
connections.
"""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from daemon.broker_access import HOST
from daemon.view import Zone
from tests.browser.conftest import pair
from tests.browser.floor import POUR_A, Floor, moment, poured
from tests.browser.phone import Phone

SAMPLES = 300
EVERY_S = 0.12
FIELDS = "e.name, e.transferSize, e.encodedBodySize"
WATCH = """
window.changed = [];
new MutationObserver(() => changed.push(
  [document.getElementById('figure').textContent, performance.timeOrigin + performance.now()]
)).observe(document.getElementById('figure'), {childList: true, subtree: true});
"""


def main() -> None:
    """Measure with both brokers and print a line each."""
    phone = Phone()
    try:
        for kind in ("mosquitto", "embedded"):
            with tempfile.TemporaryDirectory() as folder:
                asyncio.run(measure(phone, Path(folder), kind))
    finally:
        phone.close()


async def measure(phone: Phone, folder: Path, kind: str) -> None:
    """Measure with one broker."""
    floor = Floor(folder, kind)
    async with floor.open():
        floor.show(poured(POUR_A, 0.0, 0.0, Zone.DUMP))
        await pair(phone, floor, "watch")
        if kind == "mosquitto":
            await weigh(phone, floor)
        floor.silent = True
        print(f"{kind}: bench to phone {tell(await latencies(phone, floor))}")
        print(f"{kind}: loop late by   {tell(await lateness())}")
        lines = [await asyncio.open_connection(HOST, floor.page.port) for _ in range(200)]
        print(f"{kind}: the same, 200 silent connections {tell(await lateness())}")
        print(f"{kind}: bench to phone, the same {tell(await latencies(phone, floor))}")
        for _, writer in lines:
            writer.transport.abort()
        await phone.open("about:blank")


async def weigh(phone: Phone, floor: Floor) -> None:
    """What the first visit, without and with a cache, brings over the wire, and when it paints."""
    await phone.cdp("Network.enable", {})
    for name, cached in (("first visit", False), ("again", True)):
        await phone.cdp("Network.setCacheDisabled", {"cacheDisabled": not cached})
        await phone.open("about:blank")
        await phone.open(floor.origin)
        await phone.until("document.getElementById('figure').textContent.includes('.')")
        live_ms = await phone.run("return performance.now()")
        paint_ms = await phone.run(
            "return performance.getEntriesByName('first-contentful-paint')[0].startTime"
        )
        found = await phone.run(
            "return [...performance.getEntriesByType('navigation'),"
            f"...performance.getEntriesByType('resource')].map(e => [{FIELDS}])"
        )
        total = sum(size for _, size, _ in found)
        print(
            f"{name}: {total / 1000:.1f} kB on the wire in {len(found)} requests, first paint "
            f"{paint_ms:.0f} ms, the bench's state on the screen by {live_ms:.0f} ms"
        )


async def latencies(phone: Phone, floor: Floor) -> list[float]:
    """Milliseconds from the outlet to the figure, for weights of a steady pour."""
    await phone.run(WATCH)
    sent = {}
    base = replace(POUR_A, target_g=600.0, parts=())
    for number in range(SAMPLES):
        grams = round(1.0 + number * 0.7, 1)
        sent[f"{600.0 - grams:.1f}"] = time.time()
        floor.show(poured(base, grams, 7.0, Zone.DUMP))
        await moment(EVERY_S)
    seen = await phone.run("return window.changed")
    found = dict(reversed(seen))
    return [found[text] - 1000 * at_s for text, at_s in sent.items() if text in found]


async def lateness() -> list[float]:
    """Milliseconds by which a wake-up of the daemon's loop comes late."""
    loop = asyncio.get_running_loop()
    late = []
    for _ in range(600):
        due_s = loop.time() + 0.005
        await moment(0.005)
        late.append(1000 * (loop.time() - due_s))
    return late


def tell(values_ms: Sequence[float]) -> str:
    """Say median, 99th percentile and worst."""
    cuts = statistics.quantiles(values_ms, n=100)
    return (
        f"median {statistics.median(values_ms):.1f}, 99 % {cuts[98]:.1f}, worst "
        f"{max(values_ms):.1f} ms of {len(values_ms)}"
    )


if __name__ == "__main__":
    main()
