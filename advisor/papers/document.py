"""A paper for people: headings, rows, tables, lists and pictures, as Markdown or as a page to print.

All text is escaped, so that none of it becomes markup, and the page loads nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from html import escape

from advisor.papers.chart import Chart, chart_svg
from advisor.papers.format import percent
from advisor.papers.plots import Bars, Curve, bars_svg, curve_svg
from advisor.text import clean

Cell = str | tuple[str, ...]
"""The text of a cell: one line, or several."""


@dataclass(frozen=True)
class Facts:
    """Rows of a name and its value."""

    rows: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True)
class TableRow:
    """A row of a table; `struck` strikes through all cells but the last, which says why."""

    cells: tuple[Cell, ...]
    struck: bool = False


@dataclass(frozen=True)
class Table:
    """Rows below headings; `widths` are the widths of the columns in percent of the page."""

    head: tuple[str, ...]
    widths: tuple[int, ...]
    rows: tuple[TableRow, ...]


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; a `strong` one must not be missed and stands out."""

    words: str
    strong: bool = False


@dataclass(frozen=True)
class Bullets:
    """A plain list."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Drawing:
    """A drawing under its caption; `svg` is markup that does nothing, `labels` are the words in it."""

    caption: str
    svg: str
    labels: tuple[str, ...] = ()


Part = Facts | Table | Paragraph | Bullets | Drawing | Chart | Bars | Curve


@dataclass(frozen=True)
class Section:
    """A heading and the parts below it."""

    heading: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Paper:
    """A whole paper: `running` is printed at the foot of every page, `foot` once at the end."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    foot: tuple[str, ...]
    running: str


# Markdown


def under(paper: Paper, letterhead: str) -> Paper:
    """Return a paper that says at its end whose it is; the same one for ""."""
    return replace(paper, foot=(letterhead, *paper.foot)) if letterhead else paper


def markdown(document: Paper) -> str:
    """Return the paper as Markdown; pictures become tables of their numbers."""
    blocks = [f"# {_md(document.title)}", _md(document.subtitle)]
    for section in document.sections:
        blocks.append(f"## {_md(section.heading)}")
        blocks += [_md_part(part) for part in section.parts]
    if document.foot:
        blocks += ["---", *map(_md, document.foot)]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _md(text: str) -> str:
    """Escape everything that Markdown could read as markup."""
    text = re.sub(r"([\\`*_\[\]|~$@])", r"\\\1", clean(text))
    text = re.sub(r"&(?=[#\w])", r"\\&", text).replace("<", "&lt;").replace(">", "&gt;")
    text = re.sub(r"(?i)(:)(?=//)|(?<=www)(\.)", r"\\\g<0>", text)
    return re.sub(r"^(\d*)(?=([#+\-.)])(\2|\s|$)|=+$)", r"\1\\", text)


def _md_cell(cell: Cell, struck: bool = False) -> str:
    words = "; ".join(_md(line) for line in (cell if isinstance(cell, tuple) else (cell,)) if line)
    return f"~~{words}~~" if struck and words else words


