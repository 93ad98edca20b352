"""The whole bench as JSON and back, for restarts and for the head of a log file.

Owns nothing but the translation. A state of another version is refused, never guessed at.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from daemon.bench import Bench


class StateError(Exception):
    """A stored state that this version cannot take up."""


@cache
def _adapter() -> TypeAdapter[Bench]:
    return TypeAdapter(Bench)


def dump(bench: Bench) -> dict[str, Any]:
    """The bench as JSON-ready values; floats keep every digit."""
    found: dict[str, Any] = _adapter().dump_python(bench, mode="json", by_alias=True)
    return found


def load(body: dict[str, Any]) -> Bench:
    """The bench that `dump` wrote. Raises StateError where it is of no form known here."""
    try:
        return _adapter().validate_python(body)
    except ValidationError as error:
        raise StateError(str(error)) from error
