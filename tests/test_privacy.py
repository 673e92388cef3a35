"""One case handed out or erased; nothing personal is kept but what somebody wrote there."""

from __future__ import annotations

import io
import json
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from threading import Barrier, Thread
from typing import Any

import pytest
import sqlalchemy as sa

from advisor.case.entries import Closed, Known, Measured, Seen, Skipped, TakenBack
from advisor.model.observation import Measurement
from advisor.store.errors import Erased, StaleWrite, StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.conftest import Ran
from tests.databases import KINDS, Database, fresh

Runs = Callable[..., Ran]

SECRET = "Hidden-Words"


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of each kind."""
    with fresh(request.param, tmp_path) as made:
        yield made


@pytest.fixture
def sqlite(tmp_path: Path) -> Iterator[Database]:
    """An empty SQLite database."""
    with fresh("sqlite", tmp_path) as made:
        yield made


def job(store: Store, tag: str = "bay 2 blue estate") -> StoredCase:
    """A job with an entry of every form that the store writes."""
    filed = store.open_case(tag, "flat_battery", "abc123")
    take = (Measurement("draw", 430.0, "clamp", "430 mA"),)
    return store.append(
        filed,
        Known("keyless", "none"),
        Measured("sleeping_current", take),
        Seen("bus_active", "busy", 0.7, "customer"),
        TakenBack(1, "„wrong car“"),
        Closed("boot_lamp", "striker bent"),
    )


def test_nothing_but_tag_and_entries_is_free_text(database: Database) -> None:
    """A new column has to be put here by somebody who has thought about what people will write into it."""
    with database.opened(), database.connected() as connection:
        inspector = sa.inspect(connection)
        columns = {
            f"{table}.{column['name']}"
            for table in inspector.get_table_names()
            for column in inspector.get_columns(table)
            if isinstance(column["type"], sa.String)
        }
    free = {"cases.tag", "entries.about", "entries.said"}
    ids = {"cases.complaint", "cases.knowledge", "entries.kind", "off_trolley.instrument"}
    ids |= {"preferences.kind", "preferences.unit", "settings.name", "settings.value"}
    times = {"cases.opened", "entries.at", "erased.at"}
    assert columns == free | ids | times


def test_an_export_is_everything_that_is_stored(database: Database) -> None:
    """Every row of the case is in it, word for word, those taken back included."""
    with database.opened() as store:
        filed = job(store)
        job(store, "another")
        found = store.export(filed.number)
        assert store.export(77) is None
    assert found is not None
    entries = found.pop("entries")
    assert found == {
        "version": 1,
        "number": filed.number,
        "tag": "bay 2 blue estate",
        "complaint": "flat_battery",
        "opened": filed.opened,
        "knowledge": "abc123",
    }
    assert [entry["at"] for entry in entries] == list(filed.times)
    assert [(entry["step"], entry["kind"], entry["about"], entry["said"]) for entry in entries] == (
        database.rows(
            f"SELECT number, kind, about, said FROM entries WHERE case_id = {filed.number} ORDER BY number"
        )
    )
    assert [entry["said"] for entry in entries][3:] == ["„wrong car“", "striker bent"]


def test_an_erased_case_is_gone_and_the_others_stay(database: Database) -> None:
    """Nothing of it is in any table; a second time there is nothing to erase."""
    with database.opened() as store:
        first, second = job(store), job(store, "another")
        assert store.erase(first.number)
        assert not store.erase(first.number)
        assert store.case(first.number) is None
        assert store.cases() == [second]
    assert database.rows("SELECT DISTINCT case_id FROM entries") == [(second.number,)]
    assert database.rows("SELECT tag FROM cases") == [("another",)]


def test_the_number_of_an_erased_case_is_not_given_again(database: Database) -> None:
    """Else whoever still has the erased job open would write on somebody else's car."""
    with database.opened() as store:
        numbers = [job(store).number for _ in range(3)]
        store.erase(numbers[-1])
    with database.opened() as store:
        assert store.open_case("bay", "flat_battery").number > numbers[-1]


