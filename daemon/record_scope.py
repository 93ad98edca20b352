"""Which of a store's events belong to one order, or to one run without an order.

Owns that choice. Knows nothing of what the events say beyond names and batches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.record_clocks import Told


@dataclass(frozen=True, slots=True)
class Section:
    """One order or run among the events: its start, where the next order starts, its batches."""

    started: Told | None
    past: int | None
    batches: tuple[int, ...]


def names(events: Sequence[Told]) -> tuple[str, ...]:
    """The orders of a store by name, the newest last, and then the recipes that were poured."""
    orders = [str(e.data.get("name")) for e in events if e.kind == "order.started"]
    recipes = [str(e.data.get("recipe")) for e in _opened(events)]
    return tuple(dict.fromkeys([*orders, *recipes]))


def _opened(events: Sequence[Told]) -> Iterator[Told]:
    """Openings of batches that mix something: filling a jug is no batch of a run."""
    for event in events:
        if event.kind == "batch.opened" and len(event.data.get("parts") or ()) != 1:
            yield event


def section_of(events: Sequence[Told], name: str | None) -> Section | None:
    """The order of that name, or the run of that recipe; the newest. Without a name, an order."""
    orders = [e for e in events if e.kind == "order.started"]
    named = [e for e in orders if name is None or e.data.get("name") == name]
    if named:
        return _of_order(events, named[-1], orders)
    mine = [e for e in _opened(events) if e.data.get("order") is None]
    if name is None and mine:
        name = str(mine[-1].data.get("recipe"))
    found = _last_run(list(_opened(events)), name)
    return Section(None, None, found) if found else None


def _of_order(events: Sequence[Told], start: Told, orders: Sequence[Told]) -> Section:
    past = next((e.seq for e in orders if e.seq > start.seq), None)
    within = [e for e in _opened(events) if start.seq < e.seq and (past is None or e.seq < past)]
    told = [e for e in within if e.data.get("order") == start.data.get("name")]
    return Section(start, past, tuple(e.batch for e in told or within if e.batch is not None))


def _last_run(opened: Sequence[Told], recipe: str | None) -> tuple[int, ...]:
    """The newest batches of one recipe in a row."""
    found: list[int] = []
    for event in reversed(opened):
        if event.data.get("recipe") == recipe and event.batch is not None:
            found.append(event.batch)
        elif found:
            break
    return tuple(reversed(found))


def events_of(events: Sequence[Told], section: Section) -> list[Told]:
    """The batches' own events however late, and while an order runs what belongs to no batch."""
    known, since = set(section.batches), section.started.seq if section.started else None
    return [
        e
        for e in events
        if e.batch in known
        or (
            e.batch is None
            and since is not None
            and since <= e.seq
            and (section.past is None or e.seq < section.past)
        )
    ]
