"""The whole bench as one frozen value, and one step on it in the making.

Owns what the daemon knows: the scale, the batch on it, the batches after it, clocks, hands, what
comes next. Does not decide what follows what: `sequence` and `acts` do, through a `Turn`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from daemon.batch import Batch
from daemon.effects import Effect, Pattern, Record, Sound
from daemon.finishing import Live
from daemon.hand import Hand, fresh
from daemon.messages import rfc3339
from daemon.order_run import Jug, OrderRun, Sizes
from daemon.timers import Timer, started
from daemon.timers import TimerKind as Kind
from daemon.tint_book import HEARD, Book, after
from daemon.weighing import ScaleTraits, Weighing, start
from recipes.model import Recipe

BATCH_ON_THE_SCALE = -1
"""Stands for whichever batch is on the scale, none included; batches count from 1."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the configuration says that matters inside: replay can change it with `--set`."""

    bench: str = "bench"
    version: str = ""
    risk_pct: float = 2.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What to open: a recipe, the resin for one batch, and how many more (None: for ever).

    An order's `sizes` go before `size_g`: the batches to come, pieces and resin of each.
    """

    recipe: Recipe
    size_g: float
    left: int | None = None
    tint: float | None = None
    sizes: Sizes = ()
    jug: str | None = None
    """The jug that a fill comes from."""


@dataclass(frozen=True, slots=True)
class Progress:
    """The run so far, for whoever follows it."""

    name: str
    pieces: int = 0
    good: int = 0
    rejected: int = 0
    batches_done: int = 0
    batches_planned: int | None = None
    first_at_s: float | None = None
    last_at_s: float | None = None
    """When the last of them was mixed."""


@dataclass(frozen=True, slots=True)
class Link:
    """How things stand with the scale's port. `state`: waiting, ok, silent, lost or overload."""

    state: str = "waiting"
    port: str = ""
    why: str = ""
    profile: str = ""
    open_from_s: float | None = None
    """When the port was opened last."""
    garbled: int = 0
    garbled_told: int = 0
    garbled_told_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything the daemon knows at `at_s`; rebuilt from the journal after any stop."""

    settings: Settings = Settings()
    at_s: float = 0.0
    wall_offset_s: float = 0.0
    person: str = ""
    link: Link = Link()
    weighing: Weighing = field(default_factory=start)
    traits: tuple[tuple[str, ScaleTraits], ...] = ()
    hands: tuple[tuple[str, Hand], ...] = ()
    empty_g: float | None = None
    """The reading of the bare pan, None before it has been seen."""
    usual_cup_g: float | None = None
    """What the last empty cup weighed, None before the first."""
    batch: Batch | None = None
    lives: tuple[Live, ...] = ()
    timers: tuple[Timer, ...] = ()
    plan: Plan | None = None
    once: Plan | None = None
    """A batch asked for by hand, before the plan goes on."""
    opening_at_s: float | None = None
    """When the next batch is to be opened; None while nothing is to be."""
    next_batch: int = 1
    progress: Progress | None = None
    order: OrderRun | None = None
    jugs: tuple[Jug, ...] = ()
    """The shelf, as the orders so far listed it and the batches so far drew on it."""
    drawn_from: tuple[tuple[str, str], ...] = ()
    """The jug of each part that the last mixed batch drew on."""
    tints: Book = ()
    """What is in each tinted jug; follows the events that are recorded, see `Turn.record`."""
    lent_until_s: float | None = None
    """Until then the pan is lent for a dose of dye, and no batch watches it."""
    lent_to: str = ""
    """Which weighing has it."""
    celsius: tuple[tuple[str, float], ...] = ()
    gel_marks: tuple[tuple[str, float, float, float], ...] = ()
    """Gel times marked at this bench: recipe, seconds from contact, Celsius, grams."""
    landings: tuple[tuple[str, float], ...] = ()
    ratio_errors: tuple[float, ...] = ()
    """Of the last batches, in percent, oldest first."""
    drift: str = ""
    """One sentence where landings or ratios stray; empty while all is well."""
    pan_clear: bool = True
    """Nothing from an earlier batch stands on the pan."""


def hand_key(bench: Bench) -> str:
    """Whose hand on which scale: a lead belongs to both."""
    return f"{bench.person or 'somebody'} on {bench.link.profile or 'any scale'}"


def hand_of(bench: Bench) -> Hand:
    """The present person's hand on this scale; a fresh one where nothing is learned."""
    return dict(bench.hands).get(hand_key(bench), fresh())


def temperature(bench: Bench, *kinds: str) -> float | None:
    """The first of these temperatures that is known, in Celsius."""
    known = dict(bench.celsius)
    return next((known[kind] for kind in kinds if kind in known), None)


class Turn:
    """One step in the making: the bench so far, and what has been asked for; within `step` only."""

    __slots__ = ("at_s", "bench", "effects")

    def __init__(self, bench: Bench, at_s: float) -> None:
        """Begin at `at_s`, which never lies before the bench's own time."""
        self.at_s = max(at_s, bench.at_s)
        self.bench = replace(bench, at_s=self.at_s)
        self.effects: list[Effect] = []

    @property
    def batch(self) -> Batch:
        """The batch on the scale; only called in its phases."""
        assert self.bench.batch is not None
        return self.bench.batch

    def put(self, **changes: Any) -> None:
        """Change the bench."""
        self.bench = replace(self.bench, **changes)

    def put_batch(self, **changes: Any) -> None:
        """Change the batch on the scale."""
        self.bench = replace(self.bench, batch=replace(self.batch, **changes))

    def record(
        self, kind: str, data: dict[str, Any], batch: int | None = BATCH_ON_THE_SCALE
    ) -> None:
        """Ask for an event in the journal; of the batch on the scale unless said otherwise."""
        if batch == BATCH_ON_THE_SCALE:
            batch = self.bench.batch.number if self.bench.batch is not None else None
        if kind in HEARD:
            self.put(tints=after(self.bench.tints, kind, data))
        self.effects.append(Record(self.at_s, kind, batch, data))

    def sound(self, pattern: Pattern) -> None:
        """Let this be heard."""
        self.effects.append(Sound(pattern))

    def wall(self, at_s: float) -> str:
        """That instant as RFC 3339 UTC."""
        return rfc3339(at_s + self.bench.wall_offset_s)

    def clear_timer(self, timer: Timer) -> None:
        """End a clock before its time, or take an ended one away, and say so."""
        self.put(timers=tuple(t for t in self.bench.timers if t.id != timer.id))
        self.say_timer("timer.cleared", timer)

    def start_timer(self, batch: int, kind: Kind, from_s: float, length_s: float) -> None:
        """Start a clock that runs from `from_s`, and say so."""
        timer = started(batch, kind, from_s, length_s)
        self.put(timers=(*(t for t in self.bench.timers if t.id != timer.id), timer))
        self.say_timer("timer.started", timer)

    def say_timer(self, kind: str, timer: Timer) -> None:
        """Ask for an event about a clock."""
        data = {
            "timer": timer.id,
            "timer_kind": timer.kind.value,
            "ends_at": self.wall(timer.ends_at_s),
        }
        self.record(kind, data, timer.batch)
