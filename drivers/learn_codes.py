"""Digits written as other characters: which ten characters stand for 0 to 9.

Owns the codes that are tried. Only a code that completes itself is taken: what a digit looks like
that was never shown must follow from the rule of those that were.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

_LEAST_DIGITS = 4
_BLANK, _MINUS = 0x20, 0x2D
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


@dataclass(frozen=True, slots=True)
class Written:
    """The characters of a number that was shown, its digits with leading zeros, and its sign."""

    raw: bytes
    text: str
    below: bool = False

    @property
    def first(self) -> int:
        """Where the digits begin that cannot be left out."""
        return len(self.text) - len(self.text.lstrip("0"))


def alphabets(pairs: Sequence[Written]) -> Iterator[str]:
    """The characters for 0 to 9, and for blank and minus where there are such, by every rule.

    A blank may stand for a leading zero, a minus once before the digits.
    """
    known = _known(pairs)
    if known is None or len(known) < _LEAST_DIGITS:
        return
    found = set()
    for table in _tables():
        digit, seen = next(iter(known.items()))
        for digits in (
            [one ^ table[digit] ^ seen for one in table],
            [one - table[digit] + seen for one in table],
        ):
            if _is_code(digits) and all(digits[n] == one for n, one in known.items()):
                found.add(tuple(digits))
    if len(known) == len(_SEGMENTS):
        found.add(tuple(known[n] for n in range(10)))
    for code in sorted(found):
        more = _beside(pairs, code)
        if more is not None:
            yield bytes((*code, *more)).decode("latin-1")


def _known(pairs: Sequence[Written]) -> dict[int, int] | None:
    """The character of each digit that was shown; None where one digit has two, or two have one."""
    known: dict[int, int] = {}
    for pair in pairs:
        for code, digit in list(zip(pair.raw, map(int, pair.text), strict=True))[pair.first :]:
            if known.setdefault(digit, code) != code:
                return None
    return known if len(set(known.values())) == len(known) else None


def _beside(pairs: Sequence[Written], digits: Sequence[int]) -> tuple[int, ...] | None:
    """The characters for a blank and a minus, as far as needed; None where others stand there."""
    lead = {pair: [code for code in pair.raw[: pair.first] if code != digits[0]] for pair in pairs}
    blanks = {code for pair, codes in lead.items() if not pair.below for code in codes}
    minus = {code for pair, codes in lead.items() if pair.below for code in codes} - blanks
    if any(sum(code in minus for code in codes) > 1 for codes in lead.values()):
        blanks, minus = blanks | minus, set()
    if len(blanks) > 1 or len(minus) > 1 or not (blanks | minus).isdisjoint(digits):
        return None
    blank, dash = next(iter(blanks), _BLANK), next(iter(minus), _MINUS)
    if blank == dash or blank in digits or dash in digits:
        return None
    if dash != _MINUS:
        return blank, dash
    return (blank,) if blank != _BLANK else ()


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
