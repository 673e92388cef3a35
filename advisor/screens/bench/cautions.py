"""The screen for cautions of a remedy: each has to come into view before they can be confirmed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widgets import Button, Static

from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.cardtext import CardText

NOT_ALL_SEEN = "Not every caution was in view. Read the one that is now, then press y again."


class CautionsScreen(AskingDialog[bool]):
    """Returns True once the cautions were read, None for going back."""

    AUTO_FOCUS = "#read"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "read", "Read", tooltip="The cautions were read"),
        Binding("pagedown,space", "page(1)", show=False, priority=True, tooltip="Read on"),
        Binding("pageup", "page(-1)", show=False, priority=True, tooltip="Read back"),
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing"),
    ]

    def __init__(self, title: str, cautions: Sequence[str]) -> None:
        super().__init__()
        self.heading, self.cautions = title, cautions

    def compose(self) -> ComposeResult:
        """Lay out the cautions, and two buttons."""
        with Vertical(id="box"):
            yield Static(self.heading, id="says", markup=False)
            yield CardText(name="text")
            with Horizontal(classes="row"):
                yield Button("y I read them", id="read", variant="primary", compact=True)
                yield Button("Back", id="back", compact=True)

    def on_mount(self) -> None:
        """Show the cautions from the top."""
        lines = [Content.styled(f"⚠ {words}", "bold $warning") for words in self.cautions]
        self.query_one(CardText).show_lines(self, lines, range(len(lines)))

    def on_resize(self) -> None:
        """Give the cautions the rows that frame, heading and buttons leave free."""
        self.query_one(CardText).styles.max_height = max(1, self.size.height - 5)

    def action_page(self, pages: int) -> None:
        """Read on or back."""
        self.query_one(CardText).page(pages)

    @on(Button.Pressed, "#read")
    def action_read(self) -> None:
        """Confirm the cautions if all have been in view, else scroll to the next one."""
        if self.query_one(CardText).read_on():
            self.query_one("#says", Static).update(NOT_ALL_SEEN)
            self.app.asks_anew()
        else:
            self.dismiss(True)

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
