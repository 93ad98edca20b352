"""`scale learn` live: a person led through the use of their scale, while its bytes are kept.

Owns the steps, the questions, and which bytes came while the display showed what was answered. Does
not know how a line shape is inferred from them.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from bisect import bisect_left
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

from daemon.cli import UsageError
from daemon.cli_scale import ScaleError
from daemon.cli_scale_listen import port_of
from daemon.clock import Clock
from daemon.config import Scale
from drivers.learn_frames import framings
from drivers.learn_marks import Shown, ShownError, read_display
from drivers.learn_refusal import NotLearnedError
from drivers.line_settings import Trial, looks
from drivers.scale_hid import is_hid
from drivers.scale_learn import Learned, learn
from drivers.scale_port import ScalePort

STEPS = (
    "Take everything off the pan and zero the scale.",
    "Put a load on, best one whose digits all differ, and take your hand away.",
    "Put another load on top of it.",
    "Press the tare key, the load still on the pan.",
    "Put a third load on top.",
    "Take everything off, the tare still set.",
)
"""What the person does, one after the other; after each the display is asked for."""
QUESTION = "When the display rests, type what it shows, with the unit (empty: leave this out): "
REST_S = 2.0
"""What came so long before the answer is taken to be what the display showed."""
SETTLE_S = 30.0
"""So long line settings are tried until the bytes are text."""
_MORE = 3
"""Further observations that are asked for where two explanations remain."""
_SAMPLE = 320
_ENOUGH = 96
_REGULAR = 0.95
_FEW = 3
_LINE = 1024
_AGAIN = "Try another load, then one with the tare set"

Ask = Callable[[str], Awaitable[str]]
"""Puts a question to the person; the answer, empty at the end of input too."""
Say = Callable[[str], None]


@dataclass(slots=True)
class Stream:
    """What the scale has sent since the line was last set, and when."""

    data: bytearray = field(default_factory=bytearray)
    at_s: list[float] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    settled: bool = False
    """Whether the line settings are to stay, whatever comes."""
    tried: dict[Trial, bytes] = field(default_factory=dict)
    """What came last in each way of listening that was given up."""
    trouble: str = ""
    """Why there is nothing to hear."""
    open: bool = False
    news: asyncio.Event = field(default_factory=asyncio.Event)
    way: Callable[[], Trial] = Trial
    """How the scale is listened to at present."""
    _heard_with: Trial = field(default_factory=Trial)

    def on_bytes(self, at_s: float, data: bytes) -> None:
        """Keep them; other line settings begin anew."""
        if self._heard_with != self.way():
            self._give_up()
            self._heard_with = self.way()
        if data:
            self.data += data
            self.at_s.append(at_s)
            self.ends.append(len(self.data))
        self.news.set()

    def _give_up(self) -> None:
        """Forget what came in a way of listening that was wrong, but for a sample."""
        if self.data:
            self.tried[self._heard_with] = bytes(self.data[-_SAMPLE:])
        self.data.clear()
        self.at_s.clear()
        self.ends.clear()

    def on_lost(self, at_s: float, why: str) -> None:
        """Without the scale there is nothing to learn."""
        self.trouble = why
        self.news.set()

    def on_found(self, at_s: float, port: str) -> None:
        """The port is open, or was found again."""
        self.open, self.trouble = True, ""
        self.news.set()

    def heard(self) -> bool:
        """Whether the line settings make sense, or are to stay anyway."""
        return self.settled or self.is_text

    def shape_name(self) -> str | None:
        """None: it is only being found out."""
        return None

    @property
    def is_text(self) -> bool:
        """Whether what came last are lines of text."""
        sample = bytes(self.data[-_SAMPLE:])
        return len(sample) >= _ENOUGH and looks(sample) == "text"

    def most_regular(self) -> Trial | None:
        """The way in which the bytes came in frames of few lengths, the commonest first."""
        self.tried[self._heard_with] = bytes(self.data[-_SAMPLE:])
        for way, sample in self.tried.items():
            ways = framings(sample) if len(sample) >= _ENOUGH else []
            if ways and ways[0].share > _REGULAR and ways[0].lengths <= _FEW:
                return way
        return None

    def since(self, at_s: float) -> int:
        """Where the bytes begin that came at this time or later."""
        n = bisect_left(self.at_s, at_s)
        return self.ends[n - 1] if n else 0


async def learn_live(
    scale: Scale,
    ask: Ask,
    say: Say,
    *,
    name: str = "learned",
    settle_s: float = SETTLE_S,
    stream: Stream | None = None,
) -> Learned:
    """Lead a person through the use of their scale, and learn its lines.

    What is heard meanwhile is kept in `stream`. Raises ScaleError where the scale cannot be heard,
    NotLearnedError where its lines stay open.
    """
    if is_hid(scale.url):
        raise UsageError(
            f"--scale {scale.url}: a HID scale says itself how its reports read; use it as it is."
        )
    stream, now_s = stream or Stream(), Clock().now_s
    async with _running(scale, stream, now_s) as port:
        if not await _settle(stream, settle_s, say):
            say(
                "Nothing has come yet. If the scale sends only at a key, press that key again and "
                "again now, until more is said here."
            )
            if not await _settle(stream, settle_s, say):
                raise ScaleError(_silent(port.port, 2 * settle_s))
        better = None if stream.is_text else stream.most_regular()
        stream.settled = True
        if better is not None:
            say(f"No settings make text of the bytes; they are most regular at {better.settings}.")
            port.use(better)
        return await _Walk(stream, port, ask, say, now_s).learned(name)


def _silent(port: str, waited_s: float) -> str:
    return (
        f"Nothing came from {port} in {waited_s:.0f} s, and no question that is known was answered."
        " Is the scale on, the cable the right one (some need a crossed one), and is the scale set "
        "to send by itself or at a key?"
    )


@contextlib.asynccontextmanager
async def _running(
    scale: Scale, stream: Stream, now_s: Callable[[], float]
) -> AsyncIterator[ScalePort]:
    """The scale's port, read into `stream` for as long as the block lasts."""
    port = port_of(scale, None, now_s, stream)
    assert isinstance(port, ScalePort)
    stream.way = lambda: port.trial
    reading = asyncio.create_task(port.run())
    try:
        yield port
    finally:
        reading.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await reading


