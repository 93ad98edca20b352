"""Commands from anywhere to the loop: checked, completed with what they name, answered once.

Owns the lookup of what a command names (a recipe file). Knows no transport: bytes or a dict come
in, an answer goes out through the callable that came with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.effects import Answer
from daemon.inputs import Do
from daemon.loop import Loop, Reply
from recipes.loader import RecipeError, find_recipe, load_recipe
from recipes.model import Recipe

if TYPE_CHECKING:
    from daemon.commands import DoId


def plain_recipe(recipe: Recipe) -> dict[str, Any]:
    """A recipe as the journal and the log keep it: every key, null where it has none."""
    return recipe.model_dump(mode="json", by_alias=True)


class Commander:
    """Turns what somebody asked for into an input of the loop."""

    def __init__(self, loop: Loop, folders: Sequence[Path]) -> None:
        """`folders` are searched for recipes that a command names."""
        self._loop = loop
        self._folders = folders

    def heard(self, payload: bytes | dict[str, Any], by: str, reply: Reply) -> None:
        """A command as it was sent: exactly one answer, in any case."""
        # The many shapes of commands take a while to load, and the first prompt comes first.
        from daemon.commands import CommandError, parse_do

        try:
            name, do = parse_do(payload)
        except CommandError as error:
            reply(Answer(error.id, False, error.sentence))
            return
        self.do(do, by, reply, name)

    def do(
        self, do: dict[str, Any], by: str, reply: Reply | None = None, name: DoId = None
    ) -> None:
        """A command that is known to be well formed."""
        if do["do"] == "start" and "recipe" in do and "resolved" not in do:
            try:
                do = do | {"resolved": plain_recipe(self._recipe(do["recipe"]))}
            except RecipeError as error:
                if reply is not None:
                    reply(Answer(name, False, _one_line(str(error))))
                return
        self._loop.take(Do(self._loop.timeline.now_us(), do, name, by), reply)

    def _recipe(self, name: str) -> Recipe:
        return load_recipe(find_recipe(name, self._folders, names_only=True))


def _one_line(text: str) -> str:
    return " ".join(text.split())
