"""How scales are learned and read: shares learned, wrong weights trusted, megabytes a second.

Owns the counting and the lines that are printed. The shapes and the use of them are composed in
`scale_shapes` and in the tests. Nothing here is a test: a slow machine is no fault.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from functools import partial
from random import Random

from drivers.decoder import Decoder
from drivers.learn_marks import Shown
from drivers.learn_refusal import NotLearnedError
from drivers.recogniser import Recogniser
from drivers.scale_learn import Learned, learn
from drivers.scale_profile import load_profile
from tests.frame_streams import Stream, streams
from tests.odd_scales import SHAPES
from tools.scale_shapes import (
    Shape,
    damaged,
    random_shape,
    readings,
    recorded,
    sent_later,
    use,
    wrongly_trusted,
)

Counts = Counter[str]
_LINES = ("flag-comma-signed", "sixteen-col-blank-unit", "lf-value-status-bits-etx")


# -- the recorded streams ------------------------------------------------------------------------


def recorded_shapes(marks: int) -> Counts:
    """Every shape of the recorded streams learned from so many displays, then read elsewhere."""
    counts: Counts = Counter()
    for stream in (one for one in streams() if one.case == "learn"):
        counts["shapes"] += 1
        try:
            learned = learn(stream.data, _shown(stream, marks))
        except NotLearnedError:
            counts["refused"] += 1
            continue
        counts["learned"] += 1
        for other in (one for one in streams() if one.id == stream.id and one.case != "learn"):
            counts["wrong trusted"] += _wrong_in(learned, other)
    return counts


def _shown(stream: Stream, most: int) -> list[Shown]:
    marks = [mark for mark in stream.marks if mark[2] is not None][:most]
    return [Shown(begin, end, text, unit or None) for begin, end, text, unit in marks]


def _wrong_in(learned: Learned, stream: Stream) -> int:
    right = {row[1] for row in stream.expected} - set(stream.must_not)
    trusted = [r.text for r in readings(learned.profile, stream.data) if r.trusted]
    return sum(text not in right or "*" in stream.must_not for text in trusted)


# -- shapes that nobody has built ------------------------------------------------------------------


def composed_shapes(shapes: Iterable[tuple[Shape, int]]) -> Counts:
    """Each shape learned from one use with its seed, then read in another, clean and damaged."""
    counts: Counts = Counter()
    for shape, seed in shapes:
        counts["shapes"] += 1
        rng = Random(seed)
        recording = recorded(shape, use(rng, shape))
        try:
            learned = learn(recording.data, recording.shown)
        except NotLearnedError:
            counts["refused"] += 1
            continue
        counts["learned"] += 1
        moments, data = sent_later(rng, shape, learned.profile)
        for sent in (data, damaged(rng, data * 4, 0.01)):
            wrong = wrongly_trusted(shape, moments, readings(learned.profile, sent))
            counts["wrong trusted"] += len(wrong)
    return counts


# -- throughput ------------------------------------------------------------------------------------


def throughput(megabytes: float) -> list[tuple[str, float]]:
    """Megabytes a second of a bare split on line ends, of each shape known, of one recognised."""
    found = []
    for name in _LINES:
        profile = load_profile(name)
        line = b"".join(profile.render(f"{n * 7 % 500}.{n % 10}{n % 7}") for n in range(40))
        data = line * max(1, round(megabytes * 1e6 / len(line)))
        found.append((f"a bare split of {name}", _rate(data, lambda d: d.split(b"\n"))))
        found.append((f"{name}, known", _rate(data, partial(Decoder(profile).feed, 0.0))))
    found.append((f"{name}, recognised", _rate(data, partial(Recogniser().feed, 0.0))))
    return found


def _rate(data: bytes, work: Callable[[bytes], object]) -> float:
    began = time.process_time()  # other programs on this machine do not count
    work(data)
    return len(data) / 1e6 / (time.process_time() - began)


# -- the command ---------------------------------------------------------------------------------


def main(argv: list[str] | None = None) -> int:
    """Print all of it; exit status 1 where a wrong weight was trusted."""
    parser = argparse.ArgumentParser(prog="python -m tools.scale_figures", description=__doc__)
    parser.add_argument("--shapes", type=int, default=300, help="random shapes to compose")
    parser.add_argument("--megabytes", type=float, default=2.0, help="of each shape, for the speed")
    args = parser.parse_args(argv)
    every = {
        "recorded shapes, three displays": recorded_shapes(3),
        "odd shapes": composed_shapes((shape, 7) for shape in SHAPES.values()),
        "random shapes": composed_shapes((random_shape(Random(n)), n) for n in range(args.shapes)),
    }
    for name, counts in every.items():
        print(f"{name}: {_words(counts)}")
    for name, rate in throughput(args.megabytes):
        print(f"{name}: {rate:.2f} MB/s")
    return int(any(counts["wrong trusted"] for counts in every.values()))


def _words(counts: Counts) -> str:
    return (
        f"{counts['learned']} of {counts['shapes']} learned, {counts['refused']} refused, "
        f"{counts['wrong trusted']} wrong weights trusted"
    )


if __name__ == "__main__":
    sys.exit(main())
