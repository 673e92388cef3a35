"""What the knowledge implies, beside what was counted: exactly from the network, else by drawing cars.

The interval of a count is that of Clopper and Pearson (1934), 95 %. A source without a count gives a share
or a range, which is taken as it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from graphlib import TopologicalSorter
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betaincinv

from advisor.arrays import Ints
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.problems import Place, Problem
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import Branch, Complaint, Counted, Fact, Item, Reading, Source
from advisor.model.priors import tree_of

if TYPE_CHECKING:
    from advisor.model.network import Network

SURE = 0.95
"""Of so many counts the interval holds the true share."""
DRAWN, SEED = 400_000, 1
"""Cars drawn where a network is too wide for an exact answer."""
ERRORS = 2.0
"""A share found by drawing is outside if it is so by more than this many standard errors."""

COUNTED = {
    "at_all": "",
    "alone": ", and no other cause,",
    "with_others": ", and another cause,",
    "others_only": ": another cause only,",
}
"""Which cars a count is of, after what was counted."""


@dataclass(frozen=True)
class Published:
    """A number with what was published of it: where that is written, of what, and the source."""

    place: Place
    what: str
    source: Source
    at_least: bool = False

    @property
    def counted(self) -> str:
        """Return what the source says, in words."""
        if self.source.count is not None:
            together = f", {self.source.together} at once" if self.source.together > 1 else ""
            return f"{self.source.count} of {self.source.of}{together}"
        low, high = self.source.percent or (0.0, 0.0)
        return f"{low:g} of 100" if low == high else f"{low:g} to {high:g} of 100"

    @property
    def interval(self) -> tuple[float, float]:
        """Return the shares that the source allows."""
        low, high = _interval(self.source)
        more = self.source.allowance / 100
        return max(0.0, low - more), 1.0 if self.at_least else min(1.0, high + more)


@dataclass(frozen=True)
class Compared:
    """What the knowledge implies of a published number; `error` is 0 where that is exact."""

    published: Published
    implied: float
    error: float = 0.0

    @property
    def inside(self) -> bool:
        """Return whether the source allows it."""
        low, high = self.published.interval
        return low <= self.implied + ERRORS * self.error and self.implied - ERRORS * self.error <= high

    @property
    def words(self) -> str:
        """Return what is implied, and what was counted, in words."""
        low, high = (100 * one for one in self.published.interval)
        drawn = f" (drawn, ±{100 * self.error:.1f})" if self.error else ""
        return (
            f"{100 * self.implied:.1f} of 100{drawn}; counted {self.published.counted}, "
            f"which allows {low:.1f} to {high:.1f}"
        )


@dataclass(frozen=True)
class Chances:
    """Cars with a complaint: which part of some has `none` of these causes, and gives an `answer`.

    Both take what is known of the cars first. `drawn` is how many such cars there are, or None where the
    answer is exact.
    """

    none: Callable[[Mapping[str, str], Iterable[str]], float]
    answer: Callable[[Mapping[str, str], str, str], float]
    drawn: Callable[[Mapping[str, str]], int] | None = None

    def error(self, known: Mapping[str, str], share: float) -> float:
        """Return the standard error of a share."""
        return 0.0 if self.drawn is None else float(np.sqrt(share * (1 - share) / self.drawn(known)))


def exactly(engine: Engine) -> Chances:
    """Return the chances in a network, exactly."""

    def part(known: Mapping[str, str], more: Mapping[str, str]) -> float:
        before = {node: engine.one_hot(node, at) for node, at in known.items() if node in engine.outcomes}
        after = {**before, **{node: engine.one_hot(node, at) for node, at in more.items()}}
        whole, rest = engine.log2_evidence_probability([before, after])
        return float(2.0 ** (rest - whole))

    return Chances(
        lambda known, causes: part(known, dict.fromkeys(causes, "absent")),
        lambda known, reading, outcome: part(known, {reading: outcome}),
    )


def drawing(network: Network, count: int = DRAWN, seed: int = SEED) -> Chances:
    """Return the chances among cars drawn from a network."""
    states = _drawn(network, count, np.random.default_rng(seed))
    outcomes = network.tables.outcomes

    def among(known: Mapping[str, str]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        found = np.ones(count, dtype=np.bool_)
        for node, at in known.items():
            if node in states:
                found &= states[node] == outcomes[node].index(at)
        return found

    def part(known: Mapping[str, str], more: Mapping[str, str]) -> float:
        return float(among({**known, **more}).sum() / max(1, among(known).sum()))

    return Chances(
        lambda known, causes: part(known, dict.fromkeys(causes, "absent")),
        lambda known, reading, outcome: part(known, {reading: outcome}),
        lambda known: max(1, int(among(known).sum())),
    )


def _drawn(network: Network, count: int, random: np.random.Generator) -> dict[str, Ints]:
    tables = {table.child: table for table in network.tables.tables}
    states: dict[str, Ints] = {}
    for node in TopologicalSorter({name: table.parents for name, table in tables.items()}).static_order():
        table = tables[node]
        rows = table.values[tuple(states[parent] for parent in table.parents)]
        steps = np.cumsum(np.broadcast_to(rows, (count, rows.shape[-1])), axis=1)[:, :-1]
        states[node] = (random.random(count)[:, None] >= steps).sum(axis=1)
    return states


def compare(
    knowledge: Knowledge, networks: Mapping[str, Network], engines: Mapping[str, Engine]
) -> list[Compared]:
    """Compare every number that carries a count or share with it; complaints without an engine are drawn."""
    found: list[Compared] = []
    chances: dict[str, Chances] = {}

    def of(complaint: str) -> Chances:
        if complaint not in chances:
            engine = engines.get(complaint)
            chances[complaint] = drawing(networks[complaint]) if engine is None else exactly(engine)
        return chances[complaint]

    for section, name, part, source in counted_standings(knowledge):
        place = knowledge.place(section, name, "standing_of", part)
        item = knowledge.section(section)[name]
        if isinstance(item, Complaint | Branch):
            cause = unlisted_of(name) if part == "unlisted" else part
            for complaint in knowledge.complaints:
                if name in tree_of(knowledge, complaint):
                    known = {complaint: "present", name: "present"}
                    share = 1 - of(complaint).none(known, [cause])
                    what = f"{part} among cars with {name}"
                    here = Published(place, what, source)
                    found.append(Compared(here, share, of(complaint).error(known, share)))
        else:
            number = numbers_of(item)[part]
            found.append(Compared(Published(place, f"{part} of {name}", source), number))
    for name, said in knowledge.complaints.items():
        for at, counted in enumerate(said.counted):
            found += _counted(knowledge, name, counted, ("complaints", name, "counted", at), of(name))
    return sorted(found, key=lambda one: (one.published.place, one.published.what))


def _counted(
    knowledge: Knowledge, complaint: str, said: Counted, path: Path, chances: Chances
) -> Iterator[Compared]:
    known = {complaint: "present", **said.given}
    if said.answer:
        ((reading, outcome),) = said.answer.items()
        shares = {"at_all": chances.answer(known, reading, outcome)}
    else:
        here, others = _sides(knowledge, complaint, said.causes)
        at_all = 1 - chances.none(known, said.causes)
        other = 1 - chances.none(known, others)
        both = at_all + other - (1 - chances.none(known, [*here, *others]))
        shares = {
            "at_all": at_all,
            "alone": at_all - both,
            "with_others": both,
            "others_only": other - both,
        }
    for word, count in said.counts.items():
        source = Source(source=said.source, of=said.of, count=count, allowance=said.allowance, note=said.note)
        what = f"{said.what}{COUNTED[word]} among cars with {complaint}"
        published = Published(knowledge.place(*path, word), what, source, said.part_only)
        yield Compared(published, shares[word], chances.error(known, shares[word]))


def _sides(knowledge: Knowledge, complaint: str, causes: Iterable[str]) -> tuple[list[str], list[str]]:
    """Return the faults and unlisted causes that some causes stand for, and all others of the complaint."""
    tree = tree_of(knowledge, complaint)

    def below(cause: str) -> Iterator[str]:
        if cause not in tree:
            yield cause
            return
        gated = tree[cause]
        if isinstance(gated, Complaint | Branch) and gated.unlisted is not None:
            yield unlisted_of(cause)
        for member in gated.gate.members:
            yield from below(member)

    every = dict.fromkeys(below(complaint))
    here = {one for cause in causes for one in below(cause)}
    return [one for one in every if one in here], [one for one in every if one not in here]


def counted_standings(knowledge: Knowledge) -> Iterator[tuple[str, str, str, Source]]:
    """Yield every field's source that says what was counted, as (section, id, field, source)."""
    for section, name, item in knowledge.items():
        for part, standing in item.standing_of.items():
            if isinstance(standing, Source) and standing.has_numbers and part in numbers_of(item):
                yield section, name, part, standing


