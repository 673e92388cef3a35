"""How a command ends early: sentences on standard error, and an exit code."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NoReturn

from advisor.cli.output import say
from advisor.text import nearest

if TYPE_CHECKING:
    from advisor.knowledge.problems import Problem


def fail(lines: Iterable[str], code: int) -> NoReturn:
    """Print these lines on standard error and exit with this code."""
    for line in lines:
        say(line, err=True)
    sys.exit(code)


def rest_unchecked(errors: int) -> str:
    """Return what is said after the errors of a file: what comes after them has not been looked at yet."""
    return f"More is checked once {'this is' if errors == 1 else 'these are'} mended."


def fail_with(found: Sequence[Problem], code: int) -> NoReturn:
    """Print the problems of files, and that they are not all that is asked, and exit with this code."""
    errors = sum(one.severity == "error" for one in found)
    for problem in found:
        say(str(problem), err=True)
    fail([rest_unchecked(errors)], code)


def refuse(problems: list[str]) -> None:
    """Print the problems and exit with code 1 if there are any."""
    if problems:
        fail(problems, 1)


def refuse_unknown(kind: str, words: Iterable[str], choices: Iterable[str]) -> None:
    """Exit with code 1 if a word is not among the choices, naming the nearest choice."""
    choices = list(choices)
    refuse([there_is_no(kind, word, choices) for word in words if word not in choices])


def there_is_no(kind: str, word: str, choices: Iterable[str]) -> str:
    """Return the message that a word is unknown, with the nearest choice as a suggestion."""
    return f"There is no {kind} '{word}'. {nearest(word, choices)}"
