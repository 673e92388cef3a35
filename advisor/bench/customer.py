"""The page for the customer, in plain words: no percentages, no ids, nothing that only the workshop needs."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from advisor.advice.proof import was_seen
from advisor.advice.rules import most_probable_first
from advisor.bench.history import History, weighed
from advisor.bench.wording import come_back_words, usual_words
from advisor.case.case import Case
from advisor.case.condition import not_waited_for
from advisor.case.entries import GONE, NOT_PRESENT, SEEN_TODAY, Confirmed, Measured, Repaired, Seen
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge, quantity_of
from advisor.knowledge.unlisted import is_unlisted
from advisor.measure.units import convert, preferred, show
from advisor.model.observation import Take, can_weigh, estimate
from advisor.papers.document import Bullets, Paper, Paragraph, Part, Section
from advisor.papers.format import plain, when
from advisor.policy import DEFAULT, Policy
from advisor.store.records import StoredCase
from advisor.text import counted

LINE = 80
"""Letters in a line of the page, rather too few."""
KELVIN = re.compile(r"(\d) K\b")
"""A temperature difference as a workshop writes it; people say degrees, and °C would be a temperature."""
SECONDS = re.compile(r"\b(\d+) s\b")
WORKED_OUT_DIGITS = 2
"""Digits of a number that was worked out from others: a customer is told no more than it is good for."""
TOLD, CHECKED, NOT_CHECKED, DONE = 3, 7, 2, 4
"""Lines for each list, so that it stays one page."""


def customer_sheet(
    knowledge: Knowledge,
    engine_of: Callable[[Case], InferenceEngine],
    filed: StoredCase,
    preferences: Mapping[str, str],
    printed: str,
    policy: Policy = DEFAULT,
) -> Paper:
    """One page for the customer; `printed` is the time now (ISO 8601).

    `engine_of` gives the engine of a case's complaint and repairs; the knowledge must have the complaint.
    """
    found = weighed(knowledge, engine_of, filed.case, policy)
    return _Sheet(knowledge, filed, History(knowledge, filed, preferences, found), policy).document(printed)


@dataclass(frozen=True)
class _Sheet:
    """The page, section by section."""

    knowledge: Knowledge
    filed: StoredCase
    history: History
    policy: Policy

    @property
    def case(self) -> Case:
        return self.filed.case

    def document(self, printed: str) -> Paper:
        sections = (
            Section("What you told us", tuple(self.told())),
            Section("What we checked", tuple(self.checks())),
            Section("What we found", tuple(map(Paragraph, self.found()))),
            Section("What was done", tuple(self.done())),
            Section("Is it gone?", (Paragraph(self.gone()),)),
            Section("What to watch", tuple(map(Paragraph, self.watch()))),
            Section("What was not checked", tuple(self.not_checked())),
        )
        state = "cancelled" if self.case.cancelled else "not finished yet"
        if self.case.closed:
            state = f"finished {self.history.closed_at}"
        return Paper(
            f"Your car: {self.filed.tag}",
            f"{self.filed.name}, opened {when(self.filed.opened)}, {state}",
            tuple(section for section in sections if section.parts),
            (f"Printed {when(printed)}. Keep this page: quote the job number and we carry on from here.",),
            self.filed.name,
        )

    def told(self) -> Iterator[Part]:
        complaint = self.knowledge.complaints[self.case.complaint]
        for words in self.case.customer_words:
            yield Paragraph(f"“{words}”")
        if not self.case.customer_words:
            yield Paragraph(complaint.name)
        asked = [name for name in self.case.taken if self._asked(name)]
        telling = [name for name in asked if not self._in_order(name)]
        shown, _ = _fitting((f"{self._question(name)} {self._answer(name)}" for name in telling), TOLD)
        if shown:
            yield Bullets(shown)
        if left := len(asked) - len(shown):
            other = "other " if shown else ""
            yield Paragraph(_on_the_card("answer", left, f"Your {other}"))

    def checks(self) -> Iterator[Part]:
        if self.case.present_today in (SEEN_TODAY, NOT_PRESENT):
            yield Paragraph(self.looked())
        made = [name for name in self.case.taken if not self._asked(name)]
        if not made:
            yield Paragraph("Nothing has been measured on the car yet.")
            return
        made.sort(key=self._in_order)  # what was not in order comes first
        lines = (f"{self.history.reading(name)}: {self._before_and_after(name)}" for name in made)
        shown, left = _fitting(lines, CHECKED)
        yield Bullets(shown)
        if left:
            yield Paragraph(_on_the_card("more check", left))

    def looked(self) -> str:
        """Say whether it was there, and no more than was entered of how it was looked for."""
        if self.case.present_today == NOT_PRESENT:
            return "It was not there when the car was with us."
        steps = [step for step, entry in self.case.counting.items() if isinstance(entry, Confirmed)]
        as_planned = not steps or not not_waited_for(self.case, steps[-1])
        return "We saw it while the car was with us" + (
            "." if as_planned else ", though it was not looked for the way it should be."
        )

    def found(self) -> Iterator[str]:
        closed, now = self.case.closed, self.history.found.now
        if closed and not closed.fault:
            yield "We found no fault."
            if self.case.is_at_rest:
                yield "It was not there while the car was with us, so what we measured rules nothing out."
        elif closed and closed.in_words:
            yield f"{closed.remark}."
        elif closed:
            yield f"{self._cause(closed.fault)}."
            if was_seen(self.knowledge, self.case, closed.fault):
                yield "We confirmed it on the car before we repaired anything."
            elif closed.fault in self.case.repaired:
                yield "It fits best what we read; it was not confirmed beforehand."
        elif self.history.repairs and self.case.checked == GONE:
            yield f"{self._cause(self.history.repairs[-1].fault)}. The job is not closed yet."
        else:
            yield "We are not finished: the cause is not certain yet."
            for leading in most_probable_first(now)[:1]:
                if now[leading] >= self.policy.named_to_customer_from:
                    yield f"So far most points to this: {self._cause(leading)}."
        if closed and closed.fault and closed.fault not in self.case.repaired:
            yield "No repair of this was recorded on this job."
        if self.history.found.trouble:
            yield "Some of what we noted does not fit together. Please ask us before you rely on this page."

    def done(self) -> Iterator[Part]:
        if self.history.repairs:
            shown, left = _fitting(map(self._work, self.history.repairs), DONE)
            yield Bullets(shown)
            if left:
                yield Paragraph(_on_the_card("more repair", left))
        else:
            yield Paragraph("Nothing has been repaired on this job.")

    def gone(self) -> str:
        if not self.history.repairs:
            return "Nothing was repaired, so there was nothing to look for again."
        if not self.case.checked:
            return "We have not looked yet whether it is gone after the repair."
        if self.case.checked == GONE:
            if self.case.is_at_rest:
                return "We cannot say: it was not there before the repair either. Tell us if it comes back."
            return f"Yes. We looked for it again after the repair, and it is gone. {self.seen_by()}"
        return "No. We looked for it again after the repair, and it is still there."

    def seen_by(self) -> str:
        """Return what was read at the check after the last repair."""
        steps = self.case.counting.items()
        last = max(step for step, entry in steps if isinstance(entry, Repaired))
        read = [entry.reading for step, entry in steps if step > last and isinstance(entry, Seen | Measured)]
        if not read:
            return "We took no measurement then."
        made = (f"{self.history.reading(name)}: {self._answer(name)}" for name in dict.fromkeys(read))
        return f"Read after the repair: {'; '.join(made)}."

    def watch(self) -> Iterator[str]:
        closed, now = self.case.closed, self.history.found.now
        if closed and not closed.fault:
            yield f"Please come back: {come_back_words(self.knowledge, self.case.complaint)}"
        settled = {*self.case.repaired, closed.fault if closed else ""}
        others = [one for one in now if one not in settled and now[one] >= self.policy.named_to_customer_from]
        others = most_probable_first({fault: now[fault] for fault in others})
        if closed or self.case.checked == GONE:
            for one in others[:2]:
                yield f"Still possible, and not ruled out: {self._cause(one)}."
        yield "If you notice it again, or anything new, tell us, and when and where it happened."

    def not_checked(self) -> Iterator[Part]:
        shown, left = _fitting((self.history.reading(one) for one in self.case.skipped), NOT_CHECKED)
        if shown:
            yield Bullets(shown)
        if left:
            yield Paragraph(_on_the_card("more check", left))

    def _cause(self, cause: str) -> str:
        if is_unlisted(cause):
            return "Something that is not on our usual list"
        return self.knowledge.title(cause)

    def _work(self, entry: Repaired) -> str:
        """Return when a repair was done, of what, and what was done, as somebody who has done it says it."""
        fault = self.knowledge.faults.get(entry.fault)
        again = ", again: the first did not hold" if self.case.was_done_before(entry) else ""
        what = f"{when(entry.at)}: {self.knowledge.title(entry.fault)}{again}."
        if fault and fault.done and not entry.how:
            return f"{what} {fault.done}."
        remedy = fault.remedy if fault else ""
        work = entry.how or f"{remedy[:1].lower()}{remedy[1:]}"
        return f"{what} Work done: {work}." if work else what

    def _in_order(self, name: str) -> bool:
        """Whether the last answer to a reading is the normal one."""
        said = self.knowledge.readings.get(name)
        step, entry = self._said(name)[max(self._said(name))]
        if said is None or not said.normal_outcome:
            return False
        if isinstance(entry, Seen):
            return entry.outcome == said.normal_outcome
        return self.history.band(step, entry) == said.normal_outcome

    def _asked(self, name: str) -> bool:
        reading = self.knowledge.readings.get(name)
        return reading is not None and reading.who == "customer"

    def _question(self, name: str) -> str:
        said = self.knowledge.readings[name]
        return said.ask or f"{said.name}:"

    def _said(self, name: str) -> dict[int, tuple[int, Seen | Measured]]:
        """Return the last answer to a reading after so many repairs, each with its step."""
        found: dict[int, tuple[int, Seen | Measured]] = {}
        for step, repairs, entry in self.case.by_era():
            if isinstance(entry, Seen | Measured) and entry.reading == name:
                found[repairs] = step, entry
        return found

    def _before_and_after(self, name: str) -> str:
        """Return the answers to a reading: those before and after a repair, where it was taken at both."""
        said = self._said(name)
        first, last = min(said), max(said)
        if first == last:
            return self._answer(name)
        what, it = ("the repair", "it") if last - first == 1 else ("the repairs", "them")
        numbers = [self._number(name, said[at][1].take) for at in (first, last)]
        if not all(numbers):
            before, after = (self._words(name, *said[at]) for at in (first, last))
            return f"before {what}: {before}; after {it}: {after}"
        usual = self._usual(name)
        return f"before {what} {numbers[0]}, after {it} {numbers[1]}" + (f"; {usual}" if usual else "")

    def _answer(self, name: str) -> str:
        """Return the last answer to a reading: in words, and the number as it was read."""
        said = self._said(name)
        return self._words(name, *said[max(said)])

    def _words(self, name: str, step: int, entry: Seen | Measured) -> str:
        """Return one answer to a reading: in words, and the number with what is usual."""
        said = self.knowledge.readings.get(name)
        number = self._number(name, entry.take)
        number = ", ".join(filter(None, [number, self._usual(name)])) if number else ""
        if isinstance(entry, Seen):
            words = (said.answers.get(entry.outcome) if said else None) or plain(entry.outcome)
            sure = " (not certain)" if entry.confidence < 1 else ""
            return f"{number} ({words[:1].lower()}{words[1:]}){sure}" if number else f"{words}{sure}"
        band = ["", *self.history.measured(step, entry)][-1]
        return f"{number} ({band[:1].lower()}{band[1:]})" if number and band not in number else band

    def _number(self, name: str, take: Take) -> str:
        """Return a number as typed or as it came out; or "" without one."""
        known, case = self.knowledge, self.case
        typed = [one.typed for one in take if one.measurand == name]
        if not typed and take and can_weigh(known, name, [take]):
            try:
                value = estimate(known, name, case.facts, [take]).value
            except (ValueError, ArithmeticError):
                return ""
            own = quantity_of(known, name).unit
            unit = preferred(own, self.history.preferences)
            typed = [show(convert(value, own, unit), unit, WORKED_OUT_DIGITS)]
        return ", ".join(typed)

    def _usual(self, name: str) -> str:
        if name not in self.knowledge.readings:
            return ""
        return usual_words(self.knowledge, self.case, name, self.history.preferences)


def _fitting(items: Iterable[str], lines: int) -> tuple[tuple[str, ...], int]:
    """Return those of a list that so many lines of the page hold, and how many are left."""
    every = [_plainly(item) for item in items]
    shown: list[str] = []
    for item in every:
        lines -= math.ceil(len(item) / LINE)
        if lines < 0:
            break
        shown.append(item)
    return tuple(shown), len(every) - len(shown)


def _on_the_card(what: str, number: int, before: str = "") -> str:
    """Say that so many are not on the page but on the job card."""
    return f"{before}{counted(number, what)} {'is' if number == 1 else 'are'} on the job card."


def _plainly(words: str) -> str:
    """Return numbers as people say them: per cent, degrees, and minutes where there are many seconds."""
    words = KELVIN.sub(r"\1 degrees", words.replace("%", "per cent"))
    return SECONDS.sub(
        lambda found: f"{int(found[1]) / 60:g} min" if int(found[1]) >= 120 else found[0], words
    )
