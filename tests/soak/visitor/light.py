"""A quicker program for most of a walk: few moments are painted, and colours do not follow the focus.

What keys there are is read from the bindings either way. Painting and composing bottom lines is two thirds of
the work of an act; on some days it is done in full, on the others one act in 25 is painted. Knowledge that
was read and checked once is not read again for each start.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from unittest import mock

from textual.app import App, ComposeResult
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widgets import Footer

from advisor.checks.lint import checked
from advisor.knowledge.knowledge import Knowledge
from advisor.screens import opening


@lru_cache(8)
def _read(paths: tuple[Path, ...]) -> Knowledge:
    return checked(list(paths))


def _known(paths: list[Path], *_: object) -> Knowledge:
    """Knowledge as it was read at first; its files do not change while a visitor walks."""
    return _read(tuple(paths))


_paint = Screen._compositor_refresh
_lay_out = Screen._on_timer_update


class Painting:
    """Whether screens are painted now, and whether they are laid out only once all is quiet."""

    on = True
    is_quiet = True


def _laid_out_when_quiet(screen: Screen[object]) -> None:
    """Leave it to the next quiet moment to lay out and paint what has changed until then."""
    if Painting.is_quiet:
        _lay_out(screen)
    else:
        screen._update_timer.pause()


def _painted_if_wanted(screen: Screen[object]) -> None:
    """Paint the screen, or take it for painted."""
    if Painting.on or not screen.is_current:
        _paint(screen)
        return
    screen._dirty_widgets.clear()
    screen._compositor._dirty_regions.clear()
    screen.app._update_mouse_over(screen)


def _unstyled(app: App[object], node: DOMNode, animate: bool = True) -> None:
    """Leave styles as they were when the widget came up: only colours follow the focus."""


def _no_parts(_: Footer) -> ComposeResult:
    """Nothing in the bottom line."""
    return iter(())


@contextmanager
def lightly(light: bool) -> Iterator[None]:
    """For a while, where it is wanted."""
    if not light:
        Painting.on = Painting.is_quiet = True
        yield
        return
    Painting.is_quiet = False
    with (
        mock.patch.object(Footer, "compose", _no_parts),
        mock.patch.object(App, "update_styles", _unstyled),
        mock.patch.object(opening, "checked", _known),
        mock.patch.object(Screen, "_compositor_refresh", _painted_if_wanted),
        mock.patch.object(Screen, "_on_timer_update", _laid_out_when_quiet),
    ):
        try:
            yield
        finally:
            Painting.on = Painting.is_quiet = True


def quiet(screen: Screen[object]) -> None:
    """Lay out and paint what has changed: nothing else is going on."""
    before, Painting.is_quiet = Painting.is_quiet, True
    try:
        screen._on_timer_update()
    finally:
        Painting.is_quiet = before
