"""A USB HID scale: its reports as lines of bytes, stamped as they arrive, for ever.

Owns finding the scale, opening it, losing it and finding it again. Does not know what a report
says; in which form the bytes are told, `hid_frames` knows.
"""

from __future__ import annotations

import errno
from collections.abc import Callable

from drivers.hid_frames import descriptor_line, report_line
from drivers.hid_nodes import Identity, Node, NodeThere, nodes_there, open_node, scales_there
from drivers.hid_report import NotAScaleError, layout_of
from drivers.port_reader import STALLED_S, TURN_S, PortReader

PREFIX = "hid:"
AUTO = "auto"
_RAW_NODE = "/dev/hidraw"


def is_hid(url: str) -> bool:
    """Whether `url` names a HID device: hid:auto, hid:/dev/hidraw0, or the bare raw node."""
    return url.startswith((PREFIX, _RAW_NODE))


class _NoneToReadError(OSError):
    """What is there is no scale, or it is not clear which one: a person must say."""


class HidPort(PortReader[Node]):
    """Reads the HID scale that `url` names.

    Each report is told as one line of bytes; the first line after `on_found` is the report
    descriptor, by which the reports can be read. Several programs may read one scale at a time.
    ValueError where `url` is none.
    """

    settings = "USB HID"
    """How it is connected, in words: there is no speed to set."""

    def __init__(
        self,
        url: str,
        *,
        clock: Callable[[], float],
        on_bytes: Callable[[float, bytes], None],
        on_lost: Callable[[float, str], None],
        on_found: Callable[[float, str], None],
    ) -> None:
        self._wanted = url.removeprefix(PREFIX)
        if self._wanted != AUTO and not self._wanted.startswith("/"):
            raise ValueError(f"{url!r} is neither {PREFIX}{AUTO} nor like {PREFIX}{_RAW_NODE}0")
        super().__init__(url, clock=clock, on_bytes=on_bytes, on_lost=on_lost, on_found=on_found)
        self._identity: Identity | None = None
        self._first_line = b""
        self._opened_s = 0.0

    # -- in the reader's thread ----------------------------------------------------------------

    def _open(self) -> Node:
        self.port = self._where()
        node = open_node(self.port)
        self._opened_s = self._clock()
        try:
            layout_of(node.descriptor)
        except NotAScaleError as error:
            node.close()
            why = f"{self.port} cannot be read as a scale: {error}"
            raise _NoneToReadError(errno.EINVAL, why) from None
        self._identity = node.identity
        self._first_line = descriptor_line(node.descriptor)
        return node

    def _where(self) -> str:
        """The node to open: where the scale of before is now, else the wanted one."""
        if self._identity is not None:
            same = [n.path for n in nodes_there() if n.identity.same(self._identity)]
            if len(same) == 1:
                return same[0]
        if self._wanted != AUTO:
            return self._wanted
        scales = scales_there()
        if len(scales) > 1:
            why = f"there is more than one HID scale; name the one to read: {_names(scales)}"
            raise _NoneToReadError(errno.EINVAL, why)
        if not scales:
            raise FileNotFoundError(errno.ENOENT, "no HID scale")
        return scales[0].path

    def _trouble(self, error: OSError) -> tuple[str, bool]:
        where = self.port if self.port != self.url else self._wanted
        name = "the HID scale" if where == AUTO else where
        if isinstance(error, _NoneToReadError):
            return str(error.strerror), True
        if error.errno in (errno.EACCES, errno.EPERM):
            return (
                f"{name} may not be opened by this user; copy tools/61-hid-scale.rules to "
                "/etc/udev/rules.d, add the user to the group dialout and plug the scale in again",
                True,
            )
        if error.errno in (errno.ENOTTY, errno.EISDIR):
            return f"{name} is no raw HID node; they are called {_RAW_NODE}0 and so on", True
        return f"{name} is not there: is the cable in, the scale on? {_what_is_there()}", False

    def _gone(self, error: Exception) -> str:
        return f"{self.port} went away: is the cable in, the scale on? ({error})"

    def _read(self, device: Node) -> None:
        turned_s = self._opened_s
        while not self._stop.is_set():
            report = device.read(TURN_S)
            at_s = self._clock()
            held_s, turned_s = at_s - turned_s, at_s
            if held_s > STALLED_S:
                device.drain()
                self._say_stalled(held_s)
                turned_s = self._clock()
            elif report:
                self._say_bytes(at_s, report_line(report))

    def _say_found(self) -> None:
        super()._say_found()
        at_s, line = self._clock(), self._first_line
        self._post(lambda: self._take(at_s, line))


def _what_is_there() -> str:
    scales, others = scales_there(), [node for node in nodes_there() if not node.scale]
    if scales:
        return f"HID scales that are: {_names(scales)}"
    if others:
        return f"No HID scale is; other HID devices are: {_names(others)}"
    return "No HID device is there at all"


def _names(nodes: list[NodeThere]) -> str:
    return ", ".join(f"{PREFIX}{node.path} ({node.what})" for node in nodes)
