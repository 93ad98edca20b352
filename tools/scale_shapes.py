"""Scales that nobody has built: random line shapes, and random use of them.

Owns the grammar of shapes, the use of a scale and the truth about it. Does not know how well any of
it is read (`scale_figures`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import reduce
from itertools import count
from random import Random

from drivers.decoder import Decoder
from drivers.learn_marks import Shown
from drivers.line_settings import seven_bits
from drivers.reading import Reading
from drivers.scale_profile import Profile

_PERIOD_S = 0.2


@dataclass(frozen=True, slots=True)
class Moment:
    """What a scale knows when it sends one line: whole steps of its last digit."""

    weight: int
    still: bool = True
    net: bool = False
    over: bool = False
    tare: int = 0
    number: int = 0


Render = Callable[[Moment], bytes]


@dataclass(slots=True)
class Shape:
    """One random line shape."""

    decimals: int
    unit: str
    render: Render
    words: list[str] = field(default_factory=list)
    """What it is made of."""
    tells_overload: bool = True
    most: int = 9000
    """The greatest load in use, in steps of the last digit."""
    step: int = 1
    """Of the last digit; what is on the pan is shown in whole steps."""
    says: Callable[[Moment], str] | None = None
    """The weight as its lines give it, where that is not as the display does."""

    def weight(self, moment: Moment) -> str:
        """The weight that a line says, with its own decimals."""
        return self.says(moment) if self.says else self.shown(moment)

    def shown(self, moment: Moment) -> str:
        """The weight on the display."""
        text = digits(abs(moment.weight), self.decimals, ".")
        return f"-{text}" if moment.weight < 0 else text


# -- the grammar -------------------------------------------------------------------------------


def digits(size: int, decimals: int, point: str) -> str:
    """The weight's size with its point put in."""
    text = f"{size:0{decimals + 1}d}"
    return text[: len(text) - decimals] + point + text[len(text) - decimals :] if decimals else text


def random_shape(rng: Random) -> Shape:
    """A shape: text mostly, else bytes."""
    decimals = rng.choice((0, 1, 2, 2, 3))
    unit = rng.choice(("g", "g", "g", "kg", "oz", "lb"))
    make = _bytes_shape if rng.random() < 0.25 else _text_shape
    return make(rng, decimals, unit)


def _text_shape(rng: Random, decimals: int, unit: str) -> Shape:
    words: list[str] = []
    pieces = [_number(rng, decimals, words)]
    pieces += [piece for piece in (_state(rng, words), _net(rng, words)) if piece]
    pieces += _extras(rng, decimals, words)
    rng.shuffle(pieces)
    overload, tells = _overload(rng, words)
    pieces.insert(rng.randrange(len(pieces) + 1), overload)
    if rng.random() < 0.7:
        spelled = rng.choice((unit, unit.upper(), f" {unit}", f"{unit} "))
        at = next(n for n, piece in enumerate(pieces) if piece is pieces[0])
        pieces.insert(rng.choice((at + 1, 0, len(pieces))), lambda _: spelled.encode())
        words.append("unit")
    between = rng.choice((b"", b" ", b",", b";", b"|", b"\t"))
    return _framed(rng, decimals, unit, lambda m: between.join(p(m) for p in pieces), words, tells)


def _number(rng: Random, decimals: int, words: list[str]) -> Render:
    width = rng.choice((8, 9, 10))
    point = rng.choice((".", ".", ".", ",", ""))
    style = rng.choice(("adjacent", "adjacent", "first", "last", "zeros", "open", "brackets"))
    backwards = rng.random() < 0.12
    coded = rng.random() < 0.1 and not point
    base = rng.choice((0x41, 0x61, 0x70, 0x50))
    words += [f"number {style}{point or ' without point'}", *(["backwards"] if backwards else [])]
    words += ["letters for digits"] if coded else []

    def render(moment: Moment) -> bytes:
        size = digits(abs(moment.weight), decimals, point)
        sign = "-" if moment.weight < 0 else ""
        text = {
            "adjacent": (sign + size).rjust(width),
            "first": (sign or " ") + size.rjust(width - 1),
            "last": size.rjust(width - 1) + (sign or " "),
            "zeros": (sign or "+") + size.zfill(width - 1),
            "open": sign + size,
            "brackets": (f"({size})" if sign else f"{size} ").rjust(width),
        }[style]
        raw = text[::-1].encode() if backwards and style != "brackets" else text.encode()
        if coded:
            raw = bytes(base + code - 0x30 if 0x30 <= code <= 0x39 else code for code in raw)
        return raw

    return render


def _state(rng: Random, words: list[str]) -> Render | None:
    pairs = (("S", "D"), ("ST", "US"), (" ", "?"), ("*", " "), ("0", "1"), ("stable", "moving"))
    still, moving = rng.choice(pairs)
    if rng.random() < 0.2:
        return None
    words.append("state")
    return lambda m: (still if m.still and not m.over else moving).encode()


