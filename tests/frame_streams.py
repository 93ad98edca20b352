"""Streams of every known line shape, clean and damaged, with what must be read in them.

The streams were composed from the public descriptions of the shapes and decoded back with a
separately written decoder; `data/frames.json.gz` holds them, bytes in hexadecimal.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

FILE = Path(__file__).parent / "data" / "frames.json.gz"
PIECES = (1, 7, 64, 1_000_000)


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream. `expected` rows: offset, text, unit, stable, overload, net."""

    id: str
    case: str
    transport: str
    mode: str
    period_ms: float
    data: bytes
    expected: tuple[tuple[Any, ...], ...]
    must_not: tuple[str, ...]
    """Weights that must never be trusted; `*` is any."""
    marks: tuple[tuple[int, int, str | None, str], ...] = ()
    """Byte ranges with what the display showed: from, to, text (None while moving), unit."""
    alt: tuple[tuple[Any, ...], ...] = field(default=())

    def __str__(self) -> str:
        return f"{self.id}-{self.case}"

    def pieces(self, size: int) -> Iterator[bytes]:
        """The bytes in pieces of this size."""
        for at in range(0, len(self.data), size):
            yield self.data[at : at + size]


@cache
def streams() -> tuple[Stream, ...]:
    """All of them."""
    return tuple(_stream(entry) for entry in json.loads(gzip.decompress(FILE.read_bytes())))


def serial_streams(*, wrong: bool = False) -> list[Stream]:
    """Those of serial scales; with `wrong` those read with the wrong line settings instead."""
    serial = [stream for stream in streams() if stream.transport == "serial"]
    return [stream for stream in serial if (stream.id == "wrong-line-settings") is wrong]


def _stream(entry: dict[str, Any]) -> Stream:
    return Stream(
        id=entry["id"],
        case=entry["case"],
        transport=entry["transport"],
        mode=entry["mode"],
        period_ms=entry["period_ms"],
        data=bytes.fromhex(entry["stream_hex"]),
        expected=tuple(tuple(row) for row in entry["expected"]),
        must_not=tuple(entry["must_not"]),
        marks=tuple((m[0], m[1], m[2], m[3]) for m in entry.get("marks", [])),
        alt=tuple(tuple(row) for row in entry.get("alt", [])),
    )
