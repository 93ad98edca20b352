"""What a shape says is read back as it was said; whatever happens to its bytes, no wrong weight.

The damage is that of real lines: flipped bits, lost, doubled and stray bytes, a cut frame. Two
frames in a row are never damaged alike here: that, no receiver of an unchecked shape could see.
"""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoder import Decoder
from drivers.reading import Reading
from drivers.scale_profile import Profile, known_profiles

PROFILES = {profile.name: profile for profile in known_profiles()}
DECIMALS = {"bin-le32-crc16": 1, "dollar-six-digits": 0}
"""Shapes whose number of decimals is not free."""
ONE_SIGN = {"dollar-six-digits", "stx-value-or-query-status"}
WEIGHTLESS_MOVING = {"stx-value-or-query-status"}


def texts(name: str, least: int = 0) -> st.SearchStrategy[str]:
    """Weights that fit the narrowest field of the known shapes."""
    decimals = DECIMALS.get(name, 2)
    low = 0 if name in ONE_SIGN else -9999
    return st.integers(low + least, 9999).map(lambda n: written(n, decimals))


def written(hundredths: int, decimals: int) -> str:
    sign, digits = ("-" if hundredths < 0 else ""), str(abs(hundredths)).rjust(decimals + 1, "0")
    return f"{sign}{digits[:-decimals]}.{digits[-decimals:]}" if decimals else f"{sign}{digits}"


def read(profile: Profile, data: bytes, at_s: float = 0.0) -> list[Reading]:
    items = Decoder(profile, carry_unit=False).feed(at_s, data)
    return [item for item in items if isinstance(item, Reading)]


def opening(profile: Profile) -> bytes:
    """What a stream begins with, so that the next frame is not the first."""
    return profile.end if profile.first == "drop" else b""


@pytest.mark.parametrize("name", PROFILES)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_what_a_shape_says_is_read_back(name, data):
    profile = PROFILES[name]
    text = data.draw(texts(name))
    stable = data.draw(st.booleans())
    net = data.draw(st.booleans())
    frame = profile.render(text, "g", stable=stable, net=net)
    (reading,) = read(profile, opening(profile) + frame)
    if name in WEIGHTLESS_MOVING and not stable:
        assert (reading.text, reading.declared) == (None, False)
        return
    assert reading.text == text
    assert reading.declared in (stable, None)
    assert reading.net in (net, None)
    assert reading.unit in ("g", None)
    assert not reading.overload
    assert not reading.trusted


@pytest.mark.parametrize("name", PROFILES)
def test_each_unit_a_shape_can_name_is_read_back(name):
    profile = PROFILES[name]
    text = written(1234, DECIMALS.get(name, 2))
    for unit in ("g", "kg", "lb", "oz", "ozt", "dwt", "ct"):
        try:
            frame = profile.render(text, unit)
        except ValueError:
            continue
        (reading,) = read(profile, opening(profile) + frame)
        assert reading.unit in (unit, None)


@pytest.mark.parametrize("name", PROFILES)
def test_an_overload_a_shape_can_say_has_no_weight(name):
    profile = PROFILES[name]
    for direction in ("over", "under"):
        try:
            frame = profile.render("0.0", "g", overload=direction)
        except ValueError:
            continue
        (reading,) = read(profile, opening(profile) + frame)
        assert (reading.text, reading.grams, reading.overload) == (None, None, True)
        assert reading.declared is False


def damaged(frame: bytes, rng: random.Random) -> bytes:
    """The frame after one mishap on the line."""
    at = rng.randrange(len(frame))
    kind = rng.randrange(6)
    if kind == 0:
        return frame[:at] + bytes([frame[at] ^ (1 << rng.randrange(8))]) + frame[at + 1 :]
    if kind == 1:
        return frame[:at] + frame[at + 1 :]
    if kind == 2:
        return frame[: at + 1] + frame[at:]
    if kind == 3:
        return frame[:at] + bytes([rng.randrange(256)]) + frame[at:]
    if kind == 4:
        return frame[:at]
    return frame[:at] + frame[at + rng.randrange(1, 6) :]


@pytest.mark.parametrize("name", PROFILES)
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32), data=st.data())
def test_whatever_happens_to_single_frames_no_wrong_weight_is_trusted(name, seed, data):
    profile = PROFILES[name]
    rng = random.Random(seed)
    weights = data.draw(st.lists(texts(name), min_size=1, max_size=3))
    stream = opening(profile)
    for text in weights:
        frame = profile.render(text, "g", net=False)
        for n in range(12):
            stream += damaged(frame, rng) if n % 4 == 3 else frame
    stream += frame * 12
    decoder = Decoder(profile)
    trusted = set()
    for n, at in enumerate(range(0, len(stream), 5)):
        for item in decoder.feed(n * 0.06, stream[at : at + 5]):
            if isinstance(item, Reading) and item.trusted:
                trusted.add(item.text)
    assert {weights[-1]} <= trusted <= set(weights)


@pytest.mark.parametrize("name", PROFILES)
@settings(max_examples=40, deadline=None)
@given(stream=st.binary(max_size=300), cut=st.integers(1, 40))
def test_noise_is_read_alike_in_any_pieces_and_never_fails(name, stream, cut):
    profile = PROFILES[name]
    stream = stream + opening(profile) + profile.render(written(123, DECIMALS.get(name, 2)), "g")
    whole = read(profile, stream)
    decoder = Decoder(profile, carry_unit=False)
    pieces = [
        item
        for at in range(0, len(stream), cut)
        for item in decoder.feed(0.0, stream[at : at + cut])
        if isinstance(item, Reading)
    ]
    assert pieces == whole
    assert not any(reading.trusted for reading in whole)


def test_a_shape_says_plainly_what_it_cannot_say():
    with pytest.raises(ValueError, match="bare-number-line cannot say"):
        PROFILES["bare-number-line"].render("0.00", overload="over")
    with pytest.raises(ValueError, match="flag-comma-signed cannot say"):
        PROFILES["flag-comma-signed"].render("123456789.0")


def test_both_widths_of_a_shape_can_be_rendered():
    """16 and 22 columns, the line end counted."""
    profile = PROFILES["sixteen-col-blank-unit"]
    assert profile.render("36.52", "g", family="16") == b"+    36.52 g  \r\n"
    assert profile.render("36.52", "g", net=True, family="22") == b"N     +    36.52 g  \r\n"
