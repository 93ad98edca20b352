"""Charts of the record as plain SVG, where the charting library is there; nothing where it is not.

Owns what is drawn and how a chart is made light: no script, no style and no link of the library's
own is left in it, so the page's style alone colours it. Knows no record and no file.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

from recipes.control_charts import Individuals, ewma, ewma_half_width

HOW = "pip install 'benchpour[report]'"
"""What adds the charts."""
SVG = "{http://www.w3.org/2000/svg}"
_LEFT_OUT = {f"{SVG}{name}" for name in ("script", "style", "desc", "defs", "title")}
_NUMBER = re.compile(r"-?\d+\.\d{2,}")
_WIDE, _HIGH = 680, 190
_SMALL_WIDE, _SMALL_HIGH = 222, 140


@dataclass(frozen=True, slots=True)
class Curve:
    """One line or, without `line`, single points; `kind` is its class in the page's style."""

    name: str
    points: Sequence[tuple[float, float]]
    kind: str
    line: bool = True
    dots: bool = False


def available() -> bool:
    """Whether the charting library is installed."""
    try:
        import pygal
    except ImportError:
        return False
    return bool(pygal.XY)


def control_chart(label: str, values: Sequence[float], chart: Individuals) -> str:
    """Values in order with their EWMA, centre and limits; an EWMA's limits are its own."""
    count = len(values)
    half = ewma_half_width(chart.sigma)
    levels = ewma(values, chart.mean)

    def flat(name: str, value: float, kind: str) -> Curve:
        return Curve(name, ((0.5, value), (count + 0.5, value)), kind)

    curves = [
        flat("centre", chart.mean, "centre"),
        flat("upper limit", chart.high, "limit"),
        flat("lower limit", chart.low, "limit"),
        flat("upper limit of the average", chart.mean + half, "narrow"),
        flat("lower limit of the average", chart.mean - half, "narrow"),
        Curve("values", tuple(enumerate(values, 1)), "values", dots=True),
        Curve("average", tuple(enumerate(levels, 1)), "average"),
    ]
    return drawn(label, curves, (_WIDE, _HIGH))


def pour_chart(label: str, curves: Sequence[Curve]) -> str:
    """One batch's masses over the seconds of its dispense, small enough to stand in a row."""
    return drawn(label, curves, (_SMALL_WIDE, _SMALL_HIGH))


def drawn(label: str, curves: Sequence[Curve], size: tuple[int, int]) -> str:
    """The curves in one frame as an SVG element with `label` as its text alternative."""
    import pygal
    from pygal.style import Style

    points = [point for curve in curves for point in curve.points]
    x_low, x_high = min(x for x, _ in points), max(x for x, _ in points)
    y_low, y_high = _ends([y for _, y in points])
    small = size[0] < _WIDE
    chart = pygal.XY(
        js=[],
        css=[],
        no_prefix=True,
        explicit_size=True,
        width=size[0],
        height=size[1],
        margin=2,
        margin_right=8,
        margin_bottom=6,
        spacing=3,
        dots_size=2.2,
        show_legend=False,
        disable_xml_declaration=True,
        style=Style(label_font_size=10, major_label_font_size=10),
        xrange=(x_low, x_high),
        range=(y_low, y_high),
        x_labels=list(ticks(x_low, x_high, 4 if small else 10)),
        y_labels=list(ticks(y_low, y_high, 4 if small else 6)),
        x_value_formatter=_figure,
        value_formatter=_figure,
    )
    for curve in curves:
        chart.add(curve.name, list(curve.points), stroke=curve.line, show_dots=curve.dots)
    whole = ET.fromstring(chart.render(is_unicode=True))
    return _light(whole, label, [curve.kind for curve in curves])


def _ends(values: Sequence[float]) -> tuple[float, float]:
    """A little more than the values span, so that none lies on the frame."""
    low, high = min(values), max(values)
    room = 0.05 * (high - low) or 0.5
    return (low if low == 0 else low - room), high + room


def ticks(low: float, high: float, most: int) -> Iterator[float]:
    """Round figures from `low` to `high`, one, two or five to the decade, `most` at the most."""
    rough = (high - low) / most
    decade = 10.0 ** floor(log10(rough))
    step = next(factor * decade for factor in (1, 2, 5, 10) if factor * decade >= rough * 0.999)
    for i in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1):
        yield round(i * step, 6) + 0.0


def _figure(value: float) -> str:
    return f"{value:g}".replace("-", "\u2212")


# -- made light ----------------------------------------------------------------------------------


def _light(root: ET.Element, label: str, kinds: Sequence[str]) -> str:
    """The library's drawing without all that a page on paper has no use for."""
    _prune(root)
    for group in root.iter(f"{SVG}g"):
        words = group.get("class", "").split()
        if words[:1] == ["series"]:
            group.set("class", f"series {kinds[int(words[1].removeprefix('serie-'))]}")
    for node in root.iter():
        node.tag = node.tag.removeprefix(SVG)
        for name, value in list(node.attrib.items()):
            node.set(name, _NUMBER.sub(lambda found: f"{float(found[0]):.1f}", value))
    size = {name: root.get(name, "") for name in ("viewBox", "width", "height")}
    root.attrib.clear()
    root.attrib.update(size | {"class": "chart", "role": "img", "aria-label": label})
    return ET.tostring(root, encoding="unicode")


def _prune(node: ET.Element) -> None:
    """Take out what is not drawn, and groups that hold nothing."""
    for child in list(node):
        if child.tag in _LEFT_OUT or _is_tooltip(child):
            node.remove(child)
            continue
        _prune(child)
        if child.tag == f"{SVG}g" and len(child) == 0:
            node.remove(child)


def _is_tooltip(node: ET.Element) -> bool:
    return "tooltip-overlay" in node.get("class", "")
