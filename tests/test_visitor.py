"""A short walk of the random visitor, and that it finds what was once wrong."""

from __future__ import annotations

import json
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from unittest import mock

import pytest

from advisor.advice.engines import Engines
from advisor.case.entries import Skipped
from advisor.checks.lint import checked
from advisor.screens.widgets import attention
from advisor.store.store import Store
from tests.soak.visitor.checks import SILENT_TRIES, Figures, Found, Watch
from tests.soak.visitor.faults import ranking_among_units
from tests.soak.visitor.fresh import wrong_in
from tests.soak.visitor.once import once
from tests.soak.visitor.places import generated
from tests.soak.visitor.terminal import Clock
from tests.soak.visitor.walk import Options, walked


@pytest.fixture(autouse=True)
def _nobody_answers_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program as it is outside of tests: a double tap answers one question."""
    monkeypatch.setattr(attention, "PAUSE_SECONDS", 0.4)


def options(log: Path, acts: int, seed: int, *knowledge: str) -> Options:
    """A walk of so many acts that time does not end."""
    return Options(
        seconds=600, acts=acts, seed=seed, log=log, knowledge=knowledge, day=acts // len(knowledge)
    )


def test_a_short_walk_finds_nothing(tmp_path: Path) -> None:
    """Two days in workshops, one with the writing guide's example and one with invented knowledge."""
    figures, problems = walked(options(tmp_path / "log", 160, 7, "generated", "example"))
    assert not problems, problems[0]
    assert figures.acts == 160
    assert figures.jobs > 0
    assert figures.fresh > 0


def test_what_is_worked_out_once_changes_nothing(tmp_path: Path) -> None:
    """A walk goes over the same screens whether Textual works everything out anew or not."""
    logs = []
    for name, patch in (("once", once), ("anew", nullcontext)):
        with mock.patch("tests.soak.visitor.walk.once", patch):
            _, problems = walked(options(tmp_path / name, 60, 4, "generated"))
        assert not problems, problems[0]
        logs.append((tmp_path / name).read_text(encoding="utf-8"))
    assert logs[0] == logs[1]


def test_a_walk_can_be_done_again_from_its_log(tmp_path: Path) -> None:
    """The acts of a log lead through the same screens again."""
    walked(options(tmp_path / "log", 40, 11, "generated"))
    _, problems = walked(options(tmp_path / "again", 40, 11, "generated"), tmp_path / "log")
    assert not problems, problems[0]
    first, again = (
        [json.loads(line) for line in (tmp_path / name).read_text(encoding="utf-8").splitlines()]
        for name in ("log", "again")
    )
    assert [one["on"] for one in again if "act" in one] == [one["on"] for one in first if "act" in one]


def test_a_key_that_locks_every_job_is_found(tmp_path: Path) -> None:
    """With the ranking among the units again, one of a few short walks comes upon it.

    Of the seeds from 29 to 44 two do, 38 and 44; the walk that comes upon it soonest goes first (150 acts).
    """
    problems: list[str] = []
    with ranking_among_units():
        for seed in (44, *range(29, 44)):
            _, problems = walked(options(tmp_path / "log", 300, seed, "generated"))
            if problems:
                break
    assert problems
    assert "There is no preference for 'ranking'" in problems[0]
    assert json.loads((tmp_path / "log").read_text(encoding="utf-8").splitlines()[-1])["found"] == problems[0]


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        ("100 % sure, 0 % and 3.5 %", ""),
        ("nan % of it", "nan"),
        ("104 % of it", "104 %"),
        ("-2 % of it", "-2 %"),
        ("[Errno 2] No such file", "[Errno 2]"),
        ("Traceback (most recent call last)", "Traceback"),
    ],
)
def test_knows_what_no_person_should_read(words: str, wrong: str) -> None:
    """Shares that are none, and words of the machine."""
    assert wrong in wrong_in(words)
    assert bool(wrong) == bool(wrong_in(words))


def test_a_key_that_never_does_anything_is_told() -> None:
    """One that does something now and then is not."""
    figures = Figures()
    for key, silent in (("x", SILENT_TRIES), ("u", SILENT_TRIES - 1)):
        figures.pressed["TaskScreen", key] = SILENT_TRIES
        figures.silent["TaskScreen", key] = silent
    assert figures.silent_keys() == [f"key x of TaskScreen did nothing, pressed {SILENT_TRIES} times"]


def test_invented_knowledge_is_sound(tmp_path: Path) -> None:
    """What is made up for a walk passes the checks of what authors write."""
    for seed in range(10):
        file = tmp_path / f"{seed}.yaml"
        file.write_text(generated(seed), encoding="utf-8")
        assert checked([file]).complaints


def test_a_database_that_lost_a_step_is_found(tmp_path: Path) -> None:
    """Entries that are not numbered from one on, without a gap, are told."""
    file = tmp_path / "x.yaml"
    file.write_text(generated(1), encoding="utf-8")
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    store = Store(url, lambda: datetime.now(UTC))
    watch = Watch(url, Engines(checked([file])), Clock(), Figures(), Random(1))
    try:
        job = store.open_case("bay 1", "c0")
        store.append(job, Skipped("r0", "no access"), Skipped("r1", "no access"))
        assert list(watch.grown()) == [1]
        with store._writing.begin() as connection:
            connection.exec_driver_sql("DELETE FROM entries WHERE number = 1")
        with pytest.raises(Found, match="1 entries, the last of which is numbered 2"):
            watch.grown()
    finally:
        watch.close()
        store.close()
