"""How long a new question has to stand before it can be answered: a double tap answers one question."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from time import monotonic

PAUSE_SECONDS = 0.4
"""Within this time after a change of what is asked no act counts: nobody has read it yet (an estimate)."""


class Attention:
    """Knows when what is asked last changed. Tests give another clock, or 0 seconds to switch it off."""

    def __init__(self, seconds: float | None = None, clock: Callable[[], float] = monotonic) -> None:
        self.seconds = PAUSE_SECONDS if seconds is None else seconds
        self.clock = clock
        self.changed_at = self.painted_at = self.pressed_at = -inf

    def changed(self) -> None:
        """Something else is asked from now on."""
        self.changed_at = self.clock()

    def painted(self) -> None:
        """Note that something was painted just now."""
        self.painted_at = self.clock()

    def readable(self) -> None:
        """Note that the question is on the screen since the last painting; a busy loop may report it late."""
        self.changed_at = max(self.changed_at, self.painted_at)

    def pressed(self) -> None:
        """Note that a finger or a mouse button has gone down, and that it counts."""
        self.pressed_at = self.clock()

    @property
    def changed_since_pressed(self) -> bool:
        """Whether something else is asked than when the finger went down."""
        return self.seconds > 0 and self.changed_at > self.pressed_at

    def is_too_soon(self, age: float) -> bool:
        """Whether an act that happened `age` seconds ago cannot have been meant for what is asked now."""
        return self.seconds > 0 and self.clock() - age - self.changed_at < self.seconds
