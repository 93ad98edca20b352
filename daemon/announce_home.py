"""The bench as home-automation discovery wants it: one retained JSON that names every value.

Owns that document, which only points at the bench's own topics. Knows no broker and no values.

The convention: `<prefix>/device/<id>/config` holds `device`, `origin` and `components`, each of
these with its `platform` and `unique_id`; a value is picked out of a JSON payload by a template; an
empty payload removes the device; a controller that has started says `online` on `<prefix>/status`.
Everything here is to be read; nothing can be switched.
"""

from __future__ import annotations

from typing import Any

from daemon import topics
from daemon.timers import TimerKind
from daemon.view import Step, Zone

BIRTH = b"online"
GONE_S = 10
"""A weight is said every second at least; after this long it is not to be believed any more."""
LONGEST_TEXT = 255
"""Longer texts are refused by controllers."""

_Component = dict[str, Any]
_CLOCKS = {
    TimerKind.POT_LIFE: "Pot life ends",
    TimerKind.POUR_BY: "Pour by",
    TimerKind.PRESS_BY: "Into the tank by",
    TimerKind.STIR: "Stirred at",
    TimerKind.PRESSURE: "Pressure until",
    TimerKind.DEMOLD: "Demold at",
    TimerKind.TRIM: "Trim by",
}


def device(bench: str) -> str:
    """Return the bench's name among the shop's devices."""
    return f"benchpour-{bench}"


def config_topic(prefix: str, bench: str) -> str:
    """Return the topic of the document."""
    return f"{prefix}/device/{device(bench)}/config"


def birth_topic(prefix: str) -> str:
    """Return the topic on which a controller says that it has started."""
    return f"{prefix}/status"


def config(bench: str, version: str) -> dict[str, Any]:
    """Return the document for this bench; `version` is the program's."""
    base = topics.base(bench)
    components = _weight(base) | _dispense(base) | _clocks(base) | _run(base)
    return {
        "device": {
            "identifiers": [device(bench)],
            "name": f"Pouring bench {bench}",
            "sw_version": version,
        },
        "origin": {"name": "benchpour", "sw_version": version},
        "availability": [
            {
                "topic": base + topics.STATUS.name,
                "value_template": "{{ value_json.state }}",
                "payload_available": "online",
                "payload_not_available": "offline",
            }
        ],
        "qos": 1,
        "components": {
            name: one | {"platform": "sensor", "unique_id": f"{device(bench)}-{name}"}
            for name, one in components.items()
        },
    }


def _weight(base: str) -> dict[str, _Component]:
    topic = base + topics.WEIGHT.name
    return {
        "weight": _grams("Weight", topic, "grams") | {"expire_after": GONE_S},
        "flow": {
            "name": "Flow",
            "state_topic": topic,
            "value_template": "{{ value_json.flow }}",
            "unit_of_measurement": "g/s",
            "state_class": "measurement",
            "expire_after": GONE_S,
        },
    }


def _dispense(base: str) -> dict[str, _Component]:
    topic = base + topics.DISPENSE.name
    return {
        "target": _grams("Target", topic, "target_g"),
        "remaining": _grams("To go", topic, "remaining_g"),
        "step": _choice("Step", topic, "step", [step.value for step in Step]),
        "zone": _choice("Zone", topic, "zone", ["none", *(zone.value for zone in Zone)]),
        "part": _text("Part", topic, "part"),
        "prompt": _text("Prompt", topic, "prompt"),
    }


def _clocks(base: str) -> dict[str, _Component]:
    topic = base + topics.TIMERS.name
    return {
        kind.value: {
            "name": name,
            "state_topic": topic,
            "value_template": _soonest(kind),
            "device_class": "timestamp",
        }
        for kind, name in _CLOCKS.items()
    }


def _soonest(kind: TimerKind) -> str:
    """Return the template that picks the next end of this kind; `None`, unknown, without one."""
    picked = (
        f"value_json | selectattr('kind', 'eq', '{kind.value}') "
        "| rejectattr('state', 'eq', 'ended') | map(attribute='ends_at') | sort | list"
    )
    return "{{ (" + picked + " + [none])[0] }}"


def _run(base: str) -> dict[str, _Component]:
    topic = base + topics.RUN.name
    return {
        "good": _count("Good pieces", topic, "good"),
        "rejected": _count("Rejected pieces", topic, "rejected"),
    }


def _grams(name: str, topic: str, member: str) -> _Component:
    return {
        "name": name,
        "state_topic": topic,
        "value_template": f"{{{{ value_json.{member} }}}}",
        "unit_of_measurement": "g",
        "device_class": "weight",
        "state_class": "measurement",
    }


def _count(name: str, topic: str, member: str) -> _Component:
    return {
        "name": name,
        "state_topic": topic,
        "value_template": f"{{{{ value_json.{member} }}}}",
        "state_class": "measurement",
    }


def _choice(name: str, topic: str, member: str, options: list[str]) -> _Component:
    return {
        "name": name,
        "state_topic": topic,
        "value_template": f"{{{{ value_json.{member} or 'none' }}}}",
        "device_class": "enum",
        "options": options,
    }


def _text(name: str, topic: str, member: str) -> _Component:
    template = f"{{{{ (value_json.{member} or '-')[:{LONGEST_TEXT}] }}}}"
    return {"name": name, "state_topic": topic, "value_template": template}
