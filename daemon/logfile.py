"""The log file: what came in and what it led to, as lines of JSON in order of time.

Owns the form of the lines and what is wrong with one. Opens no file, knows no journal, and does not
know what any input leads to.
"""

from __future__ import annotations

import heapq
import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from daemon.inputs import Input, Port, from_body, to_body

FORM = 1
"""The form that this version writes, and the highest it reads."""

LONGEST_T_S = 1e9
"""Some thirty years: what lies beyond is no time in a log."""


class LogError(Exception):
    """A log that cannot be used: one plain sentence. `status` is the command's exit status."""

    def __init__(self, sentence: str, status: int = 1) -> None:
        super().__init__(sentence)
        self.status = status


@dataclass(frozen=True, slots=True)
class Header:
    """What a batch began with. Only `recipe` has to be there; all else has a sensible default.

    `scale`: `profile` (a line shape's name; none: recognise it), `recognise` (the shapes it was
    recognised among) and `shapes` (the whole file of each that does not ship). `start_us` is the
    instant at which t is 0 on the daemon's time line. `state` and `decoder` are the whole bench and
    its decoder at that instant.
    """

    recipe: dict[str, Any]
    settings: dict[str, Any] = field(default_factory=dict)
    scale: dict[str, Any] = field(default_factory=dict)
    started_at: str = ""
    version: str = ""
    note: str = ""
    batch: int = 1
    first_seq: int | None = None
    start_us: int = 0
    wall_offset_us: int | None = None
    state: dict[str, Any] | None = None
    decoder: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """One event as it was told; `at_us` is its instant on the daemon's time line."""

    at_us: int
    seq: int
    at: str
    kind: str
    batch: int | None
    data: dict[str, Any]

    @property
    def body(self) -> dict[str, Any]:
        """The event as it is published, and as it stands in a log line."""
        names = ("seq", "at", "kind", "batch", "data")
        return {name: getattr(self, name) for name in names}


@dataclass(frozen=True, slots=True)
class End:
    """The log is whole: nothing more happened up to `at_us`."""

    at_us: int


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a log by its number in the file."""

    number: int
    item: Input | Event | End

    @property
    def at_us(self) -> int:
        """Its instant on the daemon's time line."""
        return self.item.at_us


# --- writing -----------------------------------------------------------------------------------


