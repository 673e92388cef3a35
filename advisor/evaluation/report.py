"""The results of an evaluation, as lines for a terminal and as a page with plots."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from advisor.evaluation.comparison import FALSE_ALARM, MEASURES, Comparison
from advisor.evaluation.endings import Endings, Figure
from advisor.evaluation.perturbation import FALSE_TIMES, SEEN_LESS
from advisor.evaluation.policies import POLICY_TITLES
from advisor.evaluation.scorecard import FaultScore, PolicyScore, Scorecard
from advisor.evaluation.sensitivity import Costly
from advisor.evaluation.trials import EVERYTHING, WORSE_PROOFS, TrialPlan
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.looked_over import review_counts
from advisor.papers.document import Paper, Paragraph, Part, Section, Table, TableRow
from advisor.papers.format import plain
from advisor.papers.plots import Bars, Curve

EXPLAINED = (
    "Simulated cars are drawn from the knowledge itself, with several causes and instrument errors included. "
    "So these figures are properties of the numbers written there, not of cars in a workshop."
)
FEW_CARS = 30
"""With fewer cars a fault's figures are marked as a guess."""
HEAD = ("policy", "first", "in 3", "readings", "hands-on", "waiting", "open", "Brier", "log", "off by")
WIDTHS = (28, 9, 7, 8, 9, 8, 7, 8, 8, 8)
FIGURE_WIDTHS = (12, 6, 9, 9, 8, 5, 8, 8, 7)
LETTERS = 79
"""A line for a terminal; 80 letters would already wrap on some."""
FEW = "*"
MOST_MOVED = 5
"""So many causes of a complaint are told whose probability moved."""
COLUMNS = (
    "first: right cause leads at the end, in %, with the standard error. in 3: among the first three. "
    "hands-on and waiting: mean minutes. open: ended without being sure of a listed cause, in %. "
    "Brier and log: means over all pairs of car and fault. off by: calibration error of the leading suspect."
)


def policy_title(policy: str) -> str:
    """Return the title of a policy."""
    if policy == EVERYTHING:
        return "every reading taken (the ceiling)"
    if policy == WORSE_PROOFS:
        return "the advice, proofs worse than written"
    if policy.startswith("disturbed"):
        return f"the advice, numbers off by {policy.split()[1]}"
    return next((title for one, title in POLICY_TITLES.items() if one == policy), policy)


def lines(
    plan: TrialPlan, families: Sequence[Scorecard], complaints: Sequence[Scorecard], costly: Sequence[Costly]
) -> Iterator[str]:
    """Yield the tables for a terminal, with the faults whose cars are mistaken for others'."""
    yield from _wrapped(f"{_cars_words(plan)}. {EXPLAINED}")
    yield from _wrapped(plan.workshop_policy.words)
    yield from _wrapped(COLUMNS)
    for card in (*_of_several(families, complaints), *complaints):
        kind = "complaint" if card in complaints else "family"
        yield ""
        yield f"{kind} {card.name}: {card.title} ({card.policies['advice'].cars} cars)"
        yield _line(HEAD[1:])
        for policy, found in card.policies.items():
            yield f"  {policy_title(policy)}"
            yield _line(_cells(policy, found))
        for said in (*verdict(card), *owner_lines(card.endings)):
            yield from _wrapped(said, "  ")
        if card.with_worse_proofs:
            yield from _wrapped(worse_proofs_words(card.with_worse_proofs), "  ")
        if card.faults:
            yield "  mistaken most often (cars with one cause):"
            for words in mistakes(card.faults)[:5] or ["none"]:
                yield from _wrapped(words, "    ")
            yield from _cause_lines(card, plan.fault)
    if costly:
        yield ""
        yield from _wrapped(COSTLY)
        yield from (f"  {one.cost_nats:.4f}  {one.place}: {one.name}" for one in costly)


def _cars_words(plan: TrialPlan) -> str:
    having = f", all of them with {plan.fault}" if plan.fault else ""
    return f"{plan.cars} simulated cars for each complaint{having}, seed {plan.seed}"


def _of_several(families: Sequence[Scorecard], complaints: Sequence[Scorecard]) -> list[Scorecard]:
    """Return the families of more than one of the complaints: the others' figures are their complaint's."""
    cars = {one.policies["advice"].cars for one in complaints}
    return [one for one in families if one.policies["advice"].cars not in cars]


COSTLY = (
    "The numbers whose error would cost most, with what log-odds off by 1 would cost the log score of a "
    "car's true causes on average (with the readings that the advice takes as it is):"
)


def verdict(card: Scorecard) -> Iterator[str]:
    """Return how the advice compares with the ceiling and the checklists."""
    said = f"  {card.of_ceiling:.1%} of the ceiling with {card.of_all_hands_on:.0%} of its hands-on minutes"
    fewer = [
        f"{card.fewer_hands_on_than(policy):.0%} fewer than {POLICY_TITLES[policy]}"
        for policy in POLICY_TITLES
        if policy in ("checklist", "skipping") and policy in card.policies
    ]
    yield "; ".join([said, *fewer]) + "."


