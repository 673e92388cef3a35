"""A place in a file, what is wrong there, and how it prints."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from advisor.text import visible


@dataclass(frozen=True, order=True)
class Place:
    """A position in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Problem:
    """Something wrong or weak in the knowledge, and what would be right.

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
        """Return the problem for programs: file, line, column, code, severity, what, why, instead."""
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
        return visible(f"{self.place}: {self.code}: {mark}{said}").replace("\n", " ")


class ProblemsFound(Exception):
    """The knowledge, or what was said about a case, cannot be used as it is."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.place, p.code, p.what)))
        super().__init__("\n".join(str(problem) for problem in self.problems))
