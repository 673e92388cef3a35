"""Do the numbers and words make sense together? One function for each question; the references are sound."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping

from advisor.checks.published import numbers_of
from advisor.checks.references import MINUTES, unknown
from advisor.checks.registry import consistency_check
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Place, Problem
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import (
    Branch,
    ByFact,
    Complaint,
    Distribution,
    Estimate,
    Fault,
    Item,
    LimitByFact,
    Measurand,
    Reading,
    Setup,
    Source,
    State,
)
from advisor.model.noisy import noisy_max, noisy_or
from advisor.model.priors import tree_of

WIDEST = 12
"""Causes of one reading or noisy state: a table has 2 to the power of them rows."""
UNREASONED = (0.01, 0.95)
"""Chances beyond these call for a reason: one such answer can outweigh all others (the project's choice)."""


@consistency_check
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


@consistency_check
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
                "mildest_first does not name every outcome once, the normal one first.",
                "",
                f"Name each of {', '.join(reading.answers)} once, {reading.normal_outcome} first.",
            )
            continue
        wrong = False
        for path, spread in reading.spreads():
            numbers = reading.probabilities(spread, tuple(reading.answers))
            if abs(numbers.sum() - 1) > 1e-9 or numbers.min() < -1e-9:
                wrong = True
                total = 100 * sum(spread.values())
                yield Problem(
                    knowledge.place(*at, *path),
                    "sum",
                    f"The probabilities add up to {total:g} of 100.",
                    "Every car shows exactly one outcome.",
                    "Make them add up to 100, or leave the normal outcome out: it gets the rest.",
                )
        if len(reading.causes) > WIDEST:
            yield _too_wide(knowledge, "readings", name, len(reading.causes))
        elif not wrong:
            yield from _strengths(knowledge, name, reading)
        yield from _rows(knowledge, name, reading)
    yield from _state_strengths(knowledge)


def _state_strengths(knowledge: Knowledge) -> Iterator[Problem]:
    """Find states of too many causes, and causes rarer than the leak that they include."""
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
        f"'{name}' depends on {count} causes.",
        f"Its table has a row for every combination; {WIDEST} causes are the limit.",
        "Let it depend on a branch of causes that act alike.",
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
                effects = [reading.probabilities(reading.noisy_max.causes[cause], reading.graded)]
                leak = reading.probabilities(reading.noisy_max.leak, reading.graded)
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


@consistency_check
def standing(knowledge: Knowledge) -> Iterator[Problem]:
    """Items whose numbers do not say where they come from."""
    for section, name, item in knowledge.items():
        silent = ("families", "harmless", "dangers", "cautions", "measurands", "instruments")
        numbers = section not in silent or getattr(item, "accuracy", None)
        if numbers and knowledge.standing_of(section, name, "") is None:
            yield Problem(
                knowledge.place(section, name),
                "standing",
                f"Nothing says where the numbers of '{name}' come from.",
                "A reader must be able to tell a measured figure from a guess.",
                "Write 'standing: estimate' at the head of the file, or a source here.",
            )
        fields, numbers = type(item).model_fields, numbers_of(item)
        for part, said in item.standing_of.items():
            if part not in (*fields, *numbers, "limits", "shares"):
                yield unknown(
                    knowledge, part, [*fields, *numbers], "field", section, name, "standing_of", part
                )
            elif part not in numbers and isinstance(said, Source) and said.has_numbers:
                yield _counts_nothing(knowledge, section, name, "standing_of", part)
        if isinstance(item.standing, Source) and item.standing.has_numbers:
            yield _counts_nothing(knowledge, section, name, "standing")
    for file, said in knowledge.standings.items():
        if isinstance(said, Source) and said.has_numbers:
            yield _counts_nothing(knowledge, "standing", at=Place(file, 1, 1))


def _counts_nothing(knowledge: Knowledge, *path: str, at: Place | None = None) -> Problem:
    return Problem(
        at or knowledge.place(*path),
        "counts-nothing",
        "A count stands here, and no single number that it is of.",
        "What was counted is compared with what the knowledge implies.",
        "Put it under 'standing_of:' beside the member, value, cause, 'leak', 'shows' or 'without' that was "
        "counted, or under 'counted:' of the complaint.",
    )


