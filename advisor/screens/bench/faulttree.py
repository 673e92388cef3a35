"""The fault tree of the job with its live probabilities: as a list that folds, and as a screen of its own."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.events import Click
from textual.message import Message
from textual.screen import Screen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from advisor.bench.faulttree import Place, ShownRow, TreeRow, proof_words, shown_rows, telling_words
from advisor.bench.session import Session
from advisor.papers.format import bar, percent
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.keyline import KeyLine

BAR = 10
"""Characters of a full bar; two more stand beside it, so that there is room for two words in its place."""
WITH_BEFORE = 72
"""From this width on a row also says what its probability was."""
WITH_BARS = 44
"""Below this width there is no room for bars."""
LEAST_NAME = 8
"""Columns of a name at least."""
HARDLY = 0.005
"""A cause below this probability, said as less than 1 %, stands back."""
USUAL_GATE = "any of"
LEGEND = "● leads   ◂ the reading on the card can move it   +3 faults folded away"
LEGEND_FROM = 24
"""Lines of a screen that has one to spare for the legend."""

ToggledByHand = dict[Place, bool]
"""What a person has opened (True) or folded (False) on this job."""


class FaultTree(OptionList):
    """The fault tree in the author's order; it opens where the suspicion is and folds the rest.

    `by_hand` is shared by whoever shows the same job: what a person has opened there stays open.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "fold", "Fold", key_display="←", tooltip="Fold the branch, or go to the one above"),
        Binding("right", "unfold", "Open", key_display="→", tooltip="Open the branch, or go into it"),
        Binding("enter", "select", "Its readings", tooltip="Readings that tell most of this line"),
    ]

    class Chosen(Message):
        """Posted when somebody wants to know which readings tell of a row."""

        def __init__(self, tree: FaultTree, row: TreeRow) -> None:
            super().__init__()
            self.tree, self.row = tree, row

        @property
        def control(self) -> FaultTree:
            """The tree."""
            return self.tree

    def __init__(self, by_hand: ToggledByHand | None = None, *, name: str | None = None) -> None:
        super().__init__(id=name)
        self.by_hand: ToggledByHand = {} if by_hand is None else by_hand
        self.rows: tuple[TreeRow, ...] = ()
        self.shown: tuple[ShownRow, ...] = ()
        self.longest = 0

    @property
    def row(self) -> TreeRow | None:
        """The row with the cursor."""
        at = self.highlighted
        return self.shown[at].row if at is not None and at < len(self.shown) else None

    def show(self, rows: Sequence[TreeRow]) -> None:
        """Show the tree as it stands now; the cursor stays where somebody has put it, else at the leader."""
        leader = next((row.place for row in rows if row.leads), ())
        kept = self.row.place if self.row is not None and self.has_focus else leader
        self.rows, self.longest = tuple(rows), longest_name(rows)
        self.draw(kept)
        if kept == leader:
            self.call_after_refresh(self.centre)

    def centre(self) -> None:
        """Scroll the row with the cursor to the middle."""
        above = sum(str(option.prompt).count("\n") + 1 for option in self.options[: self.highlighted or 0])
        self.scroll_to(y=above - self.scrollable_content_region.height // 2, animate=False)

    def draw(self, place: Place) -> None:
        """Draw the rows in view, with the cursor at a place, or at the nearest one above it in view."""
        top = self.scroll_offset.y
        self.shown = shown_rows(self.rows, self.by_hand)
        places = {shown.row.place: at for at, shown in enumerate(self.shown)}
        while place and place not in places:
            place = place[:-1]
        at = places.get(place)
        self.clear_options()
        self.add_options(Option(self.prompt(number, number == at)) for number in range(len(self.shown)))
        self.highlighted = at
        self.scroll_to(y=top, animate=False)
        self.call_after_refresh(self.scroll_to_highlight)

    def prompt(self, number: int, has_cursor: bool) -> Content:
        """Return the text of a row."""
        width, is_marked = self.scrollable_content_region.width, has_cursor and self.has_focus
        return Content("\n").join(drawn(self.shown[number], width, self.longest, is_marked))

    def on_resize(self) -> None:
        """Draw for the new width."""
        self.draw(self.row.place if self.row else ())

    def on_focus(self) -> None:
        """Show the cursor."""
        self.mark(self.highlighted, True)

    def on_blur(self) -> None:
        """Hide the cursor."""
        self.mark(self.highlighted, False)

    def mark(self, number: int | None, has_cursor: bool) -> None:
        """Draw one row anew, with or without the cursor."""
        if number is not None and number < len(self.shown) == self.option_count:
            self.replace_option_prompt_at_index(number, self.prompt(number, has_cursor))

    def validate_highlighted(self, highlighted: int | None) -> int | None:
        """Take the cursor from the row that it leaves."""
        to = super().validate_highlighted(highlighted)
        if to != self.highlighted:
            self.mark(self.highlighted, False)
        return to

    def watch_highlighted(self, highlighted: int | None) -> None:
        """Put the cursor on the row that it comes to."""
        self.mark(highlighted, True)
        super().watch_highlighted(highlighted)

    def action_fold(self) -> None:
        """Fold the branch with the cursor; where there is nothing to fold, go to the branch above."""
        at, row = self.highlighted, self.row
        if at is None or row is None or not row.depth:
            return
        if self.shown[at].is_open:
            self.toggle(row, False)
        else:
            places = [shown.row.place for shown in self.shown]
            self.highlighted = places.index(row.place[:-1])

    def action_unfold(self) -> None:
        """Open the branch with the cursor; one that is open is gone into."""
        at, row = self.highlighted, self.row
        if at is None or row is None or not row.has_members:
            return
        if self.shown[at].is_open:
            self.highlighted = at + 1
        else:
            self.toggle(row, True)

    def toggle(self, row: TreeRow, is_open: bool) -> None:
        """Open or fold a branch by hand."""
        self.by_hand[row.place] = is_open
        self.draw(row.place)

    def on_click(self, event: Click) -> None:
        """Open or fold the branch that was tapped; a cause is chosen."""
        event.prevent_default()
        at = event.style.meta.get("option")
        if at is None or at >= len(self.shown):
            return
        self.highlighted = at
        row = self.shown[at].row
        if row.has_members and row.depth:
            self.toggle(row, not self.shown[at].is_open)
        else:
            self.action_select()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Ask for the readings of the row."""
        event.stop()
        self.post_message(self.Chosen(self, self.shown[event.option_index].row))


class FaultTreeScreen(AskingScreen[str]):
    """The fault tree alone; returns the reading to put on the card, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,t", "back", "Task", key_display="esc", tooltip="Back to the task"),
    ]

    opens = frozenset({"escape", "t", "enter"})

    def __init__(self, session: Session, reading: str = "", by_hand: ToggledByHand | None = None) -> None:
        super().__init__()
        self.session, self.reading, self.by_hand = session, reading, by_hand

    def compose(self) -> ComposeResult:
        """Lay out the tree, and what is said of its chosen line below."""
        yield Static(id="head", markup=False)
        yield FaultTree(self.by_hand)
        yield Static(id="says", markup=False)
        yield Static(LEGEND, id="legend", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Go to the leader."""
        tree = self.query_one(FaultTree)
        tree.focus()
        self.call_after_refresh(tree.show, self.session.fault_tree(self.reading))

    def on_resize(self) -> None:
        """Show what there is room for."""
        width, height = self.size
        said = f"after: {self.session.last_told}" if self.session.last_told else ""
        self.query_one("#head", Static).update(
            heading(f"{self.session.filed.tag} · fault tree", said, width - 2)
        )
        self.query_one("#legend").display = height >= LEGEND_FROM
        self.query_one("#says").styles.height = 1 + (2 if width >= WITH_BEFORE else 3)  # with its rule

    @on(OptionList.OptionHighlighted)
    def pointed(self) -> None:
        """Say how the event of the line is proved, and how long its repair takes."""
        row, session = self.query_one(FaultTree).row, self.session
        words = proof_words(session.knowledge, session.case, session.advice, row) if row else ""
        self.query_one("#says", Static).update(words)

    @on(FaultTree.Chosen)
    def chosen(self, event: FaultTree.Chosen) -> None:
        """Offer the readings that tell most of the line."""
        ReadingsAbout(self, self.session, self.take).ask(event.row)

    def take(self, reading: str | None) -> None:
        """Hand back the reading that was chosen."""
        if reading is not None:
            self.dismiss(reading)

    def action_back(self) -> None:
        """Go back to the task."""
        self.dismiss(None)


class ReadingsAbout:
    """Asks which of the readings that tell of an event to take; for any screen that shows the tree."""

    def __init__(self, screen: Screen[Any], session: Session, take: Callable[[str | None], None]) -> None:
        self.screen, self.session, self.take = screen, session, take

    def ask(self, row: TreeRow) -> None:
        """Work the readings out off the event loop, then ask."""
        self.screen.run_worker(lambda: self._work_out(row), thread=True, exclusive=True, group="about")

    def _work_out(self, row: TreeRow) -> None:
        knowledge = self.session.knowledge
        lines = [
            (one.reading.reading, telling_words(knowledge, one))
            for one in self.session.readings_about(row.node)
        ]
        self.screen.app.call_from_thread(self._choose, row, lines)

    def _choose(self, row: TreeRow, lines: Sequence[tuple[str, str]]) -> None:
        if not lines:
            self.screen.notify(f"No reading that can be taken now tells of: {row.title}.", timeout=4)
        else:
            title = f"{row.title}, {percent(row.probability)}. Which reading comes onto the card?"
            self.screen.app.push_screen(ChoiceScreen(title, lines), self.take)


def heading(left: str, right: str, width: int) -> str:
    """Return two texts on one line, at both its ends; on two lines, shortened, where they do not fit."""
    if len(left) + len(right) + 2 <= width:
        return left + right.rjust(width - len(left))
    return "\n".join(one if len(one) <= width else f"{one[: width - 1]}…" for one in (left, right))


def drawn(shown: ShownRow, width: int, longest: int, has_cursor: bool = False) -> Iterator[Content]:
    """Yield the lines of a row: cursor, branches, name, faults folded away, marks, probabilities and bar.

    The column of names is as wide as the `longest` of the tree; where there is no room for that, a name goes
    on in further lines.
    """
    row = shown.row
    figures = "".join(_figures(shown, width))
    picture = f" {_bar(row):<{BAR + 2}}" if width >= WITH_BARS else ""
    branches, go_on = _branches(row, shown.is_open)
    room = max(LEAST_NAME, min(longest, width - 1 - len(figures + picture)) - len(branches))
    hardly = "dim" if not row.has_members and row.probability < HARDLY else ""
    for count, part in enumerate(textwrap.wrap(_name(row), room, break_on_hyphens=False)):
        yield Content.assemble(
            "▌" if has_cursor else " ",
            (branches if count == 0 else go_on, "dim"),
            (part.ljust(room), "bold" if row.leads else hardly),
            (figures if count == 0 else "", hardly),
            (picture if count == 0 else "", hardly or "$primary"),
        )


def longest_name(rows: Sequence[TreeRow]) -> int:
    """Return the columns of the longest name with the branches before it."""
    return max((len(_branches(row, False)[0]) + len(_name(row)) for row in rows), default=0)


def _name(row: TreeRow) -> str:
    """Return a name with its gate, but for the usual one below the complaint."""
    gate = f": {row.gate}" if row.gate != USUAL_GATE or not row.depth else ""
    again = " (as above)" if row.again else ""
    return f"{row.title}{gate if row.gate else ''}{again}"


def _branches(row: TreeRow, is_open: bool) -> tuple[str, str]:
    """Return the lines of the tree before a name, and before the lines in which it goes on."""
    if not row.depth:
        return "", ""
    above = "".join("  " if last else "│ " for last in row.last[:-1])
    mark = "●" if row.leads else " "
    if row.has_members:
        mark = "▾" if is_open else "▸"
    return f"{above}{'└' if row.last[-1] else '├'}{mark}", f"{above}{'  ' if row.last[-1] else '│ '}"


def _figures(shown: ShownRow, width: int) -> Iterator[str]:
    """Yield the columns between a name and its bar, each with a space before it."""
    row = shown.row
    yield f" {f'+{shown.hidden}' if shown.hidden else '':>3}"
    yield " ◂" if row.moves and not shown.is_open else "  "
    yield f" {percent(row.probability):>5}"
    if width >= WITH_BEFORE:
        was = percent(row.before).removesuffix(" %")
        yield f" {f'was {was}' if percent(row.before) != percent(row.probability) else '':<7}"


def _bar(row: TreeRow) -> str:
    """Return the probability as a bar, or the words that say more: proved, or why it cannot be."""
    if row.excluded or row.proved:
        return row.excluded or "proved"
    return bar(row.probability, BAR).rstrip() or "·"
