"""Text that somebody wrote: what may be shown of it, which word was probably meant, how many of it."""

from __future__ import annotations

import re
from bisect import bisect
from collections.abc import Iterable

_UNSEEN = "\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff"
UNSEEN = re.compile(f"[{_UNSEEN}]")
"""Control characters, marks that turn the direction of writing, and what is no letter at all."""


def visible(text: str) -> str:
    """Text of one or more lines, with what is not to be seen shown as �."""
    return UNSEEN.sub("\ufffd", text.replace("\r\n", "\n"))


def clean(text: str) -> str:
    """Text in one line, with what is not to be seen shown as �."""
    return visible(re.sub(r"\s+", " ", text).strip())


def cut(words: str, most: int) -> str:
    """Return words, cut with … where they are longer than `most` characters."""
    return words if len(words) <= most else words[: max(most - 1, 0)].rstrip() + "…"


def counted(number: int, thing: str) -> str:
    """Return a number with what it counts: "1 fault", "2 faults"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


MOST_COMPARED = 200
"""A word is compared with so many others at most, those around it in the alphabet: comparing takes long."""


def nearest(word: str, choices: Iterable[str]) -> str:
    """Say which of the choices was probably meant, or list them if none is near."""
    import difflib  # not needed where nothing is misspelt

    known = sorted(set(choices))
    at = bisect(known, word)
    near = known if len(known) <= MOST_COMPARED else known[max(0, at - MOST_COMPARED // 2) :][:MOST_COMPARED]
    close = difflib.get_close_matches(word, near, n=1, cutoff=0.6)
    if close:
        return f"Did you mean '{close[0]}'?"
    if not known:
        return "There are none yet."
    shown = ", ".join(known[:8]) + (", …" if len(known) > 8 else "")
    return f"Known are: {shown}."
