"""Commands that back the database of cases up and restore it."""

from __future__ import annotations

from pathlib import Path

import click

from advisor.cli.errors import fail
from advisor.cli.options import store_option, workshop_option
from advisor.cli.output import say

file_argument = click.argument("file", metavar="FILE", type=click.Path(path_type=Path))


@click.command()
@file_argument
@store_option
@workshop_option
@click.option("--replace", is_flag=True, help="Replace FILE if it is there already.")
def backup(file: Path, store: str | None, workshop: Path | None, replace: bool) -> None:
    """Write all jobs into one file; `advisor restore` brings them back.

    Others may go on entering meanwhile. FILE is whole or not there, and readable by you only. For PostgreSQL
    you are told which of its own commands to use. Backups hold customers' words: keep them like the jobs, and
    delete old ones.
    """
    from advisor.store.backup import back_up
    from advisor.store.errors import StoreError

    url = _sqlite(store, reading=True)
    try:
        made = back_up(url, file, replace)
    except StoreError as error:
        fail([str(error)], 3)
    say(f"Backed up {_counted(made.jobs)} to {file}.")
    if made.damaged:
        fail(map(str, made.damaged), 1)


@click.command()
@file_argument
@store_option
@workshop_option
@click.option("--replace", is_flag=True, help="Put it in place of jobs that are there; they are kept beside.")
@click.option("--with-damaged", is_flag=True, help="Restore it although jobs in it cannot be read.")
def restore(file: Path, store: str | None, workshop: Path | None, replace: bool, with_damaged: bool) -> None:
    """Bring all jobs back from a file that `advisor backup` wrote.

    It is looked through first: is it ours, and can every job be read. What was there is kept beside the
    database under a name you are told. Jobs erased since do not come back. All of it happens or nothing.
    """
    from datetime import datetime

    from advisor.store.backup import restore as put_back
    from advisor.store.errors import StoreError

    url = _sqlite(store, reading=False)
    try:
        done = put_back(url, file, datetime.now().astimezone(), replace=replace, with_damaged=with_damaged)
    except StoreError as error:
        fail([str(error)], 3)
    say(f"Restored {_counted(done.backup.jobs)} from {file}.")
    if done.kept:
        say(f"What was there is kept as {done.kept}; delete it once you are sure.")
    if done.erased:
        numbers = ", ".join(map(str, done.erased))
        say(f"Erased since that backup, and not brought back: {numbers}.")
    if not done.knows_erased:
        say("Which jobs were erased since could not be read: erase them again with `advisor case erase`.")
    for one in done.backup.damaged:
        say(str(one), err=True)


def _counted(jobs: int) -> str:
    from advisor.text import counted

    return counted(jobs, "job")


def _sqlite(store: str | None, reading: bool) -> str:
    """Return the URL of the SQLite database; exit with a server's own commands where it is on one."""
    from advisor.store.backup import server_commands
    from advisor.store.errors import StoreError
    from advisor.store.store import default_url

    url = store or default_url(reading)
    try:
        commands = server_commands(url)
    except StoreError as error:
        fail([str(error)], 3)
    if commands is not None:
        save, bring_back = commands
        fail(
            [
                "These jobs are on a PostgreSQL server. Nothing was changed. Use its own commands:",
                f"  {save}",
                f"  {bring_back}",
                "The second puts the backup in place of what is there, all of it or nothing. Jobs erased "
                "since come back: erase them again.",
            ],
            2,
        )
    return url
