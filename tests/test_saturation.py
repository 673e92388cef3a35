"""CoolProp in a process beside: the same numbers, the same refusals, and nothing left behind."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest

from advisor.measure import refrigerants as saturation
from advisor.measure.formulas import FORMULAS
from advisor.measure.refrigerants import saturated
from tests.conftest import ROOT

QUESTIONS = [
    (wanted, known, value, fluid)
    for fluid in ("R134a", "R1234yf")
    for wanted, known, values in (("T", "P", (4e4, 3.1e5, 2.9e6)), ("P", "T", (243.15, 293.15, 341.7)))
    for value in values
]


@pytest.fixture(scope="module")
def helper() -> Iterator[saturation._Beside]:
    """A process beside, for tests that leave it running."""
    process = saturation._Beside()
    yield process
    process.end()


@pytest.fixture
def asked(helper: saturation._Beside, monkeypatch: pytest.MonkeyPatch) -> Iterator[saturation._Beside]:
    """The process that runs already is asked, and nothing was answered before."""
    monkeypatch.setattr(saturation, "_beside", helper)
    saturated.cache_clear()
    yield helper
    saturated.cache_clear()


@pytest.fixture
def beside(monkeypatch: pytest.MonkeyPatch) -> Iterator[saturation._Beside]:
    """A process beside, and nothing answered before."""
    monkeypatch.setattr(saturation, "_beside", None)
    saturated.cache_clear()
    saturation.beside()
    process = saturation._beside
    assert process is not None
    yield process
    process.end()
    saturated.cache_clear()


def test_helper_answers_as_in_process_to_the_last_bit(asked: saturation._Beside) -> None:
    """A number is the same whichever process computed it."""
    assert [asked.ask(one) for one in QUESTIONS] == [saturation._here(*one) for one in QUESTIONS]


@pytest.mark.usefixtures("asked")
def test_helper_process_refuses_an_unknown_fluid_in_the_same_words() -> None:
    """A fluid that there is not, and the next question is answered."""
    with pytest.raises(ValueError, match="lemonade") as here:
        saturation._here("T", "P", 1e5, "lemonade")
    with pytest.raises(ValueError, match="lemonade") as there:
        saturated("T", "P", 1e5, "lemonade")
    assert str(there.value) == str(here.value)
    assert saturated("T", "P", 1e5, "R134a") == saturation._here("T", "P", 1e5, "R134a")


def test_falls_back_to_in_process_after_helper_was_killed(beside: saturation._Beside) -> None:
    """It is asked here then, and the next start has a new one."""
    beside.process.kill()
    beside.process.wait()
    assert saturated("T", "P", 1e5, "R134a") == saturation._here("T", "P", 1e5, "R134a")
    saturation.beside()
    assert saturation._beside is not None
    assert saturation._beside is not beside
    saturation._beside.end()


def test_computes_in_process_where_no_helper_starts(monkeypatch: pytest.MonkeyPatch) -> None:
    """No process is to be had: the numbers are."""
    monkeypatch.setattr(saturation, "_beside", None)
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    saturated.cache_clear()
    saturation.beside()
    assert saturation._beside is None
    assert saturated("T", "P", 1e5, "R134a") == saturation._here("T", "P", 1e5, "R134a")


def test_helper_ends_when_its_input_closes(beside: saturation._Beside) -> None:
    """A program that is killed closes it, whatever killed it."""
    assert beside.process.stdin is not None
    beside.process.stdin.close()
    assert beside.process.wait(60) == 0


def test_asking_the_helper_imports_no_coolprop_here() -> None:
    """A program with screens never imports what would hold it up."""
    program = (
        "import sys; from advisor.measure import refrigerants; refrigerants.beside();"
        "refrigerants.saturated('T', 'P', 1e5, 'R134a'); print('CoolProp' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT)
    assert (done.stdout, done.stderr, done.returncode) == ("False\n", "", 0)


def test_every_formula_that_goes_by_a_refrigerant_has_it_chosen() -> None:
    """By the choice a program with screens knows whether the helper will be asked."""
    asking = {
        name
        for name, formula in FORMULAS.items()
        if {"saturation_c", "saturation_bar"}.intersection(formula.function.__code__.co_names)
    }
    assert {"superheat", "subcooling"} <= asking
    assert asking <= {name for name, formula in FORMULAS.items() if "refrigerant" in formula.choices}
