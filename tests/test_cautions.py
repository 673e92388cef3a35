"""Steps and remedies that can hurt have a caution that is about just that danger.

Which words of work are dangerous, and by what, is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from advisor.checks.lint import problems
from advisor.knowledge.loading import load
from advisor.knowledge.problems import Problem
from tests.conftest import HEAD, complaint, faults

CAUTIONS = {
    "voltage": "Orange cables, text: High voltage is for trained people.",
    "gas": "Refrigerant, text: It freezes skin and eyes.",
    "coolant": "Hot coolant, text: Let it cool before the cap is opened.",
    "fuel": "Fuel, text: No flames.",
    "airbags": "Side airbag, text: Do not strike near it.",
    "raised": "Raised car, text: On stands at the jacking points.",
    "exhaust": "Exhaust, text: Carbon monoxide kills without a smell.",
    "acid": "Battery acid, text: Goggles on.",
    "moving": "Belts and fans, text: Hands clear.",
    "roof": "Work on the roof, text: Stand on a platform.",
    "smoke": "Smoke in the cabin, text: Nobody inside.",
    "spray": "Water near electrics, text: Keep it off connectors.",
    "lamp": "UV lamp, text: Goggles on.",
    "spring": "Springs, text: Use the right compressor.",
    "crushing": "Falling lids, text: Prop it before you reach in.",
}
WORK = {
    "Unplug the orange cable at the inverter": "voltage",
    "Connect the gauges to the service valves": "gas",
    "Recover, replace the hose, fill by weight": "gas",
    "Open the radiator cap": "coolant",
    "Replace the thermostat, refill and bleed": "coolant",
    "Loosen the fuel line at the rail": "fuel",
    "Pull out an injector": "fuel",
    "Unplug the yellow connector below the seat": "airbags",
    "Replace the airbag": "airbags",
    "With the car raised, look for the plug": "raised",
    "Put it on a lift and shake the pipe": "raised",
    "Listen with the engine running": "exhaust",
    "Hold 2500 rpm for a minute": "exhaust",
    "Disconnect the battery for ten minutes": "acid",
    "Jump-start it": "acid",
    "Press the belt by hand": "moving",
    "Climb a ladder and look at the rail": "roof",
    "Let smoke into the cabin": "smoke",
    "Run the hose over the scuttle": "spray",
    "Shine the UV lamp along the edge": "lamp",
    "Change the coil spring": "spring",
    "Keep your hand out, or it is crushed": "crushing",
    "Hold the lid, worn struts let it fall on your head": "crushing",
}
HARMLESS = [
    "Coolant at 85 °C or more",
    "Unclip the seat belt",
    "Ask whether it comes with the engine running",
    "Usual for petrol is 80 A, for diesel 150 A",
    "Compare the cold-crank rating with the label",
    "Look along the roof lining",
    "Engine off, key out",
    "Pinch the hose shut",
    "The current falls as the plug is pulled",
]


def said_of(tmp_path: Path, step: str, cautions: str, *, remedy: bool = False) -> list[Problem]:
    """What the checker says about cautions where a reading's step, or a remedy, has these words."""
    item = f"cautions: [{cautions}]"
    one = faults("a", "b", a=item) if remedy else faults("a", "b")
    if remedy:
        one = one.replace("remedy: Mend it", f"remedy: '{step}'", 1)
        assert step in one
    step = "Look at it" if remedy else step
    reading = (
        f"readings:\n  look:\n    name: Look\n    minutes: 2\n    steps: ['{step}']\n"
        f"    cautions: [{'' if remedy else cautions}]\n    outcomes: {{no: No, yes: Yes}}\n"
        "    noisy_or: {leak: 5 of 100, causes: {a: 80 of 100, b: 20 of 100}}\n"
    )
    written = "cautions:\n" + "".join(f"  {name}: {{name: {words}}}\n" for name, words in CAUTIONS.items())
    written += (
        "  tidy: {name: Battery and fuel, signal: notice, text: Refrigerant and airbag codes are lost.}\n"
    )
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + complaint("any_of: {a: 60, b: 45}") + one + reading + written, encoding="utf-8")
    return [problem for problem in problems(load([file])) if problem.code == "caution"]


@pytest.mark.parametrize("remedy", [False, True], ids=["step", "remedy"])
@pytest.mark.parametrize("step", WORK)
def test_dangerous_work_needs_the_caution_about_its_danger(tmp_path: Path, step: str, remedy: bool) -> None:
    """No caution, every other caution and a mere notice are told of; the one about it is enough."""
    right = WORK[step]
    others = ", ".join(name for name in CAUTIONS if name != right)
    for cautions in ("", "tidy", others):
        (problem,) = said_of(tmp_path, step, cautions, remedy=remedy)
        assert problem.severity == "weak"
        assert right in problem.instead
        assert str(problem).count("'") >= 4, "the words that were found stand in quotes"
    assert said_of(tmp_path, step, right, remedy=remedy) == []


@pytest.mark.parametrize("step", HARMLESS)
def test_words_that_only_look_dangerous_are_left_in_peace(tmp_path: Path, step: str) -> None:
    """A temperature, a question to the customer or a seat belt calls for no caution."""
    assert said_of(tmp_path, step, "") == []


def test_the_dangerous_words_and_the_fitting_caution_are_named(tmp_path: Path) -> None:
    """The whole sentence, as an author reads it."""
    (problem,) = said_of(tmp_path, "Engine running, orange cable off", "exhaust")
    assert problem.what == (
        "The steps of 'look' speak of 'orange cable', and none of its cautions is about high voltage."
    )
    assert problem.instead == "Add to its 'cautions': voltage."


def test_a_danger_without_any_caution_asks_for_a_new_one(tmp_path: Path) -> None:
    """Where nobody has written a fitting caution yet, the checker says what it has to be about."""
    file = tmp_path / "x.yaml"
    one = faults("a", "b").replace("Mend it", "Replace the fuel pump", 1)
    file.write_text(HEAD + complaint("any_of: {a: 60, b: 45}") + one, encoding="utf-8")
    said = [problem.instead for problem in problems(load([file])) if problem.code == "caution"]
    assert said == ["Write a caution about fuel (signal: danger or warning) and name it in its 'cautions'."]


def test_a_setup_warns_of_its_own_steps_and_a_reading_is_covered_by_its_setups(tmp_path: Path) -> None:
    """The caution stands once, beside the steps; what depends on the setup needs no copy."""
    text = (
        HEAD
        + complaint("any_of: {a: 60, b: 45}")
        + faults("a", "b")
        + "setups:\n  runs:\n    name: Runs\n    hands_on_minutes: 1\n    steps: [Start the engine]\n"
        "    cautions: [exhaust]\n"
        "readings:\n  look:\n    name: Look\n    minutes: 2\n    setup: runs\n    steps: [Read it at idle]\n"
        "    outcomes: {no: No, yes: Yes}\n"
        "    noisy_or: {leak: 5 of 100, causes: {a: 80 of 100, b: 20 of 100}}\n"
        "cautions:\n  exhaust: {name: Exhaust gas, text: Extraction hose on.}\n"
    )
    file = tmp_path / "x.yaml"
    file.write_text(text, encoding="utf-8")
    assert [problem for problem in problems(load([file])) if problem.code == "caution"] == []
    file.write_text(text.replace("    cautions: [exhaust]\n", "    cautions: []\n"), encoding="utf-8")
    told = [problem for problem in problems(load([file])) if problem.code == "caution"]
    assert [problem.what.split("'")[1] for problem in told] == ["runs", "look"]
