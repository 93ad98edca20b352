"""Bytes from a scale whose line shape is known, turned into readings.

Owns the joining of frames, trust and grams. Does not know where bytes come from, asks no clock, and
does not find out the shape (`recogniser` does).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.facts import Parsed
from drivers.frame_shape import compile_profile
from drivers.frames import Frame, FrameReader
from drivers.hid_frames import HidReader
from drivers.reading import Garbled, Reading
from drivers.scale_profile import Profile
from drivers.trust import Trust
from drivers.units import GRAMS_PER, grams

Item = Reading | Garbled
_LOST_BYTES = 400
"""So many bytes without one legal frame: another scale, or other line settings."""


class Decoder:
    """Readings from the stream of one scale; the same for any pieces in which the bytes arrive.

    `feed` stamps what a chunk completes with the chunk's arrival. With `carry_unit` a moving weight
    that is sent without its unit (some scales leave it out until it is at rest) is taken to be in
    the unit of the last frame that had one; it is never trusted. `unit` is that of a scale that
    sends none; it overrides the profile's. `offset` is the place in the stream of the first byte.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        carry_unit: bool = True,
        unit: str | None = None,
        offset: int = 0,
    ) -> None:
        self.profile = profile
        self._reader = _reader(profile, offset)
        self._trust = Trust(profile.trust)
        self._unit = unit or profile.unit
        self._carry = carry_unit
        self._carried: str | None = None
        self.good = 0
        """Frames read so far, those that are not the weight on the pan included."""
        self.garbled = 0
        """Pieces of damage so far."""
        self._last_good: int | None = None

    @property
    def profile_name(self) -> str:
        """The name of the line shape."""
        return self.profile.name

    @property
    def heard(self) -> bool:
        """Whether the scale is being understood: a legal frame not many bytes ago."""
        last = self._last_good
        return last is not None and self.offset - last <= max(_LOST_BYTES, 4 * self.longest)

    @property
    def longest(self) -> int:
        """Bytes in the longest frame of this shape."""
        return self._reader.longest

    @property
    def offset(self) -> int:
        """Bytes taken so far."""
        return self._reader.offset

    def feed(self, at_s: float, data: bytes) -> list[Item]:
        """The readings, and the damage, that `data` completes; it arrived at `at_s` seconds."""
        return [item for _, item in self.step(data, lambda: at_s) if item is not None]

    def step(self, data: bytes, stamp: Callable[[], float]) -> list[tuple[Frame, Item | None]]:
        """Each frame that `data` completes, with its reading; None for a line that is no weight.

        `stamp` is asked for each frame's time, in order.
        """
        return [(frame, self._item(frame, stamp())) for frame in self._reader.push(data)]

    def reset(self, at_s: float) -> None:
        """The port was lost, or a gap: the unfinished frame is dropped, trust begins anew."""
        self._reader.reset()
        self._trust.doubt()
        self._carried = None
        self._last_good = None

    def _item(self, frame: Frame, at_s: float) -> Item | None:
        parsed = frame.parsed
        if parsed is None:
            self.garbled += 1
            self._trust.damaged()
            return Garbled(at_s, frame.data, frame.why)
        self.good += 1
        self._last_good = frame.end
        return None if parsed.other else self._reading(parsed, at_s, frame.end)

    def _reading(self, parsed: Parsed, at_s: float, end: int) -> Reading:
        trusted = self._trust.judge(at_s, parsed)
        unit = parsed.unit or self._unit
        if parsed.unit:
            self._carried = parsed.unit
        lent = self._carried if self._carry and parsed.declared is False else None
        text = parsed.text
        return Reading(
            at_s=at_s,
            text=text,
            grams=None if text is None else grams(text, unit or lent),
            unit=unit,
            declared=parsed.declared,
            overload=parsed.overload,
            net=parsed.net,
            trusted=trusted and (unit is None or unit in GRAMS_PER),
            offset=end,
        )

    def snapshot(self) -> dict[str, Any]:
        """Everything a decoder of the rest of the stream needs, ready for JSON."""
        return {
            "profile": self.profile.name,
            "reader": self._reader.snapshot(),
            "trust": self._trust.snapshot(),
            "carried": self._carried,
            "last_good": self._last_good,
            "good": self.good,
            "garbled": self.garbled,
        }

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off; the profile must be the same."""
        self._reader.restore(saved["reader"])
        self._trust.restore(saved["trust"])
        self._carried, self._last_good = saved["carried"], saved["last_good"]
        self.good, self.garbled = saved["good"], saved["garbled"]


def _reader(profile: Profile, offset: int) -> FrameReader | HidReader:
    """What cuts the stream into frames."""
    return HidReader(offset) if profile.reports else FrameReader(compile_profile(profile), offset)
