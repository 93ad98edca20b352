"""A HID scale's node through what happens to it: plugged in and out, taken for another, stalled.

Where the machine allows it the device is a virtual one that the system itself makes.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import fnmatch
import re
import struct
import subprocess
import threading
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers import hid_nodes, scale_hid
from drivers.decoder import Decoder
from drivers.hid_frames import descriptor_line, report_line
from drivers.hid_nodes import Identity, nodes_there, open_node, scales_there
from drivers.reading import Reading
from drivers.scale_hid import HidPort, is_hid
from drivers.scale_profile import load_profile
from tests import kit_hid as kit
from tests.kit_hid import AnyScale, StandInScale, report, usual, virtual_scale
from tests.kit_port import Heard, running

ROOT = Path(__file__).parents[1]


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[StandInScale]:
    made = StandInScale(tmp_path, monkeypatch)
    yield made
    made.close()


@pytest.fixture
def scale(request: pytest.FixtureRequest) -> Iterator[AnyScale]:
    """A virtual device of the system's; where it makes none, what stands in for it."""
    made = virtual_scale()
    if made is None:
        warnings.warn("no virtual HID device to be had here: sockets stand in", stacklevel=1)
        yield request.getfixturevalue("stand_in")
        return
    yield made
    made.close()


def port_of(url: str, heard: Heard, clock=time.monotonic) -> HidPort:
    return HidPort(
        url,
        clock=clock,
        on_bytes=heard.bytes_came,
        on_lost=heard.lost,
        on_found=heard.found,
    )


# -- the way of a report -------------------------------------------------------------------------


async def test_the_descriptor_comes_first_then_each_report_stamped_and_readable(scale):
    path = scale.plug_in(usual())
    heard = Heard()
    before = time.monotonic()
    sent = [report(812), report(254), report(254)]
    async with running(port_of(f"hid:{path}", heard)):
        told = descriptor_line(usual())
        await heard.until_data(told)
        for data in sent:
            scale.say(path, data)
            told += report_line(data)
            await heard.until_data(told)
    assert heard.kinds == ["found", "bytes"]
    assert heard.told("found") == [path]
    stamps = [at_s for _, at_s, _ in heard.log]
    assert stamps == sorted(stamps)
    assert before <= stamps[0] <= stamps[-1] <= time.monotonic()
    found = Decoder(load_profile("hid-scale-report")).feed(0.0, heard.data)
    assert [(r.text, r.unit, r.trusted) for r in found if isinstance(r, Reading)] == [
        ("254", "g", False),
        ("254", "g", True),
    ]


async def test_the_only_scale_there_is_needs_no_name(stand_in):
    other, path = stand_in.plug_in(kit.MOUSE, "a mouse"), stand_in.plug_in(usual(9), place="2")
    heard = Heard()
    async with running(port_of("hid:auto", heard)):
        await heard.until_data(descriptor_line(usual(9)))
    assert heard.told("found") == [path]
    assert [node.path for node in scales_there()] == [path]
    assert [node.path for node in nodes_there()] == [other, path]


async def test_a_scale_that_is_plugged_in_again_is_known_by_what_it_is(scale):
    """Under another name, and with another scale of the same make where it was plugged in."""
    path = scale.plug_in(usual(), place="1")
    heard = Heard()
    async with running(port_of(f"hid:{path}", heard)):
        await heard.until(lambda: heard.kinds == ["found", "bytes"])
        held = scale.plug_in(usual(), place="2")
        scale.pull_out(path)
        await heard.until(lambda: heard.kinds == ["found", "bytes", "lost"])
        back = scale.plug_in(usual(), place="1")
        await heard.until(lambda: len(heard.told("found")) == 2)
    assert heard.told("found") == [path, back]
    assert held != back
    assert heard.told("lost")[0].startswith(f"{path} went away: is the cable in, the scale on?")


