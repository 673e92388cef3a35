"""The base of screens on a job that others may work on too: it saves entries and shows those of others."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable

from textual import work
from textual.worker import get_current_worker

from advisor.advice.advice import CandidateReading
from advisor.bench.session import InconsistentEvidence, NotSo, Session
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.news import SHORT_SECONDS
from advisor.screens.widgets.saving import AGAIN_SECONDS, tell_to_wait, tell_unsaved
from advisor.simulate.rollout import LookAhead, ToEnd
from advisor.simulate.same_decision import SameDecision
from advisor.store.errors import StaleWrite, StoreError

LOOK_EVERY_SECONDS = AGAIN_SECONDS
"""Interval between looks for changes by others, and between attempts to save an unsaved answer."""
SLOW_SECONDS = 0.5
"""After this time it is said that saving and working out are under way."""


class JobScreen(AskingScreen[None]):
    """Saves in a thread, retries what cannot be saved, rings when a wait is over, and looks ahead.

    Subclasses decide what is shown.
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
        self.to_end: ToEnd | None = None
        self.same_decision: SameDecision | None = None

    @property
    @abstractmethod
    def proposal(self) -> CandidateReading | None:
        """The reading on the card, unless the search is over."""

    @property
    def hides_suspicion(self) -> bool:
        """Whether a guess is wanted before anything is shown of what the bench suspects."""
        return self.app.settings.guess_first and self.session.awaits_guess

    @abstractmethod
    def choose(self, reading: str | None) -> None:
        """Put a reading on the card."""

    @abstractmethod
    def measure(self, reading: str, started: str = "", instead_of: int = 0, before: int = 0) -> None:
        """Ask for the numbers of a quantity reading."""

    @abstractmethod
    def show_session(self) -> None:
        """Show the session as it is now, everywhere."""

    @abstractmethod
    def show_news(self, words: str = "") -> None:
        """Show what the last entry did, or why it failed."""

    @abstractmethod
    def show_ahead(self, session: Session, found: LookAhead) -> None:
        """Say that another reading is better in the long run."""

    @abstractmethod
    def show_to_end(self, session: Session, found: ToEnd) -> None:
        """Say how far the end is."""

    @abstractmethod
    def show_same_decision(self, session: Session, found: SameDecision) -> None:
        """Say at the end of the search whether what is left to read could change it."""

    def on_mount(self) -> None:
        """Start the timer that looks for entries of others, waits that are over and unsaved answers."""
        self.set_interval(LOOK_EVERY_SECONDS, self.look_around)
        self.look_ahead_quietly()

    def on_screen_resume(self) -> None:
        """Look again when a screen above was closed."""
        self.call_after_refresh(self.app.tidy)

    def tell(self, words: str, seconds: float) -> None:
        """Show a message in the line for news for this many seconds; a longer one until the next entry."""
        self.told = words
        self.show_news()
        if seconds <= SHORT_SECONDS:
            self.set_timer(seconds, lambda: self.unsay(words))

    def unsay(self, words: str) -> None:
        """Remove a message, unless another has replaced it."""
        if self.told == words and self.is_attached:
            self.told = ""
            self.show_news()

    def change(self, make: Callable[[], Session], keep: str | None = None) -> None:
        """Replace the session by what `make` returns, with the reading `keep` on the card.

        If the entry is refused or cannot be saved, everything stays as it was.
        """
        if self.unsaved is not None:
            tell_to_wait(self)
        elif not self.saving:
            self.saving = True
            self.workers.cancel_group(self, "ahead")  # what is played is of a case that is over now
            self.set_timer(SLOW_SECONDS, self.under_way)
            self.work_out(make, keep)
        else:
            words = "Too soon: this was not entered. Wait until the entry before it is saved."
            self.tell(words, SHORT_SECONDS)

    def under_way(self) -> None:
        """Say so if the last entry is still being saved and worked out."""
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
            back(self.not_saved, make, error)
        except (InconsistentEvidence, NotSo, ProblemsFound, TooWide) as error:
            back(self.refused, str(error))
        else:
            back(self.changed, session, keep)

    def changed(self, session: Session, keep: str | None) -> None:
        """Show the job after a change was saved."""
        self.told = "Saved." if self.unsaved is not None else ""
        self.session, self.saving, self.unsaved = session, False, None
        self.chosen, self.confidence, self.ahead = keep, "certain", None
        self.to_end, self.same_decision = None, None
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
        end = session.to_end(lambda: worker.is_cancelled)
        if end is not None and not worker.is_cancelled:
            self.from_thread(self.show_to_end, session, end)
        same = session.same_decision(lambda: worker.is_cancelled)
        if same is not None and not worker.is_cancelled:
            self.from_thread(self.show_same_decision, session, same)
        found = session.better_ahead(lambda: worker.is_cancelled)
        if found is not None and not worker.is_cancelled:
            self.from_thread(self.show_ahead, session, found)

    def refused(self, why: str) -> None:
        """Say why an entry was refused; everything stays as it was."""
        self.saving, self.unsaved = False, None
        self.notify(
            f"{why} The job is as it was.", title="Not entered", severity="error", timeout=15, markup=False
        )
        self.show_session()
        self.look_ahead_quietly()

    def overtaken(self, why: str) -> None:
        """Show the job as it is now, after somebody else's entry."""
        self.saving, self.unsaved = False, None
        self.notify(why, title="Not entered", severity="warning", timeout=15, markup=False)
        self.look_for_others()

    def not_saved(self, make: Callable[[], Session], error: StoreError) -> None:
        """Keep an answer that cannot be saved now, say so, and go on trying."""
        self.saving, self.unsaved = False, make
        tell_unsaved(self.show_news, error)

    def look_around(self) -> None:
        """Try again to save, else look for entries of others; ring if a wait is over."""
        if self.unsaved is not None and not self.saving:
            self.saving = True
            self.work_out(self.unsaved)
        elif not self.saving and self.app.screen is self:
            self.look_for_others()
            self.look_at_waits()

    def look_at_waits(self) -> None:
        """Show how long a wait still lasts, and ring once when it is over."""
        waits = frozenset(setup for setup, left in self.session.waiting.items() if left > 0)
        if not waits and not self.ringing:
            return
        before, fresh = self.session, self.session.refreshed()
        over = self.ringing - {setup for setup, left in fresh.waiting.items() if left > 0}
        for setup in over & set(fresh.waiting):
            self.app.bell()
            self.notify(f"Ready: {fresh.knowledge.setups[setup].name}", title="The wait is over", timeout=30)
        self.ringing = waits - over
        if over or any(round(fresh.waiting[one]) != round(self.session.waiting[one]) for one in waits):
            self.show_later(before, fresh)

    @work(thread=True, exclusive=True, group="waits")
    def show_later(self, before: Session, fresh: Session) -> None:
        """Work out the same job for the present time, off the event loop."""
        fresh.worked_out(self.chosen)
        self.from_thread(self.later, before, fresh)

    def later(self, before: Session, fresh: Session) -> None:
        """Show the job at the present time, unless this bench has gone on meanwhile."""
        if self.session is before and not self.saving:
            self.session = fresh
            self.show_session()

    @work(thread=True, exclusive=True, group="others")
    def look_for_others(self) -> None:
        """Look whether somebody else has entered something on this job, and show it."""
        session = self.session
        try:
            newer = session.newer()
            if newer is not None:
                newer.worked_out()
        except StoreError:
            return  # reported at the next attempt to save
        except InconsistentEvidence as error:
            self.app.call_from_thread(self.refused, str(error))
            return
        if newer is not None:
            self.from_thread(self.others_entered, session, newer)

    def others_entered(self, before: Session, newer: Session) -> None:
        """Show what others have entered, unless this bench has gone on meanwhile."""
        if self.session is before and not self.saving:
            self.session, self.chosen = newer, None
            self.show_session()
            self.notify("Somebody else has entered something on this job.", timeout=10)
