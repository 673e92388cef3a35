"""What is played on simulated cars: a way to choose the next reading, a policy in the sense of planning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Cars, Jobs, Starts


@dataclass(frozen=True, eq=False)
class Setting:
    """What a policy is played on; `told` as `bounds.told_of_single_faults` gives it."""

    ranker: Ranker
    starts: Starts
    cars: Cars
    told: Floats
    random: np.random.Generator


@dataclass(frozen=True)
class ReadingOrder:
    """A way to choose the next reading, with what it is called."""

    title: str
    play: Callable[[Setting], Jobs]


ENTERED: dict[str, ReadingOrder] = {}
"""Every policy by name, entered as its module is imported; `policies.POLICIES` has them all."""


def policy(title: str) -> Callable[[Callable[[Setting], Jobs]], Callable[[Setting], Jobs]]:
    """Enter the function below, which plays a job on every car, as a policy under its own name.

    Raises `ValueError` where another function is a policy of that name already.
    """

    def enter(play: Callable[[Setting], Jobs]) -> Callable[[Setting], Jobs]:
        if play.__name__ in ENTERED:
            raise ValueError(f"There are two policies '{play.__name__}'.")
        ENTERED[play.__name__] = ReadingOrder(title, play)
        return play

    return enter