def _md_table(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    lines = [tuple(map(_md, head)), ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _md_part(part: Part) -> str:
    if isinstance(part, Facts):
        return "\n".join(f"- **{_md(name)}:** {_md_cell(said)}" for name, said in part.rows)
    if isinstance(part, Table):
        return _md_table(
            part.head,
            (
                (*(_md_cell(cell, row.struck) for cell in row.cells[:-1]), _md_cell(row.cells[-1]))
                for row in part.rows
            ),
        )
    if isinstance(part, Paragraph):
        return f"**{_md(part.words)}**" if part.strong else _md(part.words)
    if isinstance(part, Bullets):
        return "\n".join(f"- {_md(item)}" for item in part.items)
    if isinstance(part, Drawing):
        labels = f": {'; '.join(map(_md, part.labels))}" if part.labels else ""
        return f"- {_md(part.caption)} (drawing, on the page to print{labels})"
    if isinstance(part, Bars):
        return _md_table((part.title, part.unit), ((_md(name), f"{value:.3g}") for name, value in part.bars))
    if isinstance(part, Curve):
        rows = ((percent(one), percent(other), str(count)) for one, other, count in part.points)
        return _md_table(("Believed", "Seen", "How many"), rows)
    return _md_table(
        ("Step", "What", *(line.name for line in part.lines)),
        (
            (_md(point.label), _md(point.words), *(_md(percent(line.values[at])) for line in part.lines))
            for at, point in enumerate(part.points)
        ),
    )


# A page to print

STYLE = """\
@page{size:A4;margin:14mm 15mm 17mm;
@bottom-left{content:"RUNNING";font:9pt sans-serif;color:#111}
@bottom-right{content:"Page " counter(page) " of " counter(pages);font:9pt sans-serif;color:#111}}
*{box-sizing:border-box}
html{color-scheme:light;background:#fff}
body{margin:0 auto;max-width:180mm;background:#fff;color:#111;
font:10.5pt/1.35 "Liberation Sans",Arial,Helvetica,sans-serif;
overflow-wrap:break-word}
@media screen{body{padding:8mm 4mm}}
h1{font-size:17pt;line-height:1.2;margin:0 0 1mm}
.subtitle{font-size:12pt;margin:0 0 3mm}
h2{font-size:12pt;margin:4.5mm 0 1.5mm;padding-bottom:.5mm;border-bottom:1.5px solid #111;break-after:avoid}
p{margin:0 0 1.5mm;orphans:3;widows:3}
.strong{font-weight:bold;border:1.5px solid #111;padding:1.5mm 2.5mm;break-inside:avoid}
table{width:100%;border-collapse:collapse;table-layout:fixed;font-size:9.5pt;line-height:1.3;margin:0 0 2mm}
th,td{text-align:left;vertical-align:top;padding:.9mm 2mm .9mm 0;border-bottom:1px solid #aaa}
th{border-bottom:1px solid #111}
thead{display:table-header-group}
tr{break-inside:avoid}
tbody tr:nth-child(-n+2){break-after:avoid}
.facts{font-size:10.5pt;break-inside:avoid}
.facts th{width:27%;font-weight:bold;border-bottom:1px solid #ccc}
.facts td{border-bottom:1px solid #ccc}
ul{margin:0 0 1.5mm;padding-left:5mm}
li{margin:0 0 .6mm;break-inside:avoid}
figure{display:inline-block;vertical-align:top;width:80mm;margin:0 8mm 4mm 0;break-inside:avoid}
figure svg{display:block;width:100%;height:auto}
figcaption{font-weight:bold;margin-top:1mm}
.chart{display:block;width:100%;height:auto;break-inside:avoid}
.foot{margin-top:5mm;padding-top:1.5mm;border-top:1.5px solid #111;break-inside:avoid}
"""


def html(document: Paper) -> str:
    """Return the paper as one self-contained HTML page, to be printed on A4."""
    body = [f"<h1>{_text(document.title)}</h1>", f'<p class="subtitle">{_text(document.subtitle)}</p>']
    for section in document.sections:
        body.append(f"<section><h2>{_text(section.heading)}</h2>")
        body += [_html_part(part) for part in section.parts]
        body.append("</section>")
    if document.foot:
        lines = "".join(f"<p>{_text(line)}</p>" for line in document.foot)
        body.append(f'<div class="foot">{lines}</div>')
    style = STYLE.replace("RUNNING", _css(document.running))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(document.title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


def _text(text: str) -> str:
    """Escape text for a page; keep numbers on one line with their units, and arrows with what follows."""
    return escape(re.sub(r"(?<=\d) (?=%|[^\W\d]{1,2}\b|°)|(?<=%) (?=→)|(?<=[→▲▼±=]) ", "\u00a0", clean(text)))


def _css(text: str) -> str:
    """Escape text for a quoted string in CSS: all but ASCII letters, digits and spaces by code point."""
    return "".join(
        one if one.isascii() and (one.isalnum() or one == " ") else f"\\{ord(one):06x} "
        for one in clean(text)
    )


def _html_cell(cell: Cell, struck: bool = False) -> str:
    words = "<br>".join(_text(line) for line in (cell if isinstance(cell, tuple) else (cell,)) if line)
    return f"<del>{words}</del>" if struck and words else words


def _html_part(part: Part) -> str:
    if isinstance(part, Facts):
        rows = (f"<tr><th>{_text(name)}</th><td>{_html_cell(said)}</td></tr>" for name, said in part.rows)
        return '<table class="facts">' + "\n".join(rows) + "</table>"
    if isinstance(part, Table):
        return _html_table(part)
    if isinstance(part, Paragraph):
        return f"<p{' class=strong' if part.strong else ''}>{_text(part.words)}</p>"
    if isinstance(part, Bullets):
        return "<ul>" + "\n".join(f"<li>{_text(item)}</li>" for item in part.items) + "</ul>"
    if isinstance(part, Drawing):
        return f"<figure>{part.svg}<figcaption>{_text(part.caption)}</figcaption></figure>"
    if isinstance(part, Bars):
        return bars_svg(part)
    if isinstance(part, Curve):
        return curve_svg(part)
    return chart_svg(part)


def _html_table(table: Table) -> str:
    columns = "".join(f'<col style="width:{width}%">' for width in table.widths)
    head = "".join(f"<th>{_text(word)}</th>" for word in table.head)
    rows = []
    for row in table.rows:
        cells = [_html_cell(cell, row.struck) for cell in row.cells[:-1]] + [_html_cell(row.cells[-1])]
        rows.append("<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>")
    return (
        f"<table><colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead><tbody>"
        + "\n".join(rows)
        + "</tbody></table>"
    )
