"""What writers meant to enter and were told is saved, kept outside the database, and whether it is there.

A writer writes down what it is about to do, does it, and writes down what it was told. Whatever kills it in
between, the record says what has to be in the database afterwards, what may be, and what must not.
"""

from __future__ import annotations

import json
import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import sqlalchemy as sa

from advisor.case.entries import Entry
from advisor.store.errors import StoreError
from advisor.store.records import StoredCase
from tests.databases import Database

Told = Literal["nothing", "saved", "refused"]


@dataclass(frozen=True)
class Part:
    """Entries that belong on a case from a step on, as they are written in Python."""

    case: int
    step: int
    entries: tuple[str, ...]

    @property
    def places(self) -> dict[tuple[int, int], str]:
        """Each entry by its case and step."""
        return {(self.case, self.step + at): entry for at, entry in enumerate(self.entries)}


@dataclass(frozen=True)
class Deed:
    """Something a writer set out to do: to enter parts, open cases under a tag, or erase a case.

    `cases` are those opened, once that was told, or the one to erase.
    """

    doing: str
    parts: tuple[Part, ...] = ()
    tag: str = ""
    complaints: tuple[str, ...] = ()
    cases: tuple[int, ...] = ()
    told: Told = "nothing"


@dataclass(frozen=True)
class Stored:
    """What is in a database: tag and complaint of each case, and every entry by its case and step."""

    heads: dict[int, tuple[str, str]]
    entries: dict[tuple[int, int], str]


class Record:
    """A writer's own file: one line before each deed, one after it, and no kill takes one away."""

    def __init__(self, file: Path) -> None:
        self.file = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def line(self, **said: object) -> None:
        """One line, in one write."""
        os.write(self.file, (json.dumps(said) + "\n").encode())

    def means(self, doing: str, *parts: tuple[StoredCase, Sequence[Entry]]) -> None:
        """What is about to be entered."""
        written = [[filed.number, filed.entries + 1, [*map(repr, entries)]] for filed, entries in parts]
        self.line(doing=doing, parts=written)

    def told(self, what: Told, *cases: int) -> None:
        """What came of it."""
        self.line(told=what, cases=cases)


def deeds(file: Path) -> list[Deed]:
    """What a record says, in order; a line that is just being written is not said yet."""
    found: list[Deed] = []
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    for line in text[: text.rfind("\n") + 1].splitlines():
        said = json.loads(line)
        if "told" not in said:
            parts = tuple(Part(case, step, tuple(entries)) for case, step, entries in said.get("parts", ()))
            said["complaints"], said["cases"] = (tuple(said.get(one, ())) for one in ("complaints", "cases"))
            found.append(Deed(**{**said, "parts": parts}))
        else:
            cases = tuple(said["cases"]) or found[-1].cases
            found[-1] = replace(found[-1], told=said["told"], cases=cases)
    return found


def stored(database: Database) -> tuple[Stored, list[str]]:
    """What lies in a database, read as the program reads it, and what it cannot read or is not sound."""
    problems = []
    rows = database.rows("SELECT case_id, number FROM entries ORDER BY case_id, number")
    last: Counter[int] = Counter()
    for case, step in rows:
        last[case] += 1
        if step != last[case]:
            problems.append(f"unreadable: job {case} has a step {step} as number {last[case]}")
    file = sa.make_url(database.url).database
    if database.kind == "sqlite":
        for check in ("integrity_check", "foreign_key_check"):
            said = [row for row in database.rows(f"PRAGMA {check}") if row != ("ok",)]
            problems += [f"unreadable: {file}: {row}" for row in said]
    heads, entries = {}, {}
    try:
        with database.opened() as store:
            cases = store.cases()
    except StoreError as error:
        return Stored({}, {}), [*problems, f"unreadable: {error}"]
    for filed in cases:
        heads[filed.number] = filed.tag, filed.case.complaint
        for step, entry in enumerate(filed.case.entries, start=1):
            entries[filed.number, step] = repr(entry)
    if len(entries) != len(rows):
        problems.append(f"unreadable: {len(rows)} entries in the tables, {len(entries)} in the cases")
    return Stored(heads, entries), problems


def wrong(done: Sequence[Deed], there: Stored) -> Iterator[str]:
    """Everything that is lost, torn, doubled, in another's place, or there though nobody entered it."""
    gone = {case for one in done if one.doing == "erasing" for case in one.cases if case not in there.heads}
    yield from _wrong_cases(done, there, gone)
    meant = {entry: place for one in done for part in one.parts for place, entry in part.places.items()}
    for place, entry in there.entries.items():
        if entry not in meant:
            yield f"a stranger's: {entry} at {place}"
    found: Counter[str] = Counter(there.entries.values())
    yield from (f"stored {count} times: {entry}" for entry, count in found.items() if count > 1)
    for one in done:
        wanted = {
            place: entry
            for part in one.parts
            if part.case not in gone
            for place, entry in part.places.items()
        }
        missing = [place for place, entry in wanted.items() if there.entries.get(place) != entry]
        if one.told == "saved" and missing:
            yield f"lost: {one.doing}, {[(place, wanted[place]) for place in missing]}"
        elif one.told == "nothing" and 0 < len(missing) < len(wanted):
            yield f"torn: {one.doing}, without {missing} of {sorted(wanted)}"
        elif one.told == "refused" and any(entry in found for entry in wanted.values()):
            yield f"entered though refused: {wanted}"


def _wrong_cases(done: Iterable[Deed], there: Stored, gone: set[int]) -> Iterator[str]:
    """What is wrong with the cases themselves: opened and erased ones."""
    given: Counter[int] = Counter()
    by_head: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, head in there.heads.items():
        by_head[head].append(number)
    meant = {(one.tag, complaint) for one in done for complaint in one.complaints}
    yield from (
        f"a stranger's: job {numbers}, {head}" for head, numbers in by_head.items() if head not in meant
    )
    for one in done:
        if one.doing == "erasing" and one.told == "saved":
            yield from (f"still there though erased: job {case}" for case in one.cases if case in there.heads)
        if one.doing != "opening":
            continue
        given.update(one.cases)
        numbers = [by_head[one.tag, complaint] for complaint in one.complaints]
        if any(len(some) > 1 for some in numbers):
            yield f"opened twice: {one.tag}, {numbers}"
        if one.told == "saved":
            lost = [
                case
                for case, complaint in zip(one.cases, one.complaints, strict=True)
                if case not in gone and there.heads.get(case) != (one.tag, complaint)
            ]
            yield from (f"lost: job {case}, {one.tag}" for case in lost)
        elif 0 < sum(map(bool, numbers)) < len(numbers):
            yield f"torn: opening {one.tag}, {numbers}"
    yield from (f"number given {count} times: job {case}" for case, count in given.items() if count > 1)


def all_deeds(folder: Path) -> list[Deed]:
    """What every record in a folder says."""
    return [one for file in sorted(folder.glob("*.record")) for one in deeds(file)]


def doing_now(file: Path) -> str:
    """What a writer is in the middle of, by its record; what is between two deeds is thinking."""
    done = deeds(file)
    if not done:
        return "starting"
    return done[-1].doing if done[-1].told == "nothing" else "between two entries"


__all__ = ["Deed", "Part", "Record", "Stored", "all_deeds", "deeds", "doing_now", "stored", "wrong"]
