"""Two numbers in the lines that both were what the display showed: which of them it is, or none.

Owns the reasons for taking one, and the observation that would decide where there is none. Does not
know how either was found.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from drivers.learn_build import Built
from drivers.learn_marks import Shown
from drivers.learn_refusal import OpenError
from drivers.learn_roles import GROSS_WORDS, NET_WORDS

_TARE_WORDS = frozenset({"T", "TR", "TARE", "TARA", "PT"})
_NEAR = 12
_LOAD = 4
"""A tare takes away at least so many'th part of the greatest weight that was shown."""


def decide(builts: Sequence[Built], shown: Sequence[Shown]) -> Built:
    """The one that the display shows; raises OpenError where nothing tells.

    A display shows the net weight where the lines hold gross and tare as well, whether arithmetic
    or a label says so. What was alike before and after a tare is the same weight.
    """
    net = [built for built in builts if built.composer.part == "net"]
    if len(net) == 1:
        return net[0]
    labels = [_label(built) for built in builts]
    if 0 < labels.count("tare") < len(labels):
        others = [b for b, label in zip(builts, labels, strict=True) if label != "tare"]
        return others[0] if len(others) == 1 else decide(others, shown)
    if labels.count("net") == 1 and all(labels):
        return builts[labels.index("net")]
    if all(built.readings == builts[0].readings and _tared(built) for built in builts):
        return builts[0]
    one, another = builts[:2]
    places = f"{one.found.place.words} and {another.found.place.words}"
    first, second = dict(one.readings), dict(another.readings)
    differing = [at for at in sorted(first) if at in second and first[at] != second[at]]
    if differing:
        at = differing[0]
        end = next((n for n in sorted(first) if n >= at and n not in differing), differing[-1])
        raise OpenError(
            f"two numbers in the lines ({places}) both were what was shown; between the bytes "
            f"{at} and {end} one says {first[at]}, the other {second[at]}",
            "Say what the display showed there",
        )
    raise OpenError(
        f"two numbers in the lines ({places}) were alike all the time",
        "Tare with a load on the pan, put another load on, and say what the display shows then",
    )


def _tared(built: Built) -> bool:
    """Whether the scale was tared, and loaded again then, and the other number has to agree.

    What little stands there before the scale is zeroed is no tare: zeroing turns both to nothing.
    """
    course = built.composer.parts.course
    most = max(map(abs, course.shown))
    loads = [at for at in course.tares if _LOAD * course.values[at - 1] >= most]
    agrees = any(name.startswith("again") for name in built.draft.fields)
    return agrees and any(any(course.values[at:]) for at in loads[:1])


def _label(built: Built) -> str:
    """What the word before the number, or else behind it, calls it: net, gross, tare or nothing."""
    body = built.framing.cuts[-1].body
    for cut in built.framing.cuts:
        if cut.body in built.found.values:
            body = cut.body
            break
    span = built.found.place.span(body)
    if span is None:
        return ""
    before = re.findall(rb"[A-Za-z]+", body[max(0, span[0] - _NEAR) : span[0]])
    behind = re.findall(rb"[A-Za-z]+", body[span[1] : span[1] + _NEAR])
    for word in [*before[-1:], *behind[:2]]:
        spelled = word.decode("ascii").upper()
        for meaning, words in (("net", NET_WORDS), ("gross", GROSS_WORDS), ("tare", _TARE_WORDS)):
            if spelled in words:
                return meaning
    return ""
