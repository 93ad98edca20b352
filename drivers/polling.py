"""When to ask a scale that only answers.

Owns the pace. Does not know ports; bytes and times are handed in. Asking too fast has made scales
send line ends without end, so the next question waits for the last answer.
"""

from __future__ import annotations

import math

from drivers.scale_profile import Request

_LISTEN_FIRST_S = 1.0
"""A scale that sends by itself is left alone; so long is it given to show that."""
_SENDS_BY_ITSELF_S = 2.0
_ANSWER_S = 1.0
_UNANSWERED = 5
_SLOW_S = 2.0


class Poller:
    """Paces one request: after an answer in its own time, without one ever more slowly."""

    def __init__(self, request: Request | None, at_s: float) -> None:
        self._request = request
        self._due_s = at_s + _LISTEN_FIRST_S
        self._asked_s: float | None = None
        self._unanswered = 0

    def left_s(self, at_s: float) -> float:
        """Seconds until it may be time to ask; infinite where nothing is asked."""
        return math.inf if self._request is None else max(0.0, self._due_s - at_s)

    def due(self, at_s: float, data: bytes) -> bytes:
        """Take what arrived at `at_s`; the request where it is time to send it, else nothing."""
        if self._request is None:
            return b""
        if data.strip(b"\r\n"):
            self._answered(at_s, self._request.every_s)
        if at_s < self._due_s:
            return b""
        self._asked_s = at_s
        self._unanswered += 1
        wait_s = _ANSWER_S if self._unanswered <= _UNANSWERED else _SLOW_S
        self._due_s = at_s + max(wait_s, self._request.every_s)
        return self._request.send

    def _answered(self, at_s: float, every_s: float) -> None:
        if self._asked_s is None:
            self._due_s = at_s + _SENDS_BY_ITSELF_S
            return
        self._unanswered = 0
        self._due_s = max(self._asked_s + every_s, at_s)