async def test_several_programs_may_read_one_scale(scale):
    path = scale.plug_in(usual())
    one, two = Heard(), Heard()
    async with running(port_of(f"hid:{path}", one)), running(port_of(f"hid:{path}", two)):
        await one.until(lambda: one.kinds == ["found", "bytes"])
        await two.until(lambda: two.kinds == ["found", "bytes"])
    assert not one.told("lost") + two.told("lost")


async def test_a_reader_that_was_held_up_does_not_pass_old_reports_as_current(scale):
    """The clock stands in for a computer that slept: the reader waits in it and wakes late."""
    path = scale.plug_in(usual())
    gate, held, late = threading.Event(), threading.Event(), [0.0]
    gate.set()

    def clock() -> float:
        if not gate.is_set() and threading.current_thread().name == "scale port":
            held.set()
            gate.wait(8)
        return time.monotonic() + late[0]

    told = descriptor_line(usual())
    heard = Heard()
    async with running(port_of(f"hid:{path}", heard, clock)):
        await heard.until_data(told)
        gate.clear()
        await asyncio.to_thread(held.wait, 8)
        for _ in range(20):
            scale.say(path, report(999))
        late[0] = 10.0
        gate.set()
        await heard.until(lambda: heard.kinds == ["found", "bytes", "lost", "found", "bytes"])
        assert heard.data == told * 2
        scale.say(path, report(254))
        await heard.until_data(told * 2 + report_line(report(254)))
    assert heard.told("lost")[0].startswith("the computer was held up for 10 s")


# -- what cannot be read -------------------------------------------------------------------------


async def said_of(url: str) -> str:
    heard = Heard()
    async with running(port_of(url, heard)):
        await heard.until(lambda: heard.kinds == ["lost"])
    (why,) = heard.told("lost")
    return why


async def test_a_device_that_is_no_scale_is_refused_with_the_reason(scale):
    path = scale.plug_in(kit.VENDOR_PAGE, "something")
    assert await said_of(f"hid:{path}") == (
        f"{path} cannot be read as a scale: its report descriptor has no weight of a weighing "
        "device (usage page 8D)"
    )


async def test_no_device_at_all(stand_in):
    assert await said_of("hid:auto") == (
        "the HID scale is not there: is the cable in, the scale on? No HID device is there at all"
    )


async def test_a_scale_under_another_name_is_told(stand_in):
    path = stand_in.plug_in(usual(), "counter scale")
    why = await said_of("hid:/dev/hidraw0")
    assert why.startswith("/dev/hidraw0 is not there")
    assert why.endswith(f"HID scales that are: hid:{path} (counter scale)")


async def test_without_a_scale_the_other_devices_are_told(stand_in):
    path = stand_in.plug_in(kit.MOUSE, "a mouse")
    why = await said_of("hid:auto")
    assert why.endswith(f"No HID scale is; other HID devices are: hid:{path} (a mouse)")


async def test_of_two_scales_a_person_must_name_one(stand_in):
    one, two = stand_in.plug_in(usual(), "left"), stand_in.plug_in(usual(), "right", place="2")
    assert await said_of("hid:auto") == (
        "there is more than one HID scale; name the one to read: "
        f"hid:{one} (left), hid:{two} (right)"
    )


async def test_a_node_that_may_not_be_opened_says_how_it_may(monkeypatch):
    def refused(_path: str) -> hid_nodes.Node:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(scale_hid, "open_node", refused)
    why = await said_of("hid:/dev/hidraw0")
    assert "tools/61-hid-scale.rules" in why
    assert "group dialout" in why


async def test_a_file_that_is_no_node_is_told():
    assert (await said_of("hid:/dev/null")).startswith("/dev/null is no raw HID node")


@pytest.mark.parametrize("url", ["hid:", "hid:first", "hid:hidraw0"])
def test_a_url_that_names_nothing_is_refused_at_once(url):
    with pytest.raises(ValueError, match="neither hid:auto nor like hid:/dev/hidraw0"):
        port_of(url, Heard())


