"""What the bench says over MQTT: the shape of every outgoing payload, and how a view becomes one.

Owns names, rounding and the writing of time. Knows nothing of topics, brokers or how a view came
about; it has no clock, since every instant is inside the view.
"""

from __future__ import annotations

import calendar
import json
import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from daemon.effects import Answer
from daemon.view import BenchView, PartView, RunView, Step, TimerView, Zone

Instant = str
"""An RFC 3339 time in UTC with milliseconds, `2026-11-02T09:30:00.000Z`."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_GRAMS_DECIMALS = 3
"""A milligram: finer than any bench scale that resin is poured on."""

_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(\.\d+)?(?:[Zz]|([+-])(\d\d):(\d\d))",
    re.ASCII,
)


class Message(BaseModel):
    """A payload as published. Members may be added; a reader ignores those it does not know."""

    model_config = ConfigDict(frozen=True, extra="allow")


class Status(Message):
    """Whether the daemon is there. The last will says offline with the instant of connecting."""

    state: Literal["online", "offline"]
    version: str
    at: Instant


class Weight(Message):
    """The whole cup on the working tare, in grams and grams per second."""

    at: Instant
    grams: float
    stable: bool
    flow: float


class Stops(Message):
    """The two stopping points in grams of the part on the reading; null where there is none."""

    coarse: float | None
    fine: float | None


class DispensePart(Message):
    """One part of the batch on the scale; actual and error are null until something is poured."""

    name: str
    target_g: float
    actual_g: float | None
    error_g: float | None
    done: bool = False
    dye: bool = False


class Mix(Message):
    """The whole cup: how far the ratio is off, in percent, and its mass in grams."""

    ratio_error_pct: float | None
    total_g: float | None


class Landing(Message):
    """How far one earlier pour came down from its target, in grams."""

    part: str
    error_g: float


class Dispense(Message):
    """The bench's whole state, enough to draw a screen from. Grams are those of the part poured."""

    at: Instant
    batch: int | None
    recipe: str | None
    step: Step
    part: str | None
    zone: Zone | None
    target_g: float | None
    actual_g: float | None
    remaining_g: float | None
    stops_g: Stops
    tolerance_g: float | None
    prompt: str
    caution: str
    parts: list[DispensePart]
    mix: Mix
    needs: str | None
    landing_g: float | None = Field(None, description="where the pour lands if it is cut now")
    to_stop_s: float | None = Field(None, description="predicted seconds to the stop cue")
    choices: list[str] = Field([], description="commands allowed now, the most likely first")
    due: str | None = Field(None, description="what `next` would do")
    person: str = ""
    method: str = "gain"
    division_g: float = 0.1
    scale: str = ""
    scale_note: str = ""
    last_landings: list[Landing] = []


class Timer(Message):
    """One clock of one batch."""

    id: str
    batch: int | None
    kind: str
    started_at: Instant
    warn_at: Instant | None
    ends_at: Instant
    state: Literal["running", "warned", "ended"]


class Run(Message):
    """Progress of the order; `name` is null while the bench works without one."""

    name: str | None
    pieces: int
    good: int
    rejected: int
    batches_done: int
    batches_planned: int | None
    eta: Instant | None


class EventMessage(Message):
    """One entry of the journal. `seq` ascends without gaps for the life of a store."""

    seq: int
    at: Instant
    kind: str
    batch: int | None
    data: dict[str, Any]


class Done(Message):
    """The one answer to a command; `id` is the command's own, null where that was unreadable."""

    id: str | int | float | None
    ok: bool
    error: str | None = None


def rfc3339(wall_s: float) -> Instant:
    """Write seconds since the epoch as RFC 3339 in UTC with milliseconds (years 1 to 9999).

    Raises OverflowError outside those years.
    """
    moment = _EPOCH + timedelta(milliseconds=round(wall_s * 1000))
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z".rjust(24, "0")


def parse_rfc3339(text: str) -> float:
    """Read an RFC 3339 time as seconds since the epoch; a leap second is the second after it.

    Letters may be lower case and a space may stand for the T (RFC 3339 section 5.6). Raises
    ValueError with what is wrong.
    """
    match = _RFC3339.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is no RFC 3339 time such as 2026-11-02T09:30:00.000Z")
    year, month, day, hour, minute, second = (int(match[i]) for i in range(1, 7))
    leap = second == 60
    try:
        local = datetime(year, month, day, hour, minute, 59 if leap else second, tzinfo=UTC)
        moment = local - _offset(match[8], int(match[9] or 0), int(match[10] or 0))
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{text!r} is no such time: {error}") from None
    if leap and not _may_leap(moment):
        raise ValueError(f"{text!r} has a leap second, which only ends a month in UTC")
    whole_s = (moment - _EPOCH) // timedelta(seconds=1) + int(leap)
    return whole_s + float(match[7] or 0.0)


