"""The base of all screens: a question is answered once, by somebody who had time to read it."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, TypeVar

from textual.await_complete import AwaitComplete
from textual.screen import ModalScreen, Screen
from textual.widgets import Button

from advisor.screens.widgets.host import HostApp

Result = TypeVar("Result")


class AskingScreen(Screen[Result]):
    """A screen that notes when its question changes, and returns one result."""

    app: HostApp
    asked: object = None
    opens: ClassVar[frozenset[str]] = frozenset()
    """Keys that never have to wait: they open something or go back, but answer, record and close nothing."""

    @property
    def takes_typing(self) -> bool:
        """Whether typed characters go into a text field although none has the focus yet."""
        return False

    @property
    def takes_numbers(self) -> bool:
        """Whether a key here can be the first of a number."""
        return False

    def asks(self, what: object) -> None:
        """Note the question now on screen; if it is a new one, answers have to wait a moment."""
        if what != self.asked:
            self.asked = what
            self.app.asks_anew()

    def from_thread(self, what: Callable[..., object], *given: object) -> None:
        """Call this on the event loop, from a thread, unless the screen was left by then."""
        self.app.call_from_thread(lambda: what(*given) if self in self.app.screen_stack else None)

    def dismiss(self, result: Result | None = None) -> AwaitComplete:
        """Return the result and close, once: the second key of a burst must not close the screen below.

        Screens opened above it meanwhile are closed first, unanswered.
        """
        if self not in self.app.screen_stack:
            return AwaitComplete()
        while self.app.screen is not self:
            self.app.screen.dismiss(None)
        return super().dismiss(result)


class AskingDialog(AskingScreen[Result], ModalScreen[Result]):
    """The same as a dialog above another screen."""

    opens = frozenset({"escape"})


class BackButton(Button, can_focus=False):
    """Goes back by a tap; by keys Esc does, so Tab and Enter never leave what was typed behind."""
