"""A whole recorded stream turned into readings, its line shape given or recognised.

Owns the choice between shapes when everything that was sent is at hand. Knows no file, port or
clock: the time of a frame is its place in the stream.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import count
from typing import Any

from drivers.candidate import Candidate
from drivers.decoder import Decoder
from drivers.line_settings import without_parity
from drivers.notation import to_text
from drivers.reading import Reading
from drivers.scale_profile import Profile, known_profiles

_LEAST_SHARE = 0.4
"""A shape that explains less of a stream than this does not fit it."""
_LEAST_WEIGHTS = 2
_SHOWN = 60


class NotRecognisedError(Exception):
    """No known shape fits, or several do and disagree; the message says what was seen."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """The readings of a stream, the shapes that give them, and a sentence about that."""

    readings: tuple[Reading, ...]
    profiles: tuple[str, ...]
    note: str


def decode_stream(data: bytes, profile: Profile | None = None, period_ms: float = 100.0) -> Decoded:
    """All readings in `data`, taking each frame to come `period_ms` after the one before.

    Without a profile the known shapes are tried: those that fit must agree on every reading.
    Raises NotRecognisedError where they differ or none fits. Bytes whose bit 7 is the parity of the
    others in every one of them are read as the seven bits they were sent as.
    """
    bare, seen = without_parity(data)
    parity = f" (bit 7 of every byte is {seen} parity)" if seen else ""
    if profile is not None and profile.reports:
        return Decoded(
            _readings(Decoder(profile), data, period_ms), (profile.name,), f"read as {profile.name}"
        )
    if profile is not None:
        found = _readings(Decoder(profile, carry_unit=False), bare, period_ms)
        return Decoded(found, (profile.name,), f"read as {profile.name}{parity}")
    return _recognised(bare, known_profiles(), period_ms, parity)


def reading_as_json(reading: Reading) -> dict[str, Any]:
    """The members of a reading that `scale decode` prints, in their order."""
    return {
        "at": reading.offset,
        "text": reading.text,
        "grams": reading.grams,
        "unit": reading.unit,
        "declared": reading.declared,
        "overload": reading.overload,
        "net": reading.net,
        "trusted": reading.trusted,
    }


def _stamps(period_ms: float) -> Callable[[], float]:
    ticks = count()
    return lambda: next(ticks) * period_ms / 1000.0


def _readings(decoder: Decoder, data: bytes, period_ms: float) -> tuple[Reading, ...]:
    pairs = decoder.step(data, _stamps(period_ms))
    return tuple(item for _, item in pairs if isinstance(item, Reading))


@dataclass(frozen=True, slots=True)
class _Fit:
    """One shape's account of the stream."""

    candidate: Candidate
    readings: tuple[Reading, ...]

    @property
    def said(self) -> dict[int, tuple[object, ...]]:
        """What it read where, apart from what one shape may know and another not."""
        return {r.offset: (r.text, r.unit, r.declared, r.overload) for r in self.readings}


def _recognised(data: bytes, profiles: Iterable[Profile], period_ms: float, parity: str) -> Decoded:
    every = [_fit(profile, data, period_ms) for profile in profiles if profile.recognise]
    fits = [fit for fit in every if _is_fit(fit, len(data))]
    if not fits:
        raise NotRecognisedError(
            f"no known line shape fits these {len(data)} bytes; they begin with "
            f"{to_text(data[:_SHOWN]) or 'nothing'}. Name a profile, or let it be learned"
        )
    best = [fit for fit in fits if not any(_explains_more(other, fit) for other in fits)]
    names = tuple(fit.candidate.name for fit in best)
    if any(fit.said != best[0].said for fit in best):
        raise NotRecognisedError(
            f"{' and '.join(names)} all fit these bytes but read them differently; record a load "
            f"being put down and taken off, or name the profile"
        )
    return Decoded(_merged(best), names, f"recognised as {' or '.join(names)}{parity}")


def _fit(profile: Profile, data: bytes, period_ms: float) -> _Fit:
    candidate = Candidate(profile, carry_unit=False, unit=None)
    readings = []
    for frame, item in candidate.take(data, _stamps(period_ms)):
        candidate.count(frame, item)
        if isinstance(item, Reading):
            readings.append(item)
    return _Fit(candidate, tuple(readings))


def _is_fit(fit: _Fit, size: int) -> bool:
    seen = fit.candidate
    enough = seen.weights >= _LEAST_WEIGHTS and seen.best_run >= _LEAST_WEIGHTS
    return enough and seen.explained >= _LEAST_SHARE * size


def _explains_more(one: _Fit, another: _Fit) -> bool:
    """Whether `one` reads all that `another` does, alike, and something more."""
    more, less = one.said, another.said
    return len(more) > len(less) and less.items() <= more.items()


def _merged(fits: list[_Fit]) -> tuple[Reading, ...]:
    """The common readings; whether the scale's tare is in use stays open where not all know it."""
    rows = zip(*(fit.readings for fit in fits), strict=True)
    return tuple(
        replace(
            row[0],
            net=row[0].net if all(reading.net == row[0].net for reading in row) else None,
            trusted=all(reading.trusted for reading in row),
        )
        for row in rows
    )
