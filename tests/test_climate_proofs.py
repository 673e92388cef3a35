"""Every fault of heating and cooling is proved, or says that it is found by exclusion, and why.

Source of the rules: a review of how workshops prove a fault, estimate; a look finds what is there in 78 to 96
of 100 (published motoring-club workshop tests).
"""

from __future__ import annotations

import pytest

from advisor.knowledge.knowledge import Knowledge, setups_of

BY_EXCLUSION = {
    "water_pump_weak",
    "control_unit",
    "evaporator_fouled",
    "heat_pump_valve",
    "inner_exchanger",
    "condenser_inside",
    "under_filled",
}
"""Causes that nobody sees before the part is out, or before a year has gone by."""
WEAKEST = 10
"""With over without: below this a proof is an opinion."""
FAMILY = "climate.yaml"


@pytest.fixture(scope="module")
def faults(shipped: Knowledge) -> set[str]:
    """The faults of heating and cooling."""
    return {name for name in shipped.faults if shipped.place("faults", name).file.endswith(FAMILY)}


def test_a_cause_is_proved_or_found_by_exclusion(shipped: Knowledge, faults: set[str]) -> None:
    """What cannot be proved short of the repair says why."""
    assert len(faults) > 50
    assert {name for name in faults if name not in shipped.proofs} == BY_EXCLUSION
    for name in BY_EXCLUSION:
        assert "Found by exclusion - " in (shipped.faults[name].note or ""), name


def test_a_proof_is_more_than_an_opinion(shipped: Knowledge, faults: set[str]) -> None:
    """It shows ten times as often with its cause as without, but for what its cheap remedy settles."""
    weak = set()
    for name in faults:
        for reading in shipped.proofs.get(name, ()):
            said = shipped.readings[reading]
            if said.noisy_or is not None:
                shows, without = said.noisy_or.causes[name], said.noisy_or.leak
                assert not (said.proof == "look" and shows > 0.94), reading
                if shows < WEAKEST * without:
                    weak.add(reading)
    assert not weak


def test_what_empties_the_circuit_proves_last(shipped: Knowledge) -> None:
    """Short by weight proves the group; before it comes all that needs the gas."""
    assert shipped.proofs["undercharge"] == ("recovered_charge",)
    emptied = {name for name in shipped.readings if "recovery" in setups_of(shipped, name)}
    assert {"recovered_charge", "evaporator_blanked", "overfill_weighed"} <= emptied
    assert shipped.setups["recovery"].ends_for_good == ("circuit_filled",)
    at_rest = ("joint_foamed", "condenser_foamed", "seal_after_run", "valve_foam", "drain_sniff")
    assert all("circuit_filled" in setups_of(shipped, name) for name in at_rest)
