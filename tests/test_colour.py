"""Colours as numbers, against published data and a general colour library (colour-science).

Sources, and how known: CIEDE2000 from Sharma, Wu and Dalal, Color Research and Application 30
(2005) 21-30, table 1 (seen in several public copies, recomputed with two libraries); sRGB from IEC
61966-2-1 (from memory, reproduced); L*a*b* constants from CIE 15 (from memory).
"""

import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recipes.colour import (
    EPSILON,
    KAPPA,
    SRGB,
    WHITE,
    WIDE,
    ciede2000,
    coded,
    inverse,
    lab_beside,
    lab_of,
    lab_of_srgb,
    lab_of_wide,
    linear,
    srgb_of,
    wide_of,
    xyz_of,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

PAIRS = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
EDGE = 14
"""This pair lies on the edge where the hue difference is 180 degrees; either value is right."""

D65 = [0.3127, 0.3290]
LABS = st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100))


def rows():
    return [tuple(float(v) for v in line.split()) for line in PAIRS.strip().splitlines()]


@pytest.mark.parametrize(("number", "row"), list(enumerate(rows(), 1)))
def test_ciede2000_of_the_published_pairs(number, row):
    expected = {row[6], 4.7461} if number == EDGE else {row[6]}
    for one, other in ((row[:3], row[3:6]), (row[3:6], row[:3])):
        found = ciede2000(one, other)
        assert min(abs(found - value) for value in expected) < 1e-4


def test_black_and_white_are_a_hundred_apart():
    """The value of the ICC's table (seen)."""
    assert ciede2000((100.0, 0.0, 0.0), (0.0, 0.0, 0.0)) == pytest.approx(100.0, abs=1e-4)


@given(LABS, LABS)
def test_ciede2000_is_what_a_general_library_says(one, other):
    """But on the 180 degree edge, where a last digit decides between two right values."""
    found = ciede2000(one, other)
    if abs(found - float(colour.delta_E(one, other, method="CIE 2000"))) > 1e-6:
        nudged = [
            (other[0], other[1] + d, other[2] + e) for d in (-1e-6, 1e-6) for e in (-1e-6, 1e-6)
        ]
        assert any(
            abs(float(colour.delta_E(one, near, method="CIE 2000")) - found) < 1e-3
            for near in nudged
        )
    assert found >= 0


@pytest.mark.parametrize(
    ("code", "light"),
    [
        (10, 0.00303527),
        (11, 0.00334654),
        (20, 0.00699541),
        (64, 0.05126946),
        (128, 0.21586050),
        (188, 0.50288646),
        (255, 1.0),
    ],
)
def test_srgb_codes_as_light(code, light):
    assert linear(code) == pytest.approx(light, abs=1e-8)
    assert coded(linear(code)) == pytest.approx(code, abs=2e-3)


def test_the_constants_of_lab_meet_where_the_curve_gives_way_to_the_line():
    found = KAPPA * EPSILON
    assert found == pytest.approx(8.0)
    assert (EPSILON, KAPPA) == (216 / 24389, 24389 / 27)


def test_the_srgb_matrix_has_the_printed_inverse():
    printed = ((3.2406, -1.5372, -0.4986), (-0.9689, 1.8758, 0.0415), (0.0557, -0.2040, 1.0570))
    for row, expected in zip(inverse(SRGB), printed, strict=True):
        assert row == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(
    ("codes", "lab"),
    [
        ((255, 0, 0), (53.235, 80.10, 67.21)),
        ((0, 255, 0), (87.74, -86.18, 83.185)),
        ((0, 0, 255), (32.30, 79.195, -107.855)),
        ((255, 255, 0), (97.14, -21.55, 94.48)),
        ((0, 255, 255), (91.11, -48.08, -14.13)),
        ((255, 0, 255), (60.32, 98.25, -60.82)),
        ((200, 100, 50), (53.63, 36.31, 45.38)),
        ((128, 128, 128), (53.585, 0.0, 0.0)),
        ((119, 119, 119), (50.034, 0.0, 0.0)),
    ],
)
def test_srgb_colours_as_lab(codes, lab):
    """Common reference values (from memory, reproduced by two libraries)."""
    assert lab_of_srgb(codes) == pytest.approx(lab, abs=0.03)


def test_the_wide_primaries_make_the_matrix_of_the_recommendation():
    """ITU-R BT.2020 by a general library."""
    theirs = colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ
    for row, expected in zip(WIDE, theirs, strict=True):
        assert row == pytest.approx(tuple(expected), abs=1e-6)


@given(LABS)
def test_lab_and_light_as_a_general_library_has_them(lab):
    theirs = colour.Lab_to_XYZ(lab, D65)
    assert xyz_of(lab) == pytest.approx(tuple(theirs), abs=1e-9)
    assert lab_of(xyz_of(lab)) == pytest.approx(lab, abs=1e-6)
    assert lab_of_wide(wide_of(lab)) == pytest.approx(lab, abs=1e-5)


def test_white_throws_everything_back():
    assert wide_of((100.0, 0.0, 0.0)) == pytest.approx((1.0, 1.0, 1.0), abs=1e-9)
    assert xyz_of((100.0, 0.0, 0.0)) == pytest.approx(WHITE)


@given(st.tuples(*[st.floats(0, 255)] * 3))
def test_a_colour_comes_back_as_its_srgb_codes(codes):
    assert srgb_of(lab_of_srgb(codes)) == pytest.approx(codes, abs=0.05)


def test_a_colour_no_screen_shows_is_beyond_its_codes():
    red, _, _ = srgb_of((60.0, -90.0, 0.0))
    assert red < 0


# -- photographs -------------------------------------------------------------------------------


@pytest.mark.parametrize("lamp", [(1.0, 1.0, 1.0), (0.55, 0.45, 0.3)], ids=["fair", "dim and warm"])
def test_a_photograph_is_read_against_the_reference_beside(lamp):
    """A lamp that scales each channel's light alike for both patches takes nothing away."""
    reference, casting = (60.0, 2.0, 5.0), (45.0, -6.0, 9.0)

    def photographed(lab):
        r, g, b = (coded(linear(code) * by) for code, by in zip(srgb_of(lab), lamp, strict=True))
        return r, g, b

    found = lab_beside(photographed(casting), photographed(reference), reference)
    assert found == pytest.approx(casting, abs=0.02)


def test_a_reference_that_tells_nothing_is_refused():
    with pytest.raises(ValueError, match="too dark"):
        lab_beside((100, 100, 100), (1, 1, 1), (50.0, 0.0, 0.0))
