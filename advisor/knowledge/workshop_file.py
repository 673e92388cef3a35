"""The file with all that a workshop chooses, `workshop.toml`: read it, and write one out to edit.

It holds values of `Settings` and `Policy` by name, one a line, and no sections. What it does not name stays
at the default.
"""

from __future__ import annotations

import re
import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from advisor.knowledge.loading import text_of
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.policy import DEFAULT, Policy, disorder, parameters, refusal
from advisor.settings import CHOICES, Settings, Value, in_toml
from advisor.text import nearest

NAME = "workshop.toml"
WIDE = 100
"""Letters in a line of the file written out."""
_WHERE = re.compile(r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")


def usual_file() -> Path | None:
    """Return the workshop's file in the user's data folder, beside the cases; None if there is none."""
    file = place()
    return file if file.exists() else None


def place() -> Path:
    """Return where the workshop's file is looked for, and written to, unless another one is named."""
    return user_data_path("advisor") / NAME


@dataclass(frozen=True)
class Chosen:
    """What a file sets: the policy, and the choices that it names."""

    policy: Policy = DEFAULT
    choices: Mapping[str, Value] = field(default_factory=dict)


def read_policy(file: Path | None) -> Policy:
    """Return the policy that a file sets, or the default without one; raises `ProblemsFound`."""
    return read_file(file).policy


def read_file(file: Path | None) -> Chosen:
    """Return all that a file sets, with paths as they are from its folder; raises `ProblemsFound`."""
    if file is None:
        return Chosen()
    text = text_of(file)
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProblemsFound([_not_toml(file, text, error)]) from error
    found = list(_problems(file, text, said))
    if found:
        raise ProblemsFound(found)
    choices = {name: _value(name, value, file) for name, value in said.items() if name in CHOICES}
    return Chosen(Policy(**{name: value for name, value in said.items() if name not in CHOICES}), choices)


def _value(name: str, value: Any, file: Path) -> Value:
    """Return a value as the choice has it."""
    if name == "knowledge":
        return tuple(str(file.parent / Path(one).expanduser()) for one in value)
    kept: Value = tuple(value) if isinstance(value, list) else value
    return kept


def remember(file: Path, name: str, value: Value) -> None:
    """Set one choice in a file and leave its other lines alone; the file is made if there is none.

    It is replaced whole or not at all. Raises `ProblemsFound` if it will not do as it is, and `OSError`.
    """
    there = file.exists()
    if there:
        read_file(file)
    else:
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    text = text_of(file) if there else ""
    line = f"{name} = {in_toml(value)}"
    set_already = re.compile(rf"^[ \t]*[\"']?{re.escape(name)}[\"']?[ \t]*=.*$", re.MULTILINE)
    offered = re.compile(rf"^#[ \t]*{re.escape(name)} = .*$", re.MULTILINE)
    for pattern in (set_already, offered):
        text, done = pattern.subn(lambda _: line, text, count=1)
        if done:
            break
    else:
        text += f"{'' if text.endswith(chr(10)) or not text else chr(10)}{line}\n"
    target = file.resolve()
    mode = target.stat().st_mode & 0o777 if there else 0o600
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.chmod(mode)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def as_toml(policy: Policy, file: Path | None, choices: Mapping[str, Value] | None = None) -> str:
    """Return what is set as such a file, with what each value changes; `file` is where it was read."""
    known, changed, choices = parameters(), policy.changed, choices or {}
    head = (
        f"{f'What this workshop has set in {file}.' if file else 'Nothing is set: every default applies.'} "
        f"{len(changed) + len(choices)} of {len(known) + len(CHOICES)} values are set. To set one, take the "
        f"# from its line and save this as {NAME} in the folder of the cases, or name the file with "
        "--workshop."
    )
    lines = list(_comment(head))
    for heading, names in groupby(CHOICES, key=lambda name: CHOICES[name].heading):
        lines += ["", f"# === {heading} ==="]
        for name in names:
            choice = CHOICES[name]
            default = getattr(Settings, name) or None
            usual = "" if default is None else f" Default {in_toml(default)}."
            only = f" One of {', '.join(map(in_toml, choice.takes))}." if choice.takes else ""
            lines += ["", *_comment(f"{choice.changes}{only}{usual}")]
            value = choices.get(name, choice.example)
            lines.append(f"{'' if name in choices else '# '}{name} = {in_toml(value)}")
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
    instead = "Write one value a line, such as sure_at = 0.9, and texts in quotes."
    return Problem(Place(str(file), line, column), "not-toml", f"This is not TOML: {what}.", "", instead)


def _problems(file: Path, text: str, said: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong with the values, each by itself, then together."""
    known = parameters()
    wrong = False
    for name, value in said.items():
        place = _place(file, text, name)
        if isinstance(value, dict):
            yield Problem(place, "section", f"'{name}' is a section.", "", "Write its lines without one.")
        elif name in CHOICES:
            if not (words := CHOICES[name].refusal(value)):
                continue
            shown = "what stands there" if name == "store" else in_toml(value)
            yield Problem(place, "wrong-value", f"{name} cannot be {shown}.", CHOICES[name].changes, words)
        elif name not in known:
            names = (*known, *CHOICES)
            yield Problem(place, "unknown-value", f"There is no value '{name}'.", "", nearest(name, names))
        elif words := refusal(name, value):
            yield Problem(place, "wrong-value", f"{name} cannot be {value!r}.", known[name].changes, words)
        else:
            continue
        wrong = True
    figures = {name: value for name, value in said.items() if name in known}
    if not wrong and (words := disorder({**DEFAULT.values, **figures})):
        first = next(name for name in figures if name in words)
        yield Problem(_place(file, text, first), "wrong-order", words, "", "Change one of them.")


def _place(file: Path, text: str, name: str) -> Place:
    """Return where a name stands at the beginning of a line, as a value or as a section."""
    found = re.search(rf"^[ \t]*\[*[ \t]*(?P<name>[\"']?{re.escape(name)}\b)", text, re.MULTILINE)
    at = found.start("name") if found else 0
    return Place(str(file), text.count("\n", 0, at) + 1, at - (text.rfind("\n", 0, at) + 1) + 1)
