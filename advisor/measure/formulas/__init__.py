"""Every formula, by name.

Comes in: the modules of this package. A new formula is a function under `@formula`, in one of them or in a
file of its own.
Goes out: `FORMULAS`, and `evaluate`, which computes one of them.
Decision: the modules are found as this package is imported, so that there is no list to keep.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

from advisor.measure.formula import ENTERED, Formula, computed
from advisor.measure.uncertainty import Estimate
from advisor.text import nearest

for module in pkgutil.iter_modules(__path__):
    import_module(f"{__name__}.{module.name}")

FORMULAS: Mapping[str, Formula] = MappingProxyType(ENTERED)


def evaluate(
    name: str, numbers: Mapping[str, Estimate], choices: Mapping[str, str] = MappingProxyType({})
) -> Estimate:
    """Compute a quantity by the formula's name (see `computed`).

    Raises `ValueError` where there is no such formula.
    """
    if name not in FORMULAS:
        raise ValueError(f"There is no formula '{name}'. {nearest(name, FORMULAS)}")
    return computed(FORMULAS[name], numbers, choices)
