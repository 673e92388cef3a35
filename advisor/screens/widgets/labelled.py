"""A field with a label beside it: a placeholder would be gone as soon as one types."""

from __future__ import annotations

from textual import on
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Input, Label


class Labelled(Horizontal):
    """A label and its field on one row; the label says when the field takes no more letters."""

    def __init__(self, label: str, field: Input) -> None:
        super().__init__()
        self.label, self.field = label, field

    def compose(self) -> ComposeResult:
        """Lay out the label, then the field."""
        yield Label(self.label, markup=False)
        yield self.field

    @on(Input.Changed)
    def mark_full(self) -> None:
        """Say in place of the label that the field is full, so that nothing typed is lost unnoticed."""
        most = self.field.max_length or 0  # 0 where there is no limit
        is_full = 0 < most <= len(self.field.value)
        self.query_one(Label).update(f"Full at {most}" if is_full else self.label)
