"""Control charts and pour traces of the record's page, drawn where the charting library is there.

Owns what is charted, its figures in a table for whoever has no charts, and what is said of both.
Knows no library: `report_charts` draws.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from daemon.record import Record
from daemon.record_trace import PartTrace, Trace
from daemon.report_charts import HOW, Curve, control_chart, pour_chart
from daemon.report_markup import Column, Markup, join, note, section, table, tag
from daemon.report_words import NOT_KNOWN, figure, listed, some
from recipes.control_charts import (
    ROUGH_BELOW,
    Individuals,
    capability,
    cp_interval,
    individuals,
    signals,
)

NOTHING = Markup("")
LEAST = 3
"""Fewer values make no chart."""


def _series(record: Record) -> Iterator[tuple[str, str, list[float], float | None]]:
    """What is charted: its name, its unit, the values, and the limit that the recipe sets."""
    parts = dict.fromkeys(part for part, _ in record.landings)
    stops = None if record.recipe is None else record.recipe.stops
    for name in parts:
        errors = [error for part, error in record.landings if part == name]
        yield f"Landing of {name}", "g", errors, None if stops is None else stops.tolerance_g
    allowed = None if stops is None else stops.ratio_tolerance_pct
    yield "Mix ratio", "%", list(record.ratio_errors), allowed


def control_charts(record: Record, charts: bool) -> Markup:
    """Landing errors by part, and ratio errors: charts, and their figures."""
    found = [one for one in _series(record) if len(one[2]) >= LEAST]
    if not found:
        return NOTHING
    rows, figures = [], []
    for name, unit, values, allowed in found:
        chart = individuals(values)
        rows.append(_row(name, unit, values, chart, allowed))
        if charts and chart.sigma > 0:
            label = f"{name}, {unit} off its target, batch by batch"
            drawing = Markup(control_chart(label, values, chart))
            figures.append(tag("figure", tag("figcaption", label), drawing))
    heads = ("Mean", "Sigma", "Limits", "Beyond", "Cp (95 %)", "Cpk")
    columns = [Column("", figures=False), *map(Column, heads)]
    inside = [_sentence(record), *figures, _legend() if figures else NOTHING, table(columns, rows)]
    how = NOTHING if charts else _without()
    return section("Control charts", *inside, _notes(found), how, long=True)


def _sentence(record: Record) -> Markup:
    return tag(
        "p", record.drift or "Nothing strays now: landings and ratio scatter about their targets."
    )


def _row(
    name: str, unit: str, values: Sequence[float], chart: Individuals, allowed: float | None
) -> list[object]:
    beyond = [signal.index + 1 for signal in signals(values, chart.mean, chart.sigma)]
    cp, cpk = NOT_KNOWN, NOT_KNOWN
    if allowed and chart.sigma > 0:
        found = capability(chart.mean, chart.sigma, -allowed, allowed)
        low, high = cp_interval(found.cp, len(values))
        cp = f"{figure(found.cp, 2)} ({figure(low, 2)} to {figure(high, 2)})"
        cpk = figure(found.cpk, 2)
    return [
        f"{name}, {unit}",
        figure(chart.mean, 2, sign=True),
        figure(chart.sigma, 2),
        f"{figure(chart.low, 2)} to {figure(chart.high, 2)}",
        ", ".join(map(str, beyond[:6])) + (" \u2026" if beyond[6:] else "") or "none",
        cp,
        cpk,
    ]


def _notes(found: Sequence[tuple[str, str, list[float], float | None]]) -> Markup:
    fewest = min(len(values) for _, _, values, _ in found)
    rough = (
        f" Limits from fewer than {ROUGH_BELOW} values are rough." if fewest < ROUGH_BELOW else ""
    )
    return note(
        "Individuals with three-sigma limits from the mean moving range, and their weighted average"
        " (weight 0.2), as in the NIST/SEMATECH e-Handbook, 6.3.2. Beyond: which value, in order,"
        " completes a Western Electric rule; one in 92 does by chance. Cp and Cpk hold the scatter"
        f" against what the recipe allows.{rough}"
    )


def _legend() -> Markup:
    entries = (
        ("average", "weighted average"),
        ("limit", "limits of single values"),
        ("narrow", "limits of the average"),
    )
    said = [
        join([tag("span", class_=f"swatch {kind}"), f" {words}\u2003"]) for kind, words in entries
    ]
    return tag("p", *said, class_="note")


def _without() -> Markup:
    return tag(
        "p",
        "Charts are drawn where the charting library is installed: ",
        tag("code", HOW),
        ", then write the report again.",
        class_="note",
    )


# -- pours ---------------------------------------------------------------------------------------


def pours(record: Record, traces: Sequence[Trace], charts: bool) -> Markup:
    """Each batch's pours in a small frame of its own."""
    if not traces or not charts:
        return NOTHING
    frames = [_frame(one) for one in traces]
    names = list(dict.fromkeys(part.name for one in traces for part in one.parts))
    words = (
        f"Grams of {listed(names)} over seconds, as the scale showed them. Open point: told to ease"
        " off; full point: told to stop; dashed: the target."
    )
    return section("Pours", note(words), tag("div", *frames, class_="pours"), long=True)


def _frame(one: Trace) -> Markup:
    label = f"Batch {one.batch}, {some(round(one.seconds), 'second')}"
    curves = [curve for index, part in enumerate(one.parts) for curve in _curves(part, index)]
    drawing = Markup(pour_chart(f"Pours of batch {one.batch}", curves))
    return tag("figure", tag("figcaption", label), drawing)


def _curves(part: PartTrace, index: int) -> Iterator[Curve]:
    floor_g = -0.03 * (part.target_g or 0.0)  # a cup that was lifted would flatten all the rest
    points = [(s, max(grams, floor_g)) for s, grams in part.points]
    if part.target_g is not None:
        ends = (points[0][0], points[-1][0])
        yield Curve(f"{part.name} target", [(s, part.target_g) for s in ends], "target")
    yield Curve(part.name, points, "pour second" if index % 2 else "pour")
    for cue, kind in (("stop.coarse", "ease"), ("stop.fine", "stop")):
        told = [point for name, point in part.cues if name == cue]
        if told:
            yield Curve(f"{part.name} {kind}", told, kind, line=False, dots=True)
