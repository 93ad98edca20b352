"""Works out, live, which known line shape a scale speaks, and reads it from then on.

Owns the contest between the shapes and when it is decided. Does not know ports or line settings,
and asks no clock. A shape that nobody has described is not its business (`scale_learn`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cached_property
from typing import Any

from drivers.candidate import Candidate
from drivers.decoder import Decoder, Item
from drivers.frames import Frame
from drivers.notation import to_text
from drivers.reading import Reading
from drivers.scale_profile import Profile, known_profiles

_NEAR = 0.75
"""A shape that explains less than this share of what the best one does is out of the contest."""
_MISSES = 2
"""Readings missed against a rival after which a shape is out: one may be a damaged line."""
_PATIENCE_BYTES = 4096
"""After so many bytes without a decision the contest begins anew: old damage is forgotten."""
_SETTLED_BYTES = 400
"""So many bytes after a new beginning at least before a recognised shape is given up again."""
_SHOWN = 48
_SLICE = 128
"""So many bytes at a time, so that a big piece is judged like many small ones."""

Heard = dict[str, tuple[Frame, Item | None]]


class Recogniser:
    """`Decoder`'s interface for a scale whose line shape is not given.

    Nothing is published until the shape is sure; while several shapes fit and agree on weight, unit
    and stability, what they agree on is published. Where they agree at rest only, the first lines
    that one of them cannot read decide. A shape that stops fitting is given up again.
    """

    def __init__(
        self,
        profiles: Iterable[Profile] | None = None,
        *,
        carry_unit: bool = True,
        unit: str | None = None,
    ) -> None:
        self._given = None if profiles is None else tuple(profiles)
        self._candidates: dict[str, Candidate] = {}
        self._carry, self._unit = carry_unit, unit
        self._chosen: Decoder | None = None
        self._since = 0
        self._seen = b""
        self._offset = 0
        self._evidence = 0.0
        self._begin()

    @cached_property
    def _profiles(self) -> dict[str, Profile]:
        """Who may take part; looked up as the first byte comes, for that takes a while."""
        listed = known_profiles() if self._given is None else self._given
        return {profile.name: profile for profile in listed if profile.recognise}

    def _begin(self) -> None:
        """Nothing that was heard so far counts any longer."""
        self._began = self._offset
        self._candidates = {}

    def _candidate(self, name: str) -> Candidate:
        """A shape that takes part from here on."""
        profile = self._profiles[name]
        return Candidate(profile, carry_unit=self._carry, unit=self._unit, offset=self._offset)

    # -- what has been found ---------------------------------------------------------------

    @property
    def profile(self) -> Profile | None:
        """The line shape, once it is sure."""
        return self._chosen.profile if self._chosen else None

    @property
    def profile_name(self) -> str | None:
        """Its name, once it is sure."""
        return self._chosen.profile.name if self._chosen else None

    @property
    def fitting(self) -> tuple[str, ...]:
        """The names of the shapes that fit so far; one when it is sure."""
        if self._chosen:
            return (self._chosen.profile.name,)
        return tuple(candidate.name for candidate in self._leaders())

    @property
    def heard(self) -> bool:
        """Whether legal frames are being read: the line settings are right."""
        return self._chosen is not None or any(c.good for c in self._candidates.values())

    @property
    def confidence(self) -> float:
        """0 to 1: the share of the bytes that is explained, divided among the shapes that fit."""
        if self._chosen:
            return self._evidence
        leaders = self._leaders()
        if not leaders:
            return 0.0
        return max(candidate.share for candidate in leaders) / len(leaders)

    @property
    def note(self) -> str:
        """One sentence on what has been found."""
        if self._chosen:
            found = self._chosen.profile
            unit = "" if self._unit or found.names_unit else "; they name no unit of weight"
            return (
                f"the scale's lines are {found.name} "
                f"(it explains {self._evidence:.0%} of what was heard){unit}"
            )
        if len(fitting := self.fitting) > 1:
            return f"{' and '.join(fitting)} fit alike so far; load the pan to tell them apart"
        if not self._seen:
            return "nothing has been heard from the scale yet"
        if self.heard:
            return "the first lines look familiar; waiting for more of them"
        return f"no known line shape fits what is heard: {to_text(self._seen)}"

    # -- reading ---------------------------------------------------------------------------

    def feed(self, at_s: float, data: bytes) -> list[Item]:
        """The readings that `data` completes, as far as they are sure; it arrived at `at_s`."""
        items: list[Item] = []
        for at in range(0, len(data), _SLICE):
            items += self._feed(at_s, data[at : at + _SLICE])
        return items

    def _feed(self, at_s: float, data: bytes) -> list[Item]:
        if self._chosen:
            return self._feed_chosen(at_s, data)
        if not self._candidates:
            self._candidates = {name: self._candidate(name) for name in self._profiles}
        self._offset += len(data)
        self._seen = (self._seen + data)[-_SHOWN:]
        rounds = self._rounds(at_s, data)
        items: list[Item] = []
        for n, heard in enumerate(rounds):
            items += self._judge(heard)
            if self._chosen:
                return items + self._catch_up(rounds[n + 1 :])
        if self._offset - self._began > _PATIENCE_BYTES and not self._leaders():
            self._begin()
        return items

    def reset(self, at_s: float) -> None:
        """The port was lost, or a gap. What was recognised is kept until it no longer fits."""
        if self._chosen:
            self._chosen.reset(at_s)
            self._since = self._offset
            return
        self._begin()

    def _feed_chosen(self, at_s: float, data: bytes) -> list[Item]:
        assert self._chosen is not None
        self._offset += len(data)
        items = self._chosen.feed(at_s, data)
        if self._chosen.offset > self._since + _SETTLED_BYTES and not self._chosen.heard:
            self._chosen = None
            self._seen = b""
            self._begin()
        return items

    def _rounds(self, at_s: float, data: bytes) -> list[Heard]:
        """What the shapes found, by the place in the stream at which they found it."""
        found: dict[int, Heard] = {}
        for name, candidate in self._candidates.items():
            for frame, item in candidate.take(data, lambda: at_s):
                found.setdefault(frame.end, {})[name] = (frame, item)
        return [found[end] for end in sorted(found)]

    def _judge(self, heard: Heard) -> list[Item]:
        """Take what was found at one place as evidence; the reading, where it is sure."""
        for name, (frame, item) in heard.items():
            self._candidates[name].count(frame, item)
        readings = {n: item for n, (_, item) in heard.items() if isinstance(item, Reading)}
        leaders = self._leaders()
        self._count_misses(leaders, readings)
        leaders = self._leaders()
        if len(leaders) == 1:
            self._choose(leaders[0])
        return _agreed([readings.get(candidate.name) for candidate in leaders])

    def _leaders(self) -> list[Candidate]:
        fitting = [c for c in self._candidates.values() if c.fits and c.missed < _MISSES]
        best = max((candidate.covered for candidate in fitting), default=0)
        return [candidate for candidate in fitting if candidate.covered >= _NEAR * best]

    @staticmethod
    def _count_misses(leaders: list[Candidate], readings: dict[str, Reading]) -> None:
        if not any(candidate.name in readings for candidate in leaders):
            return
        for candidate in leaders:
            candidate.missed += candidate.name not in readings

    def _choose(self, winner: Candidate) -> None:
        self._evidence = winner.share
        self._chosen = winner.decoder
        self._since = self._offset
        self._candidates = {}

    def _catch_up(self, rounds: list[Heard]) -> list[Item]:
        """What the chosen shape has already read of this chunk."""
        assert self._chosen is not None
        name = self._chosen.profile.name
        items = [heard[name][1] for heard in rounds if name in heard]
        return [item for item in items if item is not None]

    # -- the middle of a stream ------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Everything that a recogniser of the rest of the stream needs, ready for JSON."""
        return {
            "chosen": self._chosen.snapshot() if self._chosen else None,
            "candidates": {name: c.snapshot() for name, c in self._candidates.items()},
            "began": self._began,
            "offset": self._offset,
            "since": self._since,
            "evidence": self._evidence,
            "seen": self._seen.decode("latin-1"),
        }

    def restore(self, saved: dict[str, Any]) -> None:
        """Take up where `snapshot` left off; the same profiles must be known."""
        self._began, self._offset = saved["began"], saved["offset"]
        self._since, self._evidence = saved["since"], saved["evidence"]
        self._seen = saved["seen"].encode("latin-1")
        self._begin()
        self._began = saved["began"]
        if (chosen := saved["chosen"]) is not None:
            self._chosen = self._candidate(chosen["profile"]).decoder
            self._chosen.restore(chosen)
            return
        self._chosen = None
        for name, state in saved["candidates"].items():
            self._candidates[name] = self._candidate(name)
            self._candidates[name].restore(state)


def _agreed(readings: list[Reading | None]) -> list[Item]:
    """The one reading that all have made of a frame; none where one of them has another or none.

    The mark for net is left open where some of them do not know it.
    """
    first = readings[0] if readings else None
    if first is None:
        return []
    net: bool | None = first.net
    for reading in readings:
        if reading is None or _meaning(reading) != _meaning(first):
            return []
        net = net if reading.net == net else None
    trusted = all(reading.trusted for reading in readings if reading)
    return [replace(first, net=net, trusted=trusted)]


def _meaning(reading: Reading) -> tuple[object, ...]:
    return reading.text, reading.unit, reading.declared, reading.overload


def decoder_for(profile: Profile | None) -> Decoder | Recogniser:
    """The decoder of a shape, or one that finds out which it is."""
    return Recogniser() if profile is None else Decoder(profile)
