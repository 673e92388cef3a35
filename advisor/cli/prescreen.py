"""The service desk's command: its screens, or what to ask and book as text."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.errors import fail, refuse, refuse_unknown, there_is_no
from advisor.cli.options import (
    NumberRange,
    Pair,
    at_hand,
    begin_log,
    case_of,
    checked,
    chosen,
    engine_of,
    facts_option,
    for_screens,
    knowledge_option,
    policy_of,
    remembers,
    store_option,
    without_option,
    workshop_option,
)
from advisor.cli.output import json_text, say

if TYPE_CHECKING:
    from advisor.case.case import Case
    from advisor.case.entries import Entry
    from advisor.desk.booking import BookingSheet
    from advisor.inference.engine import Engine
    from advisor.knowledge.knowledge import Knowledge
    from advisor.policy import Policy


@click.command()
@knowledge_option
@store_option
@click.option("--words", metavar="TEXT", help="What the customer says; lists the complaints that fit.")
@click.option(
    "--complaint", "complaints", metavar="ID", multiple=True, help="A complaint's id; may be repeated."
)
@facts_option
@click.option("--said", type=Pair(), multiple=True, help="What the customer answered: READING=OUTCOME.")
@click.option("--unknown", multiple=True, metavar="READING", help="A question the customer cannot answer.")
@click.option(
    "--minutes",
    type=NumberRange(min=0),
    help="The minutes that questions may take. Default: the workshop's phone_minutes, 10 unless set.",
)
@without_option
@workshop_option
@click.option("--tag", default="no tag", show_default=True, help="Which car it is, for the booking sheet.")
@click.option(
    "--day",
    "said_day",
    metavar="TEXT",
    help="The day it comes, such as Friday, for sheet and calendar.",
)
@click.option("--sheet", is_flag=True, help="Print the booking sheet even if there are questions left.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "markdown", "html", "json", "ics"]),
    default="text",
    show_default=True,
    help="Markdown and HTML give the booking sheet; JSON the next question, and the sheets "
    "once due; ics the booking for a calendar (with --day).",
)
def prescreen(  # noqa: PLR0913 - one argument for each option
    paths: tuple[Path, ...],
    store: str | None,
    words: str | None,
    complaints: tuple[str, ...],
    facts: tuple[tuple[str, str], ...],
    said: tuple[tuple[str, str], ...],
    unknown: tuple[str, ...],
    minutes: float | None,
    without: tuple[str, ...],
    workshop: Path | None,
    tag: str,
    said_day: str | None,
    sheet: bool,
    form: str,
) -> None:
    """Open the service desk's screens; with --words or --complaint print what to ask and book.

    Answers are given with --said and --unknown. Once nothing is worth asking, or with --sheet,
    the booking sheet is printed.
    """
    policy = policy_of(workshop)
    if minutes is not None:
        policy = replace(policy, phone_minutes=minutes)
    if words is None and not complaints and sys.stdin.isatty() and sys.stdout.isatty():
        from advisor.screens.app import AdvisorApp

        os.umask(0o077)  # papers saved from the screens are readable by their owner only
        begin_log("prescreen")
        app = AdvisorApp(
            for_screens(paths),
            frozenset(without),
            store,
            desk=True,
            policy=policy,
            settings=chosen()[0],
            remember=remembers(workshop),
        )
        app.run()
        sys.exit(app.return_code or 0)
    from advisor.advice.rules import Workshop
    from advisor.advice.situation import InconsistentEvidence, Situation
    from advisor.case.entries import TOLD
    from advisor.desk.booking import AT_THE_CAR, booking_sheet
    from advisor.desk.bookingsheet import (
        as_dict,
        document,
        fitting_lines,
        heard_lines,
        question_dict,
        question_lines,
        text_lines,
    )
    from advisor.desk.call import on_the_phone
    from advisor.desk.questions import fitting, minutes_asked, next_question
    from advisor.desk.schedule import read_back
    from advisor.knowledge.dangers import heard_dangers
    from advisor.papers.document import html, markdown, under

    knowledge = checked(paths)
    today = date.today()
    day = _day(said_day, today, form)
    if not complaints:
        for line in fitting_lines(knowledge, fitting(knowledge, words or "")):
            say(line)
        return
    means = at_hand(knowledge, without)
    dangers = heard_dangers(knowledge, words or "")
    told = on_the_phone(words or "", {one.danger: TOLD for one in dangers if one.sure})
    calls = _calls(knowledge, tuple(dict.fromkeys(complaints)), facts, said, unknown, told)
    asked = minutes_asked(knowledge, [case for _, case in calls])
    try:
        weighed = [Situation.of(knowledge, engine, case, policy) for engine, case in calls]
        following = next_question(knowledge, weighed, asked, policy)
    except InconsistentEvidence as error:
        fail([str(error)], 1)
    if sheet or following.question is None or form in ("markdown", "html", "ics"):
        there = Workshop(means.without, means.who & AT_THE_CAR.who)
        sheets = [booking_sheet(knowledge, engine, case, there, policy=policy) for engine, case in calls]
    else:
        sheets = []
    booked = read_back(day, today) if day else ""
    paper = document(sheets, tag, str(today), booked) if sheets else None
    paper = paper and under(paper, chosen()[0].letterhead)
    if form == "ics" and day is not None:
        written = _calendar(sheets, tag, day, policy)
        sys.stdout.buffer.write(written.encode())  # `say` would change the ends of lines
    elif form == "json":
        answer = {**question_dict(following), "sheets": [as_dict(one) for one in sheets]}
        say(json_text(answer))
    elif paper is None:
        questions = question_lines(following, asked, policy.phone_minutes)
        for line in (*heard_lines(knowledge, dangers), *questions):
            say(line)
    elif form == "text":
        say("\n".join(text_lines(paper)))
    else:
        say(markdown(paper) if form == "markdown" else html(paper), nl=False)


def _calendar(sheets: Sequence[BookingSheet], tag: str, day: date, policy: Policy) -> str:
    from advisor.desk.booking import stay_together
    from advisor.desk.calendarfile import calendar_file, closing_of

    names = " and ".join(one.name for one in sheets)
    stays = stay_together(sheets) == "overnight"
    evening = chosen()[0].closed.open_before(day)
    closing = closing_of(evening, policy.closing_hour) if stays else None
    return calendar_file(f"{tag} {names} {day}", datetime.now().astimezone(), tag, names, day, closing)


def _day(said: str | None, today: date, form: str) -> date | None:
    """Return the day that was said; exit if it is none, past or closed, or if a calendar has none."""
    from advisor.desk.schedule import closed_words, day_meant

    if said is None:
        refuse(["A calendar file needs a day. Add --day, such as --day Friday."] if form == "ics" else [])
        return None
    try:
        day = day_meant(said, today)
    except ValueError as error:
        refuse([str(error)])
    if closed := closed_words(day, today, chosen()[0].closed):
        refuse([closed])
    return day


def _calls(
    knowledge: Knowledge,
    complaints: tuple[str, ...],
    facts: tuple[tuple[str, str], ...],
    said: tuple[tuple[str, str], ...],
    unknown: tuple[str, ...],
    told: tuple[Entry, ...] = (),
) -> list[tuple[Engine, Case]]:
    """Return engine and case of each complaint, with the answers entered; exit if an id is unknown.

    `told` is what the customer said, with the dangers in it.
    """
    from advisor.case.case import Case
    from advisor.desk.questions import asked_by_phone, entered, not_known
    from advisor.desk.questions import said as answered

    refuse_unknown("complaint", complaints, knowledge.complaints)
    engines = [engine_of(knowledge, complaint, by_phone=True) for complaint in complaints]
    known = case_of(knowledge, complaints[0], facts, (), ())
    cases = [Case(complaint, (*told, *known.entries)) for complaint in complaints]
    questions = {name: None for engine in engines for name in asked_by_phone(engine)}
    problems: list[str] = []
    entries: list[Entry] = []
    for reading in (*(name for name, _ in said), *unknown):
        if reading not in questions:
            problems.append(there_is_no("question by phone", reading, questions))
    for reading, outcome in said:
        if reading in questions and outcome not in knowledge.readings[reading].answers:
            problems.append(
                there_is_no(f"outcome of {reading}", outcome, knowledge.readings[reading].answers)
            )
        elif reading in questions:
            entries.append(answered(knowledge, reading, outcome))
    refuse(problems)
    for entry in (*entries, *map(not_known, unknown)):
        cases = list(entered(list(zip(engines, cases, strict=True)), entry))
    return list(zip(engines, cases, strict=True))
