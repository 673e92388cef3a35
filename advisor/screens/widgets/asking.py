"""What all screens have in common: what is asked is answered once, and by somebody who has read it."""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.await_complete import AwaitComplete
from textual.screen import ModalScreen, Screen

from advisor.screens.widgets.host import HostApp

Result = TypeVar("Result")


class AskingScreen(Screen[Result]):
    """A screen that tells when something else is asked, and hands back one result."""

    app: HostApp
    asked: object = None
    opens: ClassVar[frozenset[str]] = frozenset()
    """Keys that answer, record and close nothing here, but open something or go back: they never wait."""

    @property
    def takes_typing(self) -> bool:
        """Whether letters go into a text field although none has the focus yet."""
        return False

    def asks(self, what: object) -> None:
        """Tell what is asked now; where that is something else than before, acts have to wait a moment."""
        if what != self.asked:
            self.asked = what
            self.app.asks_anew()

    def dismiss(self, result: Result | None = None) -> AwaitComplete:
        """Hand back the result and go, once: a second key of a burst must not close the screen below.

        What was opened above it while it was at work goes first, unanswered.
        """
        if self not in self.app.screen_stack:
            return AwaitComplete()
        while self.app.screen is not self:
            self.app.screen.dismiss(None)
        return super().dismiss(result)


class AskingDialog(AskingScreen[Result], ModalScreen[Result]):
    """The same, above another screen."""

    opens = frozenset({"escape"})
