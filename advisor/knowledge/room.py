"""How much of a reading fits its card: what has to be seen at 80 by 24 without scrolling.

`advisor check` tells an author what goes beyond these limits; the card is laid out for them.
"""

from __future__ import annotations

MOST_STEPS = 5
"""Steps of a reading, and of a setup."""

STEP = 70
"""Characters of a step."""

MOST_OUTCOMES = 6
"""Outcomes to choose from, or bands of a quantity."""

OUTCOME = 60
"""Characters of an outcome's words, or those of a fact's value."""

READING_NAME = 50
"""Characters of a reading's name."""

FAULT_NAME = 48
"""Characters of a fault's name."""

SHORT = 60
"""Characters of a caution in short."""
