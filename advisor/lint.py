"""Questions about the whole knowledge: does it hang together? One function for each question.

A question about one file's form is asked in `loading`. A new check is a function that yields
problems, with a code of its own, added to `REFERENCES` (what the others rely on) or `CHECKS`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

import networkx as nx
import numpy as np

from advisor.derived import FORMULAS, Formula
from advisor.knowledge import UNLISTED, Knowledge, LimitByFact, Quantity, Reading, Spread, setups_of
from advisor.likelihoods import noisy_max, noisy_or
from advisor.loading import load
from advisor.priors import solve
from advisor.problems import Problem, ProblemsFound, nearest
from advisor.tables import Floats
from advisor.units import KNOWN, kind_of

Check = Callable[[Knowledge], Iterator[Problem]]

WIDEST = 12
"""Causes of one reading or noisy state: a table has 2 to the power of them rows."""


def checked(paths: Iterable[Path]) -> Knowledge:
    """Load knowledge and make sure that it can be used; raises `ProblemsFound` with every error in it."""
    knowledge = load(paths)
    errors = [problem for problem in problems(knowledge) if problem.severity == "error"]
    if errors:
        raise ProblemsFound(errors)
    return knowledge


def problems(knowledge: Knowledge) -> list[Problem]:
    """Everything that is wrong or weak in the knowledge, in the order of the files."""
    found = [problem for check in REFERENCES for problem in check(knowledge)]
    if not found:
        found = [problem for check in CHECKS for problem in check(knowledge)]
    return sorted(found, key=lambda problem: (problem.place, problem.code, problem.what))


def _unknown(knowledge: Knowledge, word: str, choices: Iterable[str], kind: str, *path: str | int) -> Problem:
    what = f"There is no {kind} '{word}'."
    return Problem(knowledge.place(*path), "unknown-id", what, "", nearest(word, choices))


def _missing(
    knowledge: Knowledge, words: Iterable[str], choices: Mapping[str, object], kind: str, *path: str | int
) -> Iterator[Problem]:
    for at, word in enumerate(words):
        if word not in choices:
            inner = word if (*path, word) in knowledge.places else at
            yield _unknown(knowledge, word, choices, kind, *path, inner)


def unknown_gate_members(knowledge: Knowledge) -> Iterator[Problem]:
    """Members of gates that do not exist, or cannot stand there."""
    tree = {**knowledge.faults, **knowledge.branches}
    for section, owners in (("complaints", knowledge.complaints), ("branches", knowledge.branches)):
        for name, owner in owners.items():
            part = "of" if owner.gate.kind == "at_least" else owner.gate.kind
            yield from _missing(knowledge, owner.gate.members, tree, "fault or branch", section, name, part)
    known = {**tree, **knowledge.states, **knowledge.complaints}
    for name, state in knowledge.states.items():
        path = ("noisy_or", "causes") if state.noisy_or else ("of" if state.of else state.gate.kind,)
        known_causes = {**known, **_unlisted(knowledge)}
        yield from _missing(
            knowledge, state.causes, known_causes, "fault, branch or state", "states", name, *path
        )


def _unlisted(knowledge: Knowledge) -> dict[str, object]:
    complaints = dict.fromkeys(UNLISTED + name for name in knowledge.complaints)
    return {
        **complaints,
        **{UNLISTED + name: None for name, one in knowledge.branches.items() if one.unlisted},
    }


def unknown_reading_parts(knowledge: Knowledge) -> Iterator[Problem]:
    """Causes, instruments, setups, cautions and outcomes that a reading names and nobody defines."""
    hidden = {
        **knowledge.faults,
        **knowledge.branches,
        **knowledge.states,
        **knowledge.complaints,
        **_unlisted(knowledge),
    }
    for name, reading in knowledge.readings.items():
        at = ("readings", name)
        yield from _missing(
            knowledge, reading.instrument, knowledge.instruments, "instrument", *at, "instrument"
        )
        if reading.setup is not None and reading.setup not in knowledge.setups:
            yield _unknown(knowledge, reading.setup, knowledge.setups, "setup", *at, "setup")
        yield from _missing(
            knowledge, reading.complaints, knowledge.complaints, "complaint", *at, "complaints"
        )
        for part in ("noisy_or", "noisy_max"):
            if getattr(reading, part):
                yield from _missing(
                    knowledge, reading.causes, hidden, "fault, branch or state", *at, part, "causes"
                )
        for row, said in enumerate(reading.table or ()):
            for cause, value in (said.when or {}).items():
                where = (*at, "table", row, "when", cause)
                if cause in knowledge.facts:
                    yield from _missing(knowledge, [value], knowledge.facts[cause].values, "value", *where)
                elif cause not in hidden:
                    yield _unknown(
                        knowledge, cause, [*hidden, *knowledge.facts], "fault, branch, state or fact", *where
                    )
                elif value not in ("present", "absent"):
                    yield _unknown(knowledge, value, ("present", "absent"), "value", *where)
        if reading.normal is not None:
            yield from _missing(knowledge, [reading.normal], reading.answers, "outcome", *at, "normal")
        yield from _missing(knowledge, reading.graded, reading.answers, "outcome", *at, "mildest_first")
        for path, spread in spreads(reading):
            yield from _missing(knowledge, spread, reading.answers, "outcome", *at, *path)


def unknown_facts(knowledge: Knowledge) -> Iterator[Problem]:
    """Facts and values of facts that nobody defines."""
    for name, fault in knowledge.faults.items():
        yield from _missing(knowledge, fault.given, knowledge.facts, "fact", "faults", name, "given")
        for fact, times in fault.given.items():
            if fact in knowledge.facts:
                values = knowledge.facts[fact].values
                yield from _missing(knowledge, times, values, "value", "faults", name, "given", fact)
    for name, reading in knowledge.readings.items():
        for at, limit in enumerate(reading.quantity.limits if reading.quantity else ()):
            if isinstance(limit, LimitByFact):
                path = ("readings", name, "quantity", "limits", at)
                if limit.by not in knowledge.facts:
                    yield _unknown(knowledge, limit.by, knowledge.facts, "fact", *path, "by")
                    continue
                values = knowledge.facts[limit.by].values
                yield from _missing(knowledge, limit.values, values, "value", *path)
                for value in values:
                    if value not in limit.values:
                        yield Problem(
                            knowledge.place(*path),
                            "limit",
                            f"There is no limit for '{value}'.",
                            "",
                            f"Add '{value}: …'.",
                        )


def unknown_shared_parts(knowledge: Knowledge) -> Iterator[Problem]:
    """Cautions and setups that an item names and nobody defines."""
    for section, name, item in knowledge.items():
        for part, choices in (("cautions", knowledge.cautions), ("needs", knowledge.setups)):
            kind = "caution" if part == "cautions" else "setup"
            yield from _missing(knowledge, getattr(item, part, ()), choices, kind, section, name, part)


def circles(knowledge: Knowledge) -> Iterator[Problem]:
    """Branches and states that hang on themselves, and setups that need themselves."""
    graph = nx.DiGraph()
    for section in ("branches", "states", "setups"):
        for name, item in knowledge.section(section).items():
            members = getattr(item, "causes", None) or getattr(item, "needs", None) or ()
            if section == "branches":
                members = knowledge.branches[name].gate.members
            graph.add_edges_from(((section, name), member) for member in _nodes(knowledge, members))
    for knot in nx.strongly_connected_components(graph):
        first = min(knot)
        if len(knot) == 1 and not graph.has_edge(first, first):
            continue
        section, name = first
        back = {node: nx.shortest_path(graph, node, first) for node in graph[first] if node in knot}
        names = [name, *(node for _, node in min(back.values(), key=lambda way: (len(way), way))[:-1])]
        yield Problem(
            knowledge.place(section, name),
            "circle",
            f"'{name}' hangs on itself: {' → '.join([*names, names[0]])}.",
            "A consequence cannot be its own cause.",
            "Take one of them out of the circle.",
        )


def _nodes(knowledge: Knowledge, names: Iterable[str]) -> Iterator[tuple[str, str]]:
    for name in names:
        for section in ("branches", "states", "setups"):
            if name in knowledge.section(section):
                yield section, name


def gate_inputs(knowledge: Knowledge) -> Iterator[Problem]:
    """Gates with one input, and counts that the gate cannot reach."""
    sections = [("complaints", knowledge.complaints), ("branches", knowledge.branches)]
    for section, owners in [
        *sections,
        ("states", {n: s for n, s in knowledge.states.items() if not s.noisy_or}),
    ]:
        for name, owner in owners.items():
            gate = owner.gate
            if len(gate.members) < 2:
                yield Problem(
                    knowledge.place(section, name),
                    "gate",
                    f"The gate of '{name}' has one input.",
                    "It says nothing that the input does not say.",
                    "Use the input itself, or add another.",
                )
            if gate.kind == "at_least" and not 1 <= gate.least <= len(gate.members):
                yield Problem(
                    knowledge.place(section, name, "at_least"),
                    "gate",
                    f"At least {gate.least} of {len(gate.members)} cannot be meant.",
                    "",
                    f"Write a number from 1 to {len(gate.members)}.",
                )


def measuring(knowledge: Knowledge) -> Iterator[Problem]:
    """Units, formulas and inputs that nobody knows, and instruments that cannot show a reading's unit."""
    for name, reading in knowledge.readings.items():
        if not reading.quantity:
            continue
        path = ("readings", name, "quantity")
        unit = reading.quantity.unit
        if unit not in KNOWN:
            yield _unknown(knowledge, unit, KNOWN, "unit", *path, "unit")
        elif reading.quantity.derived is None:
            yield from _fitting(knowledge, reading.instrument, unit, "readings", name, "instrument")
        if reading.quantity.derived:
            yield from _formula(knowledge, reading.quantity, *path, "derived")
    for name, measurand in knowledge.measurands.items():
        yield from _missing(
            knowledge,
            measurand.instrument,
            knowledge.instruments,
            "instrument",
            "measurands",
            name,
            "instrument",
        )
        if measurand.range and measurand.range[0] >= measurand.range[1]:
            yield Problem(
                knowledge.place("measurands", name, "range"),
                "limit",
                f"The range does not rise: {measurand.range[0]:g}, {measurand.range[1]:g}.",
                "It goes from the lowest plausible value to the highest.",
                "Put them in rising order.",
            )
        if measurand.unit and measurand.unit not in KNOWN:
            yield _unknown(knowledge, measurand.unit, KNOWN, "unit", "measurands", name, "unit")
        elif measurand.unit:
            yield from _fitting(
                knowledge, measurand.instrument, measurand.unit, "measurands", name, "instrument"
            )
    for name, instrument in knowledge.instruments.items():
        for unit in dict.fromkeys((*instrument.units, *instrument.accuracy)):
            if unit not in KNOWN:
                where = "accuracy" if unit in instrument.accuracy else "units"
                yield _unknown(knowledge, unit, KNOWN, "unit", "instruments", name, where, unit)


