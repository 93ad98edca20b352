"""How one scale's lines read, written down as data: a TOML file, checked strictly.

Owns the schema, its defaults and the finding of profiles by name; does not know how bytes are
matched against it (`frame_shape`), judged (`trust`) or put together (`frame_render`).
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import (
    Field,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from drivers.profile_fields import (
    AnyField,
    AnyOfFields,
    Notated,
    NumberField,
    Strict,
    UnitField,
    Words,
)

if TYPE_CHECKING:
    from drivers.frame_render import Renderer

_FOLDER = Path(__file__).parent / "profiles"


class ProfileError(Exception):
    """A profile that is not there or not right; the message says which file, which key and why."""


class Line(Strict):
    """One line that a printed block may hold."""

    layout: str
    optional: bool = False
    """Left out when a frame is rendered."""


class Form(Strict):
    """One shape that a frame of this scale can have."""

    layout: str = ""
    """Literal bytes in notation, and fields as {name:width}, {name:least-most} or {name}."""
    line: list[Line] = Field(default_factory=list)
    """For a printed block: its possible lines, in any order."""
    says: Words = ()
    """What a frame of this form means by being of it."""
    family: str = ""
    """Forms of one scale share a family; a scale that has shown one keeps to it."""
    width: int | None = None
    """Bytes between start and end, where the fields leave that open."""
    fields: dict[str, AnyOfFields] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_of(self) -> Form:
        if bool(self.layout) == bool(self.line):
            raise ValueError("a form has either a layout or lines")
        return self


class Request(Strict):
    """What to send to a scale that only answers, and how often."""

    send: Notated
    every_s: float = Field(default=0.25, ge=0.05)
    needed: bool = True
    """Without a request this scale says nothing; False: it may also send by itself."""


class TrustRule(Strict):
    """When a weight of this scale is held to be at rest."""

    agree: int = Field(default=2, ge=2)
    """Successive equal frames that all say stable."""
    steady_s: float = Field(default=0.6, gt=0)
    """Where frames do not say: how long the weight must have stayed the same, in wall time."""
    silence_s: float = Field(default=3.0, gt=0)
    """A longer pause than this ends trust: zero and tare may be gone."""


class Profile(Strict):
    """How one scale's lines read."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")
    about: str = ""
    settings: list[str] = Field(default_factory=lambda: ["9600 8N1"])
    """Typical line settings, the likeliest first."""
    start: Notated = b""
    end: Notated = b""
    ignore: Notated = b""
    """Bytes that may stand alone between frames."""
    first: Literal["drop", "keep"] = "drop"
    """Whether the first line after opening counts: only where a cut one cannot look whole."""
    unit: str | None = None
    """The unit of a scale that sends none."""
    recognise: bool = True
    """Whether an unnamed scale may be taken for this one."""
    request: Request | None = None
    trust: TrustRule = Field(default_factory=TrustRule)
    fields: dict[str, AnyOfFields] = Field(default_factory=dict)
    """Fields that all forms share."""
    reports: Literal["", "hid-scale"] = ""
    """`hid-scale`: no lines, but reports that the device's own descriptor lays out."""
    form: list[Form] = Field(default_factory=list, validate_default=True)
    _renderer: Any = PrivateAttr(None)
    _compiled: Any = PrivateAttr(None)

    @field_validator("form")
    @classmethod
    def _formed(cls, forms: list[Form], others: ValidationInfo) -> list[Form]:
        if bool(forms) == bool(others.data.get("reports")):
            raise ValueError("lines have at least one form, reports have none")
        return forms

    @model_validator(mode="after")
    def _framed(self) -> Profile:
        if not self.start and not self.end and not self.reports:
            raise ValueError("a profile needs a start, an end or both")
        return self

    @property
    def compiled(self) -> Any:
        """What `frame_shape` made of it, once it has."""
        return self._compiled

    def keep_compiled(self, compiled: object) -> None:
        """Keep that for the next time."""
        self._compiled = compiled

    @property
    def names_unit(self) -> bool:
        """Whether the scale's lines, or this profile, say what unit the weight is in."""
        fields = [*self.fields.values(), *(f for form in self.form for f in form.fields.values())]
        marked = "'unit:" in str(self.model_dump())
        layouts = [form.layout + "".join(line.layout for line in form.line) for form in self.form]
        standing = any(isinstance(field, UnitField) for field in fields) or any(
            "{unit" in layout for layout in layouts
        )
        return bool(self.unit) or marked or standing

    def field(self, form: Form, name: str) -> AnyOfFields:
        """The field of that name in `form`: its own, the shared one, or the name's usual one."""
        if name in form.fields:
            return form.fields[name]
        if name in self.fields:
            return self.fields[name]
        usual: dict[str, AnyOfFields] = {"number": NumberField(), "unit": UnitField()}
        if name in usual:
            return usual[name]
        if name.startswith("any"):
            return AnyField()
        raise ProfileError(f"{self.name}: the layout names a field {name!r} that is not described")

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
        """The frame that a scale of this profile sends for `text`; see `Renderer.render`."""
        from drivers.frame_render import Renderer  # it needs the profile first

        if self._renderer is None:
            self._renderer = Renderer(self)
        renderer: Renderer = self._renderer
        return renderer.render(text, unit, stable=stable, net=net, overload=overload, family=family)


def parse_profile(text: str, where: str = "profile") -> Profile:
    """The profile in this TOML text; ProfileError names `where`, the key and what is wrong."""
    from drivers.frame_shape import compile_profile  # it needs the profile first

    profile = _parsed(text, where)
    try:
        if not profile.reports:
            compile_profile(profile)  # one that cannot be matched is not right
    except (ProfileError, ValueError, re.error) as error:
        raise ProfileError(f"{where}: {error}") from error
    return profile


def _parsed(text: str, where: str) -> Profile:
    try:
        return Profile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"{where}: not a TOML file: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ProfileError(f"{where}: {key or 'file'}: {first['msg']}") from error
    except (ProfileError, ValueError, re.error) as error:
        raise ProfileError(f"{where}: {error}") from error


def load_profile(name_or_file: str) -> Profile:
    """The profile of that name among those that ship, or the one in that file.

    Raises ProfileError where there is none, listing the names that there are.
    """
    if (shipped := _FOLDER / f"{name_or_file}.toml") in shipped_files():
        return _load(shipped)
    path = Path(name_or_file).expanduser()
    if not path.is_file():
        names = ", ".join(file.stem for file in shipped_files())
        raise ProfileError(
            f"no line shape is called {name_or_file!r}, and no such file is there; known: {names}"
        )
    try:
        return parse_profile(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise ProfileError(f"{path} cannot be read: {error}") from error


def known_profiles() -> tuple[Profile, ...]:
    """Every line shape that ships, by name."""
    return tuple(p for p in map(_load, shipped_files()) if not p.reports)


@cache
def shipped_files() -> tuple[Path, ...]:
    """The files of the profiles that ship."""
    return tuple(sorted(_FOLDER.glob("*.toml")))


@cache
def _load(file: Path) -> Profile:
    """One that ships: the tests have seen that it can be matched, which takes a while."""
    return _parsed(file.read_text(encoding="utf-8"), file.name)
