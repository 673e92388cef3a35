"""Line drawings of how a reading is taken: SVG that shows lines and words, and can do nothing else.

Only what is listed here goes through, and it is written out afresh, so that a page may hold it as it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from typing import NoReturn
from xml.parsers import expat

from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.text import nearest, visible

FOLDER = "pictures"
"""The folder of the drawings, beside the files that name them."""
LARGEST_PICTURE = 40_000
"""Letters; a sketch with a few labels has a tenth of them."""
NAMESPACE = "http://www.w3.org/2000/svg"
FONTS = ("sans-serif", "serif", "monospace")
"""The generic families, which every machine has."""

_NAME = re.compile(r"[a-z0-9][a-z0-9_]*\.svg")
_WORDS = frozenset({"text", "tspan", "title", "desc"})
_ELEMENTS = _WORDS | {
    *("svg", "g", "path", "line", "polyline", "polygon", "rect", "circle", "ellipse"),
}
_ATTRIBUTES = frozenset(
    {
        *("xmlns", "viewBox", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "dx", "dy"),
        *("width", "height", "points", "d", "transform", "fill", "fill-rule", "stroke", "stroke-width"),
        *("stroke-linecap", "stroke-linejoin", "stroke-miterlimit", "stroke-dasharray"),
        *("font-family", "font-size", "font-weight", "font-style", "text-anchor"),
    }
)
_VALUE = re.compile(r"[A-Za-z0-9\s.,#%+-]*")
_TRANSFORM = re.compile(r"[A-Za-z0-9\s.,()+-]*")
_ALLOWED = f"A drawing is made of {', '.join(sorted(_ELEMENTS - {'svg'}))} only."


@dataclass(frozen=True)
class Picture:
    """A drawing: its SVG as it may stand in a page, and the words in it."""

    markup: str
    labels: tuple[str, ...]


def picture_name(said: str) -> str:
    """Return the name of a drawing's file; raises `ValueError` if it cannot be one."""
    if not _NAME.fullmatch(said):
        raise ValueError(
            f"'{said}' cannot be the name of a drawing. Name an SVG file in the folder {FOLDER} beside this "
            "file, in small letters, digits and underscores, such as clamp.svg."
        )
    return said


def parse_picture(text: str, file: str) -> Picture:
    """Return the drawing in an SVG text; raises `ProblemsFound` at the first thing that it may not have."""
    if len(text) > LARGEST_PICTURE:
        what = f"The drawing has {len(text)} letters, and {LARGEST_PICTURE} are allowed."
        instead = "Draw it by hand with few lines; a drawing program leaves much that nobody sees."
        raise ProblemsFound([Problem(Place(file, 1, 1), "picture", what, "", instead)])
    return _Reader(file).read(text)


class _Reader:
    """Writes out afresh what a drawing may have, and refuses the rest."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.open: list[str] = []
        self.written: list[str] = []
        self.labels: list[str] = []
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.ProcessingInstructionHandler = self.instruction

    def read(self, text: str) -> Picture:
        try:
            self.parser.Parse(text, True)
        except expat.ExpatError as error:
            place = Place(self.file, error.lineno, error.offset + 1)
            what = f"The drawing cannot be read as XML: {expat.ErrorString(error.code)}."
            instead = "Look at the brackets and quotes of this line and the one above."
            raise ProblemsFound([Problem(place, "picture", what, "", instead)]) from error
        return Picture("".join(self.written), tuple(" ".join(one.split()) for one in self.labels))

    def stop(self, what: str, instead: str, why: str = "") -> NoReturn:
        place = Place(self.file, self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1)
        raise ProblemsFound([Problem(place, "picture", what, why, instead)])

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name not in _ELEMENTS:
            why = {"script": "A drawing runs nothing.", "image": "A drawing loads nothing."}.get(name, "")
            self.stop(f"'{name}' cannot stand in a drawing.", _ALLOWED, why)
        if (name == "svg") != (not self.open):
            self.stop("A drawing is one svg element.", "Put it first and everything else inside, in g.")
        for attribute, value in attributes.items():
            self.attribute(attribute, value)
        if name == "svg":
            self.root(attributes)
        self.open.append(name)
        if name == "text":
            self.labels.append("")
        said = "".join(
            f' {key}="{escape(" ".join(value.split()))}"'
            for key, value in attributes.items()
            if key != "xmlns"  # a page knows its svg, and no address stands in it
        )
        self.written.append(f"<{name}{said}>")

    def attribute(self, name: str, value: str) -> None:
        if name.startswith("on"):
            self.stop(f"'{name}' cannot stand in a drawing.", "Leave it out.", "A drawing runs nothing.")
        if name.endswith("href"):
            self.stop(f"'{name}' cannot stand in a drawing.", "Leave it out.", "A drawing loads nothing.")
        if name not in _ATTRIBUTES:
            self.stop(f"'{name}' cannot stand in a drawing.", nearest(name, _ATTRIBUTES))
        if name == "xmlns":
            if value != NAMESPACE:
                self.stop(f"The drawing is no SVG: '{value}'.", f'Write xmlns="{NAMESPACE}".')
        elif name == "font-family" and value not in FONTS:
            self.stop(f"The font '{value}' is not on every machine.", f"Write one of {', '.join(FONTS)}.")
        elif not (_TRANSFORM if name == "transform" else _VALUE).fullmatch(value):
            self.stop(
                f"'{value}' cannot stand under '{name}'.",
                "Write plain numbers, a colour such as black or #444, or none.",
                "A drawing refers to nothing.",
            )

    def root(self, attributes: dict[str, str]) -> None:
        if "xmlns" not in attributes:
            self.stop("The drawing does not say that it is SVG.", f'Write xmlns="{NAMESPACE}".')
        numbers = re.findall(r"[0-9.]+", attributes.get("viewBox", ""))
        if not re.fullmatch(r"0 0 [1-9][0-9]{1,3} [1-9][0-9]{1,3}", attributes.get("viewBox", "")):
            said = f"'{attributes['viewBox']}' is no viewBox" if numbers else "There is no viewBox"
            self.stop(f"{said}.", 'Write the drawing\'s size, such as viewBox="0 0 400 300".')

    def end(self, name: str) -> None:
        self.open.pop()
        self.written.append(f"</{name}>")

    def characters(self, said: str) -> None:
        if self.open[-1] in _WORDS:
            said = visible(re.sub(r"\s+", " ", said))
            self.written.append(escape(said, quote=False))
            if "text" in self.open:
                self.labels[-1] += said
        elif said.strip():
            self.stop("Words stand outside a text element.", "Put them into one.")

    def doctype(self, *_: object) -> None:
        self.stop("A drawing has no DOCTYPE.", "Leave it out.", "It could name what is elsewhere.")

    def instruction(self, target: str, _: str) -> None:
        self.stop(f"'<?{target}' cannot stand in a drawing.", "Leave it out.", "A drawing loads nothing.")
