"""Replay: the very engine of the daemon, fed from a log; compared with it, or shown in its time.

Owns how an engine is set up as it was when the log began, and what differs from what was logged.
Knows no file, no terminal and no command line.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from pydantic import ValidationError

from daemon.bench import Bench, Plan, Settings
from daemon.clock import Ticks
from daemon.effects import Pattern, Record, Sound
from daemon.engine import Decoding, Engine, Opening, Outcome
from daemon.inputs import DaemonStart, Do
from daemon.logfile import End, Event, Header, Line, Log, LogError, compact
from daemon.messages import parse_rfc3339, rfc3339
from daemon.openings import next_plan
from daemon.picture import picture
from daemon.state import StateError, load
from daemon.view import BenchView
from drivers.decoder import Decoder
from drivers.recogniser import Recogniser
from drivers.scale_profile import (
    Profile,
    ProfileError,
    load_profile,
    parse_profile,
    shipped_files,
)
from recipes.model import Recipe
from recipes.toml_file import FileError, problems_of

Told = Event | Sound


class Change(Protocol):
    """What is to be otherwise than in the log."""

    def begin(self, bench: Bench) -> Bench:
        """The bench from which the batch opens."""

    def hold(self, bench: Bench) -> Bench:
        """The bench after a step, with what is to stay as it was set."""


# --- as it was when the log began ----------------------------------------------------------------


def bench_of(header: Header) -> Bench:
    """The bench from which the batch opened; a fresh one where the header holds no state.

    The header's recipe and settings count, whatever the state says of them.
    """
    recipe, settings = _recipe(header), _settings(header)
    if header.state is None:
        return _fresh(header, recipe, settings)
    try:
        bench = load(header.state)
    except StateError:
        wrote = f"benchpour {header.version}" if header.version else "another benchpour"
        raise LogError(
            f"The log was written by {wrote}, and its state is not of a form known here. "
            "Replay it with the version that wrote it."
        ) from None
    plan = next_plan(bench)
    if plan is not None and plan.recipe != recipe:
        bench = with_recipe(bench, recipe)
    return bench if bench.settings == settings else replace(bench, settings=settings)


def _fresh(header: Header, recipe: Recipe, settings: Settings) -> Bench:
    start_s = header.start_us / 1e6
    return Bench(
        settings=settings,
        at_s=start_s,
        wall_offset_s=_wall_offset_s(header),
        plan=Plan(recipe, recipe.shot_g, left=1),
        opening_at_s=start_s,
        next_batch=header.batch,
    )


def with_recipe(bench: Bench, recipe: Recipe) -> Bench:
    """The bench about to open its next batch by another recipe; a size of one's own is kept."""
    plan = next_plan(bench)
    if plan is None:
        return bench
    size_g = recipe.shot_g if plan.size_g == plan.recipe.shot_g else plan.size_g
    plan = replace(plan, recipe=recipe, size_g=size_g)
    return replace(bench, once=plan) if bench.once is not None else replace(bench, plan=plan)


def _recipe(header: Header) -> Recipe:
    try:
        return Recipe.model_validate(header.recipe)
    except ValidationError as error:
        raise LogError(str(FileError("The log's recipe", problems_of(error, {}, {})))) from None


def _settings(header: Header) -> Settings:
    given = {k: header.settings[k] for k in Settings.__slots__ if k in header.settings}
    settings = replace(Settings(version=header.version), **given)
    risk = settings.risk_pct
    if isinstance(risk, bool) or not isinstance(risk, int | float) or not 0 < risk <= 50:
        raise LogError("The log's settings cannot be used: risk_pct is a number above 0, up to 50.")
    return replace(settings, risk_pct=float(risk))


def _wall_offset_s(header: Header) -> float:
    if header.wall_offset_us is not None:
        return header.wall_offset_us / 1e6
    if not header.started_at:
        return 0.0
    try:
        return parse_rfc3339(header.started_at) - header.start_us / 1e6
    except ValueError as error:
        raise LogError(f"The log's started_at cannot be used: {error}.") from None


def decoder_of(header: Header) -> Decoding:
    """The decoder as it was; one that recognises the line shape where the header names none."""
    try:
        decoder = _decoder(header.scale)
        if header.decoder is not None:
            decoder.restore(header.decoder)
    except ProfileError as error:
        raise LogError(f"The log's scale cannot be used: {error}.") from None
    except (ValueError, TypeError, LookupError, AttributeError) as error:
        raise LogError(
            f"The state of the log's decoder is not of a form known here ({error!r}). Replay it "
            "with the version that wrote it."
        ) from None
    return decoder


