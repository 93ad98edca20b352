"""Charts as plain SVG: what is drawn, where, and that nothing of the library's own is left in."""

import re
import sys
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.report_charts import Curve, available, control_chart, drawn, pour_chart, ticks
from recipes.control_charts import individuals

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook 6.3.2.2."""


def series(svg):
    """The drawn parts by their class."""
    found = {}
    for group in ET.fromstring(svg).iter("g"):
        words = group.get("class", "").split()
        if words[:1] == ["series"]:
            found.setdefault(" ".join(words[1:]), []).append(group)
    return found


def heights(group):
    return [float(y) for y in re.findall(r"[ML]?-?[\d.]+ (-?[\d.]+)", group.find("path").get("d"))]


@pytest.fixture(scope="module")
def chart():
    return control_chart("Flow rate", FLOW, individuals(FLOW))


def test_it_has_values_average_centre_and_both_kinds_of_limits(chart):
    found = series(chart)
    assert set(found) == {"centre", "limit", "narrow", "values", "average"}
    assert len(found["limit"]) == len(found["narrow"]) == 2
    dots = [circle for group in found["values"] for circle in group.iter("circle")]
    assert len(dots) == len(FLOW)


def test_the_limits_lie_where_the_handbook_puts_them(chart):
    """Heights are linear in the value: 55.8041, 50.81 and 45.8159 are evenly apart."""
    found = series(chart)
    centre = heights(found["centre"][0])[0]
    upper, lower = (heights(group)[0] for group in found["limit"])
    assert upper < centre < lower, "the page counts from the top"
    assert centre - upper == pytest.approx(lower - centre, abs=0.2)
    dots = [float(c.get("cy")) for g in found["values"] for c in g.iter("circle")]
    per_unit = (lower - upper) / (55.8041 - 45.8159)
    assert dots[0] == pytest.approx(centre + (50.81 - 49.6) * per_unit, abs=0.2)
    assert all(upper < dot < lower for dot in dots), "the handbook sees no signal"


def test_nothing_but_the_drawing_is_left(chart):
    assert not re.search(r"<(script|style|desc|defs|title)|https?:|pygal|xmlns", chart, re.I)
    assert chart.count("<svg") == 1
    assert len(chart) < 8000


def test_the_label_is_its_text_alternative_and_only_text():
    svg = drawn('<b>"A"</b>', [Curve("<i>", ((0, 0), (1, 1)), "pour")], (222, 140))
    root = ET.fromstring(svg)
    assert (root.get("role"), root.get("aria-label")) == ("img", '<b>"A"</b>')
    assert "<i>" not in svg


def test_a_pour_has_its_line_its_target_and_its_cues():
    curves = [
        Curve("target", ((0, 50), (9, 50)), "target"),
        Curve("A", ((0, 0), (5, 48), (9, 50)), "pour"),
        Curve("stop", ((6, 49),), "stop", line=False, dots=True),
    ]
    found = series(pour_chart("Pours of batch 1", curves))
    assert len(heights(found["pour"][0])) == 3
    assert len(list(found["stop"][0].iter("circle"))) == 1
    assert found["target"][0].find("path") is not None


def test_values_all_alike_are_drawn_too():
    flat = drawn("flat", [Curve("A", ((1, 2.0), (2, 2.0)), "values")], (680, 190))
    assert len(series(flat)["values"]) == 1


def test_without_the_library_it_says_so(monkeypatch):
    assert available()
    monkeypatch.setitem(sys.modules, "pygal", None)
    assert not available()


@pytest.mark.parametrize(
    ("low", "high", "most", "found"),
    [
        (-0.33, 0.31, 6, [-0.2, 0.0, 0.2]),
        (0.0, 72.0, 4, [0.0, 20.0, 40.0, 60.0]),
        (0.5, 43.5, 10, [5.0 * i for i in range(1, 9)]),
        (0.0, 0.02, 4, [0.0, 0.005, 0.01, 0.015, 0.02]),
    ],
)
def test_ticks_are_round(low, high, most, found):
    assert list(ticks(low, high, most)) == pytest.approx(found)


@given(st.floats(-1e4, 1e4), st.floats(0.01, 1e4), st.integers(3, 10))
def test_ticks_are_few_and_within(low, width, most):
    found = list(ticks(low, low + width, most))
    assert len(found) <= most + 1
    assert all(low - 1e-6 <= tick <= low + width + 1e-6 for tick in found)