@pytest.mark.parametrize("entered", [0, 5])
def test_who_has_an_erased_case_open_is_told(database: Database, entered: int) -> None:
    """The answer is not entered, on no job at all, and the sentence says why."""
    with database.opened() as store:
        filed = job(store) if entered else store.open_case("bay", "flat_battery")
        with database.opened() as other:
            other.erase(filed.number)
            job(other, "the next car")
        with pytest.raises(
            Erased, match=r"^This job was erased in the meantime\. Your answer was not entered"
        ):
            store.append(filed, Skipped("key_near", "no key"))
        assert store.cases()[0].entries == 5
    assert database.rows("SELECT said FROM entries WHERE said = 'no key'") == []


def test_erasing_while_others_answer_leaves_nothing_behind(database: Database) -> None:
    """Somebody answers as fast as they can: the erasing succeeds, and the next answer is told."""
    with database.opened() as store, database.opened() as other:
        begin = Barrier(2)
        filed = job(store, "erased")
        told: list[Erased] = []

        def answer() -> None:
            now, tries = filed, 0
            begin.wait()
            while not told and tries < 10_000:
                tries += 1
                try:
                    now = other.append(now, Skipped("key_near", "no key"))
                except Erased as error:
                    told.append(error)
                except StoreError:
                    continue  # the file was busy for too long; again, as the bench does

        answering = Thread(target=answer)
        answering.start()
        begin.wait()
        while store.length(filed) < 15:
            assert answering.is_alive()
        while store.case(filed.number) is not None:
            with suppress(StoreError):  # the other writer may be too fast for a SQLite file
                store.erase(filed.number)
        answering.join()
        assert len(told) == 1
        assert store.cases() == []
    assert database.rows("SELECT * FROM entries") == []


def test_no_text_of_an_erased_case_is_left_in_the_file(sqlite: Database, tmp_path: Path) -> None:
    """Neither in the database nor in what lies beside it, although an older program had left traces."""

    def careless(connection: Any, _: object) -> None:
        connection.execute("PRAGMA secure_delete=OFF")

    def traces() -> int:
        return sum(file.read_bytes().count(SECRET.encode()) for file in tmp_path.glob("cases.sqlite*"))

    drawn = random.Random(20_300_101)
    with sqlite.opened() as store:
        sa.event.listen(store._engine, "connect", careless)
        store._engine.dispose()
        secret, other = (
            store.open_case(f"{SECRET} tag", "flat_battery"),
            store.open_case("bay", "flat_battery"),
        )
        for _ in range(100):
            said = SECRET + "x" * drawn.randrange(300)
            secret = store.append(secret, Skipped("key_near", said), TakenBack(1, said))
            other = store.append(other, Skipped("key_near", "y" * drawn.randrange(300)))
        assert traces() >= 200
    with sqlite.opened() as store, sqlite.opened() as bench:
        assert len(bench.cases()) == 2
        assert store.erase(secret.number)
        assert traces() == 0
        assert (tmp_path / "cases.sqlite-wal").stat().st_size == 0
        assert bench.cases() == [other]


