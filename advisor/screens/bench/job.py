"""A screen on a job that others may work on as well: what is entered is saved, what they enter is shown."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable

from textual import work
from textual.worker import get_current_worker

from advisor.advice.advice import CandidateReading
from advisor.bench.session import InconsistentEvidence, Session
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.news import SHORT_SECONDS
from advisor.simulate.rollout import LookAhead
from advisor.store.errors import StaleWrite, StoreError

LOOK_EVERY_SECONDS = 3.0
"""How often a change by others is looked for, and an answer that could not be saved is tried again."""
SLOW_SECONDS = 0.5
"""What takes longer than this to save and work out is said to be under way."""


class JobScreen(AskingScreen[None]):
    """Saves in a thread, keeps what cannot be saved and tries again; rings when a wait is over; looks ahead.

    What is shown of it all is left to the class that is made of this one.
    """

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.chosen: str | None = None
        self.confidence = "certain"
        self.saving = False
        self.unsaved: Callable[[], Session] | None = None
        self.ringing: frozenset[str] = frozenset()
        self.told = ""
        self.ahead: LookAhead | None = None

    @property
    @abstractmethod
    def proposal(self) -> CandidateReading | None:
        """The reading on the card, unless the search is over."""

    @abstractmethod
    def choose(self, reading: str | None) -> None:
        """Put a reading on the card."""

    @abstractmethod
    def measure(self, reading: str, started: str = "", instead_of: int = 0) -> None:
        """Ask for the numbers of a quantity reading."""

    @abstractmethod
    def show_session(self) -> None:
        """Show the session as it is now, everywhere."""

    @abstractmethod
    def show_news(self, words: str = "") -> None:
        """Show what the last entry did, or what is in the way."""

    @abstractmethod
    def show_ahead(self, session: Session, found: LookAhead) -> None:
        """Say that another reading is better to the end."""

    def on_mount(self) -> None:
        """Look for what others enter, for waits that are over and for what is still to be saved."""
        self.set_interval(LOOK_EVERY_SECONDS, self.look_around)
        self.look_ahead_quietly()

    def on_screen_resume(self) -> None:
        """Another screen lay over this one."""
        self.call_after_refresh(self.app.tidy)

    def tell(self, words: str, seconds: float) -> None:
        """Say something in the line for news: for so many seconds, or until the next entry if for longer."""
        self.told = words
        self.show_news()
        if seconds <= SHORT_SECONDS:
            self.set_timer(seconds, lambda: self.unsay(words))

    def unsay(self, words: str) -> None:
        """Take something said away, unless something else is said by now."""
        if self.told == words and self.is_attached:
            self.told = ""
            self.show_news()

    def change(self, make: Callable[[], Session], keep: str | None = None) -> None:
        """Go on with the session that is made, and with the reading `keep` on the card.

        What cannot be, or cannot be saved, leaves all as it was.
        """
        if self.unsaved is not None:
            self.notify(
                "The last answer is not saved yet. It is kept here. Wait until it is, then enter this again.",
                severity="warning",
                timeout=5,
            )
        elif not self.saving:
            self.saving = True
            self.set_timer(SLOW_SECONDS, self.under_way)
            self.work_out(make, keep)

    def under_way(self) -> None:
        """Say so where the last entry still keeps the program at work."""
        if self.saving and self.unsaved is None:
            self.show_news("Your entry is being saved, and what follows worked out …")

    @work(thread=True, group="saving")
    def work_out(self, make: Callable[[], Session], keep: str | None = None) -> None:
        """Save and work out what follows, off the event loop."""
        back = self.app.call_from_thread
        try:
            session = make().worked_out(keep)
        except StaleWrite as error:
            back(self.overtaken, str(error))
        except StoreError as error:
            back(self.not_saved, make, str(error))
        except (InconsistentEvidence, ProblemsFound, TooWide) as error:
            back(self.refused, str(error))
        else:
            back(self.changed, session, keep)

    def changed(self, session: Session, keep: str | None) -> None:
        """Show where the job stands once a change is saved."""
        self.told = "Saved." if self.unsaved is not None else ""
        self.session, self.saving, self.unsaved = session, False, None
        self.chosen, self.confidence, self.ahead = keep, "certain", None
        self.show_session()
        if not session.case.is_open:
            self.dismiss()
        else:
            self.look_ahead_quietly()

    def look_ahead_quietly(self) -> None:
        """Play the best readings out in the background, unless that is not wanted."""
        if self.app.looks_ahead:
            self.play_ahead(self.session)

    @work(thread=True, exclusive=True, group="ahead")
    def play_ahead(self, session: Session) -> None:
        """Look ahead off the event loop; the next answer stops it."""
        worker = get_current_worker()
        found = session.better_ahead(lambda: worker.is_cancelled)
        if found is not None and not worker.is_cancelled:
            self.app.call_from_thread(self.show_ahead, session, found)

    def refused(self, why: str) -> None:
        """Say why an entry was refused; everything stays as it was."""
        self.saving, self.unsaved = False, None
        self.notify(
            f"{why} The job is as it was.", title="Not entered", severity="error", timeout=15, markup=False
        )
        self.show_session()

    def overtaken(self, why: str) -> None:
        """Somebody else has gone on with the job: show it as it is now."""
        self.saving, self.unsaved = False, None
        self.notify(why, title="Not entered", severity="warning", timeout=15, markup=False)
        self.look_for_others()

    def not_saved(self, make: Callable[[], Session], why: str) -> None:
        """Keep an answer that the database cannot take, say so, and go on trying."""
        self.saving, self.unsaved = False, make
        self.show_news(f"NOT SAVED YET. Your answer is kept here and tried again every few seconds. {why}")

    def look_around(self) -> None:
        """Try again to save, else look for what others have entered; ring where a wait is over."""
        if self.unsaved is not None and not self.saving:
            self.saving = True
            self.work_out(self.unsaved)
        elif not self.saving and self.app.screen is self:
            self.look_for_others()
            self.look_at_waits()

    def look_at_waits(self) -> None:
        """Show how long a wait still takes, and ring once when it is over."""
        waits = frozenset(setup for setup, left in self.session.waiting.items() if left > 0)
        if not waits and not self.ringing:
            return
        before, fresh = self.session, self.session.refreshed()
        over = self.ringing - {setup for setup, left in fresh.waiting.items() if left > 0}
        for setup in over & set(fresh.case.prepared):
            self.app.bell()
            self.notify(f"Ready: {fresh.knowledge.setups[setup].name}", title="The wait is over", timeout=30)
        self.ringing = waits - over
        if over or any(round(fresh.waiting[one]) != round(self.session.waiting[one]) for one in waits):
            self.show_later(before, fresh)

    @work(thread=True, exclusive=True, group="waits")
    def show_later(self, before: Session, fresh: Session) -> None:
        """Work out the same job at a later time, off the event loop."""
        fresh.worked_out(self.chosen)
        self.app.call_from_thread(self.later, before, fresh)

    def later(self, before: Session, fresh: Session) -> None:
        """Show the job at a later time, unless this bench has gone on meanwhile."""
        if self.session is before and not self.saving:
            self.session = fresh
            self.show_session()

    @work(thread=True, exclusive=True, group="others")
    def look_for_others(self) -> None:
        """Whether somebody else has entered something on this job."""
        session = self.session
        try:
            newer = session.newer()
            if newer is not None:
                newer.worked_out()
        except StoreError:
            return  # told as soon as something is to be saved
        except InconsistentEvidence as error:
            self.app.call_from_thread(self.refused, str(error))
            return
        if newer is not None:
            self.app.call_from_thread(self.others_entered, session, newer)

    def others_entered(self, before: Session, newer: Session) -> None:
        """Show what others have entered, unless this bench has gone on meanwhile."""
        if self.session is before and not self.saving:
            self.session, self.chosen = newer, None
            self.show_session()
            self.notify("Somebody else has entered something on this job.", timeout=10)
