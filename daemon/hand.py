"""The learned hand: what still comes after a cue, how surely, and how somebody eases and trickles.

Owns what is learned of one person on one scale. Knows nothing of readings, targets or cues.

After the stop cue, lead x flow + drip grams still come: the lead is reaction and half the closing
(and whatever the scale's lag is longer than assumed), the drip what runs off the spout whatever the
flow; each bottle has a drip of its own besides. They are followed by a recursive least-squares fit
with a prior (a Kalman filter with constant state), one landing at a time; a landing far off the
others counts little, as with a Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, sqrt

LEAST_SD_G = 0.04
"""Scatter of a landing however slow the flow: a drop more or less (a drop is 0.03 to 0.05 g)."""

FORGET = 30.0
"""Landings after which the oldest count no more: hands change over weeks."""

NEW_DUMP_G_PER_S, FAST = 14.0, 1.6
"""A dump never seen, and how much faster it is taken to be once there was no room to see it."""

PATIENT_S, DARED_G, DARING = 25.0, 60.0, 0.8
"""A part may trickle for so long before it is tried as a dump, if so large, and by which steps."""

SETTLED_VAR = 0.25**2
"""A bottle's drip known so well has been seen twice: from then on an odd landing is an outlier."""

BOTTLES = 8
"""Bottles remembered, the last used ones."""


@dataclass(frozen=True, slots=True)
class Bottle:
    """How one part's bottle pours in this hand.

    `ease_lead_s`: from the coarse cue, how long the dump would have to go on at full flow to bring
    what easing off brought; its variance, and its scatter from pour to pour. Usual flows, with the
    scatter of the trickle as a share. `drip_g`: beyond the hand's own, with its variance. `pours`
    and `dumps` stand behind these.
    """

    part: str
    trickle_g_per_s: float = 2.0
    trickle_scatter: float = 0.6
    dump_g_per_s: float = NEW_DUMP_G_PER_S
    ease_lead_s: float = 0.9
    ease_var: float = 0.35**2
    ease_scatter_s: float = 0.12
    drip_g: float = 0.0
    drip_var: float = 0.35**2
    pours: int = 0
    dumps: int = 0
    trickled: int = 0
    """Pours since the last dump that trickled from the start."""

    @property
    def ease_spread_s(self) -> float:
        """Standard deviation of the next easing's lead."""
        return sqrt(self.ease_var + self.ease_scatter_s**2)

    def planned_dump_g_per_s(self, target_g: float) -> float:
        """The dump to plan for.

        One never seen is taken to be middling at first, so that it is seen; where there was no room
        for that it is taken to be fast. Where trickling all of it takes long, a slower one is dared
        with every pour that trickled from the start.
        """
        if not self.trickled:
            return self.dump_g_per_s
        slow = target_g > max(DARED_G, PATIENT_S * self.trickle_g_per_s)
        fast = self.dump_g_per_s * (1.0 if self.dumps else FAST)
        return fast * (DARING**self.trickled if slow else 1.0)


@dataclass(frozen=True, slots=True)
class Hand:
    """One person on one scale.

    `lead_s`, `drip_g` with variances and covariance: run-on after the stop cue. `spread_s`: scatter
    of the lead from pour to pour. `count`: landings behind them. `lag_s`: scale lag assumed when
    they were learned. `bottles`: how each part pours, the last used one first.

    Assumed before any landing: reaction to sound 0.22 s (published means 0.16 to 0.27 s), half a
    closing of 0.2 s and some delay of the line, uncertain by half; 0.12 g of drip; 0.9 s to ease
    off; 2 g/s of trickle within a factor of two.
    """

    lead_s: float = 0.36
    drip_g: float = 0.12
    lead_var: float = 0.15**2
    drip_var: float = 0.15**2
    lead_drip_cov: float = 0.0
    spread_s: float = 0.07
    count: int = 0
    lag_s: float | None = None
    bottles: tuple[Bottle, ...] = ()


@dataclass(frozen=True, slots=True)
class Grip:
    """One hand on one bottle, beside a scale with a lag now known: what a decision needs."""

    lead_s: float
    spread_s: float
    drip_g: float
    lead_var: float
    drip_var: float
    lead_drip_cov: float
    bottle: Bottle

    @property
    def trickle_g_per_s(self) -> float:
        """The trickle to be expected."""
        return self.bottle.trickle_g_per_s

    def run_on_g(self, flow_g_per_s: float) -> float:
        """Grams expected after a stop cue at this flow."""
        opened = min(1.0, 0.3 + flow_g_per_s / self.trickle_g_per_s)
        return self.lead_s * flow_g_per_s + max(0.0, self.drip_g) * opened

    def run_on_sd_g(self, flow_g_per_s: float) -> float:
        """Standard deviation of that: the hand's scatter, and what is not yet learned."""
        x = flow_g_per_s
        unlearned = x * (x * self.lead_var + 2.0 * self.lead_drip_cov) + self.drip_var
        return sqrt((x * self.spread_s) ** 2 + LEAST_SD_G**2 + max(0.0, unlearned))


