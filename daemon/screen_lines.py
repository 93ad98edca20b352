"""Lines of styled text: measured in columns, cut and filled.

Owns what a line is. Does not know what it says.
"""

from __future__ import annotations

from rich.cells import cell_len, set_cell_size

Span = tuple[str, str]
"""A piece of text and the name of its style; a name that ends in "band" colours the whole row."""

Line = list[Span]
PLAIN = "plain"


def printable(text: str) -> str:
    """Put a blank for each character that would command the terminal instead of being shown.

    Names come from files, and a scale's own words from its port.
    """
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else " " for char in text)


def cells(text: str) -> int:
    """Columns that a text takes."""
    return len(text) if text.isascii() else cell_len(text)


def sized(text: str, width: int) -> str:
    """Cut or fill a text to exactly this many columns."""
    return text[:width].ljust(width) if text.isascii() else set_cell_size(text, width)


def line_cells(line: Line) -> int:
    """Columns that a line takes."""
    return sum(cells(text) for text, _ in line)


def fit(line: Line, width: int) -> Line:
    """Cut or fill a line to the width; the fill carries on the colour of a band."""
    out: Line = []
    left = width
    for text, style in line:
        if left <= 0:
            return out
        text = printable(text)
        wide = cells(text)
        if wide > left:
            text, wide = sized(text, left), left
        if text or style.endswith("band"):
            out.append((text, style))
        left -= wide
    if left > 0:
        last = out[-1][1] if out else PLAIN
        out.append((" " * left, last if last.endswith("band") else PLAIN))
    return out


def joined(line: Line) -> Line:
    """Join neighbours of one style, so that fewer codes are sent."""
    out: Line = []
    for text, style in line:
        if out and out[-1][1] == style:
            out[-1] = (out[-1][0] + text, style)
        elif text:
            out.append((text, style))
    return out


def text_of(lines: list[Line]) -> list[str]:
    """Give the same lines without their styles."""
    return ["".join(text for text, _ in line) for line in lines]
