"""Does everything that is named exist, and can it stand where it stands? One function for each question."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from advisor.checks.registry import reference_check
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import ByFact, LimitByFact, Quantity, Setup, SharesByFact
from advisor.measure.formula import Formula
from advisor.measure.formulas import FORMULAS
from advisor.measure.units import KNOWN, kind_of, nearest_unit
from advisor.text import nearest

UNKNOWN = "unknown-id"
"""The code of a word that names nothing."""
NAMES_SETUPS = ("needs", "starts_from", "ends", "ends_for_good", "restores", "check_setup")
"""The words of an item under which setups are named, besides a reading's own `setup`."""
MINUTES = ("minutes", "hands_on_minutes", "waiting_minutes")
"""The words of an item under which minutes are said that may depend on a fact."""


def unknown(knowledge: Knowledge, word: str, choices: Iterable[str], kind: str, *path: str | int) -> Problem:
    """Return the problem that a word names nothing, with the nearest that it could have meant."""
    what = f"There is no {kind} '{word}'."
    return Problem(knowledge.place(*path), "unknown-id", what, "", nearest(word, choices))


def _unknown_unit(knowledge: Knowledge, word: str, *path: str) -> Problem:
    what = f"There is no unit '{word}'."
    return Problem(knowledge.place(*path), UNKNOWN, what, "", nearest_unit(word))


def word_of(problem: Problem) -> str:
    """Return the word that such a problem is about."""
    return problem.what.partition("'")[2].removesuffix("'.")


def _missing(
    knowledge: Knowledge, words: Iterable[str], choices: Mapping[str, object], kind: str, *path: str | int
) -> Iterator[Problem]:
    for at, word in enumerate(words):
        if word not in choices:
            inner = word if (*path, word) in knowledge.places else at
            yield unknown(knowledge, word, choices, kind, *path, inner)


@reference_check
def unknown_gate_members(knowledge: Knowledge) -> Iterator[Problem]:
    """Members of gates and faults that bring others that do not exist, or cannot stand there."""
    tree = {**knowledge.faults, **knowledge.branches}
    for section, owners in (("complaints", knowledge.complaints), ("branches", knowledge.branches)):
        for name, owner in owners.items():
            part = owner.gate.key
            yield from _missing(knowledge, owner.gate.members, tree, "fault or branch", section, name, part)
    known = {**tree, **knowledge.states, **knowledge.complaints}
    for name, fault in knowledge.faults.items():
        yield from _missing(
            knowledge, fault.brought_by, knowledge.faults, "fault", "faults", name, "brought_by"
        )
    for name, state in knowledge.states.items():
        path = ("noisy_or", "causes") if state.noisy_or else (state.gate.key,)
        known_causes = {**known, **_unlisted(knowledge)}
        yield from _missing(
            knowledge, state.causes, known_causes, "fault, branch or state", "states", name, *path
        )


def _unlisted(knowledge: Knowledge) -> dict[str, object]:
    complaints = dict.fromkeys(unlisted_of(name) for name in knowledge.complaints)
    return {
        **complaints,
        **{unlisted_of(name): None for name, one in knowledge.branches.items() if one.unlisted},
    }


