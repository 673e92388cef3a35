"""Probabilities over the steps of a job as a self-contained SVG picture that needs no colour.

Every line has its own dash pattern and marker and is named at its end. Names of lines that end close
together are moved apart, and a thin line leads from each end to its name.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from advisor.papers import svg
from advisor.papers.format import percent

WIDTH, HEIGHT = 680.0, 262.0
LEFT, RIGHT = 46.0, 252.0
"""Margins in px: the percentages stand in the left one, the names in the right one."""
TOP, BOTTOM = 34.0, 40.0
LEADING = 14.0
BETWEEN = 4.0
"""Space between two names, in px."""
NAME_LETTERS = 29
"""Characters in one line of a name; a name has two lines at most."""
SAMPLE = 30.0
"""Length of the sample of a line before its name, in px."""
STEP_WIDE, MARKER_WIDE, WORD_WIDE = 24.0, 14.0, 70.0
"""Least distance in px between two step numbers, two markers on a line, and two words above the picture."""

LINES = (("", "circle"), ("9 4", "square"), ("2 3", "triangle"), ("10 3 2 3", "diamond"), ("5 3", "cross"))
"""Dash pattern and marker of each line, in order; a chart shows no more lines than there are here."""


@dataclass(frozen=True)
class Line:
    """The probability of one cause at every point."""

    name: str
    values: tuple[float, ...]


@dataclass(frozen=True)
class Point:
    """One step: its label below the axis, what was done, and an optional word above the chart."""

    label: str
    words: str
    mark: str = ""


@dataclass(frozen=True)
class Chart:
    """Probabilities as a picture; in Markdown the same numbers are a table."""

    title: str
    points: tuple[Point, ...]
    lines: tuple[Line, ...]


def chart_svg(chart: Chart) -> str:
    """Return the chart as an SVG element to embed in a page."""
    parts = list(_axes(chart))
    shown = list(zip(chart.lines, LINES, strict=False))
    for line, (dash, marker) in shown:
        points = [(_x(chart, index), _y(value)) for index, value in enumerate(line.values)]
        parts.append(svg.polyline(points, **_stroke(dash)))
        parts += [_marker(marker, *points[index]) for index in _spaced(chart, MARKER_WIDE)]
    parts += _names([line for line, _ in shown])
    view = f"0 0 {WIDTH:g} {HEIGHT:g}"
    return svg.element("svg", *parts, class_="chart", viewBox=view, role="img", aria_label=chart.title)


def _x(chart: Chart, index: int) -> float:
    return LEFT + 8 + (WIDTH - LEFT - RIGHT - 16) * index / max(1, len(chart.points) - 1)


def _spaced(chart: Chart, room: float) -> list[int]:
    """Return the points at least `room` px apart, from the first on; its number takes twice the room."""
    spaced = [0]
    for index in range(1, len(chart.points)):
        least = 2 * room if spaced == [0] and room == STEP_WIDE else room
        if _x(chart, index) - _x(chart, spaced[-1]) >= least:
            spaced.append(index)
    return spaced


def _y(probability: float) -> float:
    return TOP + (HEIGHT - TOP - BOTTOM) * (1 - probability)


def _stroke(dash: str) -> dict[str, str]:
    return {"fill": "none", "stroke": svg.INK, "stroke_width": "1.6", "stroke_dasharray": dash}


def _axes(chart: Chart) -> Iterator[str]:
    right = WIDTH - RIGHT
    for level in (0.0, 0.25, 0.5, 0.75, 1.0):
        yield svg.line(LEFT, _y(level), right, _y(level), svg.INK if level == 0 else "#bbb")
        yield svg.label(LEFT - 6, _y(level) + 4, f"{100 * level:.0f} %", "end")
    for index in _spaced(chart, STEP_WIDE):
        yield svg.label(_x(chart, index), _y(0) + 18, chart.points[index].label, "middle")
    word_ends = [-WORD_WIDE, -WORD_WIDE]  # of the two rows of words
    for index, point in enumerate(chart.points):
        if not point.mark:
            continue
        x = _x(chart, index)
        row = next((row for row, end in enumerate(word_ends) if x - end >= WORD_WIDE), None)
        yield svg.line(x, TOP - 6 - LEADING * (row or 0), x, _y(0), "#666")
        if row is not None:
            yield svg.label(x, TOP - 9 - LEADING * row, point.mark, "middle")
            word_ends[row] = x
    yield svg.label((LEFT + right) / 2, HEIGHT - 6, "step", "middle")


def _marker(kind: str, x: float, y: float) -> str:
    if kind == "circle":
        return svg.circle(x, y, 3.6, fill=svg.INK)
    if kind == "cross":
        arms = f"M{x - 4:.1f},{y - 4:.1f}l8,8M{x - 4:.1f},{y + 4:.1f}l8,-8"
        return svg.path(arms, stroke=svg.INK, stroke_width=2, fill="none")
    path = {
        "square": f"M{x - 3.6:.1f},{y - 3.6:.1f}h7.2v7.2h-7.2z",
        "triangle": f"M{x:.1f},{y - 4.8:.1f}l4.6,8h-9.2z",
        "diamond": f"M{x:.1f},{y - 5:.1f}l5,5l-5,5l-5,-5z",
    }[kind]
    return svg.path(path, fill="#fff", stroke=svg.INK, stroke_width=1.4)


def wrapped(name: str, letters: int = NAME_LETTERS) -> list[str]:
    """Return a name in at most two lines; a longer one ends in an ellipsis."""
    wide = any(unicodedata.east_asian_width(letter) in "WF" for letter in name)
    return textwrap.wrap(name, letters // 2 if wide else letters, max_lines=2, placeholder=" …") or [""]


def spread(wanted: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Return the tops of labels between `low` and `high`, in px: close to those wanted, without overlaps.

    `wanted` must be in ascending order. Labels that do not all fit are packed from `low` on.
    """
    tops: list[float] = []
    floor = low
    for want, height in zip(wanted, heights, strict=True):
        tops.append(max(want, floor))
        floor = tops[-1] + height
    ceiling = high
    for index in reversed(range(len(tops))):
        tops[index] = max(min(tops[index], ceiling - heights[index]), low + sum(heights[:index]))
        ceiling = tops[index]
    return tops


def _names(lines: Sequence[Line]) -> Iterator[str]:
    order = sorted(range(len(lines)), key=lambda index: (-lines[index].values[-1], index))
    names = [wrapped(f"{percent(lines[index].values[-1])} {lines[index].name}") for index in order]
    heights = [LEADING * len(rows) + BETWEEN for rows in names]
    ends = [_y(lines[index].values[-1]) for index in order]
    tops = spread([end - LEADING / 2 for end in ends], heights, 4.0, HEIGHT - 4)
    right = WIDTH - RIGHT
    for index, rows, end, top in zip(order, names, ends, tops, strict=True):
        middle = top + LEADING / 2
        yield svg.line(right - 2, end, right + 16, middle, "#888")
        dash, marker = LINES[index]
        yield svg.path(f"M{right + 16:.1f},{middle:.1f}h{SAMPLE:g}", **_stroke(dash))
        yield _marker(marker, right + 16 + SAMPLE / 2, middle)
        for number, row in enumerate(rows):
            yield svg.label(right + 22 + SAMPLE, middle + 4 + number * LEADING, row)