def test_a_file_that_cannot_be_cleaned_yet_is_told(
    sqlite: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program is in the middle of reading: the job is gone, and what the message says to do helps."""
    monkeypatch.setattr("advisor.store.database.LOCKED_SECONDS", 0.1)
    with sqlite.opened() as store:
        filed = job(store, SECRET)
        with sqlite.connected() as reading:
            reading.exec_driver_sql("BEGIN")
            reading.exec_driver_sql("SELECT count(*) FROM entries").scalar()
            with pytest.raises(StoreError, match=rf"^Job {filed.number} is erased, but .* erase job"):
                store.erase(filed.number)
            reading.exec_driver_sql("ROLLBACK")
        assert store.cases() == []
        assert not store.erase(filed.number)
        assert not any(SECRET.encode() in file.read_bytes() for file in tmp_path.glob("cases.sqlite*"))


def test_a_file_that_is_locked_before_it_is_cleaned_is_told(
    sqlite: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program begins to write in between: the same message with that reason, and the same way out."""
    monkeypatch.setattr("advisor.store.database.LOCKED_SECONDS", 0.1)
    with sqlite.opened() as store, closing(sqlite3.connect(tmp_path / "cases.sqlite")) as writer:
        filed = job(store, SECRET)

        def lock(_: object, __: object, statement: str, *___: object) -> None:
            if statement == "VACUUM":
                writer.execute("BEGIN IMMEDIATE")

        sa.event.listen(store._engine, "before_cursor_execute", lock)
        with pytest.raises(StoreError, match=rf"^Job {filed.number} is erased, but .* database is locked\. "):
            store.erase(filed.number)
        sa.event.remove(store._engine, "before_cursor_execute", lock)
        writer.rollback()
        assert not store.erase(filed.number)
        assert not any(SECRET.encode() in file.read_bytes() for file in tmp_path.glob("cases.sqlite*"))


def test_the_bench_takes_an_erased_job_for_one_that_others_have_changed() -> None:
    """So it says the sentence and does not try again for ever."""
    assert issubclass(Erased, StaleWrite)


# ------------------------------------------------------------------------------------------ the commands


def test_export_writes_json(database: Database, advisor: Runs, tmp_path: Path) -> None:
    """To standard output or into a file, the same."""
    with database.opened() as store:
        number = job(store).number
        kept = store.export(number)
    printed = advisor("case", "export", number, "--store", database.url)
    assert (printed.code, printed.err) == (0, "")
    assert json.loads(printed.out) == kept
    file = tmp_path / "job.json"
    assert advisor("case", "export", number, "--store", database.url, "--output", file) == Ran(0, "", "")
    assert file.read_text(encoding="utf-8") == printed.out
    assert "„wrong car“" in printed.out


def test_help_describes_every_key_of_an_export(sqlite: Database, advisor: Runs) -> None:
    """Whoever gets such a file can read what it says."""
    with sqlite.opened() as store:
        found = store.export(job(store).number)
    assert found is not None
    said = advisor("case", "export", "--help").out
    for key in [*found, *found["entries"][0]]:
        assert f'"{key}":' in said
    assert f'"version": {found["version"]},' in said


@pytest.mark.parametrize("command", [["export"], ["erase", "--yes"], ["erase"]], ids=" ".join)
def test_a_job_that_is_not_there_is_told(sqlite: Database, advisor: Runs, command: list[str]) -> None:
    """With the open jobs, as the report does it."""
    with sqlite.opened() as store:
        store.open_case("bay 2", "flat_battery")
    ran = advisor("case", *command, "77", "--store", sqlite.url)
    assert ran == Ran(1, "", "There is no job 77. Name one of these, the newest first:\n  1  bay 2\n")


@pytest.mark.parametrize("command", [["export"], ["erase", "--yes"]], ids=" ".join)
def test_a_database_that_is_not_there_ends_with_3(advisor: Runs, tmp_path: Path, command: list[str]) -> None:
    """A message, and the exit code for disks and databases."""
    ran = advisor("case", *command, "1", "--store", f"sqlite:///{tmp_path / 'none' / 'cases.sqlite'}")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err.startswith("The database of cases cannot be opened: ")


@pytest.mark.parametrize(
    ("typed", "code", "left"), [("1\n", 0, 0), (" 1 \n", 0, 0), ("2\n", 1, 1), ("\n", 1, 1), ("", 1, 1)]
)
def test_erasing_asks_for_the_number(
    sqlite: Database, advisor: Runs, monkeypatch: pytest.MonkeyPatch, typed: str, code: int, left: int
) -> None:
    """It says what will be gone; anything but the number leaves everything as it was."""
    with sqlite.opened() as store:
        job(store)
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    ran = advisor("case", "erase", "1", "--store", sqlite.url)
    assert ran.code == code
    assert "Job 1, bay 2 blue estate, with 5 entries will be erased for good." in ran.err
    assert ("Job 1 is erased." in ran.out) is (code == 0)
    with sqlite.opened() as store:
        assert len(store.cases()) == left


def test_erasing_with_yes_does_not_ask(database: Database, advisor: Runs) -> None:
    """For programs that have asked already."""
    with database.opened() as store:
        number = job(store).number
    ran = advisor("case", "erase", number, "--yes", "--store", database.url)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"Job {number} is erased.\n")
    assert database.rows("SELECT * FROM cases") == []
