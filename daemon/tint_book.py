"""The colour of every jug, rebuilt from what the journal tells: events in, ledgers out.

Owns the form of the `tint.*` events and what each does to the ledgers, and what a jug's shelf
events do to them. Pure. Knows neither bench nor journal, and decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from daemon.order_run import Jug
from recipes.colour import Lab
from recipes.tint_castings import Past
from recipes.tint_ledger import BASE, By, Dose, Judge, Ledger, LedgerError, Trial
from recipes.tint_measured import learned

Book = tuple[Ledger, ...]
"""Every jug that was tinted; the one that was worked on last is the last one."""

HEARD = frozenset(
    {"tint.started", "tint.added", "tint.tested", "tint.undone", "jug.drawn", "jug.refilled"}
)
"""The kinds of event that change a ledger. `jug.*` of a jug without one do nothing."""
KEPT = 12
"""Ledgers remembered, one a jug filled: enough to know the shop's dyes by."""
LESSONS = 5
"""The last so many of them teach what a dye does: dyes and bases change."""
DREGS = 0.999
"""A jug is never drawn emptier than this share, lest its colour be lost with it."""


def after(book: Book, kind: str, data: Mapping[str, Any]) -> Book:
    """The ledgers after one event. Raises LedgerError where the event cannot be."""
    match kind:
        case "tint.started":
            return (*book, _started(data))[-KEPT:]
        case "tint.added":
            return _with(book, data, _added)
        case "tint.tested":
            return _with(book, data, _tested)
        case "tint.undone":
            return _undone(book, data)
        case "jug.drawn" | "jug.refilled":
            return tuple(
                _shelved(one, kind, data) if one is _newest(book, data) else one for one in book
            )
    return book


class Told(Protocol):
    """One event of a journal."""

    @property
    def seq(self) -> int:
        """Its place in the order."""

    @property
    def kind(self) -> str:
        """What happened."""

    @property
    def data(self) -> Mapping[str, Any]:
        """Its members."""


class Source(Protocol):
    """What is needed of a journal."""

    def events_of_kind(self, kind: str) -> Sequence[Told]:
        """All events of one kind, in order."""


def book_in(journal: Source) -> Book:
    """Every jug's ledger, from the journal alone."""
    rows = [row for kind in sorted(HEARD) for row in journal.events_of_kind(kind)]
    return fold((row.kind, row.data) for row in sorted(rows, key=lambda row: row.seq))


def fold(events: Iterable[tuple[str, Mapping[str, Any]]]) -> Book:
    """The ledgers after all these events, kinds and data in the journal's order.

    An event that another version wrote, and that means nothing here, is passed over.
    """
    book: Book = ()
    for kind, data in events:
        try:
            book = after(book, kind, data)
        except (LedgerError, LookupError, TypeError, ValueError, AttributeError):
            continue
    return book


def ledger_of(book: Book, jug: str | None = None) -> Ledger:
    """The ledger of this jug as it was filled last; without a name the one worked on last.

    Raises LedgerError where there is none.
    """
    found = next((one for one in reversed(book) if jug in (None, one.jug)), None)
    if found is not None:
        return found
    known = ", ".join(dict.fromkeys(one.jug for one in book))
    if not known:
        raise LedgerError(
            "No jug has a colour yet: begin one with `tint start --jug NAME --base-g GRAMS`."
        )
    raise LedgerError(f"Jug {jug} has no colour yet; there is one of {known}.")


def fraction(book: Book, jug: str) -> float | None:
    """The dye's share of this jug's mass; None where it has no ledger."""
    found = next((one for one in reversed(book) if one.jug == jug), None)
    return None if found is None else found.fraction


def weighed_by_ledger(jug: Jug, book: Book) -> Jug:
    """The jug on the shelf with what its ledger says is in it, as it is where there is none."""
    found = next((one for one in reversed(book) if one.jug == jug.name), None)
    return jug if found is None else replace(jug, left_g=round(found.jug_g, 4))


def past_of(book: Book, ledger: Ledger) -> Past:
    """What the jugs before this one taught of base, dyes, wet and cured."""
    past = Past()
    for one in [one for one in book if one is not ledger][-LESSONS:]:
        past = learned(past, one)
    return past


