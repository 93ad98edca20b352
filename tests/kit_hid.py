"""HID scales for the tests: descriptors, reports, and a device to read them from.

The device is a virtual one of the system's own (`/dev/uhid`) where that can be opened; elsewhere a
pair of sockets that keep the bounds of reports stands in for the raw node, with a folder like the
one in which the system tells of its devices.
"""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
import time
from pathlib import Path

import pytest

from drivers import hid_nodes, scale_hid
from drivers.hid_nodes import Identity, Node

NODE_WITHIN_S = 3.0
VENDOR, PRODUCT = 0x1209, 0x8D01
"""The vendor number is the one that is given out for open projects and experiments."""

HEAD = "05 8D 09 20 A1 01"
DATA = "09 32 A1 02 85 {id:02X} 75 08 95 01"
STATUS = "15 01 09 70 A1 02 25 08 19 71 29 78 81 00 C0"
UNIT = "15 01 09 50 A1 02 25 0C 19 51 29 5C 81 00 C0"
EXPONENT = "75 08 15 81 25 7F 09 41 81 02"
WEIGHT = "75 10 15 00 27 FF FF 00 00 09 40 81 02"


def descriptor(*parts: str, report_id: int = 3) -> bytes:
    """A descriptor of one data report with these parts in this order; no id byte where it is 0."""
    data = DATA.format(id=report_id) if report_id else DATA.replace("85 {id:02X} ", "")
    return bytes.fromhex(" ".join((HEAD, data, *parts, "C0 C0")))


def usual(report_id: int = 3) -> bytes:
    """The order of the example in the standard."""
    return descriptor(STATUS, UNIT, EXPONENT, WEIGHT, report_id=report_id)


WHOLE = bytes.fromhex(
    HEAD
    # 1, feature: class and unit that the scale is set to
    + "09 30 A1 02 85 01 75 08 95 01 15 01 09 21 A1 02 25 0A 19 21 29 2A B1 00 C0"
    + "09 50 A1 02 25 0C 19 51 29 5C B1 00 C0 C0"
    # 2, output: enforced zero return, zero the scale
    + "09 31 A1 02 85 02 75 01 95 02 15 00 25 01 09 81 09 80 91 02 75 06 95 01 91 03 C0"
    # 3, input: the weighing
    + DATA.format(id=3)
    + STATUS
    + UNIT
    + EXPONENT
    + WEIGHT
    + "C0"
    # 4, input: the status once more
    + "09 33 A1 02 85 04 75 08 95 01 15 01 09 70 A1 02 25 08 19 71 29 78 81 00 C0 C0"
    # 5, feature: the weight limit, in the usages of a weighing
    + "09 34 A1 02 85 05 75 08 95 01 09 50 A1 02 15 01 25 0C 19 51 29 5C B1 00 C0"
    + "15 81 25 7F 09 41 B1 02 75 10 15 00 27 FF FF 00 00 09 40 B1 03 C0"
    # 6, feature: how often it was calibrated and zeroed
    + "09 35 A1 02 85 06 75 10 95 02 15 00 27 FF FF 00 00 09 60 09 61 B1 03 C0"
    + "C0"
)
"""All six reports of a weighing device, ids 1 to 6 in the order of the standard's section 4."""

KEYBOARD = bytes.fromhex(
    "05 01 09 06 A1 01 05 07 19 E0 29 E7 15 00 25 01 75 01 95 08 81 02 95 01 75 08 81 01"
    "95 05 75 01 05 08 19 01 29 05 91 02 95 01 75 03 91 01"
    "95 06 75 08 15 00 25 65 05 07 19 00 29 65 81 00 C0"
)
"""The boot keyboard of the class definition (HID 1.11, appendix B.1)."""

MOUSE = bytes.fromhex(
    "05 01 09 02 A1 01 09 01 A1 00 05 09 19 01 29 03 15 00 25 01 95 03 75 01 81 02"
    "95 01 75 05 81 01 05 01 09 30 09 31 15 81 25 7F 75 08 95 02 81 06 C0 C0"
)
"""The boot mouse of the class definition (HID 1.11, appendix B.2)."""

VENDOR_PAGE = bytes.fromhex("06 00 FF 09 01 A1 01 75 08 95 06 15 00 26 FF 00 09 01 81 02 C0")

FAULT, ZERO, MOVING, STABLE, UNDER, OVER, CALIBRATE, REZERO = range(1, 9)
MG, G, KG, CARAT, TAEL, GRAIN, DWT, TONNE, TON, OZT, OZ, LB = range(1, 13)


