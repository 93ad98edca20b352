"""Works out a line shape that nobody has described, from its bytes and what the display showed.

Owns the contest between hypotheses (how the stream is cut, where the weight stands, how it is
written) and the refusal where they differ. Knows no file, port or clock; the parts of a hypothesis
are in the `learn_*` modules.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from drivers.binary_numbers import parts
from drivers.learn_build import Built, build
from drivers.learn_decide import decide
from drivers.learn_frames import Framing, framings
from drivers.learn_marks import Shown, other_units
from drivers.learn_numbers import Found, calmness, search
from drivers.learn_refusal import NotBuiltError, NotLearnedError, OpenError
from drivers.learn_report import Sure, about, sure_of
from drivers.learn_typical import typical
from drivers.line_settings import without_parity
from drivers.notation import to_text
from drivers.scale_profile import Profile, parse_profile

_LEAST_BYTES = 24
_LEAST_WEIGHTS = 2
_SHOWN = 48
_NEAR = 0.9
_MOST_TRIED = 12
_MOST_SCORE = 3.5
"""What a profile can add to the likelihood of its framing."""
_CLOSE = 0.2
"""A score that lies so little below the best."""
_FAR = 1000
"""So many times what was shown no weight in the recording can be."""
_MORE = (
    "Check what was shown, unit and all, and record more use: the empty pan, two loads, a tare "
    "with a load on the pan, another load, all taken off"
)
_WILDER = 0.2
"""So much less calm than the calmest course another may be to be looked at as well."""

_SIGN_OPEN = ("int", "uint", "mag")
"""Kinds of binary numbers that are alike above zero."""


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
    why: NotLearnedError | None = None


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
    bare, seen = without_parity(data)
    parity = f"9600 7{seen[0].upper()}1" if seen else ""
    boundaries = [at for mark in marks for at in (mark.begin, mark.end)]
    found = framings(bare, boundaries)
    if not found:
        raise NotLearnedError(
            f"in these {len(data)} bytes nothing comes again and again; they begin with "
            f"{to_text(data[:_SHOWN])}",
            "Are the line settings right? Record at least ten seconds with a load put down and "
            "taken off",
        )
    best, marks = _borne_out(bare, found, chain([marks], _accounts(marks)))
    return _learned(best, marks, len(data), name, settings or parity, request)


def _borne_out(
    data: bytes, found: Sequence[Framing], accounts: Iterable[list[Shown]]
) -> tuple[Built, list[Shown]]:
    """The first account of what was shown that the lines bear out; else what the first one lacks.

    Where two explanations of one account remain, that is said at once: the next would be a guess.
    """
    lacks: NotLearnedError | None = None
    for marks in accounts:
        try:
            return _best(list(_attempts(data, found, marks))), marks
        except OpenError:
            raise
        except NotLearnedError as error:
            lacks = lacks or error
    assert lacks is not None
    raise lacks


def _accounts(shown: list[Shown]) -> Iterator[list[Shown]]:
    """Other ways in which lines can tell what was shown, the likeliest first."""
    if sent := _sent(shown):
        yield sent
    for unit in other_units(shown):
        yield [mark.in_unit(unit) for mark in shown]
    if all(mark.value is None or mark.value.as_tuple().exponent != 0 for mark in shown):
        yield [replace(mark, finer=True) for mark in shown]


def _sent(shown: Sequence[Shown]) -> list[Shown]:
    """The marks, but for weights below zero: some scales send nothing while they show one.

    Empty where that changes nothing, or leaves too few.
    """
    left = [replace(m, text=None) if (m.value or 0) < 0 else m for m in shown]
    weights = {mark.value for mark in left} - {None}
    return left if left != list(shown) and len(weights) >= _LEAST_WEIGHTS else []


def _checked(data: bytes, shown: list[Shown]) -> list[Shown]:
    """The marks, if they can be enough: two different weights at least."""
    for mark in shown:
        if mark.end > len(data):
            raise NotLearnedError(
                f"the range {mark.begin}-{mark.end} ends behind the recording, which has "
                f"{len(data)} bytes",
                "Give a range within it",
            )
    weights = {mark.value for mark in shown if mark.value is not None}
    if len(data) < _LEAST_BYTES:
        raise NotLearnedError(
            f"{len(data)} bytes are too few", "Record at least ten seconds of use"
        )
    if len(weights) < _LEAST_WEIGHTS or not any(weights):
        raise NotLearnedError(
            "one shown weight fits too many ways to read these lines",
            "Say what the display showed with another load (and with the pan empty)",
        )
    return sorted(shown, key=lambda mark: mark.begin)


def _attempts(data: bytes, found: Sequence[Framing], shown: Sequence[Shown]) -> Iterator[_Attempt]:
    """Hypotheses, the likeliest first, until none that follows can be better."""
    best = 0.0
    for framing in found:
        if best and framing.likely + _MOST_SCORE < best:
            return
        attempt = _attempt(data, framing, shown)
        if isinstance(attempt.why, OpenError) and not best:
            raise attempt.why  # a worse way to cut the lines would only hide the question
        best = max(best, attempt.built.score if attempt.built else 0.0)
        yield attempt


def _attempt(data: bytes, framing: Framing, shown: Sequence[Shown]) -> _Attempt:
    attempt = _Attempt(framing)
    try:
        attempt.built = _built(data, framing, shown)
    except NotLearnedError as error:
        attempt.why = error
    return attempt


def _built(data: bytes, framing: Framing, shown: Sequence[Shown]) -> Built:
    builts: list[Built] = []
    reasons: list[str] = []
    open_: list[OpenError] = []
    for rivals in _numbers(framing, shown):
        best = []
        for found in _calm(framing, shown, rivals)[:_MOST_TRIED]:
            try:
                best.append(build(data, framing, found, shown))
            except OpenError as error:
                open_.append(error)
            except NotBuiltError as error:
                reasons.append(str(error))
        if best:
            builts.append(_undisputed(_signed(best), best))
    if not builts:
        raise open_[0] if open_ else NotLearnedError(reasons[0], _MORE)
    return builts[0] if len(builts) == 1 else decide(builts, shown)


def _numbers(framing: Framing, shown: Sequence[Shown]) -> list[list[Found]]:
    """The numbers in the lines that were what was shown, each with the ways to take it."""
    bodies = [cut.body for cut in framing.cuts]
    every = {
        (found.place, found.writing): found
        for marks in typical(framing, shown)
        for found in search(bodies, marks)
    }
    if not every:
        said = ", then ".join(mark.words for mark in shown if mark.value is not None)
        raise NotLearnedError(
            f"nowhere in the lines stands a number that was {said}",
            "Check that each range is where the display showed that weight",
        )
    groups: list[list[Found]] = []
    for found in every.values():
        joined = [group for group in groups if any(_overlap(found, one) for one in group)]
        groups = [group for group in groups if group not in joined]
        groups.append([*(one for group in joined for one in group), found])
    return groups


def _overlap(one: Found, another: Found) -> bool:
    """Whether two candidates take the same bytes of a frame for the weight."""
    body = next((body for body in one.values if body in another.values), None)
    if body is None:
        return False
    spans = one.place.span(body), another.place.span(body)
    return bool(
        spans[0] and spans[1] and max(spans[0][0], spans[1][0]) < min(spans[0][1], spans[1][1])
    )


def _calm(framing: Framing, shown: Sequence[Shown], rivals: Sequence[Found]) -> list[Found]:
    """Those that explain most frames and let the weight go the calmest way, the plainest first."""
    bodies = [cut.body for cut in framing.cuts]
    exact = [one for one in rivals if one.exact]
    rivals = exact or rivals
    wrong = {id(one): _wrong(framing, shown, one) for one in rivals}
    right = [one for one in rivals if wrong[id(one)] == min(wrong.values())]
    covered = {id(one): sum(body in one.values for body in bodies) for one in right}
    most = max(covered.values())
    many = [one for one in right if covered[id(one)] >= _NEAR * most]
    far = _FAR * max(abs(mark.value) for mark in shown if mark.value is not None)
    many = [one for one in many if max(map(abs, one.values.values())) < far] or many
    calm = {id(one): calmness(one.way(bodies)) or 0.0 for one in many}
    calmest = max(calm.values())
    kinds = ("left", "right", "between", "token")
    return sorted(
        (one for one in many if calm[id(one)] >= calmest - _WILDER),
        key=lambda one: (-covered[id(one)], kinds.index(one.place.kind), -calm[id(one)]),
    )


def _wrong(framing: Framing, shown: Sequence[Shown], found: Found) -> int:
    """Frames that say something else than was shown while they came."""
    wrong = 0
    for cut in framing.cuts:
        value = found.values.get(cut.body)
        for mark in shown if value is not None else ():
            if mark.value is not None and mark.begin <= cut.begin and cut.end <= mark.end:
                wrong += not mark.says(value)
    return wrong


def _signed(rivals: Sequence[Built]) -> Built:
    """The best of those that take the same bytes; refused where it is open what is below zero."""
    best = max(rivals, key=lambda built: built.score)
    if _kind(best) not in _SIGN_OPEN:
        return best
    unsigned = [r for r in rivals if _kind(r) == "uint" and r.composer.signed]
    if unsigned:
        best = max(unsigned, key=lambda built: built.score)
        alike = [one for one in unsigned if one.readings == best.readings]
        return min(alike, key=lambda one: abs(one.found.place.b - one.found.place.a))
    signed = [r for r in rivals if _kind(r) in ("int", "mag") and r.falls_below_zero]
    if signed:
        return max(signed, key=lambda built: built.score)
    raise OpenError(
        "the weight is a binary number, and how one below zero is written was not seen",
        "Tare with a load on the pan, take the load off, and say what the display shows then",
    )


def _kind(built: Built) -> str:
    code = built.found.writing.code
    return code if code == "text" else parts(code)[1]


def _undisputed(best: Built, rivals: Sequence[Built]) -> Built:
    """The best, unless one hardly worse reads another weight in some line."""
    said = dict(best.readings)
    for rival in rivals:
        if rival.score < best.score - _CLOSE or _lesser(rival, best):
            continue
        differing = sorted(at for at, text in rival.readings if said.get(at, text) != text)
        if differing:
            at = differing[0]
            raise OpenError(
                f"the weight can be read in two ways: the line that ends at byte {at} says "
                f"{said[at]} in one, {dict(rival.readings)[at]} in the other",
                "Say what the display showed there, or at another load",
            )
    return best


def _lesser(rival: Built, best: Built) -> bool:
    """Whether the rival is the same binary number, with fewer bytes or another sense below zero."""
    codes = {_family(built.found.writing.code) for built in (rival, best)}
    body = next((body for body in best.found.values if body in rival.found.values), b"")
    inner, outer = rival.found.place.span(body), best.found.place.span(body)
    if best.found.writing.code == "text" or len(codes) > 1 or inner is None or outer is None:
        return False
    return outer[0] <= inner[0] and inner[1] <= outer[1]


def _family(code: str) -> tuple[object, ...]:
    """The code without its sense below zero."""
    if code == "text":
        return (code,)
    in_hex, kind, order = parts(code)
    return in_hex, "int" if kind in _SIGN_OPEN else kind, order


def _best(attempts: Sequence[_Attempt]) -> Built:
    builts = [attempt.built for attempt in attempts if attempt.built]
    if not builts:
        raise next(attempt.why for attempt in attempts if attempt.why)
    return max(builts, key=lambda built: built.score)


def _learned(
    built: Built,
    shown: Sequence[Shown],
    size: int,
    name: str,
    settings: str,
    request: tuple[bytes, float] | None,
) -> Learned:
    draft = built.draft
    draft.name = name
    draft.about = about(built, shown, size)
    if settings:
        draft.settings = (settings,)
    else:
        draft.notes["settings"] = "not known: the usual ones"
    draft.request = request
    toml = draft.toml()
    profile = parse_profile(toml, name)
    sure = sure_of(built, shown, profile.trust.steady_s)
    return Learned(toml, profile, sure, built.share)
