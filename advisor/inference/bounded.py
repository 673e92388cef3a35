"""Answers where one engine for all readings would be too wide: exact if possible, else within bounds.

Readings not taken are barren: without them the beliefs are the same (Shachter 1986). So several engines are
compiled, each with the readings taken and as many of the others as fit; together they inform about all,
exactly. That is enough unless a reading is too wide by itself, or too many were taken.

Otherwise parents of readings are cut one at a time, the least important first, until the rest fits. Over the
cut parents a likelihood lies between its least and its largest value; sums of products of nonnegative numbers
keep that order, so P(anything, seen) is bounded too (as in mini-buckets: Dechter & Rish 2003). With low,
middle and high likelihoods (the middle averages over the cut parents as if nothing had been seen):

    P(x | seen) >= low P(x, seen) / (low P(x, seen) + high P(not x, seen)), and the other way round

P(seen) times an entropy grows with each P(outcome, seen) and is bounded alike. An answer is the middle one,
and its error the largest distance to its bounds. A network whose hidden nodes alone are too wide is refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from advisor.arrays import SMALLEST, Floats, Ints, entropy, x_log2_x
from advisor.inference.compiler import compile_tables, deterministic_nodes
from advisor.inference.engine import Engine, Evidence, InferenceEngine, Posterior, TooWide, checked
from advisor.inference.tables import CPT, DiscreteNetwork

MOST_PLANS = 8
"""Engines are kept for this many sets of readings taken,"""
MOST_ENTRIES = 2**20
"""and the older ones only while all together have at most this many entries (about 1 GB)."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A reading without some of its parents: its table has the columns low, middle, high and entropies."""

    table: CPT
    outcomes: int

    def columns(self, which: int) -> slice:
        """Return the columns of the outcomes' low (0), middle (1) or high (2) probabilities."""
        return slice(which * self.outcomes, (which + 1) * self.outcomes)

    def said(self, likelihood: Floats, which: int) -> Floats:
        """Return the likelihood of an outcome by the low, middle or high probabilities."""
        vector = np.zeros(self.table.values.shape[-1])
        vector[self.columns(which)] = likelihood
        return vector


@dataclass(frozen=True, eq=False)
class Part:
    """An engine that informs about the readings `asked`; `cuts` are its readings that lack parents."""

    engine: Engine
    asked: tuple[str, ...]
    cuts: Mapping[str, Cut]


@dataclass(frozen=True, eq=False)
class Bounded(InferenceEngine):
    """A network that is too wide for one engine. Made by `compile_bounded`."""

    tables: DiscreteNetwork
    outcomes: Mapping[str, tuple[str, ...]]
    targets: tuple[str, ...]
    readings: tuple[str, ...]
    hidden_spans: Mapping[str, slice]
    target_indices: Ints
    reading_spans: Mapping[str, slice]
    deterministic: frozenset[str]
    priors: Mapping[str, Floats]
    parents: Mapping[str, tuple[str, ...]]  # of readings
    plans: dict[frozenset[str], tuple[Part, ...]] = field(default_factory=dict, repr=False)

    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """Return the posteriors of many cases, one by one."""
        return tuple(map(self._posterior, self._planned(cases)))

    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> Floats:
        """Return log2 of the middle P(evidence) of each case; -inf only where the evidence is impossible."""
        log2 = []
        for evidence in self._planned(cases):
            part = self._plan(evidence)[0]
            low_to_high = part.engine.log2_evidence_probability(
                [_said(part, evidence, which) for which in range(3)]
            )
            log2.append(float(low_to_high[1 if low_to_high[1] > -math.inf else 2]))
        return np.array(log2)

    def _planned(self, cases: Sequence[Evidence]) -> list[dict[str, Floats]]:
        """Return the evidence as arrays, after making engines for the cases with most evidence."""
        planned = [checked(self.outcomes, evidence) for evidence in cases]
        for most in sorted(planned, key=len, reverse=True)[:MOST_PLANS]:
            self._plan(most)
        return planned

    def _posterior(self, evidence: Mapping[str, Floats]) -> Posterior:
        parts = self._plan(evidence)
        predictive = np.empty(max(span.stop for span in self.reading_spans.values()))
        bits, errors = np.empty(len(self.readings)), [0.0]
        number = {name: index for index, name in enumerate(self.readings)}
        for part in parts:
            views, ratio = _views(part, evidence)
            if part is parts[0]:
                first, belief_error = views[1], self._belief_error(views, ratio)
            for name in part.asked:
                probabilities, told = _told(self, part, views, ratio, name)
                predictive[self.reading_spans[name]] = probabilities
                bits[number[name]] = told[1]
                if name not in evidence:
                    errors.append(float(max(told[2] - told[1], told[1] - told[0])))
        hidden = first.hidden
        return Posterior(
            self,
            hidden,
            predictive,
            bits,
            frozenset(evidence),
            first.log2_evidence,
            belief_error,
            max(errors),
        )

    def _belief_error(self, views: Sequence[Posterior], ratio: float) -> float:
        if views[0] is views[2]:
            return 0.0
        low, middle, high = (view.hidden[self.target_indices] for view in views)
        with np.errstate(invalid="ignore"):
            least = np.where(high >= 1, 1.0, low * ratio / (low * ratio + 1 - high))
            most = np.where(high <= 0, 0.0, high / (high + ratio * (1 - low)))
        return float(np.max(np.maximum(most - middle, middle - least), initial=0.0))

    def _plan(self, evidence: Iterable[str]) -> tuple[Part, ...]:
        """Return engines for the readings taken that together inform about every reading."""
        observed = frozenset(evidence).intersection(self.readings)
        for wider, parts in list(self.plans.items()):
            # Engines for more than was seen serve as well, unless that made them cut.
            if observed == wider or (observed < wider and not any(part.cuts for part in parts)):
                self.plans[wider] = self.plans.pop(wider, parts)  # the one used last is given up last
                return parts
        cuts: dict[str, Cut] = {}
        _fitted(self, observed, None, cuts)
        whole = [name for name in self.readings if name not in cuts]
        again = [_fitted(self, observed, name, dict(cuts)) for name in cuts]
        made = self.plans[observed] = (*_parts(self, observed, whole, cuts), *again)
        while len(self.plans) > 1 and (
            len(self.plans) > MOST_PLANS or sum(map(_entries, list(self.plans.values()))) > MOST_ENTRIES
        ):
            self.plans.pop(next(iter(self.plans)), None)
        return made


