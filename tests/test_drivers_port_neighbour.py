"""A neighbour's instrument on an adapter like the scale's is listened to, and never kept."""

from __future__ import annotations

import asyncio

import pytest

from drivers import port_names
from drivers.decoder import Decoder
from drivers.port_names import PortThere
from drivers.scale_port import ScalePort
from drivers.scale_profile import load_profile
from tests.kit_port import Heard, PtyScale, fast_clock, running

LINE = load_profile("flag-comma-signed").render("36.5")


class Bench:
    """A scale, a neighbour's instrument, and the sockets they are in."""

    def __init__(self, folder) -> None:
        self.scale, self.neighbour = PtyScale(folder / "scale"), PtyScale(folder / "neighbour")
        self.sockets = {self.scale.name: "1-1", self.neighbour.name: "1-2"}
        self.decoder, self.heard = Decoder(load_profile("flag-comma-signed")), Heard()
        self.port = ScalePort(
            str(self.scale.link),
            clock=fast_clock(3),
            on_bytes=self._took,
            on_lost=self._lost,
            on_found=self.heard.found,
            heard=lambda: self.decoder.heard,
        )

    def there(self) -> list[PortThere]:
        """The adapters, all of one make and without a serial number."""
        alike = (0x1234, 0x5678, None)
        return [PortThere(n, "adapter", (*alike, s)) for n, s in self.sockets.items()]

    def unplug(self) -> None:
        del self.sockets[self.scale.name]
        self.scale.pull_out()

    def plug_in(self, socket: str) -> None:
        self.scale.plug_in()
        self.sockets[self.scale.name] = socket

    def _took(self, at_s: float, data: bytes) -> None:
        self.decoder.feed(at_s, data)
        self.heard.bytes_came(at_s, data)

    def _lost(self, at_s: float, why: str) -> None:
        self.decoder.reset(at_s)
        self.heard.lost(at_s, why)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    bench = Bench(tmp_path)
    monkeypatch.setattr(port_names, "ports_there", bench.there)
    return bench


@pytest.mark.parametrize("socket", ["1-1", "1-4"])
async def test_the_only_other_adapter_is_left_as_soon_as_the_scale_is_back(bench, socket):
    """In its own socket it is known by that, in another by its name and its lines."""
    heard = bench.heard
    async with running(bench.port):
        await heard.until(lambda: heard.kinds == ["found"])
        bench.scale.say(LINE)
        await heard.until_data(LINE)
        bench.unplug()
        await heard.until(lambda: heard.told("found")[1:] == [bench.neighbour.name])
        bench.neighbour.say(b"T 21.5 C\r\n")
        bench.plug_in(socket)
        await heard.until(lambda: heard.told("found")[-1] == str(bench.scale.link))
        bench.scale.say(LINE * 3)
        await heard.until(lambda: heard.data.endswith(LINE * 3))
        assert bench.decoder.heard


async def test_another_instrument_under_the_scales_name_is_not_taken_for_it(bench):
    """The name is the neighbour's now, as happens with names that are only numbered."""
    heard, link = bench.heard, bench.scale.link
    async with running(bench.port):
        await heard.until(lambda: heard.kinds == ["found"])
        bench.scale.say(LINE)
        await heard.until_data(LINE)
        bench.unplug()
        link.symlink_to(bench.neighbour.name)
        await heard.until(lambda: len(heard.told("found")) > 1)
        bench.neighbour.say(b"T 21.5 C\r\n")
        moved = PtyScale(link.with_name("moved"))
        bench.sockets[moved.name] = "1-1"
        await heard.until(lambda: heard.told("found")[-1] == moved.name)
        moved.say(LINE * 3)
        await heard.until(lambda: heard.data.endswith(LINE * 3))
        assert bench.decoder.heard


async def test_nothing_is_told_of_neighbours_while_their_lines_are_judged(bench, tmp_path):
    heard, another = bench.heard, PtyScale(tmp_path / "another")
    bench.sockets[another.name] = "1-3"
    listened: list[str] = []

    def judge() -> Decoder:
        listened.append(bench.port.port)
        return Decoder(load_profile("flag-comma-signed"))

    bench.port._judge = judge
    async with running(bench.port):
        await heard.until(lambda: heard.kinds == ["found"])
        bench.scale.say(LINE)
        await heard.until_data(LINE)
        bench.unplug()
        async with asyncio.timeout(12):
            while len(listened) < 4:
                bench.neighbour.say(b"T 21.5 C\r\n")
                await asyncio.sleep(0.05)
        bench.plug_in("1-4")
        async with asyncio.timeout(8):
            while heard.kinds[-1] != "found":
                bench.scale.say(LINE)
                await asyncio.sleep(0.05)
        before = len(heard.data)
        bench.scale.say(LINE)
        await heard.until(lambda: len(heard.data) > before)
    assert heard.kinds == ["found", "bytes", "lost", "found", "bytes"]
    assert b"T" not in heard.data.replace(b"ST", b"")
