"""What the program says by itself stands in the screen's own line for it, and lies over nothing."""

from __future__ import annotations

from collections.abc import Sequence

from textual.screen import ModalScreen, Screen
from textual.widgets import Static

SHORT_SECONDS = 4.0
"""Nothing that lies over a screen stays longer; what is said for longer stands until the next entry."""


def told(screens: Sequence[Screen[object]], words: str, seconds: float) -> bool:
    """Say something on the uppermost of the screens with a line for it; False where none has one."""
    for screen in reversed(screens):
        if tell := getattr(screen, "tell", None):
            tell(words, seconds)
            return True
        for line in screen.query("#says").results(Static):
            line.update(words)
            return True
        if not isinstance(screen, ModalScreen):
            break  # it hides those below it
    return False
