"""The welcome screen, shown while the program loads; it imports nothing slow, so it is there at once."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Static

from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine


class WelcomeScreen(AskingScreen[None]):
    """Says that the program is loading, or why it cannot start, until the first real screen follows."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Quit", tooltip="Leave; everything is saved")
    ]

    def __init__(self, title: str) -> None:
        super().__init__()
        self.heading = title
        self.follows: Screen[None] | None = None
        self.exit_code = 0

    def compose(self) -> ComposeResult:
        """Lay out a title and a few lines."""
        yield Static(self.heading, id="title", markup=False)
        yield Static(
            "Reading the knowledge …\n\n"
            "What follows is advice. Figures of the vehicle at hand, local rules and licensed practice come "
            "first.",
            id="says",
            markup=False,
        )
        yield KeyLine()

    def give_way(self, follows: Screen[None]) -> None:
        """Switch to the next screen, once this one is on top."""
        self.follows = follows
        if self.is_current:
            self.app.switch_screen(follows)

    def on_screen_resume(self) -> None:
        """Switch to the next screen if it became ready while help was open."""
        if self.follows is not None:
            self.app.switch_screen(self.follows)

    def failed(self, what: str, lines: list[str], exit_code: int) -> None:
        """Say why the program cannot start; quitting then ends with the exit code."""
        self.exit_code = exit_code
        self.query_one("#says", Static).update("\n".join([what, *lines, "Put it right and start again."]))

    def action_leave(self) -> None:
        """Leave the program."""
        self.app.exit(return_code=self.exit_code)
