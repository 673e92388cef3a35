"""Every policy, by name.

Comes in: the modules of this package; a policy is added by a function under `@policy`, in any file of it.
Goes out: `WAYS`, what each policy is called, and `play_way`, which plays one of them.
Decision: the modules are found as this package is imported, so that there is no list to keep.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

import numpy as np

from advisor.arrays import Floats
from advisor.evaluation.policy import ENTERED, Policy, Setting
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Cars, Jobs, Starts

for module in pkgutil.iter_modules(__path__):
    import_module(f"{__name__}.{module.name}")

POLICIES: Mapping[str, Policy] = MappingProxyType(ENTERED)
WAYS: Mapping[str, str] = MappingProxyType({name: policy.title for name, policy in POLICIES.items()})
"""Ways to choose the next reading, with what they are called."""


def play_way(
    ranker: Ranker, starts: Starts, cars: Cars, way: str, told: Floats, random: np.random.Generator
) -> Jobs:
    """Play a job on every car in one of the ways; `told` as `bounds.told_of_single_faults` gives it."""
    return POLICIES[way].play(Setting(ranker, starts, cars, told, random))