def _net(rng: Random, words: list[str]) -> Render | None:
    if rng.random() < 0.5:
        return None
    gross, net = rng.choice((("G", "N"), ("GS", "NT"), ("   ", "NET"), ("0", "1"), ("B", "N")))
    words.append("net")
    return lambda m: (net if m.net else gross).encode()


def _extras(rng: Random, decimals: int, words: list[str]) -> list[Render]:
    extras: list[Render] = []
    if rng.random() < 0.15:
        extras.append(lambda m: f"#{m.number % 1000:03d}".encode())
        words.append("counter")
    if rng.random() < 0.1:
        extras.append(lambda m: f"{9 + m.number // 1800:02d}:{m.number // 30 % 60:02d}".encode())
        words.append("clock")
    if rng.random() < 0.2:
        ident = rng.choice(("ID07", "W1", "No.3", "T2"))
        extras.append(lambda _: ident.encode())
        words.append("name")
    if rng.random() < 0.15:
        extras.append(lambda m: ("T" + digits(m.tare, decimals, ".").rjust(9)).encode())
        words.append("tare")
    return extras


def _overload(rng: Random, words: list[str]) -> tuple[Render, bool]:
    style = rng.choice(("none", "letter", "word"))
    words.append(f"overload {style}")
    fine, over = {"none": ("", ""), "letter": (" ", "H"), "word": ("  ", "OL")}[style]
    return (lambda m: (over if m.over else fine).encode()), style != "none"


def _bytes_shape(rng: Random, decimals: int, unit: str) -> Shape:
    words: list[str] = []
    style = rng.choice(("int-le", "int-be", "sign-le", "sign-be", "bcd-le", "bcd-be", "unpacked"))
    width = rng.choice((3, 4))
    head = rng.choice((b"\xaa\x55", b"\xff", b"\xfa\x02", b"\x02", b"\xf8U\xce"))
    words += [f"bytes {style}", f"{width} wide"]
    signed = style.startswith("int")
    places = {"still": rng.randrange(3), "net": 3, "minus": 4 + rng.randrange(2), "over": 6}

    def render(moment: Moment) -> bytes:
        size = abs(moment.weight)
        order: str = "little" if style.endswith("le") else "big"
        if signed:
            raw = moment.weight.to_bytes(width, order, signed=True)  # type: ignore[arg-type]
        elif style.startswith("sign"):
            raw = size.to_bytes(width, order)  # type: ignore[arg-type]
        elif style == "unpacked":
            raw = bytes(int(digit) for digit in f"{size:07d}")
        else:
            raw = bytes.fromhex(f"{size:0{2 * width}d}")[:: -1 if style.endswith("le") else 1]
        bits = (
            (moment.still and not moment.over) << places["still"]
            | moment.net << places["net"]
            | (moment.weight < 0 and not signed) << places["minus"]
            | moment.over << places["over"]
        )
        body = head + bytes([bits]) + raw
        return body + bytes([sum(body) & 0xFF])

    return Shape(decimals, unit, render, words, most=_most(decimals))


def _most(decimals: int) -> int:
    return 9000 if decimals else 3000


def _framed(
    rng: Random, decimals: int, unit: str, body: Render, words: list[str], tells: bool
) -> Shape:
    start, end = rng.choice(
        (
            (b"", b"\r\n"),
            (b"", b"\r\n"),
            (b"", b"\n"),
            (b"", b"\r"),
            (b"", b"\x00"),
            (b"", b"\x03"),
            (b"\x02", b"\x03"),
            (b"\x02", b"\r"),
            (b"\n", b"\r"),
            (b"$", b"\r\n"),
            (b"[", b"]"),
        )
    )
    check = rng.choice(("", "", "", "xor", "sum", "hex", "twos"))
    words += [f"{start!r} to {end!r}", *([f"check {check}"] if check else [])]

    def render(moment: Moment) -> bytes:
        line = start + body(moment)
        total = reduce(lambda a, b: a ^ b, line, 0) if check in ("xor", "hex") else sum(line)
        added = {
            "": b"",
            "xor": f"{total:02x}".encode(),
            "hex": f"{total & 0xFF:02X}".encode(),
            "sum": f"{total & 0xFF:03d}".encode(),
            "twos": f"{-total & 0xFF:02X}".encode(),
        }[check]
        return line + added + end

    return Shape(decimals, unit, render, words, tells, _most(decimals))


# -- use ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recording:
    """What a scale sent in some use of it, with the truth."""

    data: bytes
    ends: tuple[int, ...]
    """Where each line ends."""
    moments: tuple[Moment, ...]
    shown: tuple[Shown, ...]


