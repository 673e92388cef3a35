"""A field with a label beside it: a placeholder would be gone as soon as one types."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Input, Label


class Labelled(Horizontal):
    """A label and its field on one row."""

    def __init__(self, label: str, field: Input) -> None:
        super().__init__()
        self.label, self.field = label, field

    def compose(self) -> ComposeResult:
        """Lay out the label, then the field."""
        yield Label(self.label, markup=False)
        yield self.field
