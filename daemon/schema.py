"""The MQTT interface as an AsyncAPI 3 document, made from the models the daemon publishes with.

Owns the document. What each kind of event promises is in `schema_events`; knows nothing of how
events come about or of the broker in use.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from daemon.commands import COMMANDS
from daemon.messages import (
    Dispense,
    Done,
    EventMessage,
    Message,
    Run,
    Status,
    Timer,
    Weight,
)
from daemon.schema_events import EVENT_DATA, EventData
from daemon.topics import DO, DONE, EVENT, STATUS, TIMERS, TOPICS, Topic, base

INTERFACE_VERSION = "1.1.0"
"""Of the interface, not of the program: raised when something is added or a meaning changes."""

_MQTT_BINDING = "0.2.0"


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
