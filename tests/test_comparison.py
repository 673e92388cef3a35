"""Two versions of the knowledge on the same cars: what is worse is found, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.evaluation.comparison import Comparison, compare
from advisor.knowledge.knowledge import Knowledge
from tests.conftest import HEAD, Ran
from tests.test_evaluation import TEXT

Made = Callable[[str], Knowledge]
LOUD = TEXT[TEXT.index("  loud:") : TEXT.index("  wet:")]
WITHOUT_LOUD = TEXT.replace(LOUD, "")
SCENARIO = """\
language: 1
invented: true
name: A loud car
complaint: c
causes: [a]
story: It is loud.
shows: {loud: loud, wet: dry}
"""


def compared(known: Made, old: str, new: str, cars: int = 1200) -> Comparison:
    """Two texts compared."""
    return compare(known(old), known(new), cars, 1)


def verdicts(found: Comparison, verdict: str) -> set[tuple[str | None, str]]:
    """Faults, none for all cars, and measures with a verdict."""
    return {(one.fault, one.measure) for one in found.differences if one.verdict == verdict}


def test_the_same_knowledge_differs_in_nothing(known: Made) -> None:
    """Not by a minute, and nothing is worse."""
    found = compared(known, TEXT, TEXT)
    assert {one.change for one in found.differences} == {0.0}
    assert not found.anything_worse


def test_a_good_reading_taken_away_is_worse(known: Made) -> None:
    """Causes are found less often; put back it is better."""
    found = compared(known, TEXT, WITHOUT_LOUD)
    assert found.anything_worse
    assert (None, "first") in verdicts(found, "worse")
    back = compared(known, WITHOUT_LOUD, TEXT)
    assert (None, "first") in verdicts(back, "better")
    assert (None, "first") not in verdicts(back, "worse")


def test_a_number_changed_a_little_is_not_worse(known: Made) -> None:
    """Half of the cars are from either version, and neither is at home on all of them."""
    found = compared(known, TEXT, TEXT.replace("causes: {a: 0.9}", "causes: {a: 0.88}"))
    assert not found.anything_worse


def test_dearer_minutes_are_slower(known: Made) -> None:
    """The same readings with more minutes are worse in minutes, and in nothing else."""
    found = compared(known, TEXT, TEXT.replace("minutes: 1\n", "minutes: 9\n"))
    assert (None, "hands_on") in verdicts(found, "worse")
    assert {measure for _, measure in verdicts(found, "worse")} == {"hands_on"}


def test_a_removed_complaint_is_worse(known: Made) -> None:
    """And an added one is not."""
    other = TEXT.replace(
        "complaints:\n", "complaints:\n  d: {name: D, family: made_up, any_of: {a: 60, b: 45}, unlisted: 5}\n"
    )
    assert compared(known, other, TEXT, 60).removed == ("d",)
    assert compared(known, other, TEXT, 60).anything_worse
    assert compared(known, TEXT, other, 60).added == ("d",)
    assert not compared(known, TEXT, other, 60).anything_worse


def test_a_fault_that_the_old_version_lacks_counts_as_unlisted_there(known: Made) -> None:
    """Cars that have it are played by both, and the new version finds it with less work."""
    more = TEXT.replace("any_of: {a: 55, b: 45}", "any_of: {a: 55, b: 45, d: 30}").replace(
        "  b: {name: Fault b",
        "  d: {name: Fault d, remedy: Mend it, remedy_minutes: 5, price: low}\n  b: {name: Fault b",
    )
    more += "  new: {name: New, minutes: 1, outcomes: {no_: A, yes_: B}, "
    more += "noisy_or: {leak: 0.02, causes: {d: 0.95}}}\n"
    found = compared(known, TEXT, more)
    (first,) = (one for one in found.differences if (one.fault, one.measure) == ("d", "first"))
    assert min(first.old, first.new) > 80
    assert ("d", "hands_on") in verdicts(found, "better")


def test_what_is_new_and_gone_and_how_the_rest_moved_is_told(
    advisor: Callable[..., Ran], known: Made, tmp_path: Path
) -> None:
    """A new fault and its reading, with what the shares written say; the other way round it is gone."""
    more = TEXT.replace("any_of: {a: 55, b: 45}", "any_of: {a: 40, b: 45, d: 15}").replace(
        "  b: {name: Fault b",
        "  d: {name: Fault d, remedy: Mend it, remedy_minutes: 5, price: low}\n  b: {name: Fault b",
    )
    more += "  new: {name: New, minutes: 1, outcomes: {no_: A, yes_: B}, "
    more += "noisy_or: {leak: 0.02, causes: {d: 0.95}}}\n"
    found = compared(known, TEXT, more, cars=2)
    assert [(one.cause, one.old, one.new) for one in found.shares] == [
        ("d", None, pytest.approx(0.15, abs=1e-9)),
        ("a", pytest.approx(0.55, abs=1e-9), pytest.approx(0.40, abs=1e-9)),
    ]
    scenario = tmp_path / "loud.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    old, new = two_versions(tmp_path, TEXT, more)
    words = ("--cars", 2, "--scenarios", scenario)
    said = advisor("compare", old, new, *words).out.splitlines()[1:4]
    assert said == [
        "new     the reading new",
        "new     Fault d: 15 of 100 cars with c",
        "moved   Fault a: 55 → 40 of 100 cars with c",
    ]
    said = advisor("compare", new, old, *words).out.splitlines()[1:3]
    assert said == ["gone    the reading new", "gone    Fault d: was 15 of 100 cars with c"]
    same = compared(known, TEXT, TEXT, cars=2)
    assert (same.shares, same.new_readings, same.gone_readings) == ((), (), ())


def two_versions(folder: Path, old: str, new: str) -> tuple[Path, Path]:
    """Two folders with one file each."""
    for name, text in (("old", old), ("new", new)):
        (folder / name).mkdir()
        (folder / name / "x.yaml").write_text(HEAD + text, encoding="utf-8")
    return folder / "old", folder / "new"


@pytest.mark.parametrize(("new", "code"), [(TEXT, 0), (WITHOUT_LOUD, 1)])
def test_the_exit_code_is_for_machines(
    advisor: Callable[..., Ran], tmp_path: Path, new: str, code: int
) -> None:
    """0 where nothing is worse, 1 where something is, and then it is listed."""
    scenario = tmp_path / "loud.yaml"
    scenario.write_text(SCENARIO.replace("loud: loud, ", ""), encoding="utf-8")
    ran = advisor("compare", *two_versions(tmp_path, TEXT, new), "--cars", 600, "--scenarios", scenario)
    assert ran.code == code
    assert ("WORSE" in ran.out) == bool(code)
    assert ("Nothing is better or worse" in ran.out) != bool(code)


def test_compare_prints_only_json_and_counts_lost_scenarios(
    advisor: Callable[..., Ran], tmp_path: Path
) -> None:
    """JSON alone on standard output; a scenario that only one version can play counts as lost."""
    scenario = tmp_path / "loud.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    old, new = two_versions(tmp_path, TEXT, WITHOUT_LOUD)
    ran = advisor("compare", old, new, "--cars", 60, "--format", "json", "--scenarios", scenario)
    said = json.loads(ran.out)
    assert (ran.code, said["anything_worse"]) == (1, True)
    assert [(one["old_right"], one["new_right"]) for one in said["scenarios"]] == [(True, None)]


def test_outcomes_turned_round_are_worse(known: Made, tmp_path: Path) -> None:
    """The first outcome is the normal one: each version plays the scenario by networks of its own."""
    scenario = tmp_path / "loud.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    turned = TEXT.replace("{quiet: Quiet, loud: Loud}", "{loud: Loud, quiet: Quiet}").replace(
        "{dry: Dry, wet: Wet}", "{wet: Wet, dry: Dry}"
    )
    found = compare(known(TEXT), known(turned), 60, 1, scenarios=[scenario])
    assert [(one.old_right, one.new_right) for one in found.scenarios] == [(True, False)]
    assert found.anything_worse


@pytest.mark.parametrize("words", [("nowhere", "nowhere"), ()])
def test_compare_refuses_missing_folders(advisor: Callable[..., Ran], words: tuple[str, ...]) -> None:
    """Folders that are not there, or none."""
    assert advisor("compare", *words).code == 2


def test_broken_knowledge_is_wrong_use(advisor: Callable[..., Ran], tmp_path: Path) -> None:
    """Not to be mistaken for a version that is worse: exit code 2, with file and line."""
    ran = advisor("compare", *two_versions(tmp_path, TEXT, TEXT.replace("minutes: 1", "minuets: 1")))
    assert ran.code == 2
    assert "x.yaml:" in ran.err
