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
from daemon.cup import see_bare_pan
from daemon.effects import Effect, Pattern
from daemon.marks import clock_rang
from daemon.openings import open_batch
from daemon.parts import time_at_pour
from daemon.presence import go_away, min_cup_g
from daemon.sequence import NEEDS_THE_SCALE, TABLE, step_of
from daemon.timers import advance, next_due_s
from daemon.tint_bench import lent
from daemon.weighing import ScaleTraits, interrupted, start, weigh
from drivers.line_settings import ALL_TRIED_S

UNREAD = (
    "nothing that can be read comes from the scale: is it on, does it send by itself? "
    "`benchpour scale listen` shows what comes, `benchpour scale learn` learns unknown lines"
)
SILENT_S = 2.0
"""A scale that sends by itself and has said nothing for so long is not to be poured by."""
SILENT_INTERVALS = 6.0
"""So many readings missed in a row are silence too, where a scale is slow."""
NO_WEIGHT = "the scale sends no weight in grams; look at its unit key"
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
    batch = bench.batch
    pour = batch.pour if batch is not None and batch.phase is Phase.POUR else None
    due = (
        bench.opening_at_s,
        next_due_s(bench.timers),
        pour.due_s if pour is not None else None,
        _silent_at_s(bench),
    )
    return min((at for at in due if at is not None), default=None)


def _silent_at_s(bench: Bench) -> float | None:
    """When silence will have lasted too long: minded while a batch is on the scale."""
    w, link = bench.weighing, bench.link
    if bench.batch is None:
        return None
    if link.state == "waiting" and link.open_from_s is not None and w.at_s is None:
        return link.open_from_s + ALL_TRIED_S
    if link.state not in ("ok", "overload") or w.at_s is None:
        return None
    return w.at_s + max(SILENT_S, SILENT_INTERVALS * w.scale.interval_s)


def _time(turn: Turn) -> None:
    """Whatever has fallen due by now, in a fixed order."""
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
        _silent(turn)


def _silent(turn: Turn) -> None:
    at_s = turn.bench.weighing.at_s
    if at_s is None:
        why = UNREAD
    else:
        quiet_s = turn.at_s - at_s
        why = turn.bench.link.why or f"nothing heard from the scale for {quiet_s:.1f} s"
    _lost(turn, turn.bench.link.port, why, "silent")


def _reading(turn: Turn, event: ev.ReadingTaken) -> None:
    weighed = weigh(turn.bench.weighing, event.reading)
    if weighed.gross_g is None and not event.reading.overload:
        # Pieces, percent, a status: the last weight grows old, and silence is noticed by that.
        turn.put(link=replace(turn.bench.link, why=NO_WEIGHT))
        return
    _heard(turn)
    turn.put(weighing=weighed)
    if event.reading.overload:
        _overload(turn)
        return
    _keep_traits(turn)
    if turn.bench.link.state != "ok" or turn.bench.link.why:
        turn.put(link=replace(turn.bench.link, state="ok", why=""))
    batch = turn.bench.batch
    if lent(turn.bench, turn.at_s):
        return  # what is on the pan now is no cup and no resin
    if batch is not None:
        TABLE[batch.phase].on_reading(turn)
    else:
        _reading_idle(turn)


def _heard(turn: Turn) -> None:
    """The scale weighs (again)."""
    link = turn.bench.link
    if link.state == "silent":
        turn.record("scale.found", {"port": link.port, "why": "it reads again"})
    if link.state in ("silent", "waiting", "lost"):
        turn.put(link=replace(link, state="ok", why=""))


def _reading_idle(turn: Turn) -> None:
    """With no batch open the bare pan is watched, so that a cup on it is known for one."""
    see_bare_pan(turn)
    w = turn.bench.weighing
    if not w.stable or w.settled_g is None:
        return
    if abs(w.settled_g - (turn.bench.empty_g or 0.0)) < min_cup_g(turn.bench):
        turn.put(empty_g=w.settled_g, pan_clear=True)


def _keep_traits(turn: Turn) -> None:
    key, scale = turn.bench.link.profile, turn.bench.weighing.scale
    if key and dict(turn.bench.traits).get(key) is not scale:
        turn.put(traits=tuple(sorted((dict(turn.bench.traits) | {key: scale}).items())))


def _overload(turn: Turn) -> None:
    if turn.bench.link.state == "overload":
        return
    why = "more than the scale can weigh"
    turn.put(link=replace(turn.bench.link, state="overload", why=why))
    turn.record("scale.overload", {"port": turn.bench.link.port, "why": why})
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
    turn.put(link=replace(turn.bench.link, state=state, port=port, why=why))
    turn.record("scale.lost", {"port": port, "why": why})
    if _scale_matters(turn.bench):
        turn.sound(Pattern.TROUBLE)
    go_away(turn)
    turn.put(weighing=interrupted(turn.bench.weighing))


def _scale_matters(bench: Bench) -> bool:
    """Whether the person is at work on the scale, so that its loss must be heard."""
    return bench.batch is not None and bench.batch.phase in NEEDS_THE_SCALE


def _found(turn: Turn, port: str) -> None:
    turn.put(
        link=replace(turn.bench.link, state="waiting", port=port, why="", open_from_s=turn.at_s),
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
    """After a stop nothing of the scale is believed until it is heard again."""
    turn.put(
        settings=Settings(event.bench, event.version, event.risk_pct),
        wall_offset_s=event.wall_offset_s or turn.bench.wall_offset_s,
        link=replace(turn.bench.link, state="waiting", why="", open_from_s=None),
    )
    go_away(turn)
    turn.put(weighing=interrupted(turn.bench.weighing))
    if not event.resumed:
        turn.record("daemon.started", {"version": event.version}, None)
        return
    batch = turn.bench.batch
    if batch is not None and batch.phase is Phase.AWAY:
        turn.sound(Pattern.TROUBLE)  # whoever still pours has to stop: nobody cues it now
    data = {
        "version": event.version,
        "batch": batch.number if batch is not None else None,
        "step": step_of(turn.bench).value,
    }
    turn.record("daemon.resumed", data)
