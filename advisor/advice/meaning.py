"""Readings that tell nothing by themselves, and without which others tell nothing.

Which gas is in the circuit says nothing about the fault, and what the pressures say hangs on it. Such a
reading hangs on a fact of the car, or on a state, that others hang on too. What it tells is looked for
together with the reading that would follow it: two steps in place of one.
"""

from __future__ import annotations

from collections.abc import Mapping

from advisor.advice.rules import TELLS_NOTHING, comparable
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.nodes import is_instrument_leaf
from advisor.policy import Policy


def gives_meaning(
    knowledge: Knowledge, engine: InferenceEngine, complaint: str, policy: Policy
) -> Mapping[str, tuple[str, ...]]:
    """Return the readings by which others may be understood, each with those others.

    They are answered in words, tell nothing while only the complaint is known, and share a fact or a state
    with the others.
    """
    readings = [name for name in engine.readings if not is_instrument_leaf(name)]
    between = knowledge.facts.keys() | knowledge.states.keys()
    hangs_on = {name: between.intersection(knowledge.readings[name].causes) for name in readings}
    together = {shared: [one for one in readings if shared in hangs_on[one]] for shared in between}
    found = {}
    for name, shared in hangs_on.items():
        others = {other for one in shared for other in together[one]} - {name}
        if others and knowledge.readings[name].quantity is None:
            found[name] = tuple(sorted(others))
    if not found:
        return {}
    told = engine.query({complaint: engine.one_hot(complaint, "present")}).expected_information_bits
    nothing = TELLS_NOTHING * policy.least_bits
    return {name: others for name, others in found.items() if comparable(told[name]) <= nothing}
