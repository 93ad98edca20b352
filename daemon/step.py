"""One step of the bench: an event in, the bench after it and its effects out. Pure.

Owns the way from an event to whoever handles it, and the next instant the bench must be woken at.
Knows no port, clock, journal or outlet.
"""

from __future__ import annotations

from dataclasses import replace

from daemon import events as ev
from daemon.acts import act
from daemon.batch import Phase
from daemon.bench import Bench, Settings, Turn
from daemon.effects import Effect, Pattern
from daemon.marks import clock_rang
from daemon.openings import open_batch
from daemon.parts import time_at_pour
from daemon.presence import go_away
from daemon.sequence import TABLE
from daemon.timers import advance, next_due_s
from daemon.weighing import ScaleTraits, interrupted, start, weigh

SILENT_S = 2.0
"""A scale that sends by itself and has said nothing for so long is not to be poured by."""
GARBLED_EVERY_S = 10.0
"""Garbled lines are counted one by one but told at most so often."""


def step(bench: Bench, event: ev.Event) -> tuple[Bench, tuple[Effect, ...]]:
    """The bench after `event`, and what it asks for, in order."""
    turn = Turn(bench, event.at_s)
    match event:
        case ev.ReadingTaken():
            _reading(turn, event)
        case ev.TimeCame():
            _time(turn)
        case ev.Commanded():
            act(turn, event.do, event.id)
        case ev.LineGarbled():
            _garbled(turn, event)
        case ev.PortLost():
            _lost(turn, event.port, event.why, "lost")
        case ev.PortFound():
            _found(turn, event.port)
        case ev.ProfileFound():
            _profile(turn, event.profile)
        case ev.WallStepped():
            turn.put(wall_offset_s=event.wall_offset_s)
        case ev.Started():
            _started(turn, event)
    return turn.bench, tuple(turn.effects)


def deadline_s(bench: Bench) -> float | None:
    """The next instant at which something is due; None when nothing is."""
    pour = bench.batch.pour if bench.batch is not None else None
    pouring = pour is not None and bench.batch is not None and bench.batch.phase is Phase.POUR
    due = (
        bench.opening_at_s,
        next_due_s(bench.timers),
        pour.due_s if pour is not None and pouring else None,
        _silent_at_s(bench),
    )
    return min((at for at in due if at is not None), default=None)


def _silent_at_s(bench: Bench) -> float | None:
    """When silence will have lasted too long: only minded while a cup is being worked on."""
    batch, w = bench.batch, bench.weighing
    minded = batch is not None and batch.phase in (Phase.POUR, Phase.DECIDE)
    if not minded or bench.link.state not in ("ok", "overload") or w.at_s is None:
        return None
    return w.at_s + max(SILENT_S, 6 * w.scale.interval_s)


def _time(turn: Turn) -> None:
    opening = turn.bench.opening_at_s
    if opening is not None and opening <= turn.at_s:
        open_batch(turn)
    timers, news = advance(turn.bench.timers, turn.at_s)
    turn.put(timers=timers)
    for item in news:
        clock_rang(turn, item.timer)
    if turn.bench.batch is not None and turn.bench.batch.phase is Phase.POUR:
        time_at_pour(turn)
    silent_at_s = _silent_at_s(turn.bench)
    if silent_at_s is not None and silent_at_s <= turn.at_s:
        w = turn.bench.weighing
        quiet_s = turn.at_s - (w.at_s if w.at_s is not None else turn.at_s)
        why = f"nothing heard from the scale for {quiet_s:.1f} s"
        _lost(turn, turn.bench.link.port, why, "silent")


