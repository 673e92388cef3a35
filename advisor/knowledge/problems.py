"""A place in a file, what is wrong there, and how it prints."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from advisor.text import visible

MOST_COMPARED = 200
"""A word is compared with so many others at most, those around it in the alphabet: comparing takes long."""


@dataclass(frozen=True, order=True)
class Place:
    """Where something stands in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong or weak in the knowledge, and what would be right.

    `code` is stable, so that tests and editors can rely on it. A problem of severity
    "error" keeps the knowledge from being used; "weak" does not.
    """

    place: Place
    code: str
    what: str
    why: str
    instead: str
    severity: Literal["error", "weak"] = "error"

    def as_dict(self) -> dict[str, str | int]:
        """The problem for programs: file, line, column, code, severity, what, why, instead."""
        return {
            "file": self.place.file,
            "line": self.place.line,
            "column": self.place.column,
            "code": self.code,
            "severity": self.severity,
            "what": self.what,
            "why": self.why,
            "instead": self.instead,
        }

    def __str__(self) -> str:
        mark = "" if self.severity == "error" else "weak: "
        said = " ".join(filter(None, (self.what, self.why, self.instead)))
        return visible(f"{self.place}: {self.code} {mark}{said}").replace("\n", " ")


class ProblemsFound(Exception):
    """The knowledge, or what was said about a case, cannot be used as it is."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.place, p.code, p.what)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


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
