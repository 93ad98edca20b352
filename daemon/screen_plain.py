"""Without a terminal: one plain line for each thing that changed, with the time of day.

Owns what is worth a line and how often. Does not know terminals.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

from daemon import screen_words as words
from daemon.screen_lines import printable
from daemon.screen_words import NO_NOTES, Notes
from daemon.screen_writer import LineWriter
from daemon.view import BenchView, PartView, Step, TimerView

PROGRESS_S = 2.0
"""Shortest time between two lines of progress in a pour."""


class PlainScreen:
    """Writes lines to a file, a pipe or a log; a reader that stops reading delays nobody."""

    def __init__(self, file: TextIO, now: Callable[[], float]) -> None:
        self._writer = LineWriter(file)
        self._now = now
        self._last: BenchView | None = None
        self._said: tuple[str, ...] = ()
        self._progress_s = float("-inf")

    def show(self, view: BenchView, notes: Notes = NO_NOTES) -> None:
        """Write what is new in this view, and what was said since."""
        lines = [*news(self._last, view), *_newly_said(self._said, notes.said)]
        if not lines:
            lines = self._progress(view)
        self._last, self._said = view, notes.said
        for line in lines:
            self._writer.write(printable(f"{words.wall(view, view.at_s, '%H:%M:%S')}  {line}"))

    def close(self) -> None:
        """Write what is left."""
        self._writer.close()

    def _progress(self, view: BenchView) -> list[str]:
        before = self._last
        if view.step is not Step.POUR or before is None or before.actual_g == view.actual_g:
            return []
        if self._now() - self._progress_s < PROGRESS_S:
            return []
        self._progress_s = self._now()
        return [progress(view)]


def progress(view: BenchView) -> str:
    """Tell in one line how far the pour is."""
    places = words.decimals(view.division_g)
    to_go = words.grams(view.remaining_g, places)
    line = f"{view.part}: {words.grams(view.actual_g, places)} g, {to_go} g to go"
    if view.landing_g is None:
        return line
    return f"{line}, lands near {words.grams(view.landing_g, places)} g"


def news(before: BenchView | None, view: BenchView) -> list[str]:
    """Tell what changed between two views, the most urgent first; everything when there is none."""
    old = before or BenchView(at_s=view.at_s, wall_offset_s=view.wall_offset_s)
    lines = _scale(before, view)
    if view.batch != old.batch and view.batch is not None:
        lines.append(f"Batch {view.batch}: {view.recipe}.")
    lines += _state(old, view)
    lines += [_landed(view, part) for part in _newly_done(old, view)]
    if view.prompt and view.prompt != old.prompt:
        lines.append(f"> {view.prompt}")
    if view.caution and view.caution != old.caution:
        lines.append(f"! {view.caution}")
    if view.needs and view.needs != old.needs:
        lines.append(f"Needs: {view.needs}.")
    lines += _clocks(old, view)
    if view.due and view.due != old.due:
        lines.append(f"Due: {view.due}.")
    return lines


def _scale(before: BenchView | None, view: BenchView) -> list[str]:
    if before is not None and before.scale == view.scale:
        return []
    words_now = words.scale_words(view)
    return [words_now[0].upper() + words_now[1:]]


def _state(old: BenchView, view: BenchView) -> list[str]:
    """Tell a new step or zone, with the figures that belong to it."""
    if (view.step, view.zone, view.part) == (old.step, old.zone, old.part):
        return []
    word = words.look(view).word
    if word == words.look(old).word and view.part == old.part:
        return []
    if view.part is None or view.target_g is None:
        return [f"[{word}]"]
    places = words.decimals(view.division_g)
    figures = f"{words.grams(view.actual_g, places)} of {words.grams(view.target_g, places)} g"
    return [f"[{word}] {view.part}: {figures}"]


def _newly_done(old: BenchView, view: BenchView) -> list[PartView]:
    done_before = {part.name for part in old.parts if part.done} if old.batch == view.batch else ()
    return [part for part in view.parts if part.done and part.name not in done_before]


def _landed(view: BenchView, part: PartView) -> str:
    places = words.decimals(view.division_g)
    actual, target = words.grams(part.actual_g, places), words.grams(part.target_g, places)
    return f"{part.name} is in: {actual} g of {target} g, off by {words.off_by(part, places)} g."


def _clocks(old: BenchView, view: BenchView) -> list[str]:
    states = {timer.id: timer.state for timer in old.timers}
    return [_clock(view, timer) for timer in view.timers if states.get(timer.id) != timer.state]


def _clock(view: BenchView, timer: TimerView) -> str:
    name = words.clock_name(timer)
    name = name[0].upper() + name[1:]
    ends = words.wall(view, timer.ends_at_s, "%H:%M:%S")
    if timer.state == "ended":
        return f"{name}: time is up."
    left = words.span(timer.ends_at_s - view.at_s)
    return f"{name}: {left} left, ends {ends}." + (" SOON" if timer.state == "warned" else "")


def _newly_said(before: tuple[str, ...], said: tuple[str, ...]) -> list[str]:
    """Give the sentences that were not there before; the list only grows and loses its oldest."""
    for overlap in range(min(len(before), len(said)), 0, -1):
        if before[-overlap:] == said[:overlap]:
            return list(said[overlap:])
    return list(said)
