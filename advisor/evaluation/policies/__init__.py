"""Every policy, by name.

Comes in: the modules of this package; a policy is added by a function under `@policy`, in any file of it.
Goes out: `POLICY_TITLES`, what each policy is called, and `play_policy`, which plays one of them.
Decision: the modules are found as this package is imported, so that there is no list to keep.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

import numpy as np

from advisor.arrays import Floats
from advisor.evaluation.policy import ENTERED, ReadingOrder, Setting
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Cars, Jobs, Starts

for module in pkgutil.iter_modules(__path__):
    import_module(f"{__name__}.{module.name}")

POLICIES: Mapping[str, ReadingOrder] = MappingProxyType(ENTERED)
POLICY_TITLES: Mapping[str, str] = MappingProxyType({name: policy.title for name, policy in POLICIES.items()})
"""What each policy is called, by name."""


def play_policy(
    ranker: Ranker, starts: Starts, cars: Cars, policy: str, told: Floats, random: np.random.Generator
) -> Jobs:
    """Play a job on every car by one of the policies; `told` as `bounds.told_of_single_faults` gives it."""
    return POLICIES[policy].play(Setting(ranker, starts, cars, told, random))
