"""Scrolling text that knows which of its lines were in view, so that only cautions seen are confirmed."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widgets import Static


class CardText(VerticalScroll):
    """Lines of text, some of which have to come into view before they can be confirmed.

    A line has been in view once each of its rows has, and only rows in view when scrolling stopped count.
    """

    class Looked(Message):
        """More rows may have been in view."""

    def __init__(self, *, name: str | None = None) -> None:
        super().__init__(id=name)
        self.begins: object = None
        self.lines: tuple[Content, ...] = ()
        self.to_see: frozenset[int] = frozenset()
        self.rows_seen: set[int] = set()
        self.width_seen = 0

    def compose(self) -> ComposeResult:
        """All lines in one piece."""
        yield Static(id="task")

    def show_lines(self, about: object, lines: Sequence[Content], to_see: Sequence[int] = ()) -> None:
        """Show lines; scroll to the top if they are `about` something else than those before.

        `to_see` holds the indices of the lines that have to come into view.
        """
        upto = tuple(lines[: max(to_see, default=-1) + 1])
        begins = (about, tuple(to_see), tuple(line.plain for line in upto))
        if begins != self.begins:
            self.begins, self.to_see, self.rows_seen = begins, frozenset(to_see), set()
            self.scroll_home(animate=False)
        self.lines = tuple(lines)
        self.query_one("#task", Static).update(Content("\n").join(lines))
        self.call_after_refresh(self.look)

    def on_resize(self) -> None:
        """Other rows are in view."""
        self.call_after_refresh(self.look)

    def watch_scroll_y(self, old_value: float, new_value: float) -> None:
        """Look at the rows in view once scrolling has stopped."""
        super().watch_scroll_y(old_value, new_value)
        if new_value == self.scroll_target_y:
            self.call_after_refresh(self.look)

    @property
    def rows(self) -> list[range]:
        """Return the rows that each line takes."""
        width, found, at = self.query_one("#task").size.width, [], 0
        for line in self.lines:
            height = line.get_height({}, width) if width else 1
            found.append(range(at, at + height))
            at += height
        return found

    def look(self) -> None:
        """Note which rows are in view; start again for lines that wrap differently than before."""
        if not self.to_see or not self.is_attached or not self.screen.is_current:
            return
        region = self.scrollable_content_region
        if region.width != self.width_seen:
            self.rows_seen, self.width_seen = set(), region.width
        top = round(self.scroll_y)
        self.rows_seen.update(range(top, top + region.height))
        self.post_message(self.Looked())

    @property
    def to_read(self) -> int | None:
        """Return the row to scroll to for the first line that has yet to be seen, or None."""
        rows = self.rows
        for line in sorted(self.to_see):
            unseen = [row for row in rows[line] if row not in self.rows_seen]
            if unseen:
                # From its beginning, with its signal word, where there is room for all of it.
                fits = len(rows[line]) <= self.scrollable_content_region.height
                return rows[line].start if fits else unseen[0]
        return None

    def read_on(self) -> bool:
        """Scroll to the first line that has yet to be seen; return False if there is none."""
        row = self.to_read
        if row is not None:
            self.scroll_to(y=row, animate=False)
        return row is not None

    def page(self, pages: int) -> None:
        """Scroll by whole pages, less one row each, down or (if negative) up."""
        self.scroll_relative(y=pages * max(1, self.size.height - 1), animate=False)
