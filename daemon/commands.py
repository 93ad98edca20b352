"""What the bench may be told to do: every command as a strict model, and the reading of one.

Owns the words, the limits and the sentences that refuse a bad command. Does not know whether a
command is allowed at this moment: the batch judges that.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

DoId = str | int | float | None
"""What a command calls itself, echoed as given; None where it could not be read."""

MAX_BYTES = 4096
MAX_DEPTH = 8
_MAX_ID_CHARS = 128
_MAX_SHOWN_CHARS = 40

Mark = Literal[
    "combined",
    "stirred",
    "poured",
    "in-tank",
    "witness-hard",
    "witness-soft",
    "vented",
    "out-of-tank",
    "gelled",
    "demolded",
    "shaken",
]
MARKS: tuple[str, ...] = Mark.__args__  # type: ignore[attr-defined]


class CommandError(ValueError):
    """A command that cannot be read. `sentence` is for the person, `id` for the answer."""

    def __init__(self, sentence: str, id: DoId = None) -> None:  # noqa: A002
        super().__init__(sentence)
        self.sentence = sentence
        self.id = id


def _whole(value: object) -> object:
    """JSON knows one kind of number: 3.0 is a whole number too."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _one_line(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty")
    if any(unicodedata.category(char).startswith("C") for char in text):
        raise ValueError("must be one line of plain text")
    return text.strip()


def _file_stem(text: str) -> str:
    """A recipe comes by name from the recipe folder: a phone must not reach other files."""
    if re.search(r"[/\\]", text) or text.startswith("."):
        raise ValueError("must be the name of a recipe in the recipe folder, not a path")
    return text


Words = Annotated[str, Field(max_length=64), AfterValidator(_one_line)]
Sentence = Annotated[str, Field(max_length=200), AfterValidator(_one_line)]
RecipeName = Annotated[Words, AfterValidator(_file_stem)]
Count = Annotated[int, BeforeValidator(_whole), Field(ge=0, le=1_000_000)]
Number = Annotated[int, BeforeValidator(_whole), Field(ge=1, le=1_000_000_000)]
Place = Number | Words
"""A mold or a cavity, by number or by name."""


