"""A scale's port while the device bounces: whatever is raised, it is lost and found again."""

from __future__ import annotations

import termios
import time

import pytest
import serial

from drivers import scale_port
from drivers.scale_port import ScalePort
from drivers.scale_profile import load_profile
from tests.kit_port import Heard, PtyScale, running

LINE = load_profile("flag-comma-signed").render("36.5")


@pytest.fixture
def scale(tmp_path):
    return PtyScale(tmp_path / "scale")


def port_of(scale: PtyScale, heard: Heard) -> ScalePort:
    return ScalePort(
        str(scale.link),
        clock=time.monotonic,
        on_bytes=heard.bytes_came,
        on_lost=heard.lost,
        on_found=heard.found,
    )


async def test_a_device_that_vanishes_right_after_it_was_opened_is_found_when_it_is_back(
    scale, monkeypatch
):
    """Clearing what it sent before is then refused by the terminal, not by the file system."""
    close_to_others, bounces = scale_port._close_to_others, [1]

    def vanishing(device, port):
        if bounces:
            bounces.pop()
            scale.pull_out()
        close_to_others(device, port)

    monkeypatch.setattr(scale_port, "_close_to_others", vanishing)
    heard = Heard()
    async with running(port_of(scale, heard)):
        await heard.until(lambda: heard.kinds == ["lost"])
        scale.plug_in()
        await heard.until(lambda: heard.kinds == ["lost", "found"])
        scale.say(LINE)
        await heard.until_data(LINE)
    assert "is not there: is the cable in" in heard.told("lost")[0]


@pytest.mark.parametrize(
    "error",
    [
        termios.error(5, "Input/output error"),
        TypeError("argument must be an int, or have a fileno() method"),
        ValueError("file descriptor cannot be a negative integer"),
        RuntimeError("Symlink loop"),
    ],
    ids=lambda error: type(error).__name__,
)
async def test_whatever_opening_raises_is_told_once_and_tried_again(scale, monkeypatch, error):
    begin, errors = ScalePort._begin, [error, error]

    def failing(port, device):
        begin(port, device)
        if errors:
            raise errors.pop()

    monkeypatch.setattr(ScalePort, "_begin", failing)
    heard = Heard()
    async with running(port_of(scale, heard)):
        await heard.until(lambda: heard.kinds == ["lost", "found"])
        scale.say(LINE)
        await heard.until_data(LINE)
    assert len(heard.told("lost")) == 1


async def test_a_vanished_device_that_cannot_even_be_closed_is_found_again(scale, monkeypatch):
    close = serial.Serial.close

    def failing(device):
        close(device)
        raise termios.error(5, "Input/output error")

    heard = Heard()
    async with running(port_of(scale, heard)):
        await heard.until(lambda: heard.kinds == ["found"])
        monkeypatch.setattr(serial.Serial, "close", failing)
        scale.pull_out()
        await heard.until(lambda: heard.kinds == ["found", "lost"])
        scale.plug_in()
        await heard.until(lambda: heard.kinds == ["found", "lost", "found"])
        scale.say(LINE)
        await heard.until_data(LINE)
        monkeypatch.setattr(serial.Serial, "close", close)
    assert len(heard.told("lost")) == 1