@consistency_check
def counted(knowledge: Knowledge) -> Iterator[Problem]:
    """Find causes, answers and kinds of car that were counted, and that the complaint does not have."""
    for name, complaint in knowledge.complaints.items():
        tree = tree_of(knowledge, name)
        causes = {member for one in tree.values() for member in one.gate.members}
        causes |= {unlisted_of(one) for one, said in tree.items() if getattr(said, "unlisted", None)}
        for at, said in enumerate(complaint.counted):
            path = ("complaints", name, "counted", at)
            for which, cause in enumerate(said.causes):
                if cause not in causes:
                    yield unknown(knowledge, cause, causes, "cause of this complaint", *path, "causes", which)
            for reading, outcome in said.answer.items():
                if reading not in knowledge.readings:
                    yield unknown(knowledge, reading, knowledge.readings, "reading", *path, "answer", reading)
                elif outcome not in knowledge.readings[reading].answers:
                    answers = knowledge.readings[reading].answers
                    yield unknown(knowledge, outcome, answers, "outcome", *path, "answer", reading)
            for fact, value in said.given.items():
                values = knowledge.facts[fact].values if fact in knowledge.facts else {}
                if not values:
                    yield unknown(knowledge, fact, knowledge.facts, "fact", *path, "given", fact)
                elif value not in values:
                    yield unknown(knowledge, value, values, "value", *path, "given", fact)


@consistency_check
def own_review(knowledge: Knowledge) -> Iterator[Problem]:
    """Items that only their own writer has read."""
    for section, name, item in knowledge.items():
        standing = knowledge.standing_of(section, name, "")
        for at, one in enumerate(item.review):
            if one.status == "read" and isinstance(standing, Estimate) and one.by == standing.estimate_by:
                yield Problem(
                    knowledge.place(section, name, "review", at),
                    "own-review",
                    f"{one.by} wrote '{name}' and has read it.",
                    "Who wrote a thing reads what was meant, not what stands there.",
                    "Let a second technician read it.",
                    "weak",
                )


@consistency_check
def near_certain(knowledge: Knowledge) -> Iterator[Problem]:
    """Chances close to 0 or 1 beside which no reason stands."""
    said: list[tuple[str, str, Reading | State]] = [
        *(("readings", name, reading) for name, reading in knowledge.readings.items()),
        *(("states", name, state) for name, state in knowledge.states.items()),
    ]
    for section, name, item in said:
        probabilities = [
            (path, probability)
            for path, probability in _probabilities(item)
            if not _needs_no_reason(probability)
        ]
        if not probabilities or item.note:
            continue
        path, probability = probabilities[0]
        if isinstance(knowledge.standing_of(section, name, str(path[0])), Source):
            continue
        yield Problem(
            knowledge.place(section, name, *path),
            "near-certain",
            f"A probability of {probability * 100:g} of 100 in '{name}' has no reason beside it.",
            "An answer that is hardly ever wrong, or never seen, outweighs all others.",
            "Say in 'note:' why it is so sure, name its source, or write a number nearer the middle.",
            "weak",
        )


def _needs_no_reason(probability: float) -> bool:
    low, high = UNREASONED
    return low <= probability <= high


def _probabilities(item: Reading | State) -> Iterator[tuple[tuple[str | int, ...], float]]:
    """Every authored chance of a reading or noisy state, with the path to it."""
    if item.noisy_or:
        yield ("noisy_or", "leak"), item.noisy_or.leak
        for cause, probability in item.noisy_or.causes.items():
            yield ("noisy_or", "causes", cause), probability
    if isinstance(item, Reading):
        for path, spread in item.spreads():
            for outcome, probability in spread.items():
                yield (*path, outcome), probability


@consistency_check
def never_together(knowledge: Knowledge) -> Iterator[Problem]:
    """Faults that bring another with which they are causes of no complaint."""
    trees = [
        {member for gated in tree_of(knowledge, name).values() for member in gated.gate.members}
        for name in knowledge.complaints
    ]
    for name, fault in knowledge.faults.items():
        for parent in fault.brought_by:
            if not any({name, parent} <= tree for tree in trees):
                yield Problem(
                    knowledge.place("faults", name, "brought_by", parent),
                    "brought",
                    f"'{parent}' and '{name}' are causes of no complaint together.",
                    "In a complaint's tree only its own causes bring others.",
                    f"Give '{parent}' a place in a complaint of '{name}', or take it out here.",
                )


