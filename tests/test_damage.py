"""Damaged rows: the job says so by its number, every other one works, and what is readable is exported."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence
from advisor.bench.customer import customer_sheet
from advisor.bench.handover import handover
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines, Session
from advisor.case.confirmed import gather
from advisor.case.entries import (
    Accounted,
    Acknowledged,
    Booked,
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
from advisor.checks.lint import checked
from advisor.desk.call import appointments
from advisor.knowledge.knowledge import Knowledge
from advisor.learning.track_record import judge
from advisor.model.observation import Measurement
from advisor.papers.format import age
from advisor.store.errors import CorruptRow
from advisor.store.records import StoredCase
from advisor.store.store import STRAY, Store
from tests.conftest import SHIPPED, Ran
from tests.databases import KINDS, Database, fresh

Runs = Callable[..., Ran]
NOW = datetime(2030, 1, 2, 12, tzinfo=UTC)
AT = "2030-01-02T08:00:00+00:00"
EXAMPLE = SHIPPED / "example"
ENTRIES: tuple[Entry, ...] = (
    Known("door_frame", "framed"),
    Seen("tap_trim", "answers"),
    Seen("bass_buzz", "buzzes", 0.7, "customer"),
    Measured("door_play", (Measurement("door_play", 0.2, "dial_gauge", "0.2 mm"),)),
    Accounted("lamp", Measurement("part", 30.0, "clamp", "30")),
    Skipped("quiet_when_pressed", "no light"),
    Prepared("door_shut_window_down", AT),
    Ended("door_shut_window_down", "no longer needed"),
    Acknowledged("side_airbag", AT),
    TakenBack(2, "wrong"),
    Booked("2030-01-02", "early"),
    Replayed("abc", "abd"),
    Repaired("speaker_loose", AT),
    Checked("door_rattle", "gone"),
    Closed("speaker_loose", "done"),
)
"""An entry of every form that the store writes."""
GARBAGE: tuple[str | bytes | int | float, ...] = (
    "",
    "garbage",
    "2030-01-02T08:00:00",
    "9999-12-31T23:59:59-23:59",
    "0001-01-01T00:00:00+23:59",
    "2030-02-30",
    "-1",
    "3",
    "9" * 5000,
    "null",
    "[]",
    "{}",
    '["answers", NaN, "nobody"]',
    '[{"measurand": "door_play", "value": 1e308, "instrument": "", "typed": ""}]',
    '[{"measurand": "no_such", "value": "x", "instrument": "", "typed": ""}]',
    "[" * 3000,
    "\x1b[31m\0",
    b"\xff\xfe",
    "seen",
    "closed",
    7,
    1e308,
)
NOT_TEXT = "CAST(X'ff61' AS TEXT)"


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of each kind."""
    with fresh(request.param, tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def engines() -> Engines:
    """The engines of the example knowledge."""
    return Engines(checked([EXAMPLE]))


def use(engines: Engines, store: Store, filed: StoredCase) -> None:
    """Everything that the program does with a job that it can read."""
    knowledge: Knowledge = engines.knowledge
    age(filed.last_modified, NOW)
    gather(knowledge, [filed.case])
    if filed.case.complaint not in knowledge.complaints:
        return
    judge(knowledge, engines.of, [filed], checklist=False)
    for write in (job_card, customer_sheet):
        write(knowledge, engines.of, filed, store.preferences(), AT)
    session = Session.opened(engines, store, filed, Workshop())
    handover(session)
    with suppress(InconsistentEvidence):
        session.worked_out()
        session.fields("door_play")
        assert session.account_instrument == ""


def test_garbage_in_any_column_of_any_row_stops_that_job_alone(tmp_path: Path, engines: Engines) -> None:
    """Each value is refused with the number of its job or can be worked with; the other job never notices."""
    file = tmp_path / "cases.sqlite"
    store = Store(f"sqlite:///{file}", lambda: NOW)
    whole = store.append(store.open_case("whole", "door_rattle"), Seen("tap_trim", "answers"))
    hit = store.append(store.open_case("hit", "door_rattle"), *ENTRIES)
    forms = {kind for (kind,) in Database(f"sqlite:///{file}").rows("SELECT kind FROM entries")}
    assert len(forms) == 15
    places = [
        ("cases", column, f"id = {hit.number}") for column in ("tag", "complaint", "opened", "knowledge")
    ]
    places += [
        ("entries", column, f"case_id = {hit.number} AND number = {step}")
        for step in range(1, len(ENTRIES) + 1)
        for column in ("case_id", "number", "at", "kind", "about", "said")
    ]
    told = usable = 0
    try:
        with closing(sqlite3.connect(file, isolation_level=None)) as past:
            for table, column, where in places:
                row = past.execute(f"SELECT rowid, {column} FROM {table} WHERE {where}").fetchone()
                for value in (*GARBAGE, None):
                    try:
                        put = NOT_TEXT if value is None else "?"
                        past.execute(
                            f"UPDATE {table} SET {column} = {put} WHERE rowid = {row[0]}",
                            () if value is None else (value,),
                        )
                    except sqlite3.IntegrityError:
                        continue
                    jobs = store.jobs()
                    assert whole in jobs.filed
                    for one in jobs.damaged:
                        told += 1
                        assert one.number in (hit.number, STRAY) or value in (7, "3"), (column, value)
                        assert f"`advisor case export {one.number}`" in str(one)
                        kept = store.export(one.number)
                        assert kept is not None
                        json.dumps(kept, allow_nan=False)
                    for filed in jobs.filed:
                        usable += 1
                        if (
                            filed.number == hit.number and usable % 20 < 2
                        ):  # papers and advice take their time
                            use(engines, store, filed)
                    assert {*(one.number for one in jobs.filed), *(one.number for one in jobs.damaged)} >= {
                        whole.number,
                        hit.number,
                    }
                    past.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = {row[0]}", (row[1],))
        assert store.jobs().filed == [hit, whole]
        assert min(told, usable) > 500
    finally:
        store.close()


@pytest.mark.parametrize(
    ("table", "columns"),
    [("preferences", ("kind", "unit")), ("settings", ("name", "value")), ("off_trolley", ("instrument",))],
)
def test_garbage_in_what_is_remembered_stops_nothing(
    tmp_path: Path, engines: Engines, table: str, columns: tuple[str, ...]
) -> None:
    """Units, settings and the trolley: whatever stands there, jobs are worked on and papers are made."""
    file = tmp_path / "cases.sqlite"
    store = Store(f"sqlite:///{file}", lambda: NOW)
    try:
        filed = store.append(store.open_case("bay", "door_rattle"), *ENTRIES[:4])
        good = {
            "kind": "temperature",
            "unit": "°F",
            "name": "ranking",
            "value": "bits",
            "instrument": "clamp",
        }
        with closing(sqlite3.connect(file, isolation_level=None)) as past:
            for column in columns:
                for value in GARBAGE:
                    values = [value if one == column else good[one] for one in columns]
                    past.execute(f"DELETE FROM {table}")
                    past.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(values))})", values)
                    use(engines, store, filed)
                past.execute(f"UPDATE {table} SET {column} = {NOT_TEXT}")
                use(engines, store, filed)
    finally:
        store.close()


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("garbage", "'garbage' is no time"),
        ("", "'' is no time"),
        ("2030-01-02T08:00:00", "the time '2030-01-02T08:00:00' has no zone"),
        ("9999-12-31T23:59:59-23:59", "is in no year that can be"),
    ],
)
def test_a_time_that_is_none_is_told_by_every_command_and_the_other_job_works(
    database: Database, advisor: Runs, said: str, why: str
) -> None:
    """The list of jobs, the desk, the card, what is learned and the record; the export holds all of it."""
    with database.opened() as store:
        whole = store.append(store.open_case("whole", "door_rattle"), Closed("speaker_loose", ""))
        hit = store.append(store.open_case("hit", "door_rattle"), Booked("2030-01-02", ""), *ENTRIES[6:7])
        with database.connected() as connection:
            update = sa.text("UPDATE entries SET said = :said WHERE kind = 'prepared'")
            connection.execute(update, {"said": said})
        jobs = store.jobs()
        assert jobs.filed == [whole]
        (damaged,) = jobs.damaged
        assert (damaged.number, damaged.tag) == (hit.number, "hit")
        assert str(damaged).startswith(f"Step 2 of job {hit.number} is damaged in the database: ")
        assert why in str(damaged)
        with pytest.raises(CorruptRow):
            store.case(hit.number)
        assert appointments(Engines(checked([EXAMPLE])), store, date(2030, 1, 2), lambda: False) == ()
    given = ("--store", database.url)
    some = ("--knowledge", EXAMPLE)
    ran = advisor("report", hit.number, *given, *some)
    assert (ran.code, ran.out, ran.err) == (3, "", f"{damaged}\n")
    assert advisor("report", whole.number, *given, *some).code == 0
    for words in (("learn", "--no-replay"), ("track",)):
        ran = advisor(*words, *given, *some)
        assert ran.code == 0
        assert ran.err.startswith(f"{damaged}\n")
    ran = advisor("case", "export", hit.number, *given)
    assert (ran.code, ran.err) == (0, "")
    assert json.loads(ran.out)["entries"][1]["said"] == said
    assert advisor("case", "erase", hit.number, "--yes", *given).code == 0
    with database.opened() as store:
        assert store.jobs() == ([whole], [])