def use(rng: Random, shape: Shape) -> Iterator[Moment | None]:
    """A person trying a scale: empty, two loads, tare, a load on top, all off, perhaps too much.

    None is said before each rest that the person looks at the display in.
    """
    most, step = shape.most, shape.step
    first, second = sorted(rng.sample(range(most // 20 // step * step, most, step), 2))
    on_top = rng.randrange((most // 50 // step + 1) * step, most // 3 + 2 * step, step)
    tare = at = 0
    for target, net in ((0, False), (first, False), (second, False), (0, True), (on_top, True)):
        if net and not tare:
            tare, at = second, 0
        yield from _way(rng, at, Moment(target, False, net, False, tare), step)
        yield None
        yield from (Moment(target, True, net, False, tare) for _ in range(rng.randrange(5, 9)))
        at = target
    yield from _way(rng, at, Moment(-tare, False, True, False, tare), step)
    yield None
    yield from (Moment(-tare, True, True, False, tare) for _ in range(rng.randrange(5, 8)))
    if rng.random() < 0.5:
        yield from (Moment(most * 4, False, False, True, 0) for _ in range(4))


def _way(rng: Random, at: int, to: Moment, step: int) -> Iterator[Moment]:
    """The weight on its way from one rest to the next."""
    if at == to.weight:
        return
    for share in sorted(rng.uniform(0.02, 1.03) for _ in range(rng.randrange(3, 7))):
        weight = round((at + (to.weight - at) * share) / step) * step
        if weight not in (at, to.weight):
            yield replace(to, weight=weight)


def recorded(shape: Shape, moments: Iterable[Moment | None]) -> Recording:
    """What the scale sends meanwhile, beginning in the middle of a line."""
    data = shape.render(Moment(1))[3:]
    ends: list[int] = []
    seen: list[Moment] = []
    shown: list[Shown] = []
    begin: int | None = None
    rested = Moment(0)
    for moment in moments:
        if begin is not None and begin < len(data) and (moment is None or moment != rested):
            shown.append(_shown(shape, begin, len(data), rested))
            begin = None
        if moment is None:
            begin = len(data)
            continue
        rested = moment
        now = replace(moment, number=len(seen))
        data += shape.render(now)
        seen.append(now)
        ends.append(len(data))
    if begin is not None and begin < len(data):
        shown.append(_shown(shape, begin, len(data), rested))
    return Recording(data, tuple(ends), tuple(seen), tuple(shown))


def _shown(shape: Shape, begin: int, end: int, moment: Moment) -> Shown:
    return Shown(begin, end, shape.shown(moment), shape.unit)


def later(rng: Random, shape: Shape) -> list[Moment]:
    """Other use of the same scale, to be read with what was learned."""
    moments: list[Moment] = []
    most, step = shape.most, shape.step
    at, net, tare = 0, False, 0
    for _ in range(6):
        if rng.random() < 0.3 and not net:
            net, tare, at = True, at, 0
        target = rng.randrange(-tare, most, step)
        moments += _way(rng, at, Moment(target, False, net, False, tare), step)
        moments += [Moment(target, True, net, False, tare)] * rng.randrange(3, 7)
        at = target
    if shape.tells_overload:
        moments += [Moment(most * 4, False, False, True, 0)] * 5
    return [replace(moment, number=n) for n, moment in enumerate(moments)]


def sent_later(rng: Random, shape: Shape, learned: Profile) -> tuple[list[Moment], bytes]:
    """Other use of the same scale, and its bytes as they come with what was learned."""
    moments = later(rng, shape)
    data = b"".join(shape.render(moment) for moment in moments)
    seven = learned.settings[0].split()[1].startswith("7")
    return moments, seven_bits(data) if seven else data


def damaged(rng: Random, data: bytes, rate: float) -> bytes:
    """The same bytes over a bad line: bits turned, bytes lost, put in or sent twice."""
    out = bytearray()
    for code in data:
        what = rng.random() / rate
        if what < 0.4:
            out.append(code ^ 1 << rng.randrange(8))
        elif what < 0.7:
            continue
        elif what < 0.9:
            out += bytes((code, rng.randrange(256)))
        elif what < 1.0:
            out += bytes((code, code))
        else:
            out.append(code)
    return bytes(out)


# -- how the learner fares -----------------------------------------------------------------------


def readings(profile: Profile, data: bytes) -> list[Reading]:
    """What a decoder makes of the bytes."""
    ticks = count()
    pairs = Decoder(profile, carry_unit=False).step(data, lambda: next(ticks) * _PERIOD_S)
    return [item for _, item in pairs if isinstance(item, Reading)]


def wrongly_trusted(shape: Shape, moments: Iterable[Moment], read: Iterable[Reading]) -> list[str]:
    """Trusted weights that the scale did not mean at any time."""
    true = set()
    for moment in moments:
        if not moment.over or not shape.tells_overload:
            true.add(shape.weight(moment))
    return [r.text or "" for r in read if r.trusted and r.text not in true]
