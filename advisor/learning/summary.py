"""What closed jobs have taught, and the track record, as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from advisor.knowledge.knowledge import Knowledge, Path
from advisor.learning.proposal import Edit, Proposal
from advisor.learning.revision import Weights
from advisor.learning.track_record import Judged, Rate, TooFew, TrackRecord
from advisor.papers.format import duration
from advisor.text import counted

TRIED = ("scenarios", "closed jobs")
"""What both versions of the knowledge are tried on."""


def proposal_lines(
    knowledge: Knowledge, proposal: Proposal, weights: Weights, jobs: int, excluded: Mapping[str, int]
) -> Iterator[str]:
    """Return the numbers that would move, most moved first, and what was left out."""
    yield f"Learned from {jobs} closed jobs with confirmed causes."
    yield from excluded_lines(excluded)
    yield (
        f"The author's shares count as {weights.share_cars:g} cars for each complaint or branch, each "
        f"likelihood as {weights.likelihood_cars:g}."
    )
    yield (
        "Counted are cars with the complaint, and for a reading those on which it was taken before any "
        "repair: one not taken is missing, not normal."
    )
    yield ("A second cause that nobody noticed is counted as absent, so several at once come out too rare.")
    yield ""
    if proposal.edits:
        yield f"{'now':>12}  {'proposed':>12}  {f'{weights.level:.0%} interval':>18}  {'cars':>6}"
    for edit in proposal.edits:
        yield _edit_line(edit)
        yield f"      {edit.place}: {_what(knowledge, edit.change.path)}"
    if not proposal.edits:
        yield "No number would move."
    if proposal.not_revised:
        yield ""
        yield "Left as they are, or changed otherwise than counted:"
    for path, reason in proposal.not_revised:
        yield f"  {' '.join(map(str, path)) or 'everything'}: {reason}."


def _edit_line(edit: Edit) -> str:
    change, times = edit.change, 1 if edit.change.is_share else 100
    between = f"{times * change.low:.1f} to {times * change.high:.1f}"
    return f"{edit.before:>12}  {edit.after:>12}  {between:>18}  {change.cars:>6.4g}"


def _what(knowledge: Knowledge, path: Path) -> str:
    """Return what a number is about, in words."""
    section, name, *inside = path
    owner = knowledge.section(str(section))[str(name)].name
    last = str(inside[-1])
    if section != "readings":
        return f"{owner}: share of {knowledge.title(last)}"
    steps = [str(one) for one in inside if one not in ("noisy_or", "noisy_max", "causes", "gives")]
    steps = [knowledge.title(step) for step in steps]
    if "table" in steps:
        at = steps.index("table")
        steps[at : at + 2] = [f"row {int(steps[at + 1]) + 1}"]
    return f"{owner}: {', '.join(steps)}"


def excluded_lines(excluded: Mapping[str, int]) -> Iterator[str]:
    """Return how many jobs were left out, by the reason."""
    for reason, count in sorted(excluded.items()):
        yield f"  {count} more {reason}: left out."


def in_words_lines(in_words: Sequence[str]) -> Iterator[str]:
    """Return the causes that closed jobs name in words; they are not listed, so nothing counts for them."""
    if in_words:
        yield "Causes that closed jobs name in words, for whoever writes the knowledge:"
    for words in in_words:
        yield f"  {words}"


def replay_lines(counts: Sequence[tuple[int, int, int]]) -> Iterator[str]:
    """Return how many scenarios and closed jobs end right with the present and the proposed numbers."""
    for what, (before, after, count) in zip(TRIED, counts, strict=True):
        yield f"Of {count} {what} {before} end right now, {after} with the proposal."
    yield "The closed jobs are those that the numbers were learned from: they flatter the proposal."


def record_lines(record: TrackRecord, fewest: int) -> Iterator[str]:
    """Return the record in lines: over all jobs, by period, by sureness, and against the checklist."""
    yield f"{record.jobs} closed jobs with a confirmed cause, as this knowledge ends them before the repair."
    yield from excluded_lines(record.excluded)
    yield ""
    yield f"{'':12}  {'jobs':>5}  {'confirmed cause first':>24}  {'among the first three':>24}  minutes"
    yield f"{'all':12}  {record.jobs:>5}  {_rate(record.first):>24}  {_rate(record.in_three):>24}"
    for one in record.periods:
        head = f"{one.name or 'no date':12}  {one.jobs:>5}"
        if one.first is None or one.in_three is None or one.minutes is None:
            yield f"{head}  fewer than {fewest} jobs: nothing is said"
        else:
            yield (f"{head}  {_rate(one.first):>24}  {_rate(one.in_three):>24}  {duration(one.minutes):>8}")
    yield ""
    for grade in record.sureness:
        yield (
            f"When {grade.low:.0%} to {grade.high:.0%} sure ({grade.right.count} jobs, {grade.promised:.0%} "
            f"on average) the first cause was right in {_rate(grade.right)}."
        )
    if sum(grade.right.count for grade in record.sureness) < record.jobs:
        yield f"Of degrees of sureness with fewer than {fewest} jobs nothing is said."
    for ended in record.endings:
        yield f"Ended {ended.ending}: {counted(ended.right.count, 'job')}, right in {_rate(ended.right)}."
    if record.guesses is not None:
        own, bench = record.guesses
        yield (
            f"Guesses put down before the bench showed its own: {counted(own.count, 'job')}, right in "
            f"{_rate(own)}; what the bench suspected most at the same time was right in {_rate(bench)}."
        )
    if record.saved is None:
        yield (
            f"Against the written order of readings: {record.compared} jobs can be compared, fewer than "
            f"{fewest}; nothing is said. It takes jobs that took every reading the order asks for."
        )
    else:
        mean, low, high = record.saved
        yield (
            f"Against the written order of readings, on {record.compared} jobs that took all it asks for: "
            f"{mean:.0f} minutes less ({low:.0f} to {high:.0f})."
        )


def too_few_lines(error: TooFew) -> Iterator[str]:
    """Return why nothing is said yet, and which jobs do not count."""
    yield str(error)
    yield from excluded_lines(error.excluded)


def few_guesses_lines(judged: Sequence[Judged]) -> Iterator[str]:
    """Return how many guesses were right where there are too few jobs for a rate."""
    guessed = [one for one in judged if one.guess]
    if guessed:
        own = sum(one.guess in one.causes for one in guessed)
        led = sum(one.led_then in one.causes for one in guessed)
        yield (
            f"Guesses put down before the bench showed its own: {own} of {len(guessed)} right; what the "
            f"bench suspected most at the same time: {led}."
        )


def _rate(rate: Rate) -> str:
    return f"{rate.rate:.0%} ({rate.low:.0%} to {rate.high:.0%})"
