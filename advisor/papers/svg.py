"""The parts of SVG that charts and plots are drawn with."""

from __future__ import annotations

from html import escape

from advisor.text import clean

LETTER = 12.0
"""Font size in px; 9 points on a printed card, whose page is 680 px wide."""


def text(x: float, y: float, words: str, anchor: str = "start") -> str:
    """Return one line of text with its baseline at y."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{LETTER:g}" fill="#111" '
        f'text-anchor="{anchor}">{escape(clean(words))}</text>'
    )


def line(x1: float, y1: float, x2: float, y2: float, stroke: str, more: str = "") -> str:
    """Return a straight line; `more` is further attributes."""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{stroke}" '
        f'stroke-width="1"{more}/>'
    )
