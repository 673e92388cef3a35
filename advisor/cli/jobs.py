"""Commands on stored jobs: papers, export as JSON, erasing, scenarios."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from advisor.cli.errors import fail
from advisor.cli.options import (
    any_number_argument,
    checked,
    chosen,
    engines_of,
    knowledge_option,
    number_argument,
    output_option,
    policy_of,
    store_option,
    workshop_option,
)
from advisor.cli.output import json_text, say, write_private

if TYPE_CHECKING:
    from advisor.store.records import StoredCase
    from advisor.store.store import Store

NEWEST = 8
"""The most open jobs listed when the one asked for does not exist."""

_Found = TypeVar("_Found")


@click.command(name="report")
@number_argument
@store_option
@knowledge_option
@workshop_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["markdown", "html"]),
    default="markdown",
    show_default=True,
    help="HTML for a page to print on A4.",
)
@click.option("--customer", is_flag=True, help="Write one page in plain words for the customer.")
@output_option
def report_case(
    number: int,
    store: str | None,
    paths: tuple[Path, ...],
    workshop: Path | None,
    form: str,
    customer: bool,
    output: Path | None,
) -> None:
    """Write the card of a job, or with --customer a page for the customer; CASE is the job's number."""
    from advisor.bench.customer import customer_sheet
    from advisor.bench.jobcard import job_card
    from advisor.desk.call import INSPECTION
    from advisor.papers.document import html, markdown, under

    policy = policy_of(workshop)
    knowledge = checked(paths)
    filed, preferences, now = filed_job(store, number)
    if filed.case.complaint == INSPECTION:
        state = "closed" if filed.case.closed else "still open"
        fail(
            [
                f"Job {number} is a general inspection, {state}: no complaint was looked into, so "
                f"there is no card. Read what is stored about it with `advisor case export {number}`."
            ],
            1,
        )
    if filed.case.complaint not in knowledge.complaints:
        fail(
            [
                f"Job {number} is about the complaint '{filed.case.complaint}', which is not in this "
                "knowledge. Name the knowledge it was opened with, with --knowledge."
            ],
            1,
        )
    write = customer_sheet if customer else job_card
    document = write(knowledge, engines_of(knowledge).of, filed, preferences, now, policy)
    if customer:
        document = under(document, chosen()[0].letterhead)
    text = html(document) if form == "html" else markdown(document)
    if output is None:
        say(text, nl=False)
    else:
        write_private(output, text)


@click.group(name="case")
def stored_case() -> None:
    """Export or erase everything that is stored about one job."""


@stored_case.command(name="export")
@any_number_argument
@store_option
@output_option
def export_case(number: int, store: str | None, output: Path | None) -> None:
    """Write everything that is stored about a job as JSON; CASE is the job's number.

    \b
    {"version": 1,      of this format
     "number": 12,      the job's number
     "tag": "…",        what the workshop calls the car
     "complaint": "…",  the complaint's id
     "opened": "…",     when, as all times: ISO 8601 with zone
     "knowledge": "…",  its version when the job was opened, "" if unknown
     "entries": [       in the order entered, taken back ones included
       {"step": 1,      counted from 1
        "at": "…",      when it was entered
        "kind": "…",    such as seen, measured, skipped, taken back
        "about": "…",   the id or number of what it is about
        "said": "…"}]}  what was said, word for word

    For the kinds measured, accounted and unsure, "said" is itself JSON. Of a damaged job everything readable
    is written, with null for what is missing. Number 0 holds the entries that name no job.
    """
    stored = of_job(store, number, lambda there: there.export(number))
    text = json_text(stored) + "\n"
    if output is None:
        click.echo(text.encode("utf-8"), nl=False)  # UTF-8, whatever the terminal's encoding
    else:
        write_private(output, text)


@stored_case.command(name="erase")
@any_number_argument
@store_option
@click.option("--yes", is_flag=True, help="Do not ask.")
def erase_case(number: int, store: str | None, yes: bool) -> None:
    """Delete a job and all its entries for good; CASE is the job's number.

    A SQLite file keeps none of its text. For a PostgreSQL server you are told what it still keeps and which
    command clears it. Backups and papers are yours to delete. The number is never used again.
    """
    from advisor.text import clean

    # A read-only store looks first, so that a mistyped URL creates no database.
    there, before = of_job(store, number, lambda found: _stored_or_erased(found, number))
    if there is None:
        left = of_job(store, number, lambda found: _erased(found, number) or found.left_on_server, False)
        say(f"Job {number} is erased: it was erased at {before}.")
        if left:
            say(left)
        return
    if not yes:
        tag = clean(str(there["tag"] or "no tag"))
        say(f"Job {number}, {tag}, with {len(there['entries'])} entries will be erased for good.", err=True)
        typed = click.prompt("Type its number to erase it", default="", show_default=False, err=True)
        if typed.strip() != str(number):
            fail(
                ["That is not its number. Nothing was erased. Start again and type the job's number."],
                1,
            )

    left = of_job(store, number, lambda found: _erased(found, number), reading=False)
    say(f"Job {number} is erased.")
    if left:
        say(left)


