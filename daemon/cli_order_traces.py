"""Pour traces out of a journal: the raw lines of each batch's dispense, decoded as they were then.

Owns which stretch of the journal is read and with which decoder. Draws nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import ValidationError

from daemon.cli_log_export import header_of
from daemon.engine import Decoding
from daemon.inputs import Port, Raw
from daemon.journal import EventRow, Journal
from daemon.logfile import Header, LogError
from daemon.record import Record
from daemon.record_trace import Trace, span_us, trace
from daemon.replay import decoder_of
from daemon.restart import shape_key
from daemon.store import JournalError
from drivers.reading import Reading
from recipes.model import Recipe

WARM_UP_US = 10_000_000
"""A decoder is fed from so long before the first part on, to have found its place by then."""


def header(journal: Journal, batch: int) -> Header | None:
    """What a batch began with; None where the journal does not have it in a form known here."""
    before = journal.state_before(batch)
    if before is None:
        return None
    try:
        return header_of(before, batch, lambda name: journal.meta(shape_key(name)))
    except (LogError, JournalError, ValueError, TypeError, LookupError):
        return None


def recipe_of(journal: Journal, batch: int) -> Recipe | None:
    """The recipe that a batch was poured by, None where it is not known."""
    before = journal.state_before(batch)
    if before is None:
        return None
    try:
        bench = before.body["bench"]
        return Recipe.model_validate((bench.get("once") or bench["plan"])["recipe"])
    except (ValidationError, TypeError, LookupError):
        return None


def traces(journal: Journal, record: Record) -> Iterator[Trace]:
    """The pours of each batch of the record; a batch that cannot be read is left out."""
    loss = record.recipe is not None and record.recipe.method == "loss"
    for batch in record.batches:
        events = journal.events_of(batch.number)
        found = trace(events, _readings(journal, batch.number, events), loss=loss)
        if found is not None:
            yield found


def _readings(
    journal: Journal, batch: int, events: Sequence[EventRow]
) -> Iterator[tuple[int, float]]:
    """What the scale showed while the batch was dispensed."""
    before, began, span = journal.state_before(batch), header(journal, batch), span_us(events)
    if before is None or began is None or span is None:
        return
    try:
        decoder = decoder_of(began)
    except LogError:
        return
    from_us, until_us = span[0] - WARM_UP_US, span[1]
    for _, item in journal.inputs(before.after_input):
        if item.at_us > until_us:
            return
        if isinstance(item, Port):
            decoder.reset(item.at_us / 1e6)
        elif isinstance(item, Raw) and item.at_us >= from_us:
            yield from _shown(decoder, item)


def _shown(decoder: Decoding, item: Raw) -> Iterator[tuple[int, float]]:
    for reading in decoder.feed(item.at_us / 1e6, item.data):
        if isinstance(reading, Reading) and reading.grams is not None:
            yield round(reading.at_s * 1e6), reading.grams
