"""Inputs in order of time to what they lead to: decode, fire what is due, step the bench. Pure.

Owns the order: what is due at an instant comes before what arrives at it, live and in replay alike.
Knows no clock, journal or outlet: times are in the inputs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil
from typing import Any, Protocol

from daemon import events as ev
from daemon.bench import Bench
from daemon.effects import Effect
from daemon.inputs import DaemonStart, Do, Input, Port, Raw, WallClock
from daemon.state import dump
from daemon.step import deadline_s, step
from drivers.reading import Garbled, Reading


class Decoding(Protocol):
    """Bytes to readings: a decoder of one line shape, or a recogniser of many."""

    @property
    def profile_name(self) -> str | None:
        """The line shape that is heard, None while it is not known."""

    @property
    def heard(self) -> bool:
        """Whether legal frames are being read: the line settings are right."""

    def feed(self, at_s: float, data: bytes) -> list[Reading | Garbled]:
        """What these bytes complete."""

    def reset(self, at_s: float) -> None:
        """The line was interrupted: trust begins anew."""

    def snapshot(self) -> dict[str, Any]:
        """The state as JSON-ready values."""

    def restore(self, body: dict[str, Any]) -> None:
        """Go on from a snapshot."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A batch is about to open: the state from which its log begins."""

    at_us: int
    batch: int
    state: dict[str, Any]


Outcome = Effect | Opening


def first_us(at_s: float) -> int:
    """The first whole microsecond that, as seconds, is not before `at_s`.

    Rounding up alone is not enough: a product of floats can come out a hair to either side.
    """
    us = ceil(at_s * 1e6)
    if us / 1e6 < at_s:
        return us + 1
    return us - 1 if (us - 1) / 1e6 >= at_s else us


class Engine:
    """The bench, its decoder, and their time."""

    def __init__(self, bench: Bench, decoder: Decoding) -> None:
        """Go on with `bench`, whose time is the least that any input gets."""
        self.bench = bench
        self.decoder = decoder
        self.at_us = round(bench.at_s * 1e6)

    def due_us(self) -> int | None:
        """The next instant at which something is due."""
        due_s = deadline_s(self.bench)
        return None if due_s is None else max(first_us(due_s), self.at_us)

    def run_to(self, at_us: int) -> list[Outcome]:
        """Fire everything that is due up to and at `at_us`, in order."""
        found: list[Outcome] = []
        while (due_us := self.due_us()) is not None and due_us <= at_us:
            before = self.bench
            opening = self._opening(due_us)
            if opening is not None:
                found.append(opening)
            found += self._step(ev.TimeCame(due_us / 1e6))
            self.at_us = due_us
            if deadline_s(self.bench) == deadline_s(before) and not self._moved(before):
                raise AssertionError(f"what is due at {due_us} us does not go away")
        return found

    def take(self, item: Input) -> tuple[Input, list[Outcome]]:
        """Take one input; returns it with the time it counts at, and what it leads to."""
        item = replace(item, at_us=max(item.at_us, self.at_us))
        # After a stop nobody was there to hear what fell due meanwhile: the start comes first.
        found = [] if isinstance(item, DaemonStart) else self.run_to(item.at_us)
        self.at_us = item.at_us
        for event in self._events(item):
            found += self._step(event)
        found += self.run_to(item.at_us)
        return item, found

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return {"bench": dump(self.bench), "decoder": self.decoder.snapshot()}

    def _moved(self, before: Bench) -> bool:
        return replace(self.bench, at_s=0.0) != replace(before, at_s=0.0)

    def _opening(self, due_us: int) -> Opening | None:
        at_s = self.bench.opening_at_s
        if at_s is None or first_us(at_s) > due_us or self.bench.batch is not None:
            return None
        return Opening(due_us, self.bench.next_batch, self.snapshot())

    def _step(self, event: ev.Event) -> tuple[Effect, ...]:
        self.bench, effects = step(self.bench, event)
        return effects

    def _events(self, item: Input) -> Iterator[ev.Event]:
        at_s = item.at_us / 1e6
        match item:
            case Raw():
                yield from self._decoded(at_s, item.data)
            case Do():
                yield ev.Commanded(at_s, item.do, item.id, item.asked_by)
            case Port(state="found"):
                self.decoder.reset(at_s)
                yield ev.PortFound(at_s, item.port)
            case Port():
                self.decoder.reset(at_s)
                yield ev.PortLost(at_s, item.port, item.why)
            case WallClock():
                yield ev.WallStepped(at_s, item.wall_offset_us / 1e6)
            case DaemonStart():
                self.decoder.reset(at_s)
                wall_s = item.wall_offset_us / 1e6
                yield ev.Started(
                    at_s, item.version, item.resumed, item.bench, item.risk_pct, wall_s
                )

    def _decoded(self, at_s: float, data: bytes) -> Iterator[ev.Event]:
        was = self.decoder.profile_name
        items = self.decoder.feed(at_s, data)
        name = self.decoder.profile_name
        if name is not None and (name != was or name != self.bench.link.profile):
            yield ev.ProfileFound(at_s, name)
        for item in items:
            if isinstance(item, Reading):
                yield ev.ReadingTaken(item)
            else:
                yield ev.LineGarbled(item)
