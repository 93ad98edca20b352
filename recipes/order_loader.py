"""Order files: from TOML text or a path to an `Order` and the recipe it names.

Owns what an order file must hold and where its recipe is looked for. Knows nothing of the
arithmetic, nor of who asks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ValidationError

from recipes.loader import RecipeError, find_recipe, load_recipe
from recipes.model import Recipe
from recipes.order import (
    Allow,
    BatchSeconds,
    Costs,
    Jug,
    Mold,
    Operation,
    Order,
    Setup,
    Tank,
)
from recipes.order_rules import broken_with_recipe
from recipes.toml_file import (
    FileError,
    KeyPath,
    Problem,
    decode_file,
    key_lines,
    key_text,
    line_of,
    parse_toml,
    problems_of,
)

SAMPLE_ORDERS_DIR = Path(__file__).parent / "samples" / "orders"
"""The folder of our own examples."""


class OrderError(FileError):
    """An order that cannot be used: one plain sentence a line, with file, line and key."""


@dataclass(frozen=True, slots=True)
class OrderFile:
    """An order with the recipe it names, found and checked against each other."""

    order: Order
    recipe: Recipe
    path: Path
    recipe_path: Path


def _keys(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(field.alias or name for name, field in model.model_fields.items())


_KNOWN: dict[KeyPath, Sequence[str]] = {
    (): _keys(Order),
    ("mold",): _keys(Mold),
    ("tank",): _keys(Tank),
    ("allow",): _keys(Allow),
    ("seconds",): _keys(BatchSeconds),
    ("operation", -1): _keys(Operation),
    ("setup", -1): _keys(Setup),
    ("cost",): _keys(Costs),
    ("jug", -1): _keys(Jug),
}


def parse_order(text: str, source: str = "order") -> Order:
    """The order in a TOML text, not yet held against its recipe; `source` is for the messages.

    Raises OrderError with all problems that can be told at once.
    """
    try:
        data = parse_toml(text, source)
    except FileError as error:
        raise OrderError(source, error.problems) from None
    try:
        return Order.model_validate(data)
    except ValidationError as error:
        raise OrderError(source, problems_of(error, key_lines(text), _KNOWN)) from None


def load_order(path: Path | str, folders: Iterable[Path | str] = ()) -> OrderFile:
    """The order in a file, and its recipe; a recipe's name is looked up in `folders`, then samples.

    Raises OrderError where the order, or RecipeError where its recipe, cannot be used.
    """
    path = Path(path)
    try:
        text = decode_file(path)
    except FileError as error:
        raise OrderError(error.source, error.problems) from None
    order = parse_order(text, str(path))
    lines = key_lines(text)
    recipe_path = _recipe_path(order.recipe, path, folders, lines)
    recipe = load_recipe(recipe_path)
    check_with_recipe(order, recipe, str(path), lines)
    return OrderFile(order, recipe, path, recipe_path)


def check_with_recipe(
    order: Order, recipe: Recipe, source: str = "order", lines: Mapping[KeyPath, int] | None = None
) -> None:
    """Raise OrderError where the order does not go with the recipe; `lines` are the text's."""
    problems = [
        Problem(line_of(broken.at, lines or {}), key_text(broken.at), broken.found, broken.expected)
        for broken in broken_with_recipe(order, recipe)
    ]
    if problems:
        raise OrderError(source, sorted(problems, key=lambda problem: problem.line or 0))


def _recipe_path(
    name: str, order_path: Path, folders: Iterable[Path | str], lines: Mapping[KeyPath, int]
) -> Path:
    """The file that the order's `recipe` means: a path from where the order is, or a name."""
    if "/" in name or "\\" in name or name.endswith(".toml"):
        found = order_path.parent / name
        if _is_file(found):
            return found
        expected = f"a recipe's name, or a path from {order_path.parent or Path()}"
        problem = Problem(line_of(("recipe",), lines), "recipe", f'no file "{name}"', expected)
        raise OrderError(str(order_path), [problem])
    try:
        return find_recipe(name, folders, names_only=True)
    except RecipeError as error:
        why = error.problems[0]
        found_text = f'no recipe called "{name}"'
        problem = Problem(line_of(("recipe",), lines), "recipe", found_text, why.expected)
        raise OrderError(str(order_path), [problem]) from None


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        return False
