"""The record as tables for a spreadsheet: batches, parts, pieces, clocks, colour, one file each.

Owns the columns. Writes no file: each table comes as text by RFC 4180. Times are RFC 3339 UTC,
masses grams, durations seconds; what is not known is empty.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence

from daemon.record import Record
from daemon.record_batch import BatchLine
from daemon.record_jugs import Said

_BATCHES = (
    "batch opened_at mixed_at state reason recipe person pieces good rejected ratio_error_pct index"
    " dye_g total_g dispense_s pot_life_s gel_s room_celsius resin_celsius mold_celsius"
    " scale_lost corrected"
)
_PARTS = "batch part target_g actual_g error_g seconds top_ups over_g jug lot"
_PIECES = "batch at good rejected cause mold cavity"
_CLOCKS = "batch clock ends_at mark marked_at spare_s state"
_COLOUR = (
    "at jug what dye grams strength base_g fraction light a b wet_light wet_a wet_b judge by toward"
)

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins so for a formula: a name could then run one."""


def tables(record: Record) -> dict[str, str]:
    """Each table by its file's name."""
    return {
        "batches.csv": _csv(_BATCHES, map(_batch, record.batches)),
        "parts.csv": _csv(_PARTS, (row for batch in record.batches for row in _parts(batch))),
        "pieces.csv": _csv(_PIECES, _pieces(record)),
        "colour.csv": _csv(_COLOUR, map(_colour, record.colour)),
        "clocks.csv": _csv(_CLOCKS, (row for batch in record.batches for row in _clocks(batch))),
    }


def _csv(columns: str, rows: Iterable[Mapping[str, object]]) -> str:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns.split())
    writer.writeheader()
    writer.writerows({name: _plain(value) for name, value in row.items()} for row in rows)
    return text.getvalue()


def _plain(value: object) -> object:
    """A number as it is; text that would be taken for a formula behind an apostrophe."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return "" if value is None else value


def _named(thing: object, names: Sequence[str]) -> dict[str, object]:
    return {name: getattr(thing, name) for name in names}


def _batch(batch: BatchLine) -> dict[str, object]:
    own = [n for n in _BATCHES.split() if n != "batch" and not n.endswith("_celsius")]
    warm = {f"{of}_celsius": batch.celsius.get(of) for of in ("room", "resin", "mold")}
    corrected = {"corrected": " ".join(batch.corrected)}
    return {"batch": batch.number} | _named(batch, own) | warm | corrected


def _parts(batch: BatchLine) -> Iterator[dict[str, object]]:
    names = ("target_g", "actual_g", "error_g", "seconds", "top_ups", "over_g")
    for part in batch.parts:
        drawn = {"jug": batch.jugs.get(part.name), "lot": batch.lots.get(part.name)}
        yield {"batch": batch.number, "part": part.name} | _named(part, names) | drawn


def _pieces(record: Record) -> Iterator[dict[str, object]]:
    for count in record.counts:
        yield _named(count, _PIECES.split())


def _clocks(batch: BatchLine) -> Iterator[dict[str, object]]:
    names = ("ends_at", "mark", "marked_at", "spare_s", "state")
    for line in batch.clocks:
        yield {"batch": batch.number, "clock": line.kind} | _named(line, names)


def _colour(said: Said) -> dict[str, object]:
    data = said.data
    names = ("jug", "dye", "grams", "strength", "base_g", "fraction", "judge", "by", "toward")
    row: dict[str, object] = {"at": said.at, "what": said.what}
    row |= {name: data.get(name) for name in names}
    for key, columns in (("lab", "light a b"), ("wet_lab", "wet_light wet_a wet_b")):
        row |= dict(zip(columns.split(), data.get(key) or (), strict=False))
    return row
