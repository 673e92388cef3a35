"""Questions about the knowledge that need its networks: what its readings can tell, and what they cost.

They come after `lint`, which makes sure that networks can be built. One function, one code each.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from advisor.arrays import entropy
from advisor.checks.published import compare, outside
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, TooWide
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.network import Network, build
from advisor.model.nodes import is_instrument_leaf
from advisor.policy import DEFAULT, Policy

SLOW_ENTRIES = 2**14
"""From here on the largest table of a network makes a step noticeably slow (tens of milliseconds)."""
NOTHING_BITS = 1e-6
"""A reading that tells less than this about every complaint tells nothing."""


@dataclass(frozen=True, eq=False)
class Compiled:
    """A complaint's network and engine, or why exact inference would be too dear."""

    network: Network
    engine: Engine | None
    too_wide: TooWide | None


def compiled(knowledge: Knowledge) -> dict[str, Compiled]:
    """Every complaint's network, compiled; the knowledge has passed `lint`.

    pgmpy verifies each one (`ValueError` where it objects, which would be an error of this program).
    """
    found = {}
    for complaint in knowledge.complaints:
        network = build(knowledge, complaint)
        network.model.check_model()
        try:
            found[complaint] = Compiled(network, compile_tables(network.tables), None)
        except TooWide as error:
            found[complaint] = Compiled(network, None, error)
    return found


def review(knowledge: Knowledge, policy: Policy = DEFAULT) -> list[Problem]:
    """Everything weak about what the readings can tell, in the order of the files."""
    networks = compiled(knowledge)
    engines = {name: one.engine for name, one in networks.items() if one.engine is not None}
    asked = {name for one in networks.values() if one.engine is None for name in one.network.tables.readings}
    found = [
        *too_dear(knowledge, networks),
        *tells_nothing(knowledge, engines, asked),
        *alike(knowledge, engines, policy.alike_bits),
        *outside(compare(knowledge, {name: one.network for name, one in networks.items()}, engines)),
    ]
    return sorted(found, key=lambda problem: (problem.place, problem.code, problem.what))


def too_dear(knowledge: Knowledge, networks: Mapping[str, Compiled]) -> Iterator[Problem]:
    """Complaints whose exact inference needs large tables, with the reading that causes it."""
    for complaint, one in networks.items():
        if one.too_wide is not None:
            node, entries = one.too_wide.node, one.too_wide.entries
        elif one.engine is not None:
            node, entries = one.engine.widest
        if entries > SLOW_ENTRIES:
            section = next(
                (name for name in ("readings", "states", "branches") if node in knowledge.section(name)),
                "complaints",
            )
            yield Problem(
                knowledge.place(section, node if section != "complaints" else complaint),
                "too-wide",
                f"'{node}' makes '{complaint}' need a table of {entries:.2g} numbers.",
                "The bench answers slowly and says where it is not exact; calls and simulated cars are "
                "refused."
                if one.too_wide
                else "Every step of the advice is slow.",
                "Hang it on fewer causes, or on a branch of causes that act alike.",
                "error" if one.too_wide else "weak",
            )


def tells_nothing(
    knowledge: Knowledge, engines: Mapping[str, Engine], unknown: Collection[str] = ()
) -> Iterator[Problem]:
    """Find readings that tell nothing in any complaint, apart from `unknown` ones."""
    told = {name: 0.0 for name in knowledge.readings if name not in unknown}
    for complaint, engine in engines.items():
        posterior = engine.query({complaint: engine.one_hot(complaint, "present")})
        for reading, bits in posterior.expected_information_bits.items():
            if reading in told:
                told[reading] = max(told[reading], bits)
    for reading, bits in told.items():
        if bits < NOTHING_BITS:
            yield Problem(
                knowledge.place("readings", reading),
                "tells-nothing",
                f"'{reading}' tells nothing about any complaint.",
                "Its causes are in no complaint's tree, or do not change its outcome.",
                "Give it causes of a complaint, or take it out.",
                "weak",
            )


def alike(knowledge: Knowledge, engines: Mapping[str, Engine], alike_bits: float) -> Iterator[Problem]:
    """Pairs of faults that no reading tells apart by more bits, with those that the best one tells."""
    reported: set[tuple[str, str]] = set()
    for complaint, engine in engines.items():
        faults = [fault for fault in engine.targets if not is_unlisted(fault)]
        for first, second, bits, best in pairs_apart(engine, complaint, faults):
            if bits >= alike_bits or (first, second) in reported:
                continue
            reported.add((first, second))
            yield Problem(
                knowledge.place("faults", first),
                "alike",
                f"No reading tells '{first}' from '{second}'.",
                f"The best, '{best}', tells {bits:.3f} of the 1 bit between the two.",
                "Add a reading that differs between them, or make them one fault if the remedy is the same.",
                "weak",
            )


def pairs_apart(engine: Engine, complaint: str, faults: list[str]) -> Iterator[tuple[str, str, float, str]]:
    """For each pair of faults, each alone on a car: the bits that the best reading tells about which it is.

    That is the Jensen-Shannon divergence of the reading's two distributions, from 0 to 1 bit.
    """
    cases = []
    absent = {fault: engine.one_hot(fault, "absent") for fault in engine.targets}
    for fault in faults:
        cases.append({**absent, fault: engine.one_hot(fault, "present")})
    posteriors = engine.query_batch(cases)
    readings = [reading for reading in engine.readings if not is_instrument_leaf(reading)]
    shown = {
        reading: np.array([posterior.predictive[reading] for posterior in posteriors]) for reading in readings
    }
    entropies = {reading: entropy(table) for reading, table in shown.items()}
    for one, other in itertools.combinations(range(len(faults)), 2):
        best, told = "", -1.0
        for reading in readings:
            table, entropies_by_fault = shown[reading], entropies[reading]
            middle = entropy((table[one] + table[other])[None, :] / 2)[0]
            bits = float(middle - (entropies_by_fault[one] + entropies_by_fault[other]) / 2)
            if bits > told:
                best, told = reading, max(bits, 0.0)
        yield faults[one], faults[other], told, best
