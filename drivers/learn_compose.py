"""The forms of a profile made from the frames that hold the weight.

Owns what becomes of each place beside the number: literal bytes, unit, mark, bits, check, or bytes
that are not looked at. Does not know how the frames were cut or the number was found.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from drivers.learn_check import Check
from drivers.learn_course import Course, State
from drivers.learn_draft import Draft, FormDraft, Spec, seen
from drivers.learn_layout import NUMBER, Key, Layout, Make
from drivers.learn_refusal import NotBuiltError
from drivers.learn_relation import partners
from drivers.learn_roles import GROSS_WORDS, NET_WORDS, Bits, Roles, bits_of, roles_of
from drivers.learn_runs import char_class, is_free, is_length, length_class, numeric_runs
from drivers.learn_signs import Signs, find_signs
from drivers.learn_strict import Strict, as_toml
from drivers.learn_units import find_unit
from drivers.learn_writing import Writing
from drivers.notation import to_text

_MOST_STATES = 12
_FEW = 4
_MORE = 3
"""Places that a number of open width may grow beyond what was seen."""


@dataclass(slots=True)
class Composer:
    """Puts together the forms of one hypothesis."""

    draft: Draft
    layout: Layout
    course: Course
    strict: Strict
    writing: Writing
    units: Sequence[str | None]
    """The unit shown in each mark."""
    turned: bool = False
    check: Check | None = None
    tail: bytes = b""
    """What stands behind the check."""
    reach: dict[int, str] = field(default_factory=dict)
    """Rows at which the display showed no weight, and what it showed."""
    parts: dict[Key, tuple[tuple[Key, ...], Callable[[Make], str]]] = field(default_factory=dict)
    told: dict[str, str] = field(default_factory=dict)
    """What is known of unit, stability, net: the evidence in words."""
    follows: int = 0
    """Bytes that are not looked at although they change just as the weight does."""
    marks: int = 0
    signed: bool = False
    part: str = ""
    """`net` where the lines give gross and tare as well."""
    spans: Sequence[tuple[int, int]] = ()
    """Begin and end of each row in the stream."""
    always: tuple[str, ...] = ()
    """What every line with a weight says by being one."""
    unproved: list[str] = field(default_factory=list)

    def compose(self) -> None:
        """Add every form to the draft; NotBuiltError where a shown minus stands nowhere."""
        signs = find_signs(self.layout, self.course, self.spans, turned=self.turned)
        self.signed = bool(signs)
        if self.turned and not signs:
            raise NotBuiltError("nothing in the lines tells the negative weights from others")
        for make in self.layout.makes:
            self._unit(make)
            runs = [
                keys for strip in self._strips(make) for keys in numeric_runs(self.layout, strip)
            ]
            self._partners(runs)
            for keys in runs:
                joint = [raw for raw in self.layout.joint(keys) if raw is not None]
                if keys[0] not in self.parts and is_free(
                    self.layout, self.course, self.writing, keys
                ):
                    self._any(keys, joint)
            spelled = [word for strip in self._strips(make) for word in self._words(strip)]
            for word in spelled if len(spelled) == 1 and not self.part else ():
                self._mark(word, signs, known=True)
            for strip in self._strips(make):
                self._marks(strip, signs)
        says = self._makes_say()
        spec = as_toml(self.strict) | ({"part": self.part} if self.part else {})
        number = self.draft.add(self.part or "number", spec, self._number_why())
        for index, make in enumerate(self.layout.makes):
            layout = "".join(self._line(make, number))
            why = f"{len(make.rows)} lines" if len(self.layout.makes) > 1 else ""
            words = (*says[index], self._bracket_word()) if make.bracketed else says[index]
            self.draft.forms.append(FormDraft(layout, words, why, self._width(make)))

    def _number_why(self) -> str:
        shown = ", ".join(f"{value}" for value in self.course.shown)
        return f"gave what was shown: {shown}; read in {self.layout.rows} lines"

    # -- one line ----------------------------------------------------------------------------

    def _line(self, make: Make, number: str) -> Iterator[str]:
        for key, taken in make.slots:
            if key == NUMBER:
                yield (self._in_brackets if make.bracketed else self._number)(number, taken)
            elif (part := self.parts.get(key)) is not None:
                if part[0][0] == key:
                    yield part[1](make)
            else:
                yield to_text(taken[0])
        if self.check is not None:
            keys = self.check.field.model_dump(exclude_defaults=True)
            why = f"fits in all {self.check.frames} different lines"
            name = self.draft.add("check", {"kind": "check", **keys}, why)
            yield f"{{{name}:{self.check.width}}}{to_text(self.tail)}"

    def _number(self, name: str, taken: Sequence[bytes]) -> str:
        widths = {len(raw) for raw in taken}
        if self.strict.point_at >= 0:
            at, width = self.strict.point_at, widths.pop()
            point = to_text(taken[0][at : at + 1])
            return f"{{{name}:{at}}}{point}{{{name}:{width - at - 1}}}"
        if len(widths) == 1 and self.layout.makes[0].key != "between" and not self.layout.is_token:
            return f"{{{name}:{widths.pop()}}}"
        return f"{{{name}:{min(widths)}-{max(widths) + _MORE}}}"

    def _in_brackets(self, name: str, taken: Sequence[bytes]) -> str:
        """A negative number, somewhere in its columns in round brackets."""
        if any(not raw.endswith(b")") for raw in taken):
            raise NotBuiltError("the brackets around the number stand in different places")
        blank = self.draft.add("blank", {"kind": "any", "chars": " "}, "before the bracket")
        width = max(map(len, taken))
        return f"{{{blank}:0-{width - 3}}}({{{name}:1-{width - 2}}})"

    def _bracket_word(self) -> str:
        """`minus`, where a mark or a tare proves that brackets mean it."""
        rows = {row for make in self.layout.makes if make.bracketed for row in make.rows}
        states = [row in rows for row in range(self.layout.rows)]
        sizes = tuple(abs(value) for value in self.course.values)
        proved = any(self.course.marks[row] >= 0 for row in rows)
        if proved or replace(self.course, values=sizes).negative(states, turned=False):
            return "minus"
        self.unproved.append("a number in brackets: no weight")
        return "status"

    def _width(self, make: Make) -> int | None:
        """The bytes of a line whose fields leave that open."""
        if not make.bracketed or not isinstance(make.key, int):
            return None
        checked = self.check.width + len(self.tail) if self.check else 0
        return sum(len(taken[0]) for _, taken in make.slots) + checked

    def _strips(self, make: Make) -> Iterator[list[Key]]:
        """Neighbouring places of this make of which nothing is known yet."""
        strip: list[Key] = []
        for key, _ in make.slots:
            if key == NUMBER or key in self.parts:
                if strip:
                    yield strip
                strip = []
            else:
                strip.append(key)
        if strip:
            yield strip

    # -- the unit ----------------------------------------------------------------------------

    def _unit(self, make: Make) -> None:
        mark = find_unit(self.layout, make, self.course, self.units, set(self.parts))
        if mark is None:
            return
        spec: Spec = {"kind": "unit"}
        if mark.blank is not None:
            spec["blank"] = " ".join(mark.blank)
        if mark.given:
            spec["given"] = " ".join(mark.given)
        if mark.names:
            spec["names"] = mark.names
        why = f"stood there as {' or '.join(mark.spelled)}"
        if mark.roles.motion:
            why += "; left out exactly while the weight moves"
            self.told["stability"] = "the unit is left out while the weight moves"
        name = self.draft.add("unit", spec, why)
        self.told["unit"] = f"the lines name it: {' or '.join(mark.spelled)}"
        self._place(mark.keys, name)

    def _place(self, keys: Sequence[Key], name: str, *, number: bool = False) -> None:
        """Let the field of that name stand at these places; a number may grow wider yet."""
        every = tuple(keys)
        widths = {len(raw) for raw in self.layout.joint(every) if raw is not None}
        more = _MORE if number else 0
        width = f"{min(widths)}" if len(widths) == 1 else f"{min(widths)}-{max(widths) + more}"
        for key in every:
            self.parts[key] = (every, lambda _: f"{{{name}:{width}}}")

    # -- other numbers, clocks, counters -------------------------------------------------------

    def _partners(self, runs: list[list[Key]]) -> None:
        """Let gross and tare be read too, where the weight is always their difference."""
        if len(self.layout.makes) > 1 and not self.layout.is_token:
            return
        found = partners(self.layout, runs, self.writing, self.course.values)
        for one in found:
            spec = as_toml(one.strict) | {"part": one.part}
            name = self.draft.add(one.part, spec, "gross less tare was the weight in every line")
            self._place(one.keys, name, number=True)
        if found:
            self.part = "net"
            self.told.setdefault("net", "the lines give gross and tare as well")

    def _any(self, keys: Sequence[Key], joint: list[bytes]) -> None:
        self.follows += self._follows(keys)
        spec: Spec = {"kind": "any", "chars": char_class(joint), "fill": to_text(joint[0])}
        name = self.draft.add("any", spec, "changes, and is not the weight")
        self._place(keys, name, number=True)

    def _follows(self, keys: Sequence[Key]) -> int:
        """How many of these places say the same whenever the weight is the same."""
        count = 0
        for key in keys:
            states = self.layout.states[key]
            pairs = set(zip(self.course.values, states, strict=True))
            count += (
                len(pairs) == len({value for value, _ in pairs}) and len(self.layout.seen(key)) > 2
            )
        return count

    # -- marks -------------------------------------------------------------------------------

    def _marks(self, strip: list[Key], signs: Signs) -> None:
        n = 0
        while n < len(strip):
            keys = [strip[n]]
            while n + len(keys) < len(strip) and self._together(keys, strip[n + len(keys)]):
                keys.append(strip[n + len(keys)])
            n += len(keys)
            self._mark(keys, signs)

    def _words(self, strip: list[Key]) -> Iterator[list[Key]]:
        """Words that never changed, and say gross or net all by themselves."""
        letters = [
            self.layout.is_byte(key) and b"".join(self.layout.seen(key)).isalpha() for key in strip
        ]
        begin = 0
        while begin < len(strip):
            end = begin
            while end < len(strip) and letters[end]:
                end += 1
            keys = strip[begin:end]
            if len(keys) > 1 and all(len(self.layout.seen(key)) == 1 for key in keys):
                word = b"".join(b"".join(self.layout.seen(key)) for key in keys).decode("ascii")
                if word.upper() in NET_WORDS | GROSS_WORDS:
                    yield keys
            begin = max(end, begin + 1)

    def _together(self, keys: list[Key], more: Key) -> bool:
        """Whether two neighbours change together, as the letters of one word do."""
        if not all(self.layout.is_byte(key) for key in [*keys, more]):
            return False
        sizes = [len(self.layout.seen(key)) for key in [*keys, more]]
        if min(sizes) < 2:
            return False
        joint = {raw for raw in self.layout.joint([*keys, more]) if raw is not None}
        return len(joint) <= max(sizes)

    def _mark(
        self,
        keys: list[Key],
        signs: Signs,
        *,
        known: bool = False,
    ) -> None:
        states = self.layout.joint(keys)
        joint = [raw for raw in states if raw is not None]
        different = sorted(set(joint))
        if len(different) == 1 and not known:
            return  # it stands in the layout as it is
        if len(different) > _MOST_STATES and len(keys) == 1 and self.layout.is_byte(keys[0]):
            bits = self._bits(keys[0], states, signs)
            if bits is None or not any(role.tells for role in bits.roles.values()):
                self._any(keys, joint)
            else:
                self._put_bits(keys, bits)
            return
        if len(different) > _MOST_STATES:
            self._any(keys, joint)
            return
        if is_length(self.layout, self.spans, keys):
            self._length(keys, joint)
            return
        sign = signs.get((keys[0], -1)) if len(keys) == 1 else None
        spelled: dict[State, str] = {raw: raw.decode("latin-1") for raw in different}
        roles = roles_of(states, self.course, sign=sign, spelled=spelled, reach=self.reach)
        if self._is_bitwise(keys, different, signs, roles):
            bits = self._bits(keys[0], states, signs)
            if bits is not None and bits.tells:
                self._put_bits(keys, bits)
                return
        if not roles.tells and not roles.unproved and len(different) > _FEW:
            self._any(keys, joint)
            return
        self._put_flag(keys, roles, joint)

    def _length(self, keys: Sequence[Key], joint: Sequence[bytes]) -> None:
        spec: Spec = {"kind": "any", "chars": length_class(joint), "fill": to_text(joint[0])}
        self._place(keys, self.draft.add("length", spec, "counts the bytes of the line"))

    def _is_bitwise(
        self,
        keys: list[Key],
        different: list[bytes],
        signs: Signs,
        roles: Roles,
    ) -> bool:
        if len(keys) > 1 or not self.layout.is_byte(keys[0]):
            return False
        if any((keys[0], bit) in signs for bit in range(8)):
            return True
        codes = b"".join(different)
        words = re.fullmatch(rb"[A-Za-z +-]*", codes) or (keys[0], -1) in signs
        if words or (len(codes) == 2 and (codes[0] ^ codes[1]).bit_count() > 1):
            return False
        printable = all(0x20 <= code < 0x7F for code in codes)
        return len(different) > _FEW or not printable

    def _bits(
        self,
        key: Key,
        states: Sequence[bytes | None],
        signs: Signs,
    ) -> Bits | None:
        codes = [None if raw is None else raw[0] for raw in states]
        mine = {bit: words for (where, bit), words in signs.items() if where == key and bit >= 0}
        return bits_of(codes, self.course, mine, self.reach)

    def _put_bits(self, keys: Sequence[Key], bits: Bits) -> None:
        spec: Spec = {"kind": "bits", "fixed": bits.fixed}
        if bits.set:
            spec["set"] = {str(bit): " ".join(words) for bit, words in bits.set.items()}
        if bits.clear:
            spec["clear"] = {str(bit): " ".join(words) for bit, words in bits.clear.items()}
        why = "; ".join(
            f"bit {bit}: {self._why(role)}" for bit, role in bits.roles.items() if self._why(role)
        )
        name = self.draft.add("bits", spec, why)
        for bit, role in bits.roles.items():
            self._tell(role, f"bit {bit} of a status byte")
        self.marks += len(bits.roles)
        for key in keys:
            self.parts[key] = (tuple(keys), lambda _: f"{{{name}}}")

    def _put_flag(self, keys: Sequence[Key], roles: Roles, joint: list[bytes]) -> None:
        words = {
            to_text(raw): " ".join(roles.words[raw]) for raw in sorted(set(joint), key=joint.index)
        }
        name = self.draft.add(roles.name, {"kind": "flag", "map": words}, self._why(roles))
        self._tell(roles, seen(sorted(set(joint), key=joint.index)))
        self.marks += 1
        self._place(keys, name)

    def _why(self, roles: Roles) -> str:
        said = (
            (roles.motion, "changes exactly when the weight comes to rest or starts to move"),
            (roles.net, "changed with the tare and stayed while loads came and went"),
            (roles.sign, "the sign"),
            (roles.unproved, "what gives no weight was never seen with a weight that was shown"),
        )
        return "; ".join(text for holds, text in said if holds)

    def _tell(self, roles: Roles, what: str) -> None:
        if roles.motion:
            self.told.setdefault("stability", f"said by {what}")
        if roles.net:
            self.told.setdefault("net", f"said by {what}")
        for state in roles.unproved:
            self.unproved.append(f"{what}: {' '.join(roles.words[state])}")

    # -- what a make says by itself --------------------------------------------------------------

    def _makes_say(self) -> list[tuple[str, ...]]:
        makes = self.layout.makes
        spelled: dict[State, str] = {
            make.key: self._net_word(make) for make in makes if not make.bracketed
        }
        if len({make.key for make in makes}) == 1:
            return [self.always] * len(makes)
        roles = roles_of(self.layout.of_make, self.course, spelled=spelled, reach=self.reach)
        self._tell(roles, "the form of the line")
        said = [[word for word in roles.words[make.key] if word != "any"] for make in makes]
        return [(*self.always, *words) for words in said]

    def _net_word(self, make: Make) -> str:
        """A literal word of this make that others have not, where it says net or gross."""
        common = set.intersection(*({key for key, _ in m.slots} for m in self.layout.makes))
        own = b"".join(
            taken[0] for key, taken in make.slots if key not in common and key not in self.parts
        )
        word = own.strip().decode("latin-1")
        return word if word.isalpha() else ""
