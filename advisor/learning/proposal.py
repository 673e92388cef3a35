"""Revised numbers as a proposal: each in its own form at its own place; making and applying a patch.

Nothing but the digits of a number changes; comments and layout stay byte for byte.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import zip_longest
from typing import Any

from pydantic import BaseModel

from advisor.checks.lint import problems
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.loading import parse, values_of
from advisor.knowledge.probability import WORDS, parse_probability
from advisor.knowledge.problems import Place, Problem
from advisor.knowledge.vocabulary import Document
from advisor.learning.revision import Change, Learned
from advisor.model.priors import tree_of

DIGITS = 3
"""Digits that a revised number keeps, counted on the smaller of p and 1 - p (a choice)."""
FINEST = 6
"""The most decimals of any number (a choice)."""

_OF = r"\d+(?:\.\d+)?\s+of\s+\d+(?:\.\d+)?"
_NUMBER = r"[-+]?(?:\.\d+|\d+(?:\.\d*)?)(?:[eE][-+]?\d+)?"
_WRITTEN = rf"{_OF}|{_NUMBER}|{'|'.join(WORDS)}"
_VALUE = rf"(?P<quote>[\"']?)(?P<value>{_WRITTEN})(?P=quote)(?=\s*(?:[,}}\]]|$|\s#))"


class CannotApply(ValueError):
    """A patch does not fit the files as they are now; the sentence says where."""


@dataclass(frozen=True)
class Edit:
    """One number in a file: where it stands (line and column from 1), what it says and what it would say."""

    change: Change
    place: Place
    before: str
    after: str


@dataclass(frozen=True)
class Proposal:
    """Numbers to revise, most moved first, the knowledge with them, and what was left out with the reason."""

    edits: tuple[Edit, ...]
    knowledge: Knowledge
    not_revised: tuple[tuple[Path, str], ...]


def propose(knowledge: Knowledge, learned: Learned, texts: Mapping[str, str]) -> Proposal:
    """Fit revised numbers into the files' texts, such that the knowledge passes its checks as before.

    `texts` are the knowledge files by the names in its places. A branch whose shares come out as more than
    independent causes can have is scaled to 100; what still cannot stand is left out, and said.
    """
    groups: dict[Path, list[Change]] = defaultdict(list)
    for change in learned.changes:
        groups[change.path[:2]].append(change)
    not_revised = list(learned.not_revised)
    edits = {}
    for item, changes in groups.items():
        found = _edits(knowledge, changes, texts)
        if isinstance(found, str):
            not_revised.append((item, found))
        else:
            edits[item] = found
    scaled: set[Path] = set()
    while True:
        revised = with_edits(knowledge, [one for group in edits.values() for one in group])
        errors = [one for one in problems(revised) if one.severity == "error"]
        if not errors:
            break
        blamed = _to_blame(knowledge, errors[0], edits)
        if blamed is None:
            return Proposal((), knowledge, (*not_revised, ((), f"nothing can be proposed: {errors[0]}")))
        owner = blamed
        smaller = _scaled(owner, edits[owner], texts) if owner not in scaled else None
        if smaller is None:
            not_revised.append((owner, f"the revised numbers cannot stand: {errors[0].what.rstrip('.')}"))
            del edits[owner]
        else:
            scaled.add(owner)
            edits[owner] = smaller
            not_revised.append((owner, "the revised shares came to more than can be and were scaled to 100"))
    changed = [
        one
        for group in edits.values()
        for one in group
        if read_number(one.after, one.change.is_share) != read_number(one.before, one.change.is_share)
    ]
    changed.sort(key=lambda one: (-one.change.moved, one.place))
    return Proposal(tuple(changed), revised, tuple(not_revised))


def with_edits(knowledge: Knowledge, edits: Sequence[Edit]) -> Knowledge:
    """Return the knowledge with the numbers that the edits write."""

    def edited(sofar: Mapping[str, Mapping[str, Any]], edit: Edit) -> Mapping[str, Mapping[str, Any]]:
        section, *path = edit.change.path
        name = str(section)
        return {**sofar, name: _set(sofar[name], tuple(path), read_number(edit.after, edit.change.is_share))}

    sections = {str(edit.change.path[0]): knowledge.section(str(edit.change.path[0])) for edit in edits}
    return replace(knowledge, **reduce(edited, edits, sections))  # type: ignore[arg-type]


def _set(inside: Any, path: Path, number: float) -> Any:
    """Return a frozen object with the number at a path replaced."""
    if not path:
        return number
    step, *rest = path
    if isinstance(inside, BaseModel):
        return inside.model_copy(update={str(step): _set(getattr(inside, str(step)), tuple(rest), number)})
    if isinstance(inside, tuple):
        return tuple(_set(one, tuple(rest), number) if at == step else one for at, one in enumerate(inside))
    return {key: _set(one, tuple(rest), number) if key == step else one for key, one in inside.items()}


def _to_blame(knowledge: Knowledge, error: Problem, edits: Mapping[Path, Sequence[Edit]]) -> Path | None:
    """Return the edits that an error comes from: those of its item, or of the complaint around it."""
    starts = {
        (section, name): knowledge.place(section, name)
        for section, name, _ in knowledge.items()
        if knowledge.place(section, name).file == error.place.file
    }
    before = [owner for owner, start in starts.items() if start <= error.place]
    item = max(before, key=lambda owner: starts[owner], default=None)
    if item in edits:
        return item
    for name in knowledge.complaints:
        gates = tree_of(knowledge, name)
        if item is not None and item[1] in gates:
            around = [("branches", one) for one in gates] + [("complaints", name)]
            return next((owner for owner in reversed(around) if owner in edits), None)
    return None


# Numbers in their own form


def read_number(text: str, is_share: bool) -> float:
    """Parse a number of a file: "85 of 100", 0.85 or a word; of 100 for a share."""
    if is_share:
        return float(text)
    return parse_probability(text if text in WORDS or " of " in " ".join(text.split()) else float(text))


def rewritten(before: str, number: float, is_share: bool) -> str:
    """Format a number in the author's form; a word becomes "so many of 100"."""
    if is_share:
        return short(number, 100)
    match = re.fullmatch(r"(\S+)(\s+of\s+)(\S+)", before)
    if match:
        return short(number * float(match[3]), float(match[3])) + match[2] + match[3]
    return short(number * 100, 100) + " of 100" if before in WORDS else short(number, 1)


