"""What to weigh into the jug next.

Owns the decision under the set risk and the words for it. Knows nothing of how colours are fitted.

Dye cannot be taken out: a jug too dark can only be diluted, a light one is darkened by the next
dose. So each dose comes from the light side and is the largest whose chance of passing the target
is within the risk; the casting then teaches, and the next dose is smaller. Where it ends, a hair
dark is better than a hair light (common practice, no source): a match or a casting slightly darker
gets no more, and base is not poured after a hair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from recipes import tint_judged, tint_measured
from recipes.tint_castings import Past
from recipes.tint_ledger import (
    Dose,
    Judge,
    Ledger,
    LedgerError,
    doses_to,
    strength_for,
    trial_error_pct,
    weighing_error_pct,
)
from recipes.tint_likely import Likely

RISK_PCT = 2.0
SURE = 0.025
"""The range that is told holds what reaches the target 95 times in 100."""
STEPS = 24
"""Halvings in the search for the boldest dose: far finer than the draws."""
SEEN = 1.0
"""CIEDE2000 below which nobody sees a difference side by side."""
OFF_HUE = 2.0
"""CIEDE2000 that the best of these dyes may leave before it is worth a word."""
SAME = 1e-6
"""A casting is of the jug as it is where its dyes are the jug's to within such a share."""
LEAST_G = 1e-4
"""Nobody weighs less."""
ROUGH_PCT = 5.0
"""A dose that the scale leaves more open than this is to be weighed from a concentrate."""
MIX_G = 50.0
"""A small trial mix: a cup of it makes a casting."""
TIMID = 0.2
"""A dose of less than this of what is likely needed is not the quickest way to learn more."""


@dataclass(frozen=True, slots=True)
class DoseAdvice:
    """Of one dye as it is weighed (`strength`): how much, and between what lies what it needs."""

    dye: str
    grams: float
    low_g: float
    high_g: float
    best_g: float
    """What is as likely too little as too much."""
    strength: float = 1.0
    error_pct: float = 0.0
    """What the scale's division leaves open of `grams`."""


@dataclass(frozen=True, slots=True)
class Advice:
    """The next doses, none where nothing more is to go in, and why."""

    add: tuple[DoseAdvice, ...]
    why: str


def likely(ledger: Ledger, past: Past, division_g: float) -> Likely | str:
    """What the jug needs, or why that cannot be said yet."""
    if not ledger.names:
        return (
            f"There is no dye in jug {ledger.jug} yet: weigh in a first small dose of each dye, "
            "one after the other, and cast a trial after each."
        )
    found = None
    if ledger.target_lab is not None:
        found = tint_measured.needed(ledger, ledger.target_lab, past, division_g)
    found = found or tint_judged.needed(ledger)
    return found if found is not None else _unknown(ledger)


def _unknown(ledger: Ledger) -> str:
    """What is missing before anything can be said."""
    unseen = [n for n in ledger.names if not any(trial.amount(n) for trial in ledger.trials)]
    if unseen:
        return (
            f"No trial of jug {ledger.jug} with {' and '.join(unseen)} in it has been told yet: "
            "cast one and tell how it looks."
        )
    return (
        "The trials were measured, the master was not: tell how a trial looks beside it, or start "
        "the next jug with its target."
    )


# -- the next dose -----------------------------------------------------------------------------


def next_dose(
    ledger: Ledger, past: Past, risk_pct: float = RISK_PCT, division_g: float = 0.01
) -> Advice:
    """The largest doses whose chance of passing the target is at most `risk_pct`."""
    found = likely(ledger, past, division_g)
    if isinstance(found, str):
        return Advice((), found)
    stop, too_much = _by_eye(ledger)
    if stop:
        return Advice((), stop)
    try:
        wanted = _boldest(ledger, found, risk_pct / 100, too_much)
        doses = [dose for dose in doses_to(ledger, wanted) if dose.grams >= LEAST_G]
    except LedgerError as error:
        return Advice((), str(error))
    add = tuple(_advice(ledger, found, dose, division_g) for dose in doses)
    return Advice(add, _why(ledger, found, add, risk_pct, division_g))


def _by_eye(ledger: Ledger) -> tuple[str, str | None]:
    """What the eye says of the jug as it is counts, whatever the numbers say.

    Why nothing is to go in, empty where something may; and the dye that it has enough of.
    """
    trial = ledger.trials[-1] if ledger.trials else None
    if trial is None or any(abs(trial.amount(n) - a) > SAME * a for n, a in ledger.amounts):
        return "", None
    if trial.judge is Judge.DARKER:
        return (
            "The last trial is darker than the master: nothing more goes in. A hair dark is the "
            "side to be on; `tint rescue` says what base would bring it back."
        ), None
    if trial.judge is Judge.MATCH and trial.toward is None:
        return "The last trial matches the master: nothing more goes in.", None
    return "", trial.toward


