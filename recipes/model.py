"""What a recipe is: checked, frozen values with strict keys, named as in the recipe file.

Owns the shape of a recipe and the rules between its numbers. Knows nothing of files, lines or
scales, and does no arithmetic on a batch (see `amounts`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from recipes.rules import broken_rules, raise_broken

WORKING_SHARE = 0.8
"""Share of the pot life after which a mix no longer levels, unless the recipe says when."""


def _number(
    *,
    gt: float | None = None,
    ge: float | None = None,
    lt: float | None = None,
    le: float | None = None,
) -> Any:
    """A number proper within bounds: no text, no true or false, no nan, no infinity."""
    return Field(strict=True, allow_inf_nan=False, gt=gt, ge=ge, lt=lt, le=le)


Grams = Annotated[float, _number(ge=0.001, le=1e6)]
GramsOrZero = Annotated[float, _number(ge=0, le=1e6)]
Seconds = Annotated[float, _number(ge=0.001, le=1e8)]
Share = Annotated[float, _number(ge=1e-6, le=1e6)]
Density = Annotated[float, _number(ge=0.05, le=25)]
"""g/mL: from light foamed filler to the heaviest metal powder, so that kg/m3 cannot slip in."""
Celsius = Annotated[float, _number(ge=-40, le=200)]
OhNumber = Annotated[float, _number(ge=0, le=6300)]
"""mg KOH/g; water, the densest carrier of hydroxyl there is, would be 56100/9.0 = 6233."""
EquivalentWeight = Annotated[float, _number(ge=5, le=1e5)]
ONE_LINE = r"^[^\s\x00-\x1f\x7f-\x9f](?:[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f])?$"
"""No control characters, which would upset a terminal; no blanks at the ends, which nobody sees."""
Name = Annotated[str, Field(strict=True, min_length=1, max_length=80, pattern=ONE_LINE)]
Words = Annotated[str, Field(strict=True, min_length=1, max_length=400, pattern=ONE_LINE)]


class _Table(BaseModel):
    """One table of the file: unknown keys refused, values frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True)


class Role(StrEnum):
    """What a part is in the reaction."""

    ISOCYANATE = "isocyanate"
    POLYOL = "polyol"
    EPOXY = "epoxy"
    HARDENER = "hardener"
    SILICONE_BASE = "silicone-base"
    SILICONE_CURATIVE = "silicone-curative"
    FILLER = "filler"
    OTHER = "other"


PAIRS = (
    frozenset({Role.ISOCYANATE, Role.POLYOL}),
    frozenset({Role.EPOXY, Role.HARDENER}),
    frozenset({Role.SILICONE_BASE, Role.SILICONE_CURATIVE}),
)
"""Roles that react when they touch."""


class Part(_Table):
    """One material of the mix; `by_weight`, or `by_volume` with `density` in g/mL."""

    name: Name
    by_weight: Share | None = None
    by_volume: Share | None = None
    density: Density | None = None
    role: Role = Role.OTHER
    nco_pct: Annotated[float, _number(gt=0, le=100)] | None = None
    oh_number: OhNumber | None = None
    eew: EquivalentWeight | None = None
    ahew: EquivalentWeight | None = None
    water_pct: Annotated[float, _number(ge=0, lt=100)] | None = None

    @property
    def neat_share(self) -> float:
        """Mass share before normalising, dye not counted: by weight, or volume x density."""
        if self.by_weight is not None:
            return self.by_weight
        return (self.by_volume or 0.0) * (self.density or 0.0)

    @property
    def known_role(self) -> Role:
        """The role as stated, or as the part's own chemistry tells it."""
        if self.role is not Role.OTHER:
            return self.role
        told = (
            (self.nco_pct, Role.ISOCYANATE),
            (self.eew, Role.EPOXY),
            (self.ahew, Role.HARDENER),
            (self.oh_number, Role.POLYOL),
        )
        return next((role for figure, role in told if figure), Role.OTHER)


class Dye(_Table):
    """Where the colour goes and how much.

    `fraction` is of the tinted jug's mass, or of the resin's mass when weighed into the cup.
    `oh_number` is that of the dye's carrier, mg KOH/g.
    """

    into: Name = Field(alias="in")
    fraction: Annotated[float, _number(ge=0, lt=1)] = 0.0
    oh_number: OhNumber = 0.0
    tolerance_g: Grams = 0.05


class Stops(_Table):
    """When to ease off and to stop, as fractions of the target; predicted where omitted."""

    coarse: Annotated[float, _number(gt=0, lt=1)] | None = None
    fine: Annotated[float, _number(gt=0, le=1)] | None = None
    tolerance_g: Grams = 0.3
    ratio_tolerance_pct: Annotated[float, _number(gt=0, le=50)] = 2.0


class Cup(_Table):
    """What is poured into. `capacity_g` None: not known, so never called too small."""

    capacity_g: Grams | None = None
    one_per_part: StrictBool = False
    clings_g: GramsOrZero = 0.0


class PotLifeAt(_Table):
    """The conditions that a data sheet's pot life was measured in."""

    celsius: Celsius = 23.0
    grams: Grams = 100.0


class PotLifePoint(_Table):
    """One more pot life from the same data sheet, at another temperature or mass."""

    seconds: Seconds
    celsius: Celsius
    grams: Grams