@reference_check
def unknown_reading_parts(knowledge: Knowledge) -> Iterator[Problem]:
    """Causes, instruments, setups, cautions, facts and outcomes that a reading names and nobody defines."""
    hidden = {
        **knowledge.faults,
        **knowledge.branches,
        **knowledge.states,
        **knowledge.complaints,
        **_unlisted(knowledge),
    }
    for name, danger in knowledge.dangers.items():
        yield from _missing(
            knowledge, danger.answers, knowledge.dangers, "danger", "dangers", name, "answers"
        )
    for name, reading in knowledge.readings.items():
        at = ("readings", name)
        yield from _missing(
            knowledge, reading.instrument, knowledge.instruments, "instrument", *at, "instrument"
        )
        yield from _missing(knowledge, reading.setup, knowledge.setups, "setup", *at, "setup")
        yield from _missing(
            knowledge, reading.complaints, knowledge.complaints, "complaint", *at, "complaints"
        )
        yield from _missing(knowledge, reading.answered_by, knowledge.facts, "fact", *at, "answered_by")
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
                    yield unknown(
                        knowledge, cause, [*hidden, *knowledge.facts], "fault, branch, state or fact", *where
                    )
                elif value not in ("present", "absent"):
                    yield unknown(knowledge, value, ("present", "absent"), "value", *where)
        if reading.normal is not None:
            yield from _missing(knowledge, [reading.normal], reading.answers, "outcome", *at, "normal")
        yield from _missing(knowledge, reading.graded, reading.answers, "outcome", *at, "mildest_first")
        yield from _missing(knowledge, reading.warn, reading.answers, "outcome", *at, "warn")
        word = "shows_before_wait"
        yield from _missing(knowledge, reading.shows_before_wait, reading.answers, "outcome", *at, word)
        for path, spread in reading.spreads():
            yield from _missing(knowledge, spread, reading.answers, "outcome", *at, *path)


@reference_check
def unknown_conditions(knowledge: Knowledge) -> Iterator[Problem]:
    """Return what a reading forbids, and figures of the day, that nobody defines."""
    known = {**knowledge.setups, **knowledge.readings}
    for name, reading in knowledge.readings.items():
        at = ("readings", name)
        yield from _missing(knowledge, reading.forbids, reading.answers, "outcome", *at, "forbids")
        for outcome, what in reading.forbids.items():
            yield from _missing(knowledge, what, known, "setup or reading", *at, "forbids", outcome)
        yield from _missing(knowledge, reading.holds, knowledge.measurands, "measurand", *at, "holds")


@reference_check
def unknown_told(knowledge: Knowledge) -> Iterator[Problem]:
    """Values of facts that tell of facts, or values of them, that nobody defines."""
    for name, said in knowledge.facts.items():
        yield from _missing(knowledge, said.tells, said.values, "value", "facts", name, "tells")
        for value, told in said.tells.items():
            yield from _missing(knowledge, told, knowledge.facts, "fact", "facts", name, "tells", value)
            for fact, other in told.items():
                if fact in knowledge.facts and other not in knowledge.facts[fact].values:
                    path = ("facts", name, "tells", value, fact)
                    yield unknown(knowledge, other, knowledge.facts[fact].values, "value", *path)


@reference_check
def unknown_facts(knowledge: Knowledge) -> Iterator[Problem]:
    """Facts and values of facts that nobody defines."""
    given = [("faults", name, fault.given) for name, fault in knowledge.faults.items()]
    given += [("readings", name, reading.given) for name, reading in knowledge.readings.items()]
    given += [("cautions", name, caution.given) for name, caution in knowledge.cautions.items()]
    for section, name, said_of in given:
        yield from _missing(knowledge, said_of, knowledge.facts, "fact", section, name, "given")
        for fact, times in said_of.items():
            if fact in knowledge.facts:
                values = knowledge.facts[fact].values
                yield from _missing(knowledge, times, values, "value", section, name, "given", fact)
    for name, reading in knowledge.readings.items():
        for at, limit in enumerate(reading.quantity.limits if reading.quantity else ()):
            if isinstance(limit, LimitByFact):
                path = ("readings", name, "quantity", "limits", at)
                yield from _values_by_fact(knowledge, limit, "limit", *path)
    for section, name, item in knowledge.items():
        for part in MINUTES:
            said = getattr(item, part, None)
            if isinstance(said, ByFact):
                yield from _values_by_fact(knowledge, said, "number", section, name, part)
    yield from _shares_by_fact(knowledge)


def _shares_by_fact(knowledge: Knowledge) -> Iterator[Problem]:
    """Find shares by facts and values that nobody defines, and gates whose shares are by several facts."""
    for section in ("complaints", "branches"):
        owners = knowledge.complaints if section == "complaints" else knowledge.branches
        for name, owner in owners.items():
            gate = owner.gate
            for member, share in gate.by_fact.items():
                path = (section, name, gate.key, member)
                yield from _values_by_fact(knowledge, share, "number", *path)
                if share.by != gate.facts[0]:
                    yield Problem(
                        knowledge.place(*path),
                        "gate",
                        f"'{member}' is by '{share.by}', and another member by '{gate.facts[0]}'.",
                        "The numbers of one gate are counted on the same cars.",
                        f"Write all of them by '{gate.facts[0]}', or put some into a branch of their own.",
                    )