def _boldest(ledger: Ledger, found: Likely, risk: float, too_much: str | None) -> dict[str, float]:
    """The amounts to come to: as high as the risk lets all dyes go alike among what is likely."""
    now = [inf if name == too_much else amount for name, amount in ledger.amounts]
    low, high = 0.0, 0.5
    for _ in range(STEPS):
        middle = (low + high) / 2
        goal = _at(found, middle)
        more = [k for k, (g, a) in enumerate(zip(goal, now, strict=True)) if g > a]
        low, high = (middle, high) if found.chance_beyond(goal, more) <= risk else (low, middle)
    goal = _at(found, low)
    return {n: g for n, g, a in zip(found.names, goal, now, strict=True) if g > a}


def _at(found: Likely, share: float) -> list[float]:
    return [found.amount(k, share) for k in range(len(found.names))]


def _advice(ledger: Ledger, found: Likely, dose: Dose, division_g: float) -> DoseAdvice:
    which = found.names.index(dose.dye)
    low, best, high = (
        _alone_g(ledger, dose, found.amount(which, share)) for share in (SURE, 0.5, 1 - SURE)
    )
    grams = int(dose.grams / LEAST_G + 1e-6) * LEAST_G
    return DoseAdvice(
        dye=dose.dye,
        grams=round(grams, 4),
        low_g=round(min(low, grams), 4),
        high_g=round(max(high, grams), 4),
        best_g=round(max(best, grams), 4),
        strength=dose.strength,
        error_pct=weighing_error_pct(dose.grams, division_g),
    )


def _alone_g(ledger: Ledger, dose: Dose, amount: float) -> float:
    """What to weigh so that this dye comes to `amount`, the others left alone; at least nothing."""
    try:
        (one,) = doses_to(ledger, {dose.dye: amount}) or (Dose(dose.dye, 0.0),)
    except LedgerError:
        return dose.grams
    return one.grams


# -- why ---------------------------------------------------------------------------------------


def _why(
    ledger: Ledger, found: Likely, add: Sequence[DoseAdvice], risk_pct: float, division_g: float
) -> str:
    said = [
        _where(found),
        _what(ledger, found, add, risk_pct),
        _rough(add, division_g),
        _mix(ledger, found, add, division_g),
    ]
    return " ".join(part for part in said if part)


def _where(found: Likely) -> str:
    if found.distance is None or found.left is None:
        return ""
    said = f"The jug is about {found.distance:.1f} from the target (CIEDE2000)"
    said += ", which hardly anybody sees." if found.distance < SEEN else "."
    if found.left <= OFF_HUE:
        return said
    return (
        f"{said} These dyes alone leave {found.left:.1f} of it or more: the hue asks for another."
    )


def _what(ledger: Ledger, found: Likely, add: Sequence[DoseAdvice], risk_pct: float) -> str:
    if add:
        return (
            f"This is the most that keeps the chance of passing the target at {risk_pct:g} %; "
            "cast a trial before more goes in."
        )
    enough = [n for n, short in _shortfalls(ledger, found) if short <= 0]
    if enough:
        return (
            f"There is enough {' and '.join(enough)} in the jug, or too much: nothing goes in. "
            "`tint rescue` says what base would bring it back."
        )
    return f"Any more would pass the target with a chance above {risk_pct:g} %."


def _shortfalls(ledger: Ledger, found: Likely) -> list[tuple[str, float]]:
    """Of each dye what the jug likely lacks, neat grams; below 0 what there is too much of."""
    return [
        (name, (found.amount(k, 0.5) - now) * ledger.base_g)
        for k, (name, now) in enumerate(ledger.amounts)
    ]


def _rough(add: Sequence[DoseAdvice], division_g: float) -> str:
    """A dose too small for this scale is told, and how far to let the dye down."""
    worst = max(add, key=lambda one: one.error_pct, default=None)
    if worst is None or worst.error_pct <= ROUGH_PCT:
        return ""
    weaker = strength_for(worst.grams * worst.strength, division_g, ROUGH_PCT)
    return (
        f"The scale's division leaves ±{worst.error_pct:.0f} % of that {worst.dye} open: let it "
        f"down with base to a strength of {weaker:.2g}, and weigh that."
    )


def _mix(ledger: Ledger, found: Likely, add: Sequence[DoseAdvice], division_g: float) -> str:
    """Where the jug can hardly be helped on, a small mix can go further and spoils nothing."""
    if any(one.grams > TIMID * one.best_g for one in add):
        return ""
    share = MIX_G / ledger.jug_g
    more = {n: short * share / ledger.strength(n) for n, short in _shortfalls(ledger, found)}
    more = {name: grams for name, grams in more.items() if grams >= LEAST_G}
    if not more or ledger.jug_g <= MIX_G:
        return ""
    words = " ".join(f"--with {name}={grams:.3g}" for name, grams in more.items())
    said = (
        f"A trial mix tells more and spoils nothing: `tint test --mix-g {MIX_G:g} {words}` and how "
        "it looks."
    )
    if division_g <= 0:
        return said
    error = max(trial_error_pct(MIX_G + g, g, division_g) for g in more.values())
    return f"{said} On this scale its dye is weighed to ±{error:.2g} %."
