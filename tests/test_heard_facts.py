"""Facts in the caller's sentence: offered to be confirmed. The sentences are invented."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from advisor.desk.heard_facts import heard_facts
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Fact


@pytest.mark.parametrize(
    ("said", "heard"),
    [
        (
            "won't start every other morning, the battery is two years old",
            {"battery_age": "two_to_five_years"},
        ),
        ("battery 4 years old", {"battery_age": "two_to_five_years"}),
        ("battery is 5 years old", {"battery_age": "two_to_five_years"}),
        ("a 7 year old battery", {"battery_age": "over_five_years"}),
        ("the battery is one year old", {"battery_age": "under_two_years"}),
        ("the battery is under two years old", {"battery_age": "under_two_years"}),
        ("it is an AGM battery", {"battery_type": "agm"}),
        ("the sunroof opens and the carpet is wet", {"roof_glass": "opens"}),
        ("the glass roof is fixed", {"roof_glass": "fixed"}),
        ("it has roof bars and whistles", {"bars_fitted": "fitted"}),
        ("there are no roof bars and it whistles", {"bars_fitted": "none"}),
        ("it is parked under trees", {"parking": "under_trees"}),
        ("my hybrid is dead every morning", {"powertrain": "hybrid"}),
        ("a plug-in hybrid, flat again", {"powertrain": "plug_in"}),
        ("an electric car that will not wake up", {"powertrain": "electric"}),
        ("it is a diesel van", {"powertrain": "diesel"}),
        ("flat since they fitted a dash cam", {"added_equipment": "camera_or_tracker"}),
        ("a dashcam is fitted and a towbar", {"added_equipment": "both"}),
        ("it has no dash cam", {}),
        ("a mild hybrid", {}),
        ("it smells of petrol", {}),
        ("diesel is leaking under the car", {}),
        ("the electric windows are slow", {}),
        ("the car is two years old and the battery is flat", {}),
        ("the battery is new", {}),
        ("it has an automatic gearbox", {}),
        ("flat after two days", {}),
    ],
)
def test_a_fact_is_heard_in_a_sentence(shipped: Knowledge, said: str, heard: dict[str, str]) -> None:
    """By the words of its value, or a number that is said of it; of another thing it is not heard."""
    assert heard_facts(shipped.facts, said) == heard


def test_phrases_are_written_for_a_value_that_the_fact_has() -> None:
    """A value that is misspelt would never be offered."""
    fact = {"name": "Keyless", "ask": "Keyless?", "values": {"none": 50, "fitted": 50}}
    Fact.model_validate({**fact, "customer": {"fitted": "keyless"}})
    with pytest.raises(ValidationError, match="'fited' is none of its values"):
        Fact.model_validate({**fact, "customer": {"fited": "keyless"}})


def test_a_value_is_shown_as_the_answer_that_the_author_wrote() -> None:
    """A question for yes or no offers "No" and "Yes"; where nothing is written the id has to do."""
    fact = {"name": "Camper", "ask": "Is it a camper?", "values": {"none": 94, "fitted_later": 6}}
    plain = Fact.model_validate(fact)
    assert [plain.in_words(one) for one in plain.values] == ["none", "fitted later"]
    said = Fact.model_validate({**fact, "words": {"none": "No", "fitted_later": "Yes"}})
    assert [said.in_words(one) for one in said.values] == ["No", "Yes"]
    with pytest.raises(ValidationError, match="'fited' is none of its values"):
        Fact.model_validate({**fact, "words": {"fited": "Yes"}})


def test_every_shipped_fact_has_words_for_its_values(shipped: Knowledge) -> None:
    """Nobody is asked whether it is a camper and offered "none" and "fitted"."""
    assert [name for name, fact in shipped.facts.items() if set(fact.words) != set(fact.values)] == []
    for name, fact in shipped.facts.items():
        assert len({fact.in_words(one) for one in fact.values}) == len(fact.values), name