def _stored_or_erased(store: Store, number: int) -> tuple[dict[str, Any] | None, str | None] | None:
    """Return all that is stored of a job and when it was erased, or None if it never existed."""
    record = store.export(number), store.erased(number)
    return record if any(record) else None


def _erased(store: Store, number: int) -> str | None:
    """Erase a job; return what the server still keeps of it, or None if there was no such job."""
    return store.left_on_server if store.erase(number) else None


@stored_case.command(name="retention")
@store_option
@workshop_option
def retention(store: str | None, workshop: Path | None) -> None:
    """Erase jobs that are kept no longer, if that was announced, and list those that are erased next.

    `keep_months` of the workshop's file says how long jobs are kept; without it nothing is erased by itself.
    The screens do the same when they start. Nothing is erased that was not announced 14 days before.
    """
    from advisor.desk.retention import NOTICE_DAYS, carried_out, kept_until
    from advisor.desk.schedule import read_back
    from advisor.store.errors import StoreError
    from advisor.store.store import Store, default_url
    from advisor.text import clean, counted

    settings = chosen()[0]
    if not settings.keep_months:
        say("keep_months is not set: nothing is erased by itself. `advisor settings --write` makes the file.")
    try:
        # A read-only store looks first, so that a mistyped URL creates no database.
        Store(store or default_url(reading=True), reading=True).close()
        there = Store(store or default_url(), workshop=settings)
        try:
            done, left = carried_out(there), there.left_on_server
        finally:
            there.close()
    except StoreError as error:
        fail([str(error)], 3)
    for one in there.told:
        say(one, err=True)
    if not done.months:
        return
    say(
        f"Jobs that are closed or cancelled, and calls after which no car came, are erased "
        f"{counted(done.months, 'month')} after their last entry."
    )
    if done.erased:
        say(f"Erased today, as was announced: {', '.join(map(str, done.erased))}.")
        if left:
            say(left)
    if done.day is None:
        say(f"No job is due within {NOTICE_DAYS} days.")
        return
    say(f"Erased for good on {read_back(done.day, done.today)}, unless something is entered on them before:")
    for job in done.due:
        how = "closed" if job.case.closed else "cancelled" if job.case.cancelled else "no car came"
        say(f"  {job.number}  {clean(job.tag)}, {how}, kept until {kept_until(job, done.months)}")
    say("`advisor case scenario NUMBER` keeps what a closed job taught, without tag and words.")


@stored_case.command(name="scenario")
@number_argument
@store_option
@knowledge_option
@output_option
def scenario_of_case(number: int, store: str | None, paths: tuple[Path, ...], output: Path | None) -> None:
    """Write a closed job as a scenario file, without its tag, remarks and times; CASE is its number."""
    from advisor.learning.recording import NotRecordable, scenario_text

    filed, _, _ = filed_job(store, number)
    try:
        text = scenario_text(checked(paths), filed)
    except NotRecordable as error:
        fail([str(error)], 1)
    if output is None:
        say(text, nl=False)
    else:
        write_private(output, text)


def filed_job(url: str | None, number: int) -> tuple[StoredCase, dict[str, str], str]:
    """Return a stored job, the preferred units, and the time now; exit if there is no such job."""

    def find(store: Store) -> tuple[StoredCase, dict[str, str], str] | None:
        filed = store.case(number)
        return (filed, store.preferences(), store.now()) if filed else None

    return of_job(url, number, find)


def of_job(
    url: str | None, number: int, find: Callable[[Store], _Found | None], reading: bool = True
) -> _Found:
    """Return what `find` returns for a job in the database; exit with a message if that is None."""
    from advisor.store.errors import StoreError
    from advisor.store.store import Store, default_url
    from advisor.text import clean

    try:
        store = Store(url or default_url(reading), reading=reading, workshop=chosen()[0])
        try:
            for one in store.told:
                say(one, err=True)
            found = find(store)
            gone = store.erased(number) if found is None else None
            jobs = store.cases() if found is None else []
        finally:
            store.close()
    except StoreError as error:
        fail([str(error)], 3)
    if gone is not None:
        fail([f"Job {number} was erased at {gone}, and nothing of it is kept. Name another job."], 1)
    if found is None:
        lines = [f"  {job.number}  {clean(job.tag)}" for job in jobs if job.case.is_open][:NEWEST]
        head = "Name one of these, the newest first:" if lines else "No job is open: begin one first."
        fail([f"There is no job {number}. {head}", *lines], 1)
    return found


def stored_jobs(url: str | None) -> list[StoredCase]:
    """Return every readable job of the database; report the others on standard error."""
    from advisor.store.errors import StoreError
    from advisor.store.store import Store, default_url

    try:
        store = Store(url or default_url(reading=True), reading=True)
        try:
            for one in store.told:
                say(one, err=True)
            jobs = store.jobs()
        finally:
            store.close()
    except StoreError as error:
        fail([str(error)], 3)
    for damaged in jobs.damaged:
        say(str(damaged), err=True)
    return jobs.filed
