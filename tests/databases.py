"""Databases for tests: a new SQLite file, or a schema of its own on a PostgreSQL server."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa

from advisor.store.store import Store
from tests.postgresql import SERVER

OLD = Path(__file__).parent / "old"
"""Databases of older programs, kept from when these were the newest."""
KINDS = ("sqlite", "postgresql")
ENDED_SECONDS = 120.0


@dataclass(frozen=True)
class Database:
    """An empty database: its address, and ways to look and to act past the program."""

    url: str

    @property
    def kind(self) -> str:
        """Which of the two kinds it is."""
        return sa.make_url(self.url).get_backend_name()

    @contextmanager
    def opened(self) -> Iterator[Store]:
        """A store that lets go of the database afterwards."""
        store = Store(self.url)
        try:
            yield store
        finally:
            store.close()

    @contextmanager
    def connected(self) -> Iterator[sa.Connection]:
        """A connection past the program; what is done in it is kept."""
        engine = sa.create_engine(self.url, poolclass=sa.NullPool)
        try:
            with engine.begin() as connection:
                yield connection
        finally:
            engine.dispose()

    def run(self, *statements: str) -> None:
        """Do something to the database past the program."""
        with self.connected() as connection:
            for statement in statements:
                connection.exec_driver_sql(statement)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """What a query gives, past the program."""
        with self.connected() as connection:
            return [tuple(row) for row in connection.exec_driver_sql(query)]

    @property
    def tables(self) -> set[str]:
        """The names of the tables there are."""
        with self.connected() as connection:
            return set(sa.inspect(connection).get_table_names())


def server() -> str:
    """The PostgreSQL server's URL; where none is named the test is skipped, but never in CI."""
    url = os.environ.get(SERVER)
    if url is None and os.environ.get("CI") == "true":
        pytest.fail(f"CI has to name a PostgreSQL server in {SERVER}")
    if url is None:
        pytest.skip(f"needs a PostgreSQL server, named in {SERVER}")
    return url


def forked() -> ForkServerContext:
    """Processes forked from one that has imported what tests import, which takes half a second in each."""
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["hypothesis", "pytest", "tests.conftest", "tests.soak.writers"])
    return processes


def kills_itself(deed: Callable[..., None], *about: object) -> None:
    """Do something in a process of its own, in which that process has to kill itself."""
    child = forked().Process(target=deed, args=about)
    child.start()
    try:
        child.join(ENDED_SECONDS)
        assert child.exitcode == -signal.SIGKILL
    finally:
        child.kill()
        child.join()


@contextmanager
def fresh(kind: str, folder: Path) -> Iterator[Database]:
    """An empty database of a kind that nobody else uses, gone afterwards."""
    if kind == "sqlite":
        yield Database(f"sqlite:///{folder / 'cases.sqlite'}")
        return
    url = sa.make_url(server())
    schema = f"test_{uuid4().hex}"
    whole = Database(url.render_as_string(hide_password=False))
    own = url.update_query_dict({"options": f"-csearch_path={schema}", "application_name": schema})
    whole.run(f"CREATE SCHEMA {schema}")
    try:
        yield Database(own.render_as_string(hide_password=False))
    finally:
        whole.run("SET lock_timeout = '10s'", f"DROP SCHEMA {schema} CASCADE")


def put_old(database: Database, old: int | Path) -> None:
    """The database of an older program by its schema or file; on PostgreSQL as copied there."""
    if isinstance(old, int):
        old = OLD / f"cases_schema_{old}.sqlite"
    if database.kind == "sqlite":
        shutil.copy(old, str(sa.make_url(database.url).database))
        return
    engine = sa.create_engine(f"sqlite:///file:{old}?immutable=1&uri=true", poolclass=sa.NullPool)
    tables = sa.MetaData()
    tables.reflect(engine)
    with engine.connect() as source, database.connected() as target:
        tables.create_all(target)
        for table in tables.sorted_tables:
            if rows := [dict(row) for row in source.execute(sa.select(table)).mappings()]:
                target.execute(table.insert(), rows)
        target.exec_driver_sql("SELECT setval('cases_id_seq', (SELECT max(id) FROM cases))")