def _offset(sign: str | None, hours: int, minutes: int) -> timedelta:
    if hours > 23 or minutes > 59:
        raise ValueError("the offset must be within 23:59")
    return timedelta(hours=hours, minutes=minutes) * (-1 if sign == "-" else 1)


def _may_leap(moment: datetime) -> bool:
    last_day = calendar.monthrange(moment.year, moment.month)[1]
    return (moment.day, moment.hour, moment.minute) == (last_day, 23, 59)


def grams(value: float | None) -> float | None:
    """Round to a milligram; never minus zero, and null for what is no finite number."""
    if value is None or not math.isfinite(value):
        return None
    return _rounded(value)


def _rounded(value: float) -> float:
    return round(value, _GRAMS_DECIMALS) + 0.0


def weight_of(view: BenchView) -> Weight | None:
    """Return the weight to publish, or None while no current reading is believed."""
    shown_g = grams(view.weight_g)
    if shown_g is None:
        return None
    flow = grams(view.flow_g_per_s) or 0.0
    return Weight(at=_at(view, view.at_s), grams=shown_g, stable=view.stable, flow=flow)


def dispense_of(view: BenchView) -> Dispense:
    """Return the bench's whole state as it is published."""
    return Dispense(
        at=_at(view, view.at_s),
        batch=view.batch,
        recipe=view.recipe,
        step=view.step,
        part=view.part,
        zone=view.zone,
        target_g=grams(view.target_g),
        actual_g=grams(view.actual_g),
        remaining_g=grams(view.remaining_g),
        stops_g=Stops(coarse=grams(view.stops.coarse), fine=grams(view.stops.fine)),
        tolerance_g=grams(view.tolerance_g),
        prompt=view.prompt,
        caution=view.caution,
        parts=[_part(part) for part in view.parts],
        mix=Mix(ratio_error_pct=grams(view.ratio_error_pct), total_g=grams(view.total_g)),
        needs=view.needs,
        landing_g=grams(view.landing_g),
        to_stop_s=grams(view.to_stop_s),
        choices=list(view.choices),
        due=view.due,
        person=view.person,
        method=view.method,
        division_g=view.division_g,
        scale=view.scale,
        scale_note=view.scale_note,
        last_landings=[Landing(part=p, error_g=_rounded(g)) for p, g in view.last_landings],
    )


def _part(part: PartView) -> DispensePart:
    return DispensePart(
        name=part.name,
        target_g=_rounded(part.target_g),
        actual_g=grams(part.actual_g),
        error_g=grams(part.error_g),
        done=part.done,
        dye=part.dye,
    )


def timers_of(view: BenchView) -> list[Timer]:
    """Return every running clock, with its instants in wall time."""
    return [_timer(view, timer) for timer in view.timers]


def _timer(view: BenchView, timer: TimerView) -> Timer:
    return Timer.model_validate(
        {
            "id": timer.id,
            "batch": timer.batch,
            "kind": timer.kind,
            "started_at": _at(view, timer.started_at_s),
            "warn_at": _maybe_at(view, timer.warn_at_s),
            "ends_at": _at(view, timer.ends_at_s),
            "state": timer.state,
        }
    )


_NO_ORDER = RunView(name="", pieces=0, good=0, rejected=0, batches_done=0, batches_planned=None)


def run_of(view: BenchView) -> Run:
    """Return the order's progress; without an order all counts are zero and the name is null."""
    run = view.run or _NO_ORDER
    return Run(
        name=run.name or None,
        pieces=run.pieces,
        good=run.good,
        rejected=run.rejected,
        batches_done=run.batches_done,
        batches_planned=run.batches_planned,
        eta=_maybe_at(view, run.eta_at_s),
    )


def done_of(answer: Answer) -> Done:
    """Return the answer to a command as it is published."""
    return Done(id=answer.id, ok=answer.ok, error=answer.error)


def to_json(message: Message | Sequence[Message]) -> bytes:
    """Write a payload, or a list of them, as UTF-8 JSON on one line."""
    if isinstance(message, Message):
        plain: Any = message.model_dump(mode="json")
    else:
        plain = [one.model_dump(mode="json") for one in message]
    try:
        return _dumps(plain)
    except ValueError:
        return _dumps(_finite(plain))


def _dumps(plain: Any) -> bytes:
    text = json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode()


def _finite(plain: Any) -> Any:
    """Put null for what JSON has no number for, and stars for halves of surrogate pairs."""
    if isinstance(plain, dict):
        return {_finite(name): _finite(value) for name, value in plain.items()}
    if isinstance(plain, list):
        return [_finite(value) for value in plain]
    if isinstance(plain, str):
        return plain.encode(errors="replace").decode()
    if isinstance(plain, float) and not math.isfinite(plain):
        return None
    return plain


def _at(view: BenchView, at_s: float) -> Instant:
    return rfc3339(at_s + view.wall_offset_s)


def _maybe_at(view: BenchView, at_s: float | None) -> Instant | None:
    return None if at_s is None else _at(view, at_s)
