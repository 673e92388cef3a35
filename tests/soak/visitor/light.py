"""A quicker program for most of a walk: the bottom line has no parts, and few moments are painted.

What keys there are is read from the bindings either way. Painting and composing bottom lines is two thirds of
the work of an act; on some days it is done in full, on the others one act in ten is painted.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

from textual.app import ComposeResult
from textual.screen import Screen
from textual.widgets import Footer

_paint = Screen._compositor_refresh


class Painting:
    """Whether screens are painted now."""

    on = True


def _painted_if_wanted(screen: Screen[object]) -> None:
    """Paint the screen, or take it for painted."""
    if Painting.on or not screen.is_current:
        _paint(screen)
        return
    screen._dirty_widgets.clear()
    screen._compositor._dirty_regions.clear()
    screen.app._update_mouse_over(screen)


def _no_parts(_: Footer) -> ComposeResult:
    """Nothing in the bottom line."""
    return iter(())


@contextmanager
def lightly(light: bool) -> Iterator[None]:
    """For a while, where it is wanted."""
    if not light:
        Painting.on = True
        yield
        return
    with (
        mock.patch.object(Footer, "compose", _no_parts),
        mock.patch.object(Screen, "_compositor_refresh", _painted_if_wanted),
    ):
        try:
            yield
        finally:
            Painting.on = True
