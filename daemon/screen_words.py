"""The words, figures, shapes and styles that both screens use for what a view says.

Owns the wording. Does not know where on the screen anything stands.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

from daemon.pairing import Invitation as Invitation
from daemon.view import BenchView, PartView, Step, TimerView, Zone


@dataclass(frozen=True, slots=True)
class Notes:
    """What stands beside the bench's own view: the other outlets, and the last things said.

    `broker` and `phone` are one short phrase each that says what it is of ("MQTT: connected");
    `said` are plain sentences for the person, newest last.
    """

    broker: str = ""
    phone: str = ""
    said: tuple[str, ...] = ()
    invitation: Invitation | None = None


NO_NOTES = Notes()


@dataclass(frozen=True, slots=True)
class Look:
    """How a state is told three times over: a word, a shape, and a style that colours both."""

    word: str
    shape: str
    style: str


ZONES = {
    Zone.DUMP: Look("POUR", "arrow", "go"),
    Zone.EASE: Look("EASE OFF", "funnel", "ease"),
    Zone.STOP: Look("STOP", "block", "stop"),
    Zone.LANDED: Look("LANDED", "tick", "good"),
    Zone.SHORT: Look("A LITTLE MORE", "plus", "ease"),
    Zone.OVER: Look("TOO MUCH", "cross", "stop"),
}
STEPS = {
    Step.IDLE: Look("READY", "diamond", "calm"),
    Step.CUP: Look("CUP", "cup", "calm"),
    Step.POUR: Look("POUR", "arrow", "go"),
    Step.SETTLE: Look("WAIT", "bars", "calm"),
    Step.DECIDE: Look("DECIDE", "cross", "stop"),
    Step.STIR: Look("STIR", "ring", "good"),
    Step.AWAY: Look("ON HOLD", "bars", "ease"),
}
SMALL_SHAPES = {
    "arrow": "▼",
    "funnel": "▽",
    "block": "■",
    "tick": "√",
    "plus": "+",
    "cross": "×",
    "bars": "‖",
    "ring": "○",
    "cup": "∪",
    "diamond": "◆",
}


def look(view: BenchView) -> Look:
    """The one state that counts now: the zone of a pour, else the step."""
    if view.scale == "lost":
        return Look("SCALE LOST", "cross", "stop")
    if view.scale == "overload":
        return Look("OVERLOAD", "cross", "stop")
    if view.zone is not None and view.step in (Step.POUR, Step.SETTLE):
        return ZONES[view.zone]
    return STEPS[view.step]


def decimals(division_g: float) -> int:
    """Digits after the point that a scale with this division can stand behind, 0 to 3."""
    if division_g <= 0:
        return 1
    return min(3, max(0, math.ceil(-math.log10(division_g) - 1e-9)))


def grams(value: float | None, places: int, *, sign: bool = False) -> str:
    """Write grams with these decimals; a dash for None; never "-0.0"."""
    if value is None:
        return "–"
    rounded = round(value, places) + 0.0
    return f"{rounded:+.{places}f}" if sign and rounded else f"{rounded:.{places}f}"


def off_by(part: PartView, places: int) -> str:
    """What a part is off by, as the difference of the two figures that are shown beside it."""
    if part.error_g is None or part.actual_g is None or part.target_g is None:
        return grams(None, places)
    return grams(round(part.actual_g, places) - round(part.target_g, places), places, sign=True)


def span(seconds: float) -> str:
    """Write a length of time: 0:09, 12:30, 3 h 05."""
    whole = max(0, math.ceil(seconds - 1e-6))
    if whole < 3600:
        return f"{whole // 60}:{whole % 60:02d}"
    return f"{whole // 3600} h {whole % 3600 // 60:02d}"


def wall(view: BenchView, at_s: float, form: str = "%H:%M") -> str:
    """The wall clock of this bench, in local time, at an instant of the daemon's time line."""
    return time.strftime(form, time.localtime(at_s + view.wall_offset_s))


def clocks(view: BenchView) -> tuple[TimerView, ...]:
    """The running clocks, what ends first, first."""
    return tuple(sorted(view.timers, key=lambda timer: timer.ends_at_s))


def clock_name(timer: TimerView) -> str:
    """Name a clock: its kind, and whose batch it is."""
    name = timer.kind.replace("-", " ")
    return name if timer.batch is None else f"{name}, batch {timer.batch}"


def clock_left(timer: TimerView, now_s: float) -> str:
    """Say how a clock stands, in words that differ for running, soon and over."""
    left_s = timer.ends_at_s - now_s
    if timer.state == "ended" or left_s <= 0:
        return f"over by {span(math.floor(max(0.0, -left_s)))}"
    return f"{span(left_s)} soon" if timer.state == "warned" else span(left_s)


def clock_look(timer: TimerView, now_s: float) -> Look:
    """Give a clock's look: hollow while running, a triangle when soon, full when over."""
    if timer.state == "ended" or timer.ends_at_s <= now_s:
        return Look("over", "■", "stop")
    if timer.state == "warned":
        return Look("soon", "▲", "ease")
    return Look("running", "○", "plain")


def scale_words(view: BenchView) -> str:
    """Say how the scale is, with its own note."""
    state = {
        "waiting": "scale: nothing heard yet",
        "ok": "scale ok",
        "silent": "scale silent",
        "lost": "scale lost",
        "overload": "scale overloaded",
    }.get(view.scale, f"scale {view.scale}")
    return f"{state}: {view.scale_note}" if view.scale_note else state


@dataclass(frozen=True, slots=True)
class Focus:
    """The one figure to be read from two metres, what it is, and the longest it may become."""

    figure: str
    says: str
    room_for: str = ""


def focus(view: BenchView, now_s: float) -> Focus:
    """Choose the figure that matters now: grams to go, grams too much, time to stir, the weight."""
    places = decimals(view.division_g)
    if view.scale not in ("ok", "waiting"):
        return Focus("--.-", "no reading", "000.0")
    if view.remaining_g is not None and view.step in (Step.POUR, Step.SETTLE, Step.DECIDE):
        room = grams(view.target_g or view.remaining_g, places)
        if view.remaining_g < 0 and round(-view.remaining_g, places) > 0:
            over = grams(-view.remaining_g, places, sign=True)
            return Focus(over, f"g of {view.part} too much" if view.part else "g too much", room)
        return Focus(grams(view.remaining_g, places), f"g of {view.part} to go", room)
    if view.step is Step.STIR:
        stir = [timer for timer in clocks(view) if timer.kind == "stir"]
        if stir and stir[0].ends_at_s > now_s:
            return Focus(span(stir[0].ends_at_s - now_s), "to stir", "0:00")
    if view.weight_g is None:
        return Focus("--.-", "no reading", "000.0")
    return Focus(grams(view.weight_g, places), "g in the cup", "000.0")
