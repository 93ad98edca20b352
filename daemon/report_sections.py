"""Tables of the record's page on the whole of it: promised and actual, rejects, jugs, work.

Owns which columns each has and what stands out in it. A section of which nothing is known is left
out. Knows no charts and no page around it.
"""

from __future__ import annotations

from collections.abc import Sequence

from daemon.record import Record
from daemon.record_pieces import causes as causes_of
from daemon.record_work import WorkLine
from daemon.report_markup import Cell, Column, Markup, note, section, table, tag
from daemon.report_summary import is_done, material_rows, money_rows
from daemon.report_words import (
    NOT_KNOWN,
    figure,
    listed,
    percent,
    some,
)

NOTHING = Markup("")


def promised(record: Record) -> Markup:
    """What was promised beside what came out; a run that promised nothing tells what came out."""
    both = [rows for rows in (material_rows(record), money_rows(record)) if rows]
    parts: list[Sequence[Sequence[object]]] = [*both]
    what, head = ("Came out", "what came out") if is_done(record) else ("So far", "so far")
    columns = [Column("", figures=False), Column("Promised"), Column(what)]
    if record.kind == "run":
        columns, head = [columns[0], columns[2]], head.capitalize()
        parts = [[(name, actual) for name, _, actual in rows] for rows in both]
    else:
        head = f"Promised, and {head}"
    pair = tag("div", *(table(columns, rows) for rows in parts), class_="pair")
    words = (
        "The range behind the rejects is the exact one of Clopper and Pearson, 95 %. Hours at the"
        " bench leave out pauses of more than half an hour. Resin counts cups that were given up."
    )
    return section(head, pair, note(words))


# -- pieces --------------------------------------------------------------------------------------


def causes(record: Record) -> Markup:
    """Rejects by cause and by cavity."""
    rejected = record.tally.rejected
    if not rejected:
        return NOTHING
    rows = [
        [cause or "no cause given", rejects, percent(rejects / record.tally.counted)]
        for cause, rejects in causes_of(record.counts)
    ]
    columns = [Column("Cause", figures=False), Column("Rejects"), Column("of all counted")]
    cells = [
        [
            cell.mold or NOT_KNOWN,
            cell.cavity or NOT_KNOWN,
            Cell(cell.rejected, off=cell.stands_out),
            cell.causes,
            "more than chance gives" if cell.stands_out else "",
        ]
        for cell in record.cells
    ]
    where = [
        Column("Mold", figures=False),
        Column("Cavity", figures=False),
        Column("Rejects"),
        Column("Causes", figures=False, prose=True),
        Column("", figures=False),
    ]
    by_cavity = table(where, cells, "By mold and cavity, the worst first") if cells else NOTHING
    return section("Rejects", table(columns, rows), by_cavity)


# -- jugs -----------------------------------------------------------------------------


def jugs(record: Record) -> Markup:
    """What the batches drew on."""
    if not record.jugs:
        return NOTHING
    rows = [
        [
            jug.name,
            jug.part or NOT_KNOWN,
            jug.lot or NOT_KNOWN,
            jug.use_by or NOT_KNOWN,
            figure(jug.listed_g, 0),
            figure(jug.refilled_g or None, 0),
            figure(jug.drawn_g or None, 0),
            figure(jug.left_g, 0),
            some(jug.shaken, "time") if jug.shaken else NOT_KNOWN,
        ]
        for jug in record.jugs
    ]
    heads = ["Held, g", "Filled up, g", "Drawn, g", "Left, g", "Shaken"]
    names = [Column(head, figures=False) for head in ("Jug", "Part", "Lot", "Use by")]
    return section("Jugs", table([*names, *map(Column, heads)], rows))


def warnings(record: Record) -> Markup:
    """What the bench warned of before a pour; the same words of batch after batch in one row."""
    told: dict[str, list[int]] = {}
    for batch in record.batches:
        for words in batch.warned:
            told.setdefault(words, []).append(batch.number)
    if not told:
        return NOTHING
    columns = [
        Column("Warned before the pour", figures=False, prose=True),
        Column("Batches", figures=False, prose=True),
    ]
    return section("Warnings", table(columns, ((words, listed(n)) for words, n in told.items())))


# -- work ----------------------------------------------------------------------------------------


def work(record: Record) -> Markup:
    """Seconds by step and operation, quoted against actual."""
    if not record.work:
        return NOTHING
    columns = [
        Column("Work", figures=False),
        Column("Quoted, s"),
        Column("Took, s"),
        Column("Difference"),
        Column("Seen", figures=False),
    ]
    words = (
        "Took: the middle of what lay between the person's last act and the mark, waits for a clock"
        " left out; a mark made late makes it longer."
    )
    return section("Time by operation", table(columns, map(_work_row, record.work)), note(words))


def _work_row(line: WorkLine) -> list[object]:
    apart = NOT_KNOWN
    if line.quoted_s and line.actual_s is not None:
        share = line.actual_s / line.quoted_s - 1
        apart = f"{figure(100 * share, 0, sign=True)} %"
    seen = some(line.times, line.each, "batches" if line.each == "batch" else "pieces")
    return [
        f"{line.name}, each {line.each}",
        figure(line.quoted_s, 0),
        figure(line.actual_s),
        apart,
        seen if line.times else "not timed",
    ]
