"""Are the words by which dangers and normal things are heard such as callers say?"""

from __future__ import annotations

from collections.abc import Iterator

from advisor.checks.registry import consistency_check
from advisor.knowledge.dangers import APART, heard_dangers, is_heard, says_something, spoken_out
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem

MOST_SAID = 5
"""Words of a phrase, all of which a caller has to say (the project's choice; the shipped ones have 4)."""


@consistency_check
def unheard(knowledge: Knowledge) -> Iterator[Problem]:
    """Phrases that nobody's words reach, and normal things whose own words are taken for a danger."""
    yield from _never_said(knowledge)
    for name, danger in knowledge.dangers.items():
        written = [
            *(
                ("customer", at, one, not danger.ask_first)
                for at, one in enumerate(danger.phrases("customer"))
            ),
            *(("perhaps", at, one, False) for at, one in enumerate(danger.phrases("perhaps"))),
        ]
        for section, at, phrase, sure in written:
            if not says_something(phrase) or is_heard(danger, spoken_out(phrase)) not in (True, sure):
                yield Problem(
                    knowledge.place("dangers", name, section, at),
                    "unheard",
                    f"'{getattr(danger, section)[at]}' is never heard, or in nearly everything that is said.",
                    "Each of its words has to be said, and one of them has to say what is the matter.",
                    "Write the words that people say, as in 'petrol/fuel leaking'.",
                    "weak",
                )
    for name, normal in knowledge.harmless.items():
        for at, phrase in enumerate(normal.customer):
            for one in heard_dangers(knowledge, spoken_out(phrase)):
                yield Problem(
                    knowledge.place("harmless", name, "customer", at),
                    "unheard",
                    f"'{phrase}' is taken for the danger '{one.danger}'.",
                    "Danger is heard first, so nobody is ever told that this is normal.",
                    "Change these words, or those of the danger.",
                    "weak",
                )


def _never_said(knowledge: Knowledge) -> Iterator[Problem]:
    """Find phrases so long that nobody says all of their words."""
    phrases = [
        *(
            (("dangers", name, part, at), phrase)
            for name, danger in knowledge.dangers.items()
            for part in ("customer", "perhaps")
            for at, phrase in enumerate(getattr(danger, part))
        ),
        *(
            (("harmless", name, "customer", at), phrase)
            for name, normal in knowledge.harmless.items()
            for at, phrase in enumerate(normal.customer)
        ),
    ]
    for path, phrase in phrases:
        count = len(phrase.replace(APART, " ").split())
        if count > MOST_SAID:
            yield Problem(
                knowledge.place(*path),
                "unheard",
                f"'{phrase}' is hardly ever heard: a caller would have to say all {count} of its words.",
                f"Nobody words it just so; {MOST_SAID} words are the limit.",
                "Split it into phrases of two to four words that callers use, as in 'petrol/fuel leaking'.",
                "weak",
            )
