"""The page at the head of the knowledge: what its numbers rest on, and on which of them most hangs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path as File

from advisor.checks.published import Compared
from advisor.evaluation.sensitivity import Costly
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.looked_over import review_counts
from advisor.knowledge.problems import Place
from advisor.knowledge.vocabulary import Estimate, Item, Reading, Source, Standing

RESTS_ON = ("counted", "a source", "common practice", "estimate")
"""What a number can rest on, the firmest first."""
NO_NUMBERS = {"review", "standing", "standing_of", "counted", "note", "proof"}
"""Fields with no number of the item's own; a proof is counted as the reading that it is."""
KINDS: Mapping[str, tuple[str, ...]] = {
    "Chances of answers": ("noisy_or", "noisy_max", "table", "right_by_phone", "remedy_success"),
    "Limits": ("limits", "holds"),
    "Minutes": (
        *("minutes", "waiting_minutes", "hands_on_minutes", "remedy_minutes", "check_minutes"),
        "lasts_minutes",
    ),
    "Accuracies of instruments": ("accuracy",),
    "Shares of causes and cars": (
        *("any_of", "all_of", "of", "exactly_one_of", "unlisted", "prior", "values", "given", "brought_by"),
    ),
}
HANGS_MOST = "## The numbers on which most hangs"


def standing_lines(
    knowledge: Knowledge, compared: Sequence[Compared], costly: Sequence[Costly]
) -> Iterator[str]:
    """Yield the page, as Markdown."""
    numbers = numbers_by_kind(knowledge)
    total: Counter[str] = sum(numbers.values(), Counter())
    yield "# What the numbers rest on"
    yield ""
    yield "Written by `advisor check --standing knowledge > knowledge/STANDING.md`; do not edit it by hand."
    yield ""
    yield f"{review_counts(knowledge)} {total.total()} numbers stand in these files:"
    yield ""
    yield f"| numbers | {' | '.join(RESTS_ON)} |"
    yield f"|---|{'---:|' * len(RESTS_ON)}"
    for kind, here in (*numbers.items(), ("All", total)):
        yield f"| {kind} | {' | '.join(str(here[one]) for one in RESTS_ON)} |"
    yield ""
    yield "## What is published"
    yield ""
    figures = [one for one in compared if one.published.source.count is not None]
    yield (
        f"{len(figures)} counts and {len(compared) - len(figures)} shares or ranges, each beside what the "
        "knowledge implies of a number or of several together. No source is of a workshop's own cars, so a "
        "share has to lie in the interval that the count allows, not on its figure."
    )
    yield ""
    yield "| of 100 cars | here | source says | allows | source |"
    yield "|---|---:|---:|---:|---|"
    yield from map(_row, compared)
    without = [one.name for name, one in knowledge.complaints.items() if not _held(knowledge, name, compared)]
    yield ""
    yield "## What is common practice"
    yield ""
    yield (
        f"{total['common practice']} numbers are the trade's usual ones, without one source. The data of the "
        "vehicle at hand come before each of them."
    )
    yield ""
    yield "## What stays estimate"
    yield ""
    yield f"{total['estimate']} numbers are estimates. No share with a count stands under these complaints:"
    yield ""
    yield from (f"- {name}" for name in without)
    yield ""
    yield HANGS_MOST
    yield ""
    yield (
        "Found on simulated cars: what it would cost the advice if this number alone were wrong (log-odds "
        "off by 1). These are the first to ask a colleague about."
    )
    yield ""
    for at, one in enumerate(costly, start=1):
        yield f"{at}. `{File(one.place.file).name}`, {one.name}: `{as_written(one.place)}`"


def as_written(place: Place) -> str:
    """Return the line of a file that a number stands in, as its author wrote it."""
    return File(place.file).read_text(encoding="utf-8").splitlines()[place.line - 1].strip()


def numbers_by_kind(knowledge: Knowledge) -> dict[str, Counter[str]]:
    """Return how many numbers of each kind rest on what."""
    found: dict[str, Counter[str]] = {kind: Counter() for kind in (*KINDS, "Others")}
    for section, name, item in knowledge.items():
        said = item.model_dump(exclude_unset=True, exclude=NO_NUMBERS)
        general = item.standing or knowledge.standings.get(knowledge.place(section, name).file)
        for path in _numbers(said):
            kind = next((kind for kind, words in KINDS.items() if set(words) & set(path)), "Others")
            found[kind][_rests_on(item, path, general)] += 1
    return found


def _numbers(said: object, path: Path = ()) -> Iterator[Path]:
    """Yield the path of every number in what an author wrote."""
    if isinstance(said, Mapping):
        for word, inner in said.items():
            yield from _numbers(inner, (*path, word))
    elif isinstance(said, list | tuple):
        for at, inner in enumerate(said):
            yield from _numbers(inner, (*path, at))
    elif isinstance(said, int | float) and not isinstance(said, bool):
        yield path


def _rests_on(item: Item, path: Path, general: Standing | None) -> str:
    words = [str(word) for word in reversed(path)]
    if isinstance(item, Reading) and path[0] == "noisy_or":
        words.insert(0, "without" if path[-1] == "leak" else "shows")
    own = (item.standing_of[word] for word in words if word in item.standing_of)
    said = next(own, general)
    if isinstance(said, Source):
        return RESTS_ON[0] if said.count is not None else RESTS_ON[1]
    return "estimate" if said is None or isinstance(said, Estimate) else said


def _row(one: Compared) -> str:
    source, (low, high) = one.published.source, one.published.interval
    allows = f"{100 * low:.1f} to {100 * high:.1f}"
    why = "" if one.inside else f". **Outside**: {source.note}"
    here = f"{100 * one.implied:.1f}"
    return f"| {one.published.what} | {here} | {one.published.counted} | {allows} | {source.source}{why} |"


def _held(knowledge: Knowledge, complaint: str, compared: Sequence[Compared]) -> bool:
    """Return whether a share of the complaint stands beside what was published."""
    return any(one.published.what.endswith(f" among cars with {complaint}") for one in compared)
