"""The record as one HTML page that holds all it needs and asks nobody for anything.

Owns the page's frame and the order of its sections. What a section says is in `report_sections`,
`report_colour`, `report_quality` and `report_summary`; drawing is `report_charts`'.
"""

from __future__ import annotations

from collections.abc import Sequence

from daemon.record import Record
from daemon.record_trace import Trace
from daemon.report_batches import batches, clocks
from daemon.report_colour import colour
from daemon.report_markup import Markup, join, note, section, tag
from daemon.report_quality import control_charts, pours
from daemon.report_sections import causes, jugs, promised, warnings, work
from daemon.report_style import STYLE
from daemon.report_summary import cautions, to_mind
from daemon.report_words import Local, day, instant, listed

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""No script runs and nothing is fetched, whatever a name in the journal may look like."""


def page(record: Record, local: Local, traces: Sequence[Trace] = (), *, charts: bool = True) -> str:
    """The whole page. `charts`: whether the charting library is there to draw."""
    sections = [
        promised(record),
        batches(record, local),
        clocks(record),
        causes(record),
        jugs(record),
        warnings(record),
        colour(record, local),
        work(record),
        control_charts(record, charts),
        pours(record, traces, charts),
        _cautions(record),
    ]
    body = join([_head(record, local), _mind(record), *sections])
    title = f"{record.name}, {day(record.began_at, local)}"
    head = join(
        [
            Markup('<meta charset="utf-8">'),
            Markup('<meta name="viewport" content="width=device-width, initial-scale=1">'),
            Markup(f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'),
            tag("title", title),
            tag("style", Markup(STYLE)),
        ]
    )
    return f'<!doctype html>\n<html lang="en"><head>{head}</head><body>{body}</body></html>\n'


def _head(record: Record, local: Local) -> Markup:
    kind = "Record of an order" if record.kind == "order" else "Record of a run"
    people = dict.fromkeys(batch.person for batch in record.batches if batch.person)
    facts = [
        f"{instant(record.began_at, local)} to {instant(record.last_at, local)}",
        f"recipe: {record.recipe_name}" if record.recipe_name else "",
        f"poured by {listed(people)}" if people else "",
    ]
    said = "; ".join(fact for fact in facts if fact)
    return tag(
        "header",
        tag("p", kind, class_="kind"),
        tag("h1", record.name),
        note(said),
    )


def _mind(record: Record) -> Markup:
    minded = to_mind(record)
    if minded:
        items = [tag("li", sentence) for sentence in minded]
        return tag("div", tag("ul", *items), class_="mind")
    return tag(
        "div",
        tag("p", "Every mix within its ratio, every marked clock kept, nothing strays."),
        class_="mind well",
    )


def _cautions(record: Record) -> Markup:
    items = [tag("li", caution) for caution in cautions(record)]
    return section(
        "Cautions",
        tag("ul", *items, class_="cautions"),
        note("The makers' data sheets, local rules and licensed practice go before all this."),
    )
