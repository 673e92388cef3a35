"""Elements of SVG, for charts, plots and fault trees.

Attributes are keyword arguments: `class_` is `class`, `stroke_width` is `stroke-width`. Empty
ones are left out. Coordinates are in px and written to a tenth.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from advisor.text import clean

LETTER = 12
"""Font size in px; 9 points on a printed card, whose page is 680 px wide."""
INK = "#111"

Attribute = str | float


def start(name: str, **attributes: Attribute) -> str:
    """Return a start tag; the caller closes the element."""
    written = (
        f' {key.rstrip("_").replace("_", "-")}="{_value(value)}"'
        for key, value in attributes.items()
        if value != ""
    )
    return f"<{name}{''.join(written)}>"


def element(name: str, *content: str, **attributes: Attribute) -> str:
    """Return an element around its content, which is markup already."""
    opening = start(name, **attributes)
    return f"{opening}{''.join(content)}</{name}>" if content else f"{opening[:-1]}/>"


def words(text: str) -> str:
    """Escape text to stand in an element."""
    return escape(clean(text))


def text(x: float, y: float, line: str, **attributes: Attribute) -> str:
    """Return one line of text with its baseline at y."""
    return element("text", words(line), x=float(x), y=float(y), **attributes)


def label(x: float, y: float, line: str, anchor: str = "start") -> str:
    """Return one line of text in the size and colour of charts and plots."""
    return text(x, y, line, font_size=LETTER, fill=INK, text_anchor=anchor)


def line(x1: float, y1: float, x2: float, y2: float, stroke: str, **attributes: Attribute) -> str:
    """Return a straight line, 1 px wide."""
    ends = {"x1": float(x1), "y1": float(y1), "x2": float(x2), "y2": float(y2)}
    return element("line", **ends, stroke=stroke, stroke_width=1, **attributes)


def polyline(points: Iterable[tuple[float, float]], **attributes: Attribute) -> str:
    """Return straight lines from point to point."""
    return element("polyline", points=" ".join(f"{x:.1f},{y:.1f}" for x, y in points), **attributes)


def rect(x: float, y: float, width: float, height: float, **attributes: Attribute) -> str:
    """Return a rectangle from its top left corner."""
    return element("rect", x=float(x), y=float(y), width=float(width), height=float(height), **attributes)


def circle(x: float, y: float, radius: float, **attributes: Attribute) -> str:
    """Return a circle around its centre."""
    return element("circle", cx=float(x), cy=float(y), r=float(radius), **attributes)


def path(d: str, **attributes: Attribute) -> str:
    """Return a path of these commands."""
    return element("path", d=d, **attributes)


def _value(value: Attribute) -> str:
    return f"{value:.1f}" if isinstance(value, float) else escape(clean(str(value)))
