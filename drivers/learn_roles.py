"""What the marks beside the number mean, as far as the course of the weight proves it.

Owns the choice of words for each state of a mark, and which states give no weight because nothing
proves that the number is the weight on the pan. Does not know where the mark stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from drivers.learn_course import Course, State

NET_WORDS = frozenset({"N", "NT", "NET", "NETTO"})
GROSS_WORDS = frozenset({"G", "GS", "GR", "GROSS", "B", "BR", "BRUTTO"})
_REACH_WORDS = {
    "OL": "out",
    "OVER": "over",
    "OVERLOAD": "over",
    "OVLD": "over",
    "UNDER": "under",
    "UL": "under",
}
"""Words that stand for a load out of range wherever they are found (common practice, no source)."""


@dataclass(slots=True)
class Roles:
    """The words of each state, and what is known of the mark as a whole."""

    words: dict[State, tuple[str, ...]] = field(default_factory=dict)
    motion: bool = False
    net: bool = False
    sign: bool = False
    unproved: tuple[State, ...] = ()
    """States that give no weight."""

    @property
    def name(self) -> str:
        """What the field is called in the profile."""
        if self.motion:
            return "state"
        if self.net:
            return "weighed"
        return "sign" if self.sign else "mark"

    @property
    def tells(self) -> int:
        """How many things the mark tells."""
        return self.motion + self.net + self.sign


def roles_of(
    states: Sequence[State],
    course: Course,
    *,
    sign: dict[State, str] | None = None,
    spelled: dict[State, str] | None = None,
    reach: dict[int, str] | None = None,
) -> Roles:
    """The words of every state that was seen.

    `sign` are the words of a mark that is known to be the sign. `spelled` is what stands there as
    text, where the mark is text. `reach` says of some rows that the display showed no weight, and
    why.
    """
    roles = Roles()
    said: dict[State, list[str]] = {state: [] for state in states if state is not None}
    motion = course.motion(states)
    net = _net_words(said, spelled or {}, motion) or course.tared(states)
    for one in (motion, net, sign or {}):
        for state, word in one.items():
            said[state].append(word)
    roles.motion, roles.net, roles.sign = bool(motion), bool(net), bool(sign)
    explained = set(net)
    moving = {state for state, word in motion.items() if word == "moving"}
    if sign:
        explained |= {state for state, word in sign.items() if word == "minus"}
    safe = course.proved(states, explained, moving)
    void = _void(states, reach or {})
    passing = {s for s in said if s not in safe and course.leads(states, s, safe)}
    roles.unproved = tuple(s for s in said if s not in safe | passing and s not in void)
    for state, words in said.items():
        roles.words[state] = tuple(words) or ("any",)
        if state in void:
            roles.words[state] = (void[state],)
        elif state in passing:  # seen on the way only: whatever it means, the weight moves
            roles.words[state] = ("moving",)
        elif state not in safe:
            bare = (spelled or {}).get(state, "").strip().upper()
            roles.words[state] = (_REACH_WORDS.get(bare, "status"),)
    return roles


def _net_words(
    said: Iterable[State], spelled: dict[State, str], motion: dict[State, str]
) -> dict[State, str]:
    """Net and gross by the letters that stand for them, where both are found or one is a word."""
    bare = {
        state: spelled[state].strip().upper()
        for state in said
        if state in spelled and motion.get(state) != "moving"
    }
    net = {state for state, word in bare.items() if word in NET_WORDS}
    gross = {state for state, word in bare.items() if word in GROSS_WORDS}
    blank = {state for state, word in bare.items() if not word}
    long = any(len(bare[state]) > 1 for state in net | gross)
    if net and (gross or (blank and long)):
        return dict.fromkeys(net, "net") | dict.fromkeys(gross or blank, "gross")
    if len(bare) == 1 and long:
        return dict.fromkeys(net, "net") | dict.fromkeys(gross, "gross")
    return {}


def _void(states: Sequence[State], reach: dict[int, str]) -> dict[State, str]:
    """States that are seen only while the display showed no weight, and what it showed then."""
    found: dict[State, str] = {}
    for state in {states[row] for row in reach} - {None}:
        rows = [row for row, one in enumerate(states) if one == state]
        said = {reach.get(row, "") for row in rows}
        if len(said) == 1 and "" not in said:
            found[state] = said.pop()
    return found


# -- bits ------------------------------------------------------------------------------------


@dataclass(slots=True)
class Bits:
    """What the bits of one byte say."""

    fixed: str
    set: dict[int, tuple[str, ...]] = field(default_factory=dict)
    clear: dict[int, tuple[str, ...]] = field(default_factory=dict)
    roles: dict[int, Roles] = field(default_factory=dict)

    @property
    def tells(self) -> int:
        """How many things they tell."""
        return sum(role.tells for role in self.roles.values())

    @property
    def unproved(self) -> bool:
        """Whether some bit gives no weight."""
        return any(role.unproved for role in self.roles.values())


def bits_of(
    codes: Sequence[int | None],
    course: Course,
    signs: dict[int, dict[State, str]],
    reach: dict[int, str],
) -> Bits:
    """The bits of a byte, each a mark of its own. `signs`: the words of a bit that is the sign."""
    seen = [code for code in codes if code is not None]
    either, both = 0, 0xFF
    for code in seen:
        either |= code
        both &= code
    fixed = "".join(
        "." if (either ^ both) >> bit & 1 else str(both >> bit & 1) for bit in range(7, -1, -1)
    )
    bits = Bits(fixed)
    for bit in range(8):
        if not (either ^ both) >> bit & 1:
            continue
        states = [None if code is None else code >> bit & 1 for code in codes]
        role = roles_of(states, course, sign=signs.get(bit), reach=reach)
        bits.roles[bit] = role
        for side, into in ((1, bits.set), (0, bits.clear)):
            words = tuple(word for word in role.words[side] if word != "any")
            if words:
                into[bit] = words
    return bits


def bit_states(codes: Sequence[int | None], bit: int) -> list[State]:
    """The states of one bit."""
    return [None if code is None else code >> bit & 1 for code in codes]
