"""What the numbers rest on and who has looked them over: in words, counted, and on the shipped page."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.checks.published import compare
from advisor.evaluation.standing import HANGS_MOST, numbers_by_kind, standing_lines
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.looked_over import review_counts, review_words

FOLDER = Path(__file__).parent.parent / "knowledge"
PAGE = FOLDER / "STANDING.md"
TEXT = """
families: {doors: {name: Doors, ask: Is it a door?}}
complaints:
  rattle:
    name: Door rattles
    family: doors
    any_of: {strap: 60, glass: 45}
    unlisted: 5
    standing_of:
      strap: {source: Job cards, of: 60, count: 35}
      glass: {source: Job cards, percent: [40, 50]}
faults:
  strap:
    name: Check strap loose
    remedy: Tighten it
    remedy_minutes: 10
    price: low
    standing: common practice
  glass:
    name: Glass loose
    remedy: Reseat it
    remedy_minutes: 40
    price: low
    standing: {estimate_by: JM, on: 2026-11-30}
    review:
      - {status: read, by: AB, on: 2027-01-12}
      - {status: tried, by: AB, on: 2027-02-03, cars: 1}
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 2
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 5 of 100, causes: {strap: 80 of 100}}
    review: [{status: confirmed, by: CD, on: 2027-06-30, jobs: 11}]
  play:
    name: Play of the glass
    minutes: 4
    quantity: {unit: mm, range: [0, 20], bands: {little: Firm, much: Loose}, limits: [2]}
    noisy_or: {leak: 5 of 100, causes: {glass: 80 of 100}}
    standing_of: {limits: common practice}
"""


def test_numbers_are_counted_by_what_they_rest_on(known: Callable[[str], Knowledge]) -> None:
    """The finest word counts: the number's own, then its field's, its item's, and last the file's."""
    found = {kind: dict(here) for kind, here in numbers_by_kind(known(TEXT)).items() if here}
    assert found == {
        "Shares of causes and cars": {"counted": 1, "a source": 1, "estimate": 1},
        "Minutes": {"common practice": 1, "estimate": 3},
        "Chances of answers": {"estimate": 4},
        "Limits": {"common practice": 1},
        "Others": {"estimate": 2},
    }


def test_an_item_is_drafted_until_people_say_more(known: Callable[[str], Knowledge]) -> None:
    """In words, with initials and day, and counted by the furthest that each has come."""
    knowledge = known(TEXT)
    assert review_words(knowledge.faults["strap"]) == "Drafted: no second technician has read it yet."
    assert review_words(knowledge.faults["glass"]) == (
        "Read by a second technician (AB, 2027-01-12), tried on 1 car (AB, 2027-02-03)."
    )
    assert review_words(knowledge.readings["wiggle"]) == "Confirmed by 11 closed jobs (CD, 2027-06-30)."
    assert review_counts(knowledge) == "Of 6 items: 4 drafted, 1 tried on cars, 1 confirmed by closed jobs."


def test_a_review_is_no_part_of_the_version(known: Callable[[str], Knowledge]) -> None:
    """Open jobs go on with the knowledge that they were begun with."""
    reviewed = known(TEXT).version
    assert known(re.sub(r" +review:(\n.*read, .*\n.*|.*)\n", "", TEXT)).version == reviewed
    assert known(TEXT.replace("count: 35", "count: 36")).version != reviewed


def test_everything_shipped_is_drafted(shipped: Knowledge) -> None:
    """Nobody has put initials to it: only people do, and none has yet."""
    assert {item.status for _, _, item in shipped.items()} == {"drafted"}


def parts(page: str) -> tuple[str, str]:
    """What is counted, and the numbers on which most hangs, which take minutes to find."""
    counted, hangs, numbers = page.partition(HANGS_MOST)
    assert hangs
    return counted, numbers


def test_the_page_at_the_head_of_the_knowledge_is_fresh(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> None:
    """`advisor check --standing` was run after the last change of a number."""
    compared = compare(shipped, {}, {name: shipped_engine(name) for name in shipped.complaints})
    said = "\n".join(standing_lines(shipped, compared, ()))
    assert parts(PAGE.read_text(encoding="utf-8"))[0] == parts(said)[0]


def test_the_numbers_on_which_most_hangs_stand_in_the_files_as_they_are_shown() -> None:
    """Ten of them; one that has been changed since is to be found again."""
    shown = re.findall(
        r"^\d+\. `(\S+)`, (.+): `(.+)`$", parts(PAGE.read_text(encoding="utf-8"))[1], re.MULTILINE
    )
    assert len(shown) == 10
    for file, name, written in shown:
        lines = [line.strip() for line in (FOLDER / file).read_text(encoding="utf-8").splitlines()]
        assert written in lines, name


@pytest.mark.parametrize("heading", ["What is published", "What is common practice", "What stays estimate"])
def test_the_page_says_what_is_what(heading: str) -> None:
    """Published, common practice, estimate."""
    assert f"\n## {heading}\n" in PAGE.read_text(encoding="utf-8")
