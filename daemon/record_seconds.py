"""The shop's own seconds: what each step and operation has taken, over everything recorded.

Owns which figures are worth quoting by. How time is read from marks is `record_work`'s; which
figures a plan then needs is `recipes.pace`'s.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from daemon.record_clocks import Told, cycles_of
from daemon.record_work import STIR_AND_FILL, stretches

SEEN_OFTEN = 3
"""A step or operation seen less often says little of the next one (common practice, no source)."""
LAST = 40
"""Only so many of the last count: people learn, and molds change."""


def shop_seconds(events: Sequence[Told], stir_s: float) -> dict[str, float]:
    """Seconds by name: of a step per batch, of an operation per piece; the middle of the last ones.

    Where nobody marks the stirring, filling is what is left of both after `stir_s`.
    """
    seen: dict[str, list[float]] = {}
    for one in stretches(events, list(cycles_of(events))):
        seen.setdefault(one.name, []).append(one.seconds / one.pieces)
    found = {name: median(each[-LAST:]) for name, each in seen.items() if len(each) >= SEEN_OFTEN}
    both_s = found.pop(STIR_AND_FILL, None)
    if both_s is not None and "fill" not in found:
        found["fill"] = max(both_s - stir_s, 1.0)
    return {name: round(seconds, 1) for name, seconds in found.items()}
