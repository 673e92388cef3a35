"""A complaint's or a branch's tree as a self-contained SVG picture.

The tree runs from left to right. Every event has a horizontal band to itself, so nothing can overlap:
boxes with their gates stand in columns by depth, causes in one column on the right, and their readings
beside it. The symbols are those of IEC 61025, turned on their side.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted, unlisted_of
from advisor.knowledge.vocabulary import Complaint, Gate, Gated, State
from advisor.papers import svg
from advisor.papers.format import percent
from advisor.text import clean

MARGIN = 20.0
NAME = 12.0
"""Size of names, in px."""
SMALL = 11.0
"""Size of all other text, in px."""
BOLD = NAME * 1.14
"""Size in px at which plain text is as wide as a bold name."""
LEADING = 1.25
"""Height of a line as a multiple of its size."""
BOX = 158.0
"""Width of a complaint's or branch's box, in px."""
CAUSE = 212.0
"""Width of a cause's box, in px."""
GATE = 44.0
SYMBOL = 24.0
BAR = 60.0
STUB = 8.0
"""Length of the short lines between a box, its symbol and the vertical line to its causes, in px."""
GAP = 8.0
TAGS = 560.0
"""Room for the readings of one cause, in px."""
TAG_AGAIN = 150.0
"""Room for a reading's name from its second place on, in px."""
NARROWEST = 760.0

STYLE = (
    ".fault-tree text{font-family:sans-serif;font-size:11px;fill:#111}"
    ".fault-tree .name{font-size:12px}.fault-tree .title{font-size:20px;font-weight:bold}"
    ".fault-tree .strong{font-weight:bold}"
    ".fault-tree .line{fill:none;stroke:#333;stroke-width:1.2}"
    ".fault-tree .shape{fill:#fff;stroke:#111;stroke-width:1.4}"
    ".fault-tree .tag{fill:#f2f4f6;stroke:#8a929a;stroke-width:1}"
    ".fault-tree .state{fill:#fff;stroke:#333;stroke-width:1.2;stroke-dasharray:4 3}"
    ".fault-tree .mark{fill:none;stroke:#333;stroke-width:1.2}"
    ".fault-tree .empty{fill:#fff;stroke:#555;stroke-width:1}.fault-tree .full{fill:#444}"
)

DESCRIPTION = "Fault tree, read from left to right: what is seen, then what can cause it."
GATE_WORDS = {
    "any_of": "Any one of the causes at its right is enough (OR)",
    "all_of": "All of the causes at its right are needed (AND)",
    "at_least": "At least k of the n causes at its right are needed (voting, k/n)",
    "exactly_one_of": "Exactly one of the causes at its right (exclusive OR)",
}
FOLLOWS = {
    "any_of": "Follows from any one of",
    "all_of": "Follows where all are present",
    "exactly_one_of": "Follows from exactly one of",
}


def tree_svg(
    knowledge: Knowledge,
    root: str,
    probabilities: Mapping[str, float] | None = None,
    readings: bool = True,
) -> str:
    """Draw the tree under a complaint or branch; raises `KeyError` if `root` is neither.

    `probabilities` maps ids of faults, branches, complaints and unlisted causes to the probability drawn
    as a bar beside each. With `readings`, readings and hidden states are drawn with the events they
    depend on.
    """
    if root not in knowledge.complaints and root not in knowledge.branches:
        raise KeyError(root)
    return _Picture(knowledge, root, probabilities or {}, readings).svg()


@dataclass(frozen=True)
class _Event:
    """An event at one of its places in the tree."""

    node: str
    share: str
    depth: int
    transfer: str
    again: bool
    gate: Gate | None
    members: tuple[_Event, ...]

    def places(self) -> Iterator[_Event]:
        yield self
        for member in self.members:
            yield from member.places()


