"""The frames without a weight: what a profile makes of them.

Owns their forms, and whether they are answers to something else or mean that there is no weight.
Does not know the frames that hold one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from drivers.learn_draft import Draft, FormDraft, Spec
from drivers.learn_runs import char_class
from drivers.learn_writing import skeleton, tokens
from drivers.notation import to_text

_LEAST_SEEN = 2
_MOST_FORMS = 8
_MOST_WORDS = 6


@dataclass(slots=True)
class Remnant:
    """Frames of one make that hold no weight, and what came with them."""

    bodies: list[bytes] = field(default_factory=list)
    says: list[str] = field(default_factory=list)
    """What is known of each: `other` beside a steady weight; over, under, out where it was shown;
    else `status`."""


def add_remnants(draft: Draft, bodies: Sequence[bytes], says: Sequence[str]) -> int:
    """Add forms for frames without a weight to the draft; how many frames they explain."""
    groups: dict[object, Remnant] = {}
    for body, word in zip(bodies, says, strict=True):
        remnant = groups.setdefault(_make(body), Remnant())
        remnant.bodies.append(body)
        remnant.says.append(word)
    explained = 0
    ordered = sorted(groups.values(), key=lambda one: -len(one.bodies))
    for remnant in (part for one in ordered[:_MOST_FORMS] for part in _by_words(one)):
        if len(remnant.bodies) < _LEAST_SEEN:
            continue
        layout = "".join(_line(draft, remnant.bodies))
        draft.forms.append(FormDraft(layout, _words(remnant), f"{len(remnant.bodies)} lines"))
        explained += len(remnant.bodies)
    return explained


def _by_words(remnant: Remnant) -> list[Remnant]:
    """Those with words that came beside a steady weight, and the others.

    A word that never did may say that the weight before it is none.
    """
    distinct = list(dict.fromkeys(remnant.bodies))
    places = [raws for raws in _places(distinct) if len(set(raws)) > 1 and _are_words(raws)]
    words = {body: tuple(raws[n] for raws in places) for n, body in enumerate(distinct)}
    pairs = list(zip(remnant.bodies, remnant.says, strict=True))
    proved = {words[body] for body, says in pairs if says == "other"}
    if not places or not proved:
        return [remnant]
    parts = Remnant(), Remnant()
    for body, says in pairs:
        part = parts[words[body] not in proved]
        part.bodies.append(body)
        part.says.append(says)
    return [part for part in parts if part.bodies]


def _make(body: bytes) -> object:
    text = all(0x20 <= code < 0x7F or code in b"\r\n" for code in body)
    return skeleton(body) if text else len(body)


def _words(remnant: Remnant) -> tuple[str, ...]:
    """The words of the form. A frame that came beside a steady weight takes nothing away."""
    says = set(remnant.says)
    for word in ("over", "under", "out"):
        if word in says and says <= {word, "status"}:
            return (word,)
    return ("other",) if "other" in says else ("status",)


def _line(draft: Draft, bodies: Sequence[bytes]) -> Iterator[str]:
    distinct = list(dict.fromkeys(bodies))
    if len(distinct) == 1:
        yield to_text(distinct[0])
        return
    for raws in _places(distinct):
        if len(set(raws)) == 1:
            yield to_text(raws[0])
            continue
        widths = sorted({len(raw) for raw in raws})
        if _are_words(raws):
            words: Spec = {
                "kind": "flag",
                "map": {to_text(raw): "any" for raw in sorted(set(raws))},
            }
            name = draft.add("word", words, "a word in lines without a weight; no other was seen")
            yield f"{{{name}}}"
            continue
        spec: Spec = {"kind": "any", "chars": char_class(raws), "fill": to_text(raws[0])}
        name = draft.add("any", spec, "changes in lines without a weight")
        width = f"{widths[0]}" if len(widths) == 1 else f"{widths[0]}-{widths[-1]}"
        yield f"{{{name}:{width}}}"


def _are_words(raws: Sequence[bytes]) -> bool:
    """Whether these are a few words: one that was never seen may take the weight away."""
    seen = set(raws)
    letters = any(re.search(rb"[A-Za-z]", raw) for raw in seen)
    return letters and len(seen) <= _MOST_WORDS and not any(re.search(rb"[0-9]", r) for r in seen)


def _places(bodies: Sequence[bytes]) -> Iterator[list[bytes]]:
    """What stands at each place: runs of changing columns, or whole tokens."""
    if len(set(map(len, bodies))) > 1:
        every = [tokens(body) for body in bodies]
        for n in range(len(every[0])):
            yield [body[t[n][1] : t[n][2]] for body, t in zip(bodies, every, strict=True)]
        return
    columns = [{body[n] for body in bodies} for n in range(len(bodies[0]))]
    begin = 0
    while begin < len(columns):
        end = begin + 1
        fixed = len(columns[begin]) == 1
        while end < len(columns) and (len(columns[end]) == 1) == fixed:
            end += 1
        yield [body[begin:end] for body in bodies]
        begin = end