def test_which_urls_are_hid():
    assert is_hid("hid:auto")
    assert is_hid("/dev/hidraw2")
    assert not is_hid("/dev/ttyUSB0")
    assert not is_hid("socket://127.0.0.1:4001")


# -- the calls of the node -----------------------------------------------------------------------


def test_the_numbers_of_the_calls_are_those_of_the_system():
    """linux/hidraw.h with the macros of asm-generic/ioctl.h, worked by hand.

    Direction 2 (read) in the upper two bits, the size in the next fourteen, H (48), the number.
    """
    assert f"{hid_nodes.DESCRIPTOR_SIZE:08X}" == "80044801"
    assert f"{hid_nodes.DESCRIPTOR:08X}" == "90044802"  # 4 + 4096 bytes: 1004 hexadecimal
    assert f"{hid_nodes.INFO:08X}" == "80084803"
    assert f"{hid_nodes.PLACE:08X}" == "81004805"


def test_a_node_is_asked_what_it_is(tmp_path, monkeypatch):
    """The answers in the form of the system's structures, for a file that stands in."""
    answers = {
        hid_nodes.DESCRIPTOR_SIZE: struct.pack("<i", len(usual())),
        hid_nodes.INFO: struct.pack("<IHH", 3, 0x9234, 0xF001),
        hid_nodes.PLACE: b"usb-0000:01:00.0-1.2/input0\0",
    }

    def answer(_handle: int, call: int, into: bytearray) -> int:
        if call == hid_nodes.DESCRIPTOR:
            (size,) = struct.unpack_from("<I", into)
            into[4 : 4 + size] = usual()[:size]
        else:
            into[: len(answers[call])] = answers[call]
        return 0

    monkeypatch.setattr(fcntl, "ioctl", answer)
    monkeypatch.setattr(hid_nodes, "_SYSTEM", tmp_path)
    path = tmp_path / "hidraw7"
    path.write_bytes(report(1))
    node = open_node(str(path))
    assert node.descriptor == usual()
    assert node.identity == Identity(0x9234, 0xF001, "", "usb-0000:01:00.0-1.2/input0")
    node.close()


def test_a_file_that_answers_no_call_is_closed_again(tmp_path):
    path = tmp_path / "file"
    path.touch()
    before = len(list(Path("/proc/self/fd").iterdir()))
    with pytest.raises(OSError, match="ioctl"):
        open_node(str(path))
    assert len(list(Path("/proc/self/fd").iterdir())) == before


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (Identity(1, 2, "", "1-1"), True),
        (Identity(1, 2, "", "1-2"), False),
        (Identity(1, 2, "S", "1-1"), False),
        (Identity(1, 3, "", "1-1"), False),
    ],
)
def test_a_device_without_a_serial_number_is_known_by_its_place(other, same):
    assert Identity(1, 2, "", "1-1").same(other) is same


def test_a_serial_number_counts_more_than_the_place():
    assert Identity(1, 2, "S", "1-1").same(Identity(1, 2, "S", "1-2"))


# -- the rule that ships -------------------------------------------------------------------------


@pytest.mark.parametrize(("data", "fits"), [(usual(), True), (kit.MOUSE, False)])
def test_the_rule_for_the_system_fits_scales_and_nothing_else(stand_in, tmp_path, data, fits):
    rule = (ROOT / "tools" / "61-hid-scale.rules").read_text().replace("\\\n", "")
    (command,) = re.findall(r'^ACTION.*PROGRAM=="([^"]+)"', rule, re.MULTILINE)
    (wanted,) = re.findall(r'^ACTION.*RESULT=="([^"]+)"', rule, re.MULTILINE)
    path = stand_in.plug_in(data)
    command = command.replace("%S%p", str(tmp_path / "hidraw" / Path(path).name))
    told = subprocess.run(command.split(), capture_output=True, text=True, check=True).stdout
    assert fnmatch.fnmatchcase(told.rstrip("\n"), wanted) is fits
