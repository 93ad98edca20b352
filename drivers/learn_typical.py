"""Which frames stand for each mark when the weight is looked for.

Owns the choice among the frames that came while a weight was shown. Does not know what is in them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from drivers.learn_frames import Framing
from drivers.learn_marks import Shown
from drivers.learn_numbers import Mark
from drivers.learn_refusal import NotLearnedError
from drivers.learn_writing import skeleton

_MOST_KINDS = 4
_OFTEN = 0.1
_LASTING = 0.5


def typical(framing: Framing, shown: Sequence[Shown]) -> Iterator[list[Mark]]:
    """For each kind of frame in the marks, one frame for each mark.

    First the one most like the first mark's, then the likest of those that came often. Frames that
    came often while different weights were shown do not hold the weight; of those that came often
    in one mark alone, a few at the edge of another are from before its time. Raises
    NotLearnedError where no frame came in a mark.
    """
    weights = [mark for mark in shown if mark.value is not None]
    inside = [_inside(framing, mark) for mark in weights]
    values: dict[bytes, set[object]] = {}
    for mark, bodies in zip(weights, inside, strict=True):
        for body in _lasting(bodies):
            values.setdefault(body, set()).add(mark.value)
    telling = [
        Counter({b: n for b, n in bodies.items() if values.get(b, {mark.value}) == {mark.value}})
        for mark, bodies in zip(weights, inside, strict=True)
    ]
    if not all(telling):
        raise NotLearnedError(
            "the lines are the same although different weights were shown",
            "Check that each range is where the display showed that weight",
        )
    lasting = [_lasting(bodies) for bodies in telling]
    for base in _kinds(telling[0]):
        for choice in (telling, lasting) if lasting != telling else (telling,):
            yield [
                Mark(mark.value, _likest(bodies, base), mark.finer)
                for mark, bodies in zip(weights, choice, strict=True)
                if mark.value is not None
            ]


def _lasting(bodies: Counter[bytes]) -> Counter[bytes]:
    """Without those that came seldom: the weight was still on its way, say."""
    least = _LASTING * bodies.most_common(1)[0][1]
    return Counter({body: count for body, count in bodies.items() if count >= least})


def _inside(framing: Framing, shown: Shown) -> Counter[bytes]:
    inside = Counter(
        cut.body for cut in framing.cuts if shown.begin <= cut.begin and cut.end <= shown.end
    )
    if not inside:
        raise NotLearnedError(
            f"between the bytes {shown.begin} and {shown.end} there is no whole line",
            "Give a longer range",
        )
    return inside


def _kinds(bodies: Counter[bytes]) -> list[bytes]:
    """The commonest frame of each kind."""
    most = bodies.most_common(1)[0][1]
    kinds: dict[object, bytes] = {}
    for body, count in bodies.most_common():
        if count >= _OFTEN * most:
            kinds.setdefault((len(body), skeleton(body), body[:1]), body)
    return list(kinds.values())[:_MOST_KINDS]


def _likest(bodies: Counter[bytes], base: bytes) -> bytes:
    """The frame that has most in common with `base`, and among those the commonest."""

    def likeness(body: bytes) -> tuple[int, int, int]:
        same = sum(a == b for a, b in zip(body, base, strict=False))
        back = sum(a == b for a, b in zip(body[::-1], base[::-1], strict=False))
        return max(same, back) - abs(len(body) - len(base)), bodies[body], -len(body)

    return max(bodies, key=likeness)
