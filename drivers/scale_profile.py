"""How one scale's lines read, written down as data: a TOML file, checked strictly.

Owns the schema, its defaults and the finding of profiles by name; does not know how bytes are
matched against it (`frame_shape`), judged (`trust`) or put together (`frame_render`).
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)

from drivers.checks import RULES
from drivers.notation import to_bytes

FACTS = frozenset("stable moving gross net plus minus over under out status other any".split())
"""The words a mark can stand for.

`over`, `under` and `out` (direction not given) mean: no weight, overload. `status` means: no weight.
`other` means: a legal line that is not the weight on the pan. Beside these, `unit:g` names the unit,
`unit-otherwise:lb` does so unless another field does, `decimals:2` moves the point (`decimals:-1`
appends a zero). `any` means nothing.
"""

if TYPE_CHECKING:
    from drivers.frame_render import Renderer

_WORD = re.compile(r"unit:[^\s]+|unit-otherwise:[^\s]+|decimals:-?\d")
_FOLDER = Path(__file__).parent / "profiles"


class ProfileError(Exception):
    """A profile that is not there or not right; the message says which file, which key and why."""


def _words(value: object) -> object:
    """Accept "stable gross" for a list of words, and refuse a word that means nothing."""
    if not isinstance(value, str):
        return value
    words = tuple(value.split())
    for word in words:
        if word not in FACTS and not _WORD.fullmatch(word):
            raise ValueError(
                f"{word!r} is not one of {', '.join(sorted(FACTS))}, unit:…, decimals:…"
            )
    return words


def _notated(value: object) -> object:
    return to_bytes(value) if isinstance(value, str) else value


Words = Annotated[tuple[str, ...], BeforeValidator(_words)]
Notated = Annotated[bytes, BeforeValidator(_notated)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


class NumberField(_Strict):
    """Digits. Width comes from the layout."""

    kind: Literal["number"] = "number"
    part: Literal["weight", "net", "gross", "tare", "pounds", "ounces"] = "weight"
    """`weight` is the weight on the pan; gross, tare and net of one frame are checked against one
    another; pounds and ounces add up to one weight."""
    sign: Literal["none", "adjacent", "first", "last"] = "adjacent"
    """Where a minus stands: before the first digit (with zeros for padding that is in place of the
    first zero); in the field's first column, padding after it; behind the last digit."""
    plus: bool = False
    """A plus may stand where the minus does."""
    pad: Literal[" ", "0", " 0", ""] = " "
    align: Literal["right", "left", "any"] = "right"
    point: Literal["", ".", ",", ".,"] = "."
    whole: bool = True
    """A number without a point is legal. Where no divisor is known it must be refused."""
    decimals: int | None = None
    """Implied decimals where `point` is empty; else the only number of decimals that is legal."""
    reversed: bool = False
    """The last digit comes first."""
    digits: str = "0123456789"
    """The characters that stand for 0 to 9."""
    brackets: bool = False
    """The last digit stands in square brackets: a digit that is not verified."""
    code: Literal["text", "int-le", "int-be", "uint-le", "uint-be", "bcd-le", "bcd-be"] = "text"
    """Text, or a binary integer (two's complement or unsigned) or packed decimal digits."""

    @field_validator("digits")
    @classmethod
    def _ten(cls, value: str) -> str:
        if len(set(value)) != 10 or len(value) != 10:
            raise ValueError("digits must be ten different characters")
        return value


class FlagField(_Strict):
    """A mark: each text it can hold stands for some words."""

    kind: Literal["flag"] = "flag"
    map: dict[str, Words]
    otherwise: Words | None = None
    """What any other printable text means; without it another text is damage."""
    bytes_too: bool = False
    """`otherwise` takes any byte, not only printable ones."""


class BitCode(_Strict):
    """A number in some bits of a byte, and the words it stands for."""

    bits: str
    map: dict[str, Words]
    otherwise: Words | None = None

    @property
    def span(self) -> tuple[int, int]:
        """Lowest and highest bit."""
        low, _, high = self.bits.partition("-")
        return int(low), int(high or low)


class BitsField(_Strict):
    """One byte whose bits are marks."""

    kind: Literal["bits"] = "bits"
    fixed: str = "........"
    """Bit 7 first: 0 or 1 where the bit is constant, a point where it is free."""
    set: dict[int, Words] = Field(default_factory=dict)
    clear: dict[int, Words] = Field(default_factory=dict)
    code: list[BitCode] = Field(default_factory=list)

    @field_validator("fixed")
    @classmethod
    def _eight(cls, value: str) -> str:
        if not re.fullmatch("[01.]{8}", value):
            raise ValueError("fixed must be eight of 0, 1 and a point, bit 7 first")
        return value


