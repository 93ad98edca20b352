"""A batch of the journal as a log: from the instant before it opened to where the next one opens.

Owns which inputs, events and states belong to a batch's log. Writes no file and prints nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

from daemon.inputs import Input
from daemon.journal import EventRow, StateRow
from daemon.logfile import Event, Header, LogError, written
from daemon.messages import rfc3339
from drivers.scale_profile import known_profiles
from recipes.model import Recipe


class Source(Protocol):
    """What is needed of a journal."""

    def state_before(self, batch: int) -> StateRow | None:
        """The state from which the batch was opened."""

    def state_after(self, batch: int) -> StateRow | None:
        """The state from which the next batch was opened."""

    def inputs(self, after: int, until: int | None = None) -> Iterator[tuple[int, Input]]:
        """Inputs with numbers in (after, until]."""

    def events_between(self, first: int, past: int | None) -> list[EventRow]:
        """Events with first <= seq < past."""

    def last_input(self) -> int:
        """The number of the last input."""

    def last_seq(self) -> int:
        """The number of the last event."""


ShapeText = Callable[[str], str | None]
"""The profile file of a line shape by its name; None where the shape ships with the program."""


def no_such_batch(batch: int) -> LogError:
    """What to say of a batch that this store does not have."""
    return LogError(f"There is no batch {batch} in this store; `benchpour log list` shows them.")


def export(source: Source, batch: int, shape_text: ShapeText) -> Iterator[str]:
    """The log of one batch, line by line without line ends; raises LogError where there is none."""
    before = source.state_before(batch)
    if before is None:
        raise no_such_batch(batch)
    after = source.state_after(batch)
    if after is not None:
        until, past, end_us = after.after_input, after.next_seq, after.at_us
    else:
        until, past = _journal_ends(source)
        end_us = before.at_us
    inputs = (item for _, item in source.inputs(before.after_input, until))
    events = [event_of(row) for row in source.events_between(before.next_seq, past)]
    yield from written(header_of(before, batch, shape_text), inputs, events, end_us)


def event_of(row: EventRow) -> Event:
    """A row of the journal as it stands in a log."""
    return Event(row.at_us, row.seq, row.at, row.kind, row.batch, row.data)


def _journal_ends(source: Source) -> tuple[int, int]:
    """The last input and the seq after the last event, as they stood at one instant.

    A daemon may be writing meanwhile: two equal looks around one another are a look at once.
    """
    while True:
        one, two = [(source.last_input(), source.last_seq()) for _ in range(2)]
        if one == two:
            return one[0], one[1] + 1


def header_of(before: StateRow, batch: int, shape_text: ShapeText) -> Header:
    """What the batch began with."""
    bench, decoder = before.body["bench"], before.body["decoder"]
    plan = bench.get("once") or bench["plan"]
    settings = bench.get("settings") or {}
    offset_us = round(float(bench.get("wall_offset_s") or 0.0) * 1e6)
    return Header(
        recipe=_plain(plan["recipe"]),
        settings=settings,
        scale=_scale(decoder, shape_text),
        started_at=rfc3339((before.at_us + offset_us) / 1e6),
        version=str(settings.get("version", "")),
        batch=batch,
        first_seq=before.next_seq,
        start_us=before.at_us,
        wall_offset_us=offset_us,
        state=bench,
        decoder=decoder,
    )


def _plain(recipe: dict[str, Any]) -> dict[str, Any]:
    """A recipe as its file would have it: what is not given is left out, where that means none."""
    whole = Recipe.model_validate(recipe)
    lean: dict[str, Any] = whole.model_dump(mode="json", exclude_none=True)
    return lean if Recipe.model_validate(lean) == whole else whole.model_dump(mode="json")


def _recognisable() -> list[str]:
    return [profile.name for profile in known_profiles() if profile.recognise]


def _scale(decoder: dict[str, Any], shape_text: ShapeText) -> dict[str, Any]:
    """The line shape, the shapes it was or is to be told from, and those that do not ship."""
    recognised = "candidates" in decoder
    chosen = decoder.get("chosen") if recognised else decoder
    name = chosen["profile"] if chosen else None
    rivals = sorted(decoder["candidates"] or _recognisable()) if recognised else []
    texts = {n: shape_text(n) for n in {*rivals, *([name] if name else [])}}
    shapes = {n: text for n, text in sorted(texts.items()) if text is not None}
    return {
        **({"profile": name} if name else {}),
        **({"recognise": rivals} if recognised else {}),
        **({"shapes": shapes} if shapes else {}),
    }
