"""The command that says what to read next on a case."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.errors import fail
from advisor.cli.options import (
    Pair,
    at_hand,
    case_of,
    checked,
    complaint_option,
    facts_option,
    knowledge_option,
    policy_of,
    reasoner_of,
    without_option,
    workshop_option,
)
from advisor.cli.output import json_text, say

if TYPE_CHECKING:
    from advisor.advice.proof import Ending


@click.command(name="next")
@knowledge_option
@complaint_option
@facts_option
@click.option(
    "--saw",
    type=Pair(),
    multiple=True,
    help="What a reading showed: READING=OUTCOME, or a quantity as READING='430 mA'.",
)
@click.option(
    "--today",
    type=click.Choice(["seen", "not-present", "not-tried"]),
    help="Whether the complaint was there when it was looked for at the car.",
)
@without_option
@workshop_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON, and nothing else, on standard output.")
def next_reading(
    paths: tuple[Path, ...],
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
    today: str | None,
    without: tuple[str, ...],
    workshop: Path | None,
    as_json: bool,
) -> None:
    """Say what to read next on a case, and how sure we are."""
    from advisor.advice.advice import advise
    from advisor.advice.situation import InconsistentEvidence, Situation
    from advisor.bench.wording import advice_lines, forbidden_lines, same_decision_words
    from advisor.case.condition import present
    from advisor.case.entries import NOT_PRESENT, NOT_TRIED, SEEN_TODAY, Confirmed
    from advisor.inference.engine import Engine
    from advisor.simulate.array_advice import compile_ranker
    from advisor.simulate.jobs import starts_of
    from advisor.simulate.same_decision import decides, same_decision

    policy = policy_of(workshop)
    knowledge = checked(paths)
    case = case_of(knowledge, complaint, facts, saw, without)
    if today is not None:
        found = {"seen": SEEN_TODAY, "not-present": NOT_PRESENT, "not-tried": NOT_TRIED}[today]
        case = replace(case, entries=(Confirmed(complaint, found), *case.entries))
    car = present(knowledge, case)
    workshop_now = at_hand(knowledge, without)
    try:
        engine = reasoner_of(knowledge, complaint)
        situation = Situation.of(knowledge, engine, case, policy)
        advice = advise(situation, workshop_now)
    except InconsistentEvidence as error:
        fail([str(error)], 1)
    same = None
    if decides(advice) and isinstance(engine, Engine) and not case.is_at_rest:
        ranker = compile_ranker(knowledge, engine, complaint, workshop_now, policy)
        same = same_decision(ranker, starts_of(ranker, [case]))
    if not as_json:
        for line in forbidden_lines(knowledge, case, car):
            say(line)
        for line in advice_lines(knowledge, advice, case.facts, policy):
            say(line)
        if same is not None:
            say("")
            say(same_decision_words(same))
        if policy.words:
            say(policy.words)
        return
    answer: dict[str, object] = {
        "complaint": complaint,
        "faults": [
            {"id": suspect.fault, "name": suspect.name, "probability": suspect.probability}
            for suspect in advice.suspects
        ],
        "readings": [
            {
                "id": candidate.reading,
                "name": candidate.name,
                "information_bits": candidate.expected_information_bits,
                "minutes": candidate.minutes,
                "hands_on_minutes": candidate.hands_on_minutes,
                "information_bits_per_minute": candidate.information_bits_per_minute,
                "worth_taking": candidate in advice.worth_taking,
                "proof": knowledge.readings[candidate.reading].proof,
                "proves": list(knowledge.readings[candidate.reading].proves),
                "due": candidate.due,
                "opens": candidate.opens or None,
            }
            for candidate in advice.proposals
        ],
        "forbidden": [
            {"after": reading, "ids": sorted(ids)} for reading, ids in car.ruled_out.items() if ids
        ],
        "stop": advice.stop and {"reason": advice.stop.reason, "fault": advice.stop.fault},
        "same_decision": same
        and {
            "cause": same.cause,
            "readings_left": same.readings,
            "probability": same.probability,
            "interval": [same.low, same.high],
            "exact": same.is_exact,
        },
        "ending": _ending(advice.stop.ending) if advice.stop else None,
    }
    if policy.changed:
        answer["policy"] = dict(policy.changed)
    if advice.belief_error or advice.bits_error:
        answer["off_by_at_most"] = {
            "probability": advice.belief_error,
            "information_bits": advice.bits_error,
        }
    say(json_text(answer))


def _ending(found: Ending | None) -> dict[str, object] | None:
    """Return what the search has come to; "unproved" where the remedy should wait for a proof."""
    if found is None:
        return None
    return {"kind": found.kind, "cause": found.cause, "unproved": found.unproved}
