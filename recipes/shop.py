"""One order's run through the shop, event by event: people, molds, tank, clocks and finishing.

Owns who does what next. Knows nothing of orders, recipes or money; it is given a pace and counts of
molds, places and people.

A person who is free takes the first of these that can be done: finishing that would else miss its
time after demolding; venting a tank whose pressure time is over; pouring the next batch;
demolding; finishing. A pour is one stretch from the empty cup to the filled molds. It starts only
when its molds are clean and the tank will take them before they are to be under pressure: an open
tank, together with another batch whose time allows it, or a tank whose cycle is as good as over.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field, replace
from math import ceil, inf

import simpy

from recipes.lots import TICK_S, Lots
from recipes.pace import Pace

_Steps = Generator[simpy.Event, None, None]


@dataclass(frozen=True, slots=True)
class Shop:
    """What an order meets: its batches (pieces of each) and what there is to make them with."""

    pace: Pace
    batches: tuple[int, ...]
    cavities: int
    molds: int
    tank_places: int = 0
    """Molds that one tank takes."""
    tanks: int = 1
    people: int = 1
    release_every: int | None = None

    def molds_for(self, pieces: int) -> int:
        """Molds that a batch of so many pieces is poured into."""
        return ceil(pieces / self.cavities)


@dataclass(frozen=True, slots=True)
class Span:
    """One stretch of the run: what was done to which batch (from 1), by whom (from 1)."""

    what: str
    batch: int
    start_s: float
    end_s: float
    by: int | None = None
    """None: nobody, the tank or the clock alone."""


@dataclass(frozen=True, slots=True)
class Run:
    """How it went. Busy times are sums over all people, molds and tanks, seconds."""

    seconds: float
    """From the first cup to the last finished piece."""
    people_busy_s: float
    molds_busy_s: float
    tanks_busy_s: float
    late: dict[str, int]
    """Pieces that an operation reached after its time, by its name; only where there are any."""
    pressed_late: int
    """Batches that were under pressure after press-by."""
    spans: tuple[Span, ...]


def run(shop: Shop) -> Run:
    """Run all batches through the shop. Raises ValueError where a batch has no room."""
    most = max(map(shop.molds_for, shop.batches), default=0)
    if most > shop.molds or (shop.pace.pressure_s is not None and most > shop.tank_places):
        raise ValueError(f"a batch fills {most} molds: more than there are, or than the tank takes")
    return _Floor(shop).run()


@dataclass(slots=True, eq=False)
class _Cast:
    """Filled molds on their way to be demolded. `molds` holds the castings each has made."""

    batch: int
    pieces: int
    molds: list[int]
    started_s: float
    ready_s: float = 0.0


@dataclass(slots=True, eq=False)
class _Tank:
    """One tank: open, or closed until its pressure time is over and somebody vents it."""

    inside: list[_Cast] = field(default_factory=list)
    awaited: int = 0
    """Molds of batches that are being poured for it."""
    press_by_s: float = inf
    """When it must be under pressure, for all that is inside and awaited."""
    closed: bool = False
    until_s: float = 0.0
    venting: bool = False
    taken_s: float | None = None

    @property
    def full(self) -> int:
        return self.awaited + (0 if self.closed else sum(len(cast.molds) for cast in self.inside))


class _Floor:
    """The state of the run, and the people who work in it."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.pace = shop.pace
        self.env = simpy.Environment()
        self.news = self.env.event()
        self.clean = [0] * shop.molds
        self.next = 0
        self.unfinished = len(shop.batches)
        pressed = self.pace.pressure_s is not None
        self.tanks = [_Tank() for _ in range(shop.tanks)] if pressed else []
        self.places: list[_Tank] | list[None] = self.tanks or [None]
        """Where a batch can go: a tank, or the bench."""
        self.curing: list[_Cast] = []
        self.lots = Lots(self.pace.operations)
        pace = self.pace
        self._not_broken_off_s = pace.pour_s + pace.tank_s + pace.vent_s + pace.demold_s
        """How long it takes at the most until finishing gets its turn again."""
        self.busy = {"people": 0.0, "molds": 0.0, "tanks": 0.0}
        self.pressed_late = 0
        self.spans: list[Span] = []

    def run(self) -> Run:
        people = [self.env.process(self._person(n + 1)) for n in range(self.shop.people)]
        self.env.run(until=self.env.all_of(people))
        return Run(
            seconds=max((span.end_s for span in self.spans), default=0.0),
            people_busy_s=self.busy["people"],
            molds_busy_s=self.busy["molds"],
            tanks_busy_s=self.busy["tanks"],
            late=self.lots.late,
            pressed_late=self.pressed_late,
            spans=tuple(sorted(self.spans, key=lambda span: (span.start_s, span.end_s))),
        )

    def _person(self, who: int) -> _Steps:
        while self.unfinished:
            task = self._task(who)
            if task is None:
                yield self.news
            else:
                yield from task

    def _task(self, who: int) -> _Steps | None:
        """What a free person does next, or None: wait until something changes."""
        if self.lots.would_be_late(self.env.now + self._not_broken_off_s):
            return self._finish_piece(who)
        for tank in self.tanks:
            if self._is_over(tank):
                return self._vent(tank, who)
        for place in self.places:
            if self._may_pour(place):
                return self._pour(place, who)
        for cast in self.curing:
            if cast.ready_s <= self.env.now + TICK_S:
                return self._demold(cast, who)
        return self._finish_piece(who) if self.lots else None

    # -- waiting and working ---------------------------------------------------------------------

    def _tell(self) -> None:
        """Something changed: whoever waits looks again."""
        news, self.news = self.news, self.env.event()
        news.succeed()

    def _look_at(self, at_s: float) -> None:
        """Have everybody look again at an instant."""

        def wait() -> _Steps:
            yield self.env.timeout(max(at_s - self.env.now, 0.0))
            self._tell()

        self.env.process(wait())

    def _work(self, what: str, batch: int, seconds: float, who: int) -> _Steps:
        """Keep a person busy; a stretch that goes on with the same is one span."""
        start_s = self.env.now
        yield self.env.timeout(seconds)
        self.busy["people"] += seconds
        if seconds <= 0:
            return
        last = self.spans[-1] if self.spans else Span("", 0, 0.0, -1.0)
        goes_on = (last.what, last.batch, last.by) == (what, batch, who)
        if goes_on and abs(last.end_s - start_s) <= TICK_S:
            self.spans[-1] = replace(last, end_s=self.env.now)
        else:
            self.spans.append(Span(what, batch, start_s, self.env.now, who))

    # -- pouring ---------------------------------------------------------------------------------

    def _may_pour(self, tank: _Tank | None) -> bool:
        if self.next >= len(self.shop.batches):
            return False
        molds = self.shop.molds_for(self.shop.batches[self.next])
        if molds > len(self.clean):
            return False
        if tank is None:
            return True
        if tank.full + molds > self.shop.tank_places:
            return False
        if tank.closed:
            return not tank.awaited and self.env.now >= self._ready_for_s(tank) - TICK_S
        end_s = self.env.now + self.pace.pour_s + self.pace.tank_s
        return not tank.full or end_s <= tank.press_by_s + TICK_S

    def _ready_for_s(self, tank: _Tank) -> float:
        """When a pour may start for a closed tank: it is vented after the pour, and in time."""
        pace, left_s = self.pace, self.pace.left_to_press_s
        if tank.venting or left_s is None:
            return inf if tank.venting else tank.until_s - pace.pour_s
        after_s = pace.vent_s + pace.tank_s
        if pace.pour_s + after_s > left_s:
            return inf
        return tank.until_s - min(pace.pour_s, left_s - after_s)

    def _pour(self, tank: _Tank | None, who: int) -> _Steps:
        pace, now_s = self.pace, self.env.now
        pieces = self.shop.batches[self.next]
        self.next += 1
        molds = [self.clean.pop(0) for _ in range(self.shop.molds_for(pieces))]
        cast = _Cast(self.next, pieces, molds, now_s, now_s + pace.contact_s + pace.cure_s)
        if tank is not None:
            self._await(tank, len(molds))
        yield from self._work("dispense", cast.batch, pace.dispense_s, who)
        yield from self._work("stir", cast.batch, pace.stir_s, who)
        yield from self._work("fill", cast.batch, pace.fill_s, who)
        if tank is None:
            self._cure(cast)
        else:
            yield from self._put_in(cast, tank, who)

    def _await(self, tank: _Tank, molds: int) -> None:
        left_s = self.pace.left_to_press_s
        press_by_s = inf if left_s is None else self.env.now + left_s
        tank.press_by_s = press_by_s if tank.closed else min(tank.press_by_s, press_by_s)
        tank.awaited += molds
        if tank.taken_s is None:
            tank.taken_s = self.env.now

    def _put_in(self, cast: _Cast, tank: _Tank, who: int) -> _Steps:
        while tank.closed:
            if self._is_over(tank):
                yield from self._vent(tank, who)
            else:
                yield self.news
        yield from self._work("tank", cast.batch, self.pace.tank_s, who)
        tank.inside.append(cast)
        tank.awaited -= len(cast.molds)
        if tank.awaited:
            return
        if self._may_pour(tank):
            yield from self._pour(tank, who)
        else:
            self._close(tank)

    # -- tank ------------------------------------------------------------------------------------

    def _close(self, tank: _Tank) -> None:
        now_s, pressure_s = self.env.now, self.pace.pressure_s or 0.0
        left_s = self.pace.left_to_press_s
        for cast in tank.inside:
            late = left_s is not None and now_s > cast.started_s + left_s + TICK_S
            self.pressed_late += int(late)
        tank.closed, tank.until_s, tank.press_by_s = True, now_s + pressure_s, inf
        self.spans.extend(Span("pressure", cast.batch, now_s, tank.until_s) for cast in tank.inside)
        self._look_at(tank.until_s)
        ready_s = self._ready_for_s(tank)
        if now_s < ready_s < tank.until_s:
            self._look_at(ready_s)

    def _is_over(self, tank: _Tank) -> bool:
        return tank.closed and not tank.venting and tank.until_s <= self.env.now + TICK_S

    def _vent(self, tank: _Tank, who: int) -> _Steps:
        tank.venting = True
        yield from self._work("vent", tank.inside[0].batch, self.pace.vent_s, who)
        casts, tank.inside = tank.inside, []
        tank.closed = tank.venting = False
        self.busy["tanks"] += self.env.now - (tank.taken_s or 0.0)
        tank.taken_s = self.env.now if tank.awaited else None
        for cast in casts:
            self._cure(cast)
        self._tell()

    # -- demolding and finishing -----------------------------------------------------------------

    def _cure(self, cast: _Cast) -> None:
        cast.ready_s = max(cast.ready_s, self.env.now)
        self.curing.append(cast)
        self._look_at(cast.ready_s)

    def _demold(self, cast: _Cast, who: int) -> _Steps:
        self.curing.remove(cast)
        yield from self._work("demold", cast.batch, self.pace.demold_s, who)
        self._finished_if(not self.lots.demolded(cast.batch, cast.pieces, self.env.now))
        made = [pulls + 1 for pulls in cast.molds]
        every = self.shop.release_every
        due = sum(1 for pulls in made if every is not None and pulls % every == 0)
        yield from self._work("release", cast.batch, due * self.pace.release_s, who)
        self.busy["molds"] += len(made) * (self.env.now - cast.started_s)
        self.clean.extend(made)
        self._tell()

    def _finish_piece(self, who: int) -> _Steps:
        lot, work = self.lots.claim()
        yield from self._work(work.name, lot.batch, work.seconds_per_piece, who)
        self._finished_if(self.lots.done(lot, self.env.now))

    def _finished_if(self, done: bool) -> None:
        """Count a batch off that is done with, and tell that there may be pieces to take up."""
        self.unfinished -= int(done)
        self._tell()