def _reading(turn: Turn, event: ev.ReadingTaken) -> None:
    if turn.bench.link.state in ("silent", "waiting", "lost"):
        was = turn.bench.link.state
        turn.put(link=replace(turn.bench.link, state="ok", why=""))
        if was == "silent":
            turn.record("scale.found", {"port": turn.bench.link.port, "why": "it reads again"})
    turn.put(weighing=weigh(turn.bench.weighing, event.reading))
    _keep_traits(turn)
    if event.reading.overload:
        _overload(turn)
        return
    if event.reading.grams is None:
        return
    if turn.bench.link.state == "overload":
        turn.put(link=replace(turn.bench.link, state="ok", why=""))
    batch = turn.bench.batch
    if batch is not None:
        TABLE[batch.phase].on_reading(turn)
    else:
        _reading_idle(turn)


def _reading_idle(turn: Turn) -> None:
    """With no batch open the bare pan is watched, so that a cup on it is known for one."""
    w = turn.bench.weighing
    if not w.stable or w.settled_g is None:
        return
    if abs(w.settled_g - (turn.bench.empty_g or 0.0)) < max(2.0, 4 * w.scale.division_g):
        turn.put(empty_g=w.settled_g, pan_clear=True)


def _keep_traits(turn: Turn) -> None:
    key, scale = turn.bench.link.profile, turn.bench.weighing.scale
    if key and dict(turn.bench.traits).get(key) is not scale:
        turn.put(traits=tuple(sorted((dict(turn.bench.traits) | {key: scale}).items())))


def _overload(turn: Turn) -> None:
    if turn.bench.link.state == "overload":
        return
    turn.put(link=replace(turn.bench.link, state="overload", why="more than the scale can weigh"))
    turn.record(
        "scale.overload", {"port": turn.bench.link.port, "why": "more than the scale can weigh"}
    )
    turn.sound(Pattern.TROUBLE)
    go_away(turn)


def _garbled(turn: Turn, event: ev.LineGarbled) -> None:
    link = turn.bench.link
    link = replace(link, garbled=link.garbled + 1)
    told = link.garbled_told_at_s
    if told is None or turn.at_s - told >= GARBLED_EVERY_S:
        data = {
            "port": link.port,
            "why": event.garbled.why,
            "count": link.garbled - link.garbled_told,
        }
        turn.record("scale.garbled", data)
        link = replace(link, garbled_told=link.garbled, garbled_told_at_s=turn.at_s)
    turn.put(link=link)


def _lost(turn: Turn, port: str, why: str, state: str) -> None:
    if turn.bench.link.state == state == "lost":
        return
    turn.put(
        link=replace(turn.bench.link, state=state, port=port, why=why),
        weighing=interrupted(turn.bench.weighing),
    )
    turn.record("scale.lost", {"port": port, "why": why})
    if turn.bench.batch is not None:
        turn.sound(Pattern.TROUBLE)
    go_away(turn)


def _found(turn: Turn, port: str) -> None:
    turn.put(
        link=replace(turn.bench.link, state="waiting", port=port, why=""),
        weighing=interrupted(turn.bench.weighing),
    )
    turn.record("scale.found", {"port": port, "why": "the port is open"})


def _profile(turn: Turn, profile: str) -> None:
    known: ScaleTraits | None = dict(turn.bench.traits).get(profile)
    link = turn.bench.link
    if profile != link.profile and known is not None:
        turn.put(weighing=start(known))
    turn.put(link=replace(link, profile=profile))


def _started(turn: Turn, event: ev.Started) -> None:
    turn.put(
        settings=Settings(event.bench, event.version, event.risk_pct),
        wall_offset_s=event.wall_offset_s or turn.bench.wall_offset_s,
    )
    turn.put(
        weighing=interrupted(turn.bench.weighing),
        link=replace(turn.bench.link, state="waiting", why=""),
    )
    batch = turn.bench.batch
    if not event.resumed:
        turn.record("daemon.started", {"version": event.version}, None)
        return
    go_away(turn)
    data = {
        "version": event.version,
        "batch": batch.number if batch is not None else None,
        "step": TABLE[batch.phase].step.value if batch is not None else "idle",
    }
    turn.record("daemon.resumed", data)
