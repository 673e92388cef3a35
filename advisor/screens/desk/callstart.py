"""The screen that starts a call: which car, and what the customer says; several complaints are fine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

from rich.cells import cell_len
from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widgets import Button, Input, Static
from textual.worker import get_current_worker

from advisor.advice.situation import InconsistentEvidence
from advisor.bench.session import Engines
from advisor.case.entries import TOLD
from advisor.desk.booking import gets_here
from advisor.desk.bookingsheet import (
    BESIDE_DANGER,
    OUTSIDE,
    dangers_lines,
    harmless_words,
    how_to_settle,
    not_so_words,
    settled_lines,
    withdrawn_words,
)
from advisor.desk.call import (
    Call,
    CallDangers,
    Inspection,
    Visit,
    dangers_now,
    heard,
    looks_said,
    tag_and_said,
    visits,
)
from advisor.desk.questions import Fitting
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.policy import Policy
from advisor.screens.desk.complaints import NONE_OF_THESE, NONE_WORDS
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.cardtext import CardText
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.labelled import Labelled
from advisor.screens.widgets.ticks import TickList
from advisor.store.errors import StoreError
from advisor.store.records import tag_too_long
from advisor.store.store import Store

TITLE = "A call: which car, and what is it about?"
CANNOT_SAY = "The customer cannot say: taken as the worst"
"""The line of an answer that nobody has."""
NOT_SO = "not so"
"""The key of the line for none of several dangers; no id in the knowledge has spaces."""
NOTHING_SEEN = "None of these: nothing is lit, or there is no such thing"
"""The line of an answer that there is no such danger after all."""
ALL_OF_THEM = "all of them"
"""The key of the line for all dangers that are open; no id in the knowledge has spaces."""
NOTHING_TICKED = "No complaint is ticked. Tick one, or 'None of these'."
LOOKING = "Looking for what fits …"
MORE = "▼ There is more to read out: PgDn."
NOT_ALL_READ_OUT = "Not all of it was in view. Read out what is now, then press F9 again."
MOST_LETTERS = 1000
"""What a customer says may be so long (our choice), also where it is typed into the tag."""
LOOKS_SAID = "The tag looks like what the customer says, not like the name of a car."


class CallStartScreen(AskingScreen[Call | Inspection | Visit]):
    """Returns a new call or inspection, an open visit to go on with, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f10,ctrl+s", "go", "Go on", key_display="F10", tooltip="Go on to the questions"),
        Binding("f9", "told", "Told", tooltip="The customer was told of the danger"),
        Binding("f7", "move", "Move", tooltip="Move the tag to what the customer says"),
        Binding("f8", "not_so", "Not so", tooltip="The customer was asked: there is no such danger"),
        Binding("pagedown", "page(1)", show=False, priority=True, tooltip="Read on about the danger"),
        Binding("pageup", "page(-1)", show=False, priority=True, tooltip="Read back about the danger"),
        Binding("escape", "back", "Back", tooltip="No call"),
    ]

    def __init__(self, engines: Engines, store: Store, policy: Policy) -> None:
        super().__init__()
        self.engines, self.store, self.policy = engines, store, policy
        self.chosen: set[str] = set()
        self.dangers = CallDangers()
        self.looked_up = ("", "")
        """The words and the tag as they were last looked up."""
        self.has_changed = False
        """Whether a look is due for what was typed since."""
        self.is_looking = False
        self.another = ""
        """A tag with an open job for which another one was asked for all the same."""
        self.kept_tag = ""
        """A tag that looks like something said, but was confirmed as the car's name."""

    def compose(self) -> ComposeResult:
        """Tag, words, and the complaints that fit them."""
        yield Static(TITLE, id="title", markup=False)
        with Vertical(id="body"):
            yield Labelled(
                "Tag of the car",
                Input(
                    placeholder="no names, no number plates", id="tag", max_length=MOST_LETTERS, compact=True
                ),
            )
            yield Labelled(
                "Customer says",
                Input(
                    placeholder='e.g. "dead in the morning"',
                    id="words",
                    max_length=MOST_LETTERS,
                    compact=True,
                ),
            )
            yield Static(id="whole", markup=False)
            danger = CardText(name="danger")
            danger.can_focus = False
            yield danger
            yield Static(MORE, id="more", markup=False)
            yield Static(id="says", markup=False)
            yield Static(id="notice", markup=False)
            yield TickList(name="complaints", by_enter=False)
        with Horizontal(classes="row"):
            yield Button("Go on to the questions", id="go", variant="primary", compact=True)
            yield Button("Back", id="back", compact=True)
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin with the tag."""
        self.show_dangers()
        self.show_fitting(heard(self.engines.knowledge, "", ""), "")
        self.query_one("#tag").focus()

    @property
    def typed(self) -> tuple[str, str]:
        """The customer's words and the tag as they are typed now."""
        return self.query_one("#words", Input).value, self.query_one("#tag", Input).value

    def look_at_what_is_new(self) -> None:
        """Look again unless what is typed was looked up already."""
        if self.children and self.typed != self.looked_up:
            self.look_again()
        self.has_changed = False

    def look_again(self) -> None:
        """Show at once what danger is heard, and then what fits the words."""
        self.has_changed = False
        words, tag = self.looked_up = self.typed
        self.dangers = self.dangers.hearing(dangers_now(self.engines.knowledge, words, tag))
        self.query_one("#notice", Static).update("")
        self.show_dangers()
        self.show_whole()
        self.query_one("#says", Static).update(LOOKING)
        if not self.is_looking:
            self.is_looking = True
            self.look(words, tag)

    def on_resize(self) -> None:
        """Whether the words fit their field depends on its width."""
        self.call_after_refresh(self.show_whole)

    def show_whole(self) -> None:
        """Show all that the customer said, over several lines, where it is longer than its field."""
        if not self.children:  # it is being closed
            return
        field, whole = self.query_one("#words", Input), self.query_one("#whole", Static)
        whole.display = cell_len(field.value) >= field.content_size.width
        whole.update(field.value)

    @work(thread=True, group="looking")
    def look(self, words: str, tag: str) -> None:
        """Look up what fits off the event loop, one at a time: a thread for each key would take seconds."""
        found = heard(self.engines.knowledge, words, tag)
        if not get_current_worker().is_cancelled:
            self.from_thread(self.looked, found, words, tag)

    def looked(self, found: Fitting, words: str, tag: str) -> None:
        """Show what was found, or look up what was typed meanwhile."""
        self.is_looking = False
        if self.typed == (words, tag):
            self.show_fitting(found, words)
        else:
            self.look_again()

    def show_fitting(self, found: Fitting, words: str) -> None:
        """Show the complaints that fit the words, advice on normal things, and questions if unclear."""
        says = [LOOKS_SAID + " F7 moves it there."] if self.tag_looks_said() else []
        says += [harmless_words(self.engines.knowledge.harmless[one]) for one in found.harmless]
        danger = self.dangers.open or self.dangers.settled
        if found.ask and danger:
            says.append(f"{BESIDE_DANGER} F10 goes on to it.")
        elif found.ask:
            asks = f"{OUTSIDE} Or ask which it is:" if words.strip() else "Ask, or tick what it is (space):"
            says.append(asks)
            says += [f"  {one.ask} ({one.name})" for one in found.ask]
        else:
            says.append("Tick what the customer means (space); several are fine.")
        self.query_one("#says", Static).update("\n".join(says))
        kept = sorted(self.chosen - {NONE_OF_THESE, *found.complaints})
        ordered = [*found.complaints, *kept]
        lines = []
        for name in ordered:
            one = self.engines.knowledge.complaints[name]
            said = f"  ({one.customer[0]})" if one.customer else ""
            lines.append((name, Content.assemble(one.name, (said, "dim"))))
        none = (NONE_OF_THESE, Content.assemble(*NONE_WORDS))
        nothing_fits = bool(found.ask and (words.strip() or danger))
        lines.insert(0 if nothing_fits else len(lines), none)
        self.query_one("#complaints", TickList).show_lines(lines, self.chosen)

    def tell(self, words: str, seconds: float) -> None:
        """Show a message below the advice, never instead of it; it stays until the next entry."""
        self.query_one("#notice", Static).update(words)

    def show_dangers(self) -> None:
        """Show whether the car may be driven, what to tell at once, and which dangers were dealt with."""
        knowledge, dangers = self.engines.knowledge, self.dangers
        comes = gets_here(knowledge, dangers.sure)
        lines = [comes] if comes else []
        if dangers.open:
            lines.append(how_to_settle(knowledge, dangers.open))
        lines += dangers_lines(knowledge, dangers.open)
        to_see = range(len(lines) if dangers.open else 0)
        for name, how in dangers.settled.items():
            danger = knowledge.dangers[name]
            lines += settled_lines(danger) if how == TOLD else [not_so_words(danger)]
        if dangers.unsaid:
            lines.append("The words do not say it any more: F8 withdraws it.")
        lines += [withdrawn_words(knowledge.dangers[name]) for name in dangers.withdrawn]
        shown = self.query_one(CardText)
        shown.display = bool(lines)
        shown.show_lines(tuple(one.danger for one in dangers.open), [Content(line) for line in lines], to_see)
        self.query_one("#more").display = False
        self.refresh_bindings()

    @on(CardText.Looked)
    def mark_more(self) -> None:
        """Show whether some of what has to be read out was not in view yet."""
        self.query_one("#more").display = self.query_one(CardText).to_read is not None

    def action_page(self, pages: int) -> None:
        """Read on or back in what is said of the danger."""
        self.query_one(CardText).page(pages)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the keys for dangers only while one is shown."""
        if action == "move":
            return self.tag_looks_said()
        if action == "not_so":
            return bool(self.dangers.open or self.dangers.unsaid)
        if action == "page":
            return self.query_one(CardText).max_scroll_y > 0
        return bool(self.dangers.open) if action == "told" else True

    def tag_looks_said(self) -> bool:
        """Whether the tag looks like something said and was not confirmed as the car's name."""
        tag = self.query_one("#tag", Input).value.strip()
        return tag != self.kept_tag and looks_said(self.engines.knowledge, tag)

    def action_move(self) -> None:
        """Move the tag's text to what the customer says."""
        tag, words = self.query_one("#tag", Input), self.query_one("#words", Input)
        tag_value, said = tag_and_said(self.engines.knowledge, tag.value)
        words.value = f"{words.value.strip()} {said}".strip()
        tag.value = tag_value
        (words if tag_value else tag).focus()

    def ask_about_tag(self) -> None:
        """Ask whether a tag that looks like something said is the car's name all the same."""
        tag = self.query_one("#tag", Input).value.strip()

        def answered(what: str | None) -> None:
            if what == "move":
                self.action_move()
            elif what == "keep":
                self.kept_tag = tag
                self.look_again()
                self.query_one("#words").focus()

        name, said = tag_and_said(self.engines.knowledge, tag)
        what = f"“{said}”, and leave “{name}” as the tag" if name else "it"
        lines = [("move", f"Move {what} to what the customer says"), ("keep", "It is the name of the car")]
        self.app.push_screen(ChoiceScreen(f"{LOOKS_SAID}\n{tag}", lines), answered)

    def action_told(self) -> None:
        """Enter that the customer was told of the danger, or scroll to what was not in view yet."""
        if self.query_one(CardText).read_on():
            self.query_one("#notice", Static).update(NOT_ALL_READ_OUT)
            self.app.asks_anew()
            return
        known = self.engines.knowledge.dangers
        to_ask = [one.danger for one in self.dangers.open if known[one.danger].answers]
        if to_ask:
            self.ask_which(to_ask[0])
            return
        self.dangers = self.dangers.were_told()
        self.look_again()

    def ask_which(self, danger: str) -> None:
        """Ask which of several dangers it is, such as which lamp is lit; then that one is told."""
        known = self.engines.knowledge.dangers
        lines = [
            *((one, known[one].name) for one in known[danger].answers),
            (danger, CANNOT_SAY),
            (NOT_SO, NOTHING_SEEN),
        ]

        def answered(which: str | None) -> None:
            if which is None:
                return
            if which == NOT_SO:
                self.dangers = self.dangers.not_so([danger])
            elif which == danger:
                self.dangers = self.dangers.were_told([danger])
            else:
                self.dangers = self.dangers.naming(danger, which)
            self.look_again()

        self.app.push_screen(ChoiceScreen(f"{known[danger].name}: which is it?", lines), answered)

    def action_not_so(self) -> None:
        """Enter that the customer said there is no such danger, or withdraw one already told."""
        names = [one.danger for one in self.dangers.open]
        if len(names) < 2:
            self.settle_not_so(())
            return

        def answered(which: str | None) -> None:
            if which is not None:
                self.settle_not_so(names if which == ALL_OF_THEM else [which])

        known = self.engines.knowledge.dangers
        lines = [*((name, known[name].name) for name in names), (ALL_OF_THEM, "None of these dangers is so")]
        self.app.push_screen(ChoiceScreen("You asked, and which is not so?", lines), answered)

    def settle_not_so(self, names: Sequence[str]) -> None:
        """Enter that these are not so; without any, all that is open."""
        self.dangers = self.dangers.not_so(names)
        self.look_again()

    @on(Input.Changed)
    def words_changed(self) -> None:
        """Look again for dangers, then for what fits, once for all keys typed by then."""
        if not self.has_changed:
            self.has_changed = True
            self.call_after_refresh(self.look_at_what_is_new)

    @on(Input.Submitted)
    def onward(self, event: Input.Submitted) -> None:
        """Go on to the next field, on Enter."""
        if event.input.id == "tag" and self.tag_looks_said():
            self.ask_about_tag()
            return
        order = {"tag": "#words", "words": "#complaints"}
        self.set_focus(self.query_one(order[event.input.id or "tag"]))

    @on(TickList.Ticked)
    def ticked(self, event: TickList.Ticked) -> None:
        """Remember the ticks while the list changes with the words."""
        self.chosen = set(event.ticks.ticked)
        self.query_one("#notice", Static).update("")

    @on(Button.Pressed, "#go")
    def action_go(self) -> None:
        """Begin the call with what is ticked; nothing is stored before the first answer."""
        self.look_at_what_is_new()
        tag = self.query_one("#tag", Input).value.strip()
        chosen = sorted(self.chosen)
        if self.dangers.open:
            what = (
                "The customer spoke of danger. Read out what is shown, then press F9, or F8 if it is not so."
            )
            self.notify(what, severity="warning", timeout=5)
            return
        if self.dangers.told and not chosen:
            chosen = [NONE_OF_THESE]
        if not tag or not chosen:
            what = "There is no tag. Give the car one." if not tag else NOTHING_TICKED
            self.notify(what, severity="warning", timeout=5)
            if not tag:
                self.query_one("#tag").focus()
            return
        if NONE_OF_THESE in chosen and len(chosen) > 1:
            what = "'None of these' is ticked beside a complaint. Take one of the two away."
            self.notify(what, severity="warning", timeout=5)
            return
        if self.tag_looks_said():
            self.ask_about_tag()
            return
        if too_long := tag_too_long(tag):
            self.notify(too_long, severity="warning", timeout=5)
            self.query_one("#tag").focus()
            return
        self.query_one("#title", Static).update(f"Working out the questions about {tag} …")
        words = self.query_one("#words", Input).value.strip()
        self.begin(tag, chosen, words)

    @work(thread=True, exclusive=True)
    def begin(self, tag: str, complaints: list[str], words: str) -> None:
        """Work out the first question off the event loop; if the tag has an open job, ask about it."""
        knowledge = self.engines.knowledge
        call: Call | Inspection
        try:
            same = [one for one in visits(knowledge, self.store) if one.tag.casefold() == tag.casefold()]
            if same and self.another != tag:
                self.from_thread(self.ask_same_tag, tag, same)
                return
            if complaints == [NONE_OF_THESE]:
                call = Inspection.begun(knowledge, self.store, tag, words, self.dangers.settled)
                self.app.call_from_thread(self.dismiss, call)
                return
            call = Call.begun(
                self.engines, self.store, tag, complaints, self.policy, self.dangers.settled, words
            ).worked_out()
        except (StoreError, ProblemsFound, TooWide, InconsistentEvidence) as error:
            self.from_thread(self.not_begun, str(error))
            return
        self.app.call_from_thread(self.dismiss, call)

    def not_begun(self, why: str) -> None:
        """Say why there is no call."""
        self.query_one("#title", Static).update(TITLE)
        self.notify(why, severity="error", timeout=15, markup=False)

    def ask_same_tag(self, tag: str, same: list[Visit]) -> None:
        """Say that the car has an open job, and offer to go on with it."""
        self.query_one("#title", Static).update(TITLE)

        def answered(what: str | None) -> None:
            if what == "another":
                self.another = tag
                self.action_go()
            elif what is not None:
                words = self.query_one("#words", Input).value.strip()
                self.dismiss(replace(same[int(what)], said=words, dangers=self.dangers.settled))

        knowledge, today = self.engines.knowledge, self.store.clock().astimezone().date()
        lines = [(str(at), f"Go on with {one.words(knowledge, today)}") for at, one in enumerate(same)]
        lines.append(("another", "Begin another job for this tag"))
        self.app.push_screen(ChoiceScreen(f"An open job has this tag already: {tag}", lines), answered)

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back without a call; ask first if something was entered."""
        if not self.chosen and not any(one.value.strip() for one in self.query(Input)):
            self.dismiss(None)
            return

        def answered(what: str | None) -> None:
            if what == "leave":
                self.dismiss(None)

        lines = [("stay", "Go on with this call"), ("leave", "Leave it: what was typed here is lost")]
        self.app.push_screen(ChoiceScreen("This call is half entered.", lines), answered)
