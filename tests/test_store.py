"""Cases in a database: what was entered comes back, and nothing that was written is ever changed."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.case import Case, Closed, Entry, Known, Seen, Skipped
from advisor.store import SCHEMA, Filed, Store, StoreTrouble

Opens = Callable[..., Store]


@contextmanager
def opened(file: Path) -> Iterator[Store]:
    """A store that lets go of its file afterwards."""
    store = Store(f"sqlite:///{file}")
    try:
        yield store
    finally:
        store.close()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where the database is going to be."""
    return tmp_path / "cases.sqlite"


def rows(file: Path) -> list[tuple[object, ...]]:
    """The rows of entries as they lie in the file."""
    with closing(sqlite3.connect(file)) as connection:
        return connection.execute("SELECT number, kind, about, said FROM entries ORDER BY number").fetchall()


IDS = st.text("abcdefghijklmnopqrstuvwxyz0123456789_", min_size=1, max_size=30)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
ENTRIES: st.SearchStrategy[Entry] = st.one_of(
    st.builds(Known, IDS, IDS),
    st.builds(Seen, IDS, IDS),
    st.builds(Skipped, IDS, TEXTS),
    st.builds(Closed, IDS, TEXTS),
)


@settings(derandomize=True, max_examples=40, deadline=None, database=None)
@given(st.lists(st.tuples(IDS, TEXTS, st.lists(st.one_of(ENTRIES, st.just(None)), max_size=8)), max_size=4))
def test_whatever_is_entered_comes_back_equal(
    tmp_path_factory: pytest.TempPathFactory, jobs: list[tuple[str, str, list[Entry | None]]]
) -> None:
    """Cases of any entries and any texts, some taken back (None here), are the same when opened again."""
    file = tmp_path_factory.mktemp("cases") / "cases.sqlite"
    kept: list[Filed] = []
    with opened(file) as store:
        for complaint, tag, entries in jobs:
            filed = store.open_case(tag, complaint)
            for entry in entries:
                filed = store.take_back(filed) if entry is None else store.append(filed, entry)
            kept.append(filed)
        assert store.cases() == kept[::-1]
    with opened(file) as store:
        assert store.cases() == kept[::-1]
    for filed, (complaint, tag, entries) in zip(kept, jobs, strict=True):
        case = Case(complaint)
        for entry in entries:
            case = case.undone() if entry is None else case.with_entry(entry)
        assert (filed.tag, filed.case, filed.entries) == (tag, case, len(entries))


def test_an_entry_is_on_disk_as_soon_as_it_is_appended(file: Path) -> None:
    """Whoever opens the file while the first program still runs sees every entry."""
    with opened(file) as store:
        store.append(store.open_case("plate 1", "flat_battery"), Seen("bus_active", "busy"))
        with opened(file) as other:
            assert other.cases()[0].case == Case("flat_battery", (Seen("bus_active", "busy"),))


def test_taking_back_leaves_the_record(file: Path) -> None:
    """Taking back is an entry of its own: what was entered before stays in the file for good."""
    with opened(file) as store:
        filed = store.open_case("plate 1", "flat_battery")
        filed = store.append(filed, Seen("bus_active", "busy"))
        filed = store.take_back(filed)
        filed = store.append(filed, Seen("bus_active", "silent"))
        assert filed.case == Case("flat_battery", (Seen("bus_active", "silent"),))
        assert filed.entries == 3
    assert rows(file) == [
        (1, "seen", "bus_active", "busy"),
        (2, "taken back", "", ""),
        (3, "seen", "bus_active", "silent"),
    ]


def test_a_case_in_hand_is_not_changed_by_appending(file: Path) -> None:
    """Appending gives another case; the one before is what it was."""
    with opened(file) as store:
        empty = store.open_case("plate 1", "flat_battery")
        one = store.append(empty, Known("keyless", "none"))
        assert (empty.case.entries, empty.entries) == ((), 0)
        assert (one.case.entries, one.entries) == ((Known("keyless", "none"),), 1)