def _values_by_fact(
    knowledge: Knowledge, said: LimitByFact | ByFact | SharesByFact, what: str, *path: str | int
) -> Iterator[Problem]:
    """Find facts and values of facts that nobody defines, and values for which nothing is said."""
    if said.by not in knowledge.facts:
        yield unknown(knowledge, said.by, knowledge.facts, "fact", *path, "by")
        return
    values = knowledge.facts[said.by].values
    yield from _missing(knowledge, said.values, values, "value", *path)
    for value in values:
        if value not in said.values:
            yield Problem(
                knowledge.place(*path),
                "limit",
                f"There is no {what} for '{value}'.",
                "",
                f"Add '{value}: …'.",
            )


@reference_check
def unknown_shared_parts(knowledge: Knowledge) -> Iterator[Problem]:
    """Cautions, setups and families that an item names and nobody defines; families may be left out."""
    for section, name, item in knowledge.items():
        yield from _missing(
            knowledge, getattr(item, "cautions", ()), knowledge.cautions, "caution", section, name, "cautions"
        )
        for part in NAMES_SETUPS:
            named = getattr(item, part, ())
            yield from _missing(knowledge, named, knowledge.setups, "setup", section, name, part)
    for name, complaint in knowledge.complaints.items():
        named = complaint.confirm.setup if complaint.confirm else ()
        yield from _missing(
            knowledge, named, knowledge.setups, "setup", "complaints", name, "confirm", "setup"
        )
        shown_by = complaint.confirm.shown_by if complaint.confirm else None
        numbers = {one: said for one, said in knowledge.readings.items() if said.quantity is not None}
        if shown_by is not None and shown_by not in numbers:
            at_word = ("complaints", name, "confirm", "shown_by")
            yield unknown(knowledge, shown_by, numbers, "reading of a number", *at_word)
    for name, complaint in knowledge.complaints.items() if knowledge.families else ():
        if complaint.family not in knowledge.families:
            at = ("complaints", name, "family")
            yield unknown(knowledge, complaint.family, knowledge.families, "family", *at)


@reference_check
def proofs(knowledge: Knowledge) -> Iterator[Problem]:
    """Causes that a reading is said to prove, and that do not exist or do not show in it."""
    causes = {**knowledge.faults, **knowledge.branches}
    for name, reading in knowledge.readings.items():
        path = ("readings", name, "proves")
        yield from _missing(knowledge, reading.proves, causes, "fault or branch", *path)
        showing = _below(knowledge, reading.causes)
        for cause in reading.proves:
            if cause in causes and not showing & _below(knowledge, [cause]):
                what = f"'{cause}' does not show in this reading, so it proves nothing of it."
                instead = f"Add '{cause}' to its causes, or name what it proves."
                yield Problem(knowledge.place(*path), "proof", what, "", instead)


def _below(knowledge: Knowledge, names: Iterable[str]) -> frozenset[str]:
    """Return causes with all that they follow from in turn, down to the faults."""
    found: set[str] = set()
    left = list(names)
    while left:
        name = left.pop()
        if name in found:
            continue
        found.add(name)
        if name in knowledge.branches:
            left += knowledge.branches[name].gate.members
        elif name in knowledge.states:
            left += knowledge.states[name].causes
    return frozenset(found)


@reference_check
def circles(knowledge: Knowledge) -> Iterator[Problem]:
    """Branches, states and faults that depend on themselves, and setups that need themselves."""
    import networkx as nx  # needed nowhere else where the knowledge has been checked before

    graph = nx.DiGraph()
    for section in ("branches", "states", "setups", "faults"):
        for name, item in knowledge.section(section).items():
            members = getattr(item, "causes", None) or getattr(item, "brought_by", None) or ()
            if isinstance(item, Setup):
                members = (*item.needs, *item.starts_from)
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
            f"'{name}' depends on itself: {' → '.join([*names, names[0]])}.",
            "A consequence cannot be its own cause.",
            "Take one of them out of the circle.",
        )


