"""Markup for the record's page: elements and tables in which every text is escaped.

Owns the writing of HTML. What is not yet markup is text and is escaped, whoever wrote it. Knows
nothing of what the page says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape


class Markup(str):
    """Text that is HTML already: only `tag` and its like make it, or a chart."""

    __slots__ = ()


def text(value: object) -> Markup:
    """Anything as HTML: markup stays, all else is escaped."""
    return value if isinstance(value, Markup) else Markup(escape(str(value)))


def tag(name: str, *inside: object, **attributes: str) -> Markup:
    """An element; of an attribute's name a last underscore is dropped, others are hyphens."""
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value
    )
    return Markup(f"<{name}{given}>{''.join(map(text, inside))}</{name}>")


def join(pieces: Iterable[object]) -> Markup:
    """Pieces one after another."""
    return Markup("".join(map(text, pieces)))


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table: `off` is what went wrong and has to be seen in black and white too."""

    said: object
    off: bool = False


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its head, and whether it holds figures, which stand to the right.

    `prose` may run over several lines; all else stays in one.
    """

    head: str
    figures: bool = True
    prose: bool = False


def table(columns: Sequence[Column], rows: Iterable[Sequence[object]], caption: str = "") -> Markup:
    """A table whose first column names the row; its head comes again on every printed page."""
    heads = [tag("th", column.head, scope="col", class_=_class(column)) for column in columns]
    body = [_row(columns, row) for row in rows]
    head = tag("thead", tag("tr", *heads))
    words = tag("caption", caption) if caption else ""
    return tag("div", tag("table", words, head, tag("tbody", *body)), class_="wide")


def _row(columns: Sequence[Column], row: Sequence[object]) -> Markup:
    first, *rest = zip(columns, row, strict=True)
    head = tag("th", first[1], scope="row", class_=_class(first[0]))
    return tag("tr", head, *(_cell(column, value) for column, value in rest))


def _cell(column: Column, value: object) -> Markup:
    cell = value if isinstance(value, Cell) else Cell(value)
    said = tag("strong", cell.said) if cell.off else text(cell.said)
    return tag("td", said, class_=_class(column))


def _class(column: Column) -> str:
    if column.prose:
        return "t"
    return "n" if column.figures else ""


def section(head: str, *inside: object, long: bool = False) -> Markup:
    """A part of the page under its own head; one that is not `long` is not torn on paper."""
    return tag("section", tag("h2", head), *inside, class_="long" if long else "")


def note(words: str) -> Markup:
    """Words in small print."""
    return tag("p", words, class_="note")
