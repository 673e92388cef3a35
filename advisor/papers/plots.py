"""Bars and a calibration curve as self-contained SVG pictures that need no colour."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from advisor.papers import svg

WIDTH = 680.0
BAR, GAP = 16.0, 8.0
NAMES = 290.0
"""Room for the names before the bars, in px."""
NUMBERS = 80.0
"""Room for the numbers after the bars, in px."""
SIDE, LEFT, TOP = 300.0, 60.0, 14.0
"""Side of a curve's square, and the margins left of it and above it, in px."""


@dataclass(frozen=True)
class Bars:
    """Named numbers to draw as bars; the first bar is filled, the others are outlines."""

    title: str
    unit: str
    bars: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Curve:
    """A calibration curve: points of (probability believed, frequency seen, number of cases)."""

    title: str
    points: tuple[tuple[float, float, int], ...]


def bars_svg(bars: Bars) -> str:
    """Draw horizontal bars, each between its name and its number."""
    parts = []
    most = max((value for _, value in bars.bars), default=0.0) or 1.0
    for number, (name, value) in enumerate(bars.bars):
        top = GAP + (BAR + GAP) * number
        length = (WIDTH - NAMES - NUMBERS) * value / most
        fill = svg.INK if number == 0 else "#fff"
        parts += [
            svg.label(NAMES - 8, top + BAR - 4, name, "end"),
            svg.rect(NAMES, top, length, BAR, fill=fill, stroke=svg.INK, stroke_width=1.2),
            svg.label(NAMES + length + 6, top + BAR - 4, f"{value:.3g}\u00a0{bars.unit}".strip()),
        ]
    return _picture(bars.title, (BAR + GAP) * len(bars.bars) + GAP, parts)


def curve_svg(curve: Curve) -> str:
    """Draw the points, joined, and the diagonal of perfect calibration.

    The area of a marker grows with its number of cases.
    """
    joined = [(_x(believed), _y(observed)) for believed, observed, _ in curve.points]
    parts = [*_axes(), svg.polyline(joined, fill="none", stroke=svg.INK, stroke_width=1.6)]
    most = max((count for _, _, count in curve.points), default=1)
    for (x, y), (_, _, count) in zip(joined, curve.points, strict=True):
        radius = 2.5 + 6.5 * (count / most) ** 0.5
        parts.append(svg.circle(x, y, radius, fill="#fff", stroke=svg.INK, stroke_width=1.4))
    return _picture(curve.title, SIDE + TOP + 44, parts)


def _axes() -> Iterator[str]:
    for level in (0.0, 0.25, 0.5, 0.75, 1.0):
        stroke = svg.INK if level == 0 else "#bbb"
        yield svg.line(_x(0), _y(level), _x(1), _y(level), stroke)
        yield svg.line(_x(level), _y(0), _x(level), _y(1), stroke)
        yield svg.label(_x(0) - 6, _y(level) + 4, f"{100 * level:.0f}\u00a0%", "end")
        yield svg.label(_x(level), _y(0) + 18, f"{100 * level:.0f}\u00a0%", "middle")
    yield svg.line(_x(0), _y(0), _x(1), _y(1), svg.INK, stroke_dasharray="6 4")
    yield svg.label(_x(0.5), _y(0) + 36, "believed of the leading suspect", "middle")
    yield svg.label(_x(1) + 14, _y(0.5), "up: how often it was right; dashed: as often as believed")


def _picture(title: str, height: float, parts: Sequence[str]) -> str:
    named = svg.element("title", svg.words(title))
    view = f"0 0 {WIDTH:g} {height:g}"
    return svg.element("svg", named, *parts, class_="chart", viewBox=view, role="img", aria_label=title)


def _x(level: float) -> float:
    return LEFT + SIDE * level


def _y(level: float) -> float:
    return TOP + SIDE * (1 - level)
