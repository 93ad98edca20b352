"""How long each step of an order takes, in seconds, and where each figure comes from.

Owns which figure counts: the order's, else what this shop measured, else an assumption that is
named. Knows nothing of molds in hand, tanks or people; those are the `shop`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from recipes.model import Recipe
from recipes.order import Order

ASSUMED_S: Mapping[str, float] = {
    "dispense": 90.0,
    "stir": 30.0,
    "fill": 90.0,
    "tank": 10.0,
    "vent": 30.0,
    "demold": 120.0,
}
"""Seconds per batch where nothing is known: common practice, no source. Release agent, `release`,
is left out until it is known, since some molds need none. A recipe's stir_s goes before `stir`."""

ASSUMED_PER_PIECE_S = 15.0
"""Seconds for one operation on one piece where nothing is known: common practice, no source."""

BEFORE_FIRST_PART = 0.2
"""Share of the dispensing that goes to cup, tare and lids before the first part runs; the rest is
split between the parts by their mass. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Work:
    """One operation on each piece. `within_s` of demolding, None: it can wait."""

    name: str
    seconds_per_piece: float
    within_s: float | None = None


@dataclass(frozen=True, slots=True)
class Pace:
    """What the steps take, seconds. The person's own times are per batch, clocks the recipe's."""

    dispense_s: float
    stir_s: float
    fill_s: float
    demold_s: float
    tank_s: float = 0.0
    vent_s: float = 0.0
    release_s: float = 0.0
    """For one mold."""
    contact_s: float = 0.0
    """From the start of the dispensing to where the reaction starts."""
    cure_s: float = 0.0
    """From there until it can be demolded."""
    pressure_s: float | None = None
    """In the closed tank; None: nothing is pressed."""
    pour_by_s: float | None = None
    press_by_s: float | None = None
    """Under pressure at the latest so long after contact; None: no such clock."""
    operations: tuple[Work, ...] = ()

    @property
    def pour_s(self) -> float:
        """From the empty cup to the filled molds: one stretch, since the resin does not wait."""
        return self.dispense_s + self.stir_s + self.fill_s

    @property
    def left_to_press_s(self) -> float | None:
        """From the start of the dispensing to when the tank must be under pressure."""
        return None if self.press_by_s is None else self.contact_s + self.press_by_s

    @property
    def piece_s(self) -> float:
        """The person's time on one piece after demolding."""
        return sum(work.seconds_per_piece for work in self.operations)


@dataclass(frozen=True, slots=True)
class Paced:
    """A pace, and by name which of its figures came from the shop or are assumed, seconds."""

    pace: Pace
    measured: dict[str, float]
    assumed: dict[str, float]


def pace_of(
    order: Order, recipe: Recipe, known_seconds: Mapping[str, float] | None = None
) -> Paced:
    """The pace of this order; `known_seconds` are this shop's own, by step or operation name.

    A step's are per batch, an operation's per piece. What the order says goes first.
    """
    source = _Source(order, recipe, known_seconds or {})
    pressed = recipe.uses_tank
    dispense_s = source.step("dispense")
    times = recipe.times
    pace = Pace(
        dispense_s=dispense_s,
        stir_s=source.step("stir"),
        fill_s=source.step("fill"),
        demold_s=source.step("demold"),
        tank_s=source.step("tank") if pressed else 0.0,
        vent_s=source.step("vent") if pressed else 0.0,
        release_s=source.release() if order.mold.release_every is not None else 0.0,
        contact_s=dispense_s * contact_share(recipe),
        cure_s=times.demold_s or 0.0,
        pressure_s=times.pressure_s,
        pour_by_s=times.pour_by_s,
        press_by_s=(times.press_by_s or times.pot_life_s) if pressed else None,
        operations=tuple(
            Work(op.name, source.per_piece(op.name, op.seconds_per_piece), op.within_s)
            for op in order.operations
        ),
    )
    return Paced(pace, source.measured, source.assumed)


def contact_share(recipe: Recipe) -> float:
    """At which share of the dispensing the reaction starts: when its second reactive part runs."""
    if recipe.cup.one_per_part or recipe.contact_part is None:
        return 1.0
    before = sum(recipe.neat_shares[: recipe.contact_part])
    return BEFORE_FIRST_PART + (1 - BEFORE_FIRST_PART) * before


class _Source:
    """Looks figures up, and notes those that are not the order's own."""

    def __init__(self, order: Order, recipe: Recipe, known: Mapping[str, float]) -> None:
        self.order = order
        self.recipe = recipe
        self.known = known
        self.measured: dict[str, float] = {}
        self.assumed: dict[str, float] = {}

    def step(self, name: str) -> float:
        given = getattr(self.order.seconds, name)
        if given is not None:
            return float(given)
        if name in self.known:
            return self._measured(name)
        if name == "stir" and self.recipe.times.stir_s is not None:
            return self.recipe.times.stir_s
        return self._assumed(name, ASSUMED_S[name])

    def release(self) -> float:
        given = self.order.seconds.release
        if given is not None:
            return given
        return self._measured("release") if "release" in self.known else 0.0

    def per_piece(self, name: str, given: float | None) -> float:
        if given is not None:
            return given
        if name in self.known:
            return self._measured(name)
        return self._assumed(name, ASSUMED_PER_PIECE_S)

    def _measured(self, name: str) -> float:
        self.measured[name] = float(self.known[name])
        return self.measured[name]

    def _assumed(self, name: str, seconds: float) -> float:
        self.assumed[name] = seconds
        return seconds
