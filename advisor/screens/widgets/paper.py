"""A paper on the screen, laid out off the event loop: one widget for each part would take too long."""

from __future__ import annotations

from collections.abc import Callable

from rich.segment import Segment
from textual import work
from textual.geometry import Size
from textual.scroll_view import ScrollView
from textual.strip import Strip
from textual.worker import get_current_worker

_STYLES = {
    "markdown.h1": "bold",
    "markdown.h2": "bold underline",
    "markdown.item.bullet": "none",
    "markdown.table.header": "bold",
    "markdown.table.border": "dim",
}
"""Styles of the parts of a paper; none differs by colour alone."""


class MarkdownView(ScrollView):
    """Shows Markdown that may take a while to produce, and `meanwhile` another text.

    Only lines in view are painted.
    """

    DEFAULT_CSS = """
    MarkdownView { scrollbar-size-vertical: 1; overflow-x: hidden; overflow-y: scroll; }
    """

    def __init__(self, meanwhile: str = "", *, name: str | None = None) -> None:
        super().__init__(id=name)
        self.write: Callable[[], str] | None = None
        self.source, self.anew = "", False
        self.lines = [Strip([Segment(meanwhile)])]

    def show(self, write: Callable[[], str], anew: bool = True) -> None:
        """Show the text that `write` returns, from the top unless it only says more of the same."""
        self.write, self.source, self.anew = write, "", anew or self.anew
        if self.size:
            self.work_out()

    def on_resize(self) -> None:
        """Lay the text out for the new width; before the first resize no width is known."""
        if self.write is not None:
            self.work_out()

    @work(thread=True, exclusive=True)
    def work_out(self) -> None:
        """Produce the text and lay it out, off the event loop."""
        worker, write = get_current_worker(), self.write
        source = self.source or (write() if write is not None else "")
        lines = in_lines(source, max(20, self.scrollable_content_region.width))
        if not worker.is_cancelled:
            self.app.call_from_thread(self.set_lines, source, lines)

    def set_lines(self, source: str, lines: list[Strip]) -> None:
        """Show these lines, from the top, or with the line that was read where it was."""
        at, before = self.scroll_offset.y, self.lines
        self.source, self.lines = source, lines
        self.virtual_size = Size(self.scrollable_content_region.width, len(lines))
        if self.anew:
            self.scroll_home(animate=False)
        elif at:
            self.scroll_to(y=place_kept(before, lines, at), animate=False)
        self.anew = False
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Return one line of the view."""
        width, at = self.scrollable_content_region.width, y + self.scroll_offset.y
        line = self.lines[at] if at < len(self.lines) else Strip.blank(width)
        return line.crop_extend(0, width, None).apply_style(self.rich_style)


def place_kept(before: list[Strip], after: list[Strip], at: int) -> int:
    """Return where to scroll so that the first words in view at `at` stay where they were."""
    words = [line.text.strip() for line in after]
    for down, line in enumerate(before[at:]):
        wanted = line.text.strip()
        found = [place for place, said in enumerate(words) if said == wanted] if wanted else []
        if found:
            return max(0, min(found, key=lambda place: abs(place - at - down)) - down)
    return at


def in_lines(source: str, width: int) -> list[Strip]:
    """Return Markdown as lines of this width in columns; slow, so call it off the event loop."""
    from rich.console import Console
    from rich.markdown import Markdown
    from rich.theme import Theme

    theme = Theme(_STYLES, inherit=True)
    console = Console(width=width, color_system=None, force_terminal=True, legacy_windows=False, theme=theme)
    lines = console.render_lines(Markdown(source, hyperlinks=False), pad=False)
    return [Strip(Segment(one.text, one.style) for one in line) for line in lines]