@dataclass(frozen=True)
class _Tag:
    """A reading or hidden state, drawn with an event it depends on."""

    what: str
    kind: str
    number: str
    lines: tuple[str, ...]

    @property
    def width(self) -> float:
        """The width of mark, number and longest line, in px."""
        return 28 + _wide(self.number, SMALL) + max(_wide(line, SMALL) for line in self.lines)

    @property
    def height(self) -> float:
        """The height of all lines with a margin, in px."""
        return _tall(self.lines, SMALL) + 5


@dataclass(frozen=True)
class _Laid:
    """An event laid out in its band: height, where its line runs, where its members' bands begin (px)."""

    event: _Event
    height: float
    anchor: float
    lines: tuple[str, ...]
    rows: tuple[tuple[_Tag, ...], ...]
    members: tuple[_Laid, ...] = ()
    starts: tuple[float, ...] = ()

    def each(self) -> Iterator[_Laid]:
        yield self
        for member in self.members:
            yield from member.each()


def _wide(text: str, size: float) -> float:
    """Estimate the width of text in px, on the generous side: the reader's font is unknown."""
    ems = 0.0
    for letter in text:
        if unicodedata.east_asian_width(letter) in "WF" or letter in "mwMW@%—…":
            ems += 1.0
        elif letter in "ijltfrI.,:;'|!()[] -":
            ems += 0.41
        elif letter in "&#+<=>^~DGOQ":
            ems += 0.84
        elif letter.isupper():
            ems += 0.74
        else:
            ems += 0.63
    return ems * size


def _tall(lines: Sequence[str], size: float) -> float:
    return len(lines) * size * LEADING


def _wrapped(text: str, room: float, size: float) -> tuple[str, ...]:
    """Break text into lines of at most `room` px; a word that is too long is broken too."""
    lines = [""]
    for word in clean(text).split(" "):
        if _wide(f"{lines[-1]} {word}".strip(), size) <= room:
            lines[-1] = f"{lines[-1]} {word}".strip()
            continue
        if lines[-1]:
            lines.append("")
        for letter in word:
            if lines[-1] and _wide(lines[-1] + letter, size) > room:
                lines.append("")
            lines[-1] += letter
    return tuple(lines)


def _shortened(text: str, room: float, size: float) -> str:
    text = clean(text)
    if _wide(text, size) <= room:
        return text
    while text and _wide(text + "…", size) > room:
        text = text[:-1].rstrip()
    return text + "…"


