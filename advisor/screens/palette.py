"""The command palette: everything that the keys of a screen do, found by typing a part of it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from textual.binding import Binding
from textual.command import CommandList, CommandPalette, DiscoveryHit, Hit, Hits, Provider


class KeyCommands(Provider):
    """Offers what the keys of the screen below and of the program do, in the words of the help."""

    def commands(self) -> Iterator[tuple[str, Binding]]:
        """Yield each with its key, once."""
        told = set()
        for keys in (self.screen._bindings, self.app._bindings):  # noqa: SLF001 - Textual lists no hidden keys
            for bindings in keys.key_to_bindings.values():
                for one in bindings:
                    if one.tooltip and one.tooltip not in told:
                        told.add(one.tooltip)
                        key = one.key_display or self.app.get_key_display(one)
                        yield f"{one.tooltip}  ({key})", one

    async def discover(self) -> Hits:
        """Offer all of them before anything is typed."""
        for words, one in self.commands():
            yield DiscoveryHit(words, partial(self.screen.run_action, one.action))

    async def search(self, query: str) -> Hits:
        """Offer those that fit."""
        matcher = self.matcher(query)
        for words, one in self.commands():
            score = matcher.match(words)
            if score > 0:
                yield Hit(score, matcher.highlight(words), partial(self.screen.run_action, one.action))


class Palette(CommandPalette):
    """Textual's palette, which moves by a page only where lines are shown: else it ends in an error."""

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Return whether an action can be done now."""
        if action == "command_list" and not any(
            listed.display and listed.virtual_size.height for listed in self.query(CommandList)
        ):
            return False
        return super().check_action(action, parameters)
