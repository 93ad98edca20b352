"""A profile made ready for matching: whole frames in, what they say out.

Owns the turning of layouts into expressions and of matched fields into sayings. Does not know how a
stream is cut into frames (`frames`), nor what came before this frame.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from drivers.facts import Gathered, Parsed
from drivers.field_readers import UNIT_CHARS, ReadField, field_bytes, field_reader
from drivers.notation import to_bytes
from drivers.number_text import ends_in_digit
from drivers.profile_fields import (
    AnyOfFields,
    BitsField,
    CheckField,
    FlagField,
    NumberField,
    UnitField,
)
from drivers.scale_profile import Form, Profile, ProfileError

_PLACE = re.compile(r"\{(\w+)(?::(\d+)(?:-(\d+))?)?\}")
_CACHED_FRAMES = 512
_BLOCK_LIMIT = 1024


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a layout: literal bytes, or a field with its least and greatest width."""

    literal: bytes = b""
    name: str = ""
    least: int = 0
    most: int = 0
    field: AnyOfFields | None = None


def layout_pieces(profile: Profile, form: Form, layout: str) -> list[Piece]:
    """The pieces of `layout` in order; ProfileError for a width that is missing."""
    pieces = []
    at = 0
    for place in _PLACE.finditer(layout):
        if literal := to_bytes(layout[at : place.start()]):
            pieces.append(Piece(literal, most=len(literal), least=len(literal)))
        pieces.append(_field_piece(profile, form, place))
        at = place.end()
    if literal := to_bytes(layout[at:]):
        pieces.append(Piece(literal, most=len(literal), least=len(literal)))
    return pieces


def _field_piece(profile: Profile, form: Form, place: re.Match[str]) -> Piece:
    field = profile.field(form, place[1])
    if place[2]:
        least, most = int(place[2]), int(place[3] or place[2])
    elif isinstance(field, BitsField):
        least = most = 1
    elif isinstance(field, FlagField):
        widths = [len(to_bytes(key)) for key in field.map]
        least, most = min(widths), max(widths)
    else:
        raise ProfileError(f"{profile.name}: the layout gives no width for {{{place[1]}}}")
    return Piece(b"", place[1], least, most, field)


@dataclass(frozen=True, slots=True)
class CompiledLayout:
    """An expression for the whole of a layout, and a reader for each of its fields."""

    expression: re.Pattern[bytes]
    readers: tuple[tuple[ReadField, tuple[int, ...]], ...]

    def gather(self, found: re.Match[bytes], into: Gathered) -> str | None:
        """Put what the matched fields say into `into`; the reason where one is not legal."""
        frame = found[0]
        for read, groups in self.readers:
            raw = found[groups[0]] if len(groups) == 1 else b"".join(found[n] for n in groups)
            if why := read(raw, into, frame, found.start(groups[0]) - found.start()):
                return why
        return None


def _compile_layout(pieces: list[Piece], start: bytes = b"", end: bytes = b"") -> CompiledLayout:
    expression = re.escape(start)
    groups: dict[str, list[int]] = {}
    fields: dict[str, AnyOfFields] = {}
    count = 0
    for piece in pieces:
        if piece.field is None:
            expression += re.escape(piece.literal)
            continue
        count += 1
        groups.setdefault(piece.name, []).append(count)
        fields[piece.name] = piece.field
        width = (
            f"{{{piece.least},{piece.most}}}" if piece.most > piece.least else f"{{{piece.least}}}"
        )
        expression += b"(" + _expression_of(piece, width).encode("latin-1") + b")"
    readers = tuple(
        (field_reader(fields[name]), tuple(numbers)) for name, numbers in groups.items()
    )
    return CompiledLayout(re.compile(expression + re.escape(end), re.DOTALL), readers)


def _expression_of(piece: Piece, width: str) -> str:
    """What a piece of that width holds. One of open width takes no bytes of its neighbours."""
    field = piece.field
    if piece.least < piece.most and isinstance(field, FlagField) and field.otherwise is None:
        texts = sorted({to_bytes(key) for key in field.map}, key=len, reverse=True)
        return "|".join(re.escape(text.decode("latin-1")) for text in texts)
    bare = f"{_class_of(piece)}{width}"
    if piece.least < piece.most and isinstance(field, NumberField) and ends_in_digit(field):
        return f"(?! ){bare}" if field.reversed else f"{bare}(?<! )"
    return bare


def _class_of(piece: Piece) -> str:
    """The bytes of a piece. A unit of open width ends where its letters do."""
    field = piece.field
    assert field is not None
    if isinstance(field, UnitField) and piece.least < piece.most and field.blank is None:
        return f"[{UNIT_CHARS}]"
    return field_bytes(field)


