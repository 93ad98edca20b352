"""Where everything stands on the full screen: a view in, one line for each row out.

Owns the arrangement at every size. Does not know terminals, colours, or when to draw.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace

from daemon import screen_words as words
from daemon.big_digits import big, shape, units
from daemon.keys import keys_now
from daemon.screen_bar import bar_lines
from daemon.screen_lines import PLAIN, Line, cells, fit, line_cells, sized
from daemon.screen_tables import clocks_table, in_a_line, parts_table
from daemon.view import BenchView, Step

_ROOMY = 30
_COMPACT = 20
_NARROW = 64
_FIGURE_LEAST = 5
_FIGURE_SMALLEST = 3
_RESTING = (Step.IDLE, Step.CUP, Step.STIR)
"""While nothing is poured or asked, a QR code may take the figure's place."""
_WORTH = 16
"""Columns below which a piece of a status is not worth showing."""

_ORDER = ("head", "band", "figure", "bar", "prompt", "caution", "tables", "said", "status", "help")
_GIVE_WAY = ("said", "status", "head", "tables", "caution", "bar", "help")
"""What goes first where the rows do not suffice; band, figure and prompt stay."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What is drawn from: the bench, what stands beside it, the instant, and the room."""

    view: BenchView
    notes: words.Notes
    now_s: float
    width: int
    height: int
    squeezed: bool = False
    """Whether the tables must give way to the figure."""

    @property
    def roomy(self) -> bool:
        """Whether there is room for air."""
        return self.height >= _ROOMY and self.width >= _NARROW

    @property
    def compact(self) -> bool:
        """Whether tables must be told in a line."""
        return self.squeezed or self.height < _COMPACT or self.width < _NARROW


def compose(frame: Frame) -> list[Line]:
    """Arrange one screenful: `height` lines, each `width` columns wide."""
    if frame.notes.invitation is not None and frame.view.step in _RESTING:
        return _inviting(frame, frame.notes.invitation)
    blocks = {
        "head": _head(frame),
        "band": _band(frame),
        "bar": _bar(frame),
        "prompt": _prompt(frame),
        "caution": _caution(frame),
        "tables": _tables(frame),
        "said": _said(frame),
        "status": _status(frame),
        "help": _help(frame),
    }
    room = frame.height - sum(map(len, blocks.values()))
    if room < _FIGURE_LEAST and not frame.compact:
        return compose(replace(frame, squeezed=True))
    for name in _GIVE_WAY:
        if room < _FIGURE_SMALLEST:
            room += len(blocks.pop(name))
    blocks["figure"] = _figure(frame, room)
    foot_rows = sum(len(blocks.get(name, ())) for name in ("said", "status", "help"))
    lines = [line for name in _ORDER for line in blocks.get(name, ())]
    air: list[Line] = [[]] * (frame.height - len(lines))
    at = len(lines) - foot_rows
    return [fit(line, frame.width) for line in (*lines[:at], *air, *lines[at:])][: frame.height]


def _inviting(frame: Frame, invitation: words.Invitation) -> list[Line]:
    """Show how a phone is paired in place of figure and tables, between head and foot."""
    top = [*_head(frame), *_band(frame), *_prompt(frame)]
    foot = [*_said(frame), *_status(frame), *_help(frame)]
    told: list[Line] = [
        [("  Pair a phone", "bold")],
        [("  Point its camera at this,", PLAIN)],
        [("  or open", PLAIN)],
        [(f"  {invitation.address}", "bold")],
        [("  and type", PLAIN)],
        [(f"  {invitation.code}", "bold")],
    ]
    qr = invitation.qr
    beside = len(qr[0]) + max(map(line_cells, told)) <= frame.width
    if beside and len(qr) <= frame.height - len(top) - len(_status(frame)):
        rows: list[Line] = [[(row, "qr")] for row in qr]
        told = [row + says for row, says in zip(rows, told + [[]] * len(rows), strict=False)]
    else:
        told = [told[0], [(f"  {invitation.address}  {invitation.code}", "bold")]]
    room = frame.height - len(top) - len(told)
    foot = foot[-room:] if room > 0 else []
    air: list[Line] = [[]] * (room - len(foot))
    return [fit(line, frame.width) for line in (*top, *told, *air, *foot)][: frame.height]


def _two_ends(left: str, right: str, width: int, style: str) -> Line:
    gap = width - cells(left) - cells(right)
    return [(left + " " * gap + right if gap > 0 else left, style)]


def _head(frame: Frame) -> list[Line]:
    view = frame.view
    left = [view.recipe or "no recipe"]
    if view.batch is not None:
        left.insert(0, f"batch {view.batch}")
    if view.run is not None and view.run.pieces:
        left.append(f"{view.run.good} of {view.run.pieces} good")
    elif view.run is not None and view.run.batches_planned:
        left.append(f"{view.run.batches_done} of {view.run.batches_planned} batches done")
    right = [words.wall(view, frame.now_s)]
    if not frame.compact:
        right[:0] = [name for name in (view.person, view.bench) if name]
    ends = " " + " · ".join(left), " · ".join(right) + " "
    return [_two_ends(*ends, frame.width, "head.band")]


def _band(frame: Frame) -> list[Line]:
    """Give the state as a word and a mark on a row of its colour."""
    look = words.look(frame.view)
    style = f"{look.style}.band"
    word = look.word if frame.width < _NARROW else " ".join(look.word)
    mark = words.SMALL_SHAPES[look.shape]
    right = "" if frame.view.part is None else f"part {frame.view.part}  {mark} "
    line = _two_ends(f" {mark}  {word}", right, frame.width, style)
    return [[("", style)], line, [("", style)]] if frame.roomy else [line]


