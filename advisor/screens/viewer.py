"""Opening a page by the system's own viewer, where there is one beside this terminal."""

from __future__ import annotations

import webbrowser
from pathlib import Path


def opened(file: Path) -> bool:
    """Open a file in the system's browser and return whether there is one.

    A browser that would run in this very terminal does not count: it would take the screens' place.
    """
    try:
        browser = webbrowser.get()
        # Those of its subclasses have a window of their own.
        if type(browser) is webbrowser.GenericBrowser or Path(browser.name).name == "elinks":
            return False
        return browser.open(file.resolve().as_uri())
    except (webbrowser.Error, OSError):
        return False
