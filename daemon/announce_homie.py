"""The bench as a device of the Homie convention, version 5: its description and its values.

Owns names, datatypes, units and the writing of values as that convention wants them. Knows no
broker, no clock and no pace: a view goes in, topics and payloads come out.

Written from the text of the convention (homieiot.github.io, version 5.0.0 of May 2025).
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from typing import Any

from daemon.messages import grams, rfc3339
from daemon.timers import TimerKind, TimerState
from daemon.view import BenchView, Step, TimerView, Zone

VERSION = "5.0"
ROOT = "homie/5"
"""The convention's own domain, and its major version, which may not be changed."""

NONE = "none"
"""What an enumeration says where there is nothing to say: it may not be empty."""

EMPTY_TEXT = b"\0"
"""An empty text as the convention writes it: a payload without a byte would delete the topic."""

STATE = "$state"
DESCRIPTION = "$description"
ALERT = "$alert/scale"
NEXT = "do/next"
"""The one thing that can be set, where the settings allow it: do what is due."""

UNHURRIED = frozenset({"weight/grams", "weight/flow", "dispense/actual", "dispense/remaining"})
"""Values that change with every reading; each is retained, so that they are said less often."""

_Property = dict[str, Any]
_GRAMS: _Property = {"datatype": "float", "unit": "g"}
_COUNT: _Property = {"datatype": "integer", "format": "0:", "unit": "#"}
_TEXT: _Property = {"datatype": "string"}
_INSTANT: _Property = {"datatype": "datetime"}


def device(bench: str) -> str:
    """Return the bench's name among the shop's devices."""
    return f"benchpour-{bench}"


def root(bench: str) -> str:
    """Return the topic that everything of the bench begins with, with its closing slash."""
    return f"{ROOT}/{device(bench)}/"


def description(bench: str, *, settable: bool = False) -> dict[str, Any]:
    """Return what is published as `$description`; its version follows from its content."""
    nodes = {
        "weight": _node("What is on the pan", _weight()),
        "dispense": _node("The part being poured", _dispense()),
        "clocks": _node("Clocks", _clocks()),
        "run": _node("The order", _run()),
    }
    if settable:
        nodes["do"] = _node("Commands", {"next": _next()})
    told = {"homie": VERSION, "name": f"Pouring bench {bench}", "nodes": nodes}
    return told | {"version": zlib.crc32(json.dumps(told, sort_keys=True).encode())}


def _node(name: str, properties: dict[str, _Property]) -> dict[str, Any]:
    return {"name": name, "properties": properties}


def _weight() -> dict[str, _Property]:
    return {
        "grams": _GRAMS | {"name": "Net of the whole cup"},
        "flow": {"name": "Flow", "datatype": "float", "unit": "g/s"},
        "stable": {"name": "Steady", "datatype": "boolean"},
    }


def _dispense() -> dict[str, _Property]:
    return {
        "step": _choice("Step", list(Step)),
        "zone": _choice("Zone", [NONE, *Zone]),
        "part": _TEXT | {"name": "Part"},
        "target": _GRAMS | {"name": "Target", "format": "0:"},
        "actual": _GRAMS | {"name": "Poured"},
        "remaining": _GRAMS | {"name": "To go"},
        "prompt": _TEXT | {"name": "Prompt"},
    }


def _clocks() -> dict[str, _Property]:
    ends = {kind.value: _INSTANT | {"name": f"Next end of {kind.value}"} for kind in TimerKind}
    return {
        "next": _choice("Next clock to end", [NONE, *TimerKind]),
        "next-ends-at": _INSTANT | {"name": "When it ends"},
        **ends,
    }


def _run() -> dict[str, _Property]:
    return {
        "name": _TEXT | {"name": "Order"},
        "pieces": _COUNT | {"name": "Pieces wanted"},
        "good": _COUNT | {"name": "Good pieces"},
        "rejected": _COUNT | {"name": "Rejected pieces"},
        "batches-done": _COUNT | {"name": "Batches done"},
        "eta": _INSTANT | {"name": "Expected end"},
    }


