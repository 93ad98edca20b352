"""The bar of one pour: what is in, both stopping points, the target with its band, the landing.

Owns the drawing of it as spans of text and style. Does not know where on the screen it stands.
"""

from __future__ import annotations

from itertools import pairwise

from daemon.screen_lines import PLAIN, Line, Span, joined
from daemon.screen_words import decimals, grams
from daemon.view import BenchView

_BREAK = 0.75
_BREAK_AT = 0.40
_TARGET_AT = 0.90
_END = 1.06
"""The bar is stretched where it matters: the first three quarters of the target take two fifths of
the width, the last quarter half of it, and what goes past the target the rest."""

_EIGHTHS = " ▏▎▍▌▋▊▉"


def place(share: float, width: int) -> float:
    """Where a share of the target stands, in columns from the left, 0 to `width`."""
    knots = ((0.0, 0.0), (_BREAK, _BREAK_AT), (1.0, _TARGET_AT), (_END, 1.0))
    share = min(_END, max(0.0, share))
    for (low, low_at), (high, high_at) in pairwise(knots):
        if share <= high:
            return width * (low_at + (high_at - low_at) * (share - low) / (high - low))
    return float(width)


def bar_lines(view: BenchView, width: int, thick: int, style: str) -> list[Line]:
    """Draw marks, bar and legend of the part being poured; nothing where there is no target."""
    if not view.target_g or view.target_g <= 0:
        return []
    rows = [_marks(view, width)]
    rows += [_fill(view, width, style)] * thick
    rows.append(_legend(view, width))
    return rows


def _column(view: BenchView, value_g: float, width: int) -> int:
    return min(width - 1, int(place(value_g / (view.target_g or 1.0), width)))


def _marks(view: BenchView, width: int) -> Line:
    """Put the marks above the bar; where two fall on one column the later one stands."""
    marks: dict[int, Span] = {}
    for value, mark, style in (
        (view.stops.coarse, "▽", "ease"),
        (view.target_g, "◆", "good"),
        (view.stops.fine, "■", "stop"),
        (view.landing_g, "◇", "bold"),
    ):
        if value is not None:
            marks[_column(view, value, width)] = (mark, style)
    line: Line = []
    at = 0
    for column in sorted(marks):
        line.append((" " * (column - at), PLAIN))
        line.append(marks[column])
        at = column + 1
    line.append((" " * (width - at), PLAIN))
    return line


def _fill(view: BenchView, width: int, style: str) -> Line:
    """Fill to what is in; shade on to where it would land; set the band of the target apart."""
    target_g = view.target_g or 1.0
    full = place((view.actual_g or 0.0) / target_g, width)
    whole, part = int(full), int(8 * (full - int(full)))
    cells = ["█"] * whole + ([_EIGHTHS[part]] if whole < width else [])
    lands = _column(view, view.landing_g, width) if view.landing_g is not None else -1
    band_g = view.tolerance_g or 0.0
    low, high = _column(view, target_g - band_g, width), _column(view, target_g + band_g, width)
    line: Line = [("".join(cells[:whole]), style)]
    for column in range(whole, width):
        part_cell = cells[column] if column < len(cells) else " "
        if part_cell != " ":
            line.append((part_cell, style))
        elif column <= lands:
            line.append(("▒", style))
        elif low <= column <= high:
            line.append(("░", "good"))
        else:
            line.append(("·", "dim"))
    return joined(line)


def _legend(view: BenchView, width: int) -> Line:
    places = decimals(view.division_g)
    band = "" if view.tolerance_g is None else f" ±{grams(view.tolerance_g, max(places, 1))}"
    pieces: Line = []
    if view.stops.coarse is not None:
        pieces.append((f"▽ ease {grams(view.stops.coarse, places)}", "ease"))
    if view.stops.fine is not None:
        pieces.append((f"■ stop {grams(view.stops.fine, places)}", "stop"))
    pieces.append((f"◆ target {grams(view.target_g, places)}{band}", "good"))
    if view.landing_g is not None:
        pieces.append((f"◇ lands {grams(view.landing_g, places)}", "bold"))
    gap = "   " if sum(len(text) + 3 for text, _ in pieces) - 3 <= width else " "
    line: Line = []
    for text, style in pieces:
        line += [(text, style), (gap, PLAIN)]
    return line[:-1]
