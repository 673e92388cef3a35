"""The field for one number on the card; how it is understood is shown while it is typed."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Input, Static

from advisor.bench.session import NotUnderstood, Session
from advisor.case.typed import Field, Understood
from advisor.screens.widgets.choices import ChoiceScreen

HINT = "type the number"
WHICH_METER = "Enter goes on: say then what it was taken with."


class NumberField(Vertical):
    """A field that shows itself for readings of one number only; others have a screen of their own."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "clear", "Back", show=False, tooltip="Leave the number out again")
    ]

    class Typed(Message):
        """The number changed; `understood` is None where it cannot be used yet."""

        def __init__(self, understood: Understood | None) -> None:
            super().__init__()
            self.understood = understood

    class Entered(Message):
        """The number is to be entered."""

        def __init__(self, understood: Understood) -> None:
            super().__init__()
            self.understood = understood

    def __init__(self, *, id: str) -> None:  # noqa: A002 - Textual's word
        super().__init__(id=id)
        self.session: Session | None = None
        self.reading = ""
        self.field: Field | None = None
        self.instrument = ""
        self.lacks_meter = False

    def compose(self) -> ComposeResult:
        """Lay out the field in one row, and how it is understood below."""
        with Horizontal():
            yield Static("Shows", id="meter", markup=False)
            yield Input(id="typed", compact=True, max_length=60, placeholder=HINT, select_on_focus=False)
            yield Static(id="unit", markup=False)
        yield Static(id="understood", markup=False)

    @property
    def has_begun(self) -> bool:
        """Whether something has been typed, or the field has the focus."""
        return self.display and (bool(self.value) or self.query_one(Input).has_focus)

    @property
    def value(self) -> str:
        """What has been typed."""
        return self.query_one(Input).value

    def ask(self, session: Session, reading: str) -> None:
        """Ask for the number of a reading, if one number is all it takes; with "" for none."""
        fields = session.fields(reading) if reading else ()
        field = fields[0] if len(fields) == 1 and fields[0].unit is not None else None
        if self.session is None or field != self.field or session.case != self.session.case:
            self.query_one(Input).value = ""
            self.instrument = field.instrument if field else ""
        self.session, self.field, self.reading = session, field, reading
        own = field is None or field.key == reading
        self.query_one("#meter", Static).update("Shows" if own or field is None else f"{field.ask}:")
        self.display = field is not None
        self.understand()

    def begin(self, typed: str) -> None:
        """Put a character into the field, and go there."""
        field = self.query_one(Input)
        self.screen.set_focus(field)
        field.insert_text_at_cursor(typed)
        self.call_later(field.focus)  # a card that has just come up gives the focus to its answers

    def understand(self) -> Understood | None:
        """Show how the number is understood, and with what it was taken."""
        if self.session is None or self.field is None:
            return None
        names = self.session.knowledge.instruments
        meter = f"  with {names[self.instrument].name}" if self.instrument else ""
        self.query_one("#unit", Static).update(f"{self.field.unit}{meter}")
        said = self.query_one("#understood", Static)
        said.display = bool(self.value.strip())
        self.lacks_meter = False
        if not said.display:
            return None
        try:
            understood = self.session.understand(
                self.reading, {self.field.key: self.value}, {self.field.key: self.instrument}
            )
        except NotUnderstood as error:
            self.lacks_meter = bool(error.field)
            said.update(WHICH_METER if error.field else str(error))
            return None
        said.update("  ".join((*understood.lines, "Enter takes it.")))
        return understood

    @on(Input.Changed)
    def changed(self, event: Input.Changed) -> None:
        """Show how it is understood now."""
        event.stop()
        self.post_message(self.Typed(self.understand()))

    @on(Input.Submitted)
    def submitted(self, event: Input.Submitted) -> None:
        """Hand the number on."""
        event.stop()
        self.submit()

    def submit(self) -> None:
        """Hand the number on once it is understood; ask what it was taken with if nobody can know."""
        understood = self.understand()
        if understood is not None:
            self.post_message(self.Entered(understood))
            return
        self.app.bell()
        if self.session is not None and self.field is not None and self.lacks_meter:
            names = self.session.knowledge.instruments
            lines = [(one, names[one].name) for one in self.field.instruments]
            self.app.push_screen(ChoiceScreen("What was it taken with?", lines), self.taken_with)

    def taken_with(self, instrument: str | None) -> None:
        """Note the instrument, and show what the number comes to with it."""
        if instrument is not None:
            self.instrument = instrument
            self.post_message(self.Typed(self.understand()))

    def action_clear(self) -> None:
        """Empty the field, and go back to the answers."""
        self.query_one(Input).value = ""
        self.post_message(self.Typed(None))
        self.screen.query_one("#answers").focus()