def test_two_programs_cannot_both_add_to_the_same_case(file: Path) -> None:
    """Who works from a stale case is told, and the other's entry stays."""
    with opened(file) as store:
        filed = store.open_case("plate 1", "flat_battery")
        store.append(filed, Seen("bus_active", "busy"))
        with pytest.raises(StoreTrouble, match=r"^The database of cases cannot be written: .+\.$"):
            store.append(filed, Seen("bus_active", "silent"))
        assert store.cases()[0].case.seen == {"bus_active": "busy"}


def test_the_newest_case_comes_first(file: Path) -> None:
    """Cases are listed from the newest to the oldest, each with the time it was opened."""
    times = iter(datetime(2030, 1, 1, tzinfo=UTC) + timedelta(days=day) for day in range(3))
    store = Store(f"sqlite:///{file}", clock=lambda: next(times))
    try:
        for tag in ("first", "second", "third"):
            store.open_case(tag, "flat_battery")
        assert [(filed.tag, filed.opened[:10]) for filed in store.cases()] == [
            ("third", "2030-01-03"),
            ("second", "2030-01-02"),
            ("first", "2030-01-01"),
        ]
    finally:
        store.close()


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such permissions")
def test_only_the_owner_can_read_the_file(file: Path) -> None:
    """Cases are nobody else's business: the file and those beside it are readable by their owner alone."""
    before = os.umask(0o022)
    try:
        with opened(file) as store:
            store.append(store.open_case("plate 1", "flat_battery"), Seen("bus_active", "busy"))
            modes = {one.name: stat.S_IMODE(one.stat().st_mode) for one in file.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes["cases.sqlite"] == 0o600
    assert set(modes.values()) == {0o600}


def test_a_database_of_a_newer_program_is_refused_and_left_alone(file: Path) -> None:
    """A schema from the future is refused in a sentence, and not a table is added to it."""
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE schema_version (version INTEGER PRIMARY KEY)")
        connection.execute("INSERT INTO schema_version VALUES (?)", (SCHEMA + 1,))
        connection.commit()
    with pytest.raises(StoreTrouble) as refused:
        Store(f"sqlite:///{file}")
    assert str(refused.value) == (
        f"The database was written by a newer program (schema {SCHEMA + 1}, this one knows {SCHEMA}). "
        "Nothing was changed. Update this program."
    )
    with closing(sqlite3.connect(file)) as connection:
        tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    assert tables == [("schema_version",)]


@pytest.mark.parametrize(
    "url",
    [
        "sqlite:////no/such/folder/cases.sqlite",
        "nonsense",
        "nonsense://somewhere/cases",
        "postgresql+nodriver://somewhere/cases",
        "sqlite:///{folder}",
        "sqlite:///{notes}",
    ],
    ids=["no folder", "no address", "no such database", "no driver", "a folder", "another kind of file"],
)
def test_a_database_that_cannot_be_reached_is_told_in_a_sentence(tmp_path: Path, url: str) -> None:
    """Whatever is wrong with the address or the file, it is one line that says so."""
    (tmp_path / "notes.txt").write_text("These are notes, and no database at all. " * 100, encoding="utf-8")
    with pytest.raises(StoreTrouble) as refused:
        Store(url.format(folder=tmp_path, notes=tmp_path / "notes.txt"))
    said = str(refused.value)
    assert said.startswith("The database of cases cannot be opened: ")
    assert said.endswith(".")
    assert "\n" not in said


def test_a_database_that_goes_away_is_told_in_a_sentence(file: Path) -> None:
    """A table that somebody dropped is a sentence, on writing and on reading."""
    with opened(file) as store:
        filed = store.open_case("plate 1", "flat_battery")
        with closing(sqlite3.connect(file)) as connection:
            connection.execute("DROP TABLE entries")
            connection.commit()
        with pytest.raises(StoreTrouble, match=r"^The database of cases cannot be written: .+\.$"):
            store.append(filed, Seen("bus_active", "busy"))
        with pytest.raises(StoreTrouble, match=r"^The database of cases cannot be read: .+\.$"):
            store.cases()
