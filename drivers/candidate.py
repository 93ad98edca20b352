"""One known line shape on trial against a stream, and the evidence for it.

Owns the counting of what the shape explains. Does not know the other candidates, nor who wins.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.decoder import Decoder, Item
from drivers.frames import Frame
from drivers.reading import Reading
from drivers.scale_profile import Profile

_LONG_FRAME = 30
_COUNTERS = (
    "first",
    "good",
    "weights",
    "covered",
    "explained",
    "run",
    "best_run",
    "last_end",
    "missed",
)


class Candidate:
    """A decoder and how well its shape fits so far.

    Only frames that are about the weight on the pan count for a shape: a rule that lets answers to
    other commands pass would otherwise explain anything.
    """

    def __init__(
        self, profile: Profile, *, carry_unit: bool, unit: str | None, offset: int = 0
    ) -> None:
        self.decoder = Decoder(profile, carry_unit=carry_unit, unit=unit, offset=offset)
        self.first = -1
        """Where the first legal frame began."""
        self.good = 0
        """Frames about the weight."""
        self.weights = 0
        """Of these, frames with a weight."""
        self.covered = 0
        """Bytes of the good frames."""
        self.explained = 0
        """Bytes of all legal frames."""
        self.run = 0
        """Good frames in a row, nothing unexplained between them."""
        self.best_run = 0
        self.last_end = -1
        self.missed = 0
        """Readings that another shape found where this one found none."""
        checked = any("rules" in field.model_dump() for field in _fields(profile))
        self._enough = 2 if checked else 3

    @property
    def name(self) -> str:
        """The line shape's name."""
        return self.decoder.profile.name

    @property
    def share(self) -> float:
        """How much of the stream the shape explains since it first heard something, 0 to 1."""
        return self.explained / max(1, self.last_end - self.first)

    @property
    def fits(self) -> bool:
        """Whether chance is ruled out: several frames in a row (fewer where a frame is long)."""
        long_frames = self.good > 0 and self.covered / self.good >= _LONG_FRAME
        enough = 2 if long_frames else self._enough
        return self.weights > 0 and self.best_run >= enough

    def take(self, data: bytes, stamp: Callable[[], float]) -> list[tuple[Frame, Item | None]]:
        """Let the shape read `data`: the legal frames and their readings."""
        return [pair for pair in self.decoder.step(data, stamp) if pair[0].parsed]

    def count(self, frame: Frame, item: Item | None) -> None:
        """Take a legal frame as evidence, in order."""
        if self.first < 0:
            self.first = frame.begin
        joined = frame.begin == self.last_end
        self.last_end = frame.end
        self.explained += frame.end - frame.begin
        if not isinstance(item, Reading):
            self.run = self.run if joined else 0
            return
        self.run = self.run + 1 if joined else 1
        self.best_run = max(self.best_run, self.run)
        self.good += 1
        self.weights += item.text is not None
        self.covered += frame.end - frame.begin

    def snapshot(self) -> dict[str, Any]:
        """Everything, ready for JSON."""
        counters = {name: getattr(self, name) for name in _COUNTERS}
        return {"decoder": self.decoder.snapshot(), **counters}

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off."""
        self.decoder.restore(saved["decoder"])
        for name in _COUNTERS:
            setattr(self, name, saved[name])


def _fields(profile: Profile) -> list[Any]:
    return [field for form in profile.form for field in form.fields.values()] + list(
        profile.fields.values()
    )
