"""A closed job becomes a scenario that plays, and nothing in it says whose car it was."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.case.case import Case
from advisor.case.entries import (
    GONE,
    Accounted,
    Checked,
    Closed,
    Entry,
    Known,
    Measured,
    Repaired,
    Seen,
    TakenBack,
)
from advisor.case.typed import direct
from advisor.evaluation.scenarios import Scenario, play, read_scenarios
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.learning.recording import NotRecordable, scenario_text
from advisor.model.observation import Measurement
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.conftest import Ran

Runs = Callable[..., Ran]

TAG = "AB 123 X"
REMARK = "the owner said so on the phone"


def filed(*entries: Entry, cause: str = "boot_lamp") -> StoredCase:
    """A job of a car with a tag, closed with a cause and a remark."""
    return StoredCase(
        7, TAG, "2030-03-04T09:00:00+00:00", Case("flat_battery", (*entries, Closed(cause, REMARK)))
    )


def a_job(knowledge: Knowledge) -> StoredCase:
    """A job with a fact, an unsure answer, a number, something taken back, and a repair."""
    return filed(
        Known("battery_type", "agm"),
        Seen("flat_overnight", "one_night", 0.9, "customer"),
        Seen("warm_boot", "as_trim"),
        TakenBack(3, ""),
        direct(knowledge, "sleeping_current", "430 mA", "low_current_clamp"),
        Accounted("what the owner told me", Measurement("x", 0.4, "low_current_clamp", "400 mA")),
        Seen("warm_boot", "warmer"),
        Repaired("boot_lamp", "2030-03-04T10:00:00+00:00"),
        Seen("sleeping_current", "usual"),
        Checked("flat_battery", GONE),
    )


def read_back(text: str, folder: Path, knowledge: Knowledge) -> Scenario:
    """The scenario in a text, read as a file is."""
    file = folder / "car.yaml"
    file.write_text(text, encoding="utf-8")
    return read_scenarios([file], knowledge)[file]


def test_a_job_is_written_as_it_was_before_the_repair(shipped: Knowledge, tmp_path: Path) -> None:
    """Facts, confirmed causes, answers that count and numbers with their unit; nothing read afterwards."""
    scenario = read_back(scenario_text(shipped, a_job(shipped)), tmp_path, shipped)
    assert scenario.invented == "recorded"
    assert scenario.complaint == "flat_battery"
    assert scenario.facts == {"battery_type": "agm"}
    assert scenario.causes == ("boot_lamp",)
    assert scenario.shows == {
        "flat_overnight": "one_night",
        "sleeping_current": "430 mA",
        "warm_boot": "warmer",
    }


def test_nothing_says_whose_car_it_was(shipped: Knowledge) -> None:
    """Neither the tag nor remarks, times and names that somebody typed are in the file, which says so."""
    text = scenario_text(shipped, a_job(shipped))
    for said in (TAG, REMARK, "owner", "2030", "customer"):
        assert said not in text
    assert text.startswith("# Recorded from a closed job by `advisor case scenario`, without its tag")


def test_the_written_car_can_be_played(shipped: Knowledge, drain: Engine, tmp_path: Path) -> None:
    """The advice finds in it what the job has found."""
    scenario = read_back(scenario_text(shipped, a_job(shipped)), tmp_path, shipped)
    played = play(shipped, drain, scenario)
    assert played.right
    assert isinstance(
        next(step.entry for step in played.steps if step.entry.reading == "sleeping_current"), Measured
    )


@pytest.mark.parametrize(
    ("job", "why"),
    [
        (filed(cause=""), "Job 7 is closed without a cause that was confirmed."),
        (filed(cause="radio"), "Job 7 is closed with a cause that this complaint does not list."),
        (StoredCase(7, TAG, "", Case("flat_battery")), "Job 7 is still open."),
        (
            StoredCase(7, TAG, "", Case("noise", (Closed("a", ""),))),
            "Job 7 is about a complaint that is not in",
        ),
    ],
)
def test_a_job_without_a_known_cause_makes_no_scenario(shipped: Knowledge, job: StoredCase, why: str) -> None:
    """It says why, and what to do."""
    with pytest.raises(NotRecordable) as refused:
        scenario_text(shipped, job)
    assert str(refused.value).startswith(why)


def test_a_file_is_written_by_the_command(shipped: Knowledge, tmp_path: Path, advisor: Runs) -> None:
    """`scenario NUMBER --output FILE` writes what `replay` then plays; a job that is open is refused."""
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    store = Store(url)
    store.append(store.open_case(TAG, "flat_battery"), *a_job(shipped).case.entries)
    store.open_case(TAG, "flat_battery")
    store.close()
    ran = advisor("case", "scenario", "1", "--store", url, "--output", tmp_path / "car.yaml")
    assert (ran.code, ran.out) == (0, ""), ran.err
    assert advisor("replay", tmp_path / "car.yaml").code == 0
    ran = advisor("case", "scenario", "2", "--store", url)
    assert ran.code == 1
    assert ran.err.startswith("Job 2 is still open.")
