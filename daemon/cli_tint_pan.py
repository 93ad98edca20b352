"""The pan for a weighing by two readings: read through the daemon that has the scale, or alone.

Owns where the scale comes to rest and how fine it shows. Knows nothing of colours, and talks to
nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from daemon import control
from daemon.cli import CommandFailedError
from daemon.cli_scale_listen import Listener, shape_of
from daemon.clock import Clock
from daemon.config import Config
from daemon.store import holder
from daemon.tint_bench import at_rest_g
from daemon.weighing import is_current, start, weigh
from drivers.reading import Garbled, Reading

LOOK_EVERY_S = 0.1
LOOKS = 150
"""A reading that has not come to rest after so many looks never will by itself."""
CALM_LOOKS = 5
"""So many looks in a row must show the same: whoever presses Enter may still have a hand on it."""
SILENT_S = 12.0
"""All common line settings have been tried by then."""
KEEP_EVERY_S = 3.0
"""A pan that is lent is asked for again so often; well within the time that it is lent for."""
TAKEN_S = 4.0
"""Whoever else has the port may be about to let go of it; a silent scale, to speak again."""
END_S = 2.0

_PAUSE = threading.Event().wait

Rest = tuple[float, float]
"""The resting load and the display's step, grams."""


class Pan(Protocol):
    """A pan that can be looked at."""

    def look(self) -> Rest | None:
        """Where it rests, None while it moves; CommandFailedError where it cannot be read."""


@contextlib.contextmanager
def pan_of(config: Config) -> Iterator[Pan]:
    """The pan of this bench while the context lasts.

    A running daemon lends it, so that a batch that waits for its cup takes nothing for one.
    """
    if holder(config.store_dir) is None:
        with _alone(config) as pan:
            yield pan
        return
    mine = {"do": "tint", "by": uuid.uuid4().hex}
    asked(config.store_dir, mine | {"tint": "lend"})
    done = threading.Event()
    keeper = threading.Thread(
        target=_keep, args=(config.store_dir, mine, done), name="pan", daemon=True
    )
    keeper.start()
    try:
        yield _Lent(config.store_dir, mine)
    finally:
        done.set()
        keeper.join(END_S)
        asked(config.store_dir, mine | {"tint": "return"})


def _keep(store: Path, mine: dict[str, str], done: threading.Event) -> None:
    """Have the pan lent for longer while the person weighs; a refusal is told by the next look."""
    while not done.wait(KEEP_EVERY_S):
        with contextlib.suppress(CommandFailedError):
            asked(store, mine | {"tint": "lend"})


def at_rest(pan: Pan, pause: Callable[[float], object] = _PAUSE) -> Rest:
    """Where the pan comes to rest, once it has been calm; CommandFailedError where it does not.

    `pause` lets so many seconds pass between two looks.
    """
    calm, before = 0, None
    for _ in range(LOOKS):
        found = pan.look()
        calm = calm + 1 if found is not None and found == before else 0
        before = found
        if found is not None and calm >= CALM_LOOKS:
            return found
        pause(LOOK_EVERY_S)
    raise CommandFailedError(
        "The reading does not come to rest. Hands off, no draught, then try again; nothing was "
        "booked."
    )


# -- through the daemon ------------------------------------------------------------------------


class _Lent:
    """The pan as the running daemon reads it."""

    def __init__(self, store: Path, mine: dict[str, str]) -> None:
        self._store, self._mine = store, mine
        self._in_vain = 0
        self._clock = Clock()
        self._asked_s = self._clock.now_s()

    def look(self) -> Rest | None:
        """Ask the daemon; a scale that is silent for a moment is borne with."""
        self._still_mine()
        try:
            answer = asked(self._store, {"weight": "now"})
        except CommandFailedError:
            self._in_vain += 1
            if self._in_vain * LOOK_EVERY_S > TAKEN_S:
                raise
            return None
        self._in_vain = 0
        if answer.get("gross_g") is None:
            return None
        return float(answer["gross_g"]), float(answer["division_g"])

    def _still_mine(self) -> None:
        """Ask for the pan again now and then: CommandFailedError where a batch is on it by now."""
        now_s = self._clock.now_s()
        if now_s - self._asked_s >= KEEP_EVERY_S:
            asked(self._store, self._mine | {"tint": "lend"})
            self._asked_s = now_s


def asked(store: Path, request: dict[str, str]) -> dict[str, Any]:
    """The daemon's answer; CommandFailedError where it refuses."""
    answer = control.ask(store, request)
    if answer.get("ok") is not True:
        raise CommandFailedError(str(answer.get("error") or "The daemon does not do that."))
    return answer


# -- alone -------------------------------------------------------------------------------------


class _Alone:
    """The pan as it is read here, beside whoever is being asked to pour."""

    def __init__(self, config: Config) -> None:
        self._weighing = start()
        self._clock = Clock()
        self._began_s = self._clock.now_s()
        self._url = config.scale.url
        self._listener = Listener(config.scale, shape_of(config.scale), self._tell, lambda _: None)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._work: asyncio.Task[None] | None = None
        self._wrong: Exception | None = None

    def look(self) -> Rest | None:
        """The last reading, while it is fresh."""
        listened_s = self._clock.now_s() - self._began_s
        trouble = self._wrong or self._listener.trouble
        if self._wrong or (trouble and listened_s > TAKEN_S):
            raise CommandFailedError(f"The scale cannot be read: {trouble}")
        w = self._weighing
        if w.at_s is None and listened_s > SILENT_S:
            raise CommandFailedError(
                f"Nothing that can be read comes from {self._url}; `benchpour scale listen --scale "
                f"{self._url}` shows what does. Nothing was booked."
            )
        grams = at_rest_g(w) if is_current(w, self._clock.now_s()) else None
        return None if grams is None else (grams, w.scale.division_g)

    def _tell(self, _t: float, _raw: bytes, item: Reading | Garbled | None) -> None:
        if isinstance(item, Reading):
            self._weighing = weigh(self._weighing, item)

    def read(self) -> None:
        """Read the port until `end`; runs in a thread of its own."""
        try:
            asyncio.run(self._reading())
        except Exception as error:  # told by the next look
            self._wrong = error

    async def _reading(self) -> None:
        self._loop, self._work = asyncio.get_running_loop(), asyncio.current_task()
        with contextlib.suppress(asyncio.CancelledError):
            await self._listener.port.run()

    def end(self) -> None:
        """Let go of the port."""
        if self._loop is not None and self._work is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._work.cancel)


@contextlib.contextmanager
def _alone(config: Config) -> Iterator[Pan]:
    if not config.scale.url:
        raise CommandFailedError(
            "No daemon runs on this store and no scale is named. Give --scale /dev/serial/by-id/…, "
            "start `benchpour run` beside this, or weigh it yourself and give the grams."
        )
    pan = _Alone(config)
    thread = threading.Thread(target=pan.read, name="scale", daemon=True)
    thread.start()
    try:
        yield pan
    finally:
        pan.end()
        thread.join(END_S)
