"""Names of unlisted causes: `unlisted:ID` stands for the remaining causes of a complaint or branch."""

from __future__ import annotations

UNLISTED = "unlisted:"


def unlisted_of(owner: str) -> str:
    """Return the name of the unlisted cause of a complaint or branch."""
    return UNLISTED + owner


def is_unlisted(name: str) -> bool:
    """Return whether the name is that of an unlisted cause."""
    return name.startswith(UNLISTED)


def owner_of(unlisted: str) -> str:
    """Return the complaint or branch that an unlisted cause belongs to; any other name as it is."""
    return unlisted.removeprefix(UNLISTED)
