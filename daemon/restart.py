"""Taking a store up again: the last whole state, and every input since then stepped once more.

Owns how the bench is rebuilt from its journal. Knows no port and no outlet.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from daemon.bench import Bench
from daemon.clock import Mark
from daemon.engine import Decoding, Engine
from daemon.hand import Hand
from daemon.inputs import DaemonStart
from daemon.journal import Journal, StateRow
from daemon.messages import parse_rfc3339
from daemon.state import load
from daemon.store import JournalError
from daemon.tint_book import book_in
from drivers.decoder import Decoder
from drivers.recogniser import Recogniser
from drivers.scale_profile import load_profile, parse_profile


@dataclass(frozen=True, slots=True)
class Restart:
    """An engine that stands where the journal ends; `note` says what was taken up, or could not."""

    engine: Engine
    resumed: bool
    note: str = ""


def saved_mark(journal: Journal) -> Mark | None:
    """Where the store's time line stood at the last commit, None for a new store.

    Where that was not kept, the last event says it, to within the time since; the time line never
    starts before anything that the journal knows of.
    """
    text, last_us = journal.meta("mark"), journal.last_at_us()
    try:
        mark = Mark(**json.loads(text)) if text is not None else None
    except (ValueError, TypeError):
        mark = None
    if mark is None and last_us > 0:
        mark = Mark(last_us, "", 0, last_us + _wall_offset_us(journal))
    return None if mark is None else replace(mark, at_us=max(mark.at_us, last_us))


def _wall_offset_us(journal: Journal) -> int:
    events = journal.events_after(journal.last_seq() - 1, 1)
    return round(parse_rfc3339(events[0].at) * 1e6) - events[0].at_us if events else 0


def rebuild(journal: Journal, decoder: Decoding) -> Restart:
    """The engine as it was when the journal was last written, going on with `decoder`.

    What the journal holds is stepped with the decoder that was in use, which may be another. A
    state, or an input after it, that this version cannot take up is no reason not to start.
    """
    row = journal.latest_state()
    if row is None:
        bench = Bench(at_s=journal.last_at_us() / 1e6, tints=book_in(journal))
        return Restart(Engine(bench, decoder), resumed=False)
    try:
        engine = _stepped_again(journal, row)
    except JournalError:
        raise
    except Exception:
        return _facts_only(journal, decoder)
    if not _alike(engine.decoder, decoder):
        engine.decoder = decoder
    bench = engine.bench
    alive = bench.batch is not None or bool(bench.lives or bench.timers)
    return Restart(engine, resumed=alive)


def _stepped_again(journal: Journal, row: StateRow) -> Engine:
    """The engine of a stored state, with every input since, and what was told after the last one.

    What fell due later than that was never told; it is once the daemon has started. So it was with
    every start since then: only what had been told before it had fallen due.
    """
    engine = Engine(load(row.body["bench"]), _decoder_then(journal, row.body["decoder"]))
    engine.at_us = row.at_us
    for number, item in journal.inputs(row.after_input):
        if isinstance(item, DaemonStart):
            engine.run_to(journal.told_before(number))
        engine.take(item)
    engine.run_to(journal.last_at_us())
    return engine


def _alike(one: Decoding, other: Decoding) -> bool:
    """Whether both read the same line shape, or both find out."""
    if isinstance(one, Recogniser) or isinstance(other, Recogniser):
        return type(one) is type(other)
    return one.profile_name == other.profile_name


def shape_key(name: str) -> str:
    """Under this name a journal keeps the text of a line shape that does not ship."""
    return f"shape.{name}"


def _decoder_then(journal: Journal, body: dict[str, Any]) -> Decoding:
    """The decoder that a stored state was left with."""
    name = body.get("profile")
    if name is None:
        recogniser = Recogniser()
        recogniser.restore(body)
        return recogniser
    text = journal.meta(shape_key(str(name)))
    profile = load_profile(str(name)) if text is None else parse_profile(text, str(name))
    decoder = Decoder(profile)
    decoder.restore(body)
    return decoder


def _facts_only(journal: Journal, decoder: Decoding) -> Restart:
    """A state of another version: keep what the events say by themselves, and say what is lost."""
    hands = dict(
        hand for event in journal.events_of_kind("hand.learned") for hand in _hand_of(event.data)
    )
    bench = Bench(
        at_s=journal.last_at_us() / 1e6,
        hands=tuple(sorted(hands.items())),
        tints=book_in(journal),
        next_batch=max(journal.batches(), default=0) + 1,
    )
    note = (
        "The store was left by another version whose open batch cannot be taken up; its record is "
        "kept. Clocks that were running are gone: look at the molds."
    )
    return Restart(Engine(bench, decoder), resumed=False, note=note)


def _hand_of(data: dict[str, Any]) -> Iterator[tuple[str, Hand]]:
    """The hand that an event tells of, by its key; none where the event is of another form."""
    lead, spread, count = data.get("lead_s"), data.get("spread_s"), data.get("count")
    if isinstance(lead, float) and isinstance(spread, float) and isinstance(count, int):
        yield str(data.get("hand")), replace(Hand(), lead_s=lead, spread_s=spread, count=count)