def _fitting(knowledge: Knowledge, instruments: Iterable[str], unit: str, *path: str) -> Iterator[Problem]:
    for name in instruments:
        said = knowledge.instruments.get(name)
        units = (said.units or tuple(said.accuracy)) if said else ()
        if units and all(one in KNOWN and kind_of(one) != kind_of(unit) for one in units):
            yield Problem(
                knowledge.place(*path),
                "unit",
                f"A {knowledge.instruments[name].name.lower()} shows {', '.join(units)}, not {unit}.",
                "",
                "Name another instrument, or compute the value from what it shows (derived).",
            )


def _formula(knowledge: Knowledge, quantity: Quantity, *path: str) -> Iterator[Problem]:
    derived = quantity.derived
    if derived is None:
        return
    if derived.formula not in FORMULAS:
        yield _unknown(knowledge, derived.formula, FORMULAS, "formula", *path, "formula")
        return
    formula = FORMULAS[derived.formula]
    known = {**formula.inputs, **formula.choices}
    yield from _missing(knowledge, derived.inputs, known, f"input of {derived.formula}", *path, "inputs")
    if quantity.unit in KNOWN and quantity.unit != formula.unit:
        yield Problem(
            knowledge.place(*path, "formula"),
            "unit",
            f"{derived.formula} gives {formula.unit}, and the reading is in {quantity.unit}.",
            "",
            f"Write 'unit: {formula.unit}', and its limits in that unit.",
        )
    chosen = [
        name for name in formula.choices if not any(name in one.words for one in formula.lookups.values())
    ]
    words = [name for key, one in formula.lookups.items() if key not in derived.inputs for name in one.words]
    for name in (*formula.needed, *chosen, *words):
        if name not in derived.inputs:
            yield Problem(
                knowledge.place(*path, "inputs"),
                "missing",
                f"{derived.formula} needs '{name}'.",
                "",
                f"Add '{name}: …' with a measurand, a fact, or a value.",
            )
    for name, source in derived.inputs.items():
        yield from _source(knowledge, formula, name, source, *path, "inputs", name)


