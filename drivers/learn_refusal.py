"""Why nothing was learned, and what a person could do about it.

Owns the errors that the parts of the learner raise. Does not know what led to them.
"""

from __future__ import annotations


class NotBuiltError(Exception):
    """One hypothesis does not hold; the text says why."""


class NotLearnedError(Exception):
    """Nothing can be learned, or not surely; the text says why and what would help."""

    def __init__(self, why: str, ask: str = "") -> None:
        super().__init__(f"{why}. {ask}." if ask else f"{why}.")
        self.why = why
        self.ask = ask
        """The one observation that would decide, where there is one; else what would help."""

    @property
    def asks_for_use(self) -> bool:
        """Whether that can be done with the scale at hand, and is not about a recording."""
        return self.ask.startswith("Tare")


class OpenError(NotLearnedError):
    """Two accounts of the lines hold, and differ in what the weight is; one observation decides."""
