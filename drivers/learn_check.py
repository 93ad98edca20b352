"""Whether some bytes near the end of a frame are a check over the others, and by which rule.

Owns the search over the rules that profiles can name. Does not know what else stands in a frame.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

from drivers.checks import RULES
from drivers.field_readers import check_bytes
from drivers.profile_fields import CheckField

Code = Literal["low-first", "high-first", "hex", "HEX", "decimal"]
_FORMS: tuple[tuple[int, Code], ...] = (
    (1, "high-first"),
    (2, "HEX"),
    (2, "hex"),
    (2, "high-first"),
    (2, "low-first"),
    (4, "HEX"),
    (4, "hex"),
    (3, "decimal"),
    (2, "decimal"),
    (1, "HEX"),
)
_MODULI = {
    (1, "high-first"): (256, 128, 64, 32, 16),
    (2, "decimal"): (100,),
    (1, "HEX"): (16,),
    (3, "decimal"): (256, 1000),
}
"""What fewer digits than those of a whole byte can hold."""
_MOST_TAIL = 6
_MOST_SKIP = 6
_MOST_DROP = 2
_LEAST_FRAMES = 4
_LEAST_VALUES = 3
_CHANCES = 10**7
"""The rules that are tried, and as many again for safety."""


@dataclass(frozen=True, slots=True)
class Check:
    """A check of `width` bytes, `tail` bytes before the end of the frame."""

    field: CheckField
    width: int
    tail: int
    frames: int
    """Different frames in which it holds."""

    def holds(self, frame: bytes) -> bool:
        """Whether the frame's check fits the rest of it."""
        at = len(frame) - self.tail - self.width
        if at <= self.field.skip:
            return False
        wanted = check_bytes(self.field, frame[:at], self.width)
        return frame[at : at + self.width] == wanted


@lru_cache(maxsize=64)
def find_check(frames: tuple[bytes, ...]) -> Check | None:
    """The rule that all these different whole frames obey; None where there is none.

    Bytes that hardly change prove nothing, and are not looked at.
    """
    if len(frames) < _LEAST_FRAMES:
        return None
    for tail in range(_MOST_TAIL):
        for width, code in _FORMS:
            if (found := _at(frames, width, code, tail)) is not None:
                return found
    return None


def _at(frames: Sequence[bytes], width: int, code: Code, tail: int) -> Check | None:
    raws = [frame[len(frame) - tail - width : len(frame) - tail] for frame in frames]
    if len(set(raws)) < _LEAST_VALUES or min(map(len, frames)) < width + tail + 3:
        return None
    values = [_value(raw, code) for raw in raws]
    if None in values:
        return None
    known = [value for value in values if value is not None]
    holding = [
        check
        for field in _fields(frames, known, width, code, tail)
        if all((check := Check(field, width, tail, len(frames))).holds(f) for f in frames)
    ]
    return min(holding, key=_oddity, default=None)


def _oddity(check: Check) -> float:
    """How odd a rule is: the plainest of those that hold is taken."""
    field = check.field
    odd = 4.0 * (field.add != 0) + (field.complement != "none") + 0.5 * field.drop
    return odd + 0.2 * field.skip + 0.1 * list(RULES).index(field.rules[0])


def _value(raw: bytes, code: Code) -> int | None:
    if code in ("hex", "HEX"):
        same = raw.upper() if code == "HEX" else raw.lower()
        return int(raw, 16) if re.fullmatch(rb"[0-9A-Fa-f]+", raw) and raw == same else None
    if code == "decimal":
        return int(raw) if raw.isdigit() else None
    return int.from_bytes(raw, "little" if code == "low-first" else "big")


def _fields(
    frames: Sequence[bytes], values: Sequence[int], width: int, code: Code, tail: int
) -> Iterator[CheckField]:
    """Every rule that holds for the first two frames, the simplest first."""
    few, few_values = frames[:2], values[:2]
    wide = _is_wide(width, code)
    for drop in range(_MOST_DROP + 1):
        for skip in range(_MOST_SKIP + 1):
            for name, rule in RULES.items():
                if name.startswith("crc") and (name.startswith("crc16") != wide or width > 2):
                    continue
                parts = [frame[skip : len(frame) - tail - width - drop] for frame in few]
                sums = [_cached(rule, part) for part in parts]
                yield from _fitting(name, sums, few_values, width, skip, drop, code, len(frames))


@cache
def _least(modulus: int) -> int:
    """Different frames in which a rule of that modulus must hold: chance is then ruled out."""
    return 2 + next(n for n in range(1, 20) if modulus**n >= _CHANCES)


def _is_wide(width: int, code: Code) -> bool:
    """Whether the check has sixteen bits."""
    return width >= 4 or (width == 2 and code in ("high-first", "low-first"))


def _fitting(
    rule: str,
    sums: Sequence[int],
    values: Sequence[int],
    width: int,
    skip: int,
    drop: int,
    code: Code,
    known: int,
) -> Iterator[CheckField]:
    wide = _is_wide(width, code)
    moduli = (65536,) if wide else _MODULI.get((width, code), (256, 128, 64))
    complements: tuple[Literal["none", "ones", "twos"], ...] = ("none", "ones", "twos")
    for modulus in moduli:
        for complement in complements if not rule.startswith("crc") else complements[:2]:
            turned = [{"none": s, "ones": ~s, "twos": -s}[complement] % modulus for s in sums]
            limit = 256 if code == "high-first" and modulus <= 256 else modulus
            adds = {(value - one) % limit for value, one in zip(values, turned, strict=True)}
            if len(adds) == 1 and known >= _least(modulus):
                yield CheckField(
                    rules=[rule],
                    skip=skip,
                    drop=drop,
                    modulus=modulus,
                    complement=complement,
                    add=adds.pop(),
                    code=code,
                )


@cache
def _cached(rule: Callable[[bytes], int], part: bytes) -> int:
    return rule(part)
