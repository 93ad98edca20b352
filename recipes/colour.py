"""Colours as numbers: CIE L*a*b*, linear light in two sets of primaries, and their difference.

Owns the conversions and CIEDE2000. Knows nothing of dyes, jugs or where a colour was measured.

L*a*b* is taken relative to the white that it was measured against. Between L*a*b* and light that
white stands at D65's place, so a reading under another light is adapted by scaling X, Y and Z.
"""

from __future__ import annotations

from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

Triple = tuple[float, float, float]
Lab = Triple
"""L* from 0 (black) to 100 (white), a* from green to red, b* from blue to yellow."""
Matrix = tuple[Triple, Triple, Triple]

EPSILON, KAPPA = 216 / 24389, 24389 / 27
"""Where the cube root of L*a*b* gives way to a straight line, and its slope: CIE 15."""
WHITE: Triple = (0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290)
"""D65 in X, Y, Z, from the chromaticity that IEC 61966-2-1 and ITU-R BT.2020 give it."""

SRGB: Matrix = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
"""Linear sRGB to X, Y, Z as printed in IEC 61966-2-1."""


# -- matrices ----------------------------------------------------------------------------------


def times(matrix: Matrix, v: Triple) -> Triple:
    """The matrix times a column."""
    a, b, c = matrix
    return (
        a[0] * v[0] + a[1] * v[1] + a[2] * v[2],
        b[0] * v[0] + b[1] * v[1] + b[2] * v[2],
        c[0] * v[0] + c[1] * v[1] + c[2] * v[2],
    )


def inverse(m: Matrix) -> Matrix:
    """The inverse by cofactors; the matrix must have one."""
    (a, b, c), (d, e, f), (g, h, i) = m
    det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    return (
        ((e * i - f * h) / det, (c * h - b * i) / det, (b * f - c * e) / det),
        ((f * g - d * i) / det, (a * i - c * g) / det, (c * d - a * f) / det),
        ((d * h - e * g) / det, (b * g - a * h) / det, (a * e - b * d) / det),
    )


def primaries(*chromaticities: tuple[float, float]) -> Matrix:
    """Linear light of three primaries, given by x and y, to X, Y, Z; all three at 1 are `WHITE`.

    SMPTE RP 177, the usual derivation: each primary is scaled so that together they make white.
    """
    (xr, yr), (xg, yg), (xb, yb) = chromaticities
    columns: Matrix = (
        (xr / yr, xg / yg, xb / yb),
        (1.0, 1.0, 1.0),
        ((1 - xr - yr) / yr, (1 - xg - yg) / yg, (1 - xb - yb) / yb),
    )
    r, g, b = times(inverse(columns), WHITE)
    return tuple((row[0] * r, row[1] * g, row[2] * b) for row in columns)  # type: ignore[return-value]


