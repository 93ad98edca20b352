"""The ways in which a weight can be written into bytes, read leniently, and where in a frame.

Owns the lenient reading of one field and the notions of place. The strict field that a profile gets
is chosen elsewhere (`learn_strict`), after all frames have been read leniently.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache
from typing import Literal

from drivers.binary_numbers import read_binary
from drivers.number_text import decoding, unlit

PLAIN = "0123456789"
FACTORS = (1, 2, 5, 10, 20, 50, 100)
"""A scale may count in steps of so many of the display's last digit."""
_BRACKETED = re.compile(rb" *\(([^()]+)\) *", re.DOTALL)
_TOKENS = {
    point: re.compile(
        rb"(?P<n> *[-+]? *[0-9]+(?:[%b][0-9]+)?)|(?P<a>[A-Za-z]+)|(?P<s> +)|(?P<o>.)"
        % point.encode(),
        re.DOTALL,
    )
    for point in (".", ",")
}


@dataclass(frozen=True, slots=True)
class Writing:
    """How a number is written."""

    code: str = "text"
    point: str = ""
    """The character of the decimal point; empty where there is none."""
    reversed: bool = False
    group: str = ""
    """Characters between or before the digits that mean nothing."""
    digits: str = PLAIN
    decimals: int | None = None
    """For a whole number: digits behind the point that the display puts in."""
    times: int = 1
    brackets: bool = False
    """A number below zero stands in round brackets."""
    lit: bool = False
    """Bit 7 of a digit is the point behind it."""
    exponent: bool = False
    """A power of ten follows."""

    def read(self, raw: bytes) -> Decimal | None:
        """The number in `raw`, its sign wherever it stands; None where there is none."""
        if self.code != "text":
            whole = read_binary(self.code, raw, self.decimals or 0)
            return None if whole is None else scaled(whole * self.times, self.decimals or 0)
        if self.brackets and (found := _BRACKETED.fullmatch(raw)):
            value = self.read(found[1])
            return None if value is None or value < 0 else -value
        line = raw[::-1] if self.reversed else raw
        bare = unlit(line) if self.lit else (line, self.decimals or 0)
        if bare is None:
            return None
        line, decimals = bare
        if self.group:
            line = line.translate(None, self.group.encode("latin-1"))
        found = _lenient(self.point, exponent=self.exponent).fullmatch(self.plain(line))
        if found is None or (found["s"] and found["t"]):
            return None
        digits = int(found["w"] + (found["p"] or b"") or b"0")
        signed = -digits if b"-" in (found["s"], found["t"]) else digits
        if self.point:
            return scaled(signed, len(found["p"] or b"") - int(found["e"] or b"0"))
        return scaled(signed * self.times, decimals)

    def plain(self, raw: bytes) -> bytes:
        """The bytes with plain digits, blanks and minus signs for those of its own alphabet."""
        table = decoding(self.digits)
        bare = bytes(code & 0x7F for code in raw) if self.lit else raw
        return bare if table is None else bare.translate(table)


@cache
def _lenient(point: str, *, exponent: bool) -> re.Pattern[bytes]:
    sign = rb"(?P<s>[-+]?)"
    part = (
        rb"(?:" + re.escape(point.encode("latin-1")) + rb"(?P<p>[0-9]+))?" if point else b"(?P<p>)"
    )
    part += rb"[eE](?P<e>[-+]?0?[0-9])" if exponent else b"(?P<e>)"
    return re.compile(rb" *" + sign + rb" *(?P<w>[0-9]+)" + part + rb" *(?P<t>[-+]?) *", re.S)


def scaled(whole: int, decimals: int) -> Decimal:
    """`whole` with its point moved; the number of decimals is kept, minus zero is zero."""
    return Decimal((int(whole < 0), tuple(map(int, str(abs(whole)))), -decimals))


def scale_of(raw: int, shown: Decimal) -> tuple[int, int] | None:
    """Decimals and factor by which the whole number `raw` is what was shown; None for none."""
    exponent = shown.as_tuple().exponent
    decimals = -exponent if isinstance(exponent, int) else 0
    wanted = abs(int(shown.scaleb(decimals)))
    if not raw or not wanted:
        return None
    if wanted % raw == 0:
        return (decimals, wanted // raw) if wanted // raw in FACTORS else None
    more, rest = divmod(raw, wanted)
    if rest == 0 and more in (10, 100, 1000):
        return decimals + len(str(more)) - 1, 1
    return None


# -- places ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Place:
    """Where a field stands in a frame's body.

    `left`: columns `a` to `b` from the start. `right`: `a` and `b` columns before the end.
    `between`: from column `a` to `b` columns before the end. `token`: the number `a` of `b`
    numbers, whose decimals follow `point`.
    """

    kind: Literal["left", "right", "between", "token"]
    a: int
    b: int
    point: str = "."

    def span(self, body: bytes) -> tuple[int, int] | None:
        """Begin and end in this body; None where it has no such place."""
        size = len(body)
        match self.kind:
            case "left":
                return (self.a, self.b) if self.b <= size else None
            case "right":
                return (size - self.a, size - self.b) if self.a <= size else None
            case "between":
                return (self.a, size - self.b) if self.a < size - self.b else None
        numbers = [(begin, end) for kind, begin, end in tokens(body, self.point) if kind == "n"]
        return numbers[self.a] if len(numbers) == self.b else None

    @property
    def words(self) -> str:
        """As a person would say it; columns are counted from 1."""
        match self.kind:
            case "left":
                return f"columns {self.a + 1} to {self.b}"
            case "right":
                return f"from {self.a} to {self.b} columns before the end"
            case "between":
                return f"from column {self.a + 1} to {self.b} columns before the end"
        return f"the number {self.a + 1} of {self.b}"


@lru_cache(maxsize=4096)
def tokens(body: bytes, point: str = ".") -> tuple[tuple[str, int, int], ...]:
    """The body as numbers (n, blanks before them included), letters (a), blanks (s), others (o)."""
    found = _TOKENS[point].finditer(body)
    return tuple((str(m.lastgroup), m.start(), m.end()) for m in found)


def skeleton(body: bytes, point: str = ".") -> tuple[bytes, ...]:
    """What frames of one make have in common: the kinds of their tokens, others as they are."""
    return tuple(
        kind.encode() if kind != "o" else body[begin:end]
        for kind, begin, end in tokens(body, point)
    )