def _entries(parts: Sequence[Part]) -> int:
    return sum(len(part.engine.start) for part in parts)


def compile_bounded(tables: DiscreteNetwork) -> Bounded:
    """Compile a network too wide for one engine; raises `TooWide` if its hidden nodes alone are too wide."""
    readings = set(tables.readings)
    hidden = tuple(table for table in tables.tables if table.child not in readings)
    outcomes = {table.child: tables.outcomes[table.child] for table in hidden}
    bare = compile_tables(DiscreteNetwork(hidden, outcomes, tables.targets, ()))
    stops = np.cumsum([len(tables.outcomes[name]) for name in tables.readings]).tolist()
    spans = {
        name: slice(stop - len(tables.outcomes[name]), stop)
        for name, stop in zip(tables.readings, stops, strict=True)
    }
    return Bounded(
        tables=tables,
        outcomes=tables.outcomes,
        targets=tables.targets,
        readings=tables.readings,
        hidden_spans=bare.hidden_spans,
        target_indices=bare.target_indices,
        reading_spans=spans,
        parents={table.child: table.parents for table in tables.tables if table.child in readings},
        deterministic=frozenset(deterministic_nodes(tables)),
        priors=bare.query({}).marginals,
    )


def _parts(
    network: Bounded, observed: frozenset[str], asked: Sequence[str], cuts: Mapping[str, Cut]
) -> list[Part]:
    """Engines that fit, each for a part of the readings asked about."""
    try:
        return [_part(network, observed, asked, cuts)]
    except TooWide:
        if len(asked) > 1:
            half = len(asked) // 2
            return [
                *_parts(network, observed, asked[:half], cuts),
                *_parts(network, observed, asked[half:], cuts),
            ]
        return [_fitted(network, observed, asked[0], dict(cuts))]


def _fitted(network: Bounded, observed: frozenset[str], asked: str | None, cuts: dict[str, Cut]) -> Part:
    """Return the engine for the readings taken and perhaps one asked about; cut parents until it fits."""
    tables = {table.child: table for table in network.tables.tables}
    if asked is not None and asked not in cuts:
        cuts[asked] = _cut(tables[asked], tables[asked].parents, network.priors)
    while True:
        try:
            return _part(network, observed, [] if asked is None else [asked], cuts)
        except TooWide as error:
            losses = [
                (loss, name, kept)
                for name in ([asked] if asked is not None else sorted(observed))
                for loss, kept in _losses(network, tables[name], cuts.get(name), error.members)
            ]
            if not losses:
                raise
            _, name, kept = min(losses)
            cuts[name] = _cut(tables[name], kept, network.priors)


def _losses(
    network: Bounded, table: CPT, cut: Cut | None, members: frozenset[str]
) -> list[tuple[float, tuple[str, ...]]]:
    """Return for each candidate cut how far apart low and high would be on average, and who stays."""
    now = cut.table.parents if cut else table.parents
    losses = []
    for parent in members.intersection(now) or now:
        kept = tuple(name for name in now if name != parent)
        values = _cut(table, kept, network.priors)
        apart = values.table.values[..., values.columns(2)] - values.table.values[..., values.columns(0)]
        for name in kept:
            apart = np.tensordot(network.priors[name], apart, axes=(0, 0))
        losses.append((float(apart.sum()), kept))
    return losses


