"""An unnamed scale: which shape it speaks, when that is sure, and what is published meanwhile."""

from __future__ import annotations

import json

import pytest

from drivers.candidate import Candidate
from drivers.decoder import Decoder
from drivers.reading import Reading
from drivers.recogniser import Recogniser
from drivers.scale_profile import known_profiles, load_profile, parse_profile
from tests.frame_streams import PIECES, Stream, serial_streams

AMBIGUOUS = ("number-unit-trailing-query", "glitch")
"""A load that never moves: byte for byte two shapes."""


def told(readings: list[Reading]) -> list[tuple[object, ...]]:
    return [(r.offset, r.text, r.unit, r.declared, r.overload, r.net) for r in readings]


def fed(stream: Stream, recogniser: Recogniser, size: int) -> list[Reading]:
    items = [
        item
        for n, piece in enumerate(stream.pieces(size))
        for item in recogniser.feed(n * 0.01, piece)
    ]
    return [item for item in items if isinstance(item, Reading)]


@pytest.mark.parametrize(
    "stream",
    [s for s in serial_streams() if (s.id, s.case) != AMBIGUOUS],
    ids=str,
)
def test_every_stream_damaged_or_not_is_recognised_and_read_from_then_on(stream):
    outcomes = []
    for size in PIECES:
        recogniser = Recogniser(carry_unit=False)
        readings = told(fed(stream, recogniser, size))
        outcomes.append(readings)
        assert recogniser.profile_name == stream.id
        assert 0.5 < recogniser.confidence <= 1.0
        assert stream.id in recogniser.note
    late = [row for row in outcomes[0] if row in stream.expected]
    assert late == list(stream.expected[len(stream.expected) - len(late) :])
    assert outcomes.count(outcomes[0]) == len(outcomes)
    assert len(late) >= len(stream.expected) - (7 if stream.case in ("clean", "learn") else 5)


@pytest.mark.parametrize("stream", serial_streams(wrong=True), ids=str)
def test_wrong_line_settings_publish_nothing(stream):
    for size in PIECES:
        recogniser = Recogniser()
        assert fed(stream, recogniser, size) == []
        assert not recogniser.heard
        assert recogniser.profile_name is None
        assert recogniser.confidence == 0.0
        assert recogniser.note.startswith("no known line shape fits what is heard: ")


def test_nothing_heard_is_said():
    assert Recogniser().note == "nothing has been heard from the scale yet"


def test_a_scale_that_names_no_unit_is_told_of():
    recogniser = Recogniser()
    recogniser.feed(0.0, b"\r\n" + b"    36.52\r\n" * 5)
    assert recogniser.note.endswith("; they name no unit of weight")


AT_REST = b"     36.52 g  \r\n"
MOVING = b"     36.60 g ?\r\n"


def weights(recogniser: Recogniser, data: bytes) -> list[tuple[object, ...]]:
    items = recogniser.feed(0.0, data)
    return [(i.text, i.declared, i.net) for i in items if isinstance(i, Reading)]


def test_two_shapes_that_agree_at_rest_publish_what_they_agree_on_and_movement_decides():
    recogniser = Recogniser()
    assert weights(recogniser, AT_REST * 6)[-1] == ("36.52", True, None)
    assert recogniser.fitting == ("number-unit-trailing-query", "sixteen-col-blank-unit")
    assert recogniser.profile_name is None
    assert "load the pan" in recogniser.note
    assert recogniser.confidence < 0.51
    assert weights(recogniser, MOVING) == []
    assert weights(recogniser, MOVING + MOVING)[-1] == ("36.60", False, False)
    assert recogniser.profile_name == "number-unit-trailing-query"


def test_movement_decides_for_the_other_shape_too():
    recogniser = Recogniser()
    weights(recogniser, AT_REST * 6)
    weights(recogniser, b"     36.60    \r\n" * 3)
    assert recogniser.profile_name == "sixteen-col-blank-unit"


def test_one_damaged_line_decides_nothing():
    recogniser = Recogniser()
    weights(recogniser, AT_REST * 6 + b"     36.60 g ?\r\n" + AT_REST * 6)
    assert len(recogniser.fitting) == 2