def _source(
    knowledge: Knowledge, formula: Formula, name: str, source: str | float, *path: str
) -> Iterator[Problem]:
    """Whether an input gets what it needs: a number in its unit, or one of its words."""
    measurand = knowledge.measurands.get(str(source))
    if name in formula.inputs:
        if isinstance(source, float | int):
            return
        if measurand is None:
            yield _unknown(knowledge, source, knowledge.measurands, "measurand", *path)
        elif measurand.unit != formula.inputs[name]:
            yield Problem(
                knowledge.place(*path),
                "unit",
                f"'{source}' is in {measurand.unit}, and the formula needs {formula.inputs[name]}.",
                "",
                f"Give the measurand 'unit: {formula.inputs[name]}'; people may type any unit of its kind.",
            )
    elif name in formula.choices:
        words = formula.choices[name]
        fact = knowledge.facts.get(str(source))
        offered = fact.values if fact else (measurand.choices or ()) if measurand else (str(source),)
        for word in offered:
            if word not in words:
                yield _unknown(knowledge, word, words, f"{name} of {formula.name}", *path)


def ruled_out(knowledge: Knowledge) -> Iterator[Problem]:
    """Faults that a fact rules out on every car."""
    for name, fault in knowledge.faults.items():
        for fact, times in fault.given.items():
            shares = knowledge.facts[fact].values if fact in knowledge.facts else {}
            if shares and not any(share * times.get(value, 1) for value, share in shares.items()):
                yield Problem(
                    knowledge.place("faults", name, "given", fact),
                    "ruled-out",
                    f"'{fact}' makes '{name}' impossible on every car.",
                    "Of 100 cars with the complaint none could have it.",
                    "Leave a value with which it is possible, or take the fault out.",
                )


