"""What the desk reads and hands on: the booking sheet as text, Markdown, a page to print and JSON, the next
question, and the complaints that fit what was said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, get_args

from advisor.desk.booking import (
    IN_DOUBT,
    MAY_BE_DRIVEN,
    NOT_DRIVEN,
    STAY_WORDS,
    BookingSheet,
    Needed,
    arranged,
    gets_here,
    stay_together,
    to_tell,
)
from advisor.desk.questions import Fitting, Next, families
from advisor.desk.saying import said_once, without_repeats
from advisor.desk.schedule import MOST_JOBS, Appointment, Day, read_back
from advisor.knowledge.dangers import Heard
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.knowledge.vocabulary import Danger, Harmless, Signal
from advisor.papers.document import Bullets, Facts, Paper, Paragraph, Part, Section, Table, TableRow
from advisor.papers.format import duration, percent

VERSION = 1
"""The version of the form of `as_dict`; it rises when a key goes or changes its meaning."""
KEYS = {
    "version": "of this form",
    "complaint": "the complaint's id",
    "name": "the complaint's name",
    "knowledge": "the version of the knowledge that the sheet was made with",
    "visit_needed": "whether the car has to come at all",
    "no_visit": "sentences for a customer who need not come; empty where a visit is needed",
    "causes": "leading causes: id, name, probability from 0 to 1, and words for it",
    "minutes": "of the search: total, hands_on and waiting, each with expected and p80 (80 of 100 jobs, or "
    "the share that `covered` of the policy sets)",
    "remedy_minutes": "expected minutes of the repair that follows",
    "instruments": "id, name and the share of jobs that use it, from 0 to 1",
    "bays": "name and share of jobs",
    "certified_person": "needed (true or false) and share of jobs",
    "people": "sentences on who has to be there because of what can hurt on this car, high voltage above all",
    "setups": "id, name, share of jobs, waiting_minutes, overnight, stay or null, what is arranged or null",
    "overnight": "whether the car comes the evening before",
    "stay": "how long the car is left here, or null",
    "arrange": "sentences on what the customer does beforehand, the stay among them",
    "comes": "whether it may be driven and how it gets here; empty where nothing special is said",
    "customer_says": "what the customer said, as it was typed",
    "dangers": "heard on the phone: name, and what to do about it",
    "safety": "sentences that the customer has to be told",
    "facts": "what is known of the vehicle: name and value",
    "answers": "question and answer, null where the customer does not know",
    "policy": "the workshop's values that differ from the default; `advisor settings` explains them",
}
"""The meaning of each key of `as_dict`."""


OUTSIDE = "These words are outside what the advisor knows: book a general inspection."
"""What is said if no complaint fits."""
NOTHING_PREPARED = "Until that is done the car stays outside, and nothing is set up on it."
"""What is said in place of preparations if a danger was heard."""
BESIDE_DANGER = "No complaint that the advisor knows fits: a general inspection is booked."
"""What is said if no complaint fits and a danger was heard."""

NOTHING_SAID_AGAINST = "nothing was said against it; if in doubt, no"
ON_THE_DAY, ON_A_TRUCK = "on the day", "on a recovery truck"
NAMED_FROM = 0.15
"""A cause less likely than this is not named at a glance (estimate)."""
FRACTIONS = ((1, 5), (1, 4), (1, 3), (1, 2), (2, 3), (3, 4), (4, 5), (9, 10), (19, 20))
"""The odds that are said, as so many in so many cars."""
WORKING = "working out how long it takes …"
"""What stands where the times will, until jobs were played."""
DOES_NOT_FIT = "what was entered does not fit this knowledge: open it on the bench to put it right"
"""What is said of a booked job that has no sheet."""

# The booking sheet


def document(
    sheets: Sequence[BookingSheet], tag: str, printed: str, day: str = "", evening: str = ""
) -> Paper:
    """Return the sheets of one car as a document; `tag` says which car, `printed` when, in words.

    `day` is the day it is booked for, as it is read back; `evening` when it comes for the night before.
    """
    sections = []
    dangers = tuple(dict.fromkeys(one for sheet in sheets for one in sheet.dangers))
    if dangers:
        sections.append(danger_section(dangers, sheets[0].comes))
    sections.append(Section("At a glance", (Facts(tuple(_at_a_glance(sheets, evening))),)))
    said = tuple(dict.fromkeys(one for sheet in sheets for one in sheet.customer_words))
    if said:
        sections.append(Section("Customer says", (Bullets(tuple(f"“{one}”" for one in said)),)))
    if say := tuple(_to_say(sheets, evening)):
        sections.append(Section("Say to the customer", say))
    book = "To book" if any(sheet.visit for sheet in sheets) else "To book if the car comes all the same"
    sections.append(Section(book, (Facts(_to_book(sheets)),)))
    for sheet in sheets:
        about = f"{sheet.name}: " if len(sheets) > 1 else ""
        for heading, parts in _for_the_workshop(sheet):
            sections.append(Section(f"For the workshop: {about}{heading}", parts))
    versions = ", ".join(dict.fromkeys(sheet.knowledge for sheet in sheets))
    covered = {_share(sheet.policy.covered) for sheet in sheets}
    times = (
        "Times are from simulated cars that fit what was said, searched by the advice as by the workshop. "
        f"The hands-on time is enough for {' and '.join(sorted(covered))} of them. "
    )
    made = times if all(sheet.is_worked_out for sheet in sheets) else ""
    foot: tuple[str, ...] = (f"{made}Knowledge version {versions}. Printed {printed}.",)
    foot += tuple(dict.fromkeys(words for sheet in sheets if (words := sheet.policy.words)))
    names = _booked(" and ".join(sheet.name for sheet in sheets), day)
    return Paper(f"Booking sheet: {tag}", names, tuple(sections), foot, f"Booking sheet {tag}")


def _at_a_glance(sheets: Sequence[BookingSheet], evening: str) -> Iterator[tuple[str, str]]:
    """Yield the four lines that the desk needs of one car; what it is has a line for each complaint."""
    visits = [sheet for sheet in sheets if sheet.visit]
    for sheet in sheets:
        about = f"{sheet.name}: " if len(sheets) > 1 else ""
        yield "What it is", about + _most_likely(sheet)
    if not visits:
        yield "How long", "no visit is needed"
        return
    comes = {sheet.comes for sheet in visits}
    answer = next((one for one in (NOT_DRIVEN, MAY_BE_DRIVEN) if one in comes), None)
    other = "as is said below" if any(comes) else NOTHING_SAID_AGAINST
    yield "Safe to drive", answer.removeprefix("May be driven: ") if answer else other
    stay = stay_together(visits)
    left_here = ON_A_TRUCK if answer == NOT_DRIVEN else STAY_WORDS[stay] if stay else ON_THE_DAY
    yield "How it comes", evening if stay == "overnight" and evening else left_here
    if not all(sheet.is_worked_out for sheet in visits):
        yield "How long", WORKING
    else:
        work = duration(sum(sheet.hands_on.upto for sheet in visits))
        yield "How long", f"up to {work} of work; {stay_words(visits)}"


def _most_likely(sheet: BookingSheet) -> str:
    """Return the leading cause as people say odds, or that it is too early to name one."""
    listed = [one for one in sheet.causes if not is_unlisted(one.fault)]
    leading = max(listed, key=lambda one: one.probability, default=None)
    if not sheet.visit:
        return "nothing to mend, by all that was said"
    if leading is None or leading.probability < NAMED_FROM:
        return "too early to say; the workshop measures"
    return f"most likely “{leading.name}”, {odds(leading.probability)} so far"


def odds(probability: float) -> str:
    """Return a probability as people say it, by the nearest of a few fractions: "about 1 in 5"."""
    near = min(FRACTIONS, key=lambda pair: abs(pair[0] / pair[1] - probability))
    return f"about {near[0]} in {near[1]}"


def inspection_document(
    tag: str,
    words: str,
    dangers: Sequence[tuple[str, str]],
    told: Sequence[str],
    printed: str,
    day: str = "",
    comes: str = "",
) -> Paper:
    """Return the booking note of a car whose trouble the advisor does not know."""
    sections = [danger_section(dangers, comes)] if dangers else []
    if told:
        sections.append(Section("Say to the customer", (Bullets(tuple(told)),)))
    book = (
        "A general inspection, and the recovery of the car."
        if comes == NOT_DRIVEN
        else "A general inspection."
    )
    rows = (("Customer says", words or "(nothing was written down)"), ("To book", book))
    sections.append(Section("To book", (Facts(rows),)))
    foot = (
        f"The advisor knows no complaint that fits, so it says nothing of causes or time. Printed {printed}.",
    )
    name = _booked("General inspection", day)
    return Paper(f"Booking sheet: {tag}", name, tuple(sections), foot, f"Booking sheet {tag}")


def _booked(what: str, day: str) -> str:
    return f"{what}, booked for {day}" if day else what


def danger_section(dangers: Iterable[tuple[str, str]], comes: str) -> Section:
    """Return the section on the dangers heard: how the car gets here, and what is done about each."""
    done = tuple(f"{name}: {do}" for name, do in dangers)
    parts = (Paragraph(comes, strong=True), Bullets(done), Paragraph(NOTHING_PREPARED, strong=True))
    return Section("DANGER, heard on the phone", parts)


def _to_say(sheets: Sequence[BookingSheet], evening: str) -> Iterator[Part]:
    """Yield what is said to the customer of one car: each thing once, and no probability as a number."""
    visits = [sheet for sheet in sheets if sheet.visit]
    for sheet in sheets:
        about = f"{sheet.name}. " if len(sheets) > 1 else ""
        for words in sheet.no_visit:
            yield Paragraph(f"{about}No visit is needed, by all that was said: {words}", strong=True)
    comes = [sheet.comes for sheet in visits if sheet.comes and not sheet.dangers]
    safety = sorted((one for sheet in sheets for one in sheet.safety), key=lambda one: one == IN_DOUBT)
    if said := said_once([*comes, *safety]):
        yield Bullets(said)
    for sheet in visits:
        if not sheet.dangers:
            about = f" of “{sheet.name}”" if len(sheets) > 1 else ""
            causes = {one.name: one.probability for one in sheet.causes}
            yield Paragraph(f"Of the cause{about}: {to_tell(causes)}")
    if arrange := arranged(visits, evening):
        yield Paragraph(f"Please arrange beforehand: {' '.join(arrange)}")


def _to_book(sheets: Sequence[BookingSheet]) -> tuple[tuple[str, str], ...]:
    """Return what is booked for one car: times of several complaints together, whatever is shared once."""
    visits = [sheet for sheet in sheets if sheet.visit] or sheets
    people = [("Also needed", one) for one in dict.fromkeys(one for sheet in visits for one in sheet.people)]
    if not all(sheet.is_worked_out for sheet in visits):
        return tuple(people)
    bays: dict[str, float] = {}
    for sheet in visits:
        for bay in sheet.bays:
            bays[bay.name] = max(bay.share, bays.get(bay.name, 0.0))
    rows = [
        ("Repair on top", duration(sum(sheet.remedy_minutes for sheet in visits))),
        ("Bay", _bays(bays)),
        ("Work on refrigerant", _certified(visits)),
        *people,
    ]
    return tuple((name, said) for name, said in rows if said)


def _for_the_workshop(sheet: BookingSheet) -> Iterator[tuple[str, tuple[Part, ...]]]:
    """Yield what the desk has nothing to do with: what is needed in how many jobs, and the causes."""
    bays = [("Bays", _names(sheet.bays))] if not sheet.dangers and sheet.is_worked_out else []
    certified = _of_jobs(sheet.certified_share)
    if sheet.certified_share:
        bays.append(("Certified person", f"for work on refrigerant, in {certified} such jobs"))
    setups = [Needed(one.setup, one.name, one.share) for one in sheet.setups]
    rows = [("Instruments", _names(sheet.instruments)), ("Setups, in order", _names(setups)), *bays]
    if needed := tuple((name, said) for name, said in rows if said):
        yield "what is needed", (Facts(needed),)
    causes = tuple(TableRow((one.name, one.words, percent(one.probability))) for one in sheet.causes)
    yield "leading causes", (Table(("Cause", "In words", "Probability"), (60, 25, 15), causes),)
    answers = tuple(TableRow((question, answer or "does not know")) for question, answer in sheet.said)
    known = tuple(TableRow(pair) for pair in sheet.facts)
    if known or answers:
        yield "what is known", (Table(("Asked", "Answer"), (60, 40), known + answers),)


SAME_DAY = "back the same day"
STAY_NOT_SAID = "not said before the danger is dealt with"


def stay_words(sheets: Sequence[BookingSheet]) -> str:
    """Return how long a car is here for some complaints, as a workshop says it."""
    if any(sheet.dangers for sheet in sheets):
        return STAY_NOT_SAID
    stay = stay_together(sheets)
    if stay is None:
        return f"{SAME_DAY}, {duration(sum(sheet.total.upto for sheet in sheets))} in all"
    if stay == "overnight":
        return "stays the night, from the evening before"
    return stay if stay == "two days" else f"{stay}, {SAME_DAY}"


def _bays(bays: Mapping[str, float]) -> str:
    """Return the bays: those that most jobs need, then those that some need."""
    order = sorted(bays, key=lambda name: (-bays[name], name))
    most = [name for name in order if bays[name] >= MOST_JOBS]
    some = [name for name in order if bays[name] < MOST_JOBS]
    return "; ".join([*most, *(f"perhaps {name}" for name in some)])


def _share(share: float) -> str:
    """Return a share of jobs as a workshop says it."""
    return "4 of 5" if share == 0.8 else percent(share)


def _of_jobs(share: float) -> str:
    return f"{percent(share).removesuffix(' %')} of 100"


def _names(needed: Sequence[Needed]) -> str:
    """Return things with the jobs that need them; what the number is of is said once."""
    first = [f"{one.name} (needed in {_of_jobs(one.share)} such jobs)" for one in needed[:1]]
    return ", ".join([*first, *(f"{one.name} ({_of_jobs(one.share)})" for one in needed[1:])])


def _certified(sheets: Sequence[BookingSheet]) -> str:
    if not any(sheet.certified_share for sheet in sheets):
        return "no certified person needed"
    needed = any(sheet.certified for sheet in sheets)
    return "certified person needed" if needed else "certified person hardly ever needed"


def text_lines(paper: Paper) -> Iterator[str]:
    """Return the document as plain text."""
    yield f"{paper.title} ({paper.subtitle})"
    for section in paper.sections:
        yield ""
        yield section.heading
        for part in section.parts:
            yield from (f"  {line}" for line in _text(part))
    yield ""
    yield from paper.foot


def _text(part: Part) -> Iterator[str]:
    if isinstance(part, Paragraph):
        yield part.words
    elif isinstance(part, Bullets):
        yield from (f"- {item}" for item in part.items)
    elif isinstance(part, Facts):
        yield from (f"{name:<20} {said}" for name, said in part.rows)
    elif isinstance(part, Table):
        yield from (" · ".join(map(str, row.cells)) for row in part.rows)


def as_dict(sheet: BookingSheet) -> dict[str, Any]:
    """Return the sheet for other programs, ready for JSON; `KEYS` explains it."""
    return {
        "version": VERSION,
        "complaint": sheet.complaint,
        "name": sheet.name,
        "knowledge": sheet.knowledge,
        "visit_needed": sheet.visit,
        "no_visit": list(sheet.no_visit),
        "causes": [
            {"id": one.fault, "name": one.name, "probability": one.probability, "words": one.words}
            for one in sheet.causes
        ],
        "minutes": {
            name: {"expected": one.expected, "p80": one.upto}
            for name, one in (
                ("total", sheet.total),
                ("hands_on", sheet.hands_on),
                ("waiting", sheet.waiting),
            )
        },
        "remedy_minutes": sheet.remedy_minutes,
        "instruments": [{"id": one.what, "name": one.name, "share": one.share} for one in sheet.instruments],
        "bays": [{"name": one.name, "share": one.share} for one in sheet.bays],
        "certified_person": {"needed": sheet.certified, "share": sheet.certified_share},
        "people": list(sheet.people),
        "setups": [
            {
                "id": one.setup,
                "name": one.name,
                "share": one.share,
                "waiting_minutes": one.waiting_minutes,
                "overnight": one.overnight,
                "stay": one.stay,
                "arrange": one.arrange,
            }
            for one in sheet.setups
        ],
        "overnight": sheet.overnight,
        "stay": sheet.stay,
        "arrange": list(sheet.arrange),
        "comes": sheet.comes,
        "customer_says": list(sheet.customer_words),
        "dangers": [{"name": name, "do": do} for name, do in sheet.dangers],
        "safety": list(sheet.safety),
        "facts": [{"name": name, "value": value} for name, value in sheet.facts],
        "answers": [{"question": question, "answer": answer} for question, answer in sheet.said],
        "policy": dict(sheet.policy.changed),
    }


# The call


def question_lines(found: Next, asked_minutes: float, allowed_minutes: float) -> Iterator[str]:
    """Return the next question with how to enter each answer, or why there is none."""
    question = found.question
    yield found.words
    if question is None:
        return
    wide = max(map(len, [f"--said {question.reading}={outcome}" for outcome in question.answers]))
    for outcome, words in question.answers.items():
        yield f"  {f'--said {question.reading}={outcome}':<{wide}}  {words}"
    yield f"  {f'--unknown {question.reading}':<{wide}}  the customer does not know"
    yield (
        f"Tells {question.bits:.2f} bits for {duration(question.minutes)}; {_questions(found.worth)} worth "
        f"asking; {asked_minutes:g} of {allowed_minutes:g} minutes used."
    )


def _questions(count: int) -> str:
    return "1 question is" if count == 1 else f"{count} questions are"


def question_dict(found: Next) -> dict[str, Any]:
    """Return the next question for other programs, ready for JSON; `question` is null once they end."""
    question = found.question
    return {
        "question": question
        and {
            "id": question.reading,
            "ask": question.ask,
            "answers": dict(question.answers),
            "bits": question.bits,
            "minutes": question.minutes,
            "complaints": list(question.told),
        },
        "ended": found.reason,
    }


def fitting_lines(knowledge: Knowledge, found: Fitting) -> Iterator[str]:
    """Return danger first, then the complaints that fit what was said, or what to ask to find the family.

    After a danger only complaints that fit are named, and nothing else is asked.
    """
    yield from heard_lines(knowledge, found.dangers)
    wide = max(map(len, knowledge.complaints), default=0)
    names: Mapping[str, str] = {name: one.name for name, one in knowledge.complaints.items()}
    for name in found.harmless:
        yield harmless_words(knowledge.harmless[name])
    if found.complaints:
        yield "Complaints that fit, best first"
        yield from (f"  {name:<{wide}}  {names[name]}" for name in found.complaints)
        return
    if found.dangers:
        yield BESIDE_DANGER
        return
    yield f"{OUTSIDE} Or ask:"
    for family in found.ask or families(knowledge):
        yield f"{family.name}: {family.ask}"
        yield from (f"  {name:<{wide}}  {names[name]}" for name in family.complaints)


def heard_lines(knowledge: Knowledge, heard: Sequence[Heard]) -> Iterator[str]:
    """Return whether a car may be driven of which dangers were heard, and what to say of each."""
    if comes := gets_here(knowledge, (one.danger for one in heard if one.sure)):
        yield comes
    yield from dangers_lines(knowledge, heard)


def dangers_lines(knowledge: Knowledge, heard: Sequence[Heard]) -> Iterator[str]:
    """Return what to tell a customer who has spoken of danger, and what is done; or what to ask first.

    What is sure comes first, and of that the most severe; no sentence is read out twice.
    """
    known, severe = knowledge.dangers, get_args(Signal)
    ordered = sorted(heard, key=lambda one: (not one.sure, severe.index(known[one.danger].signal)))
    sure = [known[one.danger].tell for one in ordered if one.sure]
    tell = dict(zip(sure, without_repeats(sure), strict=True))
    for one in ordered:
        danger = known[one.danger]
        if one.sure:
            words = tell[danger.tell] or "as above."
            yield f"{danger.signal.upper()}: {danger.name}. Tell the customer at once: {words}"
        else:
            drive = gets_here(knowledge, [one.danger])
            yield f"ASK TO BE SURE: {danger.ask} If so, tell the customer at once: {danger.tell} {drive}"
        yield f"  Then: {danger.do}"
        if not one.sure and danger.otherwise:
            yield f"  If not so: {danger.otherwise}"


def how_to_settle(knowledge: Knowledge, heard: Sequence[Heard]) -> str:
    """Return how the desk enters what became of dangers, with the name of the one it takes back."""
    if len(heard) == 1:
        danger = knowledge.dangers[heard[0].danger]
        name = danger.name
        if danger.answers:
            return f"F9 once the customer was told; it asks which it is. F8 if it is not so: {name}."
        return f"F9 once the customer was told. F8 if you asked and it is not so: {name}."
    return f"F9 once the customer was told all {len(heard)}. F8 if you asked and one of them is not so."


def settled_lines(danger: Danger) -> list[str]:
    """Return what stays in sight once a customer was told of a danger."""
    return [f"Told: {danger.name}. {danger.tell}", f"  Then: {danger.do}"]


def not_so_words(danger: Danger) -> str:
    """Return what is told of a danger that the customer was asked about, and that is not so."""
    return f"Not so: {danger.name}." + (f" Tell: {danger.otherwise}" if danger.otherwise else "")


def withdrawn_words(danger: Danger) -> str:
    """Return what is said of a danger that the words say no more: never silently."""
    return f"Withdrawn: {danger.name}. The words do not say it any more."


def harmless_words(one: Harmless) -> str:
    """Return what to tell a customer whose car may be in order."""
    return f"Perhaps nothing is wrong: {one.name}. Tell: {one.tell}"


def overview_lines(days: Iterable[Day]) -> Iterator[str]:
    """Return who comes when and what is prepared, day by day."""
    return (line for rows, _ in overview_rows(days) for line in rows.split("\n"))


def overview_rows(days: Iterable[Day]) -> Iterator[tuple[str, int | None]]:
    """Yield the overview row by row, with the number of the job that a row is about.

    Danger is in the row of its job.
    """
    shown = tuple(days)
    for day in shown:
        yield read_back(day.day, shown[0].day), None
        if day.is_closed:
            yield "  Closed.", None
        elif not day.jobs and not day.evening:
            yield "  Nobody is booked.", None
        for car in _visits(day.jobs):
            dangers = tuple(dict.fromkeys(danger for job in car for danger in job.dangers))
            danger = "DANGER, " if dangers else ""
            numbers = ", ".join(str(job.number) for job in car)
            wish = f"{car[0].wish} · " if car[0].wish else ""
            lines = [f"  {danger}{wish}{numbers} {car[0].tag}: {_visit(car, day)}"]
            lines += [f"    {comes}" for comes in dict.fromkeys(job.comes for job in car) if comes]
            lines += [f"    DANGER {name}: {do}" for name, do in dangers]
            if dangers:
                lines.append(f"    {NOTHING_PREPARED}")
            yield "\n".join(lines), car[0].number
        for car in _visits(day.evening):
            numbers = ", ".join(str(job.number) for job in car)
            stays = f"{numbers} {car[0].tag}, stays the night, for {car[0].day:%a}"
            yield f"  {day.day:%a} evening: {stays}", car[0].number
        for what, jobs in day.arranged.items():
            yield f"  Ask the customer beforehand: {what} {_tags(jobs)}", None
        for group in day.groups:
            yield f"  Get ready the evening before: {group.name}: {_tags(group.jobs)}", None
        for car in _visits(day.jobs):
            if needed := tuple(dict.fromkeys(one for job in car for one in job.ready)):
                yield f"  Keep free for {_tags(car[:1])}: {', '.join(needed)}", None
        yield "", None


def _tags(jobs: Iterable[Appointment]) -> str:
    return ", ".join(f"{job.number} {job.tag}" for job in jobs)


def _visits(jobs: Iterable[Appointment]) -> Iterator[list[Appointment]]:
    """Yield the jobs of each car that comes on a day: several complaints of one car are one visit.

    One that does not fit this knowledge stands by itself.
    """
    cars: dict[tuple[str, bool, int], list[Appointment]] = {}
    for job in jobs:
        fits = job.sheet is not None or job.working or job.general
        cars.setdefault((job.tag.casefold(), job.general, 0 if fits else job.number), []).append(job)
    yield from cars.values()


def _visit(jobs: Sequence[Appointment], day: Day) -> str:
    """Return what the overview says about the jobs of one car, with their times together."""
    sheets = [job.sheet for job in jobs if job.sheet]
    if len(sheets) < len(jobs):
        return " and ".join(map(_not_worked_out, jobs))
    names = " and ".join(sheet.name for sheet in sheets)
    here = ", here from the evening before" if any(job in day.here for job in jobs) else ""
    return f"{names}, {duration(sum(sheet.hands_on.upto for sheet in sheets))} of work{here}"


def _not_worked_out(job: Appointment) -> str:
    if job.sheet:
        return job.sheet.name
    return f"{job.complaint} …" if job.working else job.complaint or DOES_NOT_FIT
