"""A profile while it is being put together: forms, fields, and the evidence for each.

Owns the names of fields and the file that comes out, with the evidence in its comments. Does not
know how any of it was found.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field

from drivers.notation import to_text

Spec = dict[str, object]


@dataclass(slots=True)
class FormDraft:
    """One shape of a frame."""

    layout: str
    says: tuple[str, ...] = ()
    why: str = ""
    width: int | None = None


@dataclass(slots=True)
class Draft:
    """All that goes into the file."""

    name: str = "learned"
    about: str = ""
    settings: tuple[str, ...] = ("9600 8N1",)
    start: bytes = b""
    end: bytes = b""
    first: str = "keep"
    unit: str | None = None
    request: tuple[bytes, float] | None = None
    agree: int = 2
    notes: dict[str, str] = field(default_factory=dict)
    """Comments on keys at the top of the file."""
    forms: list[FormDraft] = field(default_factory=list)
    fields: dict[str, tuple[Spec, str]] = field(default_factory=dict)

    def add(self, base: str, spec: Spec, why: str) -> str:
        """The name of a field like this: that of one that is there already, or a new one."""
        for name, (known, _) in self.fields.items():
            if known == spec and name.rstrip("0123456789") == base:
                return name
        name, n = base, 1
        while name in self.fields:
            n += 1
            name = f"{base}{n}"
        self.fields[name] = (spec, why)
        return name

    @property
    def size(self) -> int:
        """Letters of the profile without its comments: how much has to be said."""
        lines = self.toml().splitlines()
        return sum(len(line.partition("  # ")[0]) for line in lines if not line.startswith("#"))

    def toml(self) -> str:
        """The profile as a file."""
        lines = [f"name = {_value(self.name)}", f"about = {_value(self.about)}"]
        lines.append(f"settings = {_value(list(self.settings))}{self._note('settings')}")
        if self.start:
            lines.append(f"start = {_value(to_text(self.start))}{self._note('start')}")
        if self.end:
            lines.append(f"end = {_value(to_text(self.end))}{self._note('end')}")
        lines.append(f"first = {_value(self.first)}")
        if self.unit:
            lines.append(f"unit = {_value(self.unit)}{self._note('unit')}")
        lines.append("recognise = false")
        if self.request:
            lines += ["", "[request]", f"send = {_value(to_text(self.request[0]))}"]
            lines.append(f"every_s = {self.request[1]:g}")
        if self.agree != 2:
            lines += ["", "[trust]", f"agree = {self.agree}{self._note('agree')}"]
        for name, (spec, why) in self.fields.items():
            lines += ["", f"[fields.{name}]", *_comment(why)]
            lines += [f"{key} = {_value(value)}" for key, value in spec.items()]
        for form in self.forms:
            lines += ["", "[[form]]", *_comment(form.why), f"layout = {_value(form.layout)}"]
            if form.width is not None:
                lines.append(f"width = {form.width}")
            if form.says:
                lines.append(f"says = {_value(' '.join(form.says))}")
        return "\n".join(lines) + "\n"

    def _note(self, key: str) -> str:
        return f"  # {self.notes[key]}" if key in self.notes else ""


def _comment(text: str) -> list[str]:
    """Comment lines of a readable width."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + len(word) < 96:
            lines[-1] += f" {word}"
        else:
            lines.append(f"# {word}")
    return lines


def _value(value: object) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items())
        return "{ " + inner + " }" if inner else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return json.dumps(value)


def _key(key: object) -> str:
    text = str(key)
    bare = text.isascii() and text.replace("-", "").replace("_", "").isalnum()
    return text if bare else json.dumps(text)


def seen(raws: list[bytes]) -> str:
    """Bytes as a comment shows them."""
    return ", ".join(repr(to_text(raw)) for raw in raws)
