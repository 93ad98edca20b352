"""The colour's history in the record's page: base, doses and trials of the jugs, each in words.

Owns that table and the dab of colour beside a measured one. Knows nothing of what a dose ought to
be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from daemon.messages import parse_rfc3339
from daemon.record import Record
from daemon.record_jugs import Said
from daemon.report_markup import Column, Markup, join, note, section, table, tag
from daemon.report_words import NOT_KNOWN, Local, figure, instant, listed, percent, span
from recipes.colour import Lab, ciede2000, srgb_of
from recipes.tint_ledger import BASE

NOTHING = Markup("")
_ODD = (LookupError, TypeError, ValueError, OverflowError)
"""What an entry of a form not known here may lead to: it is then told as it stands."""


def colour(record: Record, local: Local) -> Markup:
    """The colour's history, the oldest first."""
    if not record.colour:
        return NOTHING
    rows = [
        [instant(entry.at, local), entry.jug, entry.words, entry.dye, entry.off]
        for entry in entries(record.colour)
    ]
    columns = [
        Column("At", figures=False),
        Column("Jug", figures=False),
        Column("What", figures=False, prose=True),
        Column("Dye in it"),
        Column("Off the target"),
    ]
    words = (
        "Off the target: CIEDE2000; about 1 is the least that is seen. A dab of colour is what a "
        "screen or a printer makes of it."
    )
    return section("Colour", table(columns, rows), note(f"{_took(record)}{words}"))


def _took(record: Record) -> str:
    """How long it took from the base to the last entry before a batch, beside what was quoted."""
    try:
        at_s = [parse_rfc3339(said.at) for said in record.colour]
        poured_s = parse_rfc3339(record.batches[0].opened_at) if record.batches else at_s[-1]
    except ValueError:
        return ""
    before = [one for one in at_s if one <= poured_s]
    if len(before) < 2:
        return ""
    quoted = record.order.setups if record.order is not None else ()
    beside = listed(f"{one.name} {span(60 * one.minutes)}" for one in quoted)
    said = f"From the first entry to the last before a batch: {span(before[-1] - before[0])}"
    return f"{said} (quoted as set-up: {beside}). " if beside else f"{said}. "


class Entry:
    """One entry in words. `off` is how far a measured trial was from the target then."""

    __slots__ = ("at", "dye", "jug", "off", "words")

    def __init__(self, said: Said, target: Lab | None) -> None:
        """Put it in words; what is of a form not known here is told as it stands."""
        self.at, self.jug = said.at, str(said.data.get("jug") or NOT_KNOWN)
        self.dye = self.off = NOT_KNOWN
        try:
            self.words = join(_words(said))
            self.dye = _share(said.data)
            self.off = off_target(said.data, target)
        except _ODD:
            self.words = join([said.what, ": ", _members(said.data)])


def entries(told: Sequence[Said]) -> Iterator[Entry]:
    """Each entry in words, beside the target that its jug had by then."""
    targets: dict[str, Lab | None] = {}
    for said in told:
        if said.what == "started":
            targets[str(said.data.get("jug"))] = lab_in(said.data, "target_lab")
        yield Entry(said, targets.get(str(said.data.get("jug"))))


def lab_in(data: Mapping[str, Any], key: str) -> Lab | None:
    """A colour among an event's members, None where there is none or no such."""
    try:
        light, a, b = (float(value) for value in data[key])
    except _ODD:
        return None
    return light, a, b


def off_target(data: Mapping[str, Any], target: Lab | None) -> str:
    """How far a measured colour is from the target."""
    lab = lab_in(data, "lab")
    return NOT_KNOWN if lab is None or target is None else figure(ciede2000(lab, target))


def _share(data: Mapping[str, Any]) -> str:
    share = data.get("fraction")
    return NOT_KNOWN if share is None else percent(float(share), 3)


# -- words ---------------------------------------------------------------------------------------


def _words(said: Said) -> Iterator[object]:
    data = said.data
    match said.what:
        case "started":
            yield f"{_grams(data['base_g'])} of base"
            if (target := lab_in(data, "target_lab")) is not None:
                yield from ("; the master ", *_lab(target))
        case "added" if data["dye"] == BASE:
            yield f"{_grams(data['grams'])} of untinted base added"
        case "added":
            yield f"{_grams(data['grams'])} of {data['dye']}{_strength(data)} added"
        case "tested":
            yield from _trial(data)
        case "undone":
            yield "the last entry taken back"
        case _:
            yield f"{said.what}: {_members(data)}"


def _grams(value: Any) -> str:
    grams = float(value)
    return f"{figure(grams, 1 if grams >= 100 else 3 if grams < 1 else 2)} g"


def _strength(data: Mapping[str, Any]) -> str:
    strength = float(data.get("strength") or 1.0)
    return "" if strength == 1 else f" at {figure(100 * strength, 2).rstrip('0').rstrip('.')} %"


def _trial(data: Mapping[str, Any]) -> Iterator[object]:
    yield f"trial{_mix(data)}: "
    said: list[list[object]] = []
    for key, name in (("lab", ""), ("wet_lab", "wet ")):
        if (lab := lab_in(data, key)) is not None:
            said.append([name, *_lab(lab)])
    if data.get("photo"):
        said.append(["off a photograph"])
    judged = [str(data[key]) for key in ("judge", "by") if data.get(key)]
    if judged:
        said.append([", ".join(judged)])
    if data.get("toward"):
        said.append([f"leans to {data['toward']}"])
    for number, one in enumerate(said):
        yield from ("; " if number else "", *one)


def _mix(data: Mapping[str, Any]) -> str:
    mix = data.get("mix")
    if not mix:
        return ""
    extra = listed(f"{_grams(grams)} of {dye}" for dye, grams in mix["with"].items())
    return f" of {_grams(mix['jug_g'])} with {extra} more"


def _lab(lab: Lab) -> Iterator[object]:
    yield "L*a*b* " + " ".join(figure(value) for value in lab) + " "
    codes = ", ".join(str(round(min(max(code, 0.0), 255.0))) for code in srgb_of(lab))
    yield tag("span", class_="dab", style=f"background: rgb({codes})")


def _members(data: Mapping[str, Any]) -> str:
    return "; ".join(f"{name} {_value(value)}" for name, value in data.items() if value is not None)


def _value(value: Any) -> str:
    if isinstance(value, float):
        return figure(value, 3).rstrip("0").rstrip(".")
    if isinstance(value, Mapping):
        return listed(f"{name} {_value(inner)}" for name, inner in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(map(_value, value))
    return str(value)
