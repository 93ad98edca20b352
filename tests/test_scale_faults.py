"""What scales and cables do, on real pseudo-terminals, up to the weight that is believed.

A cable out in the middle of a line, a scale that sleeps, floods, echoes, or sends only at rest.
Speeds that change, names that change, two programs at one port and a stalled computer are in
`test_drivers_port`, with the port alone.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.decoder import Decoder
from drivers.line_settings import trials_for
from drivers.reading import Garbled, Reading
from drivers.scale_port import ScalePort
from drivers.scale_profile import Profile, load_profile
from tests.kit_port import Heard, PtyScale, running

SIGNED = load_profile("flag-comma-signed")


def line(text: str, *, stable: bool = True) -> bytes:
    return SIGNED.render(text, stable=stable)


class Chain:
    """A port and a decoder as the daemon joins them, and what came of it."""

    def __init__(
        self, scale: PtyScale, profile: Profile, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.heard = Heard()
        self.decoder = Decoder(profile)
        self.readings: list[Reading] = []
        self.garbled: list[Garbled] = []
        self.port = ScalePort(
            str(scale.link),
            clock=clock,
            on_bytes=self._came,
            on_lost=self._lost,
            on_found=self._found,
            trials=trials_for(profile),
            heard=lambda: self.decoder.heard,
        )

    def _came(self, at_s: float, data: bytes) -> None:
        for item in self.decoder.feed(at_s, data):
            if isinstance(item, Reading):
                self.readings.append(item)
            else:
                self.garbled.append(item)
        self.heard.bytes_came(at_s, data)

    def _lost(self, at_s: float, why: str) -> None:
        self.decoder.reset(at_s)
        self.heard.lost(at_s, why)

    def _found(self, at_s: float, port: str) -> None:
        self.decoder.reset(at_s)
        self.heard.found(at_s, port)

    @property
    def told(self) -> list[tuple[str | None, bool]]:
        """Weight and whether it is believed, of every reading."""
        return [(reading.text, reading.trusted) for reading in self.readings]

    async def until(self, condition: Callable[[], bool]) -> None:
        await self.heard.until(condition)

    async def until_told(self, count: int) -> None:
        await self.until(lambda: len(self.readings) >= count)


@pytest.fixture
def scale(tmp_path: Path) -> PtyScale:
    return PtyScale(tmp_path / "scale")


async def test_a_cable_out_in_the_middle_of_a_line_makes_no_weight_of_its_halves(
    scale: PtyScale,
) -> None:
    chain = Chain(scale, SIGNED)
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        for _ in range(3):
            scale.say(line("125.4"))
        scale.say(line("125.4")[:9])
        await chain.until(lambda: chain.heard.data.endswith(line("125.4")[:9]))
        scale.pull_out()
        await chain.until(lambda: chain.heard.kinds[-1] == "lost")
        scale.plug_in()
        await chain.until(lambda: chain.heard.kinds[-1] == "found")
        before = len(chain.readings)
        scale.say(line("905.2")[9:] + line("36.5") * 3)
        await chain.until(lambda: chain.told[-1] == ("36.5", True))
    assert {text for text, _ in chain.told} == {"125.4", "36.5"}
    assert chain.told[before] == ("36.5", False)


async def test_a_scale_that_slept_is_believed_anew_only_after_two_equal_lines(
    scale: PtyScale,
) -> None:
    """While it sleeps the clock goes on by a quarter of a second at each look at it."""
    asleep, slept = threading.Event(), [0.0]

    def clock() -> float:
        slept[0] += 0.25 * asleep.is_set()
        return time.monotonic() + slept[0]

    chain = Chain(scale, SIGNED, clock)
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        scale.say(line("125.4") * 3)
        await chain.until_told(3)
        asleep.set()
        await asyncio.to_thread(_until, lambda: slept[0] > 6.0)
        asleep.clear()
        scale.say(line("125.4"))
        await chain.until_told(4)
        scale.say(line("125.4"))
        await chain.until_told(5)
    assert [trusted for _, trusted in chain.told] == [False, True, True, False, True]
    assert chain.heard.kinds == ["found", "bytes"]


def _until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 8
    while not condition() and time.monotonic() < deadline:
        threading.Event().wait(0.01)


async def test_a_flood_of_line_ends_and_noise_is_survived_and_costs_no_memory(
    scale: PtyScale,
) -> None:
    """Some scales send line ends without end when they were asked too fast."""
    chain = Chain(scale, SIGNED)
    sent = 0
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        for piece in [b"\r\n" * 500, b"\xff\x00" * 500, b"ST,GS,+" * 140, line("36.5") * 50] * 12:
            scale.say(piece)
            sent += len(piece)
            await chain.until(lambda goal=sent: len(chain.heard.data) >= goal)  # type: ignore[misc]
        scale.say(line("125.4") * 4)
        await chain.until(lambda: chain.told[-1] == ("125.4", True))
    assert {text for text, _ in chain.told} == {"36.5", "125.4"}
    assert len(str(chain.decoder.snapshot())) < 2000
    assert len(chain.garbled) < 2000


async def test_an_adapter_that_echoes_the_question_changes_nothing(scale: PtyScale) -> None:
    profile = load_profile("echo-letter-right10")
    chain = Chain(scale, profile, lambda: 3 * time.monotonic())
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        for count in range(1, 4):
            request = await asyncio.to_thread(_asked, scale)
            scale.say(request + profile.render("36.52"))
            await chain.until_told(count)
    assert chain.told == [("36.52", False), ("36.52", True), ("36.52", True)]
    assert chain.garbled == []


def _asked(scale: PtyScale) -> bytes:
    asked = b""
    deadline = time.monotonic() + 8
    while not asked.endswith(b"\n") and time.monotonic() < deadline:
        asked += scale.asked()
        threading.Event().wait(0.01)
    return asked


async def test_a_scale_that_sends_one_line_for_each_rest_is_read_and_not_yet_believed(
    scale: PtyScale,
) -> None:
    """One damaged digit could not be seen: a second equal line has to come, by its print key."""
    chain = Chain(scale, SIGNED)
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        for count, text in enumerate(("125.4", "36.5", "36.5"), 1):
            scale.say(line(text))
            await chain.until_told(count)
    assert chain.told == [("125.4", False), ("36.5", False), ("36.5", True)]
    assert {reading.declared for reading in chain.readings} == {True}


async def test_weights_from_before_a_stall_are_not_told_as_current(scale: PtyScale) -> None:
    """The reader wakes ten seconds late, with old lines in the buffer."""
    gate, held, late = threading.Event(), threading.Event(), [0.0]
    gate.set()

    def clock() -> float:
        if not gate.is_set() and threading.current_thread().name == "scale port":
            held.set()
            gate.wait(8)
        return time.monotonic() + late[0]

    chain = Chain(scale, SIGNED, clock)
    async with running(chain.port):
        await chain.until(lambda: chain.heard.kinds == ["found"])
        scale.say(line("36.5") * 3)
        await chain.until_told(3)
        gate.clear()
        await asyncio.to_thread(held.wait, 8)
        scale.say(line("999.9") * 20)
        late[0] = 10.0
        gate.set()
        await chain.until(lambda: chain.heard.kinds[-1] == "found")
        scale.say(line("125.4") * 2)
        await chain.until(lambda: chain.told[-1] == ("125.4", True))
    assert "999.9" not in {text for text, _ in chain.told}
    assert chain.told[-2:] == [("125.4", False), ("125.4", True)]
