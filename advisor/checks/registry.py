"""The checks of knowledge: one function each, entered where it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem

Check = Callable[[Knowledge], Iterator[Problem]]

REFERENCES: list[Check] = []
"""What has to hold before the other questions make sense."""
CHECKS: list[Check] = []
"""What is asked once the references are sound."""


def reference_check(check: Check) -> Check:
    """Enter a check that others rely on: it is asked first."""
    REFERENCES.append(check)
    return check


def consistency_check(check: Check) -> Check:
    """Enter a check that may rely on sound references."""
    CHECKS.append(check)
    return check
