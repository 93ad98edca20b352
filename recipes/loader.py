"""Recipe files: from TOML text or a path to a `Recipe`, with every problem at once.

Owns what a recipe file must hold and where files are looked for. Knows nothing of the arithmetic,
of the daemon's settings or of orders.
"""

from __future__ import annotations

import copy
import difflib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from recipes.model import Chemistry, Cup, Dye, Part, PotLifeAt, PotLifePoint, Recipe, Stops, Times
from recipes.rules import PROMPT_STEPS, RULE
from recipes.toml_file import (
    FileError,
    KeyPath,
    Problem,
    decode_file,
    key_lines,
    line_of,
    parse_toml,
    printable,
    problems_of,
)

SAMPLES_DIR = Path(__file__).parent / "samples"
"""The folder of our own examples, looked in last."""


class RecipeError(FileError):
    """A recipe that cannot be used: one plain sentence a line, with file, line and key."""


def _keys(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(field.alias or name for name, field in model.model_fields.items())


_KNOWN: dict[KeyPath, Sequence[str]] = {
    (): _keys(Recipe),
    ("part", -1): _keys(Part),
    ("dye",): _keys(Dye),
    ("stops",): _keys(Stops),
    ("cup",): _keys(Cup),
    ("times",): _keys(Times),
    ("times", "pot_life_at"): _keys(PotLifeAt),
    ("times", "pot_life_also", -1): _keys(PotLifePoint),
    ("chemistry",): _keys(Chemistry),
    ("prompts",): PROMPT_STEPS,
}


def parse_recipe(text: str, source: str = "recipe") -> Recipe:
    """The recipe in a TOML text; `source` is the file's name for the messages.

    Raises RecipeError with all problems that can be told at once.
    """
    try:
        data = parse_toml(text, source)
    except FileError as error:
        raise RecipeError(source, error.problems) from None
    lines = key_lines(text)
    problems = _part_count_problems(data, lines)
    try:
        recipe = Recipe.model_validate(data)
    except ValidationError as error:
        problems += problems_of(error, lines, _KNOWN)
        problems += _hidden_problems(data, error, lines)
        raise RecipeError(source, _in_order(problems)) from None
    if problems:
        raise RecipeError(source, problems)
    return recipe


def load_recipe(path: Path | str) -> Recipe:
    """The recipe in a file. Raises RecipeError where the file or what is in it cannot be used."""
    path = Path(path)
    try:
        text = decode_file(path)
    except FileError as error:
        raise RecipeError(error.source, error.problems) from None
    return parse_recipe(text, str(path))


def find_recipe(
    name_or_path: str, folders: Iterable[Path | str] = (), *, names_only: bool = False
) -> Path:
    """The file that a name (its stem) or a path means; folders are searched in order, then samples.

    With `names_only` a path is not followed, for a name that came in from outside. Raises
    RecipeError that lists the names there are.
    """
    looks_like_path = "/" in name_or_path or "\\" in name_or_path or name_or_path.endswith(".toml")
    if looks_like_path and not names_only and _is_file(Path(name_or_path)):
        return Path(name_or_path)
    places = [*(Path(folder) for folder in folders), SAMPLES_DIR]
    names = list_recipes(places)
    if name_or_path in names:
        return names[name_or_path]
    if looks_like_path and not names_only:
        within = (place / name_or_path for place in places)
        found = next((path for path in within if _is_file(path)), None)
        if found is not None:
            return found
    near = difflib.get_close_matches(name_or_path, names, n=1)
    expected = f'perhaps "{near[0]}"' if near else f"a file, or one of {', '.join(names)}"
    raise RecipeError(printable(name_or_path, 80), [Problem(None, "", "no such recipe", expected)])


def list_recipes(folders: Iterable[Path | str]) -> dict[str, Path]:
    """Name (file stem) to file for the recipes in these folders, the first folder winning."""
    names: dict[str, Path] = {}
    for folder in folders:
        for path in sorted(Path(folder).glob("*.toml")):
            if _is_file(path):
                names.setdefault(path.stem, path)
    return names


def _is_file(path: Path) -> bool:
    """Whether there is such a file; a name that no file could have is simply not there."""
    try:
        return path.is_file()
    except OSError:
        return False


def _part_count_problems(data: dict[str, Any], lines: dict[KeyPath, int]) -> list[Problem]:
    parts = data.get("part")
    if not isinstance(parts, list) or len(parts) != 1:
        return []
    return [Problem(line_of(("part", 0), lines), "part", "one part", "two to six [[part]] tables")]


def _hidden_problems(
    data: dict[str, Any], error: ValidationError, lines: dict[KeyPath, int]
) -> list[Problem]:
    """The broken rules that a wrong value kept from being looked at.

    Rules between keys are only judged on a whole recipe, so what is wrong is put aside and the rest
    judged; a rule that leans on what was put aside is left out.
    """
    wrong = [tuple(found["loc"]) for found in error.errors() if found["type"] != RULE]
    if not wrong:
        return []
    mended = copy.deepcopy(data)
    for path in wrong:
        _put_aside(mended, path)
    try:
        Recipe.model_validate(mended)
    except ValidationError as rest:
        kept = [found for found in rest.errors() if _stands_alone(found, wrong)]
        told = ValidationError.from_exception_data("Recipe", list(_as_raised(kept)))
        return problems_of(told, lines, _KNOWN)
    return []


_STAND_IN: dict[str, Any] = {
    "name": "stand-in",
    "shot_g": 1.0,
    "pot_life_s": 1.0,
    "in": "cup",
}


def _put_aside(data: dict[str, Any], path: KeyPath) -> None:
    *tables, last = path
    here: Any = data
    for key in tables:
        here = here[key]
    if isinstance(here, dict) and last in _STAND_IN:
        here[last] = _STAND_IN[str(last)]
    elif isinstance(here, dict):
        here.pop(str(last), None)


def _stands_alone(found: Any, wrong: Sequence[KeyPath]) -> bool:
    """Whether a broken rule leans on none of the values that were put aside."""
    if found["type"] != RULE:
        return False
    leans_on = [tuple(found["loc"]), *(tuple(path) for path in found["ctx"]["leans_on"])]
    return not any(
        path[: len(bad)] == bad or bad[: len(path)] == path for path in leans_on for bad in wrong
    )


def _as_raised(errors: Iterable[Any]) -> Iterator[Any]:
    for found in errors:
        kind = PydanticCustomError(RULE, "broken rule", found["ctx"])
        yield {"type": kind, "loc": found["loc"], "input": None}


def _in_order(problems: Iterable[Problem]) -> list[Problem]:
    return sorted(dict.fromkeys(problems), key=lambda problem: problem.line or 0)