def numbers_of(item: Item) -> dict[str, float]:
    """Return the chances of an item that can carry a count each, by what names them under `standing_of`."""
    if isinstance(item, Complaint | Branch):
        shares = {member: (share or 0.0) / 100 for member, share in item.gate.shares.items()}
        return {**shares, "unlisted": item.unlisted / 100} if isinstance(item, Complaint) else shares
    if isinstance(item, Fact):
        return {value: share / 100 for value, share in item.values.items()}
    if isinstance(item, Reading) and item.noisy_or:
        numbers = {"leak": item.noisy_or.leak, **item.noisy_or.causes}
        if len(item.proves) == 1 and item.proves[0] in item.noisy_or.causes:
            numbers |= {"without": item.noisy_or.leak, "shows": item.noisy_or.causes[item.proves[0]]}
        return numbers
    return {}


def outside(found: Iterable[Compared]) -> Iterator[Problem]:
    """Numbers that lie outside what their source allows, where nothing says why."""
    for one in found:
        if not one.inside and not one.published.source.note:
            yield Problem(
                one.published.place,
                "outside-count",
                f"The knowledge gives {one.published.what} as {one.words}.",
                f"Its source is {one.published.source.source}.",
                "Mend the number, or say in 'note:' beside the count why these cars differ.",
                "weak",
            )


def _interval(source: Source) -> tuple[float, float]:
    if source.count is None or source.of is None:
        low, high = source.percent or (0.0, 100.0)
        return low / 100, high / 100
    count, of, tail = source.count, source.of, (1 - SURE) / 2
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1 - tail)) if count < of else 1.0
    return low ** (1 / source.together), high ** (1 / source.together)