@dataclass(frozen=True, slots=True)
class CompiledForm:
    """One form with its expression over the whole frame, start and end included."""

    whole: CompiledLayout
    lines: tuple[CompiledLayout, ...]
    says: tuple[str, ...]
    family: str
    width: int | None
    most: int
    framed: tuple[int, int]
    """Lengths of start and end."""

    def read(self, found: re.Match[bytes]) -> Parsed | str:
        """What the matched frame says, or why it is not legal after all."""
        if self.width is not None and len(found[0]) - sum(self.framed) != self.width:
            return "the line has another width"
        into = Gathered(set(self.says))
        why = self._gather_lines(found[0], into) if self.lines else self.whole.gather(found, into)
        return why or into.settle(self.family)

    def _gather_lines(self, frame: bytes, into: Gathered) -> str | None:
        body = frame[self.framed[0] : len(frame) - self.framed[1]]
        for line in body.replace(b"\r\n", b"\n").split(b"\n"):
            if line and (why := self._gather_line(line, into)):
                return why
        return None

    def _gather_line(self, line: bytes, into: Gathered) -> str | None:
        for layout in self.lines:
            if found := layout.expression.fullmatch(line):
                return layout.gather(found, into)
        return "a line of the block is damaged"


class CompiledProfile:
    """All forms of a profile, ready to read frames; remembers the last ones, as they repeat."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.forms = tuple(
            compiled for form in profile.form for compiled in _compile_form(profile, form)
        )
        self.longest = max(form.most for form in self.forms)
        self.start_inside = bool(profile.start) and _may_hold(profile, profile.start[0])
        self._known: dict[tuple[bytes, str], Parsed | str] = {}

    def read(self, frame: bytes, family: str = "") -> Parsed | str:
        """What a whole frame says, or why it is no frame.

        Forms of `family` come first; where only a form of another family fits, the answer carries
        that family, and the caller decides.
        """
        known = self._known.get((frame, family))
        if known is None:
            if len(self._known) >= _CACHED_FRAMES:
                self._known.clear()
            known = self._known[frame, family] = self._read(frame, family)
        return known

    def _read(self, frame: bytes, family: str) -> Parsed | str:
        why = "not a line of this shape"
        rival: Parsed | None = None
        for form in self.forms:
            if (found := form.whole.expression.fullmatch(frame)) is None:
                continue
            said = form.read(found)
            if isinstance(said, str):
                why = said
            elif not family or form.family in ("", family):
                return said
            else:
                rival = rival or said
        return rival or why

    def ends(self, data: bytes, at: int) -> Iterator[int]:
        """Where a frame that begins at `at` may end, by each form."""
        for form in self.forms:
            if found := form.whole.expression.match(data, at):
                yield found.end()


def _compile_form(profile: Profile, form: Form) -> list[CompiledForm]:
    """The form; as many times as it has rules for its check, each a family of its own."""
    if form.line:
        return [_compile_block(profile, form)]
    pieces = layout_pieces(profile, form, form.layout)
    check = next((p.field for p in pieces if isinstance(p.field, CheckField)), None)
    rules = check.rules if check else [""]
    return [_compile_one(profile, form, _only(pieces, rule), rule) for rule in rules]


def _only(pieces: list[Piece], rule: str) -> list[Piece]:
    def one(piece: Piece) -> Piece:
        if not isinstance(piece.field, CheckField):
            return piece
        field = piece.field.model_copy(update={"rules": [rule]})
        return Piece(b"", piece.name, piece.least, piece.most, field)

    return [one(piece) for piece in pieces]


def _compile_one(profile: Profile, form: Form, pieces: list[Piece], rule: str) -> CompiledForm:
    framed = len(profile.start), len(profile.end)
    most = sum(piece.most for piece in pieces) + sum(framed)
    check = any(isinstance(p.field, CheckField) and len(p.field.rules) for p in pieces)
    family = "-".join(filter(None, (form.family, rule if check else "")))
    layout = _compile_layout(pieces, profile.start, profile.end)
    return CompiledForm(layout, (), form.says, family, form.width, most, framed)


def _compile_block(profile: Profile, form: Form) -> CompiledForm:
    if not profile.start or not profile.end:
        raise ProfileError(f"{profile.name}: a block of lines needs a start and an end")
    stops = "".join(f"\\x{code:02x}" for code in {profile.start[0], profile.end[0]})
    body = f"[^{stops}]{{0,{_BLOCK_LIMIT}}}".encode()
    whole = re.compile(re.escape(profile.start) + body + re.escape(profile.end), re.DOTALL)
    lines = tuple(_compile_layout(layout_pieces(profile, form, line.layout)) for line in form.line)
    framed = len(profile.start), len(profile.end)
    layout = CompiledLayout(whole, ())
    return CompiledForm(layout, lines, form.says, form.family, None, _BLOCK_LIMIT, framed)


def _may_hold(profile: Profile, code: int) -> bool:
    """Whether a frame may hold the byte `code` anywhere behind its first byte."""
    for form in profile.form:
        if form.line:
            continue
        for piece in layout_pieces(profile, form, form.layout):
            if code in piece.literal:
                return True
            byte = bytes([code])
            if piece.field and re.fullmatch(field_bytes(piece.field).encode("latin-1"), byte):
                return True
    return code in profile.start[1:] or code in profile.end


def compile_profile(profile: Profile) -> CompiledProfile:
    """The profile ready for matching, made once; it holds no state of any stream.

    Raises ProfileError or ValueError where its layouts make no sense.
    """
    if profile.compiled is None:
        profile.keep_compiled(CompiledProfile(profile))
    compiled: CompiledProfile = profile.compiled
    return compiled
