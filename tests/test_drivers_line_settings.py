"""Which way to listen to a scale, and when to try another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.line_settings import (
    COMMON,
    LineSettings,
    Trial,
    Trier,
    looks,
    parse_settings,
    trials_for,
    trials_for_any,
)
from drivers.scale_profile import Request, known_profiles, load_profile

TEXT = b"ST,GS,+   36.5 g\r\n" * 4
ASK = Request.model_validate({"send": "W"})


def with_parity(data: bytes, parity: str) -> bytes:
    """What seven bits and parity look like when read as eight bits."""
    odd = parity == "odd"
    return bytes(code | ((code.bit_count() & 1) ^ odd) << 7 for code in data)


def test_settings_are_written_as_people_write_them():
    assert parse_settings("2400 7E1") == LineSettings(2400, 7, "E", 1)
    assert str(LineSettings()) == "9600 8N1"
    with pytest.raises(ValueError, match="not like 9600 8N1"):
        parse_settings("9600")


@pytest.mark.parametrize("profile", known_profiles(), ids=lambda profile: profile.name)
def test_every_profile_names_settings_that_can_be_set(profile):
    assert [parse_settings(text) for text in profile.settings]
    assert trials_for(profile)[0].settings == parse_settings(profile.settings[0])


@given(st.binary(min_size=32).map(lambda data: data.translate(bytes(c & 0x7F for c in range(256)))))
def test_parity_shows_in_every_byte_and_only_there(data):
    for parity in ("even", "odd"):
        sent = with_parity(data, parity)
        assert looks(sent) in (parity, "text", "noise")
        if any(code > 0x7F for code in sent):
            assert looks(sent) == parity


def test_what_bytes_look_like():
    assert looks(TEXT) == "text"
    assert looks(TEXT[:20]) == ""
    assert looks(bytes(range(0x20)) * 2) == "noise"
    assert looks(TEXT[:-1] + b"\x8d\x8e") == "noise"


def trier(*settings: str, request: Request | None = None) -> Trier:
    made = Trier([Trial(parse_settings(text), request) for text in settings])
    made.begin(0.0)
    return made


def after(made: Trier, at_s: float, data: bytes, heard: bool = False) -> str | None:
    trial = made.after(at_s, data, heard)
    return str(trial.settings) if trial else None


def test_while_the_scale_is_understood_nothing_is_tried():
    made = trier("9600 8N1", "2400 7E1")
    assert all(after(made, n * 1.0, b"\xff" * 100, heard=True) is None for n in range(20))


def test_noise_is_given_a_second_and_then_the_next_settings_are_tried_round_and_round():
    made = trier("9600 8N1", "2400 8N1")
    assert after(made, 0.9, b"\xff\x81" * 40) is None
    assert after(made, 1.0, b"\xff\x81") == "2400 8N1"
    assert after(made, 1.9, b"\xff\x81" * 40) is None
    assert after(made, 2.0, b"\xff\x81") == "9600 8N1"


def test_what_sends_by_itself_is_not_asked_while_its_settings_are_tried():
    plain = [Trial(parse_settings(text)) for text in ("9600 8N1", "2400 8N1")]
    made = Trier([*plain, Trial(parse_settings("1200 8N1"), ASK)])
    made.begin(0.0)
    tried = [after(made, n * 1.0, b"\xff\x81" * 40) for n in range(1, 5)]
    assert tried == ["2400 8N1", "9600 8N1", "2400 8N1", "9600 8N1"]
    only_asked = trier("9600 8N1", "2400 8N1", request=ASK)
    assert after(only_asked, 1.0, b"\xff\x81" * 40) == "2400 8N1"


def test_text_is_given_longer_because_a_printed_block_is_long():
    made = trier("9600 8N1", "2400 8N1")
    assert after(made, 3.9, TEXT) is None
    assert after(made, 4.0, TEXT) == "2400 8N1"
    patient = trier("9600 8N1", "2400 8N1")
    assert after(patient, 1.1, TEXT * 8) == "2400 8N1"


def test_parity_in_bit_seven_leads_straight_to_the_settings_that_have_it():
    made = trier("9600 8N1", "2400 8N1", "9600 7O1", "9600 7E1")
    assert after(made, 0.1, with_parity(TEXT, "even")) == "9600 7E1"
    odd = trier("9600 8N1", "2400 8N1", "9600 7O1", "9600 7E1")
    assert after(odd, 0.1, with_parity(TEXT, "odd")) == "9600 7O1"


def test_silence_says_nothing_about_speed_and_leads_to_asking():
    made = Trier([Trial(parse_settings("9600 8N1")), Trial(parse_settings("2400 8N1"))])
    made.begin(0.0)
    assert made.after(60.0, b"", False) is None
    asking = Trier(
        [
            Trial(parse_settings("9600 8N1")),
            Trial(parse_settings("2400 8N1")),
            Trial(parse_settings("9600 7E1"), ASK),
        ]
    )
    asking.begin(0.0)
    assert asking.after(2.9, b"", False) is None
    trial = asking.after(3.0, b"", False)
    assert trial == Trial(parse_settings("9600 7E1"), ASK)
    assert asking.current == trial


def test_a_few_bytes_that_say_nothing_are_not_waited_for_for_ever():
    made = trier("9600 8N1", "2400 8N1")
    assert after(made, 3.9, b"\x00\x80") is None
    assert after(made, 4.0, b"\x00") == "2400 8N1"


def test_a_known_shape_is_tried_at_its_usual_settings_first_and_asked_where_it_only_answers():
    trials = trials_for(load_profile("lf-srnmf-fixed"))
    assert str(trials[0].settings) == "9600 8N1"
    assert {trial.request.send for trial in trials if trial.request} == {b"\nW\r"}
    assert all(trial.request for trial in trials)
    by_itself = trials_for(load_profile("flag-comma-zeropad"))
    assert by_itself[0].request is None
    assert by_itself[-1].request is not None


def test_an_unknown_scale_is_listened_to_before_it_is_asked_and_only_asked_to_show_its_weight():
    trials = trials_for_any(known_profiles())
    assert [trial.settings for trial in trials[: len(COMMON)]] == list(COMMON)
    assert all(trial.request is None for trial in trials[: len(COMMON)])
    asked = {trial.request.send for trial in trials if trial.request}
    assert asked == {
        b"SI\r\n",
        b"Q\r\n",
        b"IP\r\n",
        b"\nW\r",
        b"W\r",
        b"W",
        b"\x1bP",
        b"\xf8U\xce\x01\x00#\x23\x00",
    }
