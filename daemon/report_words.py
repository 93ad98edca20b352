"""Figures and times as the record's page says them.

Owns their form: decimals, signs, units. Knows nothing of what they stand for, and no clock: which
wall time an instant is at the shop is asked of whoever calls.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime

from daemon.messages import parse_rfc3339

Local = Callable[[float], datetime]
"""Seconds since the epoch as the shop's own wall time."""

NOT_KNOWN = "\u2013"
"""What stands where nothing is known: an en dash."""


def figure(value: float | None, digits: int = 1, *, sign: bool = False) -> str:
    """A number with so many decimals, a true minus, never minus nought; a dash for None."""
    if value is None:
        return NOT_KNOWN
    rounded = round(float(value), digits) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{digits}f}".replace("-", "\u2212")


def percent(share: float, digits: int = 1) -> str:
    """A share of one as percent."""
    return f"{figure(100 * share, digits)} %"


def span(seconds: float | None) -> str:
    """A length of time in the two units that say it best."""
    if seconds is None:
        return NOT_KNOWN
    whole = round(abs(seconds))
    if whole < 120:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 120:
        return f"{minutes} min" + (f" {rest} s" if rest and minutes < 10 else "")
    return f"{minutes // 60} h {minutes % 60} min"


def day(at: str, local: Local) -> str:
    """The day of an RFC 3339 time; the text itself where it is none."""
    moment = _moment(at, local)
    return at if moment is None else f"{moment:%Y-%m-%d}"


def clock(at: str | None, local: Local) -> str:
    """The hour and minute of an RFC 3339 time."""
    if not at:
        return NOT_KNOWN
    moment = _moment(at, local)
    return at if moment is None else f"{moment:%H:%M}"


def instant(at: str, local: Local) -> str:
    """The day, hour and minute."""
    return f"{day(at, local)} {clock(at, local)}" if at else NOT_KNOWN


def _moment(at: str, local: Local) -> datetime | None:
    try:
        return local(parse_rfc3339(at))
    except ValueError:
        return None


def some(count: int, thing: str, things: str = "") -> str:
    """So many of a thing."""
    return f"{count} {thing}" if count == 1 else f"{count} {things or f'{thing}s'}"


def listed(words: Iterable[object]) -> str:
    """Words with commas and an `and`."""
    every = [str(word) for word in words]
    return " and ".join([", ".join(every[:-1]), every[-1]] if len(every) > 1 else every)
