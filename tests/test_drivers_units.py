"""Grams of what a scale says in its own unit."""

from __future__ import annotations

import pytest

from drivers.units import GRAMS_PER, grams, unit_named


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("36.52", "g", 36.52),
        ("-0.81", "g", -0.81),
        ("2.048", "kg", 2048.0),
        ("1", "lb", 453.59237),
        ("16", "oz", 453.59237),
        ("7000", "gr", 453.59237),
        ("1", "ozt", 31.1034768),
        ("20", "dwt", 31.1034768),
        ("5", "ct", 1.0),
        ("250", "mg", 0.25),
        ("0.001", "t", 1000.0),
    ],
)
def test_grams_are_exact(text, unit, expected):
    """NIST Handbook 44, appendix C: 1 lb = 453.59237 g = 16 oz = 7000 gr; 480 gr = 1 ozt."""
    assert grams(text, unit) == expected


@pytest.mark.parametrize("unit", [None, "pcs", "%", "gr?", "T", "stone"])
def test_without_a_known_mass_unit_there_are_no_grams(unit):
    assert grams("36.52", unit) is None


def test_a_negative_zero_is_zero_grams():
    assert str(grams("-0.00", "g")) == "0.0"


def test_spellings():
    assert [unit_named(spelled) for spelled in (" G", "KG ", "LB", "GN", "PC", "PCS")] == [
        "g",
        "kg",
        "lb",
        "gr",
        "pcs",
        "pcs",
    ]
    assert unit_named("t") == "t"
    assert unit_named("T") == "T"


def test_a_bare_gr_means_grains_to_one_scale_and_grams_to_another_and_is_believed_of_neither():
    assert unit_named("gr") == "gr?"
    assert "gr?" not in GRAMS_PER