class Command(BaseModel):
    """One thing to do. Types are strict; members that are not known are ignored."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)


class Start(Command):
    """Open a batch: of the recipe in use unless named, of its own size unless given."""

    do: Literal["start"]
    recipe: RecipeName | None = None
    batch_g: Annotated[float, Field(gt=0, le=100_000)] | None = None
    pieces: Annotated[Count, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if self.batch_g is not None and self.pieces is not None:
            raise ValueError("give batch_g or pieces, not both")
        return self


class Confirm(Command):
    """Yes to what the bench asks."""

    do: Literal["confirm"]


class Accept(Command):
    """Keep the mix as it is after an overshoot."""

    do: Literal["accept"]


class Correct(Command):
    """Add what brings the mix right after an overshoot."""

    do: Literal["correct"]


class Abandon(Command):
    """Give this batch up."""

    do: Literal["abandon"]
    reason: Sentence | None = None


class Tare(Command):
    """Take what stands on the pan as the cup."""

    do: Literal["tare"]


class TimerDo(Command):
    """Clear a clock or give it more seconds."""

    do: Literal["timer"]
    timer: Words
    clear: bool | None = None
    extend_s: Annotated[float, Field(gt=0, le=604_800)] | None = None

    @model_validator(mode="after")
    def _one_wish(self) -> Self:
        if bool(self.clear) == (self.extend_s is not None):
            raise ValueError("give either clear: true or extend_s")
        return self


class Next(Command):
    """Do the oldest thing that is due."""

    do: Literal["next"]


class MarkDo(Command):
    """Say that something was done to a batch, a jug, or by a finishing operation to pieces."""

    do: Literal["mark"]
    kind: Words
    batch: Number | None = None
    jug: Words | None = None
    pieces: Annotated[Count, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _known_kind(self) -> Self:
        if self.kind == "shaken" and self.jug is None:
            raise ValueError("kind shaken needs jug, the jug's name")
        if self.kind not in MARKS and self.pieces is None:
            raise ValueError(
                f"kind is one of {', '.join(MARKS)}, or a finishing operation's name with pieces"
            )
        return self


class CountDo(Command):
    """Good and rejected pieces of a batch, and why they were rejected."""

    do: Literal["count"]
    batch: Number | None = None
    good: Count | None = None
    rejected: Count | None = None
    cause: Words | None = None
    mold: Place | None = None
    cavity: Place | None = None

    @model_validator(mode="after")
    def _something_counted(self) -> Self:
        if self.good is None and self.rejected is None:
            raise ValueError("give good, rejected, or both")
        return self


class Ambient(Command):
    """How warm it is, in degrees Celsius: feeds the pot life."""

    do: Literal["ambient"]
    celsius: Annotated[float, Field(ge=-40, le=150)]
    of: Literal["room", "resin", "mold"] = "room"


class PersonDo(Command):
    """Who pours from now on."""

    do: Literal["person"]
    name: Words


COMMANDS: dict[str, type[Command]] = {
    "start": Start,
    "confirm": Confirm,
    "accept": Accept,
    "correct": Correct,
    "abandon": Abandon,
    "tare": Tare,
    "timer": TimerDo,
    "next": Next,
    "mark": MarkDo,
    "count": CountDo,
    "ambient": Ambient,
    "person": PersonDo,
}


def parse_do(payload: bytes | bytearray | str | dict[str, Any]) -> tuple[DoId, dict[str, Any]]:
    """Read one command: its id, and the checked command without the id and without absent members.

    Raises CommandError with one plain sentence, and with the id where that much was readable.
    """
    asked = payload if isinstance(payload, dict) else _decode(payload)
    name = _read_id(asked)
    _refuse_deep(asked, name)
    model = COMMANDS.get(asked["do"]) if isinstance(asked.get("do"), str) else None
    if model is None:
        raise CommandError(_unknown(asked), name)
    try:
        command = model.model_validate(asked)
    except ValidationError as error:
        raise CommandError(_first_fault(asked["do"], error), name) from None
    return name, command.model_dump(exclude_none=True)


def _decode(payload: bytes | bytearray | str) -> dict[str, Any]:
    if len(payload) > MAX_BYTES:
        raise CommandError(f"The command is longer than {MAX_BYTES} bytes; nothing was done.")
    try:
        text = payload if isinstance(payload, str) else bytes(payload).decode()
        asked = json.loads(text, object_pairs_hook=_no_twins, parse_constant=_no_constant)
    except CommandError:
        raise
    except (ValueError, RecursionError):
        raise CommandError(
            'The command is no JSON; it looks like {"id": "1", "do": "next"}.'
        ) from None
    if not isinstance(asked, dict):
        raise CommandError(
            'The command is no JSON object; it looks like {"id": "1", "do": "next"}.'
        )
    return asked


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise CommandError("The command has the same member twice; nothing was done.")
    return members


def _no_constant(word: str) -> float:
    raise CommandError(f"The command holds {word}, which is no number in JSON.")


def _read_id(asked: dict[str, Any]) -> DoId:
    given = asked.get("id")
    if isinstance(given, bool) or not isinstance(given, str | int | float):
        raise CommandError("The command needs an id, a string or a number, for the answer to name.")
    if isinstance(given, float) and not math.isfinite(given):
        raise CommandError("The command's id is too large a number; nothing was done.")
    if isinstance(given, str) and (len(given) > _MAX_ID_CHARS or not _is_text(given)):
        raise CommandError(f"The command's id must be text of at most {_MAX_ID_CHARS} characters.")
    return given


def _is_text(text: str) -> bool:
    """Half a surrogate pair can be written in JSON, but not sent back as UTF-8."""
    return not any("\ud800" <= char <= "\udfff" for char in text)


def _refuse_deep(asked: dict[str, Any], name: DoId) -> None:
    level: list[Any] = [asked]
    for _ in range(MAX_DEPTH):
        level = [inner for outer in level for inner in _inner(outer)]
    if level:
        raise CommandError("The command is nested too deep; nothing was done.", name)


def _inner(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def _unknown(asked: dict[str, Any]) -> str:
    known = ", ".join(COMMANDS)
    if "do" not in asked:
        return f"The command has no do; it is one of {known}."
    shown = ascii(asked["do"])[:_MAX_SHOWN_CHARS]
    return f"There is no command {shown}; do is one of {known}."


def _first_fault(do: str, error: ValidationError) -> str:
    fault = error.errors(include_url=False, include_context=False)[0]
    member = next((part for part in fault["loc"] if isinstance(part, str)), None)
    said = fault["msg"].removeprefix("Value error, ")
    if member is None:
        return f"{do}: {said}."
    if fault["type"] == "missing":
        return f"{do} needs {member}."
    if fault["type"] == "value_error":
        return f"{do}: {member} {said}."
    return f"{do}: {member}: {said[:1].lower()}{said[1:]}."
