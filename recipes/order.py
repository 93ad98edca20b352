"""What an order is: checked, frozen values with strict keys, named as in the order file.

Owns the shape of an order and its defaults. Knows nothing of files, lines or dates of today, and
does no arithmetic (see `plan`).
"""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from recipes.model import Grams, GramsOrZero, Name, Seconds
from recipes.order_rules import broken_order_rules
from recipes.rules import raise_broken

MOST_PIECES = 10_000
"""More than one person pours for one order; a larger number is a slip of the finger."""


def _day(value: Any) -> Any:
    """A date as TOML has it, or as text in the same form, as the journal keeps it."""
    if isinstance(value, str):
        try:
            return datetime.date.fromisoformat(value)
        except ValueError:
            value = None
    if not isinstance(value, datetime.date) or isinstance(value, datetime.datetime):
        raise PydanticCustomError("date_type", "not a date")
    return value


Whole = Annotated[int, Field(strict=True, ge=1, le=MOST_PIECES)]
SecondsOrZero = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e6)]
Money = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e9)]
Day = Annotated[datetime.date, BeforeValidator(_day)]


class _Table(BaseModel):
    """One table of the file: unknown keys refused, values frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True)


class Mold(_Table):
    """The molds in hand, all alike. `grams_per_piece` is resin in one piece with its sprue."""

    cavities: Whole
    grams_per_piece: Grams
    count: Whole = 1
    pulls_left: Annotated[int, Field(strict=True, ge=0, le=100_000)] | None = None
    """Castings that each mold still gives; None: not known."""
    release_every: Whole | None = None
    """Batches from one release agent to the next; None: none is used."""


class Tank(_Table):
    """The pressure tank: how many molds fit in at once."""

    molds: Whole = 1


class Allow(_Table):
    """What is expected to go wrong, and how sure the number of good pieces has to be."""

    reject_pct: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=100)] = 0.0
    confidence_pct: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=50, le=99.99)] = (
        95.0
    )
    waste_pct: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)] = 0.0
    """Material on top for cups that are missed and for trials."""


class BatchSeconds(_Table):
    """The person's own times per batch, seconds; None: not known (see `pace.ASSUMED_S`)."""

    dispense: Seconds | None = None
    """From the empty cup to the last part landed."""
    stir: Seconds | None = None
    fill: Seconds | None = None
    tank: SecondsOrZero | None = None
    """Molds in, lid on, pressure up."""
    vent: SecondsOrZero | None = None
    """Pressure down to zero, lid off, molds out."""
    demold: Seconds | None = None
    release: SecondsOrZero | None = None
    """Release agent on one mold."""


class Operation(_Table):
    """One step on each piece after demolding; `within_s` of demolding, None: it can wait."""

    name: Name
    seconds_per_piece: Seconds | None = None
    within_s: Seconds | None = None


class Setup(_Table):
    """Something that is done once before the first batch."""

    name: Name
    minutes: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100_000)]


class Costs(_Table):
    """What things cost, in `currency`. `margin_pct` is of the price."""

    currency: Annotated[Name, Field(max_length=12)]
    per_kg: dict[Name, Money] = Field(default_factory=dict)
    labour_per_hour: Money = 0.0
    per_batch: Money = 0.0
    once: Money = 0.0
    margin_pct: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, lt=100)] = 0.0


class Jug(_Table):
    """One container on the shelf. A jug of the tinted part counts as tinted already."""

    name: Name
    part: Name
    grams: GramsOrZero
    lot: Name | None = None
    opened: Day | None = None
    keeps_days: Annotated[int, Field(strict=True, ge=1, le=36_500)] | None = None
    """Days after `opened` that it may still be used; None: it keeps."""
    shake_every_s: Seconds | None = None

    @property
    def use_by(self) -> datetime.date | None:
        """The last day that it may be used; None where it keeps, or was not opened."""
        if self.opened is None or self.keeps_days is None:
            return None
        try:
            return self.opened + datetime.timedelta(days=self.keeps_days)
        except OverflowError:  # past the calendar's last year
            return datetime.date.max


class Order(_Table):
    """How many good pieces of what, and with which molds, tank, times, prices and jugs."""

    name: Name
    recipe: Name
    """The recipe's name, or a path relative to the order's file."""
    pieces: Whole
    mold: Mold
    tank: Tank | None = None
    allow: Allow = Allow()
    seconds: BatchSeconds = BatchSeconds()
    operations: tuple[Operation, ...] = Field(default=(), alias="operation", max_length=40)
    setups: tuple[Setup, ...] = Field(default=(), alias="setup", max_length=40)
    cost: Costs | None = None
    jugs: tuple[Jug, ...] = Field(default=(), alias="jug", max_length=200)

    @model_validator(mode="after")
    def _keeps_the_rules(self) -> Self:
        raise_broken("Order", broken_order_rules(self))
        return self

    @property
    def setup_s(self) -> float:
        """Seconds of all that is done before the first batch."""
        return 60 * sum(setup.minutes for setup in self.setups)
