"""The serial ports of this computer: which there are, whose they are, and which one is our scale's.

Owns names, identities and the sentences about them. Opens nothing and reads no bytes.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from serial.tools import list_ports

_PROC = Path("/proc")
_TERMINALS = "/sys/class/tty"
_BUSY = (errno.EBUSY, errno.EAGAIN)


@dataclass(frozen=True, slots=True)
class PortThere:
    """A serial port that exists: its name, what it is, and what tells it from others."""

    name: str
    what: str
    identity: tuple[object, ...] | None
    """Vendor, product, serial number and place on the bus; None for a port that is not on USB."""


def ports_there() -> tuple[PortThere, ...]:
    """Every serial port of this computer; none while one of them vanishes as it is looked at."""
    try:
        with os.scandir(_TERMINALS) as entries:
            known = frozenset((entry.name, entry.inode()) for entry in entries)
    except OSError:
        known = frozenset()
    try:
        return _looked_up(known)
    except (OSError, TypeError, ValueError):  # the library takes a file that is gone for a number
        return ()


@lru_cache(maxsize=1)
def _looked_up(known: frozenset[tuple[str, int]]) -> tuple[PortThere, ...]:
    """The same, looked up anew only when the kernel lists other devices than last time.

    To look at each costs more than all the rest that is done while a scale is away. What is plugged
    in again under its old name has another inode.
    """
    del known
    return tuple(_there(port) for port in sorted(list_ports.comports()))


def _there(port: list_ports.ListPortInfo) -> PortThere:  # type: ignore[name-defined]
    identity = None
    if port.vid is not None:
        identity = (port.vid, port.pid, port.serial_number, port.location)
    return PortThere(port.device, port.description or "", identity)


def is_local(url: str) -> bool:
    """Whether `url` is a port of this computer, not a network one or a pretend one."""
    return "://" not in url


def identity_of(path: str) -> tuple[object, ...] | None:
    """What tells the device at `path` from others; None where nothing does."""
    real = str(Path(path).resolve())
    return next((port.identity for port in ports_there() if port.name == real), None)


def found_again(path: str, identity: tuple[object, ...] | None) -> str:
    """The name under which the device is now: `path`, or where a device with `identity` is.

    The serial number counts if there is one (cheap adapters have none), else the place on the bus.
    More than one candidate is no answer: then it stays `path`.
    """
    if identity is None or identity_of(path) == identity:
        return path
    same = [port.name for port in ports_there() if _same(port.identity, identity)]
    return same[0] if len(same) == 1 else path


def is_known(port: str, identity: tuple[object, ...] | None) -> bool:
    """Whether the device at `port` is the one with `identity`, or nothing is known of that one.

    Two with the same serial number (some makers give all the same) are told by the place alone.
    """
    if identity is None or (now := identity_of(port)) == identity:
        return True
    same = [there.identity for there in ports_there() if _same(there.identity, identity)]
    return same == [now]


def may_be(path: str, identity: tuple[object, ...] | None) -> list[str]:
    """The names under which the device may be now, `path` first.

    One name where `found_again` knows it. Else all are guesses, by `is_known`: whatever is at
    `path`, and where there was no serial number every adapter of that make.
    """
    port = found_again(path, identity)
    if identity is None or is_known(port, identity):
        return [port]
    real = os.path.realpath(path)
    alike = [there.name for there in ports_there() if not identity[2] and _alike(there, identity)]
    named = [path] if Path(path).exists() else []
    return named + [name for name in alike if not (named and name == real)] or [path]


def _alike(port: PortThere, identity: tuple[object, ...]) -> bool:
    return port.identity is not None and port.identity[:3] == identity[:3]


def _same(one: tuple[object, ...] | None, another: tuple[object, ...]) -> bool:
    if one is None or one[:2] != another[:2]:
        return False
    return one[2] == another[2] if one[2] or another[2] else one[3] == another[3]


def who_holds(path: str, *, others: bool = False) -> str | None:
    """Who has the port open, as far as this user may see: "logger (process 812)".

    With `others` this program itself does not count.
    """
    real = os.path.realpath(path)
    if not os.path.lexists(real):
        return None
    for process in _PROC.glob("[0-9]*"):
        if others and process.name == str(os.getpid()):
            continue
        try:
            if any(str(link.readlink()) == real for link in (process / "fd").iterdir()):
                name = (process / "comm").read_text(errors="replace").strip()
                return f"{name} (process {process.name})"
        except OSError:
            continue  # it has ended, or it is another user's
    return None


def trouble(url: str, error: OSError) -> str:
    """One sentence on why `url` cannot be opened, and what to do."""
    if not is_local(url):
        return (
            f"nothing answers at {url}: {_reason(error)}; is the converter on, the address right?"
        )
    if error.errno in _BUSY:
        holder = who_holds(url) or "another program"
        return f"{url} is in use by {holder}; close that, the port is then taken by itself"
    if error.errno == errno.EACCES:
        return f"{url} may not be opened by this user; add the user to the group dialout"
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO):
        return f"{url} is not there: is the cable in, the scale on? {_what_is_there()}"
    return f"{url} cannot be opened: {_reason(error)}"


def needs_somebody(error: OSError) -> bool:
    """Whether a person has to do something about it: the port is there but taken or forbidden."""
    return error.errno in (*_BUSY, errno.EACCES)


def _what_is_there() -> str:
    names = ", ".join(f"{port.name} ({port.what})" for port in ports_there())
    return f"Ports that are: {names}" if names else "No serial port is there at all"


def _reason(error: OSError) -> str:
    """The innermost reason of an error that quotes others."""
    return str(error).rpartition(": ")[2].rpartition("] ")[2].strip("'\"") or type(error).__name__
