"""`scale listen`: what a port sends, raw and decoded, as it comes.

Owns the lines that are printed and when listening ends. Opens the port as the daemon does, with the
same trying of line settings, so that what is seen here is what the daemon would see.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
import sys
from collections.abc import Callable
from typing import Any, Protocol

from daemon.cli import UsageError
from daemon.cli_scale import ScaleError
from daemon.clock import Clock
from daemon.config import Scale
from drivers.decoder import Decoder
from drivers.line_settings import Trial, parse_settings, trials_for, trials_for_any
from drivers.notation import to_text
from drivers.reading import Garbled, Reading
from drivers.recogniser import Recogniser
from drivers.scale_hid import HidPort, is_hid
from drivers.scale_port import ScalePort
from drivers.scale_profile import Profile, known_profiles, load_profile
from drivers.stream_decode import reading_as_json

_LINE = re.compile(rb"[^\r\n\x03]{0,63}(?:\r\n|\n\r|[\r\n\x03])|[^\r\n\x03]{64}")
_LONGEST_RAW = 1024
LOOK_EVERY_S = 0.25
"""How often it is looked whether silence has lasted long enough."""

_HID_SHAPE = "hid-scale-report"

Tell = Callable[[float, bytes, Reading | Garbled | None], None]


def shape_of(scale: Scale) -> Profile | None:
    """How the scale's lines read, None where that is to be recognised; a HID scale says it itself.

    Raises ProfileError for a shape that is not known, UsageError for one that cannot be this
    scale's.
    """
    named = None if scale.profile in ("", "auto") else load_profile(scale.profile)
    if not is_hid(scale.url):
        if named is not None and named.reports and scale.url:
            raise UsageError(
                f"--profile {named.name} is for USB HID scales: give --scale hid:auto with it."
            )
        return named
    if named is not None and not named.reports:
        raise UsageError(
            f"--scale {scale.url} is a USB HID scale, whose reports are not {named.name}: leave "
            "--profile out."
        )
    return named or load_profile(_HID_SHAPE)


class PortUser(Protocol):
    """Who is told what a port brings."""

    def on_bytes(self, at_s: float, data: bytes) -> None:
        """Bytes came."""

    def on_lost(self, at_s: float, why: str) -> None:
        """The port went away, or cannot be opened."""

    def on_found(self, at_s: float, port: str) -> None:
        """The port is open."""

    def heard(self) -> bool:
        """Whether the bytes make sense so far."""

    def shape_name(self) -> str | None:
        """The name of the shape of its lines, once that is sure."""


def port_of(
    scale: Scale, profile: Profile | None, clock: Callable[[], float], user: PortUser
) -> ScalePort | HidPort:
    """The port that `scale` names, yet to be run; raises UsageError where it names none."""
    told: dict[str, Any] = {
        "clock": clock,
        "on_bytes": user.on_bytes,
        "on_lost": user.on_lost,
        "on_found": user.on_found,
    }
    try:
        if is_hid(scale.url):
            return HidPort(scale.url, **told)
        ways = ways_to_listen(scale, profile)
        return ScalePort(
            scale.url, **told, trials=ways, heard=user.heard, judge=lambda: _judge(profile, user)
        )
    except ValueError as error:
        raise UsageError(
            f"--scale {scale.url}: {error}. Give a device path, a pyserial URL or hid:auto."
        ) from None


def _judge(profile: Profile | None, user: PortUser) -> Decoder | None:
    """A decoder of the scale's shape, None while nobody knows which that is."""
    if profile is not None:
        return Decoder(profile)
    name = user.shape_name()
    known = {shape.name: shape for shape in known_profiles()} if name else {}
    return Decoder(known[name]) if name in known else None


def ways_to_listen(scale: Scale, profile: Profile | None) -> tuple[Trial, ...]:
    """Settings of the line to try: the configured, else those of the shape, else all common."""
    trials = trials_for(profile) if profile else trials_for_any(known_profiles())
    if not scale.baud and not scale.framing:
        return trials
    usual = str(trials[0].settings).split()
    fixed = parse_settings(f"{scale.baud or usual[0]} {scale.framing or usual[1]}")
    return tuple(dict.fromkeys(Trial(fixed, trial.request) for trial in trials))


def listen(scale: Scale, profile: Profile | None, seconds: float | None, *, as_json: bool) -> int:
    """Print what comes until Ctrl-C or for so long; raises ScaleError where nothing can come."""
    if not scale.url:
        raise UsageError(
            "No scale is named. Give --scale /dev/serial/by-id/… (or another pyserial URL); "
            "`benchpour doctor` lists the ports there are."
        )
    tell = _tell_json if as_json else _tell
    return asyncio.run(_listen(Listener(scale, profile, tell, _say), seconds))


def _say(note: str) -> None:
    """What is not a frame goes beside the frames."""
    print(f"benchpour: {note}", file=sys.stderr, flush=True)


