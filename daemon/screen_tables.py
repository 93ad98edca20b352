"""The parts of a batch and the running clocks, as tables or told in a line.

Owns their columns. Does not know where they stand, nor whether a terminal shows them.
"""

from __future__ import annotations

from collections.abc import Iterable

from daemon import screen_words as words
from daemon.screen_lines import PLAIN, Line, sized, text_of
from daemon.view import BenchView, PartView, TimerView

_NAME = 12
_HEADING = f"   {'PART':<{_NAME}}{'TARGET':>8}{'IN CUP':>8}{'OFF BY':>8}"


def summary_table(
    parts: Iterable[PartView],
    division_g: float,
    total_g: float | None = None,
    ratio_error_pct: float | None = None,
) -> list[str]:
    """Tell what went into a cup as plain lines: a heading, a line for each part, and the mix."""
    places = words.decimals(division_g)
    lines: list[Line] = [[(_HEADING, PLAIN)], *(_part(part, places, "") for part in parts)]
    lines += _mix(places, total_g, ratio_error_pct)
    return [line.rstrip() for line in text_of(lines)]


def parts_table(view: BenchView) -> list[Line]:
    """Give the parts with target, actual and error; the one being poured and those done marked."""
    if not view.parts:
        return []
    places = words.decimals(view.division_g)
    lines: list[Line] = [[(_HEADING, "dim")]]
    lines += [_part(part, places, view.part or "") for part in view.parts]
    return lines + _mix(places, view.total_g, view.ratio_error_pct)


def _part(part: PartView, places: int, poured: str) -> Line:
    mark, style = ("√", "good") if part.done else (" ", PLAIN)
    if part.name == poured and not part.done:
        mark, style = "►", "bold"
    figures = (
        f"{words.grams(part.target_g, places):>8}{words.grams(part.actual_g, places):>8}"
        f"{words.off_by(part, places):>8}"
    )
    name = f"{part.name} (dye)" if part.dye and part.name != "dye" else part.name
    return [(f" {mark} {sized(name, _NAME)}{figures}", style)]


def _mix(places: int, total_g: float | None, ratio_error_pct: float | None) -> list[Line]:
    if not total_g:
        return []
    off = "" if ratio_error_pct is None else f"{ratio_error_pct:+.1f} %"
    return [[(f"   {'mix, ratio':<{_NAME}}{'':8}{words.grams(total_g, places):>8}{off:>8}", PLAIN)]]


def clocks_table(view: BenchView, now_s: float, most: int) -> list[Line]:
    """Give the clocks, what ends first, first, and what `next` would do."""
    timers = words.clocks(view)
    lines: list[Line] = [[("CLOCKS", "dim")]] if timers else []
    for timer in timers[:most]:
        look, left = words.clock_look(timer, now_s), words.clock_left(timer, now_s)
        lines.append([(f"{look.shape} {sized(words.clock_name(timer), 20)} {left}", look.style)])
    if len(timers) > most:
        lines.append([(f"and {len(timers) - most} more", "dim")])
    if view.due:
        lines.append([(f"due: {view.due}", "bold")])
    return lines


def in_a_line(view: BenchView, now_s: float) -> list[Line]:
    """Tell the parts in one line and the clocks in another."""
    places = words.decimals(view.division_g)
    told = [
        f"{part.name} {words.grams(part.actual_g, places)}/{words.grams(part.target_g, places)}"
        for part in view.parts
    ]
    lines: list[Line] = [[(" " + "  ".join(told), PLAIN)]] if told else []
    if view.timers:
        lines.append([(" ", PLAIN), *(_short(timer, now_s) for timer in words.clocks(view))])
    return lines


def _short(timer: TimerView, now_s: float) -> tuple[str, str]:
    look, left = words.clock_look(timer, now_s), words.clock_left(timer, now_s)
    return f"{look.shape} {timer.kind.replace('-', ' ')} {left}  ", look.style
