"""What goes wrong where nobody waits for it: in a callback of the event loop, in a thread.

Owns which of it ends the daemon and which is only said. Knows nothing of what was being done.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable, Iterator
from typing import Any

SCALE_THREAD = "scale port"
"""Without this thread nothing is weighed; a daemon that is started again has a new one."""


class Faults:
    """Ends the daemon for a fault of its heart or of the scale's reader, says every other one."""

    def __init__(self, heart: object, say: Callable[[str], None], end: Callable[[], None]) -> None:
        """A fault in a method of `heart` is fatal; `end` asks for an orderly end."""
        self._heart = heart
        self._say = say
        self._end = end
        self._told: set[str] = set()
        self.fatal: BaseException | None = None

    @contextlib.contextmanager
    def watched(self) -> Iterator[None]:
        """Have all faults come here while the context lasts; then raise the fatal one."""
        loop = asyncio.get_running_loop()
        before, hook = loop.get_exception_handler(), threading.excepthook
        # Libraries complain on the terminal, in the middle of the screen, where nobody keeps them.
        silent = logging.NullHandler()
        logging.getLogger().addHandler(silent)
        loop.set_exception_handler(self._in_the_loop)
        threading.excepthook = lambda args: self._from_a_thread(loop, args)
        try:
            yield
        finally:
            loop.set_exception_handler(before)
            threading.excepthook = hook
            logging.getLogger().removeHandler(silent)
        if self.fatal is not None:
            raise self.fatal

    def _in_the_loop(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        callback = getattr(context.get("handle"), "_callback", None)
        owner = getattr(callback, "__self__", None)
        if error is not None and callback is not None:
            self._note(error, type(owner).__name__, fatal=owner is self._heart)

    def _from_a_thread(self, loop: asyncio.AbstractEventLoop, args: Any) -> None:
        name = args.thread.name if args.thread is not None else "a thread"
        if args.exc_value is not None:
            fatal = name == SCALE_THREAD
            loop.call_soon_threadsafe(lambda: self._note(args.exc_value, name, fatal=fatal))

    def _note(self, error: BaseException, where: str, *, fatal: bool) -> None:
        if fatal:
            self.fatal = self.fatal or error
            self._end()
        elif where not in self._told:
            self._told.add(where)
            self._say(f"{where} stumbled ({type(error).__name__}: {error}); all else goes on.")
