"""What is tried with the decoder and the learner on bytes that somebody else chose.

Owns the reading of such bytes as streams, damage and displays, and what must hold whatever they
are. Does not know who chooses them: a coverage-guided fuzzer (`fuzz`), or a kept corpus in a test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import count
from random import Random

from drivers.decoder import Decoder
from drivers.learn_marks import Shown
from drivers.learn_refusal import NotLearnedError
from drivers.reading import Garbled, Reading
from drivers.recogniser import Recogniser
from drivers.scale_learn import learn
from drivers.scale_profile import Profile, known_profiles
from tools.scale_shapes import (
    damaged,
    later,
    random_shape,
    readings,
    recorded,
    use,
    wrongly_trusted,
)

_APART = 4
"""Frames between two mishaps: the same one in successive frames nobody could see."""
_EACH = 5
"""Frames that a weight is sent in."""
_TICK_S = 0.2


class Wrong(AssertionError):  # noqa: N818
    """Something that must hold does not."""


class Bytes:
    """Chosen bytes, taken one after the other; nothing is left behind the last."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def one(self) -> int:
        """The next byte, 0 behind the last."""
        self._at += 1
        return self._data[self._at - 1] if self._at <= len(self._data) else 0

    def some(self, size: int) -> bytes:
        """The next bytes, at most so many."""
        self._at += size
        return self._data[self._at - size : self._at]

    def rest(self) -> bytes:
        """All that is left."""
        taken, self._at = self._data[self._at :], len(self._data)
        return taken

    @property
    def more(self) -> bool:
        """Whether any are left."""
        return self._at < len(self._data)


@cache
def _profiles() -> tuple[Profile, ...]:
    return tuple(known_profiles())


# -- the decoder -----------------------------------------------------------------------------------


def decode_anything(data: bytes) -> None:
    """Any bytes at all: no error, and the same readings in whatever pieces they come.

    Also when the decoder is put away in between, and taken up by another.
    """
    chosen = Bytes(data)
    which, size = chosen.one(), 1 + chosen.one() % 70
    stream = chosen.rest()
    profile = _profiles()[which % len(_profiles())]
    make: Callable[[], Decoder | Recogniser] = (
        Recogniser if which > 0xC0 else lambda: Decoder(profile)
    )
    whole = make().feed(1.0, stream)
    parts: list[Reading | Garbled] = []
    decoder = make()
    for at in range(0, len(stream), size):
        parts += decoder.feed(1.0, stream[at : at + size])
        if at == 3 * size:
            saved, decoder = decoder.snapshot(), make()
            decoder.restore(saved)
    if isinstance(decoder, Decoder) and _weights(whole) != _weights(parts):
        raise Wrong(f"{profile.name}: pieces of {size} read otherwise")


def _weights(items: list[Reading | Garbled]) -> list[tuple[object, ...]]:
    return [(r.offset, r.text, r.unit, r.trusted) for r in items if isinstance(r, Reading)]


def decode_damaged(data: bytes) -> None:
    """Legal frames with chosen mishaps, never two close together: no wrong weight is trusted."""
    chosen = Bytes(data)
    profile = _profiles()[chosen.one() % len(_profiles())]
    frames, true = _frames(profile, chosen)
    stream = (profile.end if profile.first == "drop" else b"") + b"".join(_mishaps(frames, chosen))
    ticks = count()
    pairs = Decoder(profile).step(stream, lambda: next(ticks) * _TICK_S)
    for _, item in pairs:
        if isinstance(item, Reading) and item.trusted and (item.text, item.unit) not in true:
            raise Wrong(f"{profile.name}: {item.text} {item.unit} was never sent")


def _frames(profile: Profile, chosen: Bytes) -> tuple[list[bytes], set[tuple[object, ...]]]:
    frames: list[bytes] = []
    true: set[tuple[object, ...]] = set()
    for _ in range(3):
        size = chosen.one() << 8 | chosen.one()
        state = chosen.one()
        text = _weight_of(profile, size % 10_000)
        try:
            frame = profile.render(text, "g", stable=bool(state & 1), net=bool(state & 2))
        except ValueError:
            continue
        frames += [frame] * _EACH
        true |= {(text, unit) for unit in ("g", None, profile.unit)}
    return frames, true


def _weight_of(profile: Profile, hundredths: int) -> str:
    decimals = {"bin-le32-crc16": 1, "dollar-six-digits": 0}.get(profile.name, 2)
    digits = f"{hundredths:0{decimals + 1}d}"
    return f"{digits[:-decimals]}.{digits[-decimals:]}" if decimals else digits


def _mishaps(frames: list[bytes], chosen: Bytes) -> Iterator[bytes]:
    """The frames, every so many of them after one mishap."""
    for n, frame in enumerate(frames):
        if n % _APART != 1 or not chosen.more:
            yield frame
            continue
        kind, at = chosen.one(), chosen.one() % len(frame)
        if kind % 4 == 0:
            yield frame[:at] + bytes([frame[at] ^ (chosen.one() or 1)]) + frame[at + 1 :]
        elif kind % 4 == 1:
            yield frame[:at] + frame[at + 1 + chosen.one() % len(frame) :]
        elif kind % 4 == 2:
            yield frame[:at] + chosen.some(1 + kind % 8) + frame[at:]
        else:
            yield frame[:at]


# -- the learner -----------------------------------------------------------------------------------


def learn_anything(data: bytes) -> None:
    """Any bytes with any displays: refused, or a profile that reads what was shown."""
    chosen = Bytes(data)
    shown = []
    for _ in range(2 + chosen.one() % 3):
        begin, size = chosen.one() * 2, 1 + chosen.one()
        weight = chosen.one() << 8 | chosen.one()
        text = f"{weight // 100}.{weight % 100:02d}"
        shown.append(Shown(begin, begin + size, text, "g" if size & 1 else None))
    stream = chosen.rest()
    stream = stream * (1 + 600 // max(1, len(stream))) if len(stream) < 300 else stream
    try:
        learned = learn(stream[:1500], shown)
    except NotLearnedError as refused:
        if not refused.why:
            raise Wrong("refused without a reason") from None
        return
    readings(learned.profile, stream)


def learn_shapes(data: bytes) -> None:
    """A chosen shape, used, over a chosen bad line: what is learned trusts no wrong weight."""
    chosen = Bytes(data)
    shape = random_shape(Random(chosen.one() << 8 | chosen.one()))
    rng = Random(chosen.one())
    recording = recorded(shape, use(rng, shape))
    stream = _overwritten(recording.data, chosen)
    try:
        learned = learn(stream, recording.shown)
    except NotLearnedError:
        return
    moments = later(rng, shape)
    sent = b"".join(shape.render(moment) for moment in moments)
    for data in (sent, damaged(rng, sent, 0.01)):
        if wrong := wrongly_trusted(shape, moments, readings(learned.profile, data)):
            raise Wrong(f"{shape.words}: {wrong[:3]} trusted\n{learned.toml}")


def _overwritten(stream: bytes, chosen: Bytes) -> bytes:
    """The stream of the same length with some chosen bytes in it."""
    out = bytearray(stream)
    for _ in range(min(12, len(stream) // 60)):
        if not chosen.more:
            break
        at = (chosen.one() << 8 | chosen.one()) % len(out)
        out[at] = chosen.one()
    return bytes(out)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "decode-anything": decode_anything,
    "decode-damaged": decode_damaged,
    "learn-anything": learn_anything,
    "learn-shapes": learn_shapes,
}
"""What is tried, by name."""
