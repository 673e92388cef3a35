"""The interface of the app that screens may use."""

from __future__ import annotations

from abc import abstractmethod
from pathlib import Path

from textual.app import App
from textual.screen import Screen

from advisor.settings import Settings


class HostApp(App[None]):
    """What a screen may ask of the app; screens import this class and not the one that implements it."""

    settings: Settings
    looks_ahead: bool
    """Whether the bench plays the best readings out in the background."""

    @abstractmethod
    def asks_anew(self) -> None:
        """Make answers wait until the new question can have been read."""

    @abstractmethod
    def tidy(self) -> None:
        """Collect the garbage of a closed screen."""

    @abstractmethod
    def tidy_between_jobs(self, here: Screen[None]) -> None:
        """Collect all garbage once a job was left for `here`, unless somebody goes on at once."""

    @abstractmethod
    def deliver_paper(
        self, text: str, name: str, mime_type: str, folder: Path | None = None, *, view: bool = False
    ) -> None:
        """Save a paper as a download in a browser, else in a folder, by default the one for papers.

        One to `view` is opened there as well, where the machine has something to show it with.
        """
