"""What callers say, in the words of people who did not know the program (see tests/sentences/measure.py)."""

from __future__ import annotations

import pytest

from advisor.desk.questions import fitting
from advisor.knowledge.dangers import Heard, heard_dangers
from advisor.knowledge.knowledge import Knowledge
from tests.sentences.measure import FOLDER, KINDS, Figures, figures, outcomes, sentences

MEASURED = {
    "heard.tsv": {
        "kills_missed": 0,
        "kills_asked_only": 0,
        "others_missed": 0,
        "others_asked_only": 1,
        "false_alarms": 0,
        "needlessly_asked": 2,
        "negated_sure": 1,
        "negated_silent": 3,
        "outside_complaint": 0,
        "plain_not_offered": 0,
    },
    "heard2.tsv": {
        "kills_missed": 0,
        "kills_asked_only": 7,
        "others_missed": 0,
        "others_asked_only": 0,
        "false_alarms": 0,
        "needlessly_asked": 1,
        "negated_sure": 0,
        "negated_silent": 0,
        "outside_complaint": 0,
        "plain_not_offered": 1,
    },
    "heard3.tsv": {
        "kills_missed": 0,
        "kills_asked_only": 7,
        "others_missed": 0,
        "others_asked_only": 0,
        "false_alarms": 1,
        "needlessly_asked": 2,
        "negated_sure": 1,
        "negated_silent": 0,
        "outside_complaint": 2,
        "plain_not_offered": 1,
    },
    "held.tsv": {
        "kills_missed": 8,
        "kills_asked_only": 5,
        "others_missed": 2,
        "others_asked_only": 1,
        "false_alarms": 4,
        "needlessly_asked": 3,
        "negated_sure": 8,
        "negated_silent": 4,
        "outside_complaint": 6,
        "plain_not_offered": 9,
    },
}
"""The figures that were measured, by file: the dangers were written with the first three in sight.

Nobody who wrote them has seen `held.tsv`: its figures are what is to be expected of other callers. Of the 130
sentences each of `heard2.tsv` and `heard3.tsv` about what can kill, 40 and 24 were missed at first sight.
"""


@pytest.mark.parametrize("name", MEASURED)
def test_callers_are_heard_no_worse_than_measured(shipped: Knowledge, name: str) -> None:
    """No more is missed, alarmed or taken for something else than was measured."""
    found: Figures = figures(outcomes(shipped, FOLDER / name))
    worse = {one: (getattr(found, one), most) for one, most in MEASURED[name].items()}
    assert {one: pair for one, pair in worse.items() if pair[0] > pair[1]} == {}


def test_the_sentences_are_of_every_class() -> None:
    """A file that is empty or torn would be heard without a fault."""
    for name in MEASURED:
        said = sentences(FOLDER / name)
        assert {one.kind for one in said} == set(KINDS)
        assert len({one.words for one in said}) == len(said) >= 170


@pytest.mark.parametrize(
    ("said", "heard"),
    [
        ("there's diesal driping on the drive", (Heard("fuel_escapes", True),)),
        ("theres flaims under the bonnit", (Heard("smoke_or_fire", True),)),
        ("the wheelnuts are lose", (Heard("steering_fails", True),)),
        ("my uncle smokes forty a day in it", (Heard("smoke_or_fire", False),)),
        ("my steering wheel cover has come loose", (Heard("steering_fails", False),)),
        (
            "the petrol tank drips and the steering has gone",
            (Heard("steering_fails", True), Heard("fuel_escapes", True)),
        ),
        ("the headlights are dim", ()),
        ("a blue estate", ()),
        ("the gearbox whines but it drives alright", ()),
        ("nothing wrong with the steering", (Heard("steering_fails", False),)),
        ("the air con blows cold, some vents warm", ()),
    ],
)
def test_slips_and_other_senses(shipped: Knowledge, said: str, heard: tuple[Heard, ...]) -> None:
    """Several slips in a word are heard; a word in another sense is asked about; two dangers are told."""
    assert heard_dangers(shipped, said) == heard


def test_a_place_alone_fits_no_complaint(shipped: Knowledge) -> None:
    """The boot may be full of water, but a boot that does not stay up is something else."""
    assert fitting(shipped, "the boot won't stay up").complaints == ()
    assert fitting(shipped, "the boot is full of water").complaints[:1] == ("water_inside",)
