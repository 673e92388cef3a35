"""What is on the screen while the program gets ready: there at once, as it needs nothing that takes long."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Static

from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine


class WelcomeScreen(AskingScreen[None]):
    """Says what goes on, or what keeps the program from starting; gives way to the screen that follows."""

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
        """Go on to the program, once nothing lies over this screen any more."""
        self.follows = follows
        if self.is_current:
            self.app.switch_screen(follows)

    def on_screen_resume(self) -> None:
        """Help was closed, maybe after all was ready."""
        if self.follows is not None:
            self.app.switch_screen(self.follows)

    def failed(self, what: str, lines: list[str], exit_code: int) -> None:
        """Say what keeps the program from starting; leaving then ends with the exit code."""
        self.exit_code = exit_code
        self.query_one("#says", Static).update("\n".join([what, *lines, "Put it right and start again."]))

    def action_leave(self) -> None:
        """Leave the program."""
        self.app.exit(return_code=self.exit_code)
