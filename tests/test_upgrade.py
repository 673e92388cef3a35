"""What older versions of the program wrote opens in this one; what newer ones wrote is left alone.

`tests/old/first` was written by the first landed version of the program: its knowledge of flat batteries as
it was (language 1), a database of three jobs, and what it believed of each (`beliefs.json`).
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from advisor.advice.advice import advise
from advisor.advice.situation import Situation
from advisor.bench.session import Engines
from advisor.case.entries import Accounted, Closed, Known, Seen, Skipped, TakenBack
from advisor.checks.lint import checked
from advisor.knowledge.knowledge import Knowledge
from advisor.store import database as databases
from advisor.store.database import SCHEMA
from advisor.store.errors import StoreError
from advisor.store.store import Store
from tests.conftest import Ran
from tests.databases import KINDS, Database, fresh, kills_itself, put_old

FIRST = Path(__file__).parent / "old" / "first"
TOLD = json.loads((FIRST / "beliefs.json").read_text(encoding="utf-8"))
OLD_SCHEMAS = range(1, SCHEMA)

Runs = Callable[..., Ran]


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of each kind."""
    with fresh(request.param, tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def first_knowledge() -> Knowledge:
    """The knowledge of the first version, read by this one."""
    return checked([FIRST])


# -------------------------------------------------------------------------------------- the first version


def test_knowledge_of_the_first_version_has_no_error(first_knowledge: Knowledge) -> None:
    """Every word of language 1 as it was then is still understood."""
    assert list(first_knowledge.complaints) == ["flat_battery"]
    assert len(first_knowledge.readings) == 54


def test_jobs_of_the_first_version_are_all_there(database: Database) -> None:
    """Each with its tag, the time it was opened and every row, those taken back included."""
    put_old(database, FIRST / "cases.sqlite")
    with database.opened() as store:
        found = store.cases()
        assert store.preferences() == {"temperature": "°F"}
    assert [(one.number, one.tag, one.opened, one.entries, len(one.case.counting)) for one in found] == [
        (one["number"], one["tag"], one["opened"], one["rows"], one["counting"]) for one in TOLD["jobs"]
    ]
    closed = found[-1].case
    assert closed.entries[:5] == (
        Known("keyless", "none"),
        Known("battery_age", "over_five_years"),
        Seen("bus_active", "busy"),
        TakenBack(3, ""),
        Seen("bus_active", "silent"),
    )
    assert [take[0].typed for take in closed.measured["sleeping_current"]] == ["430 mA", "0.41 A"]
    assert [one.measurand for one in closed.measured["fuse_interior"][0]] == [
        "fuse_drop",
        "fuse_size",
        "fuse_rating",
    ]
    assert isinstance(closed.entries[-3], Accounted)
    assert closed.entries[-2:] == (Skipped("key_near", "no access"), Closed("boot_lamp", "striker bent"))


@pytest.mark.parametrize("told", TOLD["jobs"], ids=lambda told: f"job {told['number']}")
def test_beliefs_are_those_that_the_first_version_had(
    told: dict[str, Any], first_knowledge: Knowledge, tmp_path: Path
) -> None:
    """The same rows under the same knowledge: every cause's probability, and the reading that tells most."""
    database = Database(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    put_old(database, FIRST / "cases.sqlite")
    with database.opened() as store:
        filed = store.case(told["number"])
    assert filed is not None
    advice = advise(Situation.of(first_knowledge, Engines(first_knowledge).of(filed.case), filed.case))
    assert {one.fault: one.probability for one in advice.suspects} == pytest.approx(
        told["beliefs"], rel=1e-9, abs=1e-12
    )
    assert [one.reading for one in advice.by_bits[:1]] == told["first"]


def test_an_old_job_goes_on_by_this_program(database: Database, advisor: Runs) -> None:
    """Something is entered on it, and its card is written by the knowledge of then."""
    put_old(database, FIRST / "cases.sqlite")
    with database.opened() as store:
        van = store.case(2)
        assert van is not None
        store.append(van, Seen("clamp_look", "loose"))
    ran = advisor("report", 2, "--store", database.url, "--knowledge", FIRST)
    assert (ran.code, ran.err) == (0, "")
    assert "Clamp" in ran.out or "clamp" in ran.out


# --------------------------------------------------------------------------- one transaction, or nothing


def laid_out(database: Database) -> dict[str, list[tuple[Any, ...]]]:
    """Every table with its columns, and every row in it."""
    with database.connected() as connection:
        inspector = sa.inspect(connection)
        found = {}
        for table in sorted(inspector.get_table_names()):
            columns = [f"{one['name']} {one['type']}" for one in inspector.get_columns(table)]
            rows = connection.exec_driver_sql(f"SELECT * FROM {table} ORDER BY 1, 2" if len(columns) > 1
                                              else f"SELECT * FROM {table} ORDER BY 1")  # fmt: skip
            found[table] = [tuple(columns), *map(tuple, rows)]
        return found


def statements(kind: str, schema: int, folder: Path) -> int:
    """How many statements the upgrade from a schema makes that change anything."""
    with fresh(kind, folder) as database:
        put_old(database, schema)
        seen: list[str] = []
        with watched(seen.append):
            Store(database.url).close()
        return len(seen)


@contextmanager
def watched(then: Callable[[str], None]) -> Iterator[None]:
    """Calls a function after every statement that changes something."""

    def after(_: object, __: object, statement: str, *___: object) -> None:
        if statement.split()[0].upper() in ("ALTER", "CREATE", "INSERT", "DROP", "UPDATE"):
            then(statement)

    sa.event.listen(sa.Engine, "after_cursor_execute", after)
    try:
        yield
    finally:
        sa.event.remove(sa.Engine, "after_cursor_execute", after)


@pytest.mark.parametrize("schema", OLD_SCHEMAS)
def test_an_upgrade_that_fails_anywhere_leaves_the_database_wholly_old(
    database: Database, schema: int, tmp_path: Path
) -> None:
    """After each single statement of it: the same tables and rows as before, and then it opens after all."""
    put_old(database, schema)
    before = laid_out(database)
    (tmp_path / "counted").mkdir()
    count = statements(database.kind, schema, tmp_path / "counted")
    assert count >= 1
    for last in range(1, count + 1):
        done: list[str] = []

        def fail(statement: str, done: list[str] = done, last: int = last) -> None:
            done.append(statement)
            if len(done) == last:
                raise sa.exc.OperationalError(statement, {}, OSError("disk full"))

        with watched(fail), pytest.raises(StoreError, match="disk full"):
            Store(database.url)
        assert laid_out(database) == before, done[-1]
    with database.opened() as store:
        assert store.cases()
    assert database.rows("SELECT version FROM schema_version") == [(SCHEMA,)]


def killed_after(url: str, last: int) -> None:
    """Open a database, and be killed after so many statements of its upgrade."""
    done: list[str] = []

    def kill(statement: str) -> None:
        done.append(statement)
        if len(done) == last:
            os.kill(os.getpid(), signal.SIGKILL)

    with watched(kill):
        Store(url)


@pytest.mark.parametrize("schema", OLD_SCHEMAS)
def test_a_program_killed_in_an_upgrade_leaves_the_database_wholly_old(
    database: Database, schema: int, tmp_path: Path
) -> None:
    """Killed in the middle, with nothing left to tidy up: the database opens again, with everything."""
    put_old(database, schema)
    before = laid_out(database)
    (tmp_path / "counted").mkdir()
    count = statements(database.kind, schema, tmp_path / "counted")
    for last in range(1, min(2, count) + 1):
        kills_itself(killed_after, database.url, last)
        assert laid_out(database) == before
    with database.opened() as store:
        assert len(store.cases()) == len(before["cases"]) - 1


def test_every_schema_that_there_was_has_a_database_here() -> None:
    """A change of the tables comes with a step, and with a database of the schema before it."""
    assert len(databases._MIGRATIONS) == SCHEMA - 1
    kept = {int(file.stem.rpartition("_")[2]) for file in FIRST.parent.glob("cases_schema_*.sqlite")}
    assert kept == set(OLD_SCHEMAS)


# ------------------------------------------------------------------------------------------ newer programs


def test_a_database_of_a_newer_program_is_refused_by_every_command_that_opens_one(
    database: Database, advisor: Runs
) -> None:
    """With its number, ours, and what to do; nothing in it is changed, and nobody sees a traceback."""
    with database.opened() as store:
        store.append(store.open_case("bay 2", "flat_battery"), Known("keyless", "none"))
    database.run(f"UPDATE schema_version SET version = {SCHEMA + 1}", "ALTER TABLE cases ADD COLUMN bay TEXT")
    before = laid_out(database)
    for words in (["report", 1], ["case", "export", 1], ["case", "erase", "--yes", 1], ["learn"], ["track"]):
        ran = advisor(*words, "--store", database.url)
        assert (ran.code, ran.out) == (3, ""), words
        assert ran.err == (
            f"The database was written by a newer program (schema {SCHEMA + 1}, this one knows {SCHEMA}). "
            "Nothing was changed. Update this program.\n"
        )
    assert laid_out(database) == before


def test_knowledge_of_a_newer_language_is_refused(advisor: Runs, tmp_path: Path) -> None:
    """Its number is one of the words that are checked first."""
    text = (FIRST / "workshop.yaml").read_text(encoding="utf-8").replace("language: 1", "language: 2")
    file = tmp_path / "newer.yaml"
    file.write_text(text, encoding="utf-8")
    ran = advisor("check", file)
    assert ran.code == 1
    assert f"{file}:" in ran.out
    assert "not one of the words for 'language'" in ran.out
