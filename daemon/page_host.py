"""Under which names this machine's page may be asked for, and from where its sockets may be opened.

Owns the defence against pages of others: a name that somebody else points at this machine (DNS
rebinding) is not ours, and a socket opened by another page is refused. Knows no connection.
"""

from __future__ import annotations

import contextlib
import ipaddress
import re
import socket

_HOST = re.compile(r"(?P<name>\[[0-9a-fA-F:.]+\]|[A-Za-z0-9.-]{1,253})(?::(?P<port>\d{1,5}))?")
_AT_HOME = ("local", "lan", "home", "internal", "localdomain", "home.arpa")
"""Endings that no registry sells, so that nobody outside can own such a name."""

_NOWHERE = ("192.0.2.1", 9)
"""An address for documentation (RFC 5737): asking for the way to it sends nothing."""


def is_ours(host: str, own_names: tuple[str, ...] = ()) -> bool:
    """Tell whether a Host header is an address, or a name that only this machine can have."""
    match = _HOST.fullmatch(host)
    if match is None:
        return False
    name = match["name"].strip("[]").rstrip(".").lower()
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(name)
        return True
    own = ("localhost", socket.gethostname().lower(), *(one.lower() for one in own_names))
    if name in own:
        return True
    first, _, ending = name.partition(".")
    return ending in _AT_HOME and first in own


def is_same_origin(origin: str | None, host: str) -> bool:
    """Tell whether a socket is opened by this very page, or by a program that is no browser."""
    return origin is None or origin.lower() in (f"http://{host.lower()}", f"https://{host.lower()}")


def is_loopback(address: str) -> bool:
    """Tell whether nobody but this machine reaches a listener on this address."""
    if address.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def shown_host(address: str) -> str:
    """Return the address to type into a phone for a page that listens on `address`."""
    if address not in ("", "0.0.0.0", "::"):
        return f"[{address}]" if ":" in address else address
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_NOWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()