def _letter(count: int) -> str:
    return chr(ord("A") + count % 26) + (str(count // 26 + 1) if count >= 26 else "")


class _Picture:
    def __init__(
        self, knowledge: Knowledge, root: str, probabilities: Mapping[str, float], readings: bool
    ) -> None:
        self.knowledge, self.root, self.probabilities = knowledge, root, probabilities
        self.gated: Mapping[str, Gated] = {**knowledge.complaints, **knowledge.branches}
        self.transfers = self._transfers()
        self.tree = self._event(root, "", 0, set())
        self.drawn = {place.node for place in self.tree.places()}
        self.states = self._states() if readings else {}
        self.hanging = self._hanging() if readings else {}
        self.numbers: dict[tuple[str, str], str] = {}
        self.lines: list[str] = []
        self.shapes: list[str] = []
        places = list(self.tree.places())
        # Where each column begins.
        self.gutter = max((_wide(place.share, SMALL) for place in places), default=0.0) + 18
        self.step = BOX + STUB + GATE + STUB + self.gutter
        deepest = max(place.depth for place in places if place.gate and not place.again)
        self.cause_x = MARGIN + (deepest + 1) * self.step
        self.bar_x = self.cause_x + CAUSE + STUB + SYMBOL + GAP
        self.bar_x += (SYMBOL + GAP) if self.transfers else 0
        self.tags_x = self.bar_x + ((BAR + GAP + 44 + GAP) if probabilities else 4)

    # ------------------------------------------------------------------ contents

    def _transfers(self) -> dict[str, str]:
        """Return a letter for every event under more than one gate."""
        uses: dict[str, int] = {}

        def visit(node: str) -> None:
            for member in self.gated[node].gate.members:
                uses[member] = uses.get(member, 0) + 1
                if member in self.gated and uses[member] == 1:
                    visit(member)

        visit(self.root)
        shared = [node for node, count in uses.items() if count > 1]
        return {node: _letter(count) for count, node in enumerate(shared)}

    def _event(self, node: str, share: str, depth: int, drawn: set[str]) -> _Event:
        again = node in drawn
        drawn.add(node)
        gated = self.gated.get(node)
        members: list[_Event] = []
        if gated and not again:
            for member, cars in gated.gate.shares.items():
                by_fact = gated.gate.by_fact.get(member)
                shown = self._share(member, cars, tuple(by_fact.values.values()) if by_fact else ())
                members.append(self._event(member, shown, depth + 1, drawn))
            if gated.unlisted if isinstance(gated, Complaint) else getattr(gated, "unlisted", None):
                rest = f"{gated.unlisted:.4g} of 100" if isinstance(gated, Complaint) else "the rest"
                members.append(self._event(unlisted_of(node), rest, depth + 1, drawn))
        gate = gated.gate if gated else None
        return _Event(node, share, depth, self.transfers.get(node, ""), again, gate, tuple(members))

    def _share(self, member: str, cars: float | None, by_fact: tuple[float, ...]) -> str:
        if by_fact:
            return f"{' | '.join(f'{one:.4g}' for one in by_fact)} of 100"
        if cars is not None:
            return f"{cars:.4g} of 100"
        fault = self.knowledge.faults.get(member)
        return f"prior {fault.prior:.3g}" if fault and fault.prior is not None else ""

    def _states(self) -> dict[str, State]:
        """Return the hidden states that depend on drawn events, directly or through other states."""
        hanging: dict[str, State] = {}
        grown = True
        while grown:
            grown = False
            for name, state in self.knowledge.states.items():
                if name in hanging:
                    continue
                if any(cause in self.drawn or cause in hanging for cause in state.causes):
                    hanging[name] = state
                    grown = True
        return hanging

    def _hanging(self) -> dict[str, list[tuple[str, str]]]:
        """Return the states and readings that depend on each event or state, as (kind, id), states first."""
        hanging: dict[str, list[tuple[str, str]]] = {}
        for name, state in self.states.items():
            for cause in state.causes:
                hanging.setdefault(cause, []).append(("state", name))
        for name, reading in self.knowledge.readings.items():
            for cause in reading.causes:
                hanging.setdefault(cause, []).append(("reading", name))
        return hanging

    def _name(self, node: str) -> str:
        if is_unlisted(node):
            return "Something not listed here"
        title, fault = self.knowledge.title(node), self.knowledge.faults.get(node)
        brought = ", ".join(
            f"{100 * often:.3g} of 100 by {self.knowledge.title(parent)}"
            for parent, often in (fault.brought_by.items() if fault else ())
        )
        return f"{title} (brought in {brought})" if brought else title

    def _hanging_name(self, kind: str, what: str) -> str:
        return self.knowledge.states[what].name if kind == "state" else self.knowledge.readings[what].name

    # ------------------------------------------------------------------ layout

    def _tags(self, node: str, room: float, room_again: float) -> list[_Tag]:
        tags = []
        for kind, what in self.hanging.get(node, ()):
            first = (kind, what) not in self.numbers
            if first:
                count = 1 + sum(numbered == kind for numbered, _ in self.numbers)
                self.numbers[kind, what] = f"S{count}" if kind == "state" else str(count)
            number = self.numbers[kind, what]
            name = self._hanging_name(kind, what)
            spare = 28 + _wide(number, SMALL)
            lines = (
                _wrapped(name, room - spare, SMALL)
                if first
                else (_shortened(name, room_again - spare, SMALL),)
            )
            tags.append(_Tag(what, kind, number, lines))
        return tags

    def _flow(self, node: str) -> tuple[tuple[_Tag, ...], ...]:
        """Lay out a cause's tags side by side, in as many rows as needed."""
        rows: list[list[_Tag]] = []
        used = 0.0
        for tag in self._tags(node, TAGS, TAG_AGAIN):
            if not rows or used + tag.width > TAGS:
                rows.append([])
                used = 0.0
            rows[-1].append(tag)
            used += tag.width + 6
        return tuple(tuple(row) for row in rows)

    def _box_height(self, laid_lines: Sequence[str], node: str, gated: bool) -> float:
        bar = SMALL * LEADING + 4 if gated and node in self.probabilities else 0
        return _tall(laid_lines, NAME) + 10 + bar

    def _lay(self, event: _Event) -> _Laid:
        if not event.members:
            lines = _wrapped(self._name(event.node), CAUSE - 12, NAME)
            rows = () if event.again else self._flow(event.node)
            tall = max(self._box_height(lines, event.node, False), SYMBOL, _rows_tall(rows))
            return _Laid(event, tall + GAP, (tall + GAP) / 2, lines, rows)
        lines = _wrapped(self._name(event.node), BOX - 12, BOLD)
        room = BOX + STUB + GATE
        rows = tuple((tag,) for tag in self._tags(event.node, room, room))
        box = max(self._box_height(lines, event.node, True), GATE - 8)
        members = tuple(self._lay(member) for member in event.members)
        height = sum(member.height for member in members)
        above = max(box / 2, GATE * 0.4 + 4 + SYMBOL if event.transfer else 0) + GAP / 2
        block = above + box / 2 + (4 + _rows_tall(rows) if rows else 0) + GAP / 2
        spare = max(0.0, block - height)
        starts = tuple(
            accumulate((member.height for member in members[:-1]), initial=spare / 2),
        )
        first, last = starts[0] + members[0].anchor, starts[-1] + members[-1].anchor
        anchor = min(max((first + last) / 2, above), height + spare - block + above)
        return _Laid(event, height + spare, anchor, lines, rows, members, starts)

    # ------------------------------------------------------------------ drawing

    def svg(self) -> str:
        laid = self._lay(self.tree)
        states: list[tuple[str, tuple[tuple[_Tag, ...], ...]]] = []
        while len(states) < len(self.states):  # in the order of their numbers; some get theirs on the way
            numbered = [what for kind, what in self.numbers if kind == "state"]
            states.append((numbered[len(states)], self._flow(numbered[len(states)])))
        flows = [row for place in laid.each() if not place.members for row in place.rows]
        flows += [row for _, rows in states for row in rows]
        right = self.tags_x + max((sum(tag.width + 6 for tag in row) for row in flows), default=0.0)
        width = max(NARROWEST, right + MARGIN)
        y = self._head(width, laid)
        self._place(laid, y)
        y += laid.height
        if states:
            y = self._state_rows(states, y + 12)
        across, down = round(width), round(y + MARGIN)
        opening = svg.start(
            "svg",
            xmlns="http://www.w3.org/2000/svg",
            class_="fault-tree",
            role="img",
            width=across,
            height=down,
            viewBox=f"0 0 {across} {down}",
        )
        return "\n".join(
            [
                opening,
                svg.element("title", svg.words(self.knowledge.title(self.root))),
                svg.element("desc", DESCRIPTION),
                svg.element("style", STYLE),
                svg.element("rect", width=across, height=down, fill="#fff"),
                *self.lines,
                *self.shapes,
                "</svg>",
                "",
            ]
        )

    def _text(self, x: float, y: float, text: str, css: str = "", anchor: str = "") -> None:
        """Add one line of text, vertically centred on `y`."""
        size = 20 if css == "title" else NAME if "name" in css else SMALL
        self.shapes.append(svg.text(x, y + size * 0.36, text, class_=css, text_anchor=anchor))

    def _lines_of_text(self, x: float, top: float, lines: Iterable[str], css: str = "") -> None:
        size = NAME if "name" in css else SMALL
        for number, line in enumerate(lines):
            self._text(x, top + (number + 0.5) * size * LEADING, line, css)

    def _open(
        self, kind: str, node: str, x: float, y: float, width: float, height: float, **attributes: str
    ) -> None:
        """Begin a group that is drawn inside one rectangle, stated in `data-area`."""
        area = f"{x:.1f} {y:.1f} {width:.1f} {height:.1f}"
        self.shapes.append(svg.start("g", data_kind=kind, data_id=node, data_area=area, **attributes))

    def _close(self) -> None:
        self.shapes.append("</g>")

    def _rect(self, x: float, y: float, width: float, height: float, css: str, round_px: float = 0) -> None:
        self.shapes.append(svg.rect(x, y, width, height, class_=css, rx=round_px or ""))

    def _path(self, css: str, path: str) -> None:
        self.shapes.append(svg.path(path, class_=css))

    def _line(self, *points: tuple[float, float]) -> None:
        self.lines.append(svg.polyline(points, class_="line"))

    def _place(self, laid: _Laid, top: float) -> None:
        event, y = laid.event, top + laid.anchor
        if not event.members:
            self._cause(laid, y)
            return
        x = MARGIN + event.depth * self.step
        tall = max(self._box_height(laid.lines, event.node, True), GATE - 8)
        kind = "complaint" if event.node in self.knowledge.complaints else "branch"
        self._open(kind, event.node, x, y - tall / 2, BOX, tall)
        self._rect(x, y - tall / 2, BOX, tall, "shape")
        bar = event.node in self.probabilities
        written = _tall(laid.lines, NAME) + (SMALL * LEADING + 4 if bar else 0)
        self._lines_of_text(x + 6, y - written / 2, laid.lines, "name strong")
        if bar:
            self._bar(event.node, x + 6, y + written / 2 - SMALL * LEADING / 2)
        self._close()
        gate_x = x + BOX + STUB
        bus = gate_x + GATE + STUB
        self._line((x + BOX, y), (bus, y))
        ends = [top + start + member.anchor for member, start in zip(laid.members, laid.starts, strict=True)]
        self._line((bus, min(y, *ends)), (bus, max(y, *ends)))
        assert event.gate is not None
        self._gate(event.node, event.gate, gate_x, y)
        if event.transfer:
            middle, bottom = gate_x + GATE / 2, y - GATE * 0.4 - 4
            self._line((middle, bottom), (middle, y))
            self._transfer(event, middle - SYMBOL / 2, bottom - SYMBOL)
        tag_top = y + tall / 2 + 4
        for row in laid.rows:
            self._tag(row[0], x, tag_top)
            tag_top += row[0].height + 3
        for member, start, member_y in zip(laid.members, laid.starts, ends, strict=True):
            end = self.cause_x if not member.members else x + self.step
            self._line((bus, member_y), (end, member_y))
            share = member.event.share
            if share:
                wide = _wide(share, SMALL)
                self._open("share", member.event.node, bus + 5, member_y - 15, wide, 13)
                self._text(bus + 5, member_y - 8.5, share)
                self._close()
            self._place(member, top + start)

    def _cause(self, laid: _Laid, y: float) -> None:
        event, x = laid.event, self.cause_x
        tall = max(self._box_height(laid.lines, event.node, False), SYMBOL)
        kind = "unlisted" if is_unlisted(event.node) else "branch" if event.gate else "fault"
        wide = CAUSE + STUB + (SYMBOL if kind != "branch" else 0)
        self._open(kind, event.node, x, y - tall / 2, wide, tall)
        self._rect(x, y - tall / 2, CAUSE, tall, "shape")
        self._lines_of_text(x + 6, y - _tall(laid.lines, NAME) / 2, laid.lines, "name")
        centre = x + CAUSE + STUB + SYMBOL / 2
        if kind != "branch":
            self._line((x + CAUSE, y), (centre, y))
            self._symbol(kind, centre, y)
        self._close()
        if event.transfer:
            from_x = x + CAUSE + (0 if kind == "branch" else STUB + SYMBOL)
            self._line((from_x, y), (centre + SYMBOL + GAP, y))
            self._transfer(event, centre + SYMBOL / 2 + GAP, y - SYMBOL / 2)
        if event.node in self.probabilities:
            self._bar(event.node, self.bar_x, y)
        self._tag_rows(laid.rows, self.tags_x, y - _rows_tall(laid.rows) / 2)

    def _symbol(self, kind: str, x: float, y: float) -> None:
        half = SYMBOL / 2 - 1
        if kind == "fault":
            self.shapes.append(svg.circle(x, y, half, class_="shape"))
        else:
            self._path(
                "shape",
                f"M{x - half:.1f} {y:.1f}l{half:g} {-half:g} {half:g} {half:g} {-half:g} {half:g}Z",
            )

    def _transfer(self, event: _Event, x: float, top: float) -> None:
        """Draw the standard's transfer triangle, with the same letter at every place of the event."""
        way = "in" if event.again else "out"
        self._open("transfer", event.node, x, top, SYMBOL, SYMBOL, data_transfer=way)
        self._triangle(event.transfer, x, top)
        self._close()

    def _triangle(self, letter: str, x: float, top: float) -> None:
        middle, bottom = x + SYMBOL / 2, top + SYMBOL - 1
        self._path("shape", f"M{middle:.1f} {top:.1f}L{x + SYMBOL:.1f} {bottom:.1f}L{x:.1f} {bottom:.1f}Z")
        self._text(middle, top + SYMBOL * 0.67, letter, anchor="middle")

    def _gate(self, node: str, gate: Gate, x: float, y: float) -> None:
        self._open("gate", node, x, y - GATE * 0.4, GATE, GATE * 0.8, data_gate=gate.kind)
        self._gate_shape(gate.kind, _gate_mark(gate), x, y)
        self._close()

    def _gate_shape(self, kind: str, mark: str, x: float, y: float) -> None:
        """Draw a gate on its side: the event on the left, its causes on the right."""
        top, bottom, right = y - GATE * 0.4, y + GATE * 0.4, x + GATE
        if kind == "all_of":
            bend = x + GATE * 0.45
            path = (
                f"M{right:.1f} {top:.1f}H{bend:.1f}C{x - 6:.1f} {top:.1f} {x - 6:.1f} {bottom:.1f} "
                f"{bend:.1f} {bottom:.1f}H{right:.1f}Z"
            )
        else:
            back = right - 5 if kind == "exactly_one_of" else right
            path = (
                f"M{x:.1f} {y:.1f}Q{x + 12:.1f} {top:.1f} {back - 6:.1f} {top:.1f}H{back:.1f}"
                f"Q{back - 10:.1f} {y:.1f} {back:.1f} {bottom:.1f}H{back - 6:.1f}"
                f"Q{x + 12:.1f} {bottom:.1f} {x:.1f} {y:.1f}Z"
            )
        self._path("shape", path)
        if kind == "exactly_one_of":
            self._path("mark", f"M{right:.1f} {top:.1f}Q{right - 10:.1f} {y:.1f} {right:.1f} {bottom:.1f}")
        self._text(x + GATE * 0.5, y, mark, anchor="middle")

    def _bar(self, node: str, x: float, y: float) -> None:
        probability = self.probabilities[node]
        full = BAR * min(max(probability, 0.0), 1.0)
        self._open("probability", node, x, y - 6, BAR + GAP + 44, 12)
        self._rect(x, y - 5, BAR, 10, "empty")
        if full > 0:
            self._rect(x, y - 5, full, 10, "full")
        self._text(x + BAR + GAP, y, percent(probability))
        self._close()

    def _tag_rows(self, rows: Iterable[Sequence[_Tag]], x: float, top: float) -> None:
        for row in rows:
            left = x
            for tag in row:
                self._tag(tag, left, top)
                left += tag.width + 6
            top += max(tag.height for tag in row) + 3

    def _tag(self, tag: _Tag, x: float, top: float) -> None:
        state = tag.kind == "state"
        name = self._hanging_name(tag.kind, tag.what)
        self._open(tag.kind, tag.what, x, top, tag.width, tag.height)
        self.shapes.append(svg.element("title", svg.words(name)))
        self._rect(x, top, tag.width, tag.height, "state" if state else "tag", 6)
        middle = top + 2.5 + SMALL * LEADING / 2
        asked = not state and self.knowledge.readings[tag.what].who == "customer"
        self._mark("state" if state else "asked" if asked else "taken", x + 11, middle)
        self._text(x + 20, middle, tag.number, "strong")
        self._lines_of_text(x + 24 + _wide(tag.number, SMALL), top + 2.5, tag.lines)
        self._close()

    def _mark(self, mark: str, x: float, y: float) -> None:
        if mark == "asked":
            self._text(x, y, "?", "strong", "middle")
        elif mark == "taken":
            self._path("mark", f"M{x - 6:.1f} {y + 3:.1f}a6 6 0 0 1 12 0ZM{x:.1f} {y + 3:.1f}l3 -4")
        else:
            self._path("mark", f"M{x - 5:.1f} {y:.1f}h9m-3 -3l3 3l-3 3")

    def _state_rows(self, states: Sequence[tuple[str, tuple[tuple[_Tag, ...], ...]]], y: float) -> float:
        """Draw hidden states under the tree: a dashed box each, their causes and their readings.

        Returns where the last one ends, in px.
        """
        right = self.cause_x + CAUSE
        for name, rows in states:
            state = self.states[name]
            title = _wrapped(f"{self.numbers['state', name]} {state.name}", BOX + GATE, BOLD)
            causes = [
                self._name(cause)
                + ("" if cause in self.drawn or cause in self.states else " (not in this picture)")
                for cause in state.causes
            ]
            if state.noisy_or:
                word = "Often follows from"
            elif state.gate.kind == "at_least":
                word = f"Follows from at least {state.gate.least} of"
            else:
                word = FOLLOWS[state.gate.kind]
            words_x = MARGIN + BOX + GATE + 3 * GAP + 12
            words = _wrapped(f"{word}: {'; '.join(causes)}.", right - words_x, SMALL)
            tall = max(_tall(title, NAME) + 12, _tall(words, SMALL) + 12, _rows_tall(rows))
            self._open("state-box", name, MARGIN, y, right - MARGIN, tall)
            self._rect(MARGIN, y, right - MARGIN, tall, "state", 8)
            self._lines_of_text(MARGIN + 10, y + (tall - _tall(title, NAME)) / 2, title, "name strong")
            self._lines_of_text(words_x, y + (tall - _tall(words, SMALL)) / 2, words)
            self._close()
            self._tag_rows(rows, self.tags_x, y + (tall - _rows_tall(rows)) / 2)
            y += tall + GAP
        return y

    # ------------------------------------------------------------------ head and legend

    def _head(self, width: float, laid: _Laid) -> float:
        """Draw the title and the legend; returns where the tree begins, in px."""
        y = MARGIN
        for line in _wrapped(self.knowledge.title(self.root), width - 2 * MARGIN, 20 * 1.14):
            self._text(MARGIN, y + 13, line, "title")
            y += 29
        entries = list(self._legend(laid))
        cell = GATE + 4 * GAP + max(_wide(words, SMALL) for _, words in entries)
        columns = max(1, int((width - 2 * MARGIN) // cell))
        rows = -(-len(entries) // columns)
        for number, (symbol, words) in enumerate(entries):
            x, top = MARGIN + number // rows * cell, y + number % rows * 40
            self._open("legend", symbol, x, top, GATE + GAP + _wide(words, SMALL), 36)
            self._legend_symbol(symbol, x, top + 18)
            self._text(x + GATE + GAP, top + 18, words)
            self._close()
        return y + rows * 40 + MARGIN

    def _legend_of_shares(self, places: Sequence[_Event]) -> Iterator[tuple[str, str]]:
        if any(place.share.endswith("of 100") for place in places):
            yield "share", "Of 100 cars with the event at the left, so many have this cause"
        for name in dict.fromkeys(fact for place in places if place.gate for fact in place.gate.facts):
            fact = self.knowledge.facts[name]
            yield "share", f"{fact.name}: {' | '.join(map(fact.in_words, fact.values))}"

    def _legend(self, laid: _Laid) -> Iterator[tuple[str, str]]:
        """Yield the symbols used in this picture, with their meanings."""
        places = [place.event for place in laid.each()]
        yield "event", "What is seen, or a group of causes; its causes are at its right"
        used = {place.gate.kind for place in places if place.gate and not place.again}
        for kind, words in GATE_WORDS.items():
            if kind in used:
                yield kind, words
        yield "fault", "A cause that a remedy puts right"
        if any(is_unlisted(place.node) for place in places):
            yield "unlisted", "A cause that is not listed here"
        yield from self._legend_of_shares(places)
        if any(place.share.startswith("prior") for place in places):
            yield "prior", "Probability of the cause in any car, whatever the complaint"
        if self.transfers:
            yield "transfer", "Stands in several places with the same letter; its readings are at the first"
        if any(place.node in self.probabilities for place in places):
            yield "probability", "How likely it is, after all readings so far"
        who = {self.knowledge.readings[what].who for kind, what in self.numbers if kind == "reading"}
        if "customer" in who:
            yield "asked", "Asked of the customer; it tells about the event beside it"
        if who - {"customer"}:
            yield "taken", "Looked at or measured; it tells about the event beside it"
        if who:
            yield "number", "The same number is the same reading, named in full at its first place"
        if self.states:
            yield "state", "A hidden state that can follow from this event; explained under the tree"

    def _legend_symbol(self, symbol: str, x: float, y: float) -> None:
        middle = x + GATE / 2
        if symbol == "event":
            self._rect(x + 2, y - 10, GATE - 4, 20, "shape")
        elif symbol in GATE_WORDS:
            mark = {"any_of": "≥1", "all_of": "&", "at_least": "k/n", "exactly_one_of": "=1"}[symbol]
            self._gate_shape(symbol, mark, x, y)
        elif symbol in ("fault", "unlisted"):
            self._symbol(symbol, middle, y)
        elif symbol == "transfer":
            self._triangle("A", middle - SYMBOL / 2, y - SYMBOL / 2)
        elif symbol == "probability":
            self._rect(x + 2, y - 5, GATE - 4, 10, "empty")
            self._rect(x + 2, y - 5, GATE / 2, 10, "full")
        elif symbol in ("asked", "taken", "state"):
            self._rect(x + 6, y - 9, GATE - 12, 18, "state" if symbol == "state" else "tag", 6)
            self._mark(symbol, middle, y)
        else:
            sample = {"share": "of 100", "prior": "prior", "number": "12"}[symbol]
            self._text(middle, y, sample, "strong" if symbol == "number" else "", "middle")


def _gate_mark(gate: Gate) -> str:
    if gate.kind == "at_least":
        return f"{gate.least}/{len(gate.members)}"
    return {"any_of": "≥1", "all_of": "&", "exactly_one_of": "=1"}[gate.kind]


def _rows_tall(rows: Sequence[Sequence[_Tag]]) -> float:
    return sum(max(tag.height for tag in row) + 3 for row in rows)
