"""The job card on the screen: for the file, or in plain words for the customer; saved on request."""

from __future__ import annotations

import io
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widgets import Button, Footer, Markdown

from advisor.session import Session


class JobCardScreen(Screen[None]):
    """Shows the job card as it stands."""

    CSS = """
    JobCardScreen #row { height: auto; }
    JobCardScreen Button { width: 1fr; }
    JobCardScreen #text { height: 1fr; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c", "customer", "Customer", tooltip="Switch between the job card and the customer's page"),
        Binding("s", "save", "Save", tooltip="Save what is shown as a page to print (HTML)"),
        Binding("escape", "back", "Back", tooltip="Back to the bench"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.customer = False

    def compose(self) -> ComposeResult:
        """The card, and what can be done with it."""
        with VerticalScroll(id="text"):
            yield Markdown()
        with Horizontal(id="row"):
            yield Button("Customer's page / job card", id="customer", compact=True)
            yield Button("Save as a page to print", id="save", compact=True)
            yield Button("Back", id="back", compact=True)
        yield Footer()

    async def on_mount(self) -> None:
        """Show the job card first."""
        await self.show_card()
        self.query_one("#text").focus()

    async def show_card(self) -> None:
        """Show the card for the file or for the customer."""
        await self.query_one(Markdown).update(self.session.job_card("markdown", self.customer))
        self.query_one("#text", VerticalScroll).scroll_home(animate=False)

    @on(Button.Pressed, "#customer")
    async def action_customer(self) -> None:
        """Switch between the two."""
        self.customer = not self.customer
        await self.show_card()

    @on(Button.Pressed, "#save")
    def action_save(self) -> None:
        """Save as HTML: in the browser it is downloaded, in a terminal it goes to the downloads folder."""
        kind = "customer" if self.customer else "job"
        self.app.deliver_text(
            io.StringIO(self.session.job_card("html", self.customer)),
            save_filename=f"{kind}-{self.session.filed.number}.html",
            open_method="download",
            mime_type="text/html",
        )

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Back to the bench."""
        self.dismiss(None)