def state_gates(knowledge: Knowledge) -> Iterator[Problem]:
    """Gates of states that carry shares, which nothing would read."""
    for name, state in knowledge.states.items():
        if not state.noisy_or and any(share is not None for share in state.gate.shares.values()):
            part = "of" if state.gate.kind == "at_least" else state.gate.kind
            yield Problem(
                knowledge.place("states", name, part),
                "shares",
                "A state's gate carries numbers.",
                "How common a state is follows from its members.",
                "Write the members as a list.",
            )


def fact_values(knowledge: Knowledge) -> Iterator[Problem]:
    """Facts whose values do not cover 100 cars."""
    for name, fact in knowledge.facts.items():
        total = sum(fact.values.values())
        if abs(total - 100) > 1e-6:
            yield Problem(
                knowledge.place("facts", name, "values"),
                "sum",
                f"The values add up to {total:g}.",
                "Each of 100 cars has exactly one of them.",
                "Make them add up to 100.",
            )


def limits(knowledge: Knowledge) -> Iterator[Problem]:
    """Bands that do not follow one another."""
    for name, reading in knowledge.readings.items():
        if not reading.quantity:
            continue
        quantity, path = reading.quantity, ("readings", name, "quantity")
        if len(quantity.limits) != len(quantity.bands) - 1:
            yield Problem(
                knowledge.place(*path, "limits"),
                "limit",
                f"There are {len(quantity.limits)} limits for {len(quantity.bands)} bands.",
                "A limit stands between two neighbouring bands.",
                f"Write {len(quantity.bands) - 1} limits.",
            )
            continue
        facts = {limit.by: tuple(limit.values) for limit in quantity.limits if isinstance(limit, LimitByFact)}
        for values in itertools.product(*facts.values()):
            numbers = quantity.limits_for(dict(zip(facts, values, strict=True)))
            edges = [quantity.range[0], *(numbers or ()), quantity.range[1]]
            if any(low >= high for low, high in itertools.pairwise(edges)):
                who = f" with {', '.join(values)}" if values else ""
                yield Problem(
                    knowledge.place(*path, "limits"),
                    "limit",
                    f"The range and limits{who} do not rise: {', '.join(f'{edge:g}' for edge in edges)}.",
                    "Bands go from low to high, inside the range.",
                    "Put them in rising order.",
                )
                break


