"""Works out a line shape that nobody has described, from its bytes and what the display showed.

Owns the contest between hypotheses (how the stream is cut, where the weight stands, how it is
written) and the refusal where they differ. Knows no file, port or clock; the parts of a hypothesis
are in the `learn_*` modules.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from drivers.learn_build import Built, NotBuiltError, build
from drivers.learn_frames import Framing, framings
from drivers.learn_marks import Shown
from drivers.learn_decide import NotLearnedError, decide
from drivers.learn_numbers import Found, Mark, length, richest, search
from drivers.line_settings import looks
from drivers.notation import to_text
from drivers.scale_profile import Profile

_SEVEN_BITS = bytes(code & 0x7F for code in range(256))
_LEAST_BYTES = 24
_SHOWN = 48
_NEAR = 0.9
_MOST_TRIED = 8
_CALM = 1.05
"""So much longer than the calmest way another may be to be believed as well."""
_SURELY_SIGNED = 3
"""From so many bytes on a binary number is signed: no scale needs the range otherwise."""


@dataclass(frozen=True, slots=True)
class Sure:
    """How sure one field of the profile is."""

    field: str
    how: str
    why: str


@dataclass(frozen=True, slots=True)
class Learned:
    """A profile that was worked out, and how sure each of its fields is."""

    toml: str
    profile: Profile
    sure: tuple[Sure, ...]
    share: float
    """The part of the stream that the profile explains."""


@dataclass(slots=True)
class _Attempt:
    """One hypothesis that was built, or why none could be."""

    framing: Framing
    built: Built | None = None
    why: list[NotLearnedError] = field(default_factory=list)


def learn(
    data: bytes,
    shown: Iterable[Shown],
    *,
    name: str = "learned",
    settings: str = "",
    request: tuple[bytes, float] | None = None,
) -> Learned:
    """The profile of the scale that sent `data`; raises NotLearnedError where it is not sure.

    `settings` are those of the line, where they are known; `request` is what the scale was asked
    with, and how often.
    """
    marks = _checked(data, list(shown))
    bare, parity = _bare(data)
    boundaries = [at for mark in marks for at in (mark.begin, mark.end)]
    found = framings(bare, boundaries)
    if not found:
        raise NotLearnedError(
            f"in these {len(data)} bytes nothing comes again and again; they begin with "
            f"{to_text(data[:_SHOWN])}",
            "Are the line settings right? Record at least ten seconds with a load put down and "
            "taken off",
        )
    attempts = [_attempt(bare, framing, marks) for framing in found]
    best = _best(attempts)
    return _learned(best, name, settings or parity, request)


def _checked(data: bytes, shown: list[Shown]) -> list[Shown]:
    """The marks, if they can be enough: two different weights at least."""
    for mark in shown:
        if mark.end > len(data):
            raise NotLearnedError(
                f"the range {mark.begin}-{mark.end} ends behind the recording, which has "
                f"{len(data)} bytes"
            )
    weights = {mark.value for mark in shown if mark.value is not None}
    if len(data) < _LEAST_BYTES:
        raise NotLearnedError(
            f"{len(data)} bytes are too few", "Record at least ten seconds of use"
        )
    if len(weights) < 2 or not any(weights):
        raise NotLearnedError(
            "one shown weight fits too many ways to read these lines",
            "Say what the display showed with another load (and with the pan empty)",
        )
    return sorted(shown, key=lambda mark: mark.begin)


def _bare(data: bytes) -> tuple[bytes, str]:
    seen = looks(data)
    if seen not in ("even", "odd"):
        return data, ""
    return data.translate(_SEVEN_BITS), f"9600 7{seen[0].upper()}1"


def _attempt(data: bytes, framing: Framing, shown: Sequence[Shown]) -> _Attempt:
    attempt = _Attempt(framing)
    try:
        marks = [_mark(framing, one) for one in shown if one.value is not None]
        attempt.built = _built(data, framing, shown, marks)
    except NotLearnedError as error:
        attempt.why.append(error)
    return attempt


def _mark(framing: Framing, shown: Shown) -> Mark:
    inside = [
        cut.body for cut in framing.cuts if shown.begin <= cut.begin and cut.end <= shown.end
    ]
    if not inside or shown.value is None:
        raise NotLearnedError(
            f"between the bytes {shown.begin} and {shown.end} there is no whole line",
            "Give a longer range",
        )
    return Mark(shown.value, Counter(inside).most_common(1)[0][0])


def _built(
    data: bytes, framing: Framing, shown: Sequence[Shown], marks: Sequence[Mark]
) -> Built:
    bodies = [cut.body for cut in framing.cuts]
    every = search(bodies, marks)
    if not every:
        said = ", then ".join(mark.words for mark in shown if mark.value is not None)
        raise NotLearnedError(
            f"nowhere in the lines stands a number that was {said}",
            "Check that each range is where the display showed that weight",
        )
    builts: list[Built] = []
    reasons: list[str] = []
    for rivals in _rivals(every, marks):
        best = []
        for found in _calm(bodies, rivals)[:_MOST_TRIED]:
            try:
                best.append(build(data, framing, found, shown))
            except NotBuiltError as error:
                reasons.append(str(error))
        if best:
            builts.append(_signed(best))
    if not builts:
        raise NotLearnedError(reasons[0])
    return builts[0] if len(builts) == 1 else decide(builts, shown)


def _rivals(every: Sequence[Found], marks: Sequence[Mark]) -> list[list[Found]]:
    """The candidates, those together that take the same bytes for the weight."""
    body = richest(marks).body
    groups: list[tuple[set[int], list[Found]]] = []
    for found in every:
        span = found.place.span(body)
        assert span is not None
        columns = set(range(*span))
        joined = [group for group in groups if group[0] & columns]
        for group in joined:
            groups.remove(group)
            columns |= group[0]
        groups.append((columns, [one for group in joined for one in group[1]] + [found]))
    return [group[1] for group in groups]


def _calm(bodies: Sequence[bytes], rivals: Sequence[Found]) -> list[Found]:
    """Those that explain most frames and let the weight go the calmest way, the plainest first."""
    covered = {id(one): sum(body in one.values for body in bodies) for one in rivals}
    most = max(covered.values())
    many = [one for one in rivals if covered[id(one)] >= _NEAR * most]
    ways = {id(one): float(length(one.way(bodies))) for one in many}
    least = min(ways.values())
    calm = [one for one in many if ways[id(one)] <= _CALM * least]
    kinds = ("left", "right", "between", "token")
    return sorted(
        calm, key=lambda one: (-covered[id(one)], kinds.index(one.place.kind), ways[id(one)])
    )


def _signed(rivals: Sequence[Built]) -> Built:
    """The best of those that take the same bytes; refused where they differ below zero only."""
    best = max(rivals, key=lambda built: built.score)
    code = best.found.writing.code
    if code[:4] not in ("int-", "uint"):
        return best
    span = best.found.place.b - best.found.place.a
    alike = [one for one in rivals if one.readings == best.readings]
    codes = {one.found.writing.code.removeprefix("u") for one in alike}
    both = {one.found.writing.code for one in alike} > {best.found.writing.code}
    if not both or len(codes) != 1:
        return best
    wanted = "uint" if best.composer.signed else "int-"
    if not best.composer.signed and abs(span) < _SURELY_SIGNED:
        raise NotLearnedError(
            "the weight is a binary number, and none below zero was seen: how those are written is "
            "open",
            "Tare with a load on the pan, take the load off, and say what the display shows then",
        )
    return max(
        (one for one in alike if one.found.writing.code.startswith(wanted)),
        key=lambda built: built.score,
    )


def _best(attempts: Sequence[_Attempt]) -> Built:
    builts = [attempt.built for attempt in attempts if attempt.built]
    if not builts:
        raise attempts[0].why[0]
    return max(builts, key=lambda built: built.score)


def _learned(
    built: Built, name: str, settings: str, request: tuple[bytes, float] | None
) -> Learned:
    draft = built.draft
    draft.name = name
    draft.about = "learned"
    if settings:
        draft.settings = (settings,)
    draft.request = request
    toml = draft.toml()
    return Learned(toml, built.profile, (), built.share)
