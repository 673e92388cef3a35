"""The screen of all readings behind key o: ordered as wanted, searched while typing, one of them taken."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import ClassVar, NamedTuple

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from advisor.advice.advice import LATER
from advisor.bench.readings import ReadingGroup, ReadingLine, found, reading_groups
from advisor.bench.session import Ranking, Session
from advisor.papers.format import bar, duration
from advisor.screens.bench.job import JobScreen
from advisor.screens.bench.lookahead import LookAheadScreen
from advisor.screens.bench.trolley import TrolleyScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.simulate.rollout import LookAhead
from advisor.store.errors import StoreError
from advisor.text import cut

ORDERS: dict[Ranking, tuple[str, str]] = {
    "bits for the time": ("p", "Most for the time"),
    "bits": ("i", "Tells most"),
    "quick looks": ("q", "Quick looks"),
    "on the trolley": ("t", "Trolley"),
}
"""The key and the name of each order of the readings."""
KEYS = 9
"""The most lines with a digit key of their own."""
WIDE = 100
"""From so many columns on, the details stand beside the list."""
DETAIL_SHARE = 0.36
"""The part of a wide screen that the details take."""
AROUND_A_LINE = 3
"""Columns of the list that its lines do not have: a blank on each side, and the scroll bar."""
NO_BREAK = "\N{NO-BREAK SPACE}"
MINUTES, MARK = 7, 5
"""Columns of minutes, and of the mark for a proof or a question to the customer."""


class Picked(NamedTuple):
    """The reading to put on the card, or one to be answered at once: again, or as read before a step.

    It may be one that is wanted `all_the_same`, although others still need what it ends.
    """

    reading: str
    again: bool
    before: int = 0
    all_the_same: bool = False


class ReadingsScreen(AskingScreen[Picked]):
    """Returns the reading picked, or None for going back; the order is changed here, for everybody."""

    AUTO_FOCUS = "#readings"
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(n), f"pick({n - 1})", show=False) for n in range(1, KEYS + 1)),
        Binding("slash", "search", "Search", key_display="/", tooltip="Search by name, setup, tool or cause"),
        Binding(
            "p", "order('bits for the time')", show=False, tooltip="Order: most told for the time, as usual"
        ),
        Binding("i", "order('bits')", show=False, tooltip="Order: what tells most, however long it takes"),
        Binding("q", "order('quick looks')", show=False, tooltip="Only quick looks, of a few minutes"),
        Binding(
            "t",
            "order('on the trolley')",
            show=False,
            tooltip="Only with the tools on the trolley; say which",
        ),
        Binding("l", "look_ahead", "Play out", tooltip="Compare readings: minutes until the car is repaired"),
        Binding("down", "to_list", show=False),
        Binding("escape", "back", "Back", tooltip="Leave the search, then the list; the card stays as it is"),
    ]
    opens = frozenset({"escape", "slash", "p", "i", "q", "t", "l"})

    def __init__(self, bench: JobScreen) -> None:
        super().__init__()
        self.HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (WIDE, "-wide")]
        self.bench = bench
        self.groups: tuple[ReadingGroup, ...] = ()
        self.shown: dict[str, tuple[ReadingLine, ReadingGroup]] = {}

    @property
    def session(self) -> Session:
        """The job on the bench."""
        return self.bench.session

    @property
    def ahead(self) -> LookAhead | None:
        """What playing out in the background has found."""
        return self.bench.ahead

    def compose(self) -> ComposeResult:
        """Lay out the order and the search above the list, and the details beside or below it."""
        complaint = self.session.complaint.name
        yield Static(f"Readings · {self.session.filed.tag} · {complaint}", id="title", markup=False)
        yield Static(id="order")
        yield Input(placeholder="/ search: name, setup, tool, cause", id="search", compact=True)
        with Container(id="middle"):
            with Vertical(id="left"):
                yield Static(id="columns", markup=False)
                yield OptionList(id="readings")
            with VerticalScroll(id="right", can_focus=False):
                yield Static(id="detail")
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the readings."""
        self.read_anew()

    def on_resize(self) -> None:
        """Fit the lines to the new width."""
        self.list_lines()

    # What is shown

    def read_anew(self) -> None:
        """Show the readings of the job as it is now, the first one highlighted."""
        hidden = self.bench.hides_suspicion  # what tells most would give the guess away
        proposal, ahead = (None, None) if hidden else (self.bench.proposal, self.ahead)
        self.groups = reading_groups(self.session, proposal, ahead)
        self.query_one("#order", Static).update(_orders(self.session.ranking))
        self.list_lines()
        self.query_one("#readings", OptionList).highlighted = self.first()
        if not self.query_one("#search").has_focus:  # what is typed there asks nothing new
            self.asks((self.session.ranking, tuple(self.shown)))

    def list_lines(self) -> None:
        """List the readings that fit what is typed; the same one stays highlighted."""
        listed = self.query_one("#readings", OptionList)
        before = listed.highlighted_option.id if listed.highlighted_option else None
        groups = found(self.groups, self.query_one("#search", Input).value)
        self.shown = {f"{one.kind} {line.reading}": (line, one) for one in groups for line in one.lines}
        self.query_one("#columns", Static).update(_columns(self.line_width))
        listed.clear_options()
        listed.add_options(self.options(groups))
        if not any(one.kind != "left out" for one in groups):
            listed.add_option(Option(Content(self.nothing()), disabled=True))
        listed.highlighted = listed.get_option_index(before) if before in self.shown else self.first()
        self.show_detail()

    @property
    def line_width(self) -> int:
        """Columns of a line of the list."""
        width = self.size.width
        if width >= WIDE:
            width -= self.detail_width
        return width - AROUND_A_LINE

    @property
    def detail_width(self) -> int:
        """Columns of the details where they stand beside the list."""
        return round(self.size.width * DETAIL_SHARE)

    def options(self, groups: tuple[ReadingGroup, ...]) -> Iterator[Option]:
        """Yield the headings and the lines below them; the first nine that can be picked have a digit."""
        number = 0
        for at, group in enumerate(groups):
            blank = Content("\n") if at else Content()
            yield Option(Content.assemble(blank, (group.heading.upper(), "bold dim")), disabled=True)
            for line in group.lines:
                number += group.kind != "left out"
                digit = str(number) if group.kind != "left out" and number <= KEYS else ""
                yield Option(_words(line, digit, self.line_width), id=f"{group.kind} {line.reading}")

    def nothing(self) -> str:
        """Say why no reading is listed that can be picked, and what to do."""
        if self.query_one("#search", Input).value.strip():
            return "No reading fits what is typed. Esc clears it."
        if self.session.ranking in ("quick looks", "on the trolley") and self.session.advice.proposals:
            return "No reading is left in this order. Key p lists all of them."
        return "No reading that can be taken here tells anything. Those taken are found by key /."

    def first(self) -> int | None:
        """Return where the first line is that can be gone to."""
        options = self.query_one("#readings", OptionList).options
        return next((at for at, one in enumerate(options) if not one.disabled), None)

    def show_detail(self) -> None:
        """Show all of the highlighted reading."""
        highlighted = self.query_one("#readings", OptionList).highlighted_option
        line = self.shown.get(highlighted.id or "") if highlighted else None
        if line is None:
            words = Content()
        else:
            between = "\n\n" if self.size.width >= WIDE else " "
            said = f"Cannot be taken now: {line[0].remark}." if line[1].kind == "left out" else ""
            words = Content.assemble(
                (line[0].name, "bold"),
                "\n" if self.size.width < WIDE else "\n\n",
                between.join(filter(None, (said, *line[0].details))),
            )
        self.query_one("#right").styles.width = self.detail_width if self.size.width >= WIDE else "100%"
        self.query_one("#right", VerticalScroll).scroll_home(animate=False)
        self.query_one("#detail", Static).update(words)

    def tell(self, words: str, seconds: float) -> None:
        """Show a message in place of the details, until another line is gone to."""
        self.query_one("#detail", Static).update(Content.styled(words, "bold"))

    # What a person does

    @on(OptionList.OptionHighlighted)
    def moved(self) -> None:
        """Show the details of the line gone to."""
        self.show_detail()

    @on(Input.Changed)
    def searched(self) -> None:
        """List what fits, with the first of it highlighted."""
        self.list_lines()
        self.query_one("#readings", OptionList).highlighted = self.first()

    @on(Input.Submitted)
    def action_to_list(self) -> None:
        """Go from the search to the list."""
        self.query_one("#readings").focus()

    def action_search(self) -> None:
        """Go to the search."""
        self.query_one("#search").focus()

    def action_back(self) -> None:
        """Leave the search and clear it, or go back to the card."""
        search = self.query_one("#search", Input)
        if self.focused is search or search.value:
            search.value = ""
            self.action_to_list()
        else:
            self.dismiss(None)

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Hand back the reading, or say why it cannot be taken."""
        self.pick(event.option_id or "")

    def action_pick(self, at: int) -> None:
        """Hand back the reading with this digit."""
        keys = [key for key, (_, group) in self.shown.items() if group.kind != "left out"]
        if at < len(keys):
            self.pick(keys[at])

    def pick(self, key: str) -> None:
        """Hand back a reading, unless it is one of those left out."""
        line, group = self.shown[key]
        if group.kind == "left out":
            later = line.remark.startswith(LATER)
            earlier = self.session.read_earlier(line.reading, out_of_reach=not later)
            if earlier or later:
                why = f"“{line.name}” cannot be taken now: {line.remark}."
                self.ask_all_the_same(line.reading, why, earlier, later)
            else:
                self.tell(f"“{line.name}” cannot be taken now: {line.remark}. Choose another one.", 0)
        else:
            self.dismiss(Picked(line.reading, group.kind == "taken"))

    def ask_all_the_same(
        self, reading: str, why: str, earlier: tuple[tuple[int, str], ...], later: bool
    ) -> None:
        """Ask whether a reading was read while it could be, or is to be taken all the same."""

        def said(what: str | None) -> None:
            if what == "now":
                self.dismiss(Picked(reading, again=False, all_the_same=True))
            elif what:
                self.dismiss(Picked(reading, again=True, before=int(what)))

        lines = [(str(step), f"It was read before that: before {words}") for step, words in earlier]
        if later:
            lines.append(("now", "Go on all the same: take it now"))
        self.app.push_screen(ChoiceScreen(why, [*lines, ("", "Choose another one")]), said)

    def action_order(self, ranking: Ranking) -> None:
        """Order the readings otherwise; for those on the trolley, ask first what is on it."""
        session = self.session
        if ranking != "on the trolley":
            self.change(lambda: session.ranked(ranking))
            return

        def off(instruments: frozenset[str] | None) -> None:
            if instruments is not None:
                self.change(lambda: session.with_trolley(instruments))

        self.app.push_screen(TrolleyScreen(session), off)

    def change(self, make: Callable[[], Session]) -> None:
        """Save another order, unless the last entry on the job is not saved yet."""
        if self.bench.saving or self.bench.unsaved is not None:
            self.tell("The last entry is not saved yet. It is kept. Wait until it is, then try again.", 0)
        else:
            self.bench.saving = True
            self.work_out(make)

    @work(thread=True, group="saving")
    def work_out(self, make: Callable[[], Session]) -> None:
        """Save the order and work out what it begins with, off the event loop."""
        try:
            session = make().worked_out()
        except StoreError as error:
            self.from_thread(self.not_ordered, str(error))
        else:
            self.from_thread(self.ordered, session)

    def ordered(self, session: Session) -> None:
        """Show the readings in their new order, here and on the bench."""
        self.bench.changed(session, None)
        self.read_anew()

    def not_ordered(self, why: str) -> None:
        """Say why the order stays as it was."""
        self.bench.saving = False
        self.tell(f"The order is as it was. {why}", 0)

    def action_look_ahead(self) -> None:
        """Play the best readings out to the end, and take one of them."""
        session = self.session
        if not session.plays_out:
            self.tell("This complaint is too interconnected to play cars out.", 0)
        elif not session.can_look_ahead:
            self.tell("There is nothing to play out now.", 0)
        else:
            self.app.push_screen(LookAheadScreen(session), self.played_out)

    def played_out(self, reading: str | None) -> None:
        """Hand back the reading chosen among those played out."""
        if reading is not None:
            self.dismiss(Picked(reading, again=False))


def _orders(now: Ranking) -> Content:
    """Return the orders with their keys, to be tapped as well; the present one is marked."""
    parts: list[Content] = []
    for ranking, (key, name) in ORDERS.items():
        mark, style = (f"▸{NO_BREAK}", "bold") if ranking == now else ("", "")
        words = Content.assemble((key, "bold"), f" {name}".replace(" ", NO_BREAK))
        line = Content.assemble(mark, words.stylize(style)) if style else words
        parts.append(line.stylize(f"@click=screen.order({ranking!r})"))
    return Content("   ").join([Content.styled("Order", "dim"), *parts])


def _words(line: ReadingLine, digit: str, width: int) -> Content:
    """Return a reading on one line: its digit and name, its mark, minutes apart, and what it tells."""
    if line.remark:
        return Content.assemble(f"{digit:2}", _split(line.name, line.remark, width - 2))
    tells = _bar_width(width)
    room = width - 2 - MARK - 2 * MINUTES - tells - 3
    wait = duration(line.waiting_minutes) if line.waiting_minutes >= 0.5 else "–"
    work = duration(line.hands_on_minutes)
    return Content.assemble(
        f"{digit:2}{cut(line.name, room):<{room}} ",
        (f"{line.mark:<{MARK}}", "bold"),
        f"{work:>{MINUTES}}{wait:>{MINUTES}}  ",
        (bar(max(line.told, 1 / (8 * tells)), tells), "$primary"),
    )


def _split(name: str, remark: str, width: int) -> str:
    """Return a name and a remark in two columns; the details have both in full."""
    room = width * 11 // 20
    return f"{cut(name, room):<{room}}  {cut(remark, width - room - 2)}"


def _columns(width: int) -> str:
    """Return the heading of the columns."""
    tells = _bar_width(width)
    return f"{'':{width - 2 * MINUTES - tells - 1}}{'work':>{MINUTES}}{'wait':>{MINUTES}}  tells"


def _bar_width(width: int) -> int:
    return 5 if width < 70 else 8
