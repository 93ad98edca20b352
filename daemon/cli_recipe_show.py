"""`recipe show`: what follows from a recipe, as data and as lines for a person.

Owns which figures are shown and how. Knows no scale and no hand: the stops that will be predicted
while pouring are those a pour by an unknown hand on an unknown scale would begin with.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from daemon import batch, cautions, hand, pour, weighing
from daemon.cli import UsageError
from recipes.advice import warnings
from recipes.amounts import Basis, basis, targets_g
from recipes.chemistry import hardener_phr
from recipes.mix import intended
from recipes.model import Recipe, Role
from recipes.potlife import pot_life, scaled_to_pot_life_s

_WIDTH = 96


@dataclass(frozen=True, slots=True)
class _Weighed:
    """One thing to weigh: what it is to come to, and where the cues would be given."""

    name: str
    role: str
    target_g: float
    tolerance_g: float
    coarse_g: float | None
    fine_g: float | None
    stops: str
    """`given` by the recipe, or `predicted` while pouring."""


def sheet(recipe: Recipe, path: Path, batch_g: float, celsius: float | None) -> dict[str, Any]:
    """All that follows from a recipe, as it is printed with `--json`."""
    items = basis(recipe)
    mix = intended(recipe, items, batch_g)
    _must_fit(mix.total_g, recipe.cup.capacity_g)
    return {
        "name": recipe.name,
        "file": str(path),
        "method": recipe.method,
        "batch_g": batch_g,
        "hold_back_g": recipe.hold_back_g,
        "total_g": round(mix.total_g, 3),
        "cup_takes_g": recipe.cup.capacity_g,
        "cup_for_each_part": recipe.cup.one_per_part,
        "parts": [asdict(item) for item in _weighed(recipe, items, batch_g)],
        "ratio_tolerance_pct": recipe.stops.ratio_tolerance_pct,
        "dye_g": round(mix.dye_g, 3),
        "index": None if mix.index is None else round(mix.index, 1),
        "target_index": recipe.chemistry.target_index,
        "phr": _phr(recipe),
        **_times(recipe, batch_g, celsius),
        "prompts": recipe.prompts,
        "cautions": _cautions(recipe),
        "warnings": list(warnings(recipe)),
    }


def _must_fit(total_g: float, capacity_g: float | None) -> None:
    if capacity_g is not None and total_g > capacity_g:
        raise UsageError(
            f"{total_g:.1f} g do not fit the cup, which takes {capacity_g:g} g. "
            "Give a smaller --batch-g, or a larger cup in the recipe."
        )


def _weighed(recipe: Recipe, items: Basis, batch_g: float) -> Iterator[_Weighed]:
    """Each item in order, with the stops that a pour by an unknown hand would begin with."""
    opened = batch.opened(1, recipe, batch_g)
    sign = 1 if recipe.method == "gain" else -1
    for index, item in enumerate(items.items):
        goal = batch.goal(replace(opened, queue=(index,)), 0.0, 2.0)
        begun = pour.begin(goal, 0.0, sign, 0.0, weighing.start(), hand.fresh())
        coarse, fine = begun.stops_g
        yield _Weighed(
            name=item.name,
            role="dye" if item.is_dye else recipe.parts[index].known_role.value,
            target_g=round(goal.target_g, 3),
            tolerance_g=round(goal.tolerance_g, 3),
            coarse_g=None if coarse is None else round(coarse, 1),
            fine_g=None if fine is None else round(fine, 1),
            stops="predicted" if goal.fine is None else "given",
        )


def _phr(recipe: Recipe) -> dict[str, float] | None:
    """Hardener per hundred of epoxy: as mixed, and as the equivalent weights ask for."""
    shares = zip(recipe.parts, recipe.neat_shares, strict=True)
    found = {part.known_role: (part, share) for part, share in shares}
    if len(recipe.parts) != 2 or not {Role.EPOXY, Role.HARDENER} <= set(found):
        return None
    epoxy, hardener = found[Role.EPOXY], found[Role.HARDENER]
    phr = {"mixed": round(100 * hardener[1] / epoxy[1], 2)}
    if epoxy[0].eew and hardener[0].ahew:
        phr["asked_for"] = round(hardener_phr(hardener[0].ahew, epoxy[0].eew), 2)
    return phr


def _times(recipe: Recipe, batch_g: float, celsius: float | None) -> dict[str, Any]:
    """The clocks, in seconds, as they would run for this batch."""
    times = recipe.times
    life = pot_life(recipe, celsius, sum(targets_g(basis(recipe), batch_g)))

    def scaled(stated_s: float | None) -> float | None:
        if stated_s is None or life is None:
            return stated_s
        return round(scaled_to_pot_life_s(recipe, stated_s, life.seconds), 1)

    contact = recipe.contact_part
    return {
        "contact": None if contact is None else recipe.part_names[contact],
        "pot_life_s": None if life is None else round(life.seconds, 1),
        "pot_life_basis": None if life is None else life.basis,
        "pour_by_s": scaled(times.pour_by_s),
        "press_by_s": scaled(times.press_by_s),
        "stir_s": times.stir_s,
        "pressure_s": times.pressure_s,
        "demold_s": times.demold_s,
        "trim_until_s": times.trim_until_s,
    }


def _cautions(recipe: Recipe) -> list[str]:
    roles = recipe.cautions_for
    urethane, epoxy = Role.ISOCYANATE in roles, Role.EPOXY in roles
    all_of_them = (
        (urethane, cautions.ISOCYANATE),
        (urethane, cautions.DAMP),
        (epoxy, cautions.EPOXY),
        (urethane or epoxy, cautions.HEAT),
        (recipe.uses_tank, cautions.TANK),
        (recipe.uses_tank, cautions.VENT),
        (urethane, cautions.DUST),
    )
    return [caution for belongs, caution in all_of_them if belongs]


def lines(sheet: dict[str, Any]) -> Iterator[str]:
    """The same for a person."""
    yield f"{sheet['name']}  ({sheet['file']})"
    yield ""
    yield from _amount_lines(sheet)
    yield ""
    yield from _clock_lines(sheet)
    for title, lines in (
        ("The shop's own words", [f"{step}: {text}" for step, text in sheet["prompts"].items()]),
        ("Cautions", sheet["cautions"]),
        ("Odd about it", sheet["warnings"]),
    ):
        if lines:
            yield ""
            yield title
            yield from (_wrapped(line, "  ", "    ") for line in lines)


def _wrapped(text: str, first: str, then: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=first, subsequent_indent=then)


def _amount_lines(sheet: dict[str, Any]) -> Iterator[str]:
    cup = f", and the cup takes {sheet['cup_takes_g']:g} g" if sheet["cup_takes_g"] else ""
    dye = f", {sheet['total_g']:.2f} g with its {sheet['dye_g']:.2f} g of dye"
    yield f"{sheet['batch_g']:g} g of resin{dye if sheet['dye_g'] else ''}{cup}."
    if sheet["hold_back_g"]:
        yield f"Of it {sheet['hold_back_g']:g} g stay in the cup."
    if sheet["method"] == "loss":
        yield "The container stands on the scale and is poured from."
    if sheet["cup_for_each_part"]:
        yield "Each part is weighed in a cup of its own; the reaction starts when they meet."
    yield ""
    width = max(len(_called(part)) for part in sheet["parts"])
    yield f"  {'':{width}}  {'TARGET':>10}  {'EASE OFF':>10}  {'STOP':>10}  LANDED WITHIN"
    for part in sheet["parts"]:
        yield (
            f"  {_called(part):{width}}  {part['target_g']:8.2f} g"
            f"  {_stop(part, 'coarse_g'):>10}  {_stop(part, 'fine_g'):>10}"
            f"  ± {part['tolerance_g']:.2f} g"
        )
    if any(part["stops"] == "predicted" for part in sheet["parts"]):
        yield (
            "  ~ is predicted anew while pouring; these are for a hand and a scale not known yet."
        )
    yield f"  The ratio may be off by {sheet['ratio_tolerance_pct']:g} %."
    if sheet["index"] is not None:
        aim = f", and {sheet['target_index']:g} is the target" if sheet["target_index"] else ""
        yield f"  Index {sheet['index']:.1f}{aim}."
    if sheet["phr"]:
        asked = sheet["phr"].get("asked_for")
        chemistry = "" if asked is None else f"; the equivalent weights ask for {asked:g}"
        yield f"  {sheet['phr']['mixed']:g} of hardener to 100 of resin{chemistry}."


def _called(part: dict[str, Any]) -> str:
    name, role = part["name"], part["role"]
    return str(name) if role in ("other", name) else f"{name}, {role}"


def _stop(part: dict[str, Any], which: str) -> str:
    if not part[which]:
        return "trickle" if which == "coarse_g" else "by drops"
    return f"{'~ ' if part['stops'] == 'predicted' else ''}{part[which]:.1f} g"


def _clock_lines(sheet: dict[str, Any]) -> Iterator[str]:
    met = "the cups are combined" if sheet["cup_for_each_part"] else f"{sheet['contact']} goes in"
    clocks = (
        ("pot life", "pot_life_s", f"from when {met}"),
        ("pour by", "pour_by_s", "later it no longer levels"),
        ("press by", "press_by_s", "in the tank and under pressure"),
        ("stir", "stir_s", "from the last landing"),
        ("pressure", "pressure_s", "from in the tank; the witness cup decides"),
        ("demold", "demold_s", "from the same start as the pot life"),
        ("trim", "trim_until_s", "from demolding, while sprues cut clean"),
    )
    yield "Clocks"
    for name, key, note in clocks:
        if sheet[key] is not None:
            yield f"  {name:9} {_span(sheet[key]):>12}   {note}"
    if sheet["pot_life_basis"]:
        yield _wrapped(f"The pot life: {sheet['pot_life_basis']}", "  ", "  ")


def _span(seconds: float) -> str:
    """A time as a person says it: `180 s`, `10 min`, `1 h 30 min`."""
    if seconds < 300:
        return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    said = ((hours, "h"), (minutes, "min"), (rest, "s"))
    return " ".join(f"{count} {unit}" for count, unit in said if count)
