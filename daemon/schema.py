"""The MQTT interface as an AsyncAPI 3 document, made from the models the daemon publishes with.

Owns the document and what each kind of event promises in its data. Knows nothing of how events
come about or of the broker in use.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.json_schema import models_json_schema

from daemon.commands import COMMANDS
from daemon.messages import (
    Dispense,
    Done,
    EventMessage,
    Instant,
    Message,
    Run,
    Status,
    Timer,
    Weight,
)
from daemon.topics import DO, DONE, EVENT, STATUS, TIMERS, TOPICS, Topic, base

INTERFACE_VERSION = "1.0.0"
"""Of the interface, not of the program: raised when something is added or a meaning changes."""

_MQTT_BINDING = "0.2.0"


class EventData(BaseModel):
    """What an event promises. More may be in it; what is not promised here may go again."""

    model_config = ConfigDict(extra="allow", frozen=True)


class PartTarget(EventData):
    """One part and what it is poured to."""

    name: str
    target_g: float


class PartAmount(EventData):
    """One part and what of it is in the cup."""

    name: str
    actual_g: float


class PartAdd(EventData):
    """One part and what `correct` would add of it."""

    name: str
    add_g: float


class StopsData(EventData):
    """The two stopping points; null where there is none."""

    coarse: float | None
    fine: float | None


class BatchOpened(EventData):
    """A batch is to be poured."""

    recipe: str
    parts: list[PartTarget]


class CupTared(EventData):
    """The empty cup stands on the pan."""

    cup_g: float


class PartStarted(EventData):
    """A part is to be poured; `round` from the second pour of a correction on."""

    part: str
    target_g: float
    stops_g: StopsData
    round: int | None = None


class StopCue(EventData):
    """The person was told to ease off or to stop."""

    part: str
    reading_g: float
    flow: float
    landing_g: float


class PartShort(EventData):
    """Settled below the target's tolerance: a top-up follows."""

    part: str
    actual_g: float
    short_g: float


class PartLanded(EventData):
    """Settled within tolerance."""

    part: str
    target_g: float
    actual_g: float
    error_g: float
    seconds: float


class SavePlan(EventData):
    """What `correct` would do, and why it is or is not possible."""

    parts: list[PartAdd]
    total_g: float
    possible: bool
    why: str


class PartOver(EventData):
    """Settled above the target's tolerance."""

    part: str
    actual_g: float
    over_g: float
    plan: SavePlan


class MixContact(EventData):
    """The reaction has started; `basis` says what the pot life was derived from."""

    pot_life_s: float
    basis: str


class MixCorrected(EventData):
    """The targets have moved."""

    parts: list[PartTarget]
    reason: Literal["over", "dye", "accepted"]


class BatchMixed(EventData):
    """Everything is in the cup; `index` where the recipe gives the chemistry."""

    parts: list[PartAmount]
    ratio_error_pct: float | None
    dye_g: float
    total_g: float
    index: float | None = None


class TimerData(EventData):
    """A clock was started, warned, ended or cleared."""

    timer: str
    timer_kind: str
    ends_at: Instant


class BatchMarked(EventData):
    """Something was done to a batch, a jug or pieces."""

    kind: str


class BatchCounted(EventData):
    """Pieces were counted."""

    good: int
    rejected: int


class BatchEnded(EventData):
    """Nothing more happens to the batch, and why."""

    reason: str


class ScaleData(EventData):
    """The scale, its port, and what is the matter."""

    port: str
    why: str


class DaemonStarted(EventData):
    """The daemon runs."""

    version: str


class DaemonResumed(DaemonStarted):
    """The daemon took up a batch where it stood."""

    batch: int | None
    step: str


EVENT_DATA: dict[str, type[EventData]] = {
    "batch.opened": BatchOpened,
    "cup.tared": CupTared,
    "part.started": PartStarted,
    "stop.coarse": StopCue,
    "stop.fine": StopCue,
    "part.short": PartShort,
    "part.landed": PartLanded,
    "part.over": PartOver,
    "mix.contact": MixContact,
    "mix.corrected": MixCorrected,
    "batch.mixed": BatchMixed,
    "timer.started": TimerData,
    "timer.warned": TimerData,
    "timer.ended": TimerData,
    "timer.cleared": TimerData,
    "batch.marked": BatchMarked,
    "batch.counted": BatchCounted,
    "batch.closed": BatchEnded,
    "batch.abandoned": BatchEnded,
    "scale.lost": ScaleData,
    "scale.found": ScaleData,
    "scale.garbled": ScaleData,
    "scale.overload": ScaleData,
    "daemon.started": DaemonStarted,
    "daemon.resumed": DaemonResumed,
}