async def _settle(stream: Stream, settle_s: float, say: Say) -> bool:
    """Wait until lines come, or it is clear that no settings make text of them; is anything heard?

    Raises ScaleError where the port cannot be had.
    """
    told: object = None
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(settle_s):
            while not stream.is_text and not stream.trouble:
                stream.news.clear()
                await stream.news.wait()
                if stream.open and stream.way().settings != told:
                    told = stream.way().settings
                    say(f"Listening at {told}.")
    if stream.trouble:
        raise ScaleError(stream.trouble)
    return bool(stream.data or stream.tried)


@dataclass(slots=True)
class _Walk:
    """The person and the scale, step by step."""

    stream: Stream
    port: ScalePort
    ask: Ask
    say: Say
    now_s: Callable[[], float]
    shown: list[Shown] = field(default_factory=list)

    async def learned(self, name: str) -> Learned:
        """Go through the steps, then ask on while two explanations remain."""
        for number, step in enumerate(STEPS, 1):
            await self._step(f"{number} of {len(STEPS)}. {step}")
        for _ in range(_MORE):
            try:
                return self._learn(name)
            except NotLearnedError as error:
                now = error.ask if error.asks_for_use else _AGAIN
                if not await self._step(f"Not sure yet: {error.why}. {now}."):
                    raise
        return self._learn(name)

    def _learn(self, name: str) -> Learned:
        """The profile, with the settings and the request that the scale is being heard with."""
        request = self.port.trial.request
        return learn(
            bytes(self.stream.data),
            self.shown,
            name=name,
            settings=str(self.port.settings),
            request=(request.send, request.every_s) if request else None,
        )

    async def _step(self, what: str) -> bool:
        """One thing to do, and what the display shows then; False where that is left out."""
        begin = len(self.stream.data)
        self.say(what)
        while answer := (await self.ask(QUESTION)).strip():
            if self.stream.trouble:
                raise ScaleError(self.stream.trouble)
            end = len(self.stream.data)
            since = max(begin, self.stream.since(self.now_s() - REST_S))
            since = begin if since >= end else since
            if since >= end:
                self.say("Nothing came from the scale meanwhile. Is it on, does it send by itself?")
                continue
            try:
                text, unit, reach = read_display(answer)
            except ShownError as error:
                self.say(str(error))
                continue
            self.shown.append(Shown(since, end, text, unit, reach))
            return True
        return False


class Person:
    """Whoever answers on standard input, without the event loop standing still meanwhile."""

    def __init__(self, source: int = 0) -> None:
        self._source = source
        self._typed = b""

    async def ask(self, question: str) -> str:
        """What is answered to the question; empty at the end of input."""
        print(question, end="", file=sys.stderr, flush=True)
        while b"\n" not in self._typed and (more := await self._more()):
            self._typed += more
        line, _, self._typed = self._typed.partition(b"\n")
        return line.decode(errors="replace")

    async def _more(self) -> bytes:
        loop, ready = asyncio.get_running_loop(), asyncio.Event()
        try:
            loop.add_reader(self._source, ready.set)
        except PermissionError:  # a plain file is ready at any time
            return os.read(self._source, _LINE)
        try:
            await ready.wait()
        finally:
            loop.remove_reader(self._source)
        return os.read(self._source, _LINE)