def _decoder(scale: dict[str, object]) -> Decoding:
    texts, rivals = scale.get("shapes") or {}, scale.get("recognise")
    if not isinstance(texts, dict) or not isinstance(rivals, list | None):
        raise ProfileError("shapes is an object and recognise a list of names")
    if rivals is not None:
        return Recogniser([_shape(name, texts) for name in rivals])
    name = scale.get("profile")
    return Recogniser() if name is None else Decoder(_shape(name, texts))


def _shape(name: object, texts: dict[str, object]) -> Profile:
    """A line shape from the log itself or of those that ship: a log reaches no other file."""
    if name in texts:
        return parse_profile(str(texts[str(name)]), f"the log's shape {name}")
    shipped = [file.stem for file in shipped_files()]
    if name not in shipped:
        raise ProfileError(f"no line shape is called {name!r}; known are {', '.join(shipped)}")
    return load_profile(str(name))


# --- the replay ----------------------------------------------------------------------------------


class Replay:
    """The engine as the log's header says, fed with the log's lines."""

    def __init__(self, header: Header, change: Change | None = None) -> None:
        """Stand where the log begins; raises LogError where its header cannot be used."""
        bench = bench_of(header)
        self._change = change
        self._batch = header.batch
        self._seq = (header.first_seq or 1) - 1
        self.engine = Engine(change.begin(bench) if change else bench, decoder_of(header))
        self.engine.at_us = header.start_us
        self.over = False
        """The next batch has opened: what follows belongs to its log."""

    def take(self, line: Line) -> list[Told]:
        """What a line leads to. An event or the end in the log says only that time came so far."""
        item = line.item
        if isinstance(item, Event | End):
            return self.until(line.at_us)
        # While the daemon was down nobody was there to hear what fell due.
        told = [] if isinstance(item, DaemonStart) else self.until(line.at_us)
        if self.over:
            return told
        try:
            _, outcomes = self.engine.take(item)
        except (ValueError, TypeError, LookupError, AttributeError) as error:
            if not isinstance(item, Do):
                raise
            raise LogError(
                f"Line {line.number} of the log cannot be used: no such command can be carried "
                f"out ({error!r})."
            ) from None
        return told + self._told(outcomes)

    def until(self, at_us: int) -> list[Told]:
        """What falls due up to and at this instant."""
        return [] if self.over else self._told(self.engine.run_to(at_us))

    def view(self, at_s: float) -> BenchView:
        """The bench to look at, at this instant or when it last moved; nothing to press."""
        view = picture(self.engine.bench, max(at_s, self.engine.bench.at_s))
        return replace(view, choices=())

    def _told(self, outcomes: Sequence[Outcome]) -> list[Told]:
        found: list[Told] = []
        for outcome in outcomes:
            if isinstance(outcome, Opening) and outcome.batch > self._batch:
                self.over = True
                break
            if isinstance(outcome, Record):
                found.append(self._numbered(outcome))
            elif isinstance(outcome, Sound):
                found.append(outcome)
        if self._change is not None:
            self.engine.bench = self._change.hold(self.engine.bench)
        return found

    def _numbered(self, record: Record) -> Event:
        self._seq += 1
        at = rfc3339(record.at_s + self.engine.bench.wall_offset_s)
        return Event(
            round(record.at_s * 1e6), self._seq, at, record.kind, record.batch, record.data
        )


def events(header: Header, lines: Iterable[Line], change: Change | None = None) -> Iterator[Event]:
    """The events that the inputs among these lines lead to."""
    replay = Replay(header, change)
    for line in lines:
        yield from (told for told in replay.take(line) if isinstance(told, Event))


# --- compared ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Verdict:
    """How many events came out as logged, and the first that did not, in plain words."""

    same: int
    difference: str = ""


