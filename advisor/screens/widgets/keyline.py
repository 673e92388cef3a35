"""The bottom line with the keys of a screen."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.widgets import Footer
from textual.widgets._footer import FooterKey


class KeyLine(Footer):
    """Textual's footer, whose keys begin as wide as they stay.

    By itself Textual begins each key compact and then widens it, and works out its styles for both. With a
    dozen keys that change with the focus this was a fifth of the processor time of screens.
    """

    def compose(self) -> ComposeResult:
        """Yield the keys, set to the footer's width beforehand."""
        for part in super().compose():
            if isinstance(part, FooterKey):
                part.set_reactive(FooterKey.compact, self.compact)
            yield part
