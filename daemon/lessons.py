"""What a landing teaches about the hand: run-on, trickle, dump and easing off.

Owns the reading of a finished pour. Knows nothing of cues to come, and of the hand only what may be
learned.
"""

from __future__ import annotations

from math import hypot

from daemon import foresight, landing
from daemon import hand as hands
from daemon.foresight import grip
from daemon.hand import Grip, Hand
from daemon.pour_state import OPEN_S, Pour
from daemon.weighing import Weighing

HASTY = 0.12
"""Grams of doubt per gram/s about the run-on of a stop called before the trickle was measured."""

KEPT_S = 1.0
"""Seconds that a scale must have seen of a dump after its coarse cue before it counts as kept on.
"""


def taught(p: Pour, w: Weighing, hand: Hand, actual_g: float) -> Hand | None:
    """The hand after this landing; None where it teaches nothing.

    A hand or a spoon on the pan since the cue, or nothing that flowed at it, teaches nothing. A
    stop that had to be called before the pour had eased says nothing of the run-on, and a top-up
    too short to be measured neither.
    """
    cue, part = p.fine_cue, p.goal.part
    if cue is None or p.tainted or cue.flow_g_per_s < 0.1:
        return None
    if p.main_cut and _kept_on(p, w):
        hand = hands.learn_dump(hand, part, p.dumped_g_per_s)
        return hands.learn_trickle(hand, part, cue.raw_g_per_s)
    eases = not foresight.keeps_on(p, grip(p, w, hand))
    if p.main_cut and eases and p.coarse_cue is not None and p.stops_g[0] is not None:
        lead, unsure = _ease_seen(p, grip(p, w, hand), actual_g)
        hand = hands.learn_dump(hand, part, p.dumped_g_per_s)
        hand = hands.learn_ease(hand, part, lead, unsure)
    if p.main_cut and p.stops_g[0] is None:
        hand = hands.learn_trickled(hand, part)
    trickle = _trickle(p, eases) if p.main_cut else None
    if trickle is not None or (not p.main_cut and _ran_on(p, w)):
        hasty = HASTY * cue.flow_g_per_s if p.main_cut and not p.ran else 0.0
        hand = hands.learn(
            hand,
            part=part,
            flow_g_per_s=cue.flow_g_per_s,
            run_on_g=actual_g - cue.mass_g,
            lag_s=w.scale.total_lag_s,
            seen_sd_g=hypot(cue.sd_g, hasty),
        )
    if trickle is None:
        return hand
    return hands.learn_trickle(hand, part, trickle, 1.0 if p.ran else 0.4)


def _ran_on(p: Pour, w: Weighing) -> bool:
    """Whether a top-up ran for so long that the scale has shown it."""
    assert p.fine_cue is not None
    ran_s = p.fine_cue.at_s - (p.flows_at_s or p.fine_cue.at_s)
    return ran_s > OPEN_S + w.scale.total_lag_s


def _kept_on(p: Pour, w: Weighing) -> bool:
    """Whether the dump simply went on after the coarse cue although there was time to ease off.

    The next pour then expects it, and its run-on teaches; this one's was reckoned with an easing.
    """
    c, f = p.coarse_cue, p.fine_cue
    if c is None or f is None or p.ran or p.goal.fine is not None:
        return False
    long = f.at_s - c.at_s > KEPT_S + w.scale.total_lag_s
    return long and f.raw_g_per_s > 0.7 * p.dumped_g_per_s


def _trickle(p: Pour, eases: bool = True) -> float | None:
    """Flow of the trickle at the stop cue: its mean if it ran long enough, else as it was seen."""
    e, f = p.ease_cue, p.fine_cue
    if e is None or f is None:
        return None
    flow = (f.mass_g - e.mass_g) / (f.at_s - e.at_s) if p.ran else f.raw_g_per_s
    eased = p.coarse_cue is None or not eases or flow < 0.7 * p.dumped_g_per_s
    return flow if flow > 0.05 and eased else None


def _ease_seen(p: Pour, g: Grip, actual_g: float) -> tuple[float, float]:
    """Lead of this pour's easing off, and how surely (s), from what it brought.

    Up to the mark at which it should have eased; where the stop came before a trickle could be
    measured, up to the landing.
    """
    c, e, f = p.coarse_cue, p.ease_cue, p.fine_cue
    assert c is not None and f is not None
    trickle, dump, sd_g = _trickle(p), p.dumped_g_per_s, c.sd_g + 0.3
    if trickle is not None and e is not None and p.ran:
        brought, in_s = e.mass_g - c.mass_g, e.at_s - c.at_s
    else:
        trickle = min(g.trickle_g_per_s, 0.7 * dump)
        in_s = f.at_s - c.at_s + g.lead_s
        brought = actual_g - max(0.0, g.drip_g) - c.mass_g
        sd_g += 0.2 * trickle * in_s
    lead = landing.ease_lead_s(dump, trickle, brought, in_s)
    return lead, sd_g / max(dump - trickle, 0.5)
