"""The pause before a new question can be answered, so that a double tap answers only one."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from time import monotonic

PAUSE_SECONDS = 0.4
"""No answer counts within this time after the question has changed: nobody has read it yet (an estimate)."""
LETTERS = 2
"""After so many letters in one go, what follows is text that was typed in the wrong place (an estimate)."""


REST_OF_NUMBER_SECONDS = 0.6
"""So much longer than the usual pause nothing counts after a figure that came too soon."""


class Attention:
    """Tracks when the question last changed; tests pass another clock, or 0 seconds to switch it off."""

    def __init__(self, seconds: float | None = None, clock: Callable[[], float] = monotonic) -> None:
        self.seconds = PAUSE_SECONDS if seconds is None else seconds
        self.clock = clock
        self.changed_at = self.painted_at = self.pressed_at = self.typed_at = -inf
        self.run, self.last_letter, self.is_told = 0, "", False

    def age(self, at: float) -> float:
        """Return how many seconds ago something was pressed: it may have queued since.

        `at` is a time of `monotonic`. By another clock no event can tell, and it counts as pressed now.
        """
        return monotonic() - at if self.clock is monotonic else 0.0

    def changed(self) -> None:
        """Note that the question changes now."""
        self.changed_at = self.clock()

    def painted(self) -> None:
        """Note that the screen is painted now."""
        self.painted_at = self.clock()

    def readable(self) -> None:
        """Note that the question could be read from the last painting on; a busy loop may report it late."""
        self.changed_at = max(self.changed_at, self.painted_at)

    def pressed(self) -> None:
        """Note that a finger or mouse button goes down now."""
        self.pressed_at = self.clock()

    @property
    def changed_since_pressed(self) -> bool:
        """Whether the question has changed since the finger went down."""
        return self.seconds > 0 and self.changed_at > self.pressed_at

    def typed(self, letter: str, age: float) -> bool:
        """Note a letter that came `age` seconds ago; return whether it comes in the midst of typed text.

        That is so once two letters, each within the pause of the one before, have come before it. The same
        letter again counts once: a key pressed twice is no word.
        """
        at = self.clock() - age
        if at - self.typed_at >= self.seconds:
            self.run, self.last_letter, self.is_told = 0, "", False
        is_text = self.run >= LETTERS
        self.run += letter != self.last_letter
        self.typed_at, self.last_letter = at, letter
        return is_text

    def refused(self) -> None:
        """Note that a figure came too soon: those behind it are the rest of a number, and no answer."""
        self.changed_at = self.clock() + REST_OF_NUMBER_SECONDS if self.seconds else self.changed_at

    def is_too_soon(self, age: float) -> bool:
        """Return whether an answer from `age` seconds ago is too early for the present question."""
        return self.seconds > 0 and self.clock() - age - self.changed_at < self.seconds
