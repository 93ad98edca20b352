"""Every sound as a short score, and its samples: mono, 16 bit, `RATE` a second.

Knows notes, pitches and which sound gives way to which; does not know where the samples are played.
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from dataclasses import dataclass
from functools import cache

RATE = 22_050
"""Samples a second. Plenty for notes below 1.5 kHz, and half the work of 44 100."""


@dataclass(frozen=True, slots=True)
class Note:
    """One tone and the silence after it.

    `period` is the length of one wave in samples: whole, so that a wave can be repeated exactly and
    the pitch is RATE / period. All lie between 440 and 1500 Hz: above it hearing fades with age and
    under gloves, hoods and fans, below it a small loudspeaker is silent.
    """

    period: int
    on_s: float
    off_s: float = 0.0
    level: float = 0.7
    attack_s: float = 0.006

    @property
    def hz(self) -> float:
        """Pitch in Hz."""
        return RATE / self.period


# The ease zone's tick and soft-tick, and one score for each thing that the daemon can say.
SCORES: dict[str, tuple[Note, ...]] = {
    "tick": (Note(22, 0.035),),
    "soft-tick": (Note(33, 0.03, level=0.3),),
    # ease off: one step down
    "coarse": (Note(20, 0.11, 0.03), Note(30, 0.17)),
    # stop: the only long steady note, the highest, and the sharpest to begin
    "fine": (Note(15, 0.5, level=0.9, attack_s=0.003),),
    # too much: a siren
    "over": (Note(18, 0.075, level=0.9), Note(37, 0.075, level=0.9)) * 4,
    "landed": (Note(40, 0.08, 0.02), Note(30, 0.08, 0.02), Note(20, 0.2)),
    # a little more: three short taps
    "short": (Note(25, 0.055, 0.075),) * 3,
    "tared": (Note(28, 0.07),),
    # a question: up, and up again
    "ask": (Note(35, 0.09, 0.02), Note(26, 0.16, 0.22)) * 2,
    # a knock at the door, twice
    "clock-warn": (Note(42, 0.07, 0.08), Note(42, 0.07, 0.28)) * 2,
    "clock-end": (Note(32, 0.24, 0.14),) * 3,
    # down and low
    "trouble": (Note(38, 0.2), Note(50, 0.42)),
    "mixed": (Note(40, 0.09), Note(30, 0.09), Note(24, 0.09), Note(20, 0.32)),
}

TICKS = frozenset({"tick", "soft-tick"})
URGENT = frozenset({"fine", "over"})


def rank(name: str) -> int:
    """Say who gives way: 0 a tick, 1 a message, 2 the ease-off, 3 stop and too much."""
    if name in TICKS:
        return 0
    if name in URGENT:
        return 3
    return 2 if name == "coarse" else 1


def length_s(name: str) -> float:
    """Seconds from the first sample to the last."""
    return sum(note.on_s + note.off_s for note in SCORES[name])


def onsets_s(name: str) -> tuple[float, ...]:
    """When each note begins, in seconds from the first: all that a bell can follow."""
    at, found = 0.0, []
    for note in SCORES[name]:
        found.append(round(at, 4))
        at += note.on_s + note.off_s
    return tuple(found)


@cache
def samples(name: str) -> bytes:
    """Render one score to little-endian 16 bit samples; the work is done once a name.

    Raises KeyError for a name that has no score.
    """
    out = array("h")
    for note in SCORES[name]:
        out.extend(_tone(note))
        out.extend(array("h", bytes(2 * round(note.off_s * RATE))))
    return out.tobytes()


def _tone(note: Note) -> array[int]:
    """Repeat one wave, with a soft beginning and end so that nothing clicks.

    The overtones let a small loudspeaker be heard over a fan without raising the pitch.
    """
    turn = 2.0 * math.pi / note.period
    parts = ((1, 1.0), (2, 0.35), (3, 0.15))
    shape = [sum(share * math.sin(turn * k * i) for k, share in parts) for i in range(note.period)]
    scale = note.level * 32_767 / max(abs(value) for value in shape)
    wave = array("h", [round(scale * value) for value in shape])
    tone = wave * max(1, round(note.on_s * RATE / note.period))
    _fade(tone, round(note.attack_s * RATE), from_end=False)
    _fade(tone, round(min(0.025, note.on_s / 2) * RATE), from_end=True)
    return tone


def _fade(tone: array[int], width: int, *, from_end: bool) -> None:
    """Raise (or, from the end, lower) the first `width` samples along half a cosine."""
    for i in range(width):
        at = len(tone) - 1 - i if from_end else i
        tone[at] = round(tone[at] * (0.5 - 0.5 * math.cos(math.pi * i / width)))


class Mixer:
    """One sound at a time: takes names, gives samples for as long as they are asked for.

    A higher rank cuts in at once; what it cut off, unless it was a tick, is played again after it.
    A tick never waits: it is dropped while anything else sounds.
    """

    def __init__(self) -> None:
        self._name = ""
        self._left = memoryview(b"")
        self._waiting: deque[str] = deque(maxlen=8)

    @property
    def sounding(self) -> bool:
        """Whether a note, or the rest of a score, is still to come."""
        return bool(self._left) or bool(self._waiting)

    def play(self, name: str) -> None:
        """Begin this sound now, or as soon as what outranks it is over."""
        if not self.sounding:
            self._begin(name)
            return
        mine, other = rank(name), rank(self._name)
        if mine > other or (mine == other and mine != 1):
            if 0 < other < mine:
                self._waiting.appendleft(self._name)
            self._begin(name)
        elif mine > 0:
            self._waiting.append(name)

    def take(self, frames: int) -> bytes:
        """The next `frames` samples: what sounds, then silence."""
        wanted = 2 * frames
        out = bytearray()
        while len(out) < wanted and self.sounding:
            if not self._left:
                self._begin(self._waiting.popleft())
            piece = self._left[: wanted - len(out)]
            self._left = self._left[len(piece) :]
            out += piece
        return bytes(out) + bytes(wanted - len(out))

    def _begin(self, name: str) -> None:
        self._name = name
        self._left = memoryview(samples(name))