def _figure(frame: Frame, room: int) -> list[Line]:
    """Fill the room with the state's shape, the one figure, and what it is."""
    focus, look = words.focus(frame.view, frame.now_s), words.look(frame.view)
    facts = _facts(frame.view, focus.says)
    beside = max(len(text) for text, _ in facts) + 2
    with_shape = frame.width >= _NARROW
    best = _best_rows(frame.width - beside, focus.room_for or focus.figure, with_shape)
    rows = min(room - (2 if frame.roomy else 0), max(_FIGURE_SMALLEST, best))
    drawn = shape(look.shape, rows) if with_shape else []
    left = 2 * rows + 5 if drawn else 1
    digits = big(focus.figure, frame.width - left - beside, rows, room_for=focus.room_for)
    if not digits:
        return [[(f" {focus.figure} {focus.says}", "bold")]][: max(1, room)]
    facts = [("", PLAIN)] * (rows - len(facts)) + facts[:rows]
    lines: list[Line] = []
    for row, digit in enumerate(digits):
        before = f"  {drawn[row]}   " if drawn else " "
        lines.append(
            [(before, look.style), (digit, f"{look.style}.big"), ("  ", PLAIN), facts[row]]
        )
    above = (room - rows) // 2
    return [*[[]] * above, *lines, *[[]] * (room - rows - above)]


def _best_rows(width: int, text: str, with_shape: bool) -> int:
    """Rows at which digits of a good form, and the shape before them, fill the width."""
    digits = 1.3 * units(text)
    return round((width - 8) / (2 + digits)) if with_shape else round(width / digits)


def _facts(view: BenchView, says: str) -> Line:
    """Say what stands beside the figure, from the top."""
    places = words.decimals(view.division_g)
    facts: Line = [(says, "bold")]
    if view.target_g is not None:
        of = words.grams(view.target_g, places)
        facts.append((f"{words.grams(view.actual_g, places)} of {of}", PLAIN))
    if view.landing_g is not None and view.step is Step.POUR:
        facts.append((f"lands {words.grams(view.landing_g, places)}", PLAIN))
    return facts


def _bar(frame: Frame) -> list[Line]:
    if frame.view.step not in (Step.POUR, Step.SETTLE, Step.DECIDE, Step.AWAY):
        return []
    thick = 2 if frame.roomy else 1
    lines = bar_lines(frame.view, frame.width - 2, thick, words.look(frame.view).style)
    if frame.compact:
        lines = lines[:-1]
    return [[(" ", PLAIN), *line] for line in lines]


def _prompt(frame: Frame) -> list[Line]:
    text = frame.view.prompt or words.look(frame.view).word.capitalize()
    rows = _wrapped(text, frame.width, 1 if frame.height < 10 else 2 if frame.height < 16 else 3)
    style = "prompt.band"
    lines: list[Line] = [
        [(f" {'►' if i == 0 else ' '} {row}", style)] for i, row in enumerate(rows)
    ]
    return [[], [("", style)], *lines, [("", style)]] if frame.roomy else lines


def _caution(frame: Frame) -> list[Line]:
    if not frame.view.caution:
        return []
    rows = _wrapped(frame.view.caution, frame.width, 1 if frame.height < 16 else 3)
    lines: list[Line] = [
        [(f" {'▲' if i == 0 else ' '} {row}", "ease")] for i, row in enumerate(rows)
    ]
    return [[], *lines] if frame.roomy else lines


def _wrapped(text: str, width: int, most: int) -> list[str]:
    return textwrap.wrap(text, max(8, width - 4), max_lines=most, placeholder=" …")


def _tables(frame: Frame) -> list[Line]:
    if frame.compact:
        return in_a_line(frame.view, frame.now_s)
    left = parts_table(frame.view)
    right = clocks_table(frame.view, frame.now_s, 4 if frame.height < 28 else 8)
    half = max(42, frame.width // 2)
    rows = max(len(left), len(right))
    left += [[]] * (rows - len(left))
    right += [[]] * (rows - len(right))
    lines = [[*fit(a, half), *b] for a, b in zip(left, right, strict=True)]
    return [[], *lines] if frame.roomy else lines


def _said(frame: Frame) -> list[Line]:
    most = 1 if frame.compact else 3 if frame.roomy else 2
    rows = [row for one in frame.notes.said[-most:] for row in _wrapped(one, frame.width, most)]
    return [[(f" {row}", "note")] for row in rows[-most:]]


def _status(frame: Frame) -> list[Line]:
    bad = frame.view.scale not in ("ok", "waiting")
    line: Line = [(" " + words.scale_words(frame.view), "stop" if bad else "dim")]
    for text in (frame.notes.broker, frame.notes.phone):
        left = frame.width - line_cells(line) - 4
        if text and left >= min(cells(text), _WORTH):
            line.append(
                (f"  │ {text if cells(text) <= left else sized(text, left - 1) + '…'}", "dim")
            )
    return [line]


def _help(frame: Frame) -> list[Line]:
    """Name the keys that do something now, as many as fit."""
    line: Line = [(" ", PLAIN)]
    for key, says in keys_now(frame.view):
        more: Line = [(f" {key} ", "key"), (f" {says}   ", "dim")]
        if line_cells(line) + line_cells(more) - 3 > frame.width:
            continue
        line += more
    return [line]