def report(
    weight: int, exponent: int = 0, unit: int = G, status: int = STABLE, report_id: int = 3
) -> bytes:
    """One report of the usual order."""
    return struct.pack("<BBBbH", report_id, status, unit, exponent, weight)


class StandInScale:
    """A HID scale that the system seems to tell of, and whose node can be opened."""

    kind = "a pair of sockets"

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self._folder = folder / "hidraw"
        self._folder.mkdir()
        self._number = 3
        self._ends: dict[str, tuple[socket.socket, socket.socket, bytes, Identity]] = {}
        """By the path of the node: the device's end, the reader's, and what it says of itself."""
        patch.setattr(hid_nodes, "_SYSTEM", self._folder)
        patch.setattr(scale_hid, "open_node", self._open)

    def plug_in(
        self, data: bytes, name: str = "a scale", serial: str = "", place: str = "1"
    ) -> str:
        """A device with this descriptor is there from now on; returns the path of its node."""
        self._number += 1
        path = f"/dev/hidraw{self._number}"
        device = self._folder / Path(path).name / "device"
        device.mkdir(parents=True)
        (device / "report_descriptor").write_bytes(data)
        (device / "uevent").write_text(
            f"DRIVER=hid-generic\nHID_ID=0003:{VENDOR:08X}:{PRODUCT:08X}\nHID_NAME={name}\n"
            f"HID_PHYS={place}\nHID_UNIQ={serial}\n"
        )
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        theirs.setblocking(False)
        self._ends[path] = (ours, theirs, data, Identity(VENDOR, PRODUCT, serial, place))
        return path

    def _open(self, path: str) -> Node:
        if path not in self._ends:
            raise FileNotFoundError(2, "No such file or directory")
        _, theirs, data, identity = self._ends[path]
        return Node(path, os.dup(theirs.fileno()), data, identity)

    def say(self, path: str, data: bytes) -> None:
        """The device sends one report."""
        self._ends[path][0].send(data)

    def pull_out(self, path: str) -> None:
        """The device and its node are gone."""
        for file in ("report_descriptor", "uevent"):
            (self._folder / Path(path).name / "device" / file).unlink()
        ours, theirs, _, _ = self._ends.pop(path)
        ours.close()
        theirs.close()

    def close(self) -> None:
        """All devices are gone."""
        for path in list(self._ends):
            self.pull_out(path)


class VirtualScale:
    """Devices of the system's own making: what `linux/uhid.h` says."""

    kind = "/dev/uhid"
    _DESTROY, _CREATE, _INPUT = 1, 11, 12

    def __init__(self) -> None:
        self._handles: dict[str, int] = {}

    def plug_in(
        self, data: bytes, name: str = "a scale", serial: str = "", place: str = "1"
    ) -> str:
        """As the stand-in's; the test run's own number keeps the devices of two runs apart."""
        place = f"benchpour-{os.getpid()}-{place}"
        before = {node.path for node in hid_nodes.nodes_there()}
        handle = os.open("/dev/uhid", os.O_RDWR | os.O_CLOEXEC)
        texts = name.encode().ljust(128, b"\0") + place.encode().ljust(64, b"\0")
        texts += serial.encode().ljust(64, b"\0")
        head = struct.pack("<HHIIII", len(data), 3, VENDOR, PRODUCT, 1, 0)
        os.write(handle, struct.pack("<I", self._CREATE) + texts + head + data.ljust(4096, b"\0"))
        deadline_s = time.monotonic() + NODE_WITHIN_S
        while time.monotonic() < deadline_s:
            for node in hid_nodes.nodes_there():
                mine = node.path not in before and node.identity.place == place
                if mine and os.access(node.path, os.R_OK):
                    self._handles[node.path] = handle
                    return node.path
            threading.Event().wait(0.02)
        os.close(handle)
        raise OSError("the system makes no node of the virtual device")

    def say(self, path: str, data: bytes) -> None:
        """The device sends one report."""
        event = struct.pack("<IH", self._INPUT, len(data)) + data
        os.write(self._handles[path], event)

    def pull_out(self, path: str) -> None:
        """The device and its node are gone."""
        handle = self._handles.pop(path)
        with contextlib.suppress(OSError):
            os.write(handle, struct.pack("<I", self._DESTROY))
        os.close(handle)

    def close(self) -> None:
        """All devices are gone."""
        for path in list(self._handles):
            self.pull_out(path)


AnyScale = StandInScale | VirtualScale


def virtual_scale() -> VirtualScale | None:
    """What makes virtual devices; None where this user or this machine cannot."""
    made = VirtualScale()
    try:
        made.plug_in(usual(), "a trial")
    except OSError:
        return None
    made.close()
    return made