WIDE: Matrix = primaries((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
"""Linear light of the primaries of ITU-R BT.2020 to X, Y, Z. They are single wavelengths (630, 532
and 467 nm), so that three narrow bands stand behind them and hardly a real surface is negative."""
_FROM_SRGB, _FROM_WIDE = inverse(SRGB), inverse(WIDE)


# -- L*a*b* ------------------------------------------------------------------------------------


def xyz_of(lab: Lab) -> Triple:
    """X, Y, Z of a colour, white being `WHITE`: CIE 15."""
    fy = (lab[0] + 16) / 116
    fx, fz = fy + lab[1] / 500, fy - lab[2] / 200
    return WHITE[0] * _uncurved(fx), WHITE[1] * _uncurved(fy), WHITE[2] * _uncurved(fz)


def lab_of(xyz: Triple) -> Lab:
    """L*a*b* of X, Y, Z, white being `WHITE`: CIE 15."""
    fx, fy, fz = (_curved(v / w) for v, w in zip(xyz, WHITE, strict=True))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def _curved(t: float) -> float:
    return t ** (1 / 3) if t > EPSILON else (KAPPA * t + 16) / 116


def _uncurved(f: float) -> float:
    cube = f**3
    return cube if cube > EPSILON else (116 * f - 16) / KAPPA


def wide_of(lab: Lab) -> Triple:
    """How much of each of three narrow bands a surface of this colour throws back; white is 1."""
    return times(_FROM_WIDE, xyz_of(lab))


def lab_of_wide(light: Triple) -> Lab:
    """The colour of a surface that throws so much of the three bands back."""
    return lab_of(times(WIDE, light))


# -- sRGB --------------------------------------------------------------------------------------


def linear(code: float) -> float:
    """Light of an sRGB code from 0 to 255, white being 1: IEC 61966-2-1."""
    c = code / 255
    return float(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4)


def coded(light: float) -> float:
    """The sRGB code of light from 0 to 1, unrounded: IEC 61966-2-1."""
    return 255 * (12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055)


def lab_of_srgb(codes: Triple) -> Lab:
    """The colour that sRGB codes from 0 to 255 stand for."""
    r, g, b = (linear(code) for code in codes)
    return lab_of(times(SRGB, (r, g, b)))


def srgb_of(lab: Lab) -> Triple:
    """The sRGB codes of a colour, unrounded; beyond 0 or 255 where a screen cannot show it."""
    r, g, b = times(_FROM_SRGB, xyz_of(lab))
    return _coded_beyond(r), _coded_beyond(g), _coded_beyond(b)


def _coded_beyond(light: float) -> float:
    return coded(light) if light >= 0 else -coded(-light)


def lab_beside(codes: Triple, reference: Triple, reference_lab: Lab) -> Lab:
    """The colour of something in a photograph that also shows a surface of known colour.

    `codes` and `reference` are the two patches' sRGB codes. Each channel's light is scaled so that
    the reference comes out as `reference_lab`, which takes off the lamp's colour and the exposure.
    Raises ValueError where the reference is so dark that it tells nothing.
    """
    known = times(_FROM_SRGB, xyz_of(reference_lab))
    shown = [linear(code) for code in reference]
    if min(*known, *shown) < 0.005:
        raise ValueError("the reference is too dark, or too strong a colour, to compare with")
    lights = [linear(code) * k / s for code, k, s in zip(codes, known, shown, strict=True)]
    return lab_of(times(SRGB, (lights[0], lights[1], lights[2])))


# -- differences -------------------------------------------------------------------------------


def ciede2000(one: Lab, other: Lab) -> float:
    """The CIEDE2000 colour difference, all factors 1; about 1 is the least that is seen.

    Sharma, Wu and Dalal, Color Research and Application 30 (2005) 21-30, equations 2 to 22.
    """
    l1, a1, b1 = one
    l2, a2, b2 = other
    c_bar = (hypot(a1, b1) + hypot(a2, b2)) / 2
    g = 0.5 * (1 - _saturation(c_bar))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = hypot(a1, b1), hypot(a2, b2)
    h1, h2 = _hue(a1, b1), _hue(a2, b2)
    turn, h_bar = (0.0, h1 + h2) if c1 * c2 == 0 else _turn_and_mean(h1, h2)
    dl, dc, dh = l2 - l1, c2 - c1, 2 * sqrt(c1 * c2) * sin(radians(turn) / 2)
    l_bar, c_bar = (l1 + l2) / 2, (c1 + c2) / 2
    s_l = 1 + 0.015 * (l_bar - 50) ** 2 / sqrt(20 + (l_bar - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_bar, 1 + 0.015 * c_bar * _hue_weight(h_bar)
    blue = sin(radians(60 * exp(-(((h_bar - 275) / 25) ** 2))))
    r_t = -2 * _saturation(c_bar) * blue
    parts = dl / s_l, dc / s_c, dh / s_h
    square = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2 + r_t * parts[1] * parts[2]
    return sqrt(max(square, 0.0))


def _saturation(chroma: float) -> float:
    return sqrt(chroma**7 / (chroma**7 + 25**7))


def _hue(a: float, b: float) -> float:
    return degrees(atan2(b, a)) % 360 if a or b else 0.0


def _turn_and_mean(h1: float, h2: float) -> tuple[float, float]:
    """From one hue to the other the short way round, and the hue between them; degrees."""
    turn = h2 - h1
    if abs(turn) <= 180:
        return turn, (h1 + h2) / 2
    far = h1 + h2
    return turn - 360 if turn > 0 else turn + 360, (far + 360 if far < 360 else far - 360) / 2


def _hue_weight(h: float) -> float:
    return (
        1
        - 0.17 * cos(radians(h - 30))
        + 0.24 * cos(radians(2 * h))
        + 0.32 * cos(radians(3 * h + 6))
        - 0.20 * cos(radians(4 * h - 63))
    )
