"""The rules between a recipe's numbers: what one key demands of another.

Owns which combinations are refused and how that is said. Knows nothing of files or lines; it names
a key by its path, and whoever holds the text finds the line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

if TYPE_CHECKING:
    from recipes.model import Part, Recipe

Path = tuple[str | int, ...]

RULE = "recipe_rule"
"""The type of a validation error that comes from here."""


MOST_PARTS = 6
"""More than any mix poured by hand; a longer list is a slip."""

PROMPT_STEPS = (
    "cup", "pour", "settle", "decide", "dye", "combine", "stir", "away",
    "fill", "tank", "vent", "demold", "trim",
)  # fmt: skip
"""The steps a shop may put its own words to; a part's name stands for the pour of that part."""


@dataclass(frozen=True, slots=True)
class Broken:
    """A rule that does not hold: the key to look at, the keys it leans on, found and expected."""

    at: Path
    found: str
    expected: str
    leans_on: tuple[Path, ...] = ()


def raise_broken(title: str, broken: Iterable[Broken]) -> None:
    """Raise one `ValidationError` that carries every broken rule; return where there is none."""
    details: list[InitErrorDetails] = [
        {
            "type": PydanticCustomError(
                RULE,
                "found {found}, expected {expected}",
                {"found": b.found, "expected": b.expected, "leans_on": list(b.leans_on)},
            ),
            "loc": b.at,
            "input": None,
        }
        for b in broken
    ]
    if details:
        raise ValidationError.from_exception_data(title, details)


def broken_rules(recipe: Recipe) -> Iterator[Broken]:
    """Every rule that this recipe breaks, in the order of the file."""
    yield from _shot(recipe)
    yield from _count(recipe)
    yield from _names(recipe)
    for index, part in enumerate(recipe.parts):
        yield from _amount(index, part, recipe)
        yield from _chemistry(index, part)
    yield from _dye(recipe)
    yield from _stops(recipe)
    if recipe.parts and all(part.neat_share > 0 for part in recipe.parts):
        yield from _cup(recipe)
    yield from _times(recipe)
    yield from _prompts(recipe)


