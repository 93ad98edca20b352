"""What the phone page costs: weight on the wire, first useful paint, and bench-to-phone latency.

A real headless browser at phone size opens the real page, over the real gate and broker. First
useful paint is the bench's state on the screen, figure and all, counted from the opening of the
address; once as this machine does it, once with its processor slowed down four times. Latency is
from the bench's handing a weight to its MQTT outlet to the figure on the page being changed:
outlet, broker, gate, WebSocket, script; the yardstick is the same weight at a plain MQTT reader on
this machine. `python -m tools.phone_figures` takes about two minutes. Both clocks are this
machine's; a radio network's own delay comes on top.
"""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt

from daemon.broker_access import HOST
from daemon.messages import Weight
from daemon.view import Zone
from tests.browser.conftest import pair
from tests.browser.floor import POUR_A, Floor, moment, poured
from tests.browser.phone import Phone

SAMPLES = 300
EVERY_S = 0.12
TIMES = 7
WEIGHT = "benchpour/bench/weight"
SLOWER = 4
PLACES = (
    "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
)
WATCH = """
window.changed = [];
new MutationObserver(() => changed.push(
  [document.getElementById('figure').textContent, performance.timeOrigin + performance.now()]
)).observe(document.getElementById('figure'), {childList: true, subtree: true});
"""
USEFUL = """
new MutationObserver(() => {
  if (!window.useful && document.getElementById('figure')?.textContent.includes('.'))
    requestAnimationFrame(() => setTimeout(() => { window.useful = performance.now(); }));
}).observe(document, {childList: true, subtree: true});
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
        to_page, to_reader = await latencies(phone, floor)
        print(f"bench to phone, {kind}: {tell(to_page)}; to a plain MQTT reader: {tell(to_reader)}")
        await phone.open("about:blank")


async def weigh(phone: Phone, floor: Floor) -> None:
    """What a first visit and a later one bring over the wire, and when they are of use."""
    await phone.cdp("Network.enable", {})
    script = await phone.cdp("Page.addScriptToEvaluateOnNewDocument", {"source": USEFUL})
    for slower in (1, SLOWER):
        await phone.cdp("Emulation.setCPUThrottlingRate", {"rate": slower})
        for name, cached in (("first visit", False), ("later visits", True)):
            await phone.cdp("Network.setCacheDisabled", {"cacheDisabled": not cached})
            seen = [await visit(phone, floor) for _ in range(TIMES)]
            size, count = seen[-1][0]
            useful = statistics.median(one[1] for one in seen)
            speed = "" if slower == 1 else f", processor {slower} times slower"
            print(
                f"{name}{speed}: {size / 1000:.1f} kB on the wire in {count} requests, first useful"
                f" paint after {useful:.0f} ms (median of {TIMES})"
            )
    await phone.cdp("Emulation.setCPUThrottlingRate", {"rate": 1})
    await phone.cdp("Page.removeScriptToEvaluateOnNewDocument", script)


async def visit(phone: Phone, floor: Floor) -> tuple[tuple[int, int], float]:
    """Open the page; bytes and number of requests, and milliseconds to the first useful paint."""
    await phone.open("about:blank")
    await phone.open(floor.origin)
    useful_ms = float(await phone.until("window.useful"))
    sizes = await phone.run(f"return {PLACES}.map((e) => e.transferSize)")
    return (sum(sizes), len(sizes)), useful_ms


async def latencies(phone: Phone, floor: Floor) -> tuple[list[float], list[float]]:
    """Milliseconds from the outlet to the figure and to a reader, for weights of a steady pour."""
    await phone.run(WATCH)
    heard: dict[float, float] = {}
    sent: dict[float, float] = {}
    base = replace(POUR_A, target_g=600.0, parts=())
    async with aiomqtt.Client(HOST, floor.broker_port) as reader:
        await reader.subscribe(WEIGHT)
        reading = asyncio.create_task(read(reader, heard))
        for number in range(SAMPLES):
            grams = round(1.0 + number * 0.7, 1)
            sent[grams] = time.time()
            floor.show(poured(base, grams, 7.0, Zone.DUMP))
            await moment(EVERY_S)
        reading.cancel()
    seen: list[tuple[str, float]] = await phone.run("return window.changed")
    changed = dict(reversed(seen))
    at_page = {grams: changed.get(f"{600.0 - grams:.1f}") for grams in sent}
    to_page = [at - 1000 * sent[grams] for grams, at in at_page.items() if at is not None]
    return to_page, [1000 * (heard[grams] - sent[grams]) for grams in sent if grams in heard]


async def read(reader: aiomqtt.Client, heard: dict[float, float]) -> None:
    """Note when each weight was read; the embedded broker also gives what is retained elsewhere."""
    async for message in reader.messages:
        if not message.topic.matches(WEIGHT):
            continue
        payload: Any = message.payload
        heard.setdefault(Weight.model_validate_json(payload).grams, time.time())


def tell(values_ms: Sequence[float]) -> str:
    """Say median and 99th percentile."""
    cuts = statistics.quantiles(values_ms, n=100)
    median = statistics.median(values_ms)
    return f"{median:.1f} / {cuts[98]:.1f} ms of {len(values_ms)} (median / 99th percentile)"


if __name__ == "__main__":
    main()
