"""Odd shapes, each used by a simulated person: learned right, or refused; never learned wrong."""

from __future__ import annotations

from random import Random

import pytest

from drivers.learn_marks import Shown
from drivers.learn_refusal import NotLearnedError
from drivers.reading import Reading
from drivers.scale_learn import Learned, learn
from tests.odd_scales import SHAPES
from tools.scale_shapes import (
    Moment,
    Recording,
    Shape,
    damaged,
    random_shape,
    readings,
    recorded,
    sent_later,
    use,
    wrongly_trusted,
)

_NO_WORDS = {"two-bytes-a-character", "seven-bits-a-byte"}
"""Profiles have no word for these yet: they must be refused."""
LEARNED = sorted(SHAPES.keys() - _NO_WORDS)


def _used(shape: Shape, seed: int) -> Recording:
    return recorded(shape, use(Random(seed), shape))


def _learned(shape: Shape, seed: int, few: bool) -> Learned:
    """Learned from all that was shown, or from the empty pan, one load and one below zero."""
    recording = _used(shape, seed)
    shown = list(recording.shown)
    return learn(recording.data, [shown[0], shown[1], shown[-1]] if few else shown)


def _sent(shape: Shape, learned: Learned, seed: int) -> tuple[list[Moment], bytes]:
    """Another use, as it arrives with the settings that were learned."""
    return sent_later(Random(seed), shape, learned.profile)


@pytest.mark.parametrize("name", LEARNED)
def test_an_odd_shape_is_learned_and_reads_other_use_right(name: str) -> None:
    """Clean, then over a bad line: bytes turned, lost, put in."""
    shape = SHAPES[name]
    learned = _learned(shape, 23, few=False)
    moments, data = _sent(shape, learned, 6)
    clean = readings(learned.profile, data)
    assert wrongly_trusted(shape, moments, clean) == []
    assert _seen_at_rest(shape, moments, clean) >= 0.5
    read = readings(learned.profile, damaged(Random(7), data * 4, 0.01))
    assert wrongly_trusted(shape, moments, read) == []


@pytest.mark.parametrize("name", LEARNED)
def test_three_displays_are_enough(name: str) -> None:
    shape = SHAPES[name]
    learned = _learned(shape, 22, few=True)
    moments, data = _sent(shape, learned, 5)
    read = readings(learned.profile, data)
    assert wrongly_trusted(shape, moments, read) == []
    assert _seen_at_rest(shape, moments, read) >= 0.5


def _seen_at_rest(shape: Shape, moments: list[Moment], read: list[Reading]) -> float:
    """Which share of the weights that rested was trusted."""
    rested = {shape.weight(m) for m in moments if m.still and not m.over}
    trusted = {reading.text for reading in read if reading.trusted}
    return len(rested & trusted) / len(rested)


@pytest.mark.parametrize("name", sorted(_NO_WORDS))
def test_a_shape_that_no_profile_can_say_is_refused_with_what_to_try(name: str) -> None:
    with pytest.raises(NotLearnedError) as refused:
        _learned(SHAPES[name], 22, few=False)
    assert refused.value.ask


@pytest.mark.parametrize("name", LEARNED)
def test_from_less_a_shape_is_learned_right_or_refused_with_a_question(name: str) -> None:
    """Two weights above zero, no tare: what is below zero has not been seen."""
    shape = SHAPES[name]
    recording = _used(shape, 24)
    end = recording.shown[2].end
    shown: list[Shown] = list(recording.shown[:3])
    try:
        learned = learn(recording.data[:end], shown)
    except NotLearnedError as refused:
        assert refused.ask
        return
    moments, data = _sent(shape, learned, 8)
    assert wrongly_trusted(shape, moments, readings(learned.profile, data)) == []


def test_a_word_in_a_line_of_its_own_takes_the_weight_away_unless_it_came_beside_one() -> None:
    """The lines after the weight's own: TAKEN while it was shown, TOO MUCH never."""
    recorded_lines = [
        *[(0, "TAKEN")] * 6,
        *[(n * 1311, "TAKEN") for n in (1, 3, 5)],
        *[(9177, "TAKEN")] * 6,
        *[(n * 1311, "TAKEN") for n in (9, 11)],
        *[(15732, "TAKEN")] * 6,
        *[(99999, "TOO MUCH")] * 4,
        *[(15732, "TAKEN")] * 3,
    ]
    lines = [f"{n / 100:9.2f} g\r\n{word}\r\n".encode() for n, word in recorded_lines]
    ends = [sum(map(len, lines[: n + 1])) for n in range(len(lines))]
    shown = [
        Shown(0, ends[5], "0.00", "g"),
        Shown(ends[8], ends[14], "91.77", "g"),
        Shown(ends[16], ends[22], "157.32", "g"),
    ]
    learned = learn(b"".join(lines), shown)
    read = readings(learned.profile, lines[-1] * 5 + lines[-4] * 5 + lines[0] * 5)
    assert {r.text for r in read if r.trusted} == {"157.32", "0.00"}


def test_a_unit_in_the_lines_that_was_not_shown_is_asked_about() -> None:
    """Grams for kilograms would be a thousandth."""
    recording = _used(SHAPES["other-lines-between"], 22)
    stream = recording.data.replace(b" g\r\n", b"kg\r\n")
    with pytest.raises(NotLearnedError, match="the lines say kg behind the weight, and g") as no:
        learn(stream, recording.shown)
    assert "Check what was shown, unit and all" in no.value.ask


@pytest.mark.parametrize("name", ["star-and-check", "float-high-first", "check-in-two-digits"])
def test_a_damaged_line_in_the_recording_does_not_hide_the_check(name: str) -> None:
    recording = _used(SHAPES[name], 22)
    moving = next(n for n, moment in enumerate(recording.moments) if not moment.still)
    stream = bytearray(recording.data)
    stream[recording.ends[moving] - 6] ^= 0x05
    learned = learn(bytes(stream), recording.shown)
    assert 'kind = "check"' in learned.toml


@pytest.mark.parametrize("seed", range(20))
def test_a_random_shape_is_learned_right(seed: int) -> None:
    rng = Random(seed)
    shape = random_shape(rng)
    recording = recorded(shape, use(rng, shape))
    learned = learn(recording.data, recording.shown)
    moments, data = _sent(shape, learned, seed + 1)
    read = readings(learned.profile, data)
    assert any(reading.trusted for reading in read)
    assert wrongly_trusted(shape, moments, read) == []
