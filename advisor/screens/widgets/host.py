"""The program that shows the screens, as far as a screen needs it."""

from __future__ import annotations

from abc import abstractmethod

from textual.app import App
from textual.screen import Screen


class HostApp(App[None]):
    """What a screen may ask of the program; screens know this class and not the one that implements it."""

    looks_ahead: bool
    """Whether the bench plays the best readings out in the background."""

    @abstractmethod
    def asks_anew(self) -> None:
        """Make answers wait until what is asked from now on can be read."""

    @abstractmethod
    def tidy(self) -> None:
        """Collect the garbage of a screen that was left."""

    @abstractmethod
    def tidy_between_jobs(self, here: Screen[None]) -> None:
        """Collect all garbage once a job was left to go back to `here` and nobody has gone on at once."""

    @abstractmethod
    def deliver_paper(self, text: str, name: str, mime_type: str) -> None:
        """Save a paper as a download in a browser, else in the folder for papers."""
