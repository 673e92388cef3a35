"""Questions that need the compiled networks, and checking on every save."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.checks.informativeness import pairs_apart, review
from advisor.cli import main
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from tests.conftest import complaint, faults

Known = Callable[[str], Knowledge]


def crossed(count: int) -> str:
    """A complaint with so many faults, and readings that tie each of them to every other."""
    names = [f"f{number}" for number in range(count)]
    priors = faults(*names, **dict.fromkeys(names, "prior: 0.01"))
    readings = "readings:\n"
    for at, first in enumerate(names):
        for second in names[at + 1 :]:
            causes = f"{{{first}: 0.8, {second}: 0.6}}"
            readings += (
                f"  {first}_{second}: {{name: R, minutes: 1, outcomes: {{no: No, yes: Yes}}, "
                f"noisy_or: {{leak: 0.05, causes: {causes}}}}}\n"
            )
    return complaint(f"any_of: [{', '.join(names)}]") + priors + readings


def test_a_network_that_is_slow_is_weak_and_names_what_makes_it_so(known: Known) -> None:
    """Fifteen faults all tied together need a table of 2**15 numbers or more: said, and still usable."""
    found = [one for one in review(known(crossed(15))) if one.code == "too-wide"]
    assert [one.severity for one in found] == ["weak"]
    assert found[0].why == "Every step of the advice is slow."


def test_a_network_that_is_too_wide_is_an_error(known: Known) -> None:
    """Twenty-one faults all tied together are beyond one engine; nothing is said of what readings tell."""
    found = review(known(crossed(21)))
    assert [(one.code, one.severity) for one in found] == [("too-wide", "error")]


def test_the_shipped_networks_are_neither(knowledge: Knowledge) -> None:
    """No shipped complaint is slow, no pair of faults is alike, no reading tells nothing."""
    assert review(knowledge) == []


def test_two_faults_that_show_alike_are_told(known: Known) -> None:
    """Two faults with one reading and equal strengths: 0 of the 1 bit between them."""
    reading = (
        "readings:\n  r: {name: R, minutes: 1, outcomes: {no: No, yes: Yes}, "
        "noisy_or: {leak: 0.05, causes: {a: 0.8, b: 0.8}}}\n"
    )
    knowledge = known(complaint("any_of: {a: 60, b: 45}") + faults("a", "b") + reading)
    assert [one.code for one in review(knowledge)] == ["alike"]
    engine = compile_tables(build(knowledge, "c").tables)
    assert next(pairs_apart(engine, "c", ["a", "b"]))[2] == 0.0


def test_watching_checks_again_when_a_file_is_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first check prints what is wrong; after the file is mended the next one is content."""
    file = tmp_path / "x.yaml"
    file.write_text("language: 1\nfalts: {}\n", encoding="utf-8")
    waits = 0

    def wait(_: float) -> None:
        nonlocal waits
        waits += 1
        if waits == 1:
            file.write_text("language: 1\nstanding: common practice\n", encoding="utf-8")
        elif waits == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("advisor.cli.check.time.sleep", wait)
    monkeypatch.setattr("sys.argv", ["advisor", "check", "--watch", str(file)])
    with pytest.raises(SystemExit):
        main()
    printed = capsys.readouterr()
    assert printed.out.count("unknown-word") == 1
    assert "1 error. More is checked once this is mended." in printed.err
    assert "0 complaints, 0 faults, 0 readings: 0 errors, 0 weak points." in printed.err
