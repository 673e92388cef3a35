"""A network's tables as a pgmpy model, and in open formats."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.model.nodes import is_instrument_leaf, spelled

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork as DiscreteBayesianNetwork


def write(tables: DiscreteNetwork, form: str) -> str:
    """Return the network in an open format, "bif" or "xmlbif"; names keep letters, digits and underscores.

    What instruments would show of a quantity serves the ranking only, and is left out.
    """
    from pgmpy.readwrite import BIFWriter, XMLBIFWriter

    renamed = [
        CPT(spelled(table.child), tuple(map(spelled, table.parents)), table.values)
        for table in tables.tables
        if not is_instrument_leaf(table.child)
    ]
    model = to_pgmpy(renamed, {spelled(name): states for name, states in tables.outcomes.items()})
    if form == "bif":
        return str(BIFWriter(model))
    text = XMLBIFWriter(model).__str__()
    return text.decode() if isinstance(text, bytes) else str(text)


def to_pgmpy(tables: Iterable[CPT], outcomes: Mapping[str, tuple[str, ...]]) -> DiscreteBayesianNetwork:
    """Return the tables as a pgmpy model."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    tables = list(tables)
    model = DiscreteBayesianNetwork()
    model.add_nodes_from([table.child for table in tables])
    for table in tables:
        for parent in table.parents:
            # The knowledge has no circles (lint); DiGraph's own method spares a search for each edge.
            super(DiscreteBayesianNetwork, model).add_edge(parent, table.child)
    model.add_cpds(
        *(
            TabularCPD(
                table.child,
                len(outcomes[table.child]),
                np.moveaxis(table.values, -1, 0).reshape(len(outcomes[table.child]), -1),
                evidence=list(table.parents) or None,
                evidence_card=[len(outcomes[parent]) for parent in table.parents] or None,
                state_names={name: list(outcomes[name]) for name in (table.child, *table.parents)},
            )
            for table in tables
        )
    )
    return model
