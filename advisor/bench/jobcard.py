"""The card of a job, for the workshop and the file: what was read, what it did, what was found and done."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

from advisor.advice.proof import was_seen
from advisor.advice.rules import most_probable_first
from advisor.advice.situation import Situations
from advisor.bench.drawings import drawings
from advisor.bench.history import History, weighed
from advisor.bench.nofault import not_met_lines, tested_lines
from advisor.bench.whynot import parts, searched, why_not
from advisor.bench.wording import (
    account_lines,
    cause_words,
    come_back_words,
    disagreement_words,
    ending_words,
    entry_words,
    finished_words,
    forbidden_lines,
    off_by_words,
    stop_sentence,
)
from advisor.case.case import Case
from advisor.case.condition import moves, present
from advisor.case.current_draw import account
from advisor.case.entries import GONE, Acknowledged, Checked, Ended, Prepared, Ready, Replayed, Stated
from advisor.case.setups import minutes, used_setups
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge, worst_first
from advisor.papers.document import Bullets, Cell, Facts, Paper, Paragraph, Part, Section, Table, TableRow
from advisor.papers.format import duration, percent, plain, when
from advisor.policy import DEFAULT, Policy
from advisor.store.records import StoredCase

ADVICE = (
    "This card is advice, worked out from what was entered and from the knowledge named above. Local rules, "
    "licensed practice and the figures of the vehicle at hand come first."
)


def job_card(
    knowledge: Knowledge,
    engine_of: Callable[[Case], InferenceEngine],
    filed: StoredCase,
    preferences: Mapping[str, str],
    printed: str,
    policy: Policy = DEFAULT,
    asked_about: str = "",
) -> Paper:
    """Everything about a job on one paper, for the file; `printed` is the time now (ISO 8601).

    `engine_of` gives the engine of a case's complaint and repairs; the knowledge must have the complaint.
    `asked_about` is a cause to explain beside the leading one, by default the next one.
    """
    situations = Situations(knowledge, engine_of, policy)
    found = weighed(knowledge, engine_of, filed.case, policy)
    history = History(knowledge, filed, preferences, found)
    return _Card(knowledge, filed, history, policy, situations, asked_about).document(printed)


@dataclass(frozen=True)
class _Card:
    """The card for the workshop and the file."""

    knowledge: Knowledge
    filed: StoredCase
    history: History
    policy: Policy
    situations: Situations
    asked_about: str

    @property
    def case(self) -> Case:
        return self.filed.case

    def document(self, printed: str) -> Paper:
        sections = (
            Section("Result", (Facts(tuple(self.result())), *self.warnings())),
            Section("No fault found", tuple(self.no_fault())),
            Section("The job", (Facts(tuple(self.job())),)),
            Section("Suspicion over the steps", tuple(self.picture())),
            Section("Readings and repairs, in order", tuple(self.steps())),
            *self.why_not(),
            Section("Account of the draw", tuple(self.draw())),
            Section("How it is done", tuple(drawings(self.history))),
            Section("Readings not taken", tuple(self.skipped())),
            Section("Setups", tuple(self.setups())),
            Section("Cautions", tuple(self.cautions())),
        )
        return Paper(
            f"{self.filed.name}: {self.filed.tag}",
            f"{self.knowledge.complaints[self.case.complaint].name} · job card for the workshop and the file",
            tuple(section for section in sections if section.parts),
            tuple(filter(None, (ADVICE, self.policy.words, f"Printed {when(printed)}."))),
            f"{self.filed.name}, job card",
        )

    def result(self) -> Iterator[tuple[str, Cell]]:
        title, closed, found = self.knowledge.title, self.case.closed, self.history.found
        if closed:
            yield "State", f"Closed {self.history.closed_at}"
            yield "Cause", cause_words(self.knowledge, closed) if closed.fault else "No fault found"
            if found.ending and closed.fault:
                seen = was_seen(self.knowledge, self.case, closed.fault)
                proof = f"This cause was {'' if seen else 'not '}proved before the repair"
                yield "Search", (ending_words(self.knowledge, found.ending), proof)
        else:
            cancelled = self.case.cancelled
            yield "State", f"Cancelled: {cancelled.reason}" if cancelled else "Still open"
            yield "Cause", "Not settled"
            leading = most_probable_first(found.now)[:3]
            if leading:
                yield (
                    "Most suspected now",
                    tuple(f"{title(one)}, {percent(found.now[one])}" for one in leading),
                )
            if found.stop:
                yield "The search", stop_sentence(self.knowledge, found.stop)
        yield "Remedy done", tuple(map(self.history.remedy, self.history.repairs)) or "None"
        if self.history.repairs:
            yield "Complaint after it", self.checked()
        if self.case.finished:
            yield "Before leaving", finished_words(self.case.finished).partition(": ")[2]
        if closed and closed.remark and not closed.in_words:
            yield "Remark", closed.remark

    def checked(self) -> str:
        if not self.case.checked:
            return "Not looked for again yet"
        step = max(step for step, entry in self.case.counting.items() if isinstance(entry, Checked))
        words = "Gone" if self.case.checked == GONE else "Still there"
        if self.case.checked == GONE and self.case.is_at_rest:
            words = "Gone, but it was not there before either"
        return f"{words} ({when(self.filed.times[step - 1])})"

    def no_fault(self) -> Iterator[Part]:
        """Yield what was tested, what was not, and when to come back, where the job ended without a fault."""
        if self.case.closed is None or self.case.closed.fault:
            return
        tested = tuple(tested_lines(self.history))
        yield Paragraph(f"Looked for at the car: {self.case.present_today or 'not noted'}.")
        yield Paragraph("Tested:" if tested else "Nothing was tested.")
        if tested:
            yield Bullets(tested)
        not_met = tuple(not_met_lines(self.history))
        if not_met:
            yield Paragraph("Conditions that were not met:")
            yield Bullets(not_met)
        yield Paragraph(f"Come back: {come_back_words(self.knowledge, self.case.complaint)}", strong=True)

    def warnings(self) -> Iterator[Part]:
        found = self.history.found
        if found.trouble:
            yield Paragraph(
                "What was entered cannot be weighed by the knowledge as it is now, so this card shows no "
                f"suspicion and not what each reading did. {found.trouble}",
                strong=True,
            )
        for line in forbidden_lines(self.knowledge, self.case, present(self.knowledge, self.case)):
            yield Paragraph(line, strong=True)
        if found.belief_error:
            yield Paragraph(off_by_words(found.belief_error))
        if found.disagreement:
            yield Paragraph(disagreement_words(self.knowledge, found.disagreement), strong=True)

    def job(self) -> Iterator[tuple[str, Cell]]:
        knowledge, case = self.knowledge, self.case
        complaint = knowledge.complaints[case.complaint]
        yield "Vehicle tag", self.filed.tag
        yield "Complaint", complaint.name
        if case.customer_words:
            yield "Customer said", tuple(f"“{words}”" for words in case.customer_words)
        yield "Opened", when(self.filed.opened)
        for name, value in case.facts.items():
            fact = knowledge.facts.get(name)
            yield (fact.name, fact.in_words(value)) if fact else (plain(name), plain(value))
        hands_on, waiting = minutes(knowledge, case)
        yield (
            "Time, as planned",
            f"{duration(hands_on)} hands-on, {duration(waiting)} waiting; readings taken, each setup once",
        )
        changes = [entry.version for entry in case.counting.values() if isinstance(entry, Replayed)]
        yield (
            "Knowledge",
            (
                f"Opened with version {self.filed.knowledge or 'not known'}",
                *(f"Then weighed by version {version}" for version in changes),
                f"This card weighed by version {knowledge.version}",
            ),
        )

    def picture(self) -> Iterator[Part]:
        chart = self.history.chart()
        if chart:
            yield chart

    def steps(self) -> Iterator[Part]:
        rows = tuple(self.history.rows())
        if rows:
            head = ("Step", "Time", "What", "Answer", "With", "What it did")
            yield Table(head, (6, 9, 22, 24, 16, 23), rows)

    def why_not(self) -> Iterator[Section]:
        """Yield what spoke for and against another cause than the leading one, before any repair."""
        case = searched(self.case)
        if self.history.found.trouble:
            return
        leading, *others = most_probable_first(self.situations.of(case).beliefs)
        closed = self.case.closed
        wanted = (self.asked_about, closed.fault if closed else "")
        asked = next((one for one in wanted if one in others), next(iter(others), ""))
        if not asked:
            return
        why = why_not(self.knowledge, self.situations, self.filed, case, asked)
        if why.rows:
            title = self.knowledge.title
            yield Section(f"Why not {title(asked)}, beside {title(leading)}", tuple(parts(why)))

    def draw(self) -> Iterator[Part]:
        """Yield the account of the draw, where a total was measured that can be weighed."""
        found = account(self.knowledge, self.case)
        if found is None:
            return
        for are_rows, lines in groupby(account_lines(found), key=lambda line: "  " in line):
            if are_rows:
                yield Facts(tuple(map(_two, lines)))
            else:
                yield from map(Paragraph, lines)

    def skipped(self) -> Iterator[Part]:
        items = tuple(f"{self.history.reading(one)}: {reason}" for one, reason in self.case.skipped.items())
        if items:
            yield Bullets(items)

    def setups(self) -> Iterator[Part]:
        """Yield the setups that were begun, and those that readings needed without a note of it."""
        known = self.knowledge.setups
        rows, begun = [], set()
        for step, entry in self.case.counting.items():
            if isinstance(entry, Ready) and entry.setup in known:
                name, at = known[entry.setup].name, when(entry.at, year=False)
                rows.append(TableRow((name, f"{at} (ready sooner than planned)", "")))
            if not isinstance(entry, Prepared | Stated):
                continue
            begun.add(entry.setup)
            name = known[entry.setup].name if entry.setup in known else plain(entry.setup)
            at = entry.at if isinstance(entry, Prepared) else entry.since
            said = " (stated)" if isinstance(entry, Stated) else ""
            rows.append(TableRow((name, f"{when(at, year=False)}{said}", self.ended(entry.setup, step))))
        for setup in used_setups(self.knowledge, self.case):
            if setup not in begun:
                rows.append(TableRow((known[setup].name, "Not noted, but needed", self.ended(setup, 0))))
        if rows:
            yield Table(("Setup", "Begun", "Ended"), (46, 27, 27), tuple(rows))

    def ended(self, setup: str, begun: int) -> str:
        """Return when and why a setup that was in place from a step on was so no more, or that it was not."""
        was_there = False
        for move in moves(self.knowledge, self.case):
            there = setup in move.after.condition.in_place
            told = isinstance(move.entry, Ended) and move.entry.setup == setup
            if move.step > begun and (told or (was_there and not there)):
                reason = move.entry.reason if isinstance(move.entry, Ended) else ""
                words = reason or entry_words(self.knowledge, self.case, move.entry)
                return f"{self.history.time(move.step)}: {words}"
            was_there = there
        return "Not noted"

    def cautions(self) -> Iterator[Part]:
        """Yield what was acknowledged, and what belongs to the readings taken and the remedies done."""
        known, case = self.knowledge, self.case
        read = {one.caution: one.at for one in case.counting.values() if isinstance(one, Acknowledged)}
        items = [known.readings[one] for one in case.taken if one in known.readings]
        belong = [caution for item in items for caution in item.cautions]
        belong += [one for setup in used_setups(known, case) for one in known.setups[setup].cautions]
        done = [known.faults[one] for one in case.repaired if one in known.faults]
        belong += [caution for fault in done for caution in fault.cautions]
        rows = []
        for name in dict.fromkeys([*read, *worst_first(known, belong, case.facts)]):
            said = known.cautions.get(name)
            noted = when(read[name], year=False) if name in read else "Not noted"
            rows.append(TableRow((said.name, said.text, noted) if said else (plain(name), "", noted)))
        if rows:
            yield Table(("Caution", "What it says", "Read at"), (20, 65, 15), tuple(rows))


def _two(line: str) -> tuple[str, str]:
    """Return a line of the account as a name and a number."""
    if line.startswith("  "):
        name, _, number = line.strip().rpartition(": ")
        return name[:1].upper() + name[1:], number
    name, _, number = line.partition("  ")
    return name, number.strip()
