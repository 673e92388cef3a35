"""The terminal program: loads the knowledge while the first screen is up, then hands over to the screens."""

from __future__ import annotations

import gc
import io
from collections.abc import Sequence
from pathlib import Path
from re import Match
from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from textual import work
from textual.binding import Binding, BindingType
from textual.color import Color
from textual.events import DeliveryComplete, DeliveryFailed, Event, Key, MouseDown, MouseUp
from textual.filter import LineFilter
from textual.notifications import SeverityLevel
from textual.screen import Screen
from textual.widgets import Input
from textual.worker import get_current_worker

from advisor.policy import DEFAULT, Policy
from advisor.screens.help import HelpScreen
from advisor.screens.welcome import WelcomeScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.attention import Attention
from advisor.screens.widgets.host import HostApp
from advisor.screens.widgets.news import SHORT_SECONDS, told
from advisor.text import UNSEEN

if TYPE_CHECKING:
    from advisor.screens.opening import Opened


class _LeftOut(LineFilter):
    """Leaves out what would drive the terminal; hardly any of it has a width, so that nothing moves."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return a line without it."""
        return [
            segment if segment.text.isprintable() else Segment(UNSEEN.sub(_room, segment.text), segment.style)
            for segment in segments
        ]


def _room(found: Match[str]) -> str:
    """Return what stands in the place of a letter that is left out."""
    return "\ufffd" * cell_len(found[0])


_UNSEEN = _LeftOut()

HARMLESS_KEYS = frozenset(
    (
        *("up", "down", "left", "right", "pageup", "pagedown", "home", "end", "tab", "shift+tab"),
        *("f1", "question_mark", "ctrl+q"),
    )
)
"""Keys that answer nothing, and the one that leaves the program; others wait until a question was read."""
RUBBING_OUT = frozenset(("backspace", "delete"))
"""Keys that belong to typing although they make no letter."""


def _age(event: Event) -> float:
    """How many seconds ago something was pressed: it may have waited to be looked at."""
    return monotonic() - event.time


LONG_SECONDS = 15.0
"""What has to be read is said for so long at least."""
QUIET_SECONDS = 0.5
"""Nobody has gone on for so long after a job was left."""
_RARELY = (10_000, 100, 100)
"""So many new objects until garbage is looked for among them; a hundred times that until among older ones."""


