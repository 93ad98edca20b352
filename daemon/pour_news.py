"""What a pour tells: frozen values, raw grams and seconds, never rounded.

Owns the words. Knows nothing of when they are said.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.hand import Hand


@dataclass(frozen=True, slots=True)
class Begun:
    """The first drop fell."""

    at_s: float


@dataclass(frozen=True, slots=True)
class StopCoarse:
    """Ease off to a trickle; `landing_g` is where it would land if cut now."""

    at_s: float
    reading_g: float
    flow_g_per_s: float
    landing_g: float


@dataclass(frozen=True, slots=True)
class StopFine:
    """Stop; once for the main pour, once for every top-up."""

    at_s: float
    reading_g: float
    flow_g_per_s: float
    landing_g: float


@dataclass(frozen=True, slots=True)
class OverSeen:
    """The reading is above target + tolerance now."""

    at_s: float
    reading_g: float


@dataclass(frozen=True, slots=True)
class Landed:
    """Settled within tolerance; `seconds` from the first drop."""

    at_s: float
    actual_g: float
    error_g: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Short:
    """Settled below target - tolerance after a stop cue: top up."""

    at_s: float
    actual_g: float
    short_g: float


@dataclass(frozen=True, slots=True)
class Over:
    """Settled above target + tolerance."""

    at_s: float
    actual_g: float
    over_g: float


@dataclass(frozen=True, slots=True)
class HandLearned:
    """What the last landing taught."""

    at_s: float
    hand: Hand


PourNews = Begun | StopCoarse | StopFine | OverSeen | Landed | Short | Over | HandLearned