@consistency_check
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
            here, bare = (reading.probabilities(one, order)[0] for one in (with_it, without))
            if here > bare + 1e-9:
                yield Problem(
                    knowledge.place("readings", name, "table"),
                    "less-often",
                    f"With '{cause}' the normal outcome is likelier, {here:.3g} against {bare:.3g}.",
                    "A fault seldom makes a car look better; the two may be swapped.",
                    "Check the rows; leave it if it is meant.",
                    "weak",
                )


def _row(reading: Reading, here: Mapping[str, str]) -> Distribution | None:
    """Return the row of a table for these causes and no others; None where it hangs on a fact."""
    for row in reading.table or ():
        if any(value not in ("present", "absent") for value in (row.when or {}).values()):
            return None
        if row.holds(here):
            return row.spread
    return None


@consistency_check
def customer_words(knowledge: Knowledge) -> Iterator[Problem]:
    """Questions for the customer without a wording, and what is said of phones where nobody is asked."""
    for name, reading in knowledge.readings.items():
        if reading.who == "customer" and not reading.ask:
            yield Problem(
                knowledge.place("readings", name),
                "missing",
                f"'{name}' is for the customer and has no 'ask'.",
                "",
                "Add 'ask: …' in the customer's words.",
            )
        for said in ("right_by_phone", "answered_by"):
            if reading.who != "customer" and said in reading.model_fields_set:
                yield Problem(
                    knowledge.place("readings", name, said),
                    "wrong-value",
                    f"'{name}' is not for the customer.",
                    "Only what is asked of the customer is answered by phone.",
                    f"Take '{said}' out, or write 'who: customer' and 'ask: …'.",
                )


@consistency_check
def looked_for(knowledge: Knowledge) -> Iterator[Problem]:
    """Words about looking for a complaint, or about readings while it is not there, that would not count."""
    for name, complaint in knowledge.complaints.items():
        for word in ("check_minutes", "check_setup"):
            if complaint.confirm and complaint.check is None and word in complaint.model_fields_set:
                yield Problem(
                    knowledge.place("complaints", name, word),
                    "wrong-value",
                    f"'{name}' has '{word}' and no 'check'.",
                    "Without a check of its own it is looked for after a repair as it is confirmed.",
                    f"Write 'check: …' as well, or take '{word}' out.",
                )
    for name, reading in knowledge.readings.items():
        if reading.who == "customer" and reading.shows_at_rest:
            yield Problem(
                knowledge.place("readings", name, "shows_at_rest"),
                "wrong-value",
                f"'{name}' is for the customer.",
                "What the customer tells is about the days when the complaint was there: it counts anyway.",
                "Take 'shows_at_rest' out.",
            )


@consistency_check
def unused(knowledge: Knowledge) -> Iterator[Problem]:
    """Things that nothing leads to: they are written, but never count."""
    used = {word for _, _, item in knowledge.items() for word in _named_by(item)}
    for section, name, _ in knowledge.items():
        if section not in ("complaints", "readings", "harmless", "dangers") and name not in used:
            yield Problem(
                knowledge.place(section, name),
                "unused",
                f"Nothing uses '{name}'.",
                "",
                "Use it, or take it out.",
                "weak",
            )


def _named_by(item: Item) -> Iterator[str]:
    """Every id that an item names and by that makes use of."""
    if isinstance(item, Complaint):
        yield from (item.family, *item.check_setup, *(item.confirm.setup if item.confirm else ()))
    if isinstance(item, Complaint | Branch):
        yield from (*item.gate.members, *item.gate.facts)
    if isinstance(item, State):
        yield from item.causes
    if isinstance(item, Reading):
        yield from (*item.causes, *item.setup, *item.holds)
        derived = item.quantity.derived if item.quantity else None
        yield from map(str, derived.inputs.values() if derived else ())
        limits = item.quantity.limits if item.quantity else ()
        yield from (limit.by for limit in limits if isinstance(limit, LimitByFact))
    if isinstance(item, Reading | Fault):
        yield from item.given
    if isinstance(item, Reading | Measurand):
        yield from item.instrument
    if isinstance(item, Reading | Fault | Setup):
        yield from (*item.cautions, *item.ends, *item.ends_for_good)
    if isinstance(item, Setup):
        yield from (*item.needs, *item.starts_from)
    minutes = (getattr(item, part, None) for part in MINUTES)
    yield from (said.by for said in minutes if isinstance(said, ByFact))


@consistency_check
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