def _figure(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _shot(recipe: Recipe) -> Iterator[Broken]:
    if recipe.hold_back_g >= recipe.shot_g:
        yield Broken(
            ("hold_back_g",),
            _figure(recipe.hold_back_g),
            f"less than shot_g, which is {_figure(recipe.shot_g)}",
            (("shot_g",),),
        )


def _count(recipe: Recipe) -> Iterator[Broken]:
    if not 1 <= len(recipe.parts) <= MOST_PARTS:
        yield Broken(
            ("part",), f"{len(recipe.parts)} parts", f"two to {MOST_PARTS} [[part]] tables"
        )


def _names(recipe: Recipe) -> Iterator[Broken]:
    seen: dict[str, int] = {}
    for index, part in enumerate(recipe.parts):
        key = part.name.casefold()
        at: Path = ("part", index, "name")
        if key in seen:
            yield Broken(
                at,
                f'"{part.name}" again',
                f"a name of its own: part {seen[key] + 1} has this one, capitals or not",
                (("part", seen[key], "name"),),
            )
        # A lone material takes no dye and may well be the dye.
        if key in {"cup", "dye"} and len(recipe.parts) > 1:
            yield Broken(at, f'"{part.name}"', 'another name: "cup" and "dye" mean the cup and dye')
        seen.setdefault(key, index)


def _amount(index: int, part: Part, recipe: Recipe) -> Iterator[Broken]:
    at: Path = ("part", index)
    sizes = ((*at, "by_weight"), (*at, "by_volume"))
    if part.by_weight is not None and part.by_volume is not None:
        yield Broken(
            sizes[1], "by_weight and by_volume", "one of the two: keep what the data sheet says"
        )
        return
    if part.by_weight is None and part.by_volume is None:
        yield Broken(at, "no amount", "by_weight, or by_volume with density", sizes)
        return
    first = recipe.parts[0]
    if part.by_volume is not None and part.density is None:
        yield Broken(
            at,
            "by_volume without density",
            "density in g/mL, because the scale weighs (the data sheet has it)",
            ((*at, "density"),),
        )
    mixed = (part.by_weight is None) != (first.by_weight is None)
    if mixed and (first.by_weight is None) != (first.by_volume is None):
        mine, other = ("by_volume", "by_weight") if part.by_volume else ("by_weight", "by_volume")
        yield Broken(
            (*at, mine),
            f"{mine}, where part 1 is {other}",
            f"all parts alike: {other}",
            (("part", 0, "by_weight"), ("part", 0, "by_volume")),
        )


_ROLE_OF_FIGURE = {
    "nco_pct": "isocyanate",
    "oh_number": "polyol",
    "eew": "epoxy",
    "ahew": "hardener",
}
_CANNOT_SHARE_A_JUG = (("nco_pct", "oh_number"), ("nco_pct", "ahew"), ("eew", "ahew"))


def _chemistry(index: int, part: Part) -> Iterator[Broken]:
    at: Path = ("part", index)
    given = {key: getattr(part, key) for key in _ROLE_OF_FIGURE if getattr(part, key)}
    for one, other in _CANNOT_SHARE_A_JUG:
        if one in given and other in given:
            yield Broken(
                (*at, other),
                f"{one} and {other} in one part",
                "one of them, because the two react with each other in the jug",
                ((*at, one),),
            )
    # An epoxy resin or an amine may well carry hydroxyl too; the other figures name the role.
    for key in ("nco_pct", "eew", "ahew"):
        role = _ROLE_OF_FIGURE[key]
        if key in given and part.role.value not in {role, "other"}:
            yield Broken(
                (*at, key),
                f'{key} in a part whose role is "{part.role.value}"',
                f'role = "{role}", or no {key}',
                ((*at, "role"),),
            )


def _dye(recipe: Recipe) -> Iterator[Broken]:
    if recipe.dye is None or recipe.dye.into == "cup" or recipe.dye.into in recipe.part_names:
        return
    names = ", ".join(f'"{name}"' for name in recipe.part_names)
    yield Broken(
        ("dye", "in"),
        f'"{recipe.dye.into}"',
        f'"cup" or the name of a part: {names}',
        _part_names(recipe),
    )


def _part_names(recipe: Recipe) -> tuple[Path, ...]:
    return tuple(("part", index, "name") for index in range(len(recipe.parts)))


def _stops(recipe: Recipe) -> Iterator[Broken]:
    coarse, fine = recipe.stops.coarse, recipe.stops.fine
    if (coarse is None) != (fine is None):
        given, missing = ("coarse", "fine") if fine is None else ("fine", "coarse")
        yield Broken(
            ("stops", given),
            f"{given} without {missing}",
            "both, or neither and they are predicted",
            (("stops", missing),),
        )
    if coarse is not None and fine is not None and coarse >= fine:
        yield Broken(
            ("stops", "coarse"),
            _figure(coarse),
            f"less than fine, which is {_figure(fine)}",
            (("stops", "fine"),),
        )


def _cup(recipe: Recipe) -> Iterator[Broken]:
    leans_on: tuple[Path, ...] = (("shot_g",), ("dye", "fraction"), ("dye", "in"), ("part",))
    total = recipe.shot_with_dye_g
    capacity = recipe.cup.capacity_g
    if capacity is not None and total > capacity:
        yield Broken(
            ("cup", "capacity_g"),
            _figure(capacity),
            f"room for the batch, which is {total:.1f} g with its dye: a larger cup or less shot_g",
            leans_on,
        )
    clings = recipe.cup.clings_g
    if recipe.cup.one_per_part and clings and clings >= min(recipe.neat_shares) * recipe.shot_g:
        yield Broken(
            ("cup", "clings_g"),
            _figure(clings),
            "less than the smallest part of the batch",
            leans_on,
        )


def _times(recipe: Recipe) -> Iterator[Broken]:
    times = recipe.times
    pot: Path = ("times", "pot_life_s")
    if times.pot_life_s is None:
        if len(recipe.parts) > 1:
            yield Broken(pot, "nothing", "the data sheet's pot life in seconds", (("part",),))
        return
    for key in ("working_s", "press_by_s"):
        value = getattr(times, key)
        if value is not None and value > times.pot_life_s:
            yield Broken(
                ("times", key),
                _figure(value),
                f"no longer than pot_life_s, which is {_figure(times.pot_life_s)}",
                (pot,),
            )


def _prompts(recipe: Recipe) -> Iterator[Broken]:
    known = (*PROMPT_STEPS, *recipe.part_names)
    for key in recipe.prompts:
        if key not in known:
            yield Broken(
                ("prompts", key),
                "a step that is not known",
                f"one of {', '.join(known)}",
                _part_names(recipe),
            )
