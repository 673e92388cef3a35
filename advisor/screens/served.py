"""The screens in a browser: they end when the server is gone, as a terminal's do when it is closed."""

from __future__ import annotations

from textual.drivers.web_driver import WebDriver
from textual.events import AppFocus
from textual.messages import ExitApp


class ServedDriver(WebDriver):
    """Textual's driver for a browser, which leaves the program when nothing can be typed any more."""

    def start_application_mode(self) -> None:
        """Begin as a terminal does: with the focus, or no bottom line is painted until a key comes."""
        super().start_application_mode()
        self._app.call_later(self._app.post_message, AppFocus())

    def run_input_thread(self) -> None:
        """Hand on what is typed; at the end of it leave, or a server that was killed leaves orphans."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(ExitApp())