def fresh() -> Hand:
    """The hand of somebody never seen on this scale."""
    return Hand()


def bottle(hand: Hand, part: str) -> Bottle:
    """How this part pours in this hand; a part never seen is taken to be like the others."""
    known = next((b for b in hand.bottles if b.part == part), None)
    if known is not None:
        return known
    n = len(hand.bottles)
    if n == 0:
        return Bottle(part)
    return Bottle(
        part,
        trickle_g_per_s=exp(sum(log(b.trickle_g_per_s) for b in hand.bottles) / n),
        dump_g_per_s=sqrt(
            22.0 * max(22.0, exp(sum(log(b.dump_g_per_s) for b in hand.bottles) / n))
        ),
        ease_lead_s=sum(b.ease_lead_s for b in hand.bottles) / n,
        ease_var=0.3**2,
    )


def _beside(hand: Hand, lag_s: float) -> Hand:
    """The hand beside a scale whose lag is now taken to be `lag_s`.

    What was learned under another lag stays true of the sum of both; after a large correction of
    the lag the lead is drawn towards what is assumed of any hand, as both shared in the old error.
    """
    shift = hand.lag_s - lag_s if hand.lag_s is not None else 0.0
    if shift == 0.0:
        return hand
    lead, var = hand.lead_s + shift, hand.lead_var
    if abs(shift) > 0.08:
        unsure, assumed = var + 0.25 * shift * shift, Hand()
        share = assumed.lead_var / (assumed.lead_var + unsure)
        lead, var = assumed.lead_s + share * (lead - assumed.lead_s), share * unsure
    return replace(hand, lead_s=lead, lead_var=var, lag_s=lag_s)


def grip(hand: Hand, part: str, lag_s: float) -> Grip:
    """How this hand pours this part, beside a scale whose lag is now taken to be `lag_s`."""
    hand = _beside(hand, lag_s)
    b = bottle(hand, part)
    return Grip(
        lead_s=max(0.05, hand.lead_s),
        spread_s=hand.spread_s,
        drip_g=hand.drip_g + b.drip_g,
        lead_var=hand.lead_var,
        drip_var=hand.drip_var + b.drip_var,
        lead_drip_cov=hand.lead_drip_cov,
        bottle=b,
    )


def learn(
    hand: Hand,
    *,
    flow_g_per_s: float,
    run_on_g: float,
    part: str = "",
    lag_s: float = 0.0,
    seen_sd_g: float = 0.0,
) -> Hand:
    """The hand after one undisturbed landing.

    `flow_g_per_s` (> 0) and the mass were those estimated at the cue with a scale lag of `lag_s`;
    `run_on_g` came after it; `seen_sd_g` is how surely that is known. Nothing is learned of a flow
    below 0.05 g/s: then there was nothing to stop.
    """
    x = flow_g_per_s
    if x < 0.05:
        return hand
    hand = _beside(hand, lag_s)
    b = bottle(hand, part)
    noise = (x * hand.spread_s) ** 2 + LEAST_SD_G**2 + seen_sd_g**2
    to_lead = x * hand.lead_var + hand.lead_drip_cov
    to_drip = x * hand.lead_drip_cov + hand.drip_var
    known = x * to_lead + to_drip + b.drip_var
    off = run_on_g - (hand.lead_s * x + hand.drip_g + b.drip_g)
    square = off * off / (known + noise)
    settled = b.drip_var < SETTLED_VAR
    s = known + noise * (max(1.0, square / 4.0) if settled else 1.0)
    grow = 1.0 / FORGET if hand.count >= 4 else 0.0
    b = replace(
        b,
        drip_g=b.drip_g + b.drip_var / s * off,
        drip_var=b.drip_var - b.drip_var**2 / s + grow * 0.1**2,
    )
    hand = replace(
        hand,
        lead_s=hand.lead_s + to_lead / s * off,
        drip_g=hand.drip_g + to_drip / s * off,
        lead_var=hand.lead_var - to_lead * to_lead / s + grow * 0.04**2,
        drip_var=hand.drip_var - to_drip * to_drip / s + grow * 0.06**2,
        lead_drip_cov=hand.lead_drip_cov - to_lead * to_drip / s,
        spread_s=_spread_s(hand, square),
        count=hand.count + 1,
        lag_s=lag_s,
    )
    return _with_bottle(hand, b)


