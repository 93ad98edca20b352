"""One hypothesis made into a profile, and tried on the stream that it came from.

Owns the way from a framing and a number to a profile that reads every mark as it was shown. Does
not know the other hypotheses.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import count

from drivers.decoder import Decoder
from drivers.learn_check import Check, find_check
from drivers.learn_compose import Composer
from drivers.learn_course import Course, State
from drivers.learn_draft import Draft
from drivers.learn_frames import Cut, Framing
from drivers.learn_layout import NUMBER, Layout, layout_of
from drivers.learn_marks import Shown
from drivers.learn_numbers import Found
from drivers.learn_parts import Parts
from drivers.learn_refusal import NotBuiltError, OpenError
from drivers.learn_rest import add_remnants
from drivers.learn_select import Row, TwoKindsError, kept
from drivers.learn_strict import Strict, strict_field
from drivers.learn_units import said_behind
from drivers.learn_whole import refuse_part
from drivers.reading import Reading
from drivers.scale_profile import Profile, ProfileError, parse_profile

_PERIOD_S = 0.1
_MOST_STATES = 8
_PER_LETTER = 0.002
"""What a letter of the profile counts against it: the shorter account is the likelier."""
_PER_WEIGHT = 1.5
"""What it counts that every frame gives a weight."""
_PER_FOLLOWER = 0.3
"""What it counts against it that a byte goes with the weight and is no part of it."""
_LEAST_BRIDGED = 2
_WRONG = 0.2
"""Lines within a mark that may say something else than was shown: a damaged one, say."""
_LEAST_RIGHT = 0.5


@dataclass(slots=True)
class Built:
    """A hypothesis that holds."""

    profile: Profile
    found: Found
    framing: Framing
    composer: Composer
    share: float
    """The part of the stream that it explains."""
    readings: list[tuple[int, str]]
    """Offset and text of every weight that it reads in the stream."""

    @property
    def draft(self) -> Draft:
        """What the profile was made of."""
        return self.composer.parts.draft

    @property
    def check(self) -> Check | None:
        """The check that the frames carry, if any."""
        return self.composer.check

    @property
    def falls_below_zero(self) -> bool:
        """Whether the weight was shown, or seen moving, below zero by its own sign."""
        course = self.composer.parts.course
        if not self.found.turned and any(value < 0 for value in course.shown):
            return True
        return any(m and v < 0 for m, v in zip(course.moves, course.values, strict=True))

    @property
    def score(self) -> float:
        """How well it explains the stream, less what has to be said for that."""
        said = _PER_LETTER * self.draft.size + _PER_FOLLOWER * min(4, self.composer.parts.follows)
        weights = len(self.readings) / len(self.framing.cuts)
        return 4 * self.share + self.framing.likely + _PER_WEIGHT * weights - said


@dataclass(slots=True)
class _Rows:
    """The frames with a weight, in order."""

    cuts: list[Cut]
    values: list[Decimal]
    marks: list[int]
    void: dict[int, str] = field(default_factory=dict)


def build(data: bytes, framing: Framing, found: Found, shown: Sequence[Shown]) -> Built:
    """The profile of this hypothesis; raises NotBuiltError where it does not hold."""
    rows, rest = _rows(framing, found, shown)
    check, tail = _check([framing.start + c.body + framing.end for c in rows.cuts], framing)
    if check is not None:
        rows = _undamaged(rows, framing, check)
    course = _course(rows, shown)
    checked = check.width + len(tail) if check else 0
    bodies = [cut.body for cut in rows.cuts]
    layout = layout_of(found.place, bodies, checked, brackets=found.writing.brackets)
    course = replace(course, doubtful=_doubtful(layout, course, rows, turned=found.turned))
    found, layout, strict = _strict(found, layout, bodies, checked)
    draft = Draft(start=framing.start, end=framing.end)
    spans = [(cut.begin, cut.end) for cut in rows.cuts]
    parts = Parts(draft, layout, course, spans, rows.void)
    composer = Composer(
        parts=parts,
        strict=strict,
        writing=found.writing,
        units=[mark.unit for mark in shown],
        turned=found.turned,
        check=check,
        tail=tail,
        always=_always(rows, rest, course),
    )
    composer.compose()
    refuse_part(layout, found, rows.values)
    add_remnants(draft, [cut.body for cut, _ in rest], [says for _, says in rest])
    _finish(draft, composer, shown)
    return _tried(data, framing, found, composer, shown)


def _rows(
    framing: Framing, found: Found, shown: Sequence[Shown]
) -> tuple[_Rows, list[tuple[Cut, str]]]:
    """The frames with the weight, and the others with what is known of them."""
    rest: list[tuple[Cut, str]] = []
    weights: list[tuple[Cut, Row]] = []
    for cut in framing.cuts:
        mark = _mark_of(cut, shown)
        value = found.values.get(cut.body)
        if value is not None:
            weights.append((cut, _row(value, mark, shown)))
            continue
        says = "status" if mark < 0 else "other" if shown[mark].text else shown[mark].reach
        rest.append((cut, says or "status"))
    keep = _kept(found, weights)
    rest += [(cut, "other") for n, (cut, _) in enumerate(weights) if n not in keep]
    rest.sort(key=lambda pair: pair[0].begin)
    return _checked([pair for n, pair in enumerate(weights) if n in keep], shown), rest


def _row(value: Decimal, mark: int, shown: Sequence[Shown]) -> Row:
    return Row(value, mark, mark >= 0 and shown[mark].says(value))


def _kept(found: Found, weights: Sequence[tuple[Cut, Row]]) -> frozenset[int]:
    layout = layout_of(found.place, [cut.body for cut, _ in weights])
    try:
        return kept(layout, [row for _, row in weights])
    except TwoKindsError as error:
        begin, end = (weights[n][0] for n in error.rows)
        raise OpenError(
            f"lines of two kinds come in turn: between the bytes {begin.begin} and {end.end} one "
            f"says {error.values[0]}, the other {error.values[1]}",
            "Say what the display showed there",
        ) from error


def _checked(weights: Sequence[tuple[Cut, Row]], shown: Sequence[Shown]) -> _Rows:
    """The rows, if what they say is what was shown."""
    rows = _Rows([cut for cut, _ in weights], [row.value for _, row in weights], [])
    for n, (_, row) in enumerate(weights):
        if row.mark >= 0 and shown[row.mark].text is None:
            rows.void[n] = shown[row.mark].reach or "status"
        rows.marks.append(row.mark if row.right else -1)
    for mark, one in enumerate(shown):
        said = [row.right for _, row in weights if row.mark == mark]
        if one.text is not None and not mostly(said):
            raise NotBuiltError("many lines do not say what was shown while they came")
    return rows


def mostly(right: Sequence[bool]) -> bool:
    """Whether most are right, and nearly all but those at the edges: people look a moment late."""
    if sum(right) < _LEAST_RIGHT * max(1, len(right)):
        return False
    inner = _trimmed(right)
    return len(inner) - sum(inner) <= _WRONG * len(inner)


def _trimmed(right: Sequence[bool]) -> Sequence[bool]:
    first = next((n for n, one in enumerate(right) if one), len(right))
    last = next((n for n, one in enumerate(reversed(right)) if one), 0)
    return right[first : len(right) - last]


def _always(rows: _Rows, rest: Sequence[tuple[Cut, str]], course: Course) -> tuple[str, ...]:
    """`stable`, where the scale sends a weight only while it rests, and other lines meanwhile."""
    other = [cut.begin for cut, says in rest if says == "status"]
    if any(course.moves) or not course.is_live or any(says == "other" for _, says in rest):
        return ()
    bridged = 0
    for begin, _ in course.runs[1:]:
        between = rows.cuts[begin - 1].end, rows.cuts[begin].begin
        if any(between[0] <= at < between[1] for at in other):
            bridged += 1
        elif begin not in course.tares:
            return ()
    return ("stable",) if bridged >= _LEAST_BRIDGED else ()


def _mark_of(cut: Cut, shown: Sequence[Shown]) -> int:
    return next(
        (n for n, mark in enumerate(shown) if mark.begin <= cut.begin and cut.end <= mark.end), -1
    )


def _course(rows: _Rows, shown: Sequence[Shown]) -> Course:
    return Course(
        tuple(_as_shown(value, shown) for value in rows.values),
        tuple(rows.marks),
        tuple(mark.value if mark.value is not None else Decimal(0) for mark in shown),
    )


def _as_shown(value: Decimal, shown: Sequence[Shown]) -> Decimal:
    """With no more decimals than the display has."""
    decimals = [mark.value for mark in shown if mark.value is not None and mark.finer]
    return value.quantize(decimals[0]) if decimals else value


def _check(lines: list[bytes], framing: Framing) -> tuple[Check | None, bytes]:
    """The check of these frames, and the bytes of the body behind it.

    Where it does not hold in all of them it has to in those that came again, and in nearly all.
    """
    frames = Counter(lines)
    check = find_check(tuple(frames))
    if check is None:
        check = find_check(tuple(frame for frame, count in frames.items() if count > 1))
    if check is None or check.tail < len(framing.end):
        return None, b""
    good = [frame for frame in frames if check.holds(frame)]
    tails = {frame[len(frame) - check.tail : len(frame) - len(framing.end)] for frame in good}
    if len(tails) != 1 or len(good) < (1 - _WRONG) * len(frames):
        return None, b""
    return check, tails.pop()


def _undamaged(rows: _Rows, framing: Framing, check: Check) -> _Rows:
    """The rows whose check fits."""
    keep = [
        n for n, cut in enumerate(rows.cuts) if check.holds(framing.start + cut.body + framing.end)
    ]
    void = {new: rows.void[old] for new, old in enumerate(keep) if old in rows.void}
    return _Rows(
        [rows.cuts[n] for n in keep],
        [rows.values[n] for n in keep],
        [rows.marks[n] for n in keep],
        void,
    )


def _doubtful(layout: Layout, course: Course, rows: _Rows, *, turned: bool) -> frozenset[int]:
    """Rows with a mark that is seen at rest only, never in a mark, and not since a tare."""
    doubtful = set(rows.void)
    for key, column in layout.states.items():
        seen = set(column) - {None}
        if key == NUMBER or not 1 < len(seen) <= _MOST_STATES:
            continue
        known: set[State] = {column[n] for n, mark in enumerate(course.marks) if mark >= 0}
        known |= set(course.tared(column)) | set(course.negative(column, turned))
        for state in seen - known:
            mine = [n for n, one in enumerate(column) if one == state]
            if all(course.rests[n] for n in mine):
                doubtful.update(mine)
    return frozenset(doubtful)


def _strict(
    found: Found, layout: Layout, bodies: Sequence[bytes], checked: int
) -> tuple[Found, Layout, Strict]:
    """The strict field of the number, with as much of its padding as one field can hold."""
    values = [found.values[body] for body in bodies]
    for narrower in found.narrower():
        if any(narrower.read(body) != found.values[body] for body in bodies):
            break
        brackets = found.writing.brackets
        layout = layout_of(narrower.place, bodies, checked, brackets=brackets)
        bare = [
            (raw, value)
            for raw, value in zip(layout.states[NUMBER], values, strict=True)
            if raw is not None and not (brackets and b"(" in raw)
        ]
        raws = [raw for raw, _ in bare]
        one_width = len({len(raw) for raw in raws}) == 1
        strict = strict_field(found.writing, raws, [v for _, v in bare], one_width=one_width)
        if strict is not None:
            return replace(found, place=narrower.place), layout, strict
    raise NotBuiltError("the number is written in more than one way")


def _finish(draft: Draft, composer: Composer, shown: Sequence[Shown]) -> None:
    units = {mark.unit for mark in shown if mark.text is not None} - {None}
    said = said_behind(composer.parts.layout)
    if units and said and units != {said}:
        raise NotBuiltError(f"the lines say {said} behind the weight, and {units.pop()} was shown")
    if "unit" not in composer.parts.told:
        if len(units) > 1:
            raise NotBuiltError("different units were shown, and nothing in the lines names them")
        draft.unit = units.pop() if units else None
        as_said = "fits" if any(mark.said for mark in shown) else "as was shown"
        draft.notes["unit"] = f"{as_said}; the lines name none"
    open_front = bool(re.match(r"\{(number|any)\d*:\d+-", draft.forms[0].layout))
    if not draft.start and open_front:
        draft.first = "drop"
    if not draft.start and not draft.end:
        raise NotBuiltError("nothing in the lines says where one begins or ends")


def _tried(
    data: bytes,
    framing: Framing,
    found: Found,
    composer: Composer,
    shown: Sequence[Shown],
) -> Built:
    """Read the stream with the profile: every mark must come out as it was shown."""
    try:
        profile = parse_profile(composer.parts.draft.toml())
    except ProfileError as error:
        raise NotBuiltError(str(error)) from error
    decoder = Decoder(profile, carry_unit=False)
    ticks = count()
    pairs = decoder.step(data, lambda: next(ticks) * _PERIOD_S)
    readings = [item for _, item in pairs if isinstance(item, Reading)]
    for mark in shown:
        _agrees(mark, [r for r in readings if mark.begin < r.offset <= mark.end])
    good = sum(frame.end - frame.begin for frame, _ in pairs if frame.parsed)
    return Built(
        profile,
        found,
        framing,
        composer,
        good / max(1, len(data)),
        [(r.offset, r.text) for r in readings if r.text is not None],
    )


def _agrees(mark: Shown, readings: Sequence[Reading]) -> None:
    weights = [r for r in readings if r.text is not None]
    if mark.value is None:
        if any(r.trusted for r in weights):
            raise NotBuiltError(f"a weight is read while the display showed {mark.words}")
        return
    right = [_is_right(mark, r) for r in weights]
    if not mostly(right):
        raise NotBuiltError(f"{mark.words} is not what the lines say")
    first = right.index(True)
    inner = weights[first : first + len(_trimmed(right))]
    if any(r.trusted and not _is_right(mark, r) for r in inner):
        raise NotBuiltError(f"another weight than {mark.words} would be believed")
    said = {r.unit for r, fits in zip(weights, right, strict=True) if fits}
    if mark.unit and not said <= {mark.unit, None}:
        raise NotBuiltError(f"the lines name another unit than {mark.unit}")


def _is_right(mark: Shown, reading: Reading) -> bool:
    """Whether this is what was shown, its sign included."""
    value, wanted = Decimal(reading.text or "0"), mark.value or Decimal(0)
    return mark.says(value) and value * wanted >= 0