def _cut(table: CPT, kept: Sequence[str], priors: Mapping[str, Floats]) -> Cut:
    """Return the table over the parents kept, with least, average and largest probabilities.

    The same goes for the entropies.
    """
    gone = tuple(axis for axis, name in enumerate(table.parents) if name not in kept)
    columns = []
    for values in (table.values, entropy(table.values)[..., None]):
        middle = values
        for axis in reversed(gone):
            middle = np.tensordot(priors[table.parents[axis]], middle, axes=(0, axis))
        columns += [values.min(axis=gone), middle, values.max(axis=gone)]
    return Cut(CPT(table.child, tuple(kept), np.concatenate(columns, axis=-1)), table.values.shape[-1])


def _part(network: Bounded, observed: frozenset[str], asked: Sequence[str], cuts: Mapping[str, Cut]) -> Part:
    """Return the engine for what was seen and the readings asked about; raises `TooWide`."""
    needed = observed.union(asked)
    readings = tuple(name for name in network.readings if name in needed)
    tables = [
        cuts[table.child].table if table.child in cuts else table
        for table in network.tables.tables
        if table.child in needed or table.child in network.hidden_spans
    ]
    outcomes = {
        table.child: tuple(map(str, range(table.values.shape[-1])))
        if table.child in cuts
        else network.outcomes[table.child]
        for table in tables
    }
    # Of a reading with parents cut only the averages of its columns are asked: no node has to be a nuisance.
    targets = tuple(network.hidden_spans) if cuts.keys() & set(asked) else network.targets
    engine = compile_tables(DiscreteNetwork(tuple(tables), outcomes, targets, readings), asked)
    return Part(engine, tuple(asked), {name: cuts[name] for name in cuts if name in needed})


def _said(part: Part, evidence: Mapping[str, Floats], which: int) -> dict[str, Floats]:
    """Return the evidence with low (0), middle (1) or high (2) likelihoods where parents were cut."""
    return {
        name: part.cuts[name].said(likelihood, which) if name in part.cuts else likelihood
        for name, likelihood in evidence.items()
    }


def _views(
    part: Part, evidence: Mapping[str, Floats]
) -> tuple[tuple[Posterior, Posterior, Posterior], float]:
    """Return the posteriors with low, middle and high likelihoods; low P(seen) over high P(seen)."""
    if not part.cuts.keys() & evidence.keys():
        exact = part.engine.query(evidence)
        return (exact, exact, exact), 1.0
    high = part.engine.query(_said(part, evidence, 2))
    log2 = part.engine.log2_evidence_probability([_said(part, evidence, which) for which in range(2)])
    # A view that cannot be has no weight.
    middle = part.engine.query(_said(part, evidence, 1)) if log2[1] > -math.inf else high
    low = part.engine.query(_said(part, evidence, 0)) if log2[0] > -math.inf else middle
    return (low, middle, high), float(2.0 ** (log2[0] - high.log2_evidence))


def _told(
    network: Bounded, part: Part, views: Sequence[Posterior], ratio: float, name: str
) -> tuple[Floats, tuple[float, float, float]]:
    """Return a reading's predictions, and its bits: lower bound, answer, upper bound."""
    shown = [view.predictive[name] for view in views]
    if name not in part.cuts:
        told = [view.expected_information_bits.get(name, 0.0) for view in views]
        if views[0] is views[2]:
            return shown[1], (told[1], told[1], told[1])
        # P(seen) times the entropy of the outcome, or what is left of it, grows with each P(outcome, seen).
        whole = [float(entropy(probabilities)) for probabilities in shown]
        left = [all_of - bits for all_of, bits in zip(whole, told, strict=True)]
        whole_bits, remaining_bits = _over(whole, ratio), _over(left, ratio)
        return shown[1], _between(whole_bits, remaining_bits, told[1], len(shown[1]))
    cut = part.cuts[name]
    probabilities = [averages[cut.columns(which)] for which, averages in enumerate(shown)]
    low, high = ratio * probabilities[0], np.minimum(probabilities[2] / max(ratio, SMALLEST), 1.0)
    ends = -np.array([x_log2_x(low), x_log2_x(high)])
    largest = -x_log2_x(np.clip(1 / math.e, low, high))
    whole_bits = (float(ends.min(axis=0).sum()), float(largest.sum()))
    least, most = _over([shown[0][-3], 0.0, shown[2][-1]], ratio)
    if not network.deterministic.issuperset(network.parents[name]):
        most = whole_bits[1]  # what it tells about nuisance nodes does not count
    answer = float(entropy(probabilities[1])) - float(shown[1][-2])
    return probabilities[1], _between(whole_bits, (least, most), answer, cut.outcomes)


def _over(low_to_high: Sequence[float], ratio: float) -> tuple[float, float]:
    """Return bounds on a posterior average, from those of the low and the high view."""
    return ratio * low_to_high[0], low_to_high[2] / max(ratio, SMALLEST)


def _between(
    whole: tuple[float, float], remaining: tuple[float, float], answer: float, outcomes: int
) -> tuple[float, float, float]:
    """Bounds on the difference of two entropies, and the answer between them."""
    least = min(max(whole[0] - remaining[1], 0.0), math.log2(outcomes))
    most = min(max(whole[1] - remaining[0], 0.0), math.log2(outcomes))
    return least, min(max(answer, least), most), most
