"""Strict TOML: where each key stands in the text, and problems said with file, line and key.

Owns the map from a key's path to its line and the wording of a problem. Knows nothing of recipes:
any checked model can be read through it.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from recipes.toml_lines import KeyPath, key_lines

__all__ = ["FileError", "KeyPath", "Problem", "decode_file", "key_lines", "key_text", "line_of"]
__all__ += ["parse_toml", "printable", "problems_of"]

MOST_BYTES = 256 * 1024
"""More than any file a person wrote by hand; a larger one is not ours."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file: where, what was found, what was expected."""

    line: int | None
    key: str
    found: str
    expected: str

    def sentence(self, source: str) -> str:
        """The problem in one plain sentence that starts with the place."""
        place = source if self.line is None else f"{source}, line {self.line}"
        key = f", {self.key}" if self.key else ""
        return f"{place}{key}: found {self.found}, expected {self.expected}."


class FileError(ValueError):
    """A file that cannot be used; one line for each problem."""

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.sentence(source) for problem in self.problems))


def decode_file(path: Path) -> str:
    """The text of a file; raises FileError where it cannot be read or is not UTF-8."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise FileError(str(path), [Problem(None, "", "no such file", "a TOML file")]) from None
    except IsADirectoryError:
        raise FileError(str(path), [Problem(None, "", "a folder", "a TOML file")]) from None
    except OSError as error:
        why = (error.strerror or "an error").lower()
        raise FileError(
            str(path), [Problem(None, "", why, "a TOML file that may be read")]
        ) from None
    if len(data) > MOST_BYTES:
        large = Problem(None, "", f"more than {MOST_BYTES // 1024} kB", "a TOML file of a few kB")
        raise FileError(str(path), [large])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        byte = f"the byte 0x{data[error.start]:02X}"
        raise FileError(str(path), [Problem(line, "", byte, "text saved as UTF-8")]) from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """The tables of a TOML text; raises FileError with the line of a syntax error."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise FileError(source, [Problem(None, "", "brackets nested too deep", "TOML")]) from None
    except ValueError as error:
        raise FileError(source, [_syntax_problem(str(error), text)]) from None


def _syntax_problem(message: str, text: str) -> Problem:
    place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    what = message[: place.start()] if place else message
    if place is None:
        line = None
    elif place[1]:
        line = int(place[1])
    else:
        line = max(text.rstrip("\n").count("\n") + 1, 1)
    return Problem(line, "", f'something that is not TOML ("{what}")', "key = value, or [table]")


def key_text(path: KeyPath) -> str:
    """A key's path as a person would say it: `part[2].nco_pct`, parts counted from 1."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            text += f"{'.' if text else ''}{printable(key)}"
    return text


def printable(text: str, most: int = 40) -> str:
    """A text as it may stand in a message: on one line, short, with no control characters."""
    short = text if len(text) <= most else text[: most - 3] + "..."
    return short if short.isprintable() else short.encode("unicode_escape").decode("ascii")


def line_of(path: KeyPath, lines: Mapping[KeyPath, int]) -> int | None:
    """The line of a key, or of the innermost table around it that is in the text."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return lines.get(())


def problems_of(
    error: ValidationError, lines: Mapping[KeyPath, int], known: Mapping[KeyPath, Sequence[str]]
) -> list[Problem]:
    """The problems in a model's verdict, in the order of the text.

    `known` gives the keys of each table (array elements as -1), for the slip that is near one.
    """
    problems = [
        _problem(dict(found), lines, known)
        for found in error.errors(include_url=False)
        if found["type"] != "default_factory_not_called"  # follows from a problem told already
    ]
    return sorted(problems, key=lambda problem: problem.line or 0)


def _problem(
    error: dict[str, Any],
    lines: Mapping[KeyPath, int],
    known: Mapping[KeyPath, Sequence[str]],
) -> Problem:
    path: KeyPath = tuple(error["loc"])
    context = error.get("ctx") or {}
    kind = error["type"]
    if "leans_on" in context:
        found, expected = context["found"], context["expected"]
    elif kind == "missing":
        found, expected = "nothing", "this key, which is required"
    elif kind == "extra_forbidden":
        found, expected = "a key that is not known", _expected_key(path, known)
    else:
        found, expected = _shown(error["input"]), _expected_value(kind, context)
    return Problem(line_of(path, lines), key_text(path), found, expected)


def _expected_key(path: KeyPath, known: Mapping[KeyPath, Sequence[str]]) -> str:
    table = tuple(-1 if isinstance(key, int) else key for key in path[:-1])
    keys = list(known.get(table, ()))
    if not keys:
        return "no key here"
    near = difflib.get_close_matches(str(path[-1]), keys, n=1)
    return f"perhaps {near[0]}" if near else f"one of {', '.join(keys)}"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'the text "{printable(value)}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    return str(value)[:40]


_EXPECTED = {
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number of at least {ge:g}",
    "less_than": "a number below {lt:g}",
    "less_than_equal": "a number of at most {le:g}",
    "float_type": "a number, without quotes",
    "float_parsing": "a number, without quotes",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "string_too_short": "at least one character",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "one line without blanks at its ends",
    "literal_error": "{expected}",
    "enum": "{expected}",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list: [[table]] for each, or [ ... ]",
    "list_type": "a list",
    "too_short": "at least {min_length}",
    "too_long": "at most {max_length}",
    "date_type": "a date like 2026-11-02, without quotes",
}


def _expected_value(kind: str, context: Mapping[str, Any]) -> str:
    return _EXPECTED.get(kind, kind.replace("_", " ")).format(**context)
