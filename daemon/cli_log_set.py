"""What is to be otherwise in a replay: another recipe, or single values by their dotted names.

Owns the names that `--set` takes and what a value has to be. Replays nothing and reads no log.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from pydantic import BaseModel, ValidationError

from daemon.bench import Bench, hand_key, hand_of
from daemon.hand import Hand
from daemon.logfile import LogError
from daemon.openings import next_plan
from daemon.replay import with_recipe
from daemon.scale_traits import ScaleTraits
from recipes.model import Chemistry, Cup, Dye, Part, PotLifeAt, Recipe, Stops, Times
from recipes.toml_file import FileError, problems_of

WRONG_USE = 2


def _measures(values: Any) -> tuple[str, ...]:
    """The fields that are one number with a unit, as their names say."""
    names = [found.name for found in fields(values) if found.type == "float"]
    return tuple(name for name in names if name.endswith(("_s", "_g")))


HAND, SCALE = _measures(Hand), _measures(ScaleTraits)
_OWN = ("risk_pct", *(f"hand.{name}" for name in HAND), *(f"scale.{name}" for name in SCALE))
"""What is no matter of the recipe: a number each, held for the whole replay."""

_TABLES: dict[str, type[BaseModel]] = {
    "dye": Dye,
    "stops": Stops,
    "cup": Cup,
    "times": Times,
    "times.pot_life_at": PotLifeAt,
    "chemistry": Chemistry,
}
_NOT_ONE_VALUE = ("times.pot_life_at", "times.pot_life_also")


def known_keys(recipe: Recipe) -> list[str]:
    """Every name that `--set` takes for a log with this recipe."""
    keys = ["shot_g", "hold_back_g", "method"]
    for name in recipe.part_names:
        keys += [f"part.{name}.{key}" for key in Part.model_fields if key != "name"]
    for table, model in _TABLES.items():
        keys += [f"{table}.{found.alias or key}" for key, found in model.model_fields.items()]
    return [*(key for key in keys if key not in _NOT_ONE_VALUE), *_OWN]


def parse_sets(words: Iterable[str]) -> dict[str, str]:
    """`key=value` as given on the command line; raises LogError for what is no such pair."""
    found = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals or not key.strip() or not value.strip():
            raise LogError(
                f'--set {word}: give a key and a value, as in "--set stops.coarse=0.7".', WRONG_USE
            )
        found[key.strip()] = value.strip()
    return found


@dataclass(frozen=True, slots=True)
class Otherwise:
    """Another recipe, single values, or both; a replay's change."""

    recipe: Recipe | None = None
    sets: Mapping[str, str] = field(default_factory=dict)

    def begin(self, bench: Bench) -> Bench:
        """The bench from which the batch opens; LogError (status 2) for what cannot be set."""
        plan = next_plan(bench)
        if plan is None:
            raise LogError("The log does not begin where a batch opens, so nothing can be changed.")
        recipe = self.recipe or plan.recipe
        self._refuse_unknown(recipe)
        ours = {key: value for key, value in self.sets.items() if key not in _OWN}
        return self.hold(with_recipe(bench, changed(recipe, ours)))

    def hold(self, bench: Bench) -> Bench:
        """The bench with the values that a batch would otherwise go on learning."""
        risk_pct = self._numbers("", ("risk_pct",)).get("risk_pct")
        if risk_pct is not None and bench.settings.risk_pct != risk_pct:
            bench = replace(bench, settings=replace(bench.settings, risk_pct=risk_pct))
        old, scale = hand_of(bench), bench.weighing.scale
        hand = replace(old, **self._numbers("hand.", HAND))
        if hand != old:
            hands = dict(bench.hands) | {hand_key(bench): hand}
            bench = replace(bench, hands=tuple(sorted(hands.items())))
        held = replace(scale, **self._numbers("scale.", SCALE))
        if held != scale:
            bench = replace(bench, weighing=replace(bench.weighing, scale=held))
        return bench

    def _numbers(self, prefix: str, names: Iterable[str]) -> dict[str, Any]:
        return {
            name: _number(prefix + name, self.sets[prefix + name])
            for name in names
            if prefix + name in self.sets
        }

    def _refuse_unknown(self, recipe: Recipe) -> None:
        known = known_keys(recipe)
        for key in self.sets:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                perhaps = f"perhaps {near[0]} is meant; " if near else ""
                raise LogError(
                    f"--set {key}: there is no such setting; {perhaps}known are "
                    f"{', '.join(known)}.",
                    WRONG_USE,
                )


def changed(recipe: Recipe, sets: Mapping[str, str]) -> Recipe:
    """The recipe with these values; raises LogError (status 2) where that is no recipe."""
    data = recipe.model_dump(mode="json")
    for key, text in sets.items():
        table, name = _place(data, recipe, key)
        table[name] = _value(text)
    try:
        return Recipe.model_validate(data)
    except ValidationError as error:
        given = " ".join(f"{key}={value}" for key, value in sets.items())
        problems = problems_of(error, {}, {})
        raise LogError(str(FileError(f"--set {given}", problems)), WRONG_USE) from None


def _place(data: dict[str, Any], recipe: Recipe, key: str) -> tuple[dict[str, Any], str]:
    """The table of the recipe that a key stands in, and its name there."""
    if key.startswith("part."):
        part, _, name = key.removeprefix("part.").rpartition(".")
        return data["part"][recipe.part_names.index(part)], name
    *tables, name = key.split(".")
    for table in tables:
        if data.get(table) is None:
            data[table] = {}
        data = data[table]
    return data, name


def _value(text: str) -> float | bool | str | None:
    words: dict[str, bool | None] = {"true": True, "false": False, "none": None}
    if text.lower() in words:
        return words[text.lower()]
    try:
        return float(text)
    except ValueError:
        return text


def _number(key: str, text: str) -> float:
    highest = 50.0 if key == "risk_pct" else 1000.0
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.001 <= value <= highest:
        raise LogError(
            f"--set {key}={text}: found {text}, expected a number from 0.001 to {highest:g}.",
            WRONG_USE,
        )
    return value
