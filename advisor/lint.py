"""Questions about the whole knowledge: does it hang together? One function for each question.

A question about one file's form is asked in `loading`. A new check is a function that yields
problems, with a code of its own, added to `REFERENCES` (what the others rely on) or `CHECKS`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

import networkx as nx
import numpy as np

from advisor.knowledge import UNLISTED, Knowledge, LimitByFact, Reading, Spread
from advisor.likelihoods import noisy_max, noisy_or
from advisor.loading import load
from advisor.priors import solve
from advisor.problems import Problem, ProblemsFound, nearest
from advisor.tables import Floats

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
        for part in ("instrument", "setup"):
            word = getattr(reading, part)
            section = knowledge.section(part + "s")
            if word is not None and word not in section:
                yield _unknown(knowledge, word, section, part, *at, part)
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
    for circle in nx.simple_cycles(graph):
        section, name = min(circle)
        names = [node for _, node in circle]
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
        if len(state.causes) > WIDEST and state.noisy_or:
            yield _too_wide(knowledge, "states", name, len(state.causes))


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
            yield Problem(
                knowledge.place("readings", name, kind, "causes", cause),
                "rarer",
                f"With '{cause}' the outcomes are milder than without it.",
                f"In {kind} a cause can only add to the leak.",
                "Raise it above the leak, leave it out, or use a table.",
            )


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


def standing(knowledge: Knowledge) -> Iterator[Problem]:
    """Items whose numbers do not say where they come from."""
    for section, name, item in knowledge.items():
        numbers = section not in ("instruments", "cautions")
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
        used.update([*reading.causes, *reading.cautions, reading.instrument or "", reading.setup or ""])
        used.update(
            limit.by
            for limit in (reading.quantity.limits if reading.quantity else ())
            if isinstance(limit, LimitByFact)
        )
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
    read |= {cause for name, state in knowledge.states.items() if name in read for cause in state.causes}
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
    circles,
    gate_inputs,
    fact_values,
)
"""What has to hold before the other questions make sense."""

CHECKS: tuple[Check, ...] = (
    limits,
    likelihoods,
    standing,
    customer_words,
    unused,
    unseen_faults,
    shares,
)
