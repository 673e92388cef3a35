"""Is every drawing there that is named, and named that is there?"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from advisor.checks.registry import consistency_check
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.pictures import FOLDER
from advisor.knowledge.problems import Problem


@consistency_check
def pictures(knowledge: Knowledge) -> Iterator[Problem]:
    """Find drawings that are missing, and those that nothing shows."""
    for section, items in (("readings", knowledge.readings), ("setups", knowledge.setups)):
        for name, item in items.items():
            if item.picture and (section, name) not in knowledge.pictures:
                yield Problem(
                    knowledge.place(section, name, "picture"),
                    "no-picture",
                    f"There is no drawing '{item.picture}' in the folder {FOLDER} beside this file.",
                    "Nothing is shown for it.",
                    "Put it there, or leave the word out.",
                    "weak",
                )
    for place in knowledge.unused_pictures:
        yield Problem(
            place,
            "unused-picture",
            "No reading or setup names this drawing.",
            "",
            f"Write 'picture: {Path(place.file).name}' where it belongs, or remove it.",
            "weak",
        )
