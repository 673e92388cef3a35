"""How a command ends when it cannot go on: sentences on standard error, and an exit code."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import NoReturn

from advisor.cli.output import say
from advisor.text import nearest


def fail(lines: Iterable[str], code: int) -> NoReturn:
    """End with these lines and this exit code."""
    for line in lines:
        say(line, err=True)
    sys.exit(code)


def refuse(problems: list[str]) -> None:
    """End with exit code 1 if there are problems."""
    if problems:
        fail(problems, 1)


def refuse_unknown(kind: str, words: Iterable[str], choices: Iterable[str]) -> None:
    """End with exit code 1 if a word is none of the choices."""
    choices = list(choices)
    refuse([there_is_no(kind, word, choices) for word in words if word not in choices])


def there_is_no(kind: str, word: str, choices: Iterable[str]) -> str:
    """Return the sentence that a word is unknown, with the nearest one that may have been meant."""
    return f"There is no {kind} '{word}'. {nearest(word, choices)}"
