"""The terminal program: it loads the knowledge behind a welcome screen, then shows the first real one."""

from __future__ import annotations

import gc
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from re import Match
from typing import TYPE_CHECKING, Any, ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.text import Text
from textual import work
from textual.binding import Binding, BindingType
from textual.color import Color
from textual.events import DeliveryComplete, DeliveryFailed, Event, Key, MouseDown, MouseUp
from textual.filter import LineFilter
from textual.notifications import SeverityLevel
from textual.screen import Screen
from textual.widgets import Input
from textual.worker import WorkerFailed, get_current_worker

from advisor import logfile
from advisor.knowledge.problems import ProblemsFound
from advisor.policy import DEFAULT, Policy
from advisor.screens import viewer
from advisor.screens.help import HelpScreen
from advisor.screens.palette import KeyCommands, Palette
from advisor.screens.theme import DARK, LIGHT
from advisor.screens.welcome import WelcomeScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.attention import Attention
from advisor.screens.widgets.host import HostApp
from advisor.screens.widgets.news import SHORT_SECONDS, told
from advisor.settings import Settings
from advisor.text import UNSEEN

if TYPE_CHECKING:
    from advisor.screens.opening import Opened


class _LeftOut(LineFilter):
    """Filters control characters out of every line; most have no width, so that nothing moves."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return a line without it."""
        return [
            segment if segment.text.isprintable() else Segment(UNSEEN.sub(_room, segment.text), segment.style)
            for segment in segments
        ]


def _room(found: Match[str]) -> str:
    """Return what replaces a character that is left out."""
    return "\ufffd" * cell_len(found[0])


_UNSEEN = _LeftOut()

HARMLESS_KEYS = frozenset(
    (
        *("up", "down", "left", "right", "pageup", "pagedown", "home", "end", "tab", "shift+tab"),
        *("f1", "question_mark", "ctrl+q"),
    )
)
"""Keys that answer nothing, and the one that quits; all others wait until a question can have been read."""
RUBBING_OUT = frozenset(("backspace", "delete"))
"""Keys that belong to typing although they produce no character."""


LONG_SECONDS = 15.0
"""The least time that a message to be read stays."""
TO_VIEW = "to view"
"""The name under which a paper is delivered that is opened once it is saved."""
NO_VIEWER = "There is no viewer here: open the file on a machine that has one."
QUIET_SECONDS = 0.5
"""Garbage is collected when nobody has gone on for this long after leaving a job."""
_RARELY = (10_000, 100, 100)
"""Thresholds for `gc.set_threshold`: rare collections, which would hold up the event loop."""


