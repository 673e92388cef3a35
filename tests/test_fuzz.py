"""A short turn of the fuzzer with every run of the tests; `tests.soak.fuzz` plays a million inputs."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.soak.fuzz import SHARE
from tests.soak.targets import TARGETS, build_wall, prepare, walled

TURNS = {"quantity": 300, "yaml": 100, "command": 40, "case": 40}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The current folder for the fuzzer, outside of which nothing can be written."""
    made = tmp_path_factory.mktemp("fuzz")
    prepare(made)
    build_wall()
    with walled(made):
        yield made


def test_the_soak_and_this_turn_have_the_same_targets() -> None:
    """No target is left out of the million."""
    assert set(SHARE) == set(TARGETS) == set(TURNS)
    assert sum(SHARE.values()) == pytest.approx(1)
    assert min(SHARE.values()) * 1_000_000 >= 50_000


def test_fuzzed_commands_cannot_write_elsewhere(folder: Path) -> None:
    """A command that is told to write elsewhere cannot, so that fuzzing spoils no file of the machine."""
    outside = folder.parent / "outside.txt"
    with pytest.raises(PermissionError, match="The wall"):
        outside.write_text("x", encoding="utf-8")
    assert not outside.exists()


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("name", TARGETS)
def test_inputs_to_start_from_are_taken(name: str) -> None:
    """What the fuzzer starts from raises nothing to begin with."""
    for data in TARGETS[name].start():
        TARGETS[name].take(data)


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("name", TARGETS)
def test_mutated_inputs_raise_only_declared_errors(name: str) -> None:
    """Inputs changed once to three times end in an answer or in what the project declares."""
    target, start = TARGETS[name], TARGETS[name].start()

    @settings(
        max_examples=TURNS[name],
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(st.sampled_from(range(len(start))), st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=3))
    def tried(at: int, seeds: list[int]) -> None:
        data = start[at]
        for seed in seeds:
            data = target.other(data, random.Random(seed))
        target.take(data)

    tried()