def short(part: float, whole: float) -> str:
    """Format a part of a whole with three digits of the smaller side, without needless zeros."""
    smaller = min(part, whole - part)
    decimals = FINEST if smaller <= 0 else min(max(DIGITS - 1 - math.floor(math.log10(smaller)), 0), FINEST)
    return _plain(part, decimals)


def _plain(number: float, decimals: int) -> str:
    text = f"{number:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _edits(
    knowledge: Knowledge, changes: Sequence[Change], texts: Mapping[str, str]
) -> tuple[Edit, ...] | str:
    """Return the edits of one item, or why one of its numbers cannot be changed in place."""
    edits = []
    for change in changes:
        place = knowledge.place(*change.path)
        found = number_at(texts.get(place.file, ""), place, str(change.path[-1]))
        if found is None:
            return f"{place}: the number is not written on one line with its name; change it by hand"
        column, before = found
        if abs(read_number(before, change.is_share) - change.before) > 1e-12:
            return f"{place}: the file says {before} there, which is not what was read"
        after = rewritten(before, change.after, change.is_share)
        edits.append(Edit(change, Place(place.file, place.line, column), before, after))
    return tuple(_summing_up(knowledge, edits))


def number_at(text: str, place: Place, key: str) -> tuple[int, str] | None:
    """Return the column (from 1) and text of the number that follows a key, or None."""
    lines = text.split("\n")
    if place.line > len(lines):
        return None
    name = re.escape(key)
    match = re.compile(rf"(?:\"{name}\"|'{name}'|{name})\s*:\s*{_VALUE}").match(
        lines[place.line - 1].rstrip("\r"), place.column - 1
    )
    return (match.start("value") + 1, match["value"]) if match else None


def _summing_up(knowledge: Knowledge, edits: list[Edit]) -> list[Edit]:
    """Adjust the largest number for rounding where the numbers have to give a sum."""
    whole: dict[Path, float] = {}
    for edit in edits:
        section, name, *_ = path = edit.change.path
        around = path[:-1]
        if section == "complaints" and path[2] == "exactly_one_of":
            whole[around] = 100 - knowledge.complaints[str(name)].unlisted
        elif section == "branches" and path[2] == "exactly_one_of":
            whole[around] = 100
        elif section == "readings" and path[-2] not in ("noisy_or", "causes"):
            spread = dict(knowledge.readings[str(name)].spreads()).get(around[2:], {})
            if knowledge.readings[str(name)].normal_outcome in spread:
                whole[around] = 1
    result = list(edits)
    for around, total in whole.items():
        same = [at for at, edit in enumerate(edits) if edit.change.path[:-1] == around]
        largest = max(same, key=lambda at: edits[at].change.after)
        share = edits[largest].change.is_share
        rest = total - sum(read_number(edits[at].after, share) for at in same if at != largest)
        result[largest] = replace(edits[largest], after=_exactly(edits[largest].after, rest, share))
    return result


def _exactly(after: str, number: float, is_share: bool) -> str:
    match = re.fullmatch(r"(\S+)(\s+of\s+)(\S+)", after)
    if match and not is_share:
        return _plain(number * float(match[3]), 9) + match[2] + match[3]
    return _plain(number, 9)


def _scaled(owner: Path, edits: Sequence[Edit], texts: Mapping[str, str]) -> tuple[Edit, ...] | None:
    """Return the shares of a branch scaled to a sum of 100, always possible for independent causes."""
    total = sum(read_number(edit.after, True) for edit in edits) if owner[0] == "branches" else 0.0
    if total <= 100:
        return None
    smaller = []
    for edit in edits:
        number = math.floor(read_number(edit.after, True) * 100 / total * 100) / 100
        change = replace(edit.change, after=number)
        smaller.append(replace(edit, change=change, after=_plain(number, 2)))
    rest = 100 - sum(read_number(edit.after, True) for edit in smaller[1:])
    smaller[0] = replace(smaller[0], after=_plain(rest, 2))
    return tuple(smaller)


