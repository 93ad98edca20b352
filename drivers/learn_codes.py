"""Digits written as other characters: which ten characters stand for 0 to 9.

Owns the codes that are tried. Only a code that completes itself is taken: what a digit looks like
that was never shown must follow from the rule of those that were.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

_LEAST_DIGITS = 4
_BLANK = 0x20
_SEGMENTS = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)
"""Seven segments, a in bit 0 to g in bit 6 (common practice, no source)."""
_OTHER_SHAPES: tuple[dict[int, int], ...] = (
    {},
    {6: 0x7C},
    {7: 0x27},
    {9: 0x67},
    {6: 0x7C, 9: 0x67},
    {6: 0x7C, 7: 0x27},
)
_RESERVED = frozenset(b" +-")
Pairs = Sequence[tuple[bytes, str]]


def alphabets(pairs: Pairs) -> Iterator[str]:
    """The ten characters for 0 to 9 by every rule that fits; each pair is bytes and their digits.

    A blank may stand for a leading zero.
    """
    known = _known(pairs)
    if known is None or len(known) < _LEAST_DIGITS:
        return
    found = set()
    for table in _tables():
        first, code = next(iter(known.items()))
        for digits in (
            [one ^ table[first] ^ code for one in table],
            [one - table[first] + code for one in table],
        ):
            if _is_code(digits) and all(digits[n] == code for n, code in known.items()):
                found.add(bytes(digits).decode("latin-1"))
    if len(known) == len(_SEGMENTS):
        found.add(bytes(known[n] for n in range(10)).decode("latin-1"))
    yield from sorted(found)


def _known(pairs: Pairs) -> dict[int, int] | None:
    """The character of each digit that was shown; None where one digit has two, or two have one."""
    known: dict[int, int] = {}
    for raw, text in pairs:
        leading = True
        for code, digit in zip(raw, map(int, text), strict=True):
            leading = leading and digit == 0
            if leading and code == _BLANK:
                continue
            if known.setdefault(digit, code) != code:
                return None
    return known if len(set(known.values())) == len(known) else None


def _is_code(digits: Sequence[int]) -> bool:
    fits = all(0 <= code <= 0xFF for code in digits)
    return fits and len(set(digits)) == len(digits) and _RESERVED.isdisjoint(digits)


@cache
def _tables() -> tuple[tuple[int, ...], ...]:
    """The rules: a code is one of these with every character moved, or some bits turned, alike."""
    plain = tuple(range(10))
    steps = [tuple(step * n for n in plain) for step in (1, -1, 2, 4, 8, 16, -16)]
    gray = tuple(n ^ n >> 1 for n in plain)
    mirrored = tuple(_mirrored(n, 4) for n in plain)
    segments = [
        tuple(other.get(n, code) for n, code in enumerate(_SEGMENTS)) for other in _OTHER_SHAPES
    ]
    turned = [tuple(_mirrored(code, 7) for code in table) for table in segments]
    high = [tuple(code << 1 for code in table) for table in [*segments, *turned]]
    return (*steps, gray, mirrored, *segments, *turned, *high)


def _mirrored(code: int, bits: int) -> int:
    return int(f"{code:0{bits}b}"[::-1], 2)
