"""The cues of one recorded pour under two settings, side by side.

Owns which events are compared and how the difference is told. Replays nothing itself.
"""

from __future__ import annotations

from collections.abc import Iterable

from daemon.cli_log_tables import grams, table
from daemon.logfile import Event

WORDS = {
    "stop.coarse": "ease off",
    "stop.fine": "stop",
    "part.short": "short",
    "part.landed": "landed",
    "part.over": "over",
}

Key = tuple[str, str, int]
"""A part, what happened, and for the how-manieth time."""


def moments(events: Iterable[Event]) -> dict[Key, Event]:
    """The cues and landings of each part, in order."""
    found: dict[Key, Event] = {}
    for event in events:
        if event.kind not in WORDS:
            continue
        part, again = str(event.data["part"]), 1
        while (part, event.kind, again) in found:
            again += 1
        found[part, event.kind, again] = event
    return found


def compare_lines(
    then: Iterable[Event], now: Iterable[Event], start_us: int, given: str
) -> list[str]:
    """A table of when each cue came and when it would have come with what is `given`."""
    was, would = moments(then), moments(now)
    keys = [*was, *(key for key in would if key not in was)]
    order = {key: min(e.at_us for e in (was.get(key), would.get(key)) if e) for key in keys}
    rows = [
        _row(key, was.get(key), would.get(key), start_us)
        for key in sorted(keys, key=order.__getitem__)
    ]
    head = ("part", "", "was at s", "g", "would be at s", "g", "")
    return [
        f"What would have happened with {given}:",
        *table(head, rows, right=(2, 3, 4, 5)),
        "The resin in the log does not change: it was poured to the cues as they were. After the "
        "first cue that differs, read the times of cues only.",
    ]


def _row(key: Key, was: Event | None, would: Event | None, start_us: int) -> tuple[str, ...]:
    part, kind, again = key
    what = WORDS[kind] if again == 1 else f"{WORDS[kind]} ({again})"
    return (part, what, *_at(was, start_us), *_at(would, start_us), _difference(was, would))


def _at(event: Event | None, start_us: int) -> tuple[str, str]:
    if event is None:
        return "-", "-"
    shown_g = event.data.get("reading_g", event.data.get("actual_g"))
    return f"{(event.at_us - start_us) / 1e6:.3f}", grams(shown_g)


def _difference(was: Event | None, would: Event | None) -> str:
    if was is None:
        return "would come"
    if would is None:
        return "would not come"
    seconds = (would.at_us - was.at_us) / 1e6
    if seconds == 0.0:
        return "the same"
    return f"{abs(seconds):.3f} s {'earlier' if seconds < 0 else 'later'}"