def _nodes(knowledge: Knowledge, names: Iterable[str]) -> Iterator[tuple[str, str]]:
    for name in names:
        for section in ("branches", "states", "setups", "faults"):
            if name in knowledge.section(section):
                yield section, name


@reference_check
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


@reference_check
def measuring(knowledge: Knowledge) -> Iterator[Problem]:
    """Units, formulas and inputs that nobody knows, and instruments that cannot show a reading's unit."""
    for name, reading in knowledge.readings.items():
        if not reading.quantity:
            continue
        path = ("readings", name, "quantity")
        unit = reading.quantity.unit
        if unit not in KNOWN:
            yield _unknown_unit(knowledge, unit, *path, "unit")
        elif reading.quantity.derived is None:
            yield from _fitting(knowledge, reading.instrument, unit, "readings", name, "instrument")
        if reading.quantity.derived:
            yield from _formula(knowledge, reading.quantity, *path, "derived")
    yield from _measured_inputs(knowledge)


def _measured_inputs(knowledge: Knowledge) -> Iterator[Problem]:
    """Find measurands whose instrument, range or unit cannot be, and instruments with unknown units."""
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
            yield _unknown_unit(knowledge, measurand.unit, "measurands", name, "unit")
        elif measurand.unit:
            yield from _fitting(
                knowledge, measurand.instrument, measurand.unit, "measurands", name, "instrument"
            )
    for name, instrument in knowledge.instruments.items():
        for unit in dict.fromkeys((*instrument.units, *instrument.accuracy)):
            if unit not in KNOWN:
                where = "accuracy" if unit in instrument.accuracy else "units"
                yield _unknown_unit(knowledge, unit, "instruments", name, where, unit)


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
        yield unknown(knowledge, derived.formula, FORMULAS, "formula", *path, "formula")
        return
    formula = FORMULAS[derived.formula]
    known = {**formula.input_units, **formula.choices}
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
    if name in formula.input_units:
        if isinstance(source, float | int):
            return
        if measurand is None:
            yield unknown(knowledge, source, knowledge.measurands, "measurand", *path)
        elif measurand.unit != formula.input_units[name]:
            yield Problem(
                knowledge.place(*path),
                "unit",
                f"'{source}' is in {measurand.unit}, and the formula needs {formula.input_units[name]}.",
                "",
                f"Give the measurand 'unit: {formula.input_units[name]}'; "
                "people may type any unit of its kind.",
            )
    elif name in formula.choices:
        words = formula.choices[name]
        fact = knowledge.facts.get(str(source))
        offered = fact.values if fact else (measurand.choices or ()) if measurand else (str(source),)
        for word in offered:
            if word not in words:
                yield unknown(knowledge, word, words, f"{name} of {formula.name}", *path)


@reference_check
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


@reference_check
def ruled_out_members(knowledge: Knowledge) -> Iterator[Problem]:
    """Members whose share is 0 on every car."""
    for section in ("complaints", "branches"):
        owners = knowledge.complaints if section == "complaints" else knowledge.branches
        for name, owner in owners.items():
            for member, share in owner.gate.by_fact.items():
                if not any(share.values.values()):
                    yield Problem(
                        knowledge.place(section, name, owner.gate.key, member),
                        "ruled-out",
                        f"'{share.by}' makes '{member}' impossible on every car.",
                        "Of 100 cars none could have it.",
                        "Give a value a number above 0, or take the member out.",
                    )


@reference_check
def state_gates(knowledge: Knowledge) -> Iterator[Problem]:
    """Gates of states that carry shares, which nothing would read."""
    for name, state in knowledge.states.items():
        if not state.noisy_or and state.gate.has_numbers:
            part = state.gate.key
            yield Problem(
                knowledge.place("states", name, part),
                "shares",
                "A state's gate carries numbers.",
                "How common a state is follows from its members.",
                "Write the members as a list.",
            )


@reference_check
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