class AdvisorApp(HostApp):
    """The technician's screens, and the service desk's.

    With `looks_ahead` the bench plays the best readings out in the background, and says where another one is
    better.
    """

    TITLE = "advisor"
    CSS_PATH = Path(__file__).with_name("screens.tcss")
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "f1,question_mark", "help", "Keys", key_display="?", tooltip="What the keys of this screen do"
        ),
        Binding("f2", "light", show=False, tooltip="Switch between a dark and a light screen"),
        Binding("ctrl+q", "quit", "Quit", show=False, priority=True, tooltip="Leave; everything is saved"),
    ]

    def __init__(
        self,
        paths: Sequence[Path],
        without: frozenset[str],
        url: str | None = None,
        desk: bool = False,
        looks_ahead: bool = True,
        policy: Policy = DEFAULT,
    ) -> None:
        super().__init__()
        self.paths, self.without, self.url = tuple(paths), without, url
        self.desk, self.looks_ahead, self.policy = desk, looks_ahead, policy
        self.welcome = WelcomeScreen(
            "advisor: which reading next, how sure are we, when to stop"
            if not desk
            else "Service desk: what is asked on the phone, what has to be booked"
        )
        self.attention = Attention()
        self.opened: Opened | None = None
        self.usual_thresholds = gc.get_threshold()
        self.is_left = False

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return the filters that every line passes on its way to the terminal."""
        return (*super().get_line_filters(), _UNSEEN)

    async def on_mount(self) -> None:
        """Show the first screen, and get ready meanwhile."""
        self.screen_change_signal.subscribe(self, lambda _: self.asks_anew(), immediate=True)
        await self.push_screen(self.welcome)
        self.load()

    def asks_anew(self) -> None:
        """Something else is asked from now on, and can be read once it is painted."""
        self.attention.changed()
        self.call_after_refresh(self.attention.readable)

    def post_display_hook(self) -> None:
        """Note when a reader could see what there is."""
        self.attention.painted()

    async def on_event(self, event: Event) -> None:
        """Take no act for an answer that comes too soon after what is asked has changed.

        Keys pass here twice: before they go to a screen, and before their binding is looked at. A finger that
        went down on something else than it comes up from has chosen nothing.
        """
        if isinstance(event, Key) and self.is_too_soon(event):
            return
        if isinstance(event, MouseDown) and not event.is_forwarded:
            if self.attention.is_too_soon(_age(event)):
                self.screen.suppress_click()
                return
            self.attention.pressed()
        elif isinstance(event, MouseUp) and not event.is_forwarded and self.attention.changed_since_pressed:
            self.screen.suppress_click()
        await super().on_event(event)

    def is_too_soon(self, key: Key) -> bool:
        """Whether a key comes too soon to be an answer. Moving about and typing into a field always count."""
        screen = self.screen
        opens = screen.opens if isinstance(screen, AskingScreen) else frozenset()
        if key.key in HARMLESS_KEYS | opens or not self.attention.is_too_soon(_age(key)):
            return False
        field = isinstance(self.focused, Input)
        typing = field or (isinstance(screen, AskingScreen) and screen.takes_typing)
        return not (typing and (key.is_printable or (field and key.key in RUBBING_OUT)))

    def on_unmount(self) -> None:
        """Let go of the database."""
        self.is_left = True
        gc.set_threshold(*self.usual_thresholds)
        if self.opened is not None:
            self.opened.store.close()

    @work(thread=True)
    def load(self) -> None:
        """Import, read the knowledge and open the database off the event loop; then import what cases need.

        A search for garbage among all that is imported would hold up the loop for a third of a second, in
        whichever thread it begins: there is none meanwhile, and later ones leave out what is here to stay.
        What is older is hardly looked for later either, but when a screen was left (`tidy`).
        """
        gc.disable()
        try:
            self.open()
        finally:
            gc.freeze()
            if not self.is_left:
                gc.set_threshold(*_RARELY)
            gc.enable()

    def tidy(self) -> None:
        """Collect the garbage of a screen that was left, while nobody waits."""
        if gc.isenabled():
            gc.collect(1)

    def tidy_between_jobs(self, here: Screen[None]) -> None:
        """Collect all garbage after a job was left for `here`, unless somebody goes on at once.

        What is there then is here to stay.
        """

        def tidy() -> None:
            if here.is_current and gc.isenabled():
                gc.collect(2)
                gc.freeze()

        here.set_timer(QUIET_SECONDS, tidy)

    def open(self) -> None:
        """Hand over to the screen that follows, or say why there is none."""
        from advisor.screens import opening

        worker = get_current_worker()
        try:
            self.opened = opened = opening.Opened(self.paths, self.without, self.url, self.policy)
        except opening.CannotOpen as error:
            self.call_from_thread(self.welcome.failed, error.what, error.lines, error.exit_code)
            return
        if not worker.is_cancelled:
            self.call_from_thread(lambda: self.welcome.give_way(opened.screen(self.desk)))
        if not worker.is_cancelled:
            opening.preload()

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = True,
    ) -> None:
        """Say something in the screen's own line for it; only where it has none, shortly over its title."""
        seconds = SHORT_SECONDS if timeout is None else timeout
        if not told(self.screen_stack, f"{title}. {message}" if title else message, seconds):
            shortly = min(seconds, SHORT_SECONDS)
            super().notify(message, title=title, severity=severity, timeout=shortly, markup=markup)

    def deliver_paper(self, text: str, name: str, mime_type: str) -> None:
        """Save a paper: as a download in a browser, else in the folder for downloads or the next best."""
        from advisor.store.store import papers_folder

        self.deliver_text(
            io.StringIO(text),
            save_directory=papers_folder(),
            save_filename=name,
            open_method="download",
            mime_type=mime_type,
        )

    def on_delivery_complete(self, event: DeliveryComplete) -> None:
        """Say where a file was saved."""
        where = f"Saved as {event.path}." if event.path else "Saved by your browser."
        self.notify(where, timeout=LONG_SECONDS, markup=False)

    def on_delivery_failed(self, event: DeliveryFailed) -> None:
        """Say why a file could not be saved."""
        error = event.exception
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        what = f"{why}. The job is kept; `advisor report NUMBER --output FILE` writes it elsewhere."
        self.notify(what, title="Not saved", severity="error", timeout=LONG_SECONDS, markup=False)

    def action_help(self) -> None:
        """Show what the keys of the present screen do."""
        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen(self.screen))

    def action_help_quit(self) -> None:
        """Say how the program is left, where somebody tries it with Ctrl+C."""
        self.notify("Ctrl+Q leaves the program; everything is saved.")

    def action_light(self) -> None:
        """Switch between light and dark."""
        self.theme = "textual-light" if self.theme == "textual-dark" else "textual-dark"
