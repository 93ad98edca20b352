"""The forms of a profile made from the frames that hold the weight.

Owns how number, unit, other numbers, marks and check are put together into lines. Does not know
how the frames were cut or the number was found, nor what makes a mark mean something.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from drivers.learn_beside import put_marks, put_words
from drivers.learn_check import Check
from drivers.learn_course import State
from drivers.learn_draft import FormDraft, Spec
from drivers.learn_layout import NUMBER, Key, Make
from drivers.learn_parts import MORE, Parts
from drivers.learn_refusal import NotBuiltError
from drivers.learn_relation import again, partners
from drivers.learn_roles import roles_of
from drivers.learn_runs import is_free, numeric_runs
from drivers.learn_signs import find_signs
from drivers.learn_strict import Strict, as_toml
from drivers.learn_units import find_unit
from drivers.learn_writing import Writing
from drivers.notation import to_text


@dataclass(slots=True)
class Composer:
    """Puts together the forms of one hypothesis."""

    parts: Parts
    strict: Strict
    writing: Writing
    units: Sequence[str | None]
    """The unit shown in each mark."""
    turned: bool = False
    """A minus was shown that is not in the number."""
    check: Check | None = None
    tail: bytes = b""
    """What stands behind the check."""
    always: tuple[str, ...] = ()
    """What every line with a weight says by being one."""
    signed: bool = False
    part: str = ""
    """`net` where the lines give gross and tare as well."""

    def compose(self) -> None:
        """Add every form to the draft; NotBuiltError where a shown minus stands nowhere."""
        parts = self.parts
        layout, course = parts.layout, parts.course
        signs = find_signs(layout, course, parts.spans, turned=self.turned)
        self.signed = bool(signs)
        if self.turned and not signs:
            raise NotBuiltError("nothing in the lines tells the negative weights from others")
        for make in layout.makes:
            self._unit(make)
            self._numbers(make, {key for key, _ in signs})
            for strip in list(parts.strips(make)):
                put_marks(parts, strip, signs)
            put_words(parts, list(parts.strips(make)))
        self._forms()

    def _forms(self) -> None:
        draft, makes = self.parts.draft, self.parts.layout.makes
        says = self._makes_say()
        spec = as_toml(self.strict) | ({"part": self.part} if self.part else {})
        number = draft.add(self.part or "number", spec, self._number_why())
        for index, make in enumerate(makes):
            layout = "".join(self._line(make, number))
            why = f"{len(make.rows)} lines" if len(makes) > 1 else ""
            words = (*says[index], self._bracket_word()) if make.bracketed else says[index]
            draft.forms.append(FormDraft(layout, words, why, self._width(make)))

    def _number_why(self) -> str:
        shown = ", ".join(f"{value}" for value in self.parts.course.shown)
        return f"gave what was shown: {shown}; read in {self.parts.layout.rows} lines"

    # -- one line ----------------------------------------------------------------------------

    def _line(self, make: Make, number: str) -> Iterator[str]:
        for key, taken in make.slots:
            if key == NUMBER:
                yield (self._in_brackets if make.bracketed else self._number)(number, taken)
            elif (part := self.parts.fields.get(key)) is not None:
                if part[0][0] == key:
                    yield part[1]
            else:
                yield to_text(taken[0])
        if self.check is not None:
            keys = self.check.field.model_dump(exclude_defaults=True)
            why = f"fits in all {self.check.frames} different lines"
            name = self.parts.draft.add("check", {"kind": "check", **keys}, why)
            yield f"{{{name}:{self.check.width}}}{to_text(self.tail)}"

    def _number(self, name: str, taken: Sequence[bytes]) -> str:
        widths = {len(raw) for raw in taken}
        if self.strict.point_at >= 0:
            at, width = self.strict.point_at, widths.pop()
            point = to_text(taken[0][at : at + 1])
            return f"{{{name}:{at}}}{point}{{{name}:{width - at - 1}}}"
        if (
            len(widths) == 1
            and self.parts.layout.makes[0].key != "between"
            and not self.parts.layout.is_token
        ):
            return f"{{{name}:{widths.pop()}}}"
        return f"{{{name}:{min(widths)}-{max(widths) + MORE}}}"

    def _in_brackets(self, name: str, taken: Sequence[bytes]) -> str:
        """A negative number, somewhere in its columns in round brackets."""
        if any(not raw.endswith(b")") for raw in taken):
            raise NotBuiltError("the brackets around the number stand in different places")
        blank = self.parts.draft.add("blank", {"kind": "any", "chars": " "}, "before the bracket")
        width = max(map(len, taken))
        return f"{{{blank}:0-{width - 3}}}({{{name}:1-{width - 2}}})"

    def _bracket_word(self) -> str:
        """`minus`, where a mark or a tare proves that brackets mean it."""
        rows = {row for make in self.parts.layout.makes if make.bracketed for row in make.rows}
        states = [row in rows for row in range(self.parts.layout.rows)]
        sizes = tuple(abs(value) for value in self.parts.course.values)
        proved = any(self.parts.course.marks[row] >= 0 for row in rows)
        if proved or replace(self.parts.course, values=sizes).negative(states, turned=False):
            return "minus"
        self.parts.unproved.append("a number in brackets: no weight")
        return "status"

    def _width(self, make: Make) -> int | None:
        """The bytes of a line whose fields leave that open."""
        if not make.bracketed or not isinstance(make.key, int):
            return None
        checked = self.check.width + len(self.tail) if self.check else 0
        return sum(len(taken[0]) for _, taken in make.slots) + checked

    # -- the unit ----------------------------------------------------------------------------

    def _unit(self, make: Make) -> None:
        mark = find_unit(
            self.parts.layout, make, self.parts.course, self.units, set(self.parts.fields)
        )
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
            self.parts.told["stability"] = "the unit is left out while the weight moves"
        name = self.parts.draft.add("unit", spec, why)
        self.parts.told["unit"] = f"the lines name it: {' or '.join(mark.spelled)}"
        self.parts.place(mark.keys, name)

    # -- other numbers, clocks, counters -------------------------------------------------------

    def _numbers(self, make: Make, signs: Collection[Key]) -> None:
        layout, course = self.parts.layout, self.parts.course
        runs = [
            keys
            for strip in self.parts.strips(make)
            for keys in numeric_runs(layout, course, strip, signs)
        ]
        self._partners(runs)
        for keys in runs:
            if keys[0] not in self.parts.fields and is_free(layout, course, self.writing, keys):
                self.parts.free(keys)

    def _partners(self, runs: Sequence[Sequence[Key]]) -> None:
        """Let the weight be read twice where it stands there twice, and gross and tare with it."""
        layout = self.parts.layout
        if len(layout.makes) > 1 and not layout.is_token:
            return
        for one in again(layout, runs, self.writing, self.parts.course.values):
            name = self.parts.draft.add(
                "again", as_toml(one.strict), "was the weight in every line"
            )
            self.parts.place(one.keys, name, number=True)
        found = partners(layout, runs, self.writing, self.parts.course.values)
        for one in found:
            spec = as_toml(one.strict) | {"part": one.part}
            why = "gross less tare was the weight in every line"
            name = self.parts.draft.add(one.part, spec, why)
            self.parts.place(one.keys, name, number=True)
        if found:
            self.part = "net"
            self.parts.told.setdefault("net", "the lines give gross and tare as well")

    # -- what a make says by itself --------------------------------------------------------------

    def _makes_say(self) -> list[tuple[str, ...]]:
        makes = self.parts.layout.makes
        spelled: dict[State, str] = {
            make.key: self._net_word(make) for make in makes if not make.bracketed
        }
        if len({make.key for make in makes}) == 1:
            return [self.always] * len(makes)
        roles = roles_of(
            self.parts.layout.of_make, self.parts.course, spelled=spelled, reach=self.parts.reach
        )
        self.parts.tell(roles, "the form of the line")
        said = [[word for word in roles.words[make.key] if word != "any"] for make in makes]
        return [(*self.always, *words) for words in said]

    def _net_word(self, make: Make) -> str:
        """A literal word of this make that others have not, where it says net or gross."""
        common = set.intersection(*({key for key, _ in m.slots} for m in self.parts.layout.makes))
        own = b"".join(
            taken[0]
            for key, taken in make.slots
            if key not in common and key not in self.parts.fields
        )
        word = own.strip().decode("latin-1")
        return word if word.isalpha() else ""