def spreads(reading: Reading) -> Iterator[tuple[tuple[str | int, ...], Spread]]:
    """Every distribution over outcomes that the reading states, with its path."""
    if reading.noisy_max:
        yield ("noisy_max", "leak"), reading.noisy_max.leak
        for cause, spread in reading.noisy_max.causes.items():
            yield ("noisy_max", "causes", cause), spread
    for at, row in enumerate(reading.table or ()):
        yield ("table", at, "gives" if row.gives else "otherwise"), row.spread


def full_spread(reading: Reading, spread: Spread, order: tuple[str, ...]) -> Floats:
    """The chances of the outcomes in the order asked for; what is left of 1 goes to the normal one."""
    said = dict(spread)
    if reading.normal_outcome not in said:
        said[reading.normal_outcome] = 1 - sum(spread.values())
    return np.array([said.get(outcome, 0.0) for outcome in order])


def likelihoods(knowledge: Knowledge) -> Iterator[Problem]:
    """Chances that do not add up, orders that leave outcomes out, and strengths that cannot be."""
    for name, reading in knowledge.readings.items():
        at = ("readings", name)
        two = len(reading.answers) == 2
        if reading.noisy_or and not two:
            yield Problem(
                knowledge.place(*at, "noisy_or"),
                "outcomes",
                "noisy_or is for two outcomes.",
                "",
                "Use noisy_max for graded outcomes, or table.",
            )
            continue
        if sorted(reading.graded) != sorted(reading.answers) or (
            reading.noisy_max and reading.graded[0] != reading.normal_outcome
        ):
            yield Problem(
                knowledge.place(*at, "mildest_first"),
                "outcomes",
                "mildest_first has to name every outcome once, the normal one first.",
                "",
                f"The outcomes are {', '.join(reading.answers)}; normal is {reading.normal_outcome}.",
            )
            continue
        wrong = False
        for path, spread in spreads(reading):
            numbers = full_spread(reading, spread, tuple(reading.answers))
            if abs(numbers.sum() - 1) > 1e-9 or numbers.min() < -1e-9:
                wrong = True
                total = 100 * sum(spread.values())
                yield Problem(
                    knowledge.place(*at, *path),
                    "sum",
                    f"The chances add up to {total:g} of 100.",
                    "Every car shows exactly one outcome.",
                    "Make them add up to 100, or leave the normal outcome out: it gets the rest.",
                )
        if len(reading.causes) > WIDEST:
            yield _too_wide(knowledge, "readings", name, len(reading.causes))
        elif not wrong:
            yield from _strengths(knowledge, name, reading)
        yield from _rows(knowledge, name, reading)
    for name, state in knowledge.states.items():
        if not state.noisy_or:
            continue
        if len(state.causes) > WIDEST:
            yield _too_wide(knowledge, "states", name, len(state.causes))
        said = state.noisy_or
        for cause, strength in said.causes.items():
            try:
                noisy_or(said.leak, [strength], said.strengths == "with_leak")
            except ValueError:
                yield _rarer(knowledge, "states", name, "noisy_or", cause)


def _rarer(knowledge: Knowledge, section: str, name: str, kind: str, cause: str) -> Problem:
    return Problem(
        knowledge.place(section, name, kind, "causes", cause),
        "rarer",
        f"With '{cause}' the outcomes are milder than without it.",
        f"In {kind} a cause can only add to the leak.",
        "Raise it above the leak, leave it out, or use a table.",
    )


def _too_wide(knowledge: Knowledge, section: str, name: str, count: int) -> Problem:
    return Problem(
        knowledge.place(section, name),
        "too-wide",
        f"'{name}' hangs on {count} causes.",
        f"Its table has a row for every combination; {WIDEST} causes are the limit.",
        "Hang it on a branch of causes that act alike.",
    )


