"""The help screen: what the keys of a screen do."""

from __future__ import annotations

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Button, Static

from advisor.screens.widgets.asking import AskingDialog


class HelpScreen(AskingDialog[None]):
    """Lists the keys of the screen below, taken from its bindings."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q,enter", "dismiss", "Back", tooltip="Close this help")
    ]

    def __init__(self, below: Screen[Any]) -> None:
        super().__init__()
        self.below = below

    def compose(self) -> ComposeResult:
        """Lay out one line for each key, with what it does."""
        lines: list[tuple[str, str]] = []
        focused = self.below.focused
        for binding in [
            *(focused._bindings.key_to_bindings.values() if focused else ()),  # noqa: SLF001 - the next line's
            *self.below._bindings.key_to_bindings.values(),  # noqa: SLF001 - Textual lists no hidden keys
            *self.app._bindings.key_to_bindings.values(),  # noqa: SLF001 - the same
        ]:
            for one in binding:
                if one.tooltip and one.tooltip not in [tip for _, tip in lines]:
                    lines.append((one.key_display or self.app.get_key_display(one), one.tooltip))
        with VerticalScroll(id="box"):
            yield Static("Keys here. Everything can be tapped as well.\n")
            yield Static(Content("\n".join(f"{key:>7}  {tip}" for key, tip in lines)))
            yield Button("Back", id="back", compact=True)

    def on_button_pressed(self) -> None:
        """Close."""
        self.dismiss()