class AdvisorApp(HostApp):
    """The technician's screens, and the service desk's.

    `remember` writes a choice made here into the workshop's file, by its name and value.
    With `looks_ahead` the bench plays the best readings out in the background, and says when another one is
    better in the long run.
    """

    TITLE = "advisor"
    CSS_PATH = Path(__file__).with_name("screens.tcss")
    COMMANDS: ClassVar[set[Any]] = {KeyCommands}
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
        settings: Settings = Settings(),  # noqa: B008 - frozen
        remember: Callable[[str, str], None] | None = None,
    ) -> None:
        super().__init__()
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = LIGHT.name if settings.theme == "light" else DARK.name
        if settings.reduced_motion:
            self.animation_level = "none"
        self.settings, self.remember = settings, remember
        self.paths, self.without, self.url = tuple(paths), without, url
        self.desk, self.looks_ahead, self.policy = desk, looks_ahead, policy
        self.welcome = WelcomeScreen(
            "advisor: which reading next, how sure are we, when to stop"
            if not desk
            else "Service desk: what is asked on the phone, what has to be booked"
        )
        self.attention = Attention()
        self.last_key: tuple[float, str] | None = None
        self.opened: Opened | None = None
        self.usual_thresholds = gc.get_threshold()
        self.is_left = False

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return the filters that every line passes on its way to the terminal."""
        return (*super().get_line_filters(), _UNSEEN)

    async def on_mount(self) -> None:
        """Show the welcome screen, and load everything behind it."""
        self.screen_change_signal.subscribe(self, lambda _: self.asks_anew(), immediate=True)
        await self.push_screen(self.welcome)
        self.load()

    def asks_anew(self) -> None:
        """Start the pause before answers count: the new question can be read once it is painted."""
        self.attention.changed()
        self.call_after_refresh(self.attention.readable)

    def post_display_hook(self) -> None:
        """Note the time of painting, from which a question can be read."""
        self.attention.painted()

    async def on_event(self, event: Event) -> None:
        """Drop keys, taps and clicks that come too soon after the question has changed.

        Keys pass here twice: before they go to a screen, and before their binding is looked up. A tap whose
        question changed between finger down and finger up chooses nothing.
        """
        if isinstance(event, Key):
            if self.is_text(event):
                return
            if self.is_too_soon(event):
                if self.is_figure(event):
                    self.attention.refused()
                self.say_too_soon(f"“{event.character if event.is_printable else event.key}”")
                return
        if isinstance(event, MouseDown) and not event.is_forwarded:
            if self.attention.is_too_soon(self.attention.age(event.time)):
                self.screen.suppress_click()
                self.say_too_soon("the tap")
                return
            self.attention.pressed()
        elif isinstance(event, MouseUp) and not event.is_forwarded and self.attention.changed_since_pressed:
            self.screen.suppress_click()
        await super().on_event(event)

    @property
    def asking(self) -> AskingScreen[Any] | None:
        """The screen on top, if it asks something and is laid out: before that it has no fields."""
        screen = self.screen
        return screen if isinstance(screen, AskingScreen) and screen.is_mounted else None

    def is_too_soon(self, key: Key) -> bool:
        """Return whether a key comes too soon to be an answer; moving about and typing never do."""
        screen = self.screen
        opens = screen.opens if isinstance(screen, AskingScreen) else frozenset()
        if key.key in HARMLESS_KEYS | opens or not self.attention.is_too_soon(self.attention.age(key.time)):
            return False
        return not self.is_typing(key)

    def is_figure(self, key: Key) -> bool:
        """Whether a key belongs to a number, where one is asked for."""
        asks = self.asking is not None and self.asking.takes_numbers
        return asks and key.character is not None and key.character in "0123456789.,-"

    def say_too_soon(self, what: str) -> None:
        """Say in the line for news that a key counted for nothing, where there is such a line."""
        words = f"Too soon: {what} was not entered. Read what is asked now first."
        told(self.screen_stack, words, SHORT_SECONDS)

    def is_typing(self, key: Key) -> bool:
        """Whether a key goes into a text field."""
        field = isinstance(self.focused, Input)
        typing = field or (self.asking is not None and self.asking.takes_typing)
        return typing and (key.is_printable or (field and key.key in RUBBING_OUT))

    def is_text(self, key: Key) -> bool:
        """Whether a key belongs to text that is typed where no field is: that is no answer, and is said."""
        if (key.time, key.key) == self.last_key:  # it passes a second time
            return False
        self.last_key = (key.time, key.key)
        numbers = self.asking is not None and self.asking.takes_numbers
        if not key.is_printable or key.key in HARMLESS_KEYS or numbers or self.is_typing(key):
            return False
        is_text = self.attention.typed(key.key, self.attention.age(key.time))
        if is_text and not self.attention.is_told:
            self.attention.is_told = True
            what = f"That looked like typed text: nothing was entered from “{key.character}” on."
            self.notify(what, timeout=SHORT_SECONDS, markup=False)
        return is_text

    def on_unmount(self) -> None:
        """Let go of the database."""
        self.is_left = True
        gc.set_threshold(*self.usual_thresholds)
        if self.opened is not None:
            self.opened.store.close()

    @work(thread=True)
    def load(self) -> None:
        """Import, read the knowledge and open the database off the event loop; then import what cases need.

        Collecting garbage among all imported objects would hold up the event loop for a third of a second,
        whichever thread starts it. So collection is off meanwhile, what has been loaded is frozen out of
        later collections, and old objects are mostly collected when a screen was left (`tidy`).
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
        """Collect the garbage of a closed screen, at a moment when nobody waits."""
        if gc.isenabled():
            gc.collect(1)

    def tidy_between_jobs(self, here: Screen[None]) -> None:
        """Collect all garbage once a job was left for `here`, unless somebody goes on at once.

        What is left then is frozen out of later collections.
        """

        def tidy() -> None:
            if here.is_current and gc.isenabled():
                gc.collect(2)
                gc.freeze()

        here.set_timer(QUIET_SECONDS, tidy)

    def open(self) -> None:
        """Show the first real screen, or say why there is none."""
        from advisor.screens import opening

        worker = get_current_worker()
        try:
            self.opened = opened = opening.Opened(
                self.paths, self.without, self.url, self.policy, self.settings
            )
        except opening.CannotOpen as error:
            self.call_from_thread(self.welcome.failed, error.what, error.lines, error.exit_code)
            return
        if not worker.is_cancelled:
            self.call_from_thread(lambda: self.welcome.give_way(opened.screen(self.desk)))
        if not worker.is_cancelled:
            opening.preload(opened.engines.knowledge)

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = True,
    ) -> None:
        """Show a message in the screen's line for news; if it has none, briefly over its title."""
        seconds = SHORT_SECONDS if timeout is None else timeout
        if not told(self.screen_stack, f"{title}. {message}" if title else message, seconds):
            shortly = min(seconds, SHORT_SECONDS)
            super().notify(message, title=title, severity=severity, timeout=shortly, markup=markup)

    def deliver_paper(
        self, text: str, name: str, mime_type: str, folder: Path | None = None, *, view: bool = False
    ) -> None:
        """Save a paper: as a download in a browser, else in a folder, by default that of downloads."""
        from advisor.store.store import papers_folder

        self.deliver_text(
            io.StringIO(text),
            save_directory=folder or papers_folder(),
            save_filename=name,
            open_method="download",
            mime_type=mime_type,
            name=TO_VIEW if view else None,
        )

    def on_delivery_complete(self, event: DeliveryComplete) -> None:
        """Say where a file was saved, once one to view is open."""
        where = f"Saved as {event.path}." if event.path else "Saved by your browser."
        if event.path and event.name == TO_VIEW:
            self.view(event.path, where)
        else:
            self.notify(where, timeout=LONG_SECONDS, markup=False)

    @work(thread=True)
    def view(self, file: Path, where: str) -> None:
        """Open a file by the system's viewer, off the event loop; say where it is either way."""
        seen = "It is open in the browser." if viewer.opened(file) else NO_VIEWER
        self.call_from_thread(self.notify, f"{where} {seen}", timeout=LONG_SECONDS, markup=False)

    def on_delivery_failed(self, event: DeliveryFailed) -> None:
        """Say why a file could not be saved."""
        error = event.exception
        logfile.log_error("a paper was not saved", error)
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        what = f"{why}. The job is kept; `advisor report NUMBER --output FILE` writes it elsewhere."
        self.notify(what, title="Not saved", severity="error", timeout=LONG_SECONDS, markup=False)

    def action_command_palette(self) -> None:
        """Show the command palette."""
        if not isinstance(self.screen, Palette):
            self.push_screen(Palette(id="--command-palette"))

    def action_help(self) -> None:
        """Show what the keys of the present screen do."""
        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen(self.screen))

    def action_help_quit(self) -> None:
        """Say how to quit, when somebody tries Ctrl+C."""
        self.notify("Ctrl+Q leaves the program; everything is saved.")

    def action_light(self) -> None:
        """Switch between light and dark."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name
        if self.remember is not None:
            try:
                self.remember("theme", "light" if self.theme == LIGHT.name else "dark")
            except (OSError, ProblemsFound) as error:
                logfile.log_error("the theme was not remembered", error)
                why = error.strerror if isinstance(error, OSError) else "the workshop's file has problems"
                self.notify(f"Not remembered for the next start: {why}.", markup=False)

    def _handle_exception(self, error: Exception) -> None:
        """Write an error of the program itself to the log, and leave."""
        cause = error.error if isinstance(error, WorkerFailed) else error
        logfile.log_error("an unexpected error ended the screens", cause)
        super()._handle_exception(error)

    def _fatal_error(self) -> None:
        """Leave with one sentence: Textual's own words show what is in memory, a customer's words too."""
        self.bell()
        self._exit_renderables.append(Text(logfile.sentence()))
        self._close_messages_no_wait()
