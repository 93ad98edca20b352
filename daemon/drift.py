"""Whether landings or mix ratios stray: one plain sentence, before a batch is spoiled.

Owns what counts as a drift and in which words it is said. Knows no batch, journal or clock, and
corrects nothing: aiming off after every error doubles the scatter's square (the funnel's second
rule; Deming, Out of the Crisis), so only what lasts is told, and told to the person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from recipes.control_charts import ewma, ewma_half_width, run_length, sigma_without_strays

LOOKS_BACK = 30
"""So many of the newest values count: what was a day ago explains nothing now."""
LEAST = 6
"""Fewer values than that tell nothing."""
RUN = 4
"""So many in a row have to lie on one side, so that a stray or two is no drift."""
STRAY_SIGMAS, STRAY_MATTERS = 2.0, 1.5
"""Further out than so many sigmas, or so many times what matters, a value counts no more than that:
one slip of attention of a gram is no drift, and landings all alike and off are one."""

_NUMBERS = ("four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


@dataclass(frozen=True, slots=True)
class Drift:
    """A series that has left its target: `running` values in a row, `off` it in the middle."""

    running: int
    off: float

    @property
    def high(self) -> bool:
        """Whether it is above its target."""
        return self.off > 0


def drift_of(errors: Sequence[float], matters: float) -> Drift | None:
    """The drift in these errors, oldest first; None where there is none.

    `matters` is the least shift worth a word, in the errors' unit. An EWMA about the target, weight
    0.2, has to pass its three-sigma limit (NIST/SEMATECH e-Handbook 6.3.2.4) by half of that, since
    nobody lands on the target to a hair; and the newest values have to be off to that side in a
    row. Landings have strays that a normal distribution knows nothing of, so sigma comes from the
    median moving range and strays are cut: in simulated orders of 40 batches fewer than one in
    twenty was told of a drift that was none.
    """
    last = errors[-LOOKS_BACK:]
    running = run_length(last)
    if len(last) < LEAST or running < RUN:
        return None
    off = median(last[-min(running, 2 * RUN) :])
    sigma = sigma_without_strays(last, matters / 2)
    cut = max(STRAY_SIGMAS * sigma, STRAY_MATTERS * matters)
    level = ewma([min(max(error, -cut), cut) for error in last], 0.0)[-1]
    limit = ewma_half_width(sigma, count=len(last)) + matters / 2
    beyond = level > limit if off > 0 else level < -limit
    return Drift(running, off) if beyond and abs(off) >= matters else None


def watch(
    landings: Sequence[tuple[str, float]],
    ratio_errors: Sequence[float],
    *,
    division_g: float = 0.1,
    ratio_tolerance_pct: float = 2.0,
) -> str:
    """One sentence on the drift that shows, empty while all is well.

    `landings` are (part, grams off its target), `ratio_errors` percent, both oldest first and up to
    the batch just mixed; 30 of each part are looked at. `division_g` is the scale's division,
    `ratio_tolerance_pct` the recipe's: a shift below a division, or below a quarter of that
    tolerance, is not worth a word. The work is that of one pass over what is given.
    """
    parts: dict[str, list[float]] = {}
    for part, error_g in landings:
        parts.setdefault(part, []).append(error_g)
    drifts = {part: drift_of(errors, division_g) for part, errors in parts.items()}
    found = {part: drift for part, drift in drifts.items() if drift is not None}
    if found:
        return _landings_said(found)
    ratio = drift_of(ratio_errors, ratio_tolerance_pct / 4)
    return "" if ratio is None else _ratio_said(ratio)


def _landings_said(found: dict[str, Drift]) -> str:
    """The longest run, and with it the parts that stray to the same side."""
    worst = max(found.values(), key=lambda drift: drift.running)
    names = [part for part, drift in found.items() if drift.high is worst.high]
    side = "high" if worst.high else "low"
    by_g = median(found[name].off for name in names)
    if len(names) == 1:
        who, why = f"{names[0]} has", f"the scale, the hand or how {names[0]} flows"
    else:
        who, why = f"{_listed(names)} have", "the scale or the hand"
    return (
        f"{who} landed {side} {_times(worst.running)} running, by about {_figure(by_g)} g: {why} "
        "has shifted; check the scale with a known mass before the next cup."
    )


def _ratio_said(drift: Drift) -> str:
    side, much = ("high", "much") if drift.high else ("low", "little")
    return (
        f"The mix ratio has come out {side} {_times(drift.running)} running, by about "
        f"{_figure(drift.off)} % (too {much} of the later part): check the scale with a known mass "
        "and the ratio against the data sheet before the next cup."
    )


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _times(count: int) -> str:
    words = dict(enumerate(_NUMBERS, RUN))
    return f"{words.get(count, count)} times"


def _figure(value: float) -> str:
    """The size to one decimal, or to two below a tenth."""
    size = abs(value)
    return f"{size:.1f}" if size >= 0.095 else f"{size:.2f}"