class Listener:
    """A port being listened to: what came, what it means, and where the line stands."""

    def __init__(
        self, scale: Scale, profile: Profile | None, tell: Tell, say: Callable[[str], None]
    ) -> None:
        """Listen to `scale.url`; raises UsageError for one that is none.

        `tell` gets seconds since the start, raw bytes, and what they were read as; `say` a note.
        """
        clock = Clock()
        self.now_s, self._began = clock.now_s, clock.now_s()
        self.decoder: Decoder | Recogniser = Decoder(profile) if profile else Recogniser()
        self._tell, self._note = tell, say
        self._rest = b""
        self._rest_at = 0
        """Where in the stream the bytes that have not been told yet begin."""
        self._said: dict[str, str] = {}
        self.readings = self.garbled = self.bytes = 0
        self.found_s: float | None = None
        """When the port was opened, on the clock of `now_s`; None before."""
        self.trouble = ""
        """Why the port cannot be opened, empty once it was open."""
        self.news = asyncio.Event()
        """Set whenever something came, or the port is not to be had."""
        self.port = port_of(scale, profile, clock.now_s, self)

    def end(self) -> None:
        """Tell what is left, and what all of it came to."""
        self._tell_raw(everything=True)
        shape = self.decoder
        note = shape.note if isinstance(shape, Recogniser) else f"read as {shape.profile_name}"
        self._say(
            "end", f"{self.readings} readings, {self.garbled} damaged, {self.bytes} bytes; {note}"
        )

    def on_bytes(self, at_s: float, data: bytes) -> None:
        """Bytes came: tell what they complete."""
        self.bytes += len(data)
        self._rest += data
        self.news.set()
        for item in self.decoder.feed(at_s, data) if data else ():
            self._tell(at_s - self._began, self._raw_of(item), item)
            self.readings += isinstance(item, Reading)
            self.garbled += isinstance(item, Garbled)
        if self.decoder.profile_name is None or len(self._rest) > _LONGEST_RAW:
            self._tell_raw()
        if self.decoder.profile_name:
            self._say("shape", f"the line shape is {self.decoder.profile_name}")

    def heard(self) -> bool:
        """Whether the bytes make sense so far."""
        return self.decoder.heard

    def shape_name(self) -> str | None:
        """The name of the shape of its lines, once that is sure."""
        return self.decoder.profile_name

    def say_settings(self) -> None:
        """Say which line settings are in use, and each time others are tried."""
        if self.found_s is not None:
            how = "over" if isinstance(self.port, HidPort) else "at"
            self._say("settings", f"listening to {self.port.port} {how} {self.port.settings}")

    def _raw_of(self, item: Reading | Garbled) -> bytes:
        """The bytes up to the end of this frame, with any that stand before it untold."""
        if isinstance(item, Reading):
            size = item.offset - self._rest_at
        else:
            at = self._rest.find(item.data)
            if at < 0:
                return item.data
            size = at + len(item.data)
        return self._cut(size)

    def _cut(self, size: int) -> bytes:
        raw, self._rest = self._rest[:size], self._rest[size:]
        self._rest_at += len(raw)
        return raw

    def _tell_raw(self, *, everything: bool = False) -> None:
        """Show whole lines that mean nothing, or not yet."""
        while self._rest:
            line = _LINE.match(self._rest)
            if line is None and not everything:
                return
            size = line.end() if line else len(self._rest)
            self._tell(self.now_s() - self._began, self._cut(size), None)

    def on_lost(self, at_s: float, why: str) -> None:
        """The port went away, or cannot be opened."""
        self.decoder.reset(at_s)
        if self.found_s is not None:
            self._say("lost", why)
            return
        self.trouble = why
        self.news.set()

    def on_found(self, at_s: float, port: str) -> None:
        """The port is open."""
        self.found_s, self.trouble = at_s, ""
        self.decoder.reset(at_s)
        self._said.clear()

    def _say(self, what: str, text: str) -> None:
        """Say this once, until something else is to be said about the same thing."""
        if self._said.get(what) != text:
            self._said[what] = text
            self._note(text)


async def hear(listener: Listener, enough: Callable[[], bool], seconds: float | None) -> None:
    """Listen until `enough`, for so long, or until the port turns out not to be had."""

    async def wait() -> None:
        while not listener.trouble and not enough():
            listener.news.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(listener.news.wait(), LOOK_EVERY_S)
            listener.say_settings()

    reading = asyncio.create_task(listener.port.run())
    waiting = asyncio.create_task(wait())
    await asyncio.wait({reading, waiting}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    for task in (reading, waiting):
        task.cancel()
    for ended in await asyncio.gather(reading, waiting, return_exceptions=True):
        if isinstance(ended, Exception):
            raise ended


async def _listen(listener: Listener, seconds: float | None) -> int:
    stopped: list[bool] = []

    def stop() -> None:
        stopped.append(True)
        listener.news.set()

    for sort in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sort, stop)
    await hear(listener, lambda: bool(stopped), seconds)
    if listener.trouble:
        raise ScaleError(listener.trouble)
    listener.end()
    if seconds is not None and not listener.bytes:
        raise ScaleError(
            f"Nothing came from {listener.port.port} in {seconds:g} s. Is the scale on, the cable "
            "the right one, and is the scale set to send by itself?"
        )
    return 0


def _tell(t: float, raw: bytes, item: Reading | Garbled | None) -> None:
    print(f"{t:8.2f} s  {_decoded(item):<30}  {to_text(raw)}", flush=True)


def _tell_json(t: float, raw: bytes, item: Reading | Garbled | None) -> None:
    row: dict[str, Any] = {"t": round(t, 3), "raw": raw.decode("latin-1")}
    if isinstance(item, Reading):
        row |= reading_as_json(item)
    elif isinstance(item, Garbled):
        row["garbled"] = item.why
    print(json.dumps(row), flush=True)


def _decoded(item: Reading | Garbled | None) -> str:
    """What a frame says, in words; nothing for bytes that have not been understood."""
    if item is None:
        return ""
    if isinstance(item, Garbled):
        return f"damaged: {item.why}"
    weight = f"{item.text or 'no weight':>9} {item.unit or ''}".rstrip()
    said = {True: "stable", False: "moving", None: ""}[item.declared]
    words = ("overload" if item.overload else "", said, "net" if item.net else "")
    trusted = "at rest" if item.trusted else ""
    return "  ".join(filter(None, (weight, *words, trusted)))
