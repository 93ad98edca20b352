"""The jugs of the record: what was drawn on, from which lot, and the history of their colour.

Owns those sums over a store's events. Knows neither the batches' masses nor the shelf of today.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from daemon.record_clocks import Told


@dataclass(frozen=True, slots=True)
class Jug:
    """One jug that the batches drew on, grams. None: not told."""

    name: str
    part: str = ""
    lot: str = ""
    listed_g: float | None = None
    refilled_g: float = 0.0
    drawn_g: float = 0.0
    left_g: float | None = None
    shaken: int = 0
    use_by: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """Something told at an instant, by its own name and members."""

    at: str
    what: str
    data: Mapping[str, Any]


def jugs_of(
    events: Sequence[Told], jugs: Collection[str], batches: Collection[int]
) -> Iterator[Jug]:
    """These jugs, from all events of the store; drawn is what these batches took."""
    found = {name: Jug(name) for name in jugs}
    for event in events:
        jug = found.get(str(event.data.get("jug"))) if event.kind.startswith("jug.") else None
        if jug is not None:
            found[jug.name] = _jug(jug, event, batches)
    yield from found.values()


def _jug(jug: Jug, event: Told, batches: Collection[int]) -> Jug:
    data = event.data
    grams = float(data.get("grams") or 0.0)
    match event.kind:
        case "jug.listed":
            told: dict[str, Any] = {
                name: str(data.get(name) or "") for name in ("part", "lot", "use_by")
            }
            return replace(jug, listed_g=grams, left_g=grams, **told)
        case "jug.refilled":
            left_g = None if jug.left_g is None else jug.left_g + grams
            lot = str(data.get("lot") or jug.lot)
            return replace(jug, refilled_g=jug.refilled_g + grams, lot=lot, left_g=left_g)
        case "jug.shaken":
            return replace(jug, shaken=jug.shaken + 1)
        case "jug.drawn" if event.batch in batches:
            part = str(data.get("part") or jug.part)
            left_g = data.get("left_g", jug.left_g)
            return replace(jug, part=part, drawn_g=jug.drawn_g + grams, left_g=left_g)
    return jug


def colour_of(events: Sequence[Told], jugs: Collection[str], since: int | None) -> tuple[Said, ...]:
    """The history of these jugs' colour, however long before; what names no jug, from `since` on.

    `since` is the number of an event; None: from the first. A jug that was filled anew before that
    has another colour: only what came after counts.
    """
    found: list[Said] = []
    for event in events:
        if not event.kind.startswith("tint."):
            continue
        jug, what = event.data.get("jug"), event.kind.removeprefix("tint.")
        if what == "started" and (since is None or event.seq < since):
            found = [said for said in found if said.data.get("jug") != jug]
        if str(jug) in jugs if jug is not None else since is None or event.seq > since:
            found.append(Said(event.at, what, event.data))
    return tuple(found)
