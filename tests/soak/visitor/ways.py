"""What a visitor may do next on a screen, each with a weight: the purpose of a screen weighs most.

All of it is read from the screen as it is: its lists, fields, buttons and bound keys. An act is a small
dictionary, so that it can be written down and done again.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

from textual.widget import Widget
from textual.widgets import Button, Input, OptionList

from advisor.screens.widgets.pick import Select
from tests.soak.visitor.seen import fields, keys, lists, to_open, widgets
from tests.soak.visitor.terminal import UNHURRIED, Terminal

Act = dict[str, Any]

SIZES = ((60, 20), (80, 24), (80, 24), (100, 30), (120, 40), (200, 60), (61, 21), (132, 43))
TAGS = ("bay 2 blue estate", "red van", "17", "Tuesday's hatchback", "grey one, towbar", "bay 1")
NUMBERS = (
    *("12.6", "430", "0.43", "85", "22", "2.5", "0", "1.2", "50", "7", "640 mA", "0.43 A", "12.1 V", "3 mm"),
    *("35 °C", "120", "0.02", "14.4", "600", "3", "1", "20"),
)
ODD_NUMBERS = (
    *(
        "-5",
        "1e3",
        "12,6",
        "abc",
        "99999999999999999999",
        "∞",
        "nan",
        "½",
        "٣",
        "0x10",
        "1 000",
        "-0",
        "12.6 parsecs",
    ),
    *("1e-320", "1e400", ".", "-", "5 %", "NaN V", "12..6", "１２"),
)
ODD_WORDS = (
    *("", " ", "[bold]x[/]", "[/]", "<script>alert(1)</script>", "'; DROP TABLE cases; --", "x" * 400),
    *(
        "\x1b[2J\x1b[31m",
        "a\x00b",
        "ä€漢字🚗",
        "\u202eback to front",
        "two\nlines",
        "tab\there",
        "%s %n {0}",
        "\u0301",
    ),
)
STRAY_KEYS = (
    *(
        "f3",
        "f5",
        "f12",
        "ctrl+a",
        "ctrl+c",
        "ctrl+z",
        "alt+x",
        "insert",
        "delete",
        "backspace",
        "tab",
        "shift+tab",
    ),
    *("home", "end", "pageup", "pagedown", "left", "right", "up", "down", "enter", "space", "z", "Z", "0"),
    *("9", "ß", "é", "漢", "ctrl+s", "ctrl+p", "ctrl+w", "f4", "f10", "minus", "5", "j", "k", "v"),
)
FINISHING = ("repaired", "checked", "closed", "close", "read", "book", "go", "begin", "leave", "record")
"""Choices that bring a job further to its end, by the first word of their name."""
MANY_JOBS = 9
"""With so many open jobs a visitor rather goes on with one of them than begins another."""


def typed(draw: random.Random, screen_words: str, field: Input, words: Sequence[str]) -> str:
    """What a visitor types into a field."""
    chance = draw.random()
    if chance < 0.12:
        return draw.choice(ODD_WORDS)
    if chance < 0.24:
        return draw.choice(ODD_NUMBERS)
    about = f"{field.id} {field.placeholder}".casefold()
    if "20" in about and "-" in about:
        return draw.choice(["2030-01-09", "2030-01-08", "2030-02-30", "tomorrow", "2029-12-31"])
    if "tag" in about:
        return f"{draw.choice(TAGS)} {draw.randrange(100)}"
    if "number" in about or "empty" in about or "ma" in about or "field" in about:
        return draw.choice(NUMBERS)
    return draw.choice(words) if words else "it is broken"


def weight_of(option: str, at: int, screen: str, count: int) -> float:
    """How much a line of a list draws a visitor."""
    first = option.partition(" ")[0]
    if first == "new":
        return 6.0 if count <= MANY_JOBS else 0.3
    weight = 3.0 / (1 + at) + 0.3
    return weight * 4 if first in FINISHING else weight


def ways(terminal: Terminal, draw: random.Random, words: Sequence[str]) -> list[tuple[float, Act]]:  # noqa: C901 - one paragraph a kind of act
    """What may be done on the screen on top, with weights."""
    screen = terminal.screen
    name = type(screen).__name__
    everything = widgets(screen)
    found: list[tuple[float, Act]] = []
    for options in lists(everything):
        ids = [option.id or "" for option in options.options]
        usable = [at for at, option in enumerate(options.options) if not option.disabled]
        if not usable:
            continue
        at = draw.choices(usable, [weight_of(ids[one], one, name, len(ids)) for one in usable])[0]
        found.append((26.0, {"do": "choose", "list": place(everything, options), "at": at}))
        found.append((1.5, {"do": "tap", **middle(options, draw)}))
    for field in fields(everything):
        text = typed(draw, "", field, words)
        enter = draw.random() < 0.6
        weight = 4.0 if field.value else 24.0
        if field.id == "search":
            weight = 0.8
        where = place(everything, field)
        found.append((weight, {"do": "write", "field": where, "text": text, "enter": enter}))
    for one in to_open(everything):
        if isinstance(one, Button):
            weight = 5.0 if one.variant == "primary" else 1.0
            found.append((weight, {"do": "button", "at": place(everything, one)}))
            found.append((weight / 2, {"do": "tap", **middle(one, draw)}))
        elif isinstance(one, Select) and not one.value:
            found.append((14.0, {"do": "button", "at": place(everything, one)}))
        elif one.has_focus or draw.random() < 0.3:
            found.append((2.0, {"do": "button", "at": place(everything, one)}))
    for named in keys(screen):
        weight = 0.7 if named.in_bottom_line or named.in_help else 0.12
        if named.binding.action in ("quit", "app.quit") or named.key == "ctrl+q":
            weight = 0.05
        elif named.key == "f10":
            weight = 10.0
        elif named.key == "escape":
            weight = 1.2 if len(terminal.app.screen_stack) > 2 else 0.1  # type: ignore[union-attr]
        found.append((weight, {"do": "key", "key": named.key}))
    width, height = terminal.size
    there = [one for one in everything if one.region.area]
    if there:
        found.append((0.8, {"do": "tap", **middle(draw.choice(there), draw)}))
    found += [
        (0.5, {"do": "tap", "x": draw.randrange(width), "y": draw.randrange(height)}),
        (
            0.4,
            {
                "do": "wheel",
                "x": draw.randrange(width),
                "y": draw.randrange(height),
                "down": draw.random() < 0.6,
            },
        ),
        (0.4, {"do": "resize", "size": list(draw.choice(SIZES))}),
        (0.5, {"do": "key", "key": draw.choice(STRAY_KEYS)}),
        (0.2, {"do": "paste", "text": draw.choice((*ODD_WORDS, *ODD_NUMBERS, *NUMBERS))}),
        (0.7, {"do": "time", "minutes": draw.choice((0.1, 1, 5, 30, 46, 480, 1500))}),
    ]
    return found


def place(there: Sequence[Widget], widget: Widget) -> list[Any]:
    """How a widget is found again: its kind and the how-manieth of it."""
    kind = type(widget).__name__
    same = [one for one in there if type(one).__name__ == kind]
    return [kind, same.index(widget)]


def at_place(screen: Any, where: Sequence[Any]) -> Any:
    """The widget at a place, or None where there is none any more."""
    kind, number = where
    same = [one for one in widgets(screen) if type(one).__name__ == kind]
    return same[number] if number < len(same) else None


def middle(widget: Any, draw: random.Random) -> dict[str, int]:
    """Somewhere on a widget."""
    region = widget.region
    return {
        "x": region.x + draw.randrange(max(1, region.width)),
        "y": region.y + draw.randrange(max(1, region.height)),
    }


async def do(terminal: Terminal, act: Act) -> None:  # noqa: C901 - one branch a kind of act
    """Do an act, and wait for nothing."""
    what = act["do"]
    app = terminal.app
    assert app is not None
    if what == "key":
        terminal.key(act["key"])
    elif what == "tap":
        terminal.tap(act["x"], act["y"])
    elif what == "wheel":
        terminal.wheel(act["x"], act["y"], act["down"])
    elif what == "paste":
        terminal.paste(act["text"])
    elif what == "resize":
        terminal.resize(*act["size"])
    elif what == "time":
        terminal.clock.seconds += 60 * act["minutes"]
        await terminal.time_passes()
    elif what in ("choose", "write", "button"):
        widget = at_place(terminal.screen, act.get("list") or act.get("field") or act["at"])
        if widget is None or widget.is_disabled:
            return
        with app._context():
            widget.focus()
            await terminal.settle()
            if what == "choose" and isinstance(widget, OptionList) and act["at"] < widget.option_count:
                widget.highlighted = act["at"]
            if what == "write" and isinstance(widget, Input):
                widget.clear()
        if what == "write":
            if len(act["text"]) > 12:
                terminal.paste(act["text"])
            else:
                for one in act["text"]:
                    terminal.key(one)
        if what == "write":
            await terminal.settle()
            terminal.clock.seconds += UNHURRIED  # what is asked may have changed with the words
        if (what != "write" or act["enter"]) and terminal.is_up:
            terminal.key("enter")
    else:
        raise ValueError(what)
