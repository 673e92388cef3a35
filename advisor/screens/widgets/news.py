"""Messages of the program, shown in the screen's own line for news so that they cover nothing."""

from __future__ import annotations

from collections.abc import Sequence

from textual.screen import ModalScreen, Screen
from textual.widgets import Static

SHORT_SECONDS = 4.0
"""The longest that a message covers a screen; in a line for news, longer ones stay until the next entry."""


def told(screens: Sequence[Screen[object]], words: str, seconds: float) -> bool:
    """Show a message on the topmost visible screen with a line for news; return False if there is none."""
    for screen in reversed(screens):
        if not screen.children:
            return True  # it is about to come up; what was pressed before that is no news
        if tell := getattr(screen, "tell", None):
            tell(words, seconds)
            return True
        for line in screen.query("#says").results(Static):
            line.update(words)
            return True
        if not isinstance(screen, ModalScreen):
            break  # it hides those below it
    return False