def verify(log: Log, tell: Callable[[Event], None] | None = None) -> Verdict:
    """Compare every event that comes out with the one logged; `tell` hears each that comes out.

    Beyond the cut of a log that is cut off, more may come out; in a whole one, nothing.
    """
    replay, start_us = Replay(log.header), log.header.start_us
    made: deque[Event] = deque()
    logged: deque[Event] = deque()
    same, shift = 0, 0
    for line in log:
        for told in replay.take(line):
            if isinstance(told, Event):
                made.append(told)
                if tell is not None:
                    tell(told)
        if isinstance(line.item, Event):
            logged.append(line.item)
            if same == 0 and log.header.first_seq is None and made:
                shift = logged[0].seq - made[0].seq
        while made and logged:
            out = made.popleft()
            found = difference(logged.popleft(), replace(out, seq=out.seq + shift), start_us)
            if found:
                return Verdict(same, found)
            same += 1
    if logged:
        return Verdict(same, f"{_named(logged[0], start_us)} was logged and does not come out.")
    if made and log.ended:
        return Verdict(same, f"{_named(made[0], start_us)} comes out and was not logged.")
    return Verdict(same)


def difference(logged: Event, made: Event, start_us: int) -> str:
    """What differs between an event as logged and as it comes out; empty where nothing does."""
    if (logged.at_us, compact(logged.body)) == (made.at_us, compact(made.body)):
        return ""
    if logged.kind != made.kind:
        there = (made.at_us - start_us) / 1e6
        return f"{_named(logged, start_us)} was logged; {made.kind} at {there:.6f} s comes out."
    was, now = _members(logged), _members(made)
    names = [name for name in was | now if was.get(name) != now.get(name)]
    words = [
        f"{n} was {was.get(n, 'not there')}, comes out {now.get(n, 'not at all')}" for n in names
    ]
    return (
        f"{_named(logged, start_us)}: {'; '.join(words) or 'its members stand in another order'}."
    )


def _named(event: Event, start_us: int) -> str:
    return f"Event {event.seq} ({event.kind}, {(event.at_us - start_us) / 1e6:.6f} s)"


def _members(event: Event) -> dict[str, str]:
    told = {name: value for name, value in event.body.items() if name != "data"} | event.data
    return {"t": f"{event.at_us / 1e6:.6f}"} | {name: compact(v) for name, v in told.items()}


# --- shown in its time ---------------------------------------------------------------------------


class Near(Protocol):
    """What the person has before them."""

    def play(self, pattern: Pattern) -> None:
        """Let it be heard."""

    def show(self, view: BenchView) -> None:
        """Let it be seen."""


class Performance:
    """A log played before outlets, `speed` times as fast as it was; None: without waiting."""

    def __init__(
        self, log: Log, replay: Replay, clock: Ticks, speed: float | None, near: Sequence[Near] = ()
    ) -> None:
        self.near = list(near)
        self.speed = speed
        self._log, self._replay, self._clock = log, replay, clock
        self._began_s = clock.now_s()
        self._at_us = log.header.start_us

    def now_s(self) -> float:
        """The instant that the replay has got to, on the daemon's time line of then."""
        start_s = self._log.header.start_us / 1e6
        if self.speed is None:
            return self._at_us / 1e6
        return start_s + (self._clock.now_s() - self._began_s) * self.speed

    async def run(self, tell: Callable[[Event], None] | None = None) -> None:
        """Play it to its end; `tell` hears every event."""
        for line in self._log:
            if not isinstance(line.item, DaemonStart):
                await self._until(line.at_us, tell)
            await self._reach(line.at_us)
            self._spread(self._replay.take(line), tell)

    async def _until(self, at_us: int, tell: Callable[[Event], None] | None) -> None:
        """Fire what falls due between two lines in its own time, as it was heard."""
        while not self._replay.over:
            due_us = self._replay.engine.due_us()
            if due_us is None or due_us > at_us:
                return
            await self._reach(due_us)
            self._spread(self._replay.until(due_us), tell)

    async def _reach(self, at_us: int) -> None:
        self._at_us = at_us
        if self.speed is not None:
            wait_s = (at_us / 1e6 - self.now_s()) / self.speed
            await asyncio.sleep(max(0.0, wait_s))

    def _spread(self, told: Sequence[Told], tell: Callable[[Event], None] | None) -> None:
        for item in told:
            if isinstance(item, Sound):
                for outlet in self.near:
                    outlet.play(item.pattern)
            elif tell is not None:
                tell(item)
        if self.near and not self._replay.over:
            view = self._replay.view(self.now_s())
            for outlet in self.near:
                outlet.show(view)
