"""Why a reading comes next, in one sentence: what it proves, or what it tells apart and by which answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from advisor.advice.advice import Advice, Answer, CandidateReading
from advisor.case.confirmed import faults_below
from advisor.knowledge.knowledge import Knowledge
from advisor.model.priors import tree_of
from advisor.papers.format import percent

LONGEST = 150
"""A longer sentence leaves out what an answer would do: two lines of 80 columns."""
AS_ONE = 0.8
"""From this share of their moves on, a branch's faults are said to move as one (the project's choice)."""


def why(
    knowledge: Knowledge,
    complaint: str,
    advice: Advice,
    answers: Sequence[Answer],
    proposal: CandidateReading,
) -> str:
    """Return the sentence; a branch of the complaint stands for its faults where they move as one."""
    leading = advice.suspects[0]
    if proposal.due:
        return f"Proves “{leading.name}” ({percent(leading.probability)}) before it is put right."
    now = {suspect.fault: suspect.probability for suspect in advice.suspects}
    shares = {
        name: (
            sum(now[one] for one in faults),
            [sum(answer.after[one] for one in faults) for answer in answers],
        )
        for name, faults in _movers(knowledge, complaint, now, answers).items()
    }
    moves = {name: [after - share for after in afters] for name, (share, afters) in shares.items()}

    def together(one: str, other: str) -> float:
        both = zip(answers, moves[one], moves[other], strict=True)
        return sum(answer.probability * here * there for answer, here, there in both)

    first = max(moves, key=lambda one: together(one, one))
    # The other side: what the same answers move most the opposite way.
    second = min(moves, key=lambda one: together(one, first))
    at = max(range(len(answers)), key=lambda index: moves[first][index])
    said = knowledge.readings[proposal.reading].answers[answers[at].outcome]
    then = f"“{said}” makes it {percent(min(1.0, shares[first][1][at]))}."
    tells = f"Tells “{knowledge.title(first)}” from “{knowledge.title(second)}”"
    if together(second, first) >= 0:
        tells = f"Tells most about “{knowledge.title(first)}”"
    return f"{tells}: {then}" if len(tells) + len(then) < LONGEST else f"{tells}."


def _movers(
    knowledge: Knowledge, complaint: str, now: Mapping[str, float], answers: Sequence[Answer]
) -> dict[str, frozenset[str]]:
    """Return each fault by itself, but a branch of the complaint in place of its faults that move as one."""
    movers = {fault: frozenset({fault}) for fault in now}
    for branch in tree_of(knowledge, complaint)[complaint].gate.members:
        faults = faults_below(knowledge, branch) & now.keys()
        if branch not in knowledge.branches or len(faults) < 2:
            continue
        each = {
            fault: sum(answer.probability * abs(answer.after[fault] - now[fault]) for answer in answers)
            for fault in faults
        }
        sums = (sum(answer.after[fault] - now[fault] for fault in faults) for answer in answers)
        as_one = sum(answer.probability * abs(moved) for answer, moved in zip(answers, sums, strict=True))
        if as_one > AS_ONE * sum(each.values()) and max(each.values()) < AS_ONE * as_one:
            for fault in faults:
                del movers[fault]
            movers[branch] = frozenset(faults)
    return movers
