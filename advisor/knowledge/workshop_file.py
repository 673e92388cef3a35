"""The file in which a workshop sets its policy, `workshop.toml`: read it, and write one out to edit.

It holds values of `Policy` by name, one a line, and no sections; what it does not name stays at the default.
"""

from __future__ import annotations

import re
import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from advisor.knowledge.loading import text_of
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.policy import DEFAULT, Policy, disorder, parameters, refusal
from advisor.text import nearest

NAME = "workshop.toml"
WIDE = 100
"""Letters in a line of the file written out."""
_WHERE = re.compile(r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")


def usual_file() -> Path | None:
    """Return the workshop's file in the user's data folder, beside the cases; None if there is none."""
    file = user_data_path("advisor") / NAME
    return file if file.exists() else None


def read_policy(file: Path | None) -> Policy:
    """Return the policy that a file sets, or the default without one; raises `ProblemsFound`."""
    if file is None:
        return DEFAULT
    text = text_of(file)
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProblemsFound([_not_toml(file, text, error)]) from error
    found = list(_problems(file, text, said))
    if found:
        raise ProblemsFound(found)
    return Policy(**said)


def as_toml(policy: Policy, file: Path | None) -> str:
    """Return a policy as such a file, with what each value changes; `file` is where it was read."""
    known, changed = parameters(), policy.changed
    head = (
        f"{f'What this workshop has set in {file}.' if file else 'Nothing is set: every default applies.'} "
        f"{len(changed)} of {len(known)} values differ from the default. To set one, take the # from its "
        f"line and save this as {NAME} in the folder of the cases, or name the file with --workshop."
    )
    lines = list(_comment(head))
    for heading, names in groupby(known, key=lambda name: known[name].heading):
        lines += ["", f"# === {heading} ==="]
        for name in names:
            one = known[name]
            lines += ["", *_comment(f"{one.changes} Unit: {one.unit}, from {one.low:g} to {one.high:g}.")]
            lines += _comment(f"Default {DEFAULT.values[name]:g}: {one.standing}.")
            lines.append(f"{'' if name in changed else '# '}{name} = {policy.values[name]!r}")
    return "\n".join(lines) + "\n"


def _comment(words: str) -> list[str]:
    return textwrap.wrap(words, WIDE, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _not_toml(file: Path, text: str, error: tomllib.TOMLDecodeError) -> Problem:
    found = _WHERE.match(str(error))
    what = found["what"] if found else str(error)
    line = int(found["line"]) if found and found["line"] else text.count("\n") + 1
    column = int(found["column"]) if found and found["column"] else 1
    what = what.rstrip(".")
    instead = "Write one value a line, such as sure_at = 0.9."
    return Problem(Place(str(file), line, column), "not-toml", f"This is not TOML: {what}.", "", instead)


def _problems(file: Path, text: str, said: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong with the values, each by itself, then together."""
    known = parameters()
    wrong = False
    for name, value in said.items():
        place = _place(file, text, name)
        if isinstance(value, dict):
            yield Problem(place, "section", f"'{name}' is a section.", "", "Write its lines without one.")
        elif name not in known:
            yield Problem(place, "unknown-value", f"There is no value '{name}'.", "", nearest(name, known))
        elif words := refusal(name, value):
            yield Problem(place, "wrong-value", f"{name} cannot be {value!r}.", known[name].changes, words)
        else:
            continue
        wrong = True
    if not wrong and (words := disorder({**DEFAULT.values, **said})):
        first = next(name for name in said if name in words)
        yield Problem(_place(file, text, first), "wrong-order", words, "", "Change one of them.")


def _place(file: Path, text: str, name: str) -> Place:
    """Return where a name stands at the beginning of a line, as a value or as a section."""
    found = re.search(rf"^[ \t]*\[*[ \t]*(?P<name>[\"']?{re.escape(name)}\b)", text, re.MULTILINE)
    at = found.start("name") if found else 0
    return Place(str(file), text.count("\n", 0, at) + 1, at - (text.rfind("\n", 0, at) + 1) + 1)