def _strengths(knowledge: Knowledge, name: str, reading: Reading) -> Iterator[Problem]:
    """Causes that would make outcomes milder than they are without any."""
    said = reading.noisy_or or reading.noisy_max
    for cause in said.causes if said else ():
        try:
            if reading.noisy_or:
                strength = reading.noisy_or.causes[cause]
                noisy_or(reading.noisy_or.leak, [strength], reading.noisy_or.strengths == "with_leak")
            elif reading.noisy_max:
                effects = [full_spread(reading, reading.noisy_max.causes[cause], reading.graded)]
                leak = full_spread(reading, reading.noisy_max.leak, reading.graded)
                noisy_max(leak, effects, reading.noisy_max.strengths == "with_leak")
        except ValueError:
            kind = "noisy_or" if reading.noisy_or else "noisy_max"
            yield _rarer(knowledge, "readings", name, kind, cause)


def _rows(knowledge: Knowledge, name: str, reading: Reading) -> Iterator[Problem]:
    rows = reading.table or ()
    if rows and not any(row.otherwise for row in rows):
        yield Problem(
            knowledge.place("readings", name, "table"),
            "rows",
            "The table has no row for what is left.",
            "Some combination may fit no row.",
            "End with '- otherwise: …'.",
        )
    for at, row in enumerate(rows[:-1]):
        if row.otherwise:
            yield Problem(
                knowledge.place("readings", name, "table", at),
                "rows",
                "Rows after 'otherwise' never count.",
                "The first row that fits counts.",
                "Put 'otherwise' last.",
            )
    for at, row in enumerate(rows):
        said = (row.when or {}).items()
        if row.when and any(earlier.when and earlier.when.items() <= said for earlier in rows[:at]):
            yield Problem(
                knowledge.place("readings", name, "table", at, "when"),
                "rows",
                "This row never counts: an earlier one fits wherever it does.",
                "The first row that fits counts.",
                "Put the row that says more first.",
            )


def standing(knowledge: Knowledge) -> Iterator[Problem]:
    """Items whose numbers do not say where they come from."""
    for section, name, item in knowledge.items():
        numbers = section not in ("cautions", "measurands", "instruments") or getattr(item, "accuracy", None)
        if numbers and knowledge.standing_of(section, name, "") is None:
            yield Problem(
                knowledge.place(section, name),
                "standing",
                f"Nothing says where the numbers of '{name}' come from.",
                "A reader must be able to tell a measured figure from a guess.",
                "Write 'standing: estimate' at the head of the file, or a source here.",
            )
        for part in item.standing_of:
            if part not in type(item).model_fields and part not in ("limits", "shares"):
                yield _unknown(
                    knowledge, part, type(item).model_fields, "field", section, name, "standing_of", part
                )


DANGEROUS = re.compile(
    r"engine (is )?(running|idling|on\b)|run the engine|\bidle\b|\d000 rpm|(?<!cold-)(?<!cold )\bcrank|"
    r"hot coolant|\bbelt\b|cooling fan|refrigerant|high.voltage|orange cable|airbag|squib|ladder|\broof\b|"
    r"lift the car|smoke|disconnect the battery|battery post|charger|hose over|radiator cap",
    re.IGNORECASE,
)
"""Words in the steps of a reading that call for a caution (the project's list; common practice)."""


def cautions(knowledge: Knowledge) -> Iterator[Problem]:
    """Readings that can hurt somebody and carry no caution, by their words or their certified person."""
    for name, reading in knowledge.readings.items():
        around = [knowledge.setups[setup] for setup in setups_of(knowledge, name)]
        if reading.cautions or any(setup.cautions for setup in around):
            continue
        steps = [*reading.steps, *(step for setup in around for step in setup.steps)]
        word = next((found[0] for step in steps if (found := DANGEROUS.search(step))), None)
        if word is not None or reading.who == "certified":
            yield Problem(
                knowledge.place("readings", name),
                "caution",
                f"'{name}' has no caution.",
                f"Its steps speak of '{word}'." if word else "It is for a certified person.",
                "Add 'cautions: […]'.",
                "weak",
            )


