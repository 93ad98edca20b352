"""The lines that lead away from the bench, looked at: the scale's port and the broker.

Owns how long is listened and how a broker is tried. Publishes nothing, and sends a scale only what
the daemon would.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.clock import Clock, Timeline
from daemon.doctor_finding import Case, Finding
from daemon.journal import Journal

if TYPE_CHECKING:
    from daemon.broker_choice import BrokerChoice
    from daemon.cli_scale_listen import Listener
    from daemon.config import Config

HEARD_WITHIN_S = 2.0
SHAPE_WITHIN_S = 5.0


def scale(case: Case) -> Iterator[Finding]:
    """The port, and the shape of its lines: by listening, or by what a running daemon hears."""
    if case.daemon is not None:
        yield from _heard_by_daemon(case)
    elif not case.config.scale.url:
        advice = f"give --scale or set scale.url; {_ports_there()}"
        yield Finding("scale", False, "no scale is named", advice)
    else:
        yield from _listened_to(case.config)


def _ports_there() -> str:
    from drivers.hid_nodes import scales_there
    from drivers.port_names import ports_there

    serial = ", ".join(f"{port.name} ({port.what})" for port in ports_there()) or "none"
    hid = ", ".join(f"hid:{node.path} ({node.what})" for node in scales_there())
    return f"serial ports that are: {serial}" + (f"; USB HID scales: {hid}" if hid else "")


def _heard_by_daemon(case: Case) -> Iterator[Finding]:
    from daemon.offline import look
    from daemon.restart import saved_mark

    bench = look(case.store).engine.bench
    journal = Journal(case.store, write=False)
    with contextlib.closing(journal):
        now_s = Timeline(Clock(), saved_mark(journal)).now_s()
    link, last_s = bench.link, bench.weighing.at_s
    if link.state in ("lost", "overload"):
        yield Finding("scale", False, f"the daemon says: {link.why}", "see to cable and power")
    elif last_s is None or now_s - last_s > SHAPE_WITHIN_S:
        ago = "yet" if last_s is None else f"for {now_s - last_s:.0f} s"
        advice = "see to cable and power; stop the daemon and run `benchpour scale listen`"
        yield Finding("scale", False, f"the daemon has had no reading {ago}", advice)
    else:
        yield Finding("scale", True, f"the daemon reads {link.port}")
        yield Finding("line shape", True, link.profile)


def _listened_to(config: Config) -> Iterator[Finding]:
    from daemon.cli import UsageError
    from daemon.cli_scale_listen import Listener, hear, shape_of
    from drivers.scale_profile import ProfileError

    try:
        ear = Listener(config.scale, shape_of(config.scale), lambda *_: None, lambda _: None)
    except (ProfileError, UsageError) as error:
        yield Finding("scale", False, str(error).rstrip("."), "see `benchpour scale profiles`")
        return

    def enough() -> bool:
        quiet = ear.found_s is not None and ear.now_s() - ear.found_s >= HEARD_WITHIN_S
        return ear.readings > 0 or (not ear.bytes and quiet)

    asyncio.run(hear(ear, enough, HEARD_WITHIN_S + SHAPE_WITHIN_S))
    yield from _port_findings(ear, config.scale.url)


def _port_findings(ear: Listener, url: str) -> Iterator[Finding]:
    if ear.trouble:
        yield Finding("scale", False, ear.trouble)
        return
    if ear.found_s is None:
        yield Finding("scale", False, f"{url} does not open", "is the address right?")
        return
    if not ear.bytes:
        advice = (
            "is the scale on and set to send by itself? `benchpour scale listen` waits longer and "
            "asks it in every way known"
        )
        yield Finding(
            "scale", False, f"{url} is open, but nothing came in {HEARD_WITHIN_S:g} s", advice
        )
        return
    yield Finding("scale", True, f"{url} sends ({ear.port.settings})", _steady_name(url))
    if ear.readings:
        yield Finding("line shape", True, ear.decoder.profile_name or "several fit alike")
        return
    seen = getattr(ear.decoder, "note", f"no {ear.decoder.profile_name} in what came")
    advice = "look at it with `benchpour scale listen`, or name it with scale.profile"
    yield Finding("line shape", False, seen, advice)


def _steady_name(url: str) -> str:
    """A name of the port that outlives unplugging, where there is one and it is not used."""
    if not url.startswith("/dev/tty"):
        return ""
    for link in sorted(Path("/dev/serial/by-id").glob("*")):
        if link.resolve() == Path(url).resolve():
            return f"better named {link}, which stays the same when cables are moved"
    return ""


def broker(case: Case) -> Iterator[Finding]:
    """The broker: whether there is one to start, or whether the one that is given lets us in."""
    from daemon.broker_access import BrokerError
    from daemon.broker_choice import parse_choice

    file, ca_file = case.config.broker.password_file, case.config.broker.ca_file
    try:
        choice = parse_choice(
            case.config.broker.url,
            password_file=Path(file) if file else None,
            ca_file=Path(ca_file) if ca_file else None,
        )
    except BrokerError as error:
        yield Finding("broker", False, str(error).rstrip("."))
        return
    for warning in choice.warnings:
        yield Finding("broker", True, warning.rstrip("."))
    if choice.kind == "url":
        yield asyncio.run(_asked_in(choice, case))
    elif choice.kind == "none":
        yield Finding("broker", True, "none, as set: phones and dashboards hear nothing")
    else:
        yield _own_broker(choice.kind)


def _own_broker(kind: str) -> Finding:
    from daemon.broker_child import find_mosquitto

    program = find_mosquitto() if kind == "auto" else None
    if program is not None:
        return Finding("broker", True, f"{program}, which the daemon starts on the loopback")
    if importlib.util.find_spec("amqtt") is not None:
        return Finding("broker", True, "the embedded one, on the loopback")
    advice = "sudo apt install mosquitto, or set broker.url to one of your own or none"
    return Finding("broker", False, "neither mosquitto nor an embedded broker is here", advice)


async def _asked_in(choice: BrokerChoice, case: Case) -> Finding:
    """Connect once, as the daemon would but under another name and without a last will."""
    from daemon.broker_choice import open_broker
    from daemon.broker_client import try_broker

    async with open_broker(choice, store=case.store) as opened:
        assert opened is not None
        trouble = await try_broker(opened.endpoint)
    if trouble:
        return Finding("broker", False, trouble.rstrip("."))
    return Finding("broker", True, f"{choice.shown} answers and lets us in")
