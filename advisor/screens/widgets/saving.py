"""What a screen says and asks while an answer waits to be saved."""

from __future__ import annotations

from collections.abc import Callable

from advisor.screens.widgets.asking import AskingScreen, Result
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.errors import StoreError, Unreachable

AGAIN_SECONDS = 3.0
"""How often a screen tries again to save what could not be saved."""


def tell_unsaved(tell: Callable[[str], object], error: StoreError) -> None:
    """Say that an answer waits to be saved, in one line where only the connection is lost."""
    if isinstance(error, Unreachable):
        tell("NOT SAVED YET: no connection. Your answer is kept. Wait: it is sent again.")
    else:
        tell(f"NOT SAVED YET. Your answer is kept here and tried again every few seconds. {error}")


def tell_to_wait(screen: AskingScreen[Result]) -> None:
    """Say that nothing can be entered before the last answer is saved."""
    what = "The last answer is not saved yet. It is kept here. Wait until it is, then enter this again."
    screen.notify(what, severity="warning", timeout=5)


def ask_to_leave(screen: AskingScreen[Result], leave: Callable[[], object]) -> None:
    """Ask whether to leave a screen whose last answer is not saved yet."""

    def decided(answer: str | None) -> None:
        if answer == "leave":
            leave()

    lines = [("stay", "Stay, and go on trying to save it"), ("leave", "Leave without the last answer")]
    screen.app.push_screen(ChoiceScreen("The last answer is not saved yet.", lines), decided)