def broken_promise(kind: str, data: dict[str, Any]) -> str | None:
    """Return what an event's data lacks of what its kind promises, None where it keeps it all.

    A kind that promises nothing keeps it.
    """
    model = EVENT_DATA.get(kind)
    if model is None:
        return None
    try:
        model.model_validate(data, strict=True)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        return f"{kind}: {'.'.join(map(str, fault['loc']))}: {fault['msg']}"
    return None


_PAYLOADS: dict[str, type[Message]] = {
    "status": Status,
    "weight": Weight,
    "dispense": Dispense,
    "run": Run,
    "event": EventMessage,
    "done": Done,
}


def asyncapi(bench: str) -> dict[str, Any]:
    """Return the whole interface of a bench as an AsyncAPI 3.0.0 document, ready for JSON."""
    messages = _messages()
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"benchpour, bench {bench}",
            "version": INTERFACE_VERSION,
            "description": (
                "Masses are grams, durations seconds, times RFC 3339 UTC with milliseconds. "
                "Readers ignore members they do not know and drop an event whose seq they have."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": {"bench": _server(bench)},
        "channels": {topic.name: _channel(bench, topic, messages) for topic in TOPICS},
        "operations": {_operation_name(topic): _operation(topic) for topic in TOPICS},
        "components": {
            "schemas": _schemas(),
            "messages": messages,
            "securitySchemes": {"account": {"type": "userPassword"}},
        },
    }


def _server(bench: str) -> dict[str, Any]:
    will = {
        "topic": base(bench) + STATUS.name,
        "qos": STATUS.qos,
        "retain": STATUS.retained,
        "message": '{"state": "offline", "version": "", "at": ""}',
    }
    return {
        "host": "127.0.0.1:1883",
        "protocol": "mqtt",
        "description": "The daemon's own broker, or the shop's; reading on this machine is open.",
        "security": [{"$ref": "#/components/securitySchemes/account"}],
        "bindings": {
            "mqtt": {
                "cleanSession": True,
                "keepAlive": 12,
                "lastWill": will,
                "bindingVersion": _MQTT_BINDING,
            }
        },
    }


def _channel(bench: str, topic: Topic, messages: dict[str, Any]) -> dict[str, Any]:
    mine = [name for name in messages if name == topic.name or name.startswith(f"{topic.name}.")]
    return {
        "address": base(bench) + topic.name,
        "description": topic.what,
        "servers": [{"$ref": "#/servers/bench"}],
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in mine},
    }


def _operation_name(topic: Topic) -> str:
    return f"{'send' if topic.direction == 'out' else 'receive'}-{topic.name}"


def _operation(topic: Topic) -> dict[str, Any]:
    operation: dict[str, Any] = {
        "action": "send" if topic.direction == "out" else "receive",
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "summary": topic.what,
        "bindings": {
            "mqtt": {
                "qos": topic.qos,
                "retain": topic.retained,
                "bindingVersion": _MQTT_BINDING,
            }
        },
    }
    if topic is DO:
        operation["reply"] = {"channel": {"$ref": f"#/channels/{DONE.name}"}}
    return operation


def _messages() -> dict[str, Any]:
    plain = {name: _message(_ref(model)) for name, model in _PAYLOADS.items()}
    timers = {TIMERS.name: _message({"type": "array", "items": _ref(Timer)})}
    events = {f"{EVENT.name}.{kind}": _event(kind, model) for kind, model in EVENT_DATA.items()}
    commands = {f"{DO.name}.{name}": _message(_command(name)) for name in COMMANDS}
    return plain | timers | events | commands


def _message(payload: dict[str, Any]) -> dict[str, Any]:
    return {"contentType": "application/json", "payload": payload}


def _event(kind: str, data: type[EventData]) -> dict[str, Any]:
    promised = {"properties": {"kind": {"const": kind}, "data": _ref(data)}}
    return _message({"allOf": [_ref(EventMessage), promised]})


def _command(name: str) -> dict[str, Any]:
    given = {"properties": {"id": {"type": ["string", "number"]}}, "required": ["id"]}
    return {"allOf": [_ref(COMMANDS[name]), given]}


def _ref(model: type[BaseModel]) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{model.__name__}"}


def _schemas() -> dict[str, Any]:
    said: list[type[BaseModel]] = [*_PAYLOADS.values(), Timer, *dict.fromkeys(EVENT_DATA.values())]
    out = _definitions([(model, "serialization") for model in said])
    heard = _definitions([(model, "validation") for model in COMMANDS.values()])
    return out | heard


def _definitions(models: list[tuple[type[BaseModel], Any]]) -> dict[str, Any]:
    _, schema = models_json_schema(models, ref_template="#/components/schemas/{model}")
    definitions: dict[str, Any] = schema["$defs"]
    return definitions
