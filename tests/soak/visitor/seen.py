"""What stands on a screen, as a visitor sees it: words, lists, fields, buttons and keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from textual.binding import Binding
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Button, Footer, Input, OptionList, ProgressBar, Static

from tests.soak.visitor.terminal import Terminal


@dataclass(frozen=True)
class NamedKey:
    """A key that can be pressed, whose it is, and where it is named."""

    key: str
    node: DOMNode
    binding: Binding
    in_bottom_line: bool
    in_help: bool


def widgets(screen: Screen[Any]) -> list[Widget]:
    """Everything that is displayed, in order."""
    found: list[Widget] = []
    nodes: list[Widget] = [screen] if screen.display else []
    while nodes:
        node = nodes.pop()
        found.append(node)
        nodes += [one for one in reversed(node._nodes) if one.display]
    return found[1:]


def words_of(widget: Widget) -> list[str]:
    """The words of one widget."""
    if isinstance(widget, OptionList):
        return [str(option.prompt) for option in widget.options]
    if isinstance(widget, Input):
        return [widget.value]
    if isinstance(widget, Button):
        return [str(widget.label)]
    if isinstance(widget, Static) and not isinstance(widget, ProgressBar):
        return [str(widget.render())]
    source = getattr(widget, "source", None)
    return [source] if isinstance(source, str) else []


def texts(terminal: Terminal) -> list[str]:
    """All words on the screen on top, in view or not, and the messages over it."""
    app = terminal.app
    assert app is not None
    with app._context():
        said = [words for widget in widgets(app.screen) for words in words_of(widget)]
    return said + messages(terminal)


def messages(terminal: Terminal) -> list[str]:
    """The messages that are up."""
    assert terminal.app is not None
    return [str(one.message) for one in terminal.app._notifications]


def keys(screen: Screen[Any]) -> list[NamedKey]:
    """The keys that do something here, by what is bound."""
    bottom_line = bool(screen.query(Footer))
    helped = set(screen._bindings.key_to_bindings) | set(screen.app._bindings.key_to_bindings)
    found = []
    for key, active in sorted(screen.active_bindings.items()):
        if active.enabled:
            said = active.binding
            found.append(
                NamedKey(
                    key,
                    active.node,
                    said,
                    bottom_line and said.show and bool(said.description),
                    bool(said.tooltip) and key in helped,
                )
            )
    return found


def lists(there: Sequence[Widget]) -> list[OptionList]:
    """The lists that something can be chosen from."""
    return [one for one in there if isinstance(one, OptionList) and not one.is_disabled]


def fields(there: Sequence[Widget]) -> list[Input]:
    """The fields to type into."""
    return [one for one in there if isinstance(one, Input) and not one.is_disabled]


def to_open(there: Sequence[Widget]) -> list[Widget]:
    """Whatever else takes the focus: buttons, and lines that open a list."""
    return [
        one
        for one in there
        if one.focusable and not isinstance(one, OptionList | Input) and (isinstance(one, Button) or one.id)
    ]


def world(terminal: Terminal) -> tuple[object, ...]:
    """All that a person can tell one moment from another by."""
    app = terminal.app
    assert app is not None
    screen = app.screen
    looks = [
        (
            one.scroll_offset,
            getattr(one, "highlighted", None),
            getattr(one, "cursor_position", None),
            one.size,
        )
        for one in widgets(screen)
    ]
    return (
        terminal.is_up,
        [id(one) for one in app.screen_stack],
        id(app.focused),
        app.theme,
        terminal.bells,
        [str(one.identity) for one in app._notifications],
        looks,
        texts(terminal),
    )
