"""Taking a store up again: the last whole state, and every input since then stepped once more.

Owns how the bench is rebuilt from its journal. Knows no port and no outlet.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

from daemon.bench import Bench
from daemon.clock import Mark
from daemon.engine import Decoding, Engine
from daemon.hand import Hand
from daemon.journal import Journal
from daemon.state import StateError, load
from drivers.decoder import Decoder
from drivers.recogniser import Recogniser
from drivers.scale_profile import ProfileError, load_profile, parse_profile


@dataclass(frozen=True, slots=True)
class Restart:
    """An engine that stands where the journal ends; `note` says what was taken up, or could not."""

    engine: Engine
    resumed: bool
    note: str = ""


def saved_mark(journal: Journal) -> Mark | None:
    """Where the store's time line stood at the last commit, None for a new store."""
    text = journal.meta("mark")
    if text is None:
        return None
    return Mark(**json.loads(text))


def rebuild(journal: Journal, decoder: Decoding) -> Restart:
    """The engine as it was when the journal was last written, going on with `decoder`.

    What the journal holds is stepped with the decoder that was in use, which may be another.
    """
    row = journal.latest_state()
    if row is None:
        bench = Bench(at_s=journal.last_at_us() / 1e6)
        return Restart(Engine(bench, decoder), resumed=False)
    try:
        bench = load(row.body["bench"])
        then = _decoder_then(journal, row.body["decoder"])
    except (StateError, ProfileError, AttributeError, LookupError, TypeError, ValueError):
        return _facts_only(journal, decoder)
    engine = Engine(bench, then)
    engine.at_us = row.at_us
    for _, item in journal.inputs(row.after_input):
        engine.take(item)
    engine.run_to(journal.last_at_us())  # what fell due, and was told, after the last input
    if not _alike(then, decoder):
        engine.decoder = decoder
    alive = engine.bench.batch is not None or bool(engine.bench.lives or engine.bench.timers)
    return Restart(engine, resumed=alive)


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
    hands: dict[str, Hand] = {}
    for event in journal.events_of_kind("hand.learned"):
        data = event.data
        hands[str(data["hand"])] = replace(
            Hand(), lead_s=data["lead_s"], spread_s=data["spread_s"], count=data["count"]
        )
    bench = Bench(
        at_s=journal.last_at_us() / 1e6,
        hands=tuple(sorted(hands.items())),
        next_batch=max(journal.batches(), default=0) + 1,
    )
    note = (
        "The store was left by another version whose open batch cannot be taken up; its record is "
        "kept. Clocks that were running are gone: look at the molds."
    )
    return Restart(Engine(bench, decoder), resumed=False, note=note)