class UnitField(_Strict):
    """The unit, as letters."""

    kind: Literal["unit"] = "unit"
    align: Literal["right", "left", "any"] = "any"
    blank: Words | None = None
    """What an empty unit means; without it an empty unit is damage."""
    given: Words = ()
    """What a unit that is there means."""
    names: dict[str, str] = Field(default_factory=dict)
    """Spellings of this scale alone: {"gr" = "g"}."""


class AnyField(_Strict):
    """Bytes that are not looked at, as long as they are of the right kind."""

    kind: Literal["any"] = "any"
    chars: str = " -~"
    """A character class; "any" takes every byte."""
    fill: Notated = b""
    """What a rendered frame has here; default blanks."""


class CheckField(_Strict):
    """Check bytes over what stands before them in the frame."""

    kind: Literal["check"] = "check"
    rules: list[str]
    """The rule; where published descriptions disagree, all of them: the one that verifies is kept."""
    skip: int = 0
    """Bytes at the start of the frame that are not covered."""
    drop: int = 0
    """Bytes right before the check that are not covered."""
    modulus: int = 256
    complement: Literal["none", "ones", "twos"] = "none"
    add: int = 0
    code: Literal["low-first", "high-first", "hex", "HEX", "decimal"] = "high-first"

    @field_validator("rules")
    @classmethod
    def _known(cls, value: list[str]) -> list[str]:
        if not value or any(rule not in RULES for rule in value):
            raise ValueError(f"rules must be some of {', '.join(RULES)}")
        return value


AnyOfFields = Annotated[
    NumberField | FlagField | BitsField | UnitField | AnyField | CheckField,
    Field(discriminator="kind"),
]


class Line(_Strict):
    """One line that a printed block may hold."""

    layout: str
    optional: bool = False
    """Left out when a frame is rendered."""


class Form(_Strict):
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


class Request(_Strict):
    """What to send to a scale that only answers, and how often."""

    send: Notated
    every_s: float = Field(default=0.25, ge=0.05)
    needed: bool = True
    """Without a request this scale says nothing; False: it may also send by itself."""


class TrustRule(_Strict):
    """When a weight of this scale is held to be at rest."""

    agree: int = Field(default=2, ge=2)
    """Successive equal frames that all say stable."""
    steady_s: float = Field(default=0.6, gt=0)
    """Where frames do not say: how long the weight must have stayed the same, in wall time."""
    silence_s: float = Field(default=3.0, gt=0)
    """A longer pause than this ends trust: zero and tare may be gone."""


class Profile(_Strict):
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
    """Whether the first line after opening may be believed: only where a cut one cannot look whole."""
    unit: str | None = None
    """The unit of a scale that sends none."""
    recognise: bool = True
    """Whether an unnamed scale may be taken for this one."""
    request: Request | None = None
    trust: TrustRule = Field(default_factory=TrustRule)
    fields: dict[str, AnyOfFields] = Field(default_factory=dict)
    """Fields that all forms share."""
    form: list[Form] = Field(min_length=1)
    _renderer: Any = PrivateAttr(None)

    @model_validator(mode="after")
    def _framed(self) -> Profile:
        if not self.start and not self.end:
            raise ValueError("a profile needs a start, an end or both")
        return self

    def field(self, form: Form, name: str) -> AnyOfFields:
        """The field of that name in `form`: its own, the shared one, or the usual one of the name."""
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
    from drivers.frame_shape import compile_profile  # a profile that cannot be matched is not right

    try:
        profile = Profile.model_validate(tomllib.loads(text))
        compile_profile(profile)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"{where}: not a TOML file: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise ProfileError(f"{where}: {key or 'file'}: {first['msg']}") from error
    except (ProfileError, ValueError, re.error) as error:
        raise ProfileError(f"{where}: {error}") from error
    return profile


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
            f"no line shape is called {name_or_file!r} and there is no such file; known are: {names}"
        )
    try:
        return parse_profile(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise ProfileError(f"{path} cannot be read: {error}") from error


def known_profiles() -> tuple[Profile, ...]:
    """Every profile that ships, by name."""
    return tuple(_load(file) for file in shipped_files())


@cache
def shipped_files() -> tuple[Path, ...]:
    """The files of the profiles that ship."""
    return tuple(sorted(_FOLDER.glob("*.toml")))


@cache
def _load(file: Path) -> Profile:
    return parse_profile(file.read_text(encoding="utf-8"), file.name)
