"""The screen that says why a cause is not the leading one, and what would turn it round."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.advice.turning import Turning
from advisor.bench.session import Session
from advisor.bench.whynot import IN_ORDER, WhyNot, explanation_lines, heading, lines, turning_lines, wrap
from advisor.papers.format import bar, percent
from advisor.screens.bench.job import JobScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.simulate.turned import Tried

WIDE = 110
"""From so many columns on the list and what would turn it round stand beside the explanation."""
WORKING, PLAYING = "Working it out …", "Playing it on cars like this one …"
NOT_PLAYED = "Not played: that takes a car with the complaint there, and knowledge that one engine holds."
Asked = tuple[str, str | None]
"""The cause that was looked at last, and the reading to take or None."""


def ask_why_not(bench: JobScreen) -> None:
    """Show why a cause is not the leading one; the job card explains the one that was looked at last."""

    def back(asked: Asked | None) -> None:
        if asked is None:
            return
        (cause, reading), session = asked, bench.session
        if reading is not None:
            bench.change(lambda: bench.session.asking_about(cause), reading)
        elif cause != session.asked_about and not bench.saving:
            bench.show_later(session, session.asking_about(cause))

    bench.app.push_screen(WhyNotScreen(bench.session), back)


class WhyNotScreen(AskingScreen[Asked]):
    """A list of causes, and the explanation of one of them; on a narrow screen one or the other."""

    AUTO_FOCUS = ""  # digits are readings until somebody searches
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(str(n), f"take({n - 1})", "Take it", tooltip=f"Put reading {n} on the card")
            for n in range(1, 10)
        ),
        Binding("up", "other(-1)", "Another", key_display="↑↓", priority=True, tooltip="The cause before"),
        Binding("down", "other(1)", show=False, priority=True, tooltip="The next cause"),
        Binding("enter", "explain", "Explain", tooltip="Explain the cause that is marked"),
        Binding(
            "slash", "search", "By name", key_display="/", priority=True, tooltip="Find a cause by its name"
        ),
        Binding("pagedown,space", "page(1)", show=False, key_display="PgDn", tooltip="Read on"),
        Binding("pageup", "page(-1)", show=False, key_display="PgUp", tooltip="Read back"),
        Binding("escape", "back", "Task", tooltip="Back to the task; from the search, back to all causes"),
    ]
    opens = frozenset({"escape", "enter", "slash", "pagedown", "pageup", "space"})

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.causes = session.other_causes
        self.shares = {one.fault: one.probability for one in session.advice.suspects}
        self.listed = self.causes
        known = session.asked_about in self.causes
        self.cause = session.asked_about if known else next(iter(self.causes), "")
        self.listing = True
        """Whether a narrow screen shows the list of causes."""
        self.why: WhyNot | None = None
        self.found: Turning | None = None
        self.tried: tuple[Tried, ...] | None = None

    def compose(self) -> ComposeResult:
        """Lay out the explanation, what would turn it round, and the causes to choose from."""
        yield Static(id="title", markup=False)
        with Horizontal(id="middle"):
            with VerticalScroll(id="explained", can_focus=False):
                yield Static(id="why", markup=False)
                yield Static(id="below", markup=False)
            with Vertical(id="side"):
                with VerticalScroll(id="turning", can_focus=False):
                    yield Static(id="turns", markup=False)
                yield Static("Which cause? The most probable first.", id="which", markup=False)
                yield Input(placeholder="part of its name", id="search", compact=True)
                causes = OptionList(id="causes", compact=True)
                causes.can_focus = False
                yield causes
        yield KeyLine()

    def on_mount(self) -> None:
        """List the causes, and explain the first one."""
        self.query_one("#search").display = False
        self.list_causes()
        self.work_out(self.cause)

    def on_resize(self) -> None:
        """Lay everything out for the new size."""
        self.show_all()

    @property
    def wide(self) -> bool:
        """Whether list and explanation stand side by side."""
        return self.size.width >= WIDE

    # What is worked out, off the event loop

    @work(thread=True, exclusive=True, group="why")
    def work_out(self, cause: str) -> None:
        """Explain a cause, then find what would turn it round, then play that; another cause stops it."""
        worker, session = get_current_worker(), self.session

        def stop() -> bool:
            return worker.is_cancelled

        def show(why: WhyNot, found: Turning | None = None, tried: tuple[Tried, ...] | None = None) -> None:
            if not stop():
                self.from_thread(self.show_found, cause, why, found, tried)

        if not cause or stop():
            return
        why = session.why_not(cause)
        show(why)
        found = session.turning(why, stop)
        if found is None:
            return
        show(why, found)
        if session.can_try_ways and not stop():
            show(why, found, session.try_ways(found, stop))

    def show_found(
        self, cause: str, why: WhyNot, found: Turning | None, tried: tuple[Tried, ...] | None
    ) -> None:
        """Show what has been worked out so far, unless another cause was chosen meanwhile."""
        if cause == self.cause:
            self.why, self.found, self.tried = why, found, tried
            self.show_all()

    # What is shown

    def show_all(self) -> None:
        """Show everything for the present size."""
        title = self.session.knowledge.title
        self.set_class(self.wide, "wide")
        self.set_class(not self.wide and self.listing, "listing")
        named = f"Why not “{title(self.cause)}”?" if self.cause else "There is one cause only."
        self.query_one("#title", Static).update(f"{self.session.filed.tag} · {named}")
        self.query_one("#why", Static).update(self.explanation())
        turns = self.turns()
        self.query_one("#below", Static).update("" if self.wide else turns)
        self.query_one("#turns", Static).update(turns if self.wide else "")
        self.asks((self.cause, self.readings))
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool:
        """Offer only keys that do something: digits of readings that are shown, Enter where it explains."""
        listing = self.listing and not self.wide
        if action == "take":
            return not listing and parameters[0] in range(len(self.readings))
        return listing if action == "explain" else True

    @property
    def room(self) -> tuple[int, int]:
        """Columns of the explanation, and of what would turn it round."""
        if not self.wide:
            return self.size.width - 3, self.size.width - 3
        return min(self.size.width * 55 // 100 - 4, 90), min(self.size.width * 45 // 100 - 5, 76)

    def explanation(self) -> Content:
        """Return the explanation as far as it is worked out."""
        if self.why is None:
            return Content(WORKING if self.cause else "")
        (width, _), height = self.room, self.size.height
        if not self.wide:
            most = max(2, min(6, height - 21))
            return Content("\n".join(explanation_lines(self.why, width, most)))
        tall = height >= 34
        most = max(3, (height - 16) // (2 if tall else 1))
        said = [line for line in (self.why.verdict(), self.why.both_words(), IN_ORDER) if line]
        return Content.assemble(
            ("\n".join(wrap(heading(self.why), width)), "bold"),
            "\n\n",
            "\n".join(lines(self.why, width, most, who_below=tall)),
            "\n\n",
            "\n".join(line for words in said for line in wrap(words, width)),
        )

    def turns(self) -> Content:
        """Return what would turn it round, as far as it is worked out."""
        if self.why is None:
            return Content("")
        if self.found is None:
            said = [WORKING]
        else:
            untried = PLAYING if self.session.can_try_ways else NOT_PLAYED
            ways = turning_lines(self.why, self.found, self.tried, self.room[1], untried, self.most_ways)
            said = list(ways)
        before = "\n" if self.size.height >= 30 and not self.wide else ""
        # What a digit takes stands out.
        styled = [(line, "bold") if line[1:2].isdigit() else line for line in said]
        return Content.assemble(before, ("What would turn it round", "bold")) + Content("\n").join(
            [Content(""), *(Content.assemble(line) for line in styled)]
        )

    @property
    def most_ways(self) -> int:
        """So many ways to turn it round are shown."""
        return 3 if self.size.height >= 30 else 1

    @property
    def readings(self) -> tuple[str, ...]:
        """The readings that digits take, in order."""
        ways = self.found.ways[: self.most_ways] if self.found else ()
        return tuple(one.reading for way in ways for one in way.readings)

    def list_causes(self) -> None:
        """List the causes that every word typed fits, with their probabilities."""
        words = self.query_one("#search", Input).value.casefold().split()
        title = self.session.knowledge.title
        self.listed = tuple(
            one for one in self.causes if all(word in title(one).casefold() for word in words)
        )
        causes = self.query_one("#causes", OptionList)
        causes.clear_options()
        causes.add_options(Option(self.cause_line(one), id=one) for one in self.listed)
        self.mark()

    def cause_line(self, cause: str) -> Content:
        """Return a cause with its probability and a bar; the one explained is marked."""
        share = self.shares[cause]
        mark = "▸" if cause == self.cause else " "
        title = self.session.knowledge.title(cause)
        return Content.assemble(f"{mark} {percent(share):>5} ", (bar(share, 5), "$primary"), f" {title}")

    def mark(self) -> None:
        """Mark the cause that is explained, and bring it into view."""
        causes = self.query_one("#causes", OptionList)
        causes.highlighted = self.listed.index(self.cause) if self.cause in self.listed else None

    # What a person does

    def choose(self, cause: str) -> None:
        """Explain another cause."""
        if cause == self.cause:
            return
        before, self.cause = self.cause, cause
        causes = self.query_one("#causes", OptionList)
        for one in (before, cause):
            if one in self.listed:
                causes.replace_option_prompt(one, self.cause_line(one))
        self.mark()
        self.why = self.found = self.tried = None
        self.show_all()
        self.query_one("#explained", VerticalScroll).scroll_home(animate=False)
        self.work_out(cause)

    def action_other(self, by: int) -> None:
        """Go to the next cause of the list, or the one before."""
        if self.listed:
            at = self.listed.index(self.cause) + by if self.cause in self.listed else 0
            self.choose(self.listed[max(0, min(at, len(self.listed) - 1))])

    def action_explain(self) -> None:
        """Show the explanation of the marked cause, where only the list is shown."""
        if self.cause in self.listed:
            self.listing = False
            self.show_all()

    def action_search(self) -> None:
        """Find a cause by words of its name."""
        self.listing = True
        field = self.query_one("#search", Input)
        field.display = True
        field.focus()
        self.show_all()

    @on(Input.Changed)
    def find(self) -> None:
        """Narrow the list, and explain its first cause."""
        self.list_causes()
        if self.listed and self.cause not in self.listed:
            self.choose(self.listed[0])

    @on(Input.Submitted)
    def take_found(self) -> None:
        """Explain what was found, and list all causes again."""
        if self.listed:
            self.end_search()
            self.action_explain()

    def end_search(self) -> None:
        """Put the search away and list all causes again."""
        field = self.query_one("#search", Input)
        field.value = ""
        field.display = False
        self.set_focus(None)
        self.list_causes()

    @on(OptionList.OptionSelected)
    def tapped(self, event: OptionList.OptionSelected) -> None:
        """Explain the cause that was tapped."""
        self.choose(event.option_id or "")
        self.action_explain()

    def action_take(self, at: int) -> None:
        """Put a reading that would turn it round on the card."""
        self.dismiss((self.cause, self.readings[at]))

    def action_page(self, pages: int) -> None:
        """Scroll the explanation by pages."""
        self.query_one("#explained", VerticalScroll).scroll_relative(
            y=pages * max(1, self.size.height - 4), animate=False
        )

    def action_back(self) -> None:
        """Put the search away; else go back to the task."""
        if self.query_one("#search").display:
            self.end_search()
        else:
            self.dismiss((self.cause, None) if self.cause else None)
