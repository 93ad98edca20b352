"""The learned hand: how long from the stop cue to a closed pour, and how much that scatters.

Owns what is learned of one person on one scale. Knows nothing of readings, targets or cues.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt


@dataclass(frozen=True, slots=True)
class Hand:
    """Lead from cue to closed pour (s), its spread (s) and the landings behind them.

    What is assumed before any landing: reaction to sound 0.18 s (simple reaction, measured means
    0.16 to 0.27 s) plus half of a closing of 0.2 s.
    """

    lead_s: float = 0.28
    spread_s: float = 0.10
    count: int = 0
    ease_lead_s: float = 0.8
    trickle_g_per_s: float = 2.0


def fresh() -> Hand:
    """The hand of somebody never seen on this scale."""
    return Hand()


def learn(hand: Hand, *, flow_g_per_s: float, run_on_g: float) -> Hand:
    """The hand after one undisturbed landing.

    `flow_g_per_s` (> 0) at the cue; `run_on_g` what came after it. Bounded, so that one odd
    landing cannot carry the lead away.
    """
    if flow_g_per_s <= 0.05:
        return hand
    seen = min(max(run_on_g / flow_g_per_s, 0.0), 2.0)
    gain = max(1.0 / (hand.count + 2.0), 0.15)
    off = min(max(seen - hand.lead_s, -3.0 * hand.spread_s), 3.0 * hand.spread_s)
    spread = sqrt((1.0 - gain) * hand.spread_s**2 + gain * off * off)
    return replace(
        hand,
        lead_s=hand.lead_s + gain * off,
        spread_s=max(0.02, spread),
        count=hand.count + 1,
    )


def describe(hand: Hand) -> str:
    """One sentence for the person: lead, spread, and from how many landings."""
    if hand.count == 0:
        return (
            f"Nothing learned yet: assuming {hand.lead_s:.2f} s from the cue to a closed pour, "
            f"give or take {hand.spread_s:.2f} s."
        )
    return (
        f"{hand.lead_s:.2f} s from the cue to a closed pour, give or take {hand.spread_s:.2f} s, "
        f"learned from {hand.count} landing{'s' if hand.count != 1 else ''}."
    )
