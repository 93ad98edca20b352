"""The MQTT topics of a bench: one table, from which everything else about them is made.

Owns names, directions, retention and quality of service. Knows nothing of payloads or brokers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

BENCH = re.compile(r"[a-z0-9-]{1,32}", re.ASCII)
"""What a bench may be called."""

ROOT = "benchpour"


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic, named from the bench's base."""

    name: str
    direction: Literal["out", "in"]
    retained: bool
    qos: Literal[0, 1]
    what: str


STATUS = Topic("status", "out", True, 1, "online or offline (the last will, too)")
WEIGHT = Topic("weight", "out", False, 0, "net grams of the whole cup and the flow, 10 a second")
DISPENSE = Topic("dispense", "out", True, 1, "the bench's whole state, enough to draw a screen")
TIMERS = Topic("timers", "out", True, 1, "every running clock")
RUN = Topic("run", "out", True, 1, "progress of the order")
EVENT = Topic("event", "out", False, 1, "one entry of the journal, in order; drop a seq you have")
DO = Topic("do", "in", False, 1, 'one command, such as {"id": "1", "do": "next"}')
DONE = Topic("done", "out", False, 1, "the one answer to each command")

TOPICS: tuple[Topic, ...] = (STATUS, WEIGHT, DISPENSE, TIMERS, RUN, EVENT, DO, DONE)


def base(bench: str) -> str:
    """Return the base topic with its closing slash; ValueError for no such name."""
    if not BENCH.fullmatch(bench):
        raise ValueError(
            f"The bench's name {bench!r} must be 1 to 32 small letters, digits and hyphens."
        )
    return f"{ROOT}/{bench}/"


def topics_json(bench: str) -> list[dict[str, Any]]:
    """Return one plain object a topic, as `benchpour topics --json` prints them."""
    return [
        {
            "topic": base(bench) + topic.name,
            "direction": topic.direction,
            "retained": topic.retained,
            "qos": topic.qos,
            "what": topic.what,
        }
        for topic in TOPICS
    ]


def topics_text(bench: str) -> str:
    """Return the topics as lines to read, for typing into a general dashboard."""
    names = [base(bench) + topic.name for topic in TOPICS]
    width = max(map(len, names))
    return "\n".join(
        f"{name:<{width}}  {topic.direction:<3}  QoS {topic.qos}  "
        f"{'retained' if topic.retained else '':<8}  {topic.what}"
        for name, topic in zip(names, TOPICS, strict=True)
    )
