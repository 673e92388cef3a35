"""The driver for screens in a browser: they end with the server, as in a terminal that is closed."""

from __future__ import annotations

from textual.drivers.web_driver import WebDriver
from textual.events import AppFocus
from textual.messages import ExitApp


class ServedDriver(WebDriver):
    """Textual's driver for browsers, but it quits the program when its input ends."""

    def start_application_mode(self) -> None:
        """Start with the focus, as a terminal does; otherwise the key line is blank until a key comes."""
        super().start_application_mode()
        self._app.call_later(self._app.post_message, AppFocus())

    def run_input_thread(self) -> None:
        """Pass on the input and quit when it ends, so that a killed server leaves no orphans."""
        super().run_input_thread()
        if not self.exit_event.is_set():
            self._app.post_message(ExitApp())
