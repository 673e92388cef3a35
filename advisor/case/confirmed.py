"""What closed jobs establish: the confirmed causes, and the readings taken before any repair.

A cause is confirmed if the job was closed with it, or if its remedy was the last one before the complaint was
found gone. A fault repaired without either is unclear: nobody knows whether it was there. If a job was
reopened, whatever was confirmed before that is unclear as well. All other faults count as absent, though a
second one may have gone unnoticed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from advisor.arrays import Floats
from advisor.case.case import Case, as_entered
from advisor.case.entries import GONE, Checked, Closed, Entry, Measured, Reopened, Repaired, Seen
from advisor.knowledge.knowledge import Knowledge
from advisor.model.priors import tree_of


@dataclass(frozen=True)
class Finding:
    """A car whose causes are known, and what its readings showed before anything was repaired.

    `read` holds for each reading taken a likelihood over its outcomes, in the order written, that sums to 1.
    A reading that is not there was not taken: it is missing, not normal.
    """

    complaint: str
    causes: frozenset[str]
    unclear: frozenset[str] = frozenset()
    facts: Mapping[str, str] = field(default_factory=dict)
    read: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class Gathered:
    """The jobs that can be learned from, and how many are excluded, by reason.

    `in_words` are the causes of closed jobs that are described in words because they are not listed.
    """

    findings: tuple[Finding, ...]
    excluded: Mapping[str, int]
    in_words: tuple[str, ...] = ()


def gather(knowledge: Knowledge, cases: Iterable[Case]) -> Gathered:
    """Sort jobs into those whose causes are confirmed and those that nothing is learned from."""
    findings: list[Finding] = []
    excluded: Counter[str] = Counter()
    in_words: list[str] = []
    for case in cases:
        if case.closed and case.closed.in_words and case.complaint in knowledge.complaints:
            in_words.append(f"{knowledge.complaints[case.complaint].name}: {case.closed.remark}")
        finding_or_reason = finding(knowledge, case)
        if isinstance(finding_or_reason, Finding):
            findings.append(finding_or_reason)
        else:
            excluded[finding_or_reason] += 1
    return Gathered(tuple(findings), dict(excluded), tuple(sorted(in_words)))


def finding(knowledge: Knowledge, case: Case) -> Finding | str:
    """Return what a closed job establishes, or the reason why it establishes nothing."""
    if case.cancelled:
        return "cancelled"
    if case.closed is None:
        return "still open"
    if case.complaint not in knowledge.complaints:
        return "about a complaint that is not in this knowledge"
    causes = confirmed_causes(case)
    if not causes:
        return "closed without a cause that was confirmed"
    if not causes <= faults_below(knowledge, case.complaint):
        return "closed with a cause that this complaint does not list"
    named = {one.fault for one in case.counting.values() if isinstance(one, Closed) and one.fault}
    unclear = frozenset({*case.repaired, *named}) - causes
    before = before_repair(case)
    return Finding(case.complaint, causes, unclear, before.facts, dict(_read(knowledge, before)))


def confirmed_causes(case: Case) -> frozenset[str]:
    """Return the faults that the job was closed with, or whose repair ended the complaint.

    What was found before a job was reopened does not count, and nothing does where it was closed without one.
    That a complaint is gone says nothing if it was not there before the repair either.
    """
    if case.closed and not case.closed.fault:
        return frozenset()
    causes: set[str] = set()
    last = ""
    for step, entry in case.counting.items():
        if isinstance(entry, Repaired):
            last = "" if case.was_at_rest(step) else entry.fault
        elif isinstance(entry, Checked) and entry.found == GONE and last:
            causes.add(last)
        elif isinstance(entry, Reopened):
            causes, last = set(), ""
    if case.closed and case.closed.fault:
        causes.add(case.closed.fault)
    return frozenset(causes)


def before_repair(case: Case) -> Case:
    """Return the job as it was before the first repair and the closing, without what was taken back.

    Closing without a cause and reopening does not count as a repair.
    """
    entries: list[Entry] = []
    for entry in case.counting.values():
        if isinstance(entry, Repaired) or (isinstance(entry, Closed) and entry.fault):
            break
        if not isinstance(entry, Closed | Reopened):
            entries.append(as_entered(entry))
    return Case(case.complaint, tuple(entries))


def faults_below(knowledge: Knowledge, name: str) -> frozenset[str]:
    """Return the faults below a complaint, branch or state; for a fault, the fault itself."""
    if name in knowledge.complaints or name in knowledge.branches:
        gates = tree_of(knowledge, name)
        return frozenset(m for gated in gates.values() for m in gated.gate.members if m in knowledge.faults)
    if name in knowledge.states:
        return frozenset().union(*(faults_below(knowledge, one) for one in knowledge.states[name].causes))
    return frozenset({name} & set(knowledge.faults))


def _read(knowledge: Knowledge, case: Case) -> Iterator[tuple[str, Floats]]:
    """Yield what counts of the readings as distributions; one that cleared nothing is missing, not normal."""
    said = case.likelihoods(knowledge)
    for name in knowledge.readings:
        if name in said and (total := float(said[name].sum())) > 0:
            yield name, said[name] / total


def took(case: Case) -> tuple[str, ...]:
    """Return the readings of a job before its first repair, in the order of the first take."""
    read = (one.reading for one in before_repair(case).entries if isinstance(one, Seen | Measured))
    return tuple(dict.fromkeys(read))
