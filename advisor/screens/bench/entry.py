"""The screen to type what the meter shows; how it is understood is shown while typing."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.events import Key
from textual.widget import Widget
from textual.widgets import Button, Input, Label, Static

from advisor.bench.session import NotUnderstood, Session
from advisor.case.typed import Understood
from advisor.model.observation import Take
from advisor.screens.widgets.asking import AskingDialog, BackButton
from advisor.screens.widgets.pick import Select


class EntryScreen(AskingDialog[Understood]):
    """The fields of a quantity reading; returns what was understood, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing")
    ]

    def __init__(self, session: Session, reading: str, started: str = "", before: Take = ()) -> None:
        super().__init__()
        self.before = {one.measurand: one for one in before}
        self.tried = False
        self.session, self.reading, self.started = session, reading, started
        self.fields = session.fields(reading)
        self.is_up = False
        self.missing = ""

    def compose(self) -> ComposeResult:
        """Lay out a row for each field, then how they are understood."""
        names = self.session.knowledge.instruments
        with VerticalScroll(id="box", can_focus=False):
            yield Static(self.session.knowledge.readings[self.reading].name, markup=False)
            for at, one in enumerate(self.fields):
                if one.key != self.reading:
                    yield Label(one.ask, classes="ask", markup=False)
                with Horizontal(classes="row"):
                    if one.unit is None:
                        word = self.before[one.key].typed if one.key in self.before else None
                        yield Select(one.ask, one.choices, "choose", word, name=f"field-{at}")
                        continue
                    yield Input(
                        value=self.before[one.key].typed if one.key in self.before else "",
                        id=f"field-{at}",
                        compact=True,
                        max_length=60,
                        select_on_focus=False,
                        placeholder="may stay empty" if one.optional else "the number the meter shows",
                    )
                    yield Label(one.unit, classes="unit", markup=False)
                    if self.with_what(at) == f"with-{at}":
                        words = [(name, names[name].name) for name in one.instruments]
                        used = self.before[one.key].instrument if one.key in self.before else ""
                        used = used or one.instrument
                        yield Select("Taken with", words, "taken with?", used or None, name=f"with-{at}")
            yield Static(id="says", markup=False)
            with Horizontal(classes="row"):
                yield Button("Enter it", id="enter", variant="primary", compact=True)
                yield BackButton("Back", id="back", compact=True)

    def with_what(self, at: int) -> str:
        """Return the field to choose the instrument of a number in, once for all that share it; or ""."""
        instruments = self.fields[at].instruments
        first = next(which for which, one in enumerate(self.fields) if one.instruments == instruments)
        return f"with-{first}" if len(instruments) > 1 else ""

    def on_mount(self) -> None:
        """Focus the first field to fill in."""
        first = self.query_one("#field-0") if self.fields else self.query_one("#enter")
        if isinstance(first, Input) and (self.started or not first.value):
            first.value = self.started
            first.cursor_position = len(self.started)
        elif isinstance(first, Input):
            first.action_select_all()
        self.is_up = True
        first.focus()
        self.understood()

    def on_key(self, event: Key) -> None:
        """Put keys that come before the first field has the focus into it."""
        if event.is_printable and self.takes_typing:
            self.take(event)

    @property
    def takes_typing(self) -> bool:
        """Whether typed characters go into the first field: unless something else has the focus."""
        return not isinstance(self.focused, Select | Button)

    def take(self, event: Key) -> None:
        """Put a typed character into the first field, or keep it until there is one."""
        event.stop()
        event.prevent_default()
        if not event.is_printable or event.character is None:
            return
        if not self.is_up:
            self.started += event.character
            return
        for field in self.query("#field-0").results(Input):
            field.insert_text_at_cursor(event.character)

    def understood(self) -> Understood | None:
        """Show how the fields are understood."""
        filled: dict[str, str] = {}
        instruments: dict[str, str] = {}
        for at, one in enumerate(self.fields):
            widget = self.query_one(f"#field-{at}")
            if isinstance(widget, Input):
                filled[one.key] = widget.value
                shared = self.with_what(at)
                chosen = self.query_one(f"#{shared}", Select).value if shared else one.instrument
                instruments[one.key] = chosen or ""
            elif isinstance(widget, Select):
                filled[one.key] = widget.value or ""
        says = self.query_one("#says", Static)
        self.missing = ""
        try:
            understood = self.session.understand(self.reading, filled, instruments)
        except NotUnderstood as error:
            self.missing = error.field
            says.update(self.asked_for() if self.missing and not self.tried else str(error))
            return None
        says.update("\n".join(understood.lines))
        return understood

    def asked_for(self) -> str:
        """Return what to do next, while nobody has tried to go on without it."""
        where = self.where_missing()
        if isinstance(where, Select):
            return f"Next, choose: {where.heading}"
        return "Write what the meter shows; Enter goes on."

    @on(Input.Changed)
    def typed(self) -> None:
        """Something was typed."""
        self.understood()

    @on(Select.Changed)
    def chosen(self) -> None:
        """Go on after a choice: to what is missing, or to the end."""
        if self.understood() is not None:
            self.query_one("#enter").focus()
        else:
            self.where_missing().focus()

    @on(Input.Submitted)
    @on(Button.Pressed, "#enter")
    def entered(self) -> None:
        """Return what was understood; if something is missing, go there and list its choices."""
        understood = self.understood()
        if understood is not None:
            self.dismiss(understood)
            return
        self.tried = True
        self.understood()
        self.app.bell()
        missing = self.where_missing()
        missing.focus()
        if isinstance(missing, Select):
            missing.action_open()

    def where_missing(self) -> Widget:
        """Return the widget to go on with: the missing field or instrument, or the present one."""
        for at, one in enumerate(self.fields):
            if one.key == self.missing:
                field = self.query_one(f"#field-{at}")
                filled = isinstance(field, Input) and field.value.strip()
                return self.query_one(f"#{self.with_what(at)}") if filled else field
        return self.focused or self.query_one("#enter")

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
