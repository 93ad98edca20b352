"""The HID devices of this computer as Linux shows them: raw nodes, who they are, which are scales.

Owns the node's own calls (`linux/hidraw.h`) and what the system tells of a device without opening
it. Decides nothing about a report; the descriptor is judged by `hid_report`.
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from drivers.hid_descriptor import LONGEST
from drivers.hid_report import NotAScaleError, layout_of

_SYSTEM = Path("/sys/class/hidraw")
_DEVICES = Path("/dev")
_LONGEST_REPORT = 4096
_LONGEST_NAME = 256


def _reads(number: int, size: int) -> int:
    """The call of that number that hands out so many bytes (`_IOC_READ`, type H)."""
    return 2 << 30 | size << 16 | ord("H") << 8 | number


DESCRIPTOR_SIZE = _reads(1, 4)
DESCRIPTOR = _reads(2, 4 + LONGEST)
INFO = _reads(3, 8)
PLACE = _reads(5, _LONGEST_NAME)


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells a device from others: vendor, product, serial number, place on the bus."""

    vendor: int
    product: int
    serial: str = ""
    place: str = ""

    def same(self, other: Identity) -> bool:
        """Whether both are one device: by the serial number if there is one, else by the place."""
        if (self.vendor, self.product) != (other.vendor, other.product):
            return False
        if self.serial or other.serial:
            return self.serial == other.serial
        return self.place == other.place


@dataclass(frozen=True, slots=True)
class NodeThere:
    """A raw HID node that exists, as the system tells of it."""

    path: str
    what: str
    identity: Identity
    scale: bool
    """Its descriptor has a weight that can be read."""


class Node:
    """An open raw node: one report a read."""

    def __init__(self, path: str, handle: int, descriptor: bytes, identity: Identity) -> None:
        self.path, self.descriptor, self.identity = path, descriptor, identity
        self._handle = handle
        self._poll = select.poll()
        self._poll.register(handle, select.POLLIN)

    def read(self, wait_s: float) -> bytes:
        """The next report, waiting for it so long at most; OSError once the device is gone."""
        if not self._poll.poll(1000 * wait_s):
            return b""
        try:
            report = os.read(self._handle, _LONGEST_REPORT)
        except BlockingIOError:
            return b""
        if not report:
            raise OSError(errno.ENODEV, "no more reports")
        return report

    def drain(self) -> None:
        """Throw away the reports that have come so far."""
        while self.read(0.0):
            pass

    def close(self) -> None:
        """Let go of it."""
        os.close(self._handle)


def open_node(path: str) -> Node:
    """Open the raw node at `path` for reading; OSError where that cannot be done."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return Node(path, handle, _descriptor(handle), _identity(path, handle))
    except OSError:
        os.close(handle)
        raise


def _descriptor(handle: int) -> bytes:
    size = bytearray(4)
    fcntl.ioctl(handle, DESCRIPTOR_SIZE, size)
    wanted = bytearray(size + bytes(LONGEST))
    fcntl.ioctl(handle, DESCRIPTOR, wanted)
    return bytes(wanted[4 : 4 + int.from_bytes(size, "little")])


def _identity(path: str, handle: int) -> Identity:
    info, place = bytearray(8), bytearray(_LONGEST_NAME)
    fcntl.ioctl(handle, INFO, info)
    fcntl.ioctl(handle, PLACE, place)
    _, vendor, product = struct.unpack("=IHH", info)
    told = _told(_SYSTEM / Path(path).resolve().name)
    serial = told.get("HID_UNIQ", "")
    return Identity(vendor, product, serial, place.partition(b"\0")[0].decode("latin-1"))


def nodes_there() -> list[NodeThere]:
    """Every raw HID node, in the order of their numbers."""
    return sorted(_there(), key=lambda node: (len(node.path), node.path))


def scales_there() -> list[NodeThere]:
    """Those that are scales."""
    return [node for node in nodes_there() if node.scale]


def _there() -> Iterator[NodeThere]:
    for entry in _SYSTEM.glob("hidraw*"):
        told = _told(entry)
        _, vendor, product = (told.get("HID_ID", "") + "::").split(":")[:3]
        serial, place = told.get("HID_UNIQ", ""), told.get("HID_PHYS", "")
        try:
            identity = Identity(int(vendor, 16), int(product, 16), serial, place)
            descriptor = (entry / "device" / "report_descriptor").read_bytes()
        except (OSError, ValueError):
            continue  # unplugged this very moment
        what = told.get("HID_NAME", "")
        yield NodeThere(str(_DEVICES / entry.name), what, identity, _is_scale(descriptor))


def _told(entry: Path) -> dict[str, str]:
    try:
        text = (entry / "device" / "uevent").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    rows = (line.partition("=") for line in text.splitlines())
    return {key: value for key, _, value in rows}


def _is_scale(descriptor: bytes) -> bool:
    try:
        layout_of(descriptor)
    except NotAScaleError:
        return False
    return True
