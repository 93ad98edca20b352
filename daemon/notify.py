"""Tells the service manager how the daemon is: ready, alive, stopping.

Owns the one datagram of the notification protocol (sd_notify(3)). Does not know what "well" means;
whoever calls decides that. Without a service manager nothing is sent.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

READY = "READY=1"
ALIVE = "WATCHDOG=1"


def notify(*states: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Send the states in one datagram; False where nobody listens, which is never an error."""
    address = environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):  # Linux's abstract namespace: a zero byte on the wire
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as to:
            to.setblocking(False)  # a manager that does not read must not hold up a cue
            to.connect(address)
            to.send("\n".join(states).encode())
    except OSError:
        return False
    return True


def status(sentence: str) -> str:
    """The state that shows one sentence beside the service's name."""
    return "STATUS=" + " ".join(sentence.split())


def alive_every_s(environ: Mapping[str, str] = os.environ) -> float | None:
    """Seconds between two `ALIVE`, a third of the manager's patience; None where it sets none."""
    pid = environ.get("WATCHDOG_PID", "")
    patience_us = environ.get("WATCHDOG_USEC", "")
    if not patience_us.isdecimal() or int(patience_us) == 0:
        return None
    if pid.isdecimal() and int(pid) != os.getpid():  # it waits for another process, not for us
        return None
    return int(patience_us) / 3e6