# The patch


def patched(texts: Mapping[str, str], edits: Sequence[Edit]) -> dict[str, str]:
    """Return the texts with the edits, everything else byte for byte."""
    lines = {name: text.split("\n") for name, text in texts.items()}
    for edit in sorted(edits, key=lambda one: one.place, reverse=True):
        line, at = lines[edit.place.file][edit.place.line - 1], edit.place.column - 1
        lines[edit.place.file][edit.place.line - 1] = line[:at] + edit.after + line[at + len(edit.before) :]
    return {name: "\n".join(one) for name, one in lines.items()}


def unified(before: Mapping[str, str], after: Mapping[str, str]) -> str:
    """Return the difference between texts as a unified patch, for `advisor learn --apply` or `patch -p0`."""
    said = []
    for name, old in before.items():
        parts = (_lines(old), _lines(after[name]))
        for line in difflib.unified_diff(*parts, name, name):
            said.append(line if line.endswith("\n") else line + "\n\\ No newline at end of file\n")
    return "".join(said)


def _lines(text: str) -> list[str]:
    """Split a text into lines with their ends; only a line feed ends one."""
    parts = text.split("\n")
    return [one + "\n" for one in parts[:-1]] + ([parts[-1]] if parts[-1] else [])


def patch_files(patch: str) -> tuple[str, ...]:
    """Return the files that a patch changes."""
    return tuple(line[4:].rstrip("\r\n") for line in _lines(patch) if line.startswith("+++ "))


def applied(patch: str, texts: Mapping[str, str]) -> dict[str, str]:
    """Apply a unified patch to texts; raise `CannotApply` unless every line fits exactly."""
    result = {name: _lines(text) for name, text in texts.items()}
    name, at, shift = "", 0, 0
    lines = _lines(patch)
    for number, line in enumerate(lines):
        hunk = re.match(r"@@ -(\d+)(?:,\d+)? \+\d+(?:,\d+)? @@", line)
        after = lines[number + 1] if number + 1 < len(lines) else ""
        if line.startswith("--- ") and after.startswith("+++ "):
            continue
        if line.startswith("+++ ") and number and lines[number - 1].startswith("--- "):
            name, shift = line[4:].rstrip("\r\n"), 0
            if name not in result:
                raise CannotApply(
                    f"The patch is for {name}, which is not in this folder. Run it where it was made."
                )
        elif hunk:
            at = int(hunk[1]) - 1 + shift
        elif line[:1] in (" ", "-", "+") and name:
            text = line[1:]
            if after.startswith("\\"):
                text = text.removesuffix("\n")
            if line[0] == "+":
                result[name].insert(at, text)
                at, shift = at + 1, shift + 1
                continue
            if result[name][at : at + 1] != [text]:
                raise CannotApply(
                    f"{name}:{at + 1 - shift}: the file has changed since the proposal was made. "
                    "Nothing was changed. Make a new proposal."
                )
            if line[0] == "-":
                del result[name][at]
                shift -= 1
            else:
                at += 1
    return {name: "".join(one) for name, one in result.items()}


def only_numbers(before: Mapping[str, str], after: Mapping[str, str]) -> None:
    """Raise `CannotApply` unless knowledge files differ in numbers alone: comments and layout count too.

    Raises `ProblemsFound` if a text does not have the form of a knowledge file.
    """
    for name, old in before.items():
        new = after[name]
        documents = [parse(text, name, Document)[0].model_dump() for text in (old, new)]
        frames = [_without_numbers(text).split("\n") for text in (old, new)]
        pairs = enumerate(zip_longest(*frames), start=1)
        line = next((number for number, (one, other) in pairs if one != other), None)
        if line is not None or not _same_but_numbers(*documents):
            what = "something else than a number" if line is not None else "a number in a text"
            raise CannotApply(
                f"{name}:{line or 1}: the patch changes {what}. Nothing was changed. "
                "Change words by hand, and let `advisor learn --output` make the patch for numbers."
            )


def _without_numbers(text: str) -> str:
    """Return a text without the numbers that are values."""
    parts, done = [], 0
    for start, end in values_of(text):
        value = re.fullmatch(rf"([\"']?)({_WRITTEN})\1", text[start:end])
        if value:
            parts.append(text[done : start + value.start(2)])
            done = start + value.end(2)
    return "\0".join([*parts, text[done:]])


def _same_but_numbers(one: object, other: object) -> bool:
    """Return whether two parsed values differ in numbers only; a number in words is none."""
    if isinstance(one, dict) and isinstance(other, dict):
        return list(one) == list(other) and all(_same_but_numbers(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(_same_but_numbers, one, other))
    numbers = [isinstance(said, int | float) and not isinstance(said, bool) for said in (one, other)]
    return all(numbers) or one == other
