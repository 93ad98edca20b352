"""A weight put into the bytes that a scale of a given profile would send.

Owns the choice of marks, padding and check bytes. Does not know when a scale sends, nor what the
person at it does. Every rendered frame is read back before it is handed out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drivers.facts import Parsed
from drivers.field_readers import bit_words, check_bytes
from drivers.frame_shape import Piece, compile_profile, layout_pieces
from drivers.notation import to_bytes
from drivers.number_text import write_number
from drivers.profile_fields import (
    AnyField,
    BitsField,
    CheckField,
    FlagField,
    NumberField,
    UnitField,
)
from drivers.scale_profile import Form, Profile

_SPELLED = {"pcs": "PC", "gr": "GN", "gr?": "gr"}
_QUIET = {"any"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a frame is to say."""

    text: str
    unit: str
    stable: bool
    net: bool | None
    overload: str

    def words(self, *, weightless: bool) -> set[str]:
        """Every word that is true of it."""
        decimals = len(self.text.partition(".")[2])
        words = {f"unit:{self.unit}", f"unit-otherwise:{self.unit}", f"decimals:{decimals}", "any"}
        words.add("net" if self.net else "gross")
        words.add("minus" if self.text.startswith("-") else "plus")
        words.add("stable" if self.stable and not self.overload else "moving")
        if self.overload:
            words |= {self.overload, "out", "status"}
        elif weightless:
            words.add("status")
        return words

    def is_said_by(self, frame: Parsed, *, weightless: bool) -> bool:
        """Whether the frame says this, or leaves unsaid what its shape cannot say."""
        if self.overload:
            return frame.reach in (self.overload, "out")
        if weightless:
            return frame.text is None and not frame.reach and not frame.other and not self.stable
        return (
            frame.text == self.text
            and frame.unit in (self.unit, None)
            and frame.declared in (self.stable, None)
            and frame.net in (self.net, None)
        )


class Renderer:
    """Frames of one profile."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._shape = compile_profile(profile)
        self._forms = [(form, self._lines(form)) for form in profile.form]
        self._bits: dict[int, dict[int, frozenset[str]]] = {}

    def render(
        self,
        text: str,
        unit: str = "g",
        *,
        stable: bool = True,
        net: bool | None = False,
        overload: str = "",
        family: str = "",
    ) -> bytes:
        """The frame for the signed decimal `text` in `unit`.

        `overload` is empty, "over" or "under". `family` picks one of the profile's families. A
        shape that sends no weight while it moves gives the frame it sends instead. Raises
        ValueError where the shape cannot say this.
        """
        wanted = Wanted(text, unit, stable, net, overload)
        frame = self._first(wanted, family, weightless=False)
        if frame is None and not stable and self._first(replace(wanted, stable=True), family):
            frame = self._first(wanted, family, weightless=True)
        if frame is None:
            raise ValueError(f"{self._profile.name} cannot say {wanted}")
        return frame

    def _first(self, wanted: Wanted, family: str, *, weightless: bool = False) -> bytes | None:
        """The first form's frame that says what is wanted."""
        for form, lines in self._forms:
            if family not in ("", form.family):
                continue
            if (frame := self._try(wanted, form, lines, weightless)) is not None:
                return frame
        return None

    def _try(
        self, wanted: Wanted, form: Form, lines: list[list[Piece]], weightless: bool
    ) -> bytes | None:
        words = wanted.words(weightless=weightless)
        if not words.issuperset(form.says):
            return None
        try:
            body = self._body(wanted, words, form, lines)
        except ValueError:
            return None
        frame = body + self._profile.end
        said = self._shape.read(frame)
        if isinstance(said, Parsed) and wanted.is_said_by(said, weightless=weightless):
            return frame
        return None

    def _lines(self, form: Form) -> list[list[Piece]]:
        layouts = [line.layout for line in form.line if not line.optional] or [form.layout]
        return [layout_pieces(self._profile, form, layout) for layout in layouts]

    def _body(self, wanted: Wanted, words: set[str], form: Form, lines: list[list[Piece]]) -> bytes:
        frame = self._profile.start
        for pieces in lines:
            if form.line and not self._belongs(wanted, pieces):
                continue
            frame = self._line(wanted, words, pieces, frame)
            frame += b"\r\n" if form.line else b""
        return frame

    def _belongs(self, wanted: Wanted, pieces: list[Piece]) -> bool:
        parts = {piece.field.part for piece in pieces if isinstance(piece.field, NumberField)}
        return parts <= {"weight", "net" if wanted.net else "gross"}

    def _line(self, wanted: Wanted, words: set[str], pieces: list[Piece], frame: bytes) -> bytes:
        done: set[str] = set()
        for piece in pieces:
            if piece.name in done:
                raise ValueError("a field in several pieces cannot be rendered")
            done.update({piece.name} - {""})
            frame += self._piece(wanted, words, piece, frame)
        return frame

    def _piece(self, wanted: Wanted, words: set[str], piece: Piece, frame: bytes) -> bytes:
        match piece.field:
            case None:
                return piece.literal
            case NumberField() as field:
                return self._number(wanted, field, piece)
            case FlagField() as field:
                return _best({to_bytes(key): set(said) for key, said in field.map.items()}, words)
            case BitsField() as field:
                table = self._bits.setdefault(id(field), _bit_table(field))
                return _best({bytes([code]): set(said) for code, said in table.items()}, words)
            case UnitField() as field:
                return _unit(wanted, words, field, piece)
            case CheckField() as field:
                return check_bytes(field, frame, piece.least)
            case AnyField() as field:
                return field.fill[: piece.most].ljust(piece.least)

    def _number(self, wanted: Wanted, field: NumberField, piece: Piece) -> bytes:
        text = wanted.text
        if field.part == "tare":
            text = "0"
        if field.sign == "none":
            text = text.lstrip("-")
        least = max(piece.least, min(len(text), piece.most))
        return write_number(field, text, least, piece.most)


def _bit_table(field: BitsField) -> dict[int, frozenset[str]]:
    table = {}
    for code in range(256):
        bits = f"{code:08b}"
        if all(want in (".", bit) for want, bit in zip(field.fixed, bits, strict=True)):
            words = bit_words(field, code)
            if words is not None:
                table[code] = words
    return table


def _best(options: dict[bytes, set[str]], words: set[str]) -> bytes:
    """The option that says most of what is true and nothing that is not."""
    true = {raw: said for raw, said in options.items() if set(filter(_binds, said)) <= words}
    if not true:
        raise ValueError("no mark of this shape says that")
    return max(true, key=lambda raw: len(true[raw] & words - _QUIET))


def _binds(word: str) -> bool:
    """Whether a word must be true: a unit that another field may overrule need not be."""
    return not word.startswith("unit-otherwise:")


def _unit(wanted: Wanted, words: set[str], field: UnitField, piece: Piece) -> bytes:
    if field.blank is not None and words.issuperset(field.blank) and field.blank:
        return b" " * piece.least
    if not words.issuperset(field.given):
        raise ValueError("this shape names no unit then")
    spelled = next((own for own, unit in field.names.items() if unit == wanted.unit), None)
    raw = (spelled or _SPELLED.get(wanted.unit, wanted.unit)).encode("ascii")
    if len(raw) > piece.most:
        raise ValueError("the unit does not fit")
    return raw.ljust(piece.least) if field.align == "left" else raw.rjust(piece.least)