def owner_lines(found: Endings) -> Iterator[str]:
    """Yield how the advice's searches ended, and what an owner counts."""
    yield (
        f"  ended proved {_share(found.proved_share)}, group proved {_share(found.group_share)}, by "
        f"exclusion {_share(found.exclusion_share)}, unsure {_share(found.unsure_share)}; of the proved, "
        f"right: {_share(found.right_share_of_proved)}."
    )
    yield (
        f"  of 100 jobs: parts fitted in vain {found.parts_in_vain.value:.1f}, come back "
        f"{found.comebacks.value:.1f}. Half of them take at most {found.readings_median.value:.0f} readings "
        f"and {found.hands_on_minutes_median.value:.0f} hands-on minutes."
    )


def worse_proofs_words(found: Endings) -> str:
    """Return how the searches end where proofs are worse than written."""
    return (
        f"  with every proof seen in {SEEN_LESS:.0%} fewer of all cars and {FALSE_TIMES:g} times as often "
        f"falsely: proved {_share(found.proved_share)}; of these, right: "
        f"{_share(found.right_share_of_proved)}."
    )


def _share(figure: Figure) -> str:
    return "none" if figure.value is None else f"{figure.value:.0%}"


def mistakes(faults: Sequence[FaultScore]) -> list[str]:
    """Return which fault is mistaken for which, the most frequent first."""
    names = {one.fault: one.name for one in faults}
    found = [
        (-count, f"{count} of {one.alone}  {one.name} taken for {names.get(other, plain(other))}")
        for one in faults
        for other, count in one.mistaken
    ]
    return [words for _, words in sorted(found)]


def comparison_lines(knowledge: Knowledge, found: Comparison) -> Iterator[str]:
    """Yield what two versions differ in, worse things first; only count what stayed the same."""
    yield (
        f"{found.cars} simulated cars for each complaint, half of them drawn from each version, each played "
        f"under both. {len(found.differences)} comparisons of means; the chance of any false alarm among "
        f"all of them is about {FALSE_ALARM:.0%}."
    )
    yield from _change_lines(found)
    for name in found.removed:
        yield f"WORSE   the complaint {name} is gone"
    for name in found.added:
        yield f"new     the complaint {name}"
    changed = [one for one in found.differences if one.verdict != "same"]
    for one in sorted(changed, key=lambda one: (one.verdict != "worse", one.complaint, one.fault or "")):
        about = f": {knowledge.title(one.fault)}" if one.fault else ""
        yield (
            f"{VERDICTS[one.verdict]}  {one.complaint}{about}: {MEASURES[one.measure]} "
            f"{one.old:.1f} → {one.new:.1f} ({one.change:+.1f} ±{one.standard_error:.1f}, {one.cars} cars)"
        )
    for played in found.scenarios:
        if played.verdict != "same":
            yield f"{VERDICTS[played.verdict]}  scenario {played.name}"
    told = {one.verdict for one in found.scenarios}
    same = [one for one in found.scenarios if one.verdict == "same" and one.old_minutes != one.new_minutes]
    for played in same:
        if played.old_right is not None and played.new_right is not None:
            yield f"        scenario {played.name}: {played.old_minutes:.0f} → {played.new_minutes:.0f} min"
    if not changed and told <= {"same"} and not found.removed:
        yield "Nothing is better or worse by more than chance."


def _change_lines(found: Comparison) -> Iterator[str]:
    """Yield what is new and gone, and how much more or less often each cause is expected, largest first."""
    for kind, words in (("new ", found.new_readings), ("gone", found.gone_readings)):
        yield from (f"{kind}    the reading {name}" for name in words)
    for complaint in dict.fromkeys(one.complaint for one in found.shares):
        here = [one for one in found.shares if one.complaint == complaint]
        for one in here:
            if one.old is None and one.new is not None:
                yield f"new     {one.name}: {100 * one.new:.2g} of 100 cars with {complaint}"
            elif one.new is None and one.old is not None:
                yield f"gone    {one.name}: was {100 * one.old:.2g} of 100 cars with {complaint}"
        moved = [one for one in here if one.old is not None and one.new is not None]
        for one in moved[:MOST_MOVED]:
            yield (
                f"moved   {one.name}: {100 * (one.old or 0):.3g} → {100 * (one.new or 0):.3g} of 100 cars "
                f"with {complaint}"
            )
        if len(moved) > MOST_MOVED:
            yield f"moved   and {len(moved) - MOST_MOVED} more causes of {complaint}, by less"


VERDICTS = {"worse": "WORSE ", "better": "better", "same": "      "}


