"""Cases in a database: what was entered comes back, and nothing that was written is ever changed."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.case import (
    Accounted,
    Acknowledged,
    Booked,
    Case,
    Checked,
    Closed,
    Ended,
    Entry,
    Known,
    Measured,
    Prepared,
    Repaired,
    Replayed,
    Seen,
    Skipped,
    TakenBack,
)
from advisor.evidence import Measurement
from advisor.store import SCHEMA, Filed, Overtaken, Store, StoreTrouble

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
MEASUREMENTS = st.builds(Measurement, IDS, st.floats(0, 1e6), IDS, TEXTS)
ENTRIES: st.SearchStrategy[Entry] = st.one_of(
    st.builds(Known, IDS, IDS),
    st.builds(Seen, IDS, IDS, st.sampled_from([1.0, 0.9, 0.7]), st.sampled_from(["technician", "customer"])),
    st.builds(Measured, IDS, st.lists(MEASUREMENTS, max_size=2).map(tuple)),
    st.builds(Accounted, IDS, MEASUREMENTS),
    *(st.builds(kind, IDS, TEXTS) for kind in (Skipped, Prepared, Ended, Acknowledged, Repaired)),
    *(st.builds(kind, IDS, TEXTS) for kind in (Booked, Checked, Replayed, Closed)),
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
            case = case.with_entry(TakenBack(max(case.counting, default=0), "") if entry is None else entry)
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
        assert filed.case.seen == {"bus_active": "silent"}
        assert filed.entries == 3
    assert rows(file) == [
        (1, "seen", "bus_active", "busy"),
        (2, "taken back", "1", ""),
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
        with pytest.raises(Overtaken, match=r"^Somebody else has entered something on this job"):
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


def test_a_database_of_the_first_schema_opens_and_goes_on(tmp_path: Path) -> None:
    """Kept from the first landed version: everything entered then is there, and more can be entered."""
    file = tmp_path / "cases.sqlite"
    shutil.copy(Path(__file__).parent / "old" / "cases_schema_1.sqlite", file)
    with opened(file) as store:
        (filed,) = store.cases()
        assert (filed.tag, filed.knowledge) == ("bay 2 blue estate", "")
        assert filed.case.seen == {"bus_active": "silent"}
        assert filed.case.entries[2] == TakenBack(2, "")
        assert filed.case.closed == Closed("boot_lamp", "striker bent")
        assert filed.case.measured["sleeping_current"][0][0].typed == "430 mA"
        assert store.preferences() == {"temperature": "°F"}
        store.append(filed, Seen("key_near", "far"))
        store.leave_off_trolley(["clamp"])
    with opened(file) as store:
        assert store.cases()[0].case.seen["key_near"] == "far"
        assert store.off_trolley() == {"clamp"}


def test_an_upgrade_that_fails_leaves_the_database_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step that breaks half-way undoes all of it: the old tables and their number stay."""
    file = tmp_path / "cases.sqlite"
    shutil.copy(Path(__file__).parent / "old" / "cases_schema_1.sqlite", file)

    def breaks(connection: sa.Connection) -> None:
        connection.execute(sa.text("CREATE TABLE half (done INTEGER)"))
        raise sa.exc.OperationalError("a disk", {}, OSError("disk full"))

    with monkeypatch.context() as broken:
        broken.setattr("advisor.store._MIGRATIONS", (breaks,))
        with pytest.raises(StoreTrouble, match="disk full"):
            Store(f"sqlite:///{file}")
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("SELECT version FROM schema_version").fetchone() == (1,)
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert "half" not in names
    with opened(file) as store:
        assert len(store.cases()) == 1


def test_several_entries_are_saved_all_or_none(file: Path) -> None:
    """Two entries of which the second is in the way of another's: neither is written."""
    with opened(file) as store:
        filed = store.open_case("plate 1", "flat_battery")
        store.append(filed, Seen("bus_active", "busy"))
        with pytest.raises(Overtaken):
            store.append(filed, Known("keyless", "none"), Seen("key_near", "far"))
        assert len(rows(file)) == 1


def test_a_full_disk_is_told_and_nothing_is_lost(file: Path) -> None:
    """The database may not grow any more: a message, what was there stays, and later it goes on."""
    with opened(file) as store:
        filed = store.append(store.open_case("plate 1", "flat_battery"), Seen("bus_active", "busy"))
        pages = "PRAGMA max_page_count"
        limit = lambda count: lambda connection, _: connection.execute(f"{pages}={count}")  # noqa: E731
        small = limit(1)
        sa.event.listen(store._engine, "connect", small)
        store._engine.dispose()
        with pytest.raises(StoreTrouble, match=r"cannot be written: database or disk is full\.$"):
            store.append(filed, Skipped("key_near", "x" * 100_000))
        sa.event.remove(store._engine, "connect", small)
        store._engine.dispose()
        assert store.cases() == [filed]
        assert store.append(filed, Skipped("key_near", "x" * 100_000)).entries == 2


def test_a_locked_file_is_told_in_seconds(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program holds the file: a message instead of a wait without end; afterwards it is saved."""
    monkeypatch.setattr("advisor.store.LOCKED_SECONDS", 0.1)
    with opened(file) as store:
        filed = store.open_case("plate 1", "flat_battery")
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreTrouble, match=r"cannot be written: database is locked\.$"):
                store.append(filed, Seen("bus_active", "busy"))
            other.execute("ROLLBACK")
        assert store.append(filed, Seen("bus_active", "busy")).entries == 1