def _spread_s(hand: Hand, square: float) -> float:
    """Scatter after a landing whose squared deviation was `square` times the expected one."""
    gain = 1.0 / min(hand.count + 5.0, FORGET)
    grown = hand.spread_s**2 * (1.0 + gain * (min(square, 6.0) - 1.0))
    return min(max(sqrt(grown), 0.02), 0.4)


def _with_bottle(hand: Hand, b: Bottle) -> Hand:
    others = tuple(o for o in hand.bottles if o.part != b.part)
    return replace(hand, bottles=(b, *others)[:BOTTLES])


def learn_dump(hand: Hand, part: str, flow_g_per_s: float) -> Hand:
    """The hand after a dump that reached this flow."""
    b = bottle(hand, part)
    gain = 1.0 / min(b.dumps + 1.1, 6.0)
    dump = _blend(b.dump_g_per_s, flow_g_per_s, gain)
    return _with_bottle(hand, replace(b, dump_g_per_s=dump, dumps=b.dumps + 1, trickled=0))


def learn_ease(hand: Hand, part: str, lead_s: float, seen_sd_s: float = 0.0) -> Hand:
    """The hand after it eased off with this lead from the coarse cue to a trickle.

    A constant followed by a Kalman filter; the scatter is what its surprises say.
    """
    b = bottle(hand, part)
    noise = b.ease_scatter_s**2 + seen_sd_s**2
    off = min(max(lead_s - b.ease_lead_s, -1.0), 1.0)
    gain = b.ease_var / (b.ease_var + noise)
    square = off * off / (b.ease_var + noise)
    grown = b.ease_scatter_s**2 * (1.0 + 0.15 * (min(square, 6.0) - 1.0))
    b = replace(
        b,
        ease_lead_s=min(max(b.ease_lead_s + gain * off, 0.1), 4.0),
        ease_var=(1.0 - gain) * b.ease_var + 0.03**2 + (0.1 * off * off if square > 4.0 else 0.0),
        ease_scatter_s=min(max(sqrt(grown), 0.06), 0.5),
    )
    return _with_bottle(hand, b)


def learn_trickle(hand: Hand, part: str, flow_g_per_s: float, weight: float = 1.0) -> Hand:
    """The hand after a trickle of this flow was seen; ends what one pour teaches of its bottle.

    `weight` below 1: seen too shortly to be sure.
    """
    b = bottle(hand, part)
    if flow_g_per_s < 0.05:
        return hand
    gain = weight / min(b.pours + 1.2, 8.0)
    off = log(flow_g_per_s / b.trickle_g_per_s)
    scatter = sqrt((1.0 - gain) * (b.trickle_scatter**2 + gain * off * off))
    b = replace(
        b,
        trickle_g_per_s=_blend(b.trickle_g_per_s, flow_g_per_s, gain),
        trickle_scatter=min(max(scatter, 0.15), 0.8),
        pours=b.pours + 1,
    )
    return _with_bottle(hand, b)


def learn_trickled(hand: Hand, part: str) -> Hand:
    """The hand after a pour that trickled from the start."""
    b = bottle(hand, part)
    return _with_bottle(hand, replace(b, trickled=b.trickled + 1))


def _blend(old: float, new: float, gain: float) -> float:
    return old * exp(gain * log(max(new, 0.05) / old))


def describe(hand: Hand) -> str:
    """A few sentences for the person: lead, spread, drip, from how many landings, each bottle."""
    drip = f"{max(0.0, hand.drip_g):.2f} g of drip"
    if hand.count == 0:
        unsure = sqrt(hand.spread_s**2 + hand.lead_var)
        return (
            f"Nothing learned yet: assuming {hand.lead_s:.2f} s from the stop cue to a closed "
            f"pour, give or take {unsure:.2f} s, and {drip}."
        )
    landings = "1 landing" if hand.count == 1 else f"{hand.count} landings"
    said = (
        f"{hand.lead_s:.2f} s from the stop cue to a closed pour, give or take "
        f"{hand.spread_s:.2f} s, and {drip}, learned from {landings}."
    )
    for b in sorted(hand.bottles, key=lambda b: b.part):
        if b.pours:
            said += f" {b.part}: {b.ease_lead_s:.1f} s to ease off, to {b.trickle_g_per_s:.1f} g/s."
    return said