def page(
    plan: TrialPlan,
    families: Sequence[Scorecard],
    complaints: Sequence[Scorecard],
    costly: Sequence[Costly],
    knowledge: Knowledge,
) -> Paper:
    """Return the page: a table and plots for every family and complaint, and the faults of complaints."""
    said = (EXPLAINED, review_counts(knowledge), plan.workshop_policy.words, COLUMNS)
    sections = [Section("What this is", tuple(map(Paragraph, filter(None, said))))]
    for card in (*_of_several(families, complaints), *complaints):
        parts: list[Part] = [_table(card), *map(Paragraph, verdict(card)), *_plots(card)]
        if card.faults:
            parts += [_fault_table(card.faults), _confusion(card.faults)]
        kind = "Complaint" if card in complaints else "Family"
        sections.append(Section(f"{kind}: {card.title}", tuple(parts)))
    if costly:
        rows = tuple(TableRow((f"{one.cost_nats:.4f}", str(one.place), one.name)) for one in costly)
        sections.append(
            Section(
                "Numbers to ask colleagues about",
                (Paragraph(COSTLY), Table(("Cost", "Where", "Number"), (12, 38, 50), rows)),
            )
        )
    return Paper(
        "How well the advice finds causes",
        f"{_cars_words(plan)}, knowledge {knowledge.version}",
        tuple(sections),
        (),
        f"Evaluation of knowledge {knowledge.version}",
    )


def _cells(policy: str, found: PolicyScore) -> tuple[str, ...]:
    return (
        f"{100 * found.first:.1f} ±{100 * found.first_standard_error:.1f}",
        f"{100 * found.in_three:.1f}",
        f"{found.readings:.1f}",
        f"{found.hands_on_minutes:.0f}",
        f"{found.waiting_minutes:.0f}",
        "" if policy == EVERYTHING else f"{100 * found.unresolved:.0f}",
        f"{found.brier:.4f}",
        f"{found.log_loss:.4f}",
        f"{found.calibration_error:.3f}",
    )


def _line(figures: Sequence[str]) -> str:
    return " " * 3 + "".join(f"{one:>{width}}" for one, width in zip(figures, FIGURE_WIDTHS, strict=True))


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text.strip(), LETTERS, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )


def _cause_lines(card: Scorecard, only: str | None) -> Iterator[str]:
    """Yield how often the cars with each cause, or with `only` one, are found, the weakest cause first."""
    yield f"  each cause, weakest first ({FEW} too few cars to go by; more with --cars):"
    yield "     found   in 3 proved in vain   cars"
    faults = [one for one in card.faults if only in (None, one.fault)]
    for one in sorted(faults, key=lambda one: (one.found, one.fault)):
        mark = FEW if one.cars < FEW_CARS else " "
        shares = f"{one.found:>6.0%} {one.in_three:>6.0%} {one.proved:>6.0%} {one.in_vain:>7}"
        yield f"    {shares} {one.cars:>6}{mark} {one.name}"[:LETTERS]
    for name in () if only else card.undrawn:
        yield f"    {'':>28} {0:>8}{FEW} {name}"[:LETTERS]


def _table(card: Scorecard) -> Table:
    rows = tuple(
        TableRow((policy_title(policy), *_cells(policy, found))) for policy, found in card.policies.items()
    )
    return Table(HEAD, WIDTHS, rows)


def _plots(card: Scorecard) -> Iterator[Part]:
    yield Paragraph("Right cause first, in %")
    hits = tuple((policy_title(policy), 100 * found.first) for policy, found in card.policies.items())
    yield Bars("Right cause first", "%", hits)
    yield Paragraph("Hands-on minutes")
    minutes = tuple((policy_title(policy), found.hands_on_minutes) for policy, found in card.policies.items())
    yield Bars("Hands-on minutes", "min", minutes)
    yield Paragraph("Calibration of the leading suspect")
    points = tuple((one.believed, one.seen, one.count) for one in card.policies["advice"].calibration)
    yield Curve("Calibration of the leading suspect", points)


def _fault_table(faults: Sequence[FaultScore]) -> Table:
    rows = tuple(
        TableRow(
            (
                one.name,
                f"{one.cars}{' (few)' if one.cars < FEW_CARS else ''}",
                f"{100 * one.found:.0f} %",
                f"{100 * one.in_three:.0f} %",
                f"{100 * one.proved:.0f} %",
                f"{one.in_vain}",
                f"{one.readings:.0f}",
                f"{one.hands_on_minutes:.0f}",
                f"{one.waiting_minutes:.0f}",
                f"{100 * one.unresolved:.0f} %",
            )
        )
        for one in sorted(faults, key=lambda one: (one.found, one.fault))
    )
    head = ("fault", "cars", "found", "in 3", "proved", "in vain", "readings", "hands-on", "waiting", "open")
    return Table(head, (32, 10, 8, 7, 8, 8, 9, 9, 9, 7), rows)


def _confusion(faults: Sequence[FaultScore]) -> Table:
    names = {one.fault: one.name for one in faults}
    rows = tuple(
        TableRow((one.name, f"{100 * (1 - sum(n for _, n in one.mistaken) / one.alone):.0f} %", told))
        for one in faults
        if one.mistaken and (told := tuple(f"{names.get(f, f)}: {n} of {one.alone}" for f, n in one.mistaken))
    )
    return Table(("on cars with this cause alone", "it leads", "what leads instead"), (36, 12, 52), rows)
