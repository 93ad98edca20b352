"""Speed, word and parity of a serial line, and which to try next while no text makes sense.

Owns the notation ("9600 8N1"), the common settings and the order of trying. Does not know ports;
bytes, their arrival and whether they made sense are handed in.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from drivers.scale_profile import Profile, Request

_NOTATION = re.compile(r"(\d{3,6})[ ,]?([78])([NEO])([12])")
_SEVEN_BITS = bytes(code & 0x7F for code in range(256))
_ENOUGH = 32
"""Bytes after which a look at their bits says whether they can be text."""
_ENOUGH_TEXT = 320
"""Bytes of text after which a shape should have been recognised: longer than a printed block."""
_PATIENCE_S = 1.0
_TEXT_PATIENCE_S = 4.0
_SILENCE_S = 3.0
ALL_TRIED_S = 14.0
"""So long after a port was opened all but the rarest settings have been tried, patience and all."""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Bits a second, bits a character, parity (N, E, O) and stop bits."""

    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    stop: int = 1

    def __str__(self) -> str:
        return f"{self.baud} {self.bits}{self.parity}{self.stop}"


def parse_settings(text: str) -> LineSettings:
    """The settings written like "9600 8N1"; ValueError where they are not."""
    found = _NOTATION.fullmatch(text.strip())
    if found is None:
        raise ValueError(
            f"{text!r} is not like 9600 8N1 (speed, bits, parity N, E or O, stop bits)"
        )
    return LineSettings(int(found[1]), int(found[2]), found[3], int(found[4]))


COMMON = tuple(
    parse_settings(text)
    for text in (
        "9600 8N1",
        "9600 7E1",
        "2400 7E1",
        "1200 7O1",
        "4800 8N1",
        "19200 8N1",
        "2400 8N1",
        "9600 7O1",
        "4800 7E1",
        "4800 8E1",
        "9600 8O1",
        "9600 8E1",
        "1200 8N1",
        "2400 7O1",
        "38400 8N1",
        "57600 8N1",
        "115200 8N1",
    )
)
"""What bench scales are set to, the commonest first (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One way to listen: line settings, and what to ask the scale if it says nothing by itself."""

    settings: LineSettings = LineSettings()
    request: Request | None = None


def trials_for(profile: Profile) -> tuple[Trial, ...]:
    """The ways to listen to a scale of a known shape, its usual settings first."""
    usual = [parse_settings(text) for text in profile.settings]
    every = [*usual, *(settings for settings in COMMON if settings not in usual)]
    asked = [Trial(settings, profile.request) for settings in every]
    if profile.request is None or profile.request.needed:
        return tuple(asked)
    return (*(Trial(settings) for settings in every), *asked[: len(usual)])


def trials_for_any(profiles: Iterable[Profile]) -> tuple[Trial, ...]:
    """The ways to listen to an unknown scale: the common settings, then the known requests.

    Only requests that read are ever among them; nothing here tares, zeroes or prints.
    """
    asking = [profile for profile in profiles if profile.request and profile.recognise]
    asked = [
        Trial(parse_settings(text), profile.request)
        for profile in asking
        for text in profile.settings[:2]
    ]
    return (*(Trial(settings) for settings in COMMON), *dict.fromkeys(asked))


def looks(data: bytes) -> str:
    """What bytes look like: "text", "even" or "odd" (parity in bit 7), "noise", "" if too few.

    Seven-bit text read as eight bits has the parity of its low bits in bit 7 of every single byte.
    """
    if len(data) < _ENOUGH:
        return ""
    if all(code < 0x80 for code in data):
        plain = sum(code in b"\r\n\x02\x03" or 32 <= code < 127 for code in data)
        return "text" if plain >= 0.9 * len(data) else "noise"
    odd_bits = {code.bit_count() & 1 for code in data}
    if len(odd_bits) == 1:
        return "odd" if odd_bits.pop() else "even"
    return "noise"


def seven_bits(data: bytes) -> bytes:
    """The same bytes without bit 7, where a seven-bit line has its parity."""
    return data.translate(_SEVEN_BITS)


def without_parity(data: bytes) -> tuple[bytes, str]:
    """Seven-bit text that was read as eight, made bare, and its parity: "even" or "odd".

    Whatever else it is comes back as it is, with "".
    """
    seen = looks(data)
    return (seven_bits(data), seen) if seen in ("even", "odd") else (data, "")


class Trier:
    """Which way to listen now: moves on while what arrives makes no sense."""

    def __init__(self, trials: Sequence[Trial]) -> None:
        self._trials = tuple(trials) or (Trial(LineSettings()),)
        self._at = 0
        self._sample = b""
        self._since_s: float | None = None

    @property
    def current(self) -> Trial:
        """The way in use."""
        return self._trials[self._at]

    def begin(self, at_s: float) -> None:
        """The port was opened or its settings changed: look at it afresh."""
        self._sample = b""
        self._since_s = at_s

    def after(self, at_s: float, data: bytes, heard: bool) -> Trial | None:
        """Take what arrived and whether a scale is understood; another way to try, or None."""
        if self._since_s is None or heard:
            self.begin(at_s)
            return None
        self._sample = (self._sample + data)[-_ENOUGH_TEXT:]
        step = self._step(at_s - self._since_s)
        if step == self._at:
            return None
        self._at = step
        self.begin(at_s)
        return self.current

    def _step(self, waited_s: float) -> int:
        if not self._sample:
            return self._next_asking() if waited_s >= _SILENCE_S else self._at
        seen = looks(self._sample)
        if seen in ("even", "odd") and (better := self._with_parity(seen)) is not None:
            return better
        if seen == "text" and len(self._sample) < _ENOUGH_TEXT and waited_s < _TEXT_PATIENCE_S:
            return self._at
        patient = waited_s < _PATIENCE_S or (not seen and waited_s < _TEXT_PATIENCE_S)
        return self._at if patient else self._next()

    def _next(self) -> int:
        """The next way that differs in its settings: what sends by itself need not be asked."""
        asked = None if None in {trial.request for trial in self._trials} else self.current.request
        for index in self._following():
            trial = self._trials[index]
            if trial.request == asked and trial.settings != self.current.settings:
                return index
        return self._at

    def _next_asking(self) -> int:
        """The next way that asks the scale: silence says nothing about speed or parity."""
        asking = (index for index in self._following() if self._trials[index].request)
        return next(asking, self._at)

    def _following(self) -> Iterator[int]:
        count = len(self._trials)
        return ((self._at + n) % count for n in range(1, count))

    def _with_parity(self, parity: str) -> int | None:
        now = self.current.settings
        wanted = Trial(LineSettings(now.baud, 7, parity[0].upper(), now.stop), self.current.request)
        return self._trials.index(wanted) if wanted in self._trials else None