class Times(_Table):
    """The clocks, in seconds; None: no such clock. Only a `fill` has no pot life."""

    pot_life_s: Seconds | None = None
    pot_life_at: PotLifeAt = PotLifeAt()
    pot_life_also: tuple[PotLifePoint, ...] = Field(default=(), max_length=20)
    working_s: Seconds | None = None
    press_by_s: Seconds | None = None
    stir_s: Seconds | None = 30.0
    pressure_s: Seconds | None = None
    demold_s: Seconds | None = None
    trim_until_s: Seconds | None = None

    @property
    def pour_by_s(self) -> float | None:
        """Seconds after contact at which the mix no longer levels; None without a pot life."""
        if self.working_s is not None or self.pot_life_s is None:
            return self.working_s
        return WORKING_SHARE * self.pot_life_s


class Chemistry(_Table):
    """What the shop aims at, 100 being exactly one equivalent for another."""

    target_index: Annotated[float, _number(ge=10, le=1000)] | None = None


def _usual_hold_back_g(earlier: dict[str, Any]) -> float:
    """2 g, what a scraped cup keeps; a tenth of a shot so small that this would be out of place."""
    return min(2.0, 0.1 * float(earlier.get("shot_g", 0.0)))


class Recipe(_Table):
    """What to mix: 1 to 6 parts in the order they are poured (a file has at least 2)."""

    name: Name
    shot_g: Grams
    hold_back_g: GramsOrZero = Field(default_factory=_usual_hold_back_g)
    method: Literal["gain", "loss"] = "gain"
    parts: tuple[Part, ...] = Field(alias="part")
    dye: Dye | None = None
    stops: Stops = Stops()
    cup: Cup = Cup()
    times: Times = Times()
    chemistry: Chemistry = Chemistry()
    prompts: dict[str, Words] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _keeps_the_rules(self) -> Self:
        raise_broken("Recipe", broken_rules(self))
        return self

    @classmethod
    def for_fill(
        cls, part_name: str, grams: float, tolerance_g: float = 0.3, method: str = "gain"
    ) -> Recipe:
        """A one-part recipe that guides a single material to one mass, with no clock."""
        return cls.model_validate(
            {
                "name": f"Fill {part_name}"[:80],
                "shot_g": grams,
                "hold_back_g": 0.0,
                "method": method,
                "part": [{"name": part_name, "by_weight": 1.0}],
                "stops": {"tolerance_g": tolerance_g},
                "times": {"stir_s": None},
            }
        )

    @property
    def is_fill(self) -> bool:
        """Whether this guides a single material and mixes nothing."""
        return len(self.parts) == 1

    @property
    def part_names(self) -> tuple[str, ...]:
        """The parts' names in pouring order."""
        return tuple(part.name for part in self.parts)

    @property
    def neat_shares(self) -> tuple[float, ...]:
        """Each part's share of the neat resin's mass, in pouring order; they sum to 1."""
        raw = [part.neat_share for part in self.parts]
        total = sum(raw)
        return tuple(share / total for share in raw)

    @property
    def dye_part(self) -> int | None:
        """Index of the part whose jug is tinted; None where no part is tinted."""
        if self.dye is None or self.dye.into not in self.part_names:
            return None
        return self.part_names.index(self.dye.into)

    @property
    def dye_in_cup(self) -> bool:
        """Whether the dye is weighed into the cup, after the parts."""
        return self.dye is not None and self.dye.into == "cup" and self.dye.fraction > 0

    @property
    def shot_with_dye_g(self) -> float:
        """What a whole shot weighs in the cup with its dye, grams; a tinted jug brings its own."""
        fraction = self.dye.fraction if self.dye is not None else 0.0
        if self.dye_in_cup:
            return self.shot_g * (1 + fraction)
        if self.dye_part is None:
            return self.shot_g
        tinted = self.shot_g * self.neat_shares[self.dye_part]
        return self.shot_g + tinted * fraction / (1 - fraction)

    @property
    def uses_tank(self) -> bool:
        """Whether the castings go into the pressure tank."""
        return self.times.pressure_s is not None

    @property
    def working_s(self) -> float | None:
        """Pour-by in seconds after contact: as stated, else 0.8 of the pot life."""
        return self.times.pour_by_s

    @property
    def pair_part(self) -> int | None:
        """Index of the first part that completes a pair of roles which react; None without one."""
        roles = [part.known_role for part in self.parts]
        for index, role in enumerate(roles):
            if any(frozenset({role, earlier}) in PAIRS for earlier in roles[:index]):
                return index
        return None

    @property
    def contact_part(self) -> int | None:
        """Index of the part whose first drop starts the reaction; None where nothing reacts.

        `pair_part`; where the roles tell of no pair, the second part that is no filler: a clock
        that starts too early is safe, one that starts too late is not.
        """
        if self.pair_part is not None:
            return self.pair_part
        not_filler = [i for i, p in enumerate(self.parts) if p.known_role is not Role.FILLER]
        return not_filler[1] if len(not_filler) > 1 else None

    @property
    def cautions_for(self) -> frozenset[Role]:
        """The roles in this mix, for the cautions that belong to them."""
        return frozenset(part.known_role for part in self.parts)