def test_entries_that_name_no_job_are_told_exported_and_erased(tmp_path: Path, advisor: Runs) -> None:
    """Rows whose job is gone or is no number are found under that number, or under 0."""
    file = tmp_path / "cases.sqlite"
    url = f"sqlite:///{file}"
    store = Store(url)
    try:
        store.append(store.open_case("first", "door_rattle"), *ENTRIES[:2])
        second = store.open_case("second", "door_rattle")
        with closing(sqlite3.connect(file, isolation_level=None)) as past:
            past.execute("UPDATE entries SET case_id = 'what' WHERE number = 2")
            past.execute("UPDATE entries SET case_id = 77 WHERE number = 1")
        jobs = store.jobs()
        assert [one.number for one in jobs.filed] == [second.number, 1]
        assert {one.number for one in jobs.damaged} == {STRAY, 77}
    finally:
        store.close()
    for number, about in ((STRAY, "tap_trim"), (77, "door_frame")):
        kept: dict[str, Any] = json.loads(advisor("case", "export", number, "--store", url).out)
        assert [kept["tag"], kept["entries"][0]["about"]] == [None, about]
        assert advisor("case", "erase", number, "--yes", "--store", url).code == 0
    store = Store(url)
    try:
        assert store.jobs().damaged == []
    finally:
        store.close()