def _next() -> _Property:
    return {
        "name": "Do what is due",
        "datatype": "boolean",
        "settable": True,
        "retained": False,
    }


def _choice(name: str, values: list[Any]) -> _Property:
    return {"name": name, "datatype": "enum", "format": ",".join(str(value) for value in values)}


def values(view: BenchView) -> dict[str, bytes]:
    """Return each property's payload by its name, `node/property`; one without a value is empty.

    An empty payload takes the retained value away: a number that is not known is not told at all.
    The alert is among them, and goes when the scale is well again.
    """
    told = dict(_values(view))
    trouble = "" if view.scale == "ok" else view.scale_note or f"The scale is {view.scale}."
    return told | {ALERT: trouble.encode()}


def _values(view: BenchView) -> Iterator[tuple[str, bytes]]:
    yield "weight/grams", _number(view.weight_g)
    yield "weight/flow", _number(None if view.weight_g is None else view.flow_g_per_s)
    yield "weight/stable", b"true" if view.stable else b"false"
    yield "dispense/step", view.step.value.encode()
    yield "dispense/zone", (view.zone.value if view.zone else NONE).encode()
    yield "dispense/part", _text(view.part)
    yield "dispense/target", _number(view.target_g)
    yield "dispense/actual", _number(view.actual_g)
    yield "dispense/remaining", _number(view.remaining_g)
    yield "dispense/prompt", _text(view.prompt)
    yield from _clock_values(view)
    yield from _run_values(view)


def _clock_values(view: BenchView) -> Iterator[tuple[str, bytes]]:
    soonest = _soonest(view.timers)
    yield "clocks/next", (soonest.kind if soonest else NONE).encode()
    yield "clocks/next-ends-at", _ends_at(view, soonest)
    for kind in TimerKind:
        own = tuple(timer for timer in view.timers if timer.kind == kind.value)
        yield f"clocks/{kind.value}", _ends_at(view, _soonest(own))


def _soonest(timers: tuple[TimerView, ...]) -> TimerView | None:
    """Return the clock that ends next, of those that have not ended."""
    running = [timer for timer in timers if timer.state != TimerState.ENDED.value]
    return min(running, key=lambda timer: timer.ends_at_s, default=None)


def _run_values(view: BenchView) -> Iterator[tuple[str, bytes]]:
    run = view.run
    yield "run/name", _text(run.name if run else "")
    yield "run/pieces", str(run.pieces if run else 0).encode()
    yield "run/good", str(run.good if run else 0).encode()
    yield "run/rejected", str(run.rejected if run else 0).encode()
    yield "run/batches-done", str(run.batches_done if run else 0).encode()
    yield "run/eta", _instant(view, run.eta_at_s if run else None)


def _ends_at(view: BenchView, timer: TimerView | None) -> bytes:
    return _instant(view, timer.ends_at_s if timer else None)


def _instant(view: BenchView, at_s: float | None) -> bytes:
    return b"" if at_s is None else rfc3339(at_s + view.wall_offset_s).encode()


def _number(value: float | None) -> bytes:
    """Write grams with a point and digits only; nothing for what is no finite number."""
    rounded = grams(value)
    return b"" if rounded is None else f"{rounded:.3f}".encode()


def _text(text: str | None) -> bytes:
    return text.encode(errors="replace") if text else EMPTY_TEXT


def topics(bench: str, *, settable: bool = False) -> tuple[str, ...]:
    """Return every topic that is retained for this device, the state first, as it is removed."""
    nodes = description(bench, settable=settable)["nodes"]
    values = [
        f"{node}/{name}"
        for node, told in nodes.items()
        for name, prop in told["properties"].items()
        if prop.get("retained", True)
    ]
    return tuple(root(bench) + name for name in (STATE, DESCRIPTION, ALERT, *values))