def shape(name: str, decimals: str) -> str:
    return f"""
        name = "{name}"
        end = "<CR><LF>"
        [fields.number]
        kind = "number"
        point = ""
        decimals = {decimals}
        [[form]]
        layout = "{{number:8}}"
        """


def test_shapes_that_read_the_same_bytes_differently_publish_nothing():
    rivals = [parse_profile(shape("one", "1")), parse_profile(shape("two", "2"))]
    recogniser = Recogniser(rivals)
    assert weights(recogniser, b"    3652\r\n" * 20) == []
    assert recogniser.fitting == ("one", "two")


def test_what_is_sure_early_is_published_early():
    """The third whole frame in a row; two where a check or a long block rules chance out."""
    line = load_profile("flag-comma-signed").render("36.5")
    assert weights(Recogniser(), line * 2) == []
    assert len(weights(Recogniser(), line * 3)) == 1
    checked = load_profile("stx-3status-implied").render("36.5")
    assert len(weights(Recogniser(), checked * 2)) == 1


def test_trust_that_grew_before_the_shape_was_sure_counts():
    line = load_profile("flag-comma-signed").render("36.5")
    (reading,) = Recogniser().feed(0.0, line * 3)
    assert isinstance(reading, Reading)
    assert reading.trusted


def test_another_scale_on_the_same_port_is_recognised_anew():
    recogniser = Recogniser()
    first, second = load_profile("flag-comma-signed"), load_profile("ww-wn-zeropad")
    weights(recogniser, first.render("36.5") * 5)
    assert recogniser.profile_name == "flag-comma-signed"
    weights(recogniser, second.render("3.652", "kg") * 50)
    assert recogniser.profile_name == "ww-wn-zeropad"
    assert weights(recogniser, second.render("3.652", "kg")) == [("3.652", None, False)]


def test_after_the_port_was_lost_the_shape_is_kept_and_trust_begins_anew():
    recogniser = Recogniser()
    line = load_profile("flag-comma-signed").render("36.5")
    recogniser.feed(0.0, line * 5 + line[:9])
    recogniser.reset(1.0)
    items = recogniser.feed(1.0, line * 2)
    assert [item.trusted for item in items if isinstance(item, Reading)] == [False, True]


def test_a_lost_port_before_anything_was_sure_begins_anew():
    recogniser = Recogniser()
    line = load_profile("flag-comma-signed").render("36.5")
    recogniser.feed(0.0, line * 2)
    recogniser.reset(1.0)
    assert recogniser.feed(1.0, line * 2) == []


@pytest.mark.parametrize(
    "stream", [s for s in serial_streams() if s.case in ("clean", "noise")], ids=str
)
def test_a_replay_can_begin_anywhere_in_a_stream(stream):
    whole = told(fed(stream, Recogniser(), 1_000_000))
    for cut in range(0, len(stream.data), 29):
        first, second = Recogniser(), Recogniser()
        items = first.feed(0.0, stream.data[:cut])
        second.restore(json.loads(json.dumps(first.snapshot())))
        items += second.feed(0.0, stream.data[cut:])
        assert told([item for item in items if isinstance(item, Reading)]) == whole


def test_endless_nonsense_keeps_the_state_small():
    recogniser = Recogniser()
    for _ in range(100):
        recogniser.feed(0.0, bytes(range(256)))
    assert len(json.dumps(recogniser.snapshot())) < 60_000


def test_every_shipped_shape_recognises_its_own_frames_and_no_other_shape_claims_them():
    for profile in known_profiles():
        decimals = "36.5" if profile.name == "bin-le32-crc16" else "36.52"
        text = "3652" if profile.name == "dollar-six-digits" else decimals
        frame = profile.render(text, "g")
        recogniser = Recogniser()
        recogniser.feed(0.0, (profile.end or b"\r") + frame * 6)
        assert recogniser.fitting[0] == profile.name or len(recogniser.fitting) == 2


def test_a_candidate_counts_only_frames_about_the_weight():
    candidate = Candidate(load_profile("echo-letter-right10"), carry_unit=False, unit=None)
    for frame, item in candidate.take(b"T S      15.00 g\r\nZ A\r\n" * 4, lambda: 0.0):
        candidate.count(frame, item)
    assert (candidate.good, candidate.fits) == (0, False)
    assert isinstance(candidate.decoder, Decoder)
