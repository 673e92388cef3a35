"""How far the readings can bring each fault, and what `check --proofs` says of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.checks.ceilings import Ceiling, ceilings
from advisor.knowledge.knowledge import Knowledge
from tests.conftest import HEAD, SHIPPED, Ran, complaint, faults

Made = Callable[[str], Knowledge]

TWINS = (
    complaint("exactly_one_of: {a: 60, b: 30}", 10)
    + faults("a", "b")
    + """\
readings:
  look: {name: Look, minutes: 1, outcomes: {fine: Fine, odd: Odd},
    noisy_or: {leak: 0.02, causes: {a: 0.9, b: 0.9}}}
  tap: {name: Tap, minutes: 1, outcomes: {dull: Dull, rings: Rings}, noisy_or: {leak: 0.5, causes: {b: 0.8}}}
"""
)


def found(knowledge: Knowledge, enough: float = 0.95) -> dict[str, Ceiling]:
    """The ceilings by fault."""
    return {one.fault: one for one in ceilings(knowledge, knowledge.complaints, enough)}


def test_a_ceiling_is_where_the_readings_that_speak_for_a_fault_bring_it(known: Made) -> None:
    """Bayes by hand, one cause at a time: odd and dull for a, odd and ringing for b."""
    twins = found(known(TWINS))
    odd = {"a": 1 - 0.98 * 0.1, "b": 1 - 0.98 * 0.1, "none": 0.02}
    rings = {"a": 0.5, "b": 1 - 0.5 * 0.2, "none": 0.5}
    priors = {"a": 0.6, "b": 0.3, "none": 0.1}
    for fault, tap in (("a", lambda name: 1 - rings[name]), ("b", lambda name: rings[name])):
        joint = {name: priors[name] * odd[name] * tap(name) for name in priors}
        assert twins[fault].probability == pytest.approx(joint[fault] / sum(joint.values()), abs=1e-9)
    assert (twins["a"].rival, twins["b"].rival) == ("b", "a")


def test_a_proof_lifts_a_ceiling(known: Made) -> None:
    """Without one the twin stays likely; with one the fault can be made sure of."""
    before = found(known(TWINS))["b"]
    proof = """, proof: {b_held: {kind: isolate, name: With b held, minutes: 4, shows: 0.9, without: 0.02}}"""
    assert "remedy_minutes: 5, price: low}\nreadings" in TWINS
    lifted = known(TWINS.replace("price: low}\nreadings", f"price: low{proof}}}\nreadings"))
    after = found(lifted)["b"]
    assert before.probability < 0.95 <= after.probability


def test_check_names_faults_without_a_proof_and_low_ceilings(
    advisor: Callable[..., Ran],
    tmp_path: Path,
) -> None:
    """Counted, named, with the rival, and the numbers on which most hangs."""
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + TWINS, encoding="utf-8")
    ran = advisor("check", file, "--proofs")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert "0 of 2 faults have a proof." in lines
    assert "Without one: a, b." in lines
    assert any(line.startswith("  b (c): ceiling 0.") and line.endswith(line[-4:]) for line in lines)
    assert any("numbers on which most hangs" in line for line in lines)
    assert any(f"{file}:" in line for line in lines[lines.index("Without one: a, b.") :])
    numbers = lines[next(at for at, line in enumerate(lines) if "numbers on which most hangs" in line) + 1 :]
    written = {line.strip() for line in (HEAD + TWINS).splitlines()}
    assert numbers
    assert all(
        f"{file}:" in where and what.strip() in written
        for where, what in zip(numbers[::2], numbers[1::2], strict=True)
    )
    assert advisor("check", file, "--proofs", "--format", "json").code == 2


def test_check_looks_at_the_proofs_of_one_complaint(advisor: Callable[..., Ran]) -> None:
    """Its faults, its ceilings and its numbers alone; an unknown one is refused, and one without --proofs."""
    ran = advisor("check", SHIPPED, "--proofs", "--complaint", "smell")
    assert ran.code == 0
    assert "flat_battery" not in ran.out
    assert advisor("check", SHIPPED, "--proofs", "--complaint", "smel").code != 0
    assert advisor("check", SHIPPED, "--complaint", "smell").code == 2
