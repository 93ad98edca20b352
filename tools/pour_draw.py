"""Benches drawn by chance: scales, persons and bottles, and the two populations they come from.

Owns the ranges. Knows nothing of cues or of how a pour is judged.

Where the ranges come from. Reaction to sound: published means of simple reaction 0.16 s (reviews)
to 0.27 s (slower set-ups), standard deviation of one person 15 to 20 % of it; longer where a cue
comes over a network and choice is involved. Fall time: sqrt(2h/g) from 5 to 25 cm. Jet and stream
in the air: momentum balance of a falling stream (see `drivers.scale_sim`). Filters: moving averages
of 0.2 to 0.8 s (ten values at ten a second: 0.9 s to settle), two poles, dead time of cell and
line. Divisions 1, 2 or 5 times a power of ten (R 76-1, form of the scale interval). Dump 5 to
60 g/s, trickle 0.5 to 6 g/s, dribble up to 1 g, easing off in 0.2 to 1.5 s: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from drivers.scale_sim import ScaleTruth, StreamTruth
from drivers.sim_person import PartTruth, PersonTruth

DUMP_METHOD = (0.7, 0.82, 0.94)
"""Shares of the target at which somebody who pours by eye stops to look: common practice."""


@dataclass(frozen=True, slots=True)
class Bench:
    """One drawn bench: scale, person, two bottles, how often lines go missing or wrong."""

    scale: ScaleTruth
    person: PersonTruth
    parts: tuple[PartTruth, PartTruth]
    cup_g: float
    dropped: float
    garbled: float

    @property
    def tolerance_g(self) -> float:
        """Landing band, never under the division."""
        return max(0.3, self.scale.division_g)

    @property
    def scale_class(self) -> str:
        """Class of the scale, by the display's step."""
        d = self.scale.division_g
        return "0.01-0.02 g" if d < 0.03 else "0.05-0.2 g" if d < 0.3 else "0.5-1 g"


def draw(seed: int, wide: bool = False) -> Bench:
    """A bench; the same seed gives the same bench.

    `wide`: the whole of every range at once, network delays, first-time hands, scales slow and
    coarse; else scales and persons as are common.
    """
    rng = Random(seed * 7919 + 13)
    return Bench(
        scale=_scale(rng, wide),
        person=_person(rng, wide),
        parts=(_part("A", rng, wide), _part("B", rng, wide)),
        cup_g=rng.uniform(4.0, 14.0),
        dropped=rng.choice((0.0, 0.0, 0.01, 0.03)),
        garbled=rng.choice((0.0, 0.0, 0.0005)),
    )


def _log_uniform(rng: Random, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())


def _scale(rng: Random, wide: bool) -> ScaleTruth:
    fine = (0.01, 0.01, 0.02, 0.05, 0.1, 0.1, 0.1, 0.1)
    d = rng.choice((*fine, 0.2, 0.5, 1.0) if wide else fine)
    rate = rng.choice(
        (2.0, 4.0, 5.0, 8.0, 10.0, 10.0, 20.0, 50.0) if wide else (5.0, 10.0, 10.0, 20.0)
    )
    slow = 0.3 if wide else 0.2
    return ScaleTruth(
        rate_hz=rate * rng.uniform(0.93, 1.07),
        division_g=d,
        noise_g=max(0.004, d * rng.uniform(0.1, 0.5)),
        poles_s=(rng.uniform(0.02, slow), rng.uniform(0.02, slow)),
        average_s=rng.choice((0.0, 0.0, 0.2, 0.4, 0.8) if wide else (0.0, 0.0, 0.2, 0.4)),
        dead_s=rng.uniform(0.01, 0.15 if wide else 0.1),
        drift_g_per_s=rng.gauss(0.0, 0.0005),
    )


def _person(rng: Random, wide: bool) -> PersonTruth:
    known = rng.uniform(0.16, 0.35)
    reaction = rng.choice((known, rng.uniform(0.3, 0.6))) if wide else known
    return PersonTruth(
        reaction_s=reaction,
        jitter_s=reaction * rng.uniform(0.12, 0.22 if wide else 0.18),
        slip=rng.choice((0.0, 0.01, 0.02) if wide else (0.0, 0.0, 0.01)),
        pauses=rng.choice(((), (), DUMP_METHOD) if wide else ((), (), (), (), DUMP_METHOD)),
        swap_s=rng.uniform(1.5, 3.0),
    )


def _part(name: str, rng: Random, wide: bool) -> PartTruth:
    dump = _log_uniform(rng, 5.0, 60.0) if wide else _log_uniform(rng, 6.0, 50.0)
    trickle = _log_uniform(rng, 0.5, 6.0) if wide else _log_uniform(rng, 0.7, 3.5)
    dribble = (
        rng.choice((0.0, _log_uniform(rng, 0.05, 1.0))) if wide else _log_uniform(rng, 0.02, 0.3)
    )
    stream = StreamTruth(
        dump_g_per_s=dump,
        trickle_g_per_s=min(trickle, dump / 2.5),
        open_s=rng.uniform(0.2, 0.6),
        ease_s=rng.uniform(0.2, 1.5 if wide else 1.0),
        close_s=rng.uniform(0.08, 0.35),
        dribble_g=dribble,
        dribble_s=rng.uniform(0.15, 0.6),
        surge=rng.uniform(0.02, 0.10 if wide else 0.07),
        surge_s=rng.uniform(0.4, 1.2),
        fall_m=rng.uniform(0.05, 0.25),
        spout_m_per_s=rng.uniform(0.0, 0.4),
    )
    return PartTruth(name, rng.uniform(20.0, 120.0) if wide else rng.uniform(40.0, 110.0), stream)
