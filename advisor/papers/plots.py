"""Bars and a calibration curve as self-contained SVG pictures that need no colour."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

from advisor.papers.svg import line, text
from advisor.text import clean

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
    height = (BAR + GAP) * len(bars.bars) + GAP
    most = max((value for _, value in bars.bars), default=0.0) or 1.0
    parts = [_open(bars.title, height)]
    for at, (name, value) in enumerate(bars.bars):
        top = GAP + (BAR + GAP) * at
        length = (WIDTH - NAMES - NUMBERS) * value / most
        fill = "#111" if at == 0 else "#fff"
        parts.append(text(NAMES - 8, top + BAR - 4, name, "end"))
        parts.append(
            f'<rect x="{NAMES:g}" y="{top:.1f}" width="{length:.1f}" height="{BAR:g}" '
            f'fill="{fill}" stroke="#111" stroke-width="1.2"/>'
        )
        parts.append(text(NAMES + length + 6, top + BAR - 4, f"{value:.3g}\u00a0{bars.unit}".strip()))
    return "".join([*parts, "</svg>"])


def curve_svg(curve: Curve) -> str:
    """Draw the points, joined, and the diagonal of perfect calibration.

    The area of a marker grows with its number of cases.
    """
    parts = [_open(curve.title, SIDE + TOP + 44), *_axes()]
    ends = " ".join(f"{_x(believed):.1f},{_y(observed):.1f}" for believed, observed, _ in curve.points)
    parts.append(f'<polyline points="{ends}" fill="none" stroke="#111" stroke-width="1.6"/>')
    most = max((count for _, _, count in curve.points), default=1)
    for believed, observed, count in curve.points:
        radius = 2.5 + 6.5 * (count / most) ** 0.5
        parts.append(
            f'<circle cx="{_x(believed):.1f}" cy="{_y(observed):.1f}" r="{radius:.1f}" fill="#fff" '
            'stroke="#111" stroke-width="1.4"/>'
        )
    return "".join([*parts, "</svg>"])


def _axes() -> Iterator[str]:
    for level in (0.0, 0.25, 0.5, 0.75, 1.0):
        stroke = "#111" if level == 0 else "#bbb"
        yield line(_x(0), _y(level), _x(1), _y(level), stroke)
        yield line(_x(level), _y(0), _x(level), _y(1), stroke)
        yield text(_x(0) - 6, _y(level) + 4, f"{100 * level:.0f}\u00a0%", "end")
        yield text(_x(level), _y(0) + 18, f"{100 * level:.0f}\u00a0%", "middle")
    yield line(_x(0), _y(0), _x(1), _y(1), "#111", ' stroke-dasharray="6 4"')
    yield text(_x(0.5), _y(0) + 36, "believed of the leading suspect", "middle")
    yield text(_x(1) + 14, _y(0.5), "up: how often it was right; dashed: as often as believed")


def _open(title: str, height: float) -> str:
    name = escape(clean(title))
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH:g} {height:g}" role="img" aria-label="{name}">'
        f"<title>{name}</title>"
    )


def _x(level: float) -> float:
    return LEFT + SIDE * level


def _y(level: float) -> float:
    return TOP + SIDE * (1 - level)
