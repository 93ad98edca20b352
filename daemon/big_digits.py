"""Figures and shapes drawn large in block characters, at any size.

Owns the drawing. Does not know what a figure means, nor where it stands on the screen.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

# Strokes of a digit, as on a scale's own display: top, upper left, upper right, middle, lower left,
# lower right, bottom.
_STROKES = {
    "0": "tlrLRb",
    "2": "trmLb",
    "3": "trmRb",
    "4": "lrmR",
    "5": "tlmRb",
    "6": "tlmLRb",
    "7": "trR",
    "8": "tlrmLRb",
    "9": "tlrmRb",
    "-": "m",
    " ": "",
}
_NARROW = ".:"
_BLOCKS = (" ", "▀", "▄", "█")
_SLIMMEST = 3

Pixels = Callable[[int, int], bool]


def big(text: str, width: int, rows: int, *, room_for: str = "") -> list[str]:
    """Draw digits, point, colon, plus and minus at most `width` wide and `rows` high.

    The size is chosen for the longer of `text` and `room_for`, so that a shrinking number does not
    jump; the drawing is aligned right within that room. Empty when even the smallest does not fit.
    """
    size = _size(max(text, room_for, key=units), width, rows)
    if size is None:
        return []
    wide, stroke = size
    glyphs = [_glyph(char, wide, rows, stroke) for char in text]
    lines = [(" " * stroke).join(glyph[row] for glyph in glyphs) for row in range(rows)]
    room = _width(room_for, wide, stroke)
    return [line.rjust(room) for line in lines]


def shape(name: str, rows: int) -> list[str]:
    """Draw one of the shapes, `rows` high and twice as wide; empty for an unknown one."""
    if name not in _SHAPES or rows < 1:
        return []
    return list(_shape(name, rows))


def units(text: str) -> float:
    """Say how many digits wide a text is, points and colons being narrow."""
    return sum(0.4 if char in _NARROW else 1.0 for char in text)


def _width(text: str, wide: int, stroke: int) -> int:
    if not text:
        return 0
    cells = sum(stroke if char in _NARROW else wide for char in text)
    return cells + stroke * (len(text) - 1)


@lru_cache(maxsize=64)
def _size(text: str, width: int, rows: int) -> tuple[int, int] | None:
    """Choose the widest good-looking digit that fits: its width and its stroke, in columns."""
    for wide in range(max(_SLIMMEST, round(1.25 * rows)), _SLIMMEST - 1, -1):
        stroke = max(1, min(round(wide * 0.24), round(2 * rows * 0.17)))
        if _width(text, wide, stroke) <= width:
            return (wide, stroke) if rows >= 3 else None
    return None


@lru_cache(maxsize=256)
def _glyph(char: str, wide: int, rows: int, stroke: int) -> tuple[str, ...]:
    if char in _NARROW:
        return _dots(char, rows, stroke)
    return _paint(_digit(char, wide, 2 * rows, stroke), wide, rows)


def _digit(char: str, wide: int, high: int, stroke: int) -> Pixels:
    """Give the pixels of one digit: `wide` by `high`, where two pixels make one character cell."""
    if char == "1":
        return _one(wide, high, stroke)
    if char == "+":
        return _plus(wide, high, stroke)
    strokes = _STROKES.get(char, "")
    middle = (high - stroke) / 2
    return lambda x, y: (
        any(_on_stroke(which, x, y, wide, high, stroke, middle) for which in strokes)
        and not _cut_corner(strokes, x, y, wide, high, stroke)
    )


def _on_stroke(
    which: str, x: int, y: int, wide: int, high: int, stroke: int, middle: float
) -> bool:
    upper, lower = y < middle + stroke, y >= middle
    left, right = x < stroke, x >= wide - stroke
    return {
        "t": y < stroke,
        "m": middle <= y < middle + stroke,
        "b": y >= high - stroke,
        "l": left and upper,
        "r": right and upper,
        "L": left and lower,
        "R": right and lower,
    }[which]


def _cut_corner(strokes: str, x: int, y: int, wide: int, high: int, stroke: int) -> bool:
    """Round a corner where two strokes meet, if they are thick enough to bear it."""
    across, down = min(x, wide - 1 - x), min(y, high - 1 - y)
    if across + down >= stroke // 2:
        return False
    left, upper = 2 * x < wide, 2 * y < high
    return ("t" if upper else "b") in strokes and (
        ("l" if upper else "L") if left else ("r" if upper else "R")
    ) in strokes


def _one(wide: int, high: int, stroke: int) -> Pixels:
    left = (wide - stroke) // 2
    return lambda x, y: (
        left <= x < left + stroke or (left - stroke <= x < left and stroke <= y < 2 * stroke)
    )


def _plus(wide: int, high: int, stroke: int) -> Pixels:
    left, top = (wide - stroke) // 2, (high - stroke) // 2
    reach = wide // 2
    return lambda x, y: (
        top <= y < top + stroke or (left <= x < left + stroke and abs(y - high // 2) <= reach)
    )


def _dots(char: str, rows: int, stroke: int) -> tuple[str, ...]:
    """Give a point on the floor, or two at a third and two thirds."""
    high = 2 * rows
    floors = (high,) if char == "." else (round(high * 0.4), round(high * 0.8))
    return _paint(lambda x, y: any(floor - stroke <= y < floor for floor in floors), stroke, rows)


def _paint(pixels: Pixels, wide: int, rows: int) -> tuple[str, ...]:
    """Turn pixels into lines of half blocks: two pixels, one above the other, a character."""
    return tuple(
        "".join(_BLOCKS[pixels(x, 2 * row) + 2 * pixels(x, 2 * row + 1)] for x in range(wide))
        for row in range(rows)
    )


# Shapes on a square from -1 to 1, x to the right and y downwards.
_SHAPES: dict[str, Callable[[float, float], bool]] = {
    "arrow": lambda x, y: (abs(x) < 0.45 and y < 0.1) or (y >= 0.1 and abs(x) < 1.0 - y),
    "funnel": lambda x, y: (
        (y < 0.3 and abs(x) < 0.95 - 0.62 * (y + 1)) or (y >= 0.3 and abs(x) < 0.14)
    ),
    "block": lambda x, y: abs(x) + abs(y) < 1.45,
    "tick": lambda x, y: (
        abs(y - (0.75 + 0.9 * (x + 0.3))) < 0.3
        if x < -0.3
        else abs(y - (0.75 - 1.2 * (x + 0.3))) < 0.3
    ),
    "plus": lambda x, y: abs(x) < 0.3 or abs(y) < 0.3,
    "cross": lambda x, y: abs(abs(x) - abs(y)) < 0.38,
    "bars": lambda x, y: 0.25 < abs(x) < 0.75,
    "ring": lambda x, y: 0.55 < (x * x + y * y) ** 0.5 < 1.0,
    "cup": lambda x, y: (
        abs(x) < 0.9 - 0.22 * (y + 1) and not (abs(x) < 0.62 - 0.22 * (y + 1) and y < 0.65)
    ),
    "diamond": lambda x, y: abs(x) + abs(y) < 1.0,
}


@lru_cache(maxsize=32)
def _shape(name: str, rows: int) -> tuple[str, ...]:
    high = 2 * rows
    inside = _SHAPES[name]
    return _paint(lambda x, y: inside((2 * x + 1) / high - 1, (2 * y + 1) / high - 1), high, rows)
