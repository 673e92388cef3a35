"""What Textual works out anew for each message, widget and start, although it comes to the same: done once.

All of it depends on classes, on the text of style sheets and on what rules look at, and is kept by that.
Screens look and behave as they do without it, which `tests/test_visitor.py` holds.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from types import CodeType, FunctionType
from typing import Any
from unittest import mock

from textual import _callback, message_pump
from textual.css.match import match
from textual.css.stylesheet import Stylesheet
from textual.dom import DOMNode
from textual.message import Message
from textual.message_pump import MessagePump

_Handler = tuple[type, Callable[..., Any], Any]


@cache
def _handlers(pump: Any, message: Any, name: str) -> tuple[_Handler, ...]:
    """Every handler of a class for a kind of message, in order, with the selectors it is bound to."""
    kinds = [one for one in message.__mro__ if issubclass(one, Message)]
    found: list[_Handler] = []
    for owner in pump.__mro__:
        decorated = owner.__dict__.get("_decorated_handlers") or {}
        found += [(owner, *handler) for kind in kinds for handler in decorated.get(kind, ())]
        named = owner.__dict__.get(f"_{name}") or owner.__dict__.get(name)
        if named is not None and not getattr(named, "_textual_on", None):
            found.append((owner, named, None))
    return tuple(found)


def _dispatch_methods(self: MessagePump, method_name: str, message: Message) -> Iterator[tuple[type, Any]]:
    """Go through the handlers as `MessagePump._get_dispatch_methods` does."""
    done = set()
    last = None
    kind: Any = type(message)
    for owner, method, selectors in _handlers(type(self), kind, method_name):
        if owner is not last:
            if message._no_default_action:
                return
            last = owner
        if selectors is not None:
            if method in done or (selectors and not _meant(message, selectors)):
                continue
            done.add(method)
        yield owner, method.__get__(self, owner)


def _meant(message: Message, selectors: dict[str, Any]) -> bool:
    """Whether a message comes from where a handler wants it from."""
    if not message._sender:
        return False
    for attribute, selector in selectors.items():
        node = getattr(message, attribute)
        if node is None or not match(selector, node):
            return False
    return True


_counted: dict[CodeType, int] = {}


def _count(callback: Callable[..., Any]) -> int:
    """How many parameters something takes."""
    if not isinstance(callback, FunctionType) or hasattr(callback, "__wrapped__"):
        return len(inspect.signature(callback).parameters)
    found = _counted.get(callback.__code__)
    if found is None:
        found = _counted[callback.__code__] = len(inspect.signature(callback).parameters)
    return found


def _silent(*_: object, **__: object) -> None:
    """Take down nothing: nobody listens."""


class _NoLog:
    """Textual's log, where nobody listens."""

    __call__ = staticmethod(_silent)

    def verbosity(self, _: bool) -> Callable[..., None]:
        """Take down nothing, however much is wanted."""
        return _silent

    def __getattr__(self, _: str) -> _NoLog:
        return self


_parse_rules = Stylesheet._parse_rules
_parsed: dict[tuple[Any, ...], Any] = {}


def _parsed_once(self: Stylesheet, css: str, read_from: Any, *given: Any, **named: Any) -> Any:
    """The rules of a text, as the same text with the same variables gave before."""
    key = (css, read_from, given, *sorted(named.items()), tuple(self._variables.items()))
    if key not in _parsed:
        _parsed[key] = _parse_rules(self, css, read_from, *given, **named)
    return _parsed[key]


_apply = Stylesheet.apply
_Applied = tuple[Any, bool, bool, bool, bool]
_sheets: dict[tuple[int, ...], dict[tuple[Any, ...], _Applied | None]] = {}
"""What rules come to for a node, by the rules and by all that they look at; None where they look at more."""


def _apply_once(self: Stylesheet, node: DOMNode, *, animate: bool = False, cache: Any = None) -> None:
    """Give a node the styles that another one in the same place was given before."""
    rules = self.rules
    there = self.__dict__.get("_visitor_sheet")
    if there is None or there[0] is not rules:
        there = rules, _sheets.setdefault(tuple(map(id, rules)), {})
        self.__dict__["_visitor_sheet"] = there
    path = node.css_path_nodes
    app: Any = path[0]
    key = (
        *(
            (type(one), one._id, one.classes, one._css_type_name, one._pseudo_classes_cache_key)
            for one in path
        ),
        getattr(app, "theme", None),
        getattr(app, "app_focus", None),
    )
    is_known = key in there[1]
    kept = there[1].get(key)
    if kept is not None:
        rules_map, *flags = kept
        node._has_hover_style, node._has_focus_within, node._has_order_style, node._has_odd_or_even = flags
        self.replace_rules(node, rules_map, animate=animate)
        self._process_component_classes(node)
        return
    taken: dict[Any, Any] = {}
    _apply(self, node, animate=animate, cache=taken)
    if not is_known:
        there[1][key] = None
        for found in taken.values():
            there[1][key] = (
                found,
                node._has_hover_style,
                node._has_focus_within,
                node._has_order_style,
                node._has_odd_or_even,
            )


@contextmanager
def once() -> Iterator[None]:
    """For a while."""
    with ExitStack() as stack:
        for owner, name, new in (
            (MessagePump, "_get_dispatch_methods", _dispatch_methods),
            (_callback, "_count_parameters", _count),
            (message_pump, "log", _NoLog()),
            (Stylesheet, "_parse_rules", _parsed_once),
            (Stylesheet, "apply", _apply_once),
        ):
            stack.enter_context(mock.patch.object(owner, name, new))
        yield
