"""Whether a weight may be held to be at rest.

Owns the rules: agreeing frames, wall time, gaps and contradictions. Does not know bytes, and asks
no clock: the time of each frame is handed in.
"""

from __future__ import annotations

from typing import Any

from drivers.facts import Parsed
from drivers.scale_profile import TrustRule
from drivers.units import GRAMS_PER

_SILENT_AGREE = 3
"""Equal frames needed at least where frames do not say stable; one more than where they do."""
_NOISY_FRAMES = 10
"""Good frames after damage for which one more must agree: a noisy line repeats its faults."""


class Trust:
    """The judgement over one scale's successive frames.

    One damaged digit inside a legal frame cannot be seen, so a single frame is never trusted. A
    frame that says it is moving, carries no weight, or differs from the one before it in weight,
    decimals, unit or tare begins anew; so do damage, a pause and a lost port.
    """

    def __init__(self, rule: TrustRule) -> None:
        self._rule = rule
        self._last_at_s: float | None = None
        self._noisy = 0
        self.doubt()

    def damaged(self) -> None:
        """A frame came that could not be read: begin anew, and ask for more for a while."""
        self.doubt()
        self._noisy = _NOISY_FRAMES

    def doubt(self) -> None:
        """Begin anew: something happened that may have changed zero, tare or settings."""
        self._weight: tuple[str | None, str | None, bool | None] | None = None
        self._count = 0
        self._since_s = 0.0

    def judge(self, at_s: float, frame: Parsed) -> bool:
        """Take the next frame, arrived at `at_s`; True where its weight is held to be at rest."""
        last, self._last_at_s = self._last_at_s, at_s
        agree = self._rule.agree + (self._noisy > 0)
        self._noisy = max(0, self._noisy - 1)
        if last is not None and at_s - last > self._rule.silence_s:
            self.doubt()
        if frame.text is None or frame.declared is False:
            self.doubt()
            return False
        weight = (frame.text, frame.unit, frame.net)
        if weight != self._weight:
            self._weight, self._count, self._since_s = weight, 0, at_s
        self._count += 1
        if frame.unit is not None and frame.unit not in GRAMS_PER:
            return False  # pieces, percent or an unknown unit are no weight to hold on to
        if frame.declared:
            return self._count >= agree
        long_enough = at_s - self._since_s >= self._rule.steady_s
        return self._count >= max(_SILENT_AGREE, agree) and long_enough

    def snapshot(self) -> dict[str, Any]:
        """The state, ready for JSON."""
        return {
            "weight": None if self._weight is None else list(self._weight),
            "count": self._count,
            "noisy": self._noisy,
            "since_s": self._since_s,
            "last_at_s": self._last_at_s,
        }

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off."""
        weight = saved["weight"]
        self._weight = None if weight is None else (weight[0], weight[1], weight[2])
        self._count, self._since_s = saved["count"], saved["since_s"]
        self._noisy = saved["noisy"]
        self._last_at_s = saved["last_at_s"]
