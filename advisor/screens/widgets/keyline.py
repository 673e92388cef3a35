"""The bottom line with the keys of a screen."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.widgets import Footer
from textual.widgets._footer import FooterKey


class KeyLine(Footer):
    """Textual's footer, but with its keys at their final width from the start.

    Textual itself starts each key compact and then widens it, and computes its styles twice. With a dozen
    keys that change with the focus this was a fifth of the screens' processor time.
    """

    def __init__(self) -> None:
        super().__init__(show_command_palette=False)

    def compose(self) -> ComposeResult:
        """Yield the keys, already set to the footer's style."""
        for part in super().compose():
            if isinstance(part, FooterKey):
                part.set_reactive(FooterKey.compact, self.compact)
            yield part
