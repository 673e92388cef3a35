"""The screen of the job card, for the file or in plain words for the customer; saved on request."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Button, Static

from advisor.bench.session import Session
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.paper import MarkdownView


class JobCardScreen(AskingScreen[None]):
    """Shows the job card as it stands."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c", "customer", "Customer", tooltip="Switch between the job card and the customer's page"),
        Binding("s", "save", "Save", tooltip="Save what is shown as a page to print (HTML)"),
        Binding("escape", "back", "Back", tooltip="Back to where you came from"),
    ]

    def __init__(self, session: Session, customer: bool = False) -> None:
        super().__init__()
        self.session = session
        self.customer = customer

    def compose(self) -> ComposeResult:
        """Lay out the card and its buttons."""
        yield MarkdownView(name="text")
        with Horizontal(id="row"):
            yield Button(id="customer", compact=True)
            yield Button("Save to print", id="save", compact=True)
            yield Button("Back", id="back", compact=True)
        yield Static(id="says", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the page asked for."""
        self.show_card()
        self.query_one("#text").focus()

    def show_card(self) -> None:
        """Show the card for the file or for the customer."""
        customer = self.customer
        self.query_one("#customer", Button).label = "Job card" if customer else "Customer's page"
        self.query_one(MarkdownView).show(lambda: self.session.job_card("markdown", customer))

    @on(Button.Pressed, "#customer")
    def action_customer(self) -> None:
        """Switch between the two."""
        self.customer = not self.customer
        self.show_card()

    @on(Button.Pressed, "#save")
    def action_save(self) -> None:
        """Save as HTML: as a download in a browser, else in the downloads folder."""
        self.deliver(self.customer)

    @work(thread=True)
    def deliver(self, customer: bool) -> None:
        """Write the page off the event loop, and save it."""
        page = self.session.job_card("html", customer)
        name = f"{'customer' if customer else 'job'}-{self.session.filed.number or 'new'}.html"
        self.app.call_from_thread(self.app.deliver_paper, page, name, "text/html")

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Back to the bench."""
        self.dismiss(None)