def compact(value: Any) -> str:
    """JSON without blanks, as it stands in a line."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def header_line(header: Header) -> str:
    """The first line."""
    optional = {
        "note": header.note or None,
        "version": header.version or None,
        "first_seq": header.first_seq,
        "clock": {"start_us": header.start_us, "wall_offset_us": header.wall_offset_us},
        "state": header.state,
        "decoder": header.decoder,
    }
    promised = {
        "benchpour_log": FORM,
        "recipe": header.recipe,
        "settings": header.settings,
        "scale": header.scale,
        "started_at": header.started_at,
        "batch": header.batch,
    }
    return compact(promised | {k: v for k, v in optional.items() if v is not None})


def line_of(item: Input | Event | End, start_us: int) -> str:
    """One line; `t` has six decimals, so that a replay computes with the very same instants."""
    seconds, us = divmod(item.at_us - start_us, 1_000_000)
    match item:
        case Event():
            body: dict[str, Any] = {"event": item.body}
        case End():
            body = {"end": True}
        case _:
            body = to_body(item)
    return f'{{"t":{seconds}.{us:06d},{compact(body)[1:]}'


def written(
    header: Header, inputs: Iterable[Input], events: Iterable[Event], end_us: int | None = None
) -> Iterator[str]:
    """A whole log without its line ends. At one instant an event comes after the inputs.

    The last line says that nothing is missing, up to `end_us` or whatever came last.
    """
    yield header_line(header)
    last_us = header.start_us if end_us is None else end_us
    parts = (((item.at_us, 0), item) for item in inputs), (((e.at_us, 1), e) for e in events)
    for _, item in heapq.merge(*parts, key=lambda pair: pair[0]):
        yield line_of(item, header.start_us)
        last_us = max(last_us, item.at_us)
    yield line_of(End(last_us), header.start_us)


# --- reading -----------------------------------------------------------------------------------


class Log:
    """A log as it is read: the header at once, then its lines one by one.

    A half last line is left out. After the last line `ended` tells whether the log is whole;
    `half` is the number of a half line, `last` that of the last line that counts.
    """

    def __init__(self, lines: Iterable[bytes]) -> None:
        """Read the first line; raises LogError where it is no header."""
        self._lines = enumerate(lines, 1)
        self.last = 1
        self.ended = False
        self.half: int | None = None
        self.header = _read_header(next(self._lines, (1, b""))[1])
        self._at_us = self.header.start_us

    @property
    def cut(self) -> str:
        """One sentence on where the log is cut off; empty where it is whole."""
        if self.ended:
            return ""
        broken = f" (line {self.half} is half a line)" if self.half else ""
        t = (self._at_us - self.header.start_us) / 1e6
        return f"The log is cut off after line {self.last}, {t:.3f} s from its start{broken}."

    def __iter__(self) -> Iterator[Line]:
        """The lines in order; raises LogError with the number of a line that cannot be read."""
        for number, text in self._lines:
            if not text.strip():
                continue
            if self.ended:
                raise _broken(number, "it comes after the line that ends the log")
            body = _object(text)
            if body is None and not text.endswith(b"\n"):
                self.half = number
                return
            if body is None:
                raise _broken(number, "it is not one whole JSON object")
            self.last = number
            item = self._item(number, body)
            if item is not None:
                yield Line(number, item)

    def _item(self, number: int, body: dict[str, Any]) -> Input | Event | End | None:
        at_us = self.header.start_us + _t_us(number, body)
        if at_us < self._at_us:
            raise _broken(number, "its t is before that of the line above it")
        self._at_us = at_us
        if body.get("end") is True:
            self.ended = True
            return End(at_us)
        try:
            return _event(at_us, body["event"]) if "event" in body else _input(at_us, body)
        except (ValueError, TypeError, LookupError, AttributeError, OverflowError) as error:
            raise _broken(number, f"a member is not of its form ({_plain(error)})") from None


def _broken(number: int, why: str) -> LogError:
    return LogError(
        f"Line {number} of the log cannot be used: {why}. Take the log from the journal again with "
        "`benchpour log export`, or cut the file off before that line."
    )


def _plain(error: Exception) -> str:
    """What an error says; of a member that is not there only the name is known."""
    return f"{error} is missing" if isinstance(error, KeyError) else str(error)


def _object(text: bytes) -> dict[str, Any] | None:
    """The JSON object of a line; None where it is none."""
    try:
        body = json.loads(text.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        return None
    return body if isinstance(body, dict) else None


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number in JSON")


def _t_us(number: int, body: dict[str, Any]) -> int:
    t = body.get("t")
    if isinstance(t, bool) or not isinstance(t, int | float):
        raise _broken(number, "it has no t, the seconds from the start")
    if not math.isfinite(t) or not 0 <= t <= LONGEST_T_S:
        raise _broken(number, f"its t is {t:g}, which is no time from the start")
    return round(t * 1e6)


def _event(at_us: int, told: dict[str, Any]) -> Event:
    return Event(
        at_us,
        int(told["seq"]),
        str(told["at"]),
        str(told["kind"]),
        None if told.get("batch") is None else int(told["batch"]),
        dict(told["data"]),
    )


def _input(at_us: int, body: dict[str, Any]) -> Input | None:
    item = from_body(at_us, body)
    if isinstance(item, Port) and item.state not in ("lost", "found"):
        raise ValueError("port is either lost or found")
    return item


def _read_header(text: bytes) -> Header:
    body = _object(text.removeprefix(b"\xef\xbb\xbf"))
    if body is None or "benchpour_log" not in body:
        cut = "" if text.endswith(b"\n") else " (it may be cut off within that line)"
        raise LogError(
            "This is no benchpour log: its first line is not the log's header"
            f"{cut}. `benchpour log export BATCH` writes one."
        )
    form = body["benchpour_log"]
    if form != FORM:
        raise LogError(
            f"This log is of form {form!r}, and this benchpour reads form {FORM}. "
            "Use the version that wrote it, or a later one."
        )
    if "recipe" not in body:
        raise LogError("The log's header has no recipe, so nobody knows what was to be poured.")
    try:
        return _header_of(body)
    except (ValueError, TypeError, LookupError, AttributeError, OverflowError) as error:
        raise LogError(
            f"The log's header cannot be used: a member is not of its form ({_plain(error)})."
        ) from None


def _header_of(body: dict[str, Any]) -> Header:
    clock = dict(body.get("clock") or {})
    first, offset = body.get("first_seq"), clock.get("wall_offset_us")
    return Header(
        recipe=dict(body["recipe"]),
        settings=dict(body.get("settings") or {}),
        scale=dict(body.get("scale") or {}),
        started_at=str(body.get("started_at") or ""),
        version=str(body.get("version") or ""),
        note=str(body.get("note") or ""),
        batch=int(body.get("batch") or 1),
        first_seq=None if first is None else int(first),
        start_us=int(clock.get("start_us") or 0),
        wall_offset_us=None if offset is None else int(offset),
        state=None if body.get("state") is None else dict(body["state"]),
        decoder=None if body.get("decoder") is None else dict(body["decoder"]),
    )