# -- what each event does ----------------------------------------------------------------------


def _with(
    book: Book, data: Mapping[str, Any], change: Callable[[Ledger, Mapping[str, Any]], Ledger]
) -> Book:
    """The book with this jug's ledger changed, now the last one."""
    before = ledger_of(book, data["jug"])
    return (*(one for one in book if one is not before), change(before, data))


def _started(data: Mapping[str, Any]) -> Ledger:
    ledger = Ledger(str(data["jug"]), float(data["base_g"]), _lab(data, "target_lab"), fresh=True)
    return _on_the_scale(ledger, data)


def _added(before: Ledger, data: Mapping[str, Any]) -> Ledger:
    ledger = _on_the_scale(_kept(before), data)
    dye, grams = str(data["dye"]), float(data["grams"])
    if dye == BASE:
        return ledger.diluted(grams)
    return ledger.added(Dose(dye, grams, float(data.get("strength", 1.0))))


def _on_the_scale(ledger: Ledger, data: Mapping[str, Any]) -> Ledger:
    """The ledger, knowing the step of the scale where it was weighed on one."""
    division_g = (data.get("weighed") or {}).get("division_g")
    return ledger if division_g is None else replace(ledger, division_g=float(division_g))


def _kept(before: Ledger) -> Ledger:
    """The ledger, from which the next entry can be taken back."""
    return replace(before, before=replace(before, before=None), fresh=False)


def _undone(book: Book, data: Mapping[str, Any]) -> Book:
    """The book without this jug's last entry; one that is only begun goes, and an older one counts.

    That one then is the last of the book.
    """
    ledger = ledger_of(book, data["jug"])
    if not ledger.fresh:
        return _with(book, data, _taken_back)
    left = tuple(one for one in book if one is not ledger)
    older = _newest(left, data)
    return left if older is None else (*(one for one in left if one is not older), older)


def _taken_back(ledger: Ledger, _data: Mapping[str, Any]) -> Ledger:
    """The ledger without its last entry."""
    if ledger.before is None:
        raise LedgerError(
            f"Nothing of jug {ledger.jug} can be taken back: only the last entry can, and only "
            "while nothing was drawn from the jug or filled up since."
        )
    return ledger.before


def _tested(before: Ledger, data: Mapping[str, Any]) -> Ledger:
    ledger = _kept(before)
    used_g = float(data.get("used_g") or 0.0)
    amounts, mix = ledger.amounts, data.get("mix")
    if mix is not None:
        used_g = float(mix["jug_g"])
        extra = [Dose(d, float(g), ledger.strength(d)) for d, g in mix["with"].items()]
        amounts = ledger.mixed(used_g, extra)
    toward = data.get("toward")
    if toward is not None and toward not in ledger.names:
        known = ", ".join(ledger.names) or "none"
        raise LedgerError(f"There is no dye {toward} in jug {ledger.jug}; in it: {known}.")
    trial = Trial(
        amounts,
        lab=_lab(data, "lab"),
        wet_lab=_lab(data, "wet_lab"),
        judge=Judge(data["judge"]) if data.get("judge") else None,
        by=By(data["by"]) if data.get("by") else None,
        toward=toward,
        rough=bool(data.get("photo")),
    )
    ledger = ledger.tested(trial)
    return ledger.drawn(used_g) if used_g else ledger


def _lab(data: Mapping[str, Any], key: str) -> Lab | None:
    value = data.get(key)
    return None if value is None else (float(value[0]), float(value[1]), float(value[2]))


def _newest(book: Book, data: Mapping[str, Any]) -> Ledger | None:
    return next((one for one in reversed(book) if one.jug == data.get("jug")), None)


def _shelved(ledger: Ledger, kind: str, data: Mapping[str, Any]) -> Ledger:
    """A batch drew on the jug, or it was filled up with base."""
    grams, ledger = float(data["grams"]), replace(ledger, before=None, fresh=False)
    if kind == "jug.refilled":
        return ledger.diluted(grams)
    return ledger.drawn(min(grams, DREGS * ledger.jug_g))
