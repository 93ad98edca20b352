"""What becomes of the bytes beside the number: a mark, bits, a length, or bytes not looked at.

Owns the choice for each place, and which neighbours belong together. Does not know what proves the
meaning of a mark (`learn_roles`) nor other numbers (`learn_runs`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from drivers.learn_course import State
from drivers.learn_draft import Spec, seen
from drivers.learn_layout import Key, Layout
from drivers.learn_parts import Parts
from drivers.learn_roles import GROSS_WORDS, NET_WORDS, Bits, Roles, bits_of, roles_of
from drivers.learn_runs import is_hash, is_length, length_class
from drivers.learn_signs import Signs
from drivers.notation import to_text

_MOST_STATES = 12
_MOST_WORDS = 6
"""Different words that neighbours which change together can be the letters of."""
_FEW = 4


def put_marks(parts: Parts, strip: Sequence[Key], signs: Signs) -> None:
    """Give every place of the strip that changes its field."""
    n = 0
    while n < len(strip):
        keys = [strip[n]]
        while n + len(keys) < len(strip) and _together(parts.layout, [*keys, strip[n + len(keys)]]):
            keys.append(strip[n + len(keys)])
        n += len(keys)
        if len(set(parts.layout.joint(keys)) - {None}) > 1:
            _put(parts, keys, signs)


def _together(layout: Layout, keys: Sequence[Key]) -> bool:
    """Whether neighbours change together, as the letters of one word do."""
    if not all(layout.is_byte(key) for key in keys):
        return False
    sizes = [len(layout.seen(key)) for key in keys]
    if min(sizes) < 2 or max(sizes) > _MOST_WORDS:
        return False
    return len(set(layout.joint(keys)) - {None}) <= max(sizes)


def _put(parts: Parts, keys: list[Key], signs: Signs) -> None:
    states = parts.layout.joint(keys)
    different = sorted({raw for raw in states if raw is not None})
    if is_length(parts.layout, parts.spans, keys):
        _put_length(parts, keys, different)
        return
    roles = _roles(parts, keys, states, signs)
    bits = _bits(parts, keys[0], signs) if _is_bitwise(parts, keys, different, signs) else None
    told = roles.tells or (bits is not None and bits.tells)
    hashed = not told and is_hash(parts.layout, parts.course, keys)
    unproved = roles.unproved or (bits is not None and bits.unproved)
    free = hashed or (not told and not unproved and len(different) > _FEW)
    if free and len(keys) > 1:
        for key in keys:  # a mark may stand beside a check
            _put_one(parts, key, signs)
    elif free:
        parts.free(keys)
    elif bits is not None and (bits.tells or bits.unproved):
        _put_bits(parts, keys, bits)
    elif len(different) > _MOST_STATES and not roles.tells:
        parts.free(keys)
    else:
        _put_flag(parts, keys, roles)


def _put_one(parts: Parts, key: Key, signs: Signs) -> None:
    if len(parts.layout.seen(key)) > 1:
        _put(parts, [key], signs)


def _roles(
    parts: Parts, keys: Sequence[Key], states: Sequence[bytes | None], signs: Signs
) -> Roles:
    sign = signs.get((keys[0], -1)) if len(keys) == 1 else None
    spelled: dict[State, str] = {raw: raw.decode("latin-1") for raw in states if raw is not None}
    return roles_of(states, parts.course, sign=sign, spelled=spelled, reach=parts.reach)


def _put_length(parts: Parts, keys: Sequence[Key], different: Sequence[bytes]) -> None:
    spec: Spec = {"kind": "any", "chars": length_class(different), "fill": to_text(different[0])}
    parts.place(keys, parts.draft.add("length", spec, "counts the bytes of the line"))


def _is_bitwise(
    parts: Parts, keys: Sequence[Key], different: Sequence[bytes], signs: Signs
) -> bool:
    """Whether the states are better told bit by bit than as words."""
    if len(keys) > 1 or not parts.layout.is_byte(keys[0]):
        return False
    if any((keys[0], bit) in signs for bit in range(8)):
        return True
    codes = b"".join(different)
    if re.fullmatch(rb"[A-Za-z +-]*", codes) or (keys[0], -1) in signs:
        return False
    if len(codes) == 2 and (codes[0] ^ codes[1]).bit_count() > 1:
        return False
    return len(codes) > _FEW or any(not 0x20 <= code < 0x7F for code in codes)


def _bits(parts: Parts, key: Key, signs: Signs) -> Bits:
    codes = [None if raw is None else raw[0] for raw in parts.layout.states[key]]
    mine = {bit: words for (where, bit), words in signs.items() if where == key and bit >= 0}
    return bits_of(codes, parts.course, mine, parts.reach)


def _put_bits(parts: Parts, keys: Sequence[Key], bits: Bits) -> None:
    spec: Spec = {"kind": "bits", "fixed": bits.fixed}
    if bits.set:
        spec["set"] = {str(bit): " ".join(words) for bit, words in bits.set.items()}
    if bits.clear:
        spec["clear"] = {str(bit): " ".join(words) for bit, words in bits.clear.items()}
    whys = [f"bit {bit}: {why}" for bit, role in bits.roles.items() if (why := _why(role))]
    name = parts.draft.add("bits", spec, "; ".join(whys))
    for bit, role in bits.roles.items():
        parts.tell(role, f"bit {bit} of a status byte")
    parts.put(keys, f"{{{name}}}")


def _put_flag(parts: Parts, keys: Sequence[Key], roles: Roles) -> None:
    states = parts.layout.joint(keys)
    order = list(dict.fromkeys(raw for raw in states if raw is not None))
    words = {to_text(raw): " ".join(roles.words[raw]) for raw in order}
    spec: Spec = {"kind": "flag", "map": words}
    moving = {text for text, said in words.items() if said == "moving"}
    if roles.motion and len(moving) > _FEW:
        # a speed, say: whatever it is, the weight moves
        spec["map"] = {text: said for text, said in words.items() if text not in moving}
        spec |= {"otherwise": "moving", "bytes_too": True}
    name = parts.draft.add(roles.name, spec, _why(roles))
    parts.tell(roles, seen(order[: _FEW + 1]))
    parts.place(keys, name)


def _why(roles: Roles) -> str:
    said = (
        (roles.motion, "changes exactly when the weight comes to rest or starts to move"),
        (roles.net, "changed with the tare and stayed while loads came and went"),
        (roles.sign, "the sign"),
        (roles.unproved, "what gives no weight was never seen with a weight that was shown"),
    )
    return "; ".join(text for holds, text in said if holds)


def put_words(parts: Parts, strips: Sequence[Sequence[Key]]) -> None:
    """Let the one word that never changed, and says gross or net all by itself, do so."""
    words = [word for strip in strips for word in _words(parts.layout, strip)]
    if len(words) == 1 and "net" not in parts.told:
        states = parts.layout.joint(words[0])
        roles = _roles(parts, words[0], states, {})
        if roles.net:
            _put_flag(parts, words[0], roles)


def _words(layout: Layout, strip: Sequence[Key]) -> Iterator[list[Key]]:
    letters = [layout.is_byte(key) and b"".join(layout.seen(key)).isalpha() for key in strip]
    begin = 0
    while begin < len(strip):
        end = begin
        while end < len(strip) and letters[end]:
            end += 1
        keys = list(strip[begin:end])
        if len(keys) > 1 and all(len(layout.seen(key)) == 1 for key in keys):
            word = b"".join(b"".join(layout.seen(key)) for key in keys).decode("ascii")
            if word.upper() in NET_WORDS | GROSS_WORDS:
                yield keys
        begin = max(end, begin + 1)
