"""What comes into the daemon from outside, as it is journaled and logged, with exact times.

Owns the two written forms of an input, the journal's row and the log file's line. Times are whole
microseconds on the daemon's own time line, so that a replay computes with the very same floats.
Knows neither how an input was received nor what it leads to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Raw:
    """Bytes from the scale's port, as they arrived."""

    at_us: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Do:
    """A validated command; `resolved` holds what the daemon looked up for it (a recipe)."""

    at_us: int
    do: dict[str, Any]
    id: str | int | float | None = None
    asked_by: str = ""


@dataclass(frozen=True, slots=True)
class Port:
    """The scale's port was lost (with the reason) or found."""

    at_us: int
    state: str
    port: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class WallClock:
    """The wall clock was set: wall time is this time line plus the offset from now on."""

    at_us: int
    wall_offset_us: int


@dataclass(frozen=True, slots=True)
class DaemonStart:
    """The daemon started on this store, with these settings; `resumed` where it took a batch up.

    After a stop it comes before anything else, so that what fell due meanwhile is told as what it
    is: over. `wall_offset_us` is the wall clock's as it was found; 0: as it was before.
    """

    at_us: int
    version: str
    resumed: bool
    bench: str = "bench"
    risk_pct: float = 2.0
    wall_offset_us: int = 0


Input = Raw | Do | Port | WallClock | DaemonStart


def to_body(item: Input) -> dict[str, Any]:
    """The members of an input, its time apart: what stands in a log line beside `t`."""
    match item:
        case Raw():
            return {"raw": item.data.decode("latin-1")}
        case Do():
            extra = {"id": item.id} if item.id is not None else {}
            asked = {"by": item.asked_by} if item.asked_by else {}
            return {"do": item.do, **extra, **asked}
        case Port():
            why = {"why": item.why} if item.why else {}
            return {"port": item.state, "url": item.port, **why}
        case WallClock():
            return {"clock": {"wall_offset_us": item.wall_offset_us}}
        case DaemonStart():
            told = {"version": item.version, "resumed": item.resumed, "bench": item.bench}
            more = {"risk_pct": item.risk_pct, "wall_offset_us": item.wall_offset_us}
            return {"daemon": told | more}


def from_body(at_us: int, body: dict[str, Any]) -> Input | None:
    """The input that a log line or a journal row holds; None where it holds none.

    Raises ValueError or TypeError where a member is not of its form.
    """
    if "raw" in body:
        return Raw(at_us, str(body["raw"]).encode("latin-1"))
    if "do" in body:
        return Do(at_us, dict(body["do"]), body.get("id"), str(body.get("by", "")))
    if "port" in body:
        return Port(at_us, str(body["port"]), str(body.get("url", "")), str(body.get("why", "")))
    if "clock" in body:
        return WallClock(at_us, int(body["clock"]["wall_offset_us"]))
    if "daemon" in body:
        told = body["daemon"]
        return DaemonStart(
            at_us,
            str(told.get("version", "")),
            bool(told.get("resumed")),
            str(told.get("bench", "bench")),
            float(told.get("risk_pct", 2.0)),
            int(told.get("wall_offset_us", 0)),
        )
    return None