def less_often(knowledge: Knowledge) -> Iterator[Problem]:
    """Tables in which a fault makes the normal outcome likelier than it is without any of the causes."""
    for name, reading in knowledge.readings.items():
        for cause in reading.causes if reading.table else ():
            if cause not in knowledge.faults:
                continue
            with_it = _row(reading, {cause: "present"})
            without = _row(reading, {})
            if with_it is None or without is None:
                continue
            order = (reading.normal_outcome,)
            here, bare = (full_spread(reading, one, order)[0] for one in (with_it, without))
            if here > bare + 1e-9:
                yield Problem(
                    knowledge.place("readings", name, "table"),
                    "less-often",
                    f"With '{cause}' the normal outcome is likelier, {here:.3g} against {bare:.3g}.",
                    "A fault seldom makes a car look better; the two may be swapped.",
                    "Check the rows; leave it if it is meant.",
                    "weak",
                )


def _row(reading: Reading, here: Mapping[str, str]) -> Spread | None:
    """The row of a table that holds for these causes, all others absent; None where it hangs on a fact."""
    for row in reading.table or ():
        when = row.when or {}
        if any(value not in ("present", "absent") for value in when.values()):
            return None
        if all(here.get(cause, "absent") == value for cause, value in when.items()):
            return row.spread
    return None


def customer_words(knowledge: Knowledge) -> Iterator[Problem]:
    """Questions for the customer that have no wording for the customer."""
    for name, reading in knowledge.readings.items():
        if reading.who == "customer" and not reading.ask:
            yield Problem(
                knowledge.place("readings", name),
                "missing",
                f"'{name}' is for the customer and has no 'ask'.",
                "",
                "Add 'ask: …' in the customer's words.",
            )


def unused(knowledge: Knowledge) -> Iterator[Problem]:
    """Things that nothing leads to: they are written, but never count."""
    used: set[str] = set()
    for owner in (*knowledge.complaints.values(), *knowledge.branches.values()):
        used.update(owner.gate.members)
    for state in knowledge.states.values():
        used.update(state.causes)
    for reading in knowledge.readings.values():
        used.update([*reading.causes, *reading.cautions, *reading.instrument, reading.setup or ""])
        derived = reading.quantity.derived if reading.quantity else None
        used.update(str(source) for source in (derived.inputs.values() if derived else ()))
        used.update(
            limit.by
            for limit in (reading.quantity.limits if reading.quantity else ())
            if isinstance(limit, LimitByFact)
        )
    for measurand in knowledge.measurands.values():
        used.update(measurand.instrument)
    for fault in knowledge.faults.values():
        used.update([*fault.given, *fault.cautions])
    for setup in knowledge.setups.values():
        used.update([*setup.needs, *setup.cautions])
    for section, name, _ in knowledge.items():
        if section not in ("complaints", "readings") and name not in used:
            yield Problem(
                knowledge.place(section, name),
                "unused",
                f"Nothing uses '{name}'.",
                "",
                "Use it, or take it out.",
                "weak",
            )


def unseen_faults(knowledge: Knowledge) -> Iterator[Problem]:
    """Faults that no reading can tell from the others of their branch."""
    read = {cause for reading in knowledge.readings.values() for cause in reading.causes}
    states = [name for name in knowledge.states if name in read]
    while states:
        fresh = [cause for cause in knowledge.states[states.pop()].causes if cause not in read]
        read.update(fresh)
        states += [cause for cause in fresh if cause in knowledge.states]
    for name in knowledge.faults:
        if name not in read:
            yield Problem(
                knowledge.place("faults", name),
                "unseen",
                f"No reading looks at '{name}' itself.",
                "It can only be found by clearing everything else.",
                "Add a reading that has it as a cause.",
                "weak",
            )


def shares(knowledge: Knowledge) -> Iterator[Problem]:
    """Complaints whose numbers cannot be so together."""
    for name in knowledge.complaints:
        try:
            solve(knowledge, name)
        except ProblemsFound as error:
            yield from error.problems


REFERENCES: tuple[Check, ...] = (
    unknown_gate_members,
    unknown_reading_parts,
    unknown_facts,
    unknown_shared_parts,
    measuring,
    circles,
    gate_inputs,
    fact_values,
    ruled_out,
    state_gates,
)
"""What has to hold before the other questions make sense."""

CHECKS: tuple[Check, ...] = (
    limits,
    likelihoods,
    standing,
    customer_words,
    cautions,
    less_often,
    unused,
    unseen_faults,
    shares,
)
