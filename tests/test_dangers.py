"""Danger in a customer's words: heard first, in any form, and asked about where it was denied.

The sentences are invented; which of them mean danger is common practice, no source.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.widgets import Input

from advisor.case.case import Case
from advisor.case.entries import ASKED, PHONE, TOLD, SaidByCustomer, Seen, Warned
from advisor.desk.booking import MAY_BE_DRIVEN, NOT_DRIVEN, booking_sheet
from advisor.desk.bookingsheet import document, fitting_lines
from advisor.desk.call import CallDangers, heard, looks_said, tag_and_said
from advisor.desk.questions import Fitting, fitting
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.dangers import Heard, heard_dangers
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.screens.desk.call import CallScreen
from advisor.screens.desk.callstart import LOOKING, MORE, NOT_ALL_READ_OUT, CallStartScreen
from advisor.screens.desk.days import DeskScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.paper import MarkdownView
from advisor.screens.widgets.ticks import TickList
from advisor.store.records import row_of
from tests.conftest import Ran
from tests.test_desk import at_desk, call_started
from tests.test_screens import said, settled, text_of, until

DANGERS = {
    "smoke_or_fire": [
        "smoke comes from the dash",
        "There's smoke coming out of the vents!",
        "it is smoking under the bonnet",
        "the wiring is on fire",
        "smells of burning when the heater is on",
        "a burnt smell from the fan",
        "smells like melting plastic",
        "I can see flames",
        "No, smoke is coming out of it",
        "the smoke won't stop",
        "it doesn't heat, just smokes",
        "it smells burnd",
        "somke from the dashboard",
    ],
    "fuel_escapes": [
        "there is fuel running out under the car",
        "petrol is dripping on my drive",
        "diesel leaking from the back",
        "it stinks of petrol inside",
        "a puddle of fuel beneath it",
        "I can smell gas in the garage",
        "petorl leeking? it is leaking petrol",
        "strong smell of diesal",
    ],
    "gas_escapes": [
        "gas is hissing out of the air con pipe",
        "refrigerant is spraying out at the front",
        "something hisses at a hose under the bonnet",
        "the air con pipe has burst",
        "gas hissing from the aircon",
        "my aircon blows warm since last summer, it hisses under the dash and there is a white mist",
        "there's a hiss behind the glovebox ever since the day in July when the air got warm",
        "it blows warm and a white mist comes from the vents",
        "it doesn't cool any more, and hisses",
    ],
    "exhaust_inside": [
        "smell of exhaust inside",
        "we get fumes in the cabin",
        "I get a headache in the car",
        "my wife felt sick on the way",
        "exhaust comes in through the vents",
    ],
    "boils_over": [
        "steam is coming from under the bonnet",
        "it boiled over on the hill",
        "the temperature needle is in the red",
        "it keeps overheating",
        "the temperature needle climbs in traffic",
    ],
    "high_voltage_hurt": [
        "an orange cable is hanging down",
        "my electric car was in a crash",
        "the hybrid stood in water up to the seats",
        "the charging plug got really hot",
    ],
    "battery_hurt": [
        "the battery is swollen",
        "smells of rotten eggs at the battery",
        "the battrey is leaking",
    ],
    "brakes_fail": [
        "no brakes",
        "the brakes don't work",
        "brake pedal goes to the floor",
        "the breaks have failed",
    ],
    "steering_fails": ["the steering locked up", "the wheel nuts are loose", "a tyre burst", "I can't steer"],
    "belt_slips": [
        "it smells of rubber and the charge lamp is on",
        "a rubber smell from the front, and the battery light",
        "the belt squeals and the charging light glows",
        "the alternator belt has snapped",
        "my steering went heavy and the battery lamp lit up",
    ],
    "red_lamp": ["a red light is on", "the engine light is flashing"],
    "lamp_oil": ["the oil pressure light came on", "the red oil can is lit"],
    "lamp_temperature": ["the temperature light is red"],
    "lamp_brake": ["the red brake warning light is on"],
    "lamp_charge": ["the battery light came on"],
    "somebody_hurt": [
        "my baby is locked in the car",
        "I burnt my hand on the hose",
        "acid got in my eye",
        "he is injured",
    ],
}
DENIED = [
    ("there is no smoke", "smoke_or_fire"),
    ("it does not smell of petrol", "fuel_escapes"),
    ("a smell, but it isn't petrol", "fuel_escapes"),
    ("I am not sure if it is smoke", "smoke_or_fire"),
    ("without any steam from the bonnet", "boils_over"),
    ("white mist from the vents when the air con starts, no smoke", "smoke_or_fire"),
]
HARMLESS = [
    "clear water under the car",
    "white mist from the vents when the air con starts",
    "windows misted on the outside",
]
ASKED_ABOUT = ["brakes squeal", "my brakes are grinding", "exhaust is loud"]
"""Outside what is known, and asked about once: it may be worse than it sounds."""
OUTSIDE = [
    "the gearbox jerks",
    "clutch slips",
    "flat tyre",
    "it needs a service",
    "engine knocks when cold",
    "a headlight bulb has gone",
    "the sat nav has no sound",
    "it pulls to the left",
    "the door does not lock",
    "airbag light is on",
    "suspension clunks over bumps",
    "uses a lot of oil",
    "MOT is due",
]
INSIDE = {
    "flat_battery": [
        "won't start",
        "battery keeps dying",
        "it wont turn over after the weekend",
        "just clicks",
    ],
    "water_inside": [
        "wet feet",
        "a puddle behind the driver's seat",
        "boot is full of water",
        "rain comes in",
    ],
    "misting_glass": ["windows fog up", "condensation on the windows"],
    "wind_noise": ["howling noise on the motorway", "wind noise from the door"],
    "no_heat": ["heater not working", "no heat"],
    "heat_one_side": ["only hot on the driver side"],
    "poor_cooling": ["air conditioning is warm", "aircon doesn't cool", "I think it needs gas"],
    "no_air": ["fan not working"],
    "smell": ["it smells musty", "stinks of mould"],
}


def pairs(sentences: dict[str, list[str]]) -> list[tuple[str, str]]:
    """Each sentence with what it stands under."""
    return [(name, one) for name, several in sentences.items() for one in several]


@pytest.mark.parametrize(("danger", "words"), pairs(DANGERS))
def test_danger_is_heard_in_what_people_say(shipped: Knowledge, danger: str, words: str) -> None:
    """Whatever the form of the words, and with a slip of the keys; nothing then sounds harmless."""
    assert Heard(danger, True) in heard_dangers(shipped, words)
    assert heard(shipped, words).harmless == ()


def test_a_needle_that_climbs_is_an_answer_with_a_warning(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> None:
    """It speaks for lost coolant, a tired pump or the head gasket, against a thermostat that stays open."""
    engine, gauge = shipped_engine("no_heat"), shipped.readings["gauge_low"]
    assert "roadside help" in gauge.warn["high"]
    before, after = (
        engine.query(case.evidence(shipped, engine)).marginals
        for case in (Case("no_heat"), Case("no_heat", (Seen("gauge_low", "high"),)))
    )
    for fault in ("coolant_low", "water_pump_weak", "combustion_gas"):
        assert after[fault][-1] > 1.3 * before[fault][-1]
    assert after["thermostat_open"][-1] < 0.5 * before["thermostat_open"][-1]


@pytest.mark.parametrize(("words", "danger"), DENIED)
def test_a_denied_danger_is_asked_about_and_nothing_is_called_harmless(
    shipped: Knowledge, words: str, danger: str
) -> None:
    """Whoever says "no smoke" has thought of smoke: the desk asks once before it says that all is well."""
    found = fitting(shipped, words)
    assert found.dangers == (Heard(danger, False),)
    assert found.harmless == ()
    (first, *_) = fitting_lines(shipped, found)
    assert first.startswith("ASK TO BE SURE: ")
    assert shipped.dangers[danger].ask in first


def test_what_is_harmless_is_still_told(shipped: Knowledge) -> None:
    """Clear water is no danger."""
    for words in HARMLESS:
        found = fitting(shipped, words)
        assert (found.dangers, len(found.harmless)) == ((), 1), words


@pytest.mark.parametrize(
    "words",
    [
        "puddle under the car in summer",
        "blows warm under the dash since last summer",
        "clear water under the car and the carpet is wet",
        "white mist from the vents and it smells musty",
        "white mist from the vents, and the air con does not get cold",
    ],
)
def test_nothing_is_called_normal_beside_a_complaint_or_without_its_own_words(
    shipped: Knowledge, words: str
) -> None:
    """Water has to be said before clear water is; what the car does besides is no reason to stay away."""
    assert fitting(shipped, words).harmless == ()


def test_who_hears_refrigerant_escape_is_told_what_protects_them(shipped: Knowledge) -> None:
    """Air the car, cooling off, no flame, do not breathe it (common practice, no source)."""
    tell = shipped.dangers["gas_escapes"].tell
    for words in ("air conditioning off", "air the car", "no naked flame", "Do not breathe"):
        assert words in tell


def test_the_words_of_complaints_are_no_danger_but_those_that_are(shipped: Knowledge) -> None:
    """A cry of wolf at each wet carpet would not be listened to for long."""
    said = [phrase for one in shipped.complaints.values() for phrase in one.customer]
    alarming = [phrase for phrase in said if heard_dangers(shipped, phrase)]
    assert alarming == ["Smell of exhaust or oil inside"]
    everyday = ["the engine light is on", *OUTSIDE, *(words for _, words in pairs(INSIDE))]
    everyday += ["the air con blows warm and the windows mist up", "it does not cool in traffic"]
    assert [one for one in everyday if any(one.sure for one in heard_dangers(shipped, one))] == []
    assert [one for one in everyday if heard_dangers(shipped, one)] == ["the engine light is on"]


@pytest.mark.parametrize(
    ("words", "heard_as"),
    [
        ("the engine light is on", Heard("lamp_unclear", False)),
        ("a yellow lamp came on", Heard("lamp_unclear", False)),
        ("the charge light is on", Heard("lamp_unclear", False)),
        ("the battery symbol is on while I drive", Heard("lamp_unclear", False)),
        ("battery light glows faintly", Heard("lamp_unclear", False)),
        ("there is a warning light on the dash", Heard("lamp_unclear", False)),
        ("the check engine light is flashing", Heard("red_lamp", True)),
        ("engine light on and it runs rough", Heard("red_lamp", True)),
        ("a red warning light is on", Heard("red_lamp", True)),
    ],
)
def test_a_warning_lamp_is_asked_about_unless_it_is_surely_red_or_flashing(
    shipped: Knowledge, words: str, heard_as: Heard
) -> None:
    """Red, flashing or with a rough engine: not to be driven (common practice, no source)."""
    found = fitting(shipped, words)
    assert found.dangers == (heard_as,)
    lines = list(fitting_lines(shipped, found))
    assert lines[0].startswith(NOT_DRIVEN if heard_as.sure else "ASK TO BE SURE: Which lamp is it")
    assert NOT_DRIVEN in "".join(lines)
    assert ("Drive it here gently" in "".join(lines)) is not heard_as.sure


@pytest.mark.parametrize(
    "words", ["my wife's car, water in the footwell", "wet passenger footwells in the car"]
)
def test_a_wet_footwell_is_no_trapped_foot(shipped: Knowledge, words: str) -> None:
    """The word was parted: a foot in the car called for an ambulance."""
    assert heard_dangers(shipped, words) == ()


@pytest.mark.parametrize("danger", ["brakes_fail", "steering_fails"])
def test_yes_to_what_is_asked_means_danger(shipped: Knowledge, danger: str) -> None:
    """What follows the question begins with "if so": a firm pedal needs no truck, a soft one does."""
    ask = shipped.dangers[danger].ask
    assert "as always" not in ask
    assert any(word in ask for word in ("worse", "differently"))


def test_sure_dangers_come_first_in_the_order_of_what_is_done(shipped: Knowledge) -> None:
    """Fire before a lamp, as they stand in the file, and what was denied comes last."""
    found = heard_dangers(shipped, "a red light is on and there is smoke but no petrol leaking")
    assert found == (Heard("smoke_or_fire", True), Heard("red_lamp", True), Heard("fuel_escapes", False))


@pytest.mark.parametrize("words", OUTSIDE)
def test_where_nothing_fits_a_general_inspection_is_to_be_booked(shipped: Knowledge, words: str) -> None:
    """Not the nearest complaint."""
    found = fitting(shipped, words)
    assert found.complaints == ()
    assert next(fitting_lines(shipped, found)) == (
        "These words are outside what the advisor knows: book a general inspection. Or ask:"
    )


@pytest.mark.parametrize("words", ASKED_ABOUT)
def test_what_may_be_worse_than_it_sounds_is_asked_about_beside_the_inspection(
    shipped: Knowledge, words: str
) -> None:
    """Brakes that squeal are no complaint known here, and whether they stop the car has to be known."""
    found = fitting(shipped, words)
    assert found.complaints == ()
    assert [one.sure for one in found.dangers] == [False]
    first, *_, last = fitting_lines(shipped, found)
    assert first.startswith("ASK TO BE SURE: ")
    assert "a general inspection is booked" in last


@pytest.mark.parametrize(("complaint", "words"), pairs(INSIDE))
def test_what_the_advisor_knows_is_found(shipped: Knowledge, complaint: str, words: str) -> None:
    """Everyday words lead to the complaint, as its first line or among the first two."""
    assert complaint in fitting(shipped, words).complaints[:2]


def test_who_drives_is_told_to_stop_before_anything_else(shipped: Knowledge) -> None:
    """Of whichever dangers are heard together the first says to stop, if one does (common practice)."""
    stops = [
        "top where it is safe" in " ".join(one.tell.split())
        for one in shipped.dangers.values()
        if not one.ask_first
    ]
    assert stops == sorted(stops, reverse=True)
    assert sum(stops) == 12
    words = "loud hiss under the bonnet, smells sweet, needle in the red"
    assert heard_dangers(shipped, words) == (Heard("boils_over", True), Heard("gas_escapes", True))
    battery = heard_dangers(shipped, "the battery is swollen and a red light is on")
    assert [one.danger for one in battery] == ["red_lamp", "battery_hurt"]


def test_a_hiss_may_be_refrigerant_or_coolant(shipped: Knowledge) -> None:
    """Neither is stated as a fact, and what protects from both is told (common practice)."""
    danger = shipped.dangers["gas_escapes"]
    assert danger.name == "Refrigerant or coolant may be escaping"
    assert "Hot coolant scalds." in danger.tell
    assert "opens the cooling system before it is cold" in " ".join(danger.do.split())


async def test_which_lamp_it_is_and_its_colour_decide_about_driving(tmp_path: Path) -> None:
    """Red oil: stop and be fetched, told in its own words; amber and steady: gently here; not known: red."""
    async with at_desk(tmp_path, (100, 40)) as pilot:
        screen = await call_started(pilot, "red van", "wet carpet, and the engine light is on")

        async def named(line: str) -> None:
            await pilot.press("f9")
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            await pilot.press(line)
            await until(pilot, lambda now: now is screen)
            await settled(pilot)

        await named("1")
        assert [one.danger for one in screen.dangers.open] == ["lamp_oil"]
        shown = " ".join(text_of(pilot).split())
        assert NOT_DRIVEN in shown
        assert "WARNING: Red oil lamp. Tell the customer at once: Stop where it is safe" in shown
        await pilot.press("f9")
        await settled(pilot)
        assert screen.dangers.settled == {"lamp_oil": TOLD}
        screen.query_one("#words", Input).value = "wet carpet"
        await settled(pilot)
        assert screen.dangers.unsaid == ("lamp_oil",)
        await pilot.press("f8")
        await settled(pilot)
        screen.query_one("#words", Input).value = "wet carpet, and the check engine light is on"
        await settled(pilot)
        await named("6")
        assert MAY_BE_DRIVEN in " ".join(text_of(pilot).split())
        await pilot.press("f9")
        await settled(pilot)
        assert screen.dangers.settled == {"lamp_amber": TOLD}
        screen.query_one("#words", Input).value = "wet carpet"
        await settled(pilot)
        await pilot.press("f8")
        await settled(pilot)
        screen.query_one("#words", Input).value = "wet carpet, the red light is flashing"
        await settled(pilot)
        await named("6")
        assert screen.dangers.told == ("red_lamp",)
        assert NOT_DRIVEN in " ".join(text_of(pilot).split())


async def test_of_several_dangers_f8_asks_which_is_not_so(tmp_path: Path) -> None:
    """The others stay; of the last one the line says which F8 takes back."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await call_started(pilot, "", "hiss under the bonnet, needle in the red")
        assert "told all 2. F8 if you asked and one of them is not so." in said(pilot, "#danger Static")
        await pilot.press("f8")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        await settled(pilot)
        shown = said(pilot, "#danger Static")
        assert "Not so: Refrigerant or coolant may be escaping." in shown
        assert "F8 if you asked and it is not so: Engine overheats." in shown
        assert [one.danger for one in screen.dangers.open] == ["boils_over"]
        await pilot.press("f8")
        await settled(pilot)
        assert "Not so: Engine overheats." in said(pilot, "#danger Static")
        assert screen.dangers.open == ()


async def test_told_counts_once_all_that_is_read_out_was_in_view(tmp_path: Path) -> None:
    """At 80 by 24 two dangers do not fit: a mark, PgDn, and F9 scrolls to the rest before it counts."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await call_started(pilot, "red van", "hiss under the bonnet, needle in the red")
        assert "takes the place of air, and some of it burns" not in " ".join(text_of(pilot).split())
        assert MORE in text_of(pilot)
        await pilot.press("f9")
        await settled(pilot)
        assert screen.dangers.told == ()
        assert NOT_ALL_READ_OUT in text_of(pilot)
        await pilot.press("pageup", "pageup")
        await settled(pilot)
        assert "May be driven: no." in text_of(pilot)
        await pilot.press("pagedown", "pagedown")
        await settled(pilot)
        assert "nobody opens the cooling system before it is cold." in " ".join(text_of(pilot).split())
        assert MORE not in text_of(pilot)
        await pilot.press("f9")
        await settled(pilot)
        assert screen.dangers.told == ("boils_over", "gas_escapes")


def test_the_command_says_what_to_tell_before_anything_else(advisor: Callable[..., Ran]) -> None:
    """With what is done then; "perhaps nothing is wrong" is not said."""
    done = advisor("prescreen", "--words", "gas is hissing out of the air con pipe")
    lines = done.out.splitlines()
    assert lines[0] == NOT_DRIVEN
    assert lines[1].startswith("DANGER: Refrigerant or coolant may be escaping. Tell the customer")
    assert "at once: Stop where it is safe, engine and air conditioning off" in lines[1]
    assert lines[2].startswith("  Then: It stands outside")
    assert "nothing is wrong" not in done.out


def test_a_complaint_chosen_does_not_silence_what_the_customer_said(advisor: Callable[..., Ran]) -> None:
    """The danger comes before the question, and stands on the sheet with the words as they were said."""
    call = ["prescreen", "--words", "gas is hissing out of the air con pipe", "--complaint", "poor_cooling"]
    lines = advisor(*call).out.splitlines()
    assert lines[0] == NOT_DRIVEN
    assert lines[1].startswith("DANGER: Refrigerant or coolant may be escaping. Tell the customer")
    assert any(line.startswith("  --said ") for line in lines)
    sheet = advisor(*call, "--sheet").out
    assert "DANGER, heard on the phone" in sheet
    assert "“gas is hissing out of the air con pipe”" in sheet
    assert "How it comes         on a recovery truck" in sheet


def test_the_command_asks_nothing_unrelated_below_a_danger(advisor: Callable[..., Ran]) -> None:
    """Where no complaint fits: the danger, what is done, and what to book."""
    lines = advisor("prescreen", "--words", "smoke comes from the dash").out.splitlines()
    assert lines[1].startswith("DANGER: Smoke or fire.")
    assert lines[3:] == ["No complaint that the advisor knows fits: a general inspection is booked."]


async def test_danger_follows_the_words_until_it_was_told_and_then_goes_with_the_job(tmp_path: Path) -> None:
    """F10 does not go on before; other words withdraw it and say so; the call has it afterwards."""
    async with at_desk(tmp_path, (100, 40)) as pilot:
        screen = await call_started(pilot, "red van", "smoke comes from the dash")
        words = screen.query_one("#words", Input)
        assert "DANGER: Smoke or fire" in text_of(pilot)
        assert said(pilot, "#danger Static").startswith(NOT_DRIVEN)
        screen.action_go()
        await settled(pilot)
        assert isinstance(pilot.app.screen, CallStartScreen)
        assert "The customer spoke of danger" in said(pilot, "#notice")
        words.value = "wet carpet"
        await settled(pilot)
        withdrawn = "Withdrawn: Smoke or fire. The words do not say it any more."
        assert said(pilot, "#danger Static") == withdrawn
        words.value = "wet carpet and smoke comes from the dash"
        await settled(pilot)
        assert "DANGER: Smoke or fire" in said(pilot, "#danger Static")
        assert withdrawn not in said(pilot, "#danger Static")
        screen.query_one(TickList).focus()
        await pilot.press("space")
        await settled(pilot)
        screen.action_told()
        await settled(pilot)
        told = said(pilot, "#danger Static")
        assert told.count("Told: Smoke or fire. Stop where it is safe") == 1
        screen.action_go()
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        call = pilot.app.screen
        assert isinstance(call, CallScreen)
        assert call.call.told[0] == NOT_DRIVEN
        assert call.call.told[1].startswith("Smoke or fire: Stop where it is safe")
        assert call.call.jobs[0].case.entries == (
            Warned("smoke_or_fire", TOLD),
            SaidByCustomer(PHONE, "wet carpet and smoke comes from the dash"),
        )


def test_danger_is_heard_in_the_tag_and_across_tag_and_words(shipped: Knowledge) -> None:
    """The cursor starts in the tag: what is typed there is heard like any other words."""
    for words, tag in (("", "there's fuel running out under the car"), ("wet carpet", "smoke from the dash")):
        assert heard(shipped, words, tag).dangers == heard_dangers(shipped, tag) != ()
    both = heard(shipped, "clear water under the car", "it smells of petrol")
    assert (both.dangers, both.harmless) == ((Heard("fuel_escapes", True),), ())
    assert heard(shipped, "clear water under the car", "red van").harmless == ("condensate",)


@pytest.mark.parametrize(
    ("tag", "is_said"),
    [
        ("there's fuel running out under the car", True),
        ("my carpet is wet", True),
        ("the lady from the corner shop rang", True),
        ("no smoke", True),
        ("red van", False),
        ("blue estate of the bakery", False),
        ("bay 2", False),
        ("", False),
    ],
)
def test_a_sentence_in_the_tag_looks_like_something_said(shipped: Knowledge, tag: str, is_said: bool) -> None:
    """A danger, a complaint or many words; the name of a car is none of these."""
    assert looks_said(shipped, tag) is is_said


async def test_a_sentence_typed_in_the_tag_warns_at_once_and_can_be_moved(tmp_path: Path) -> None:
    """It is never the car's name unless somebody says so; Enter too often ticks nothing."""
    async with at_desk(tmp_path, (100, 40)) as pilot:
        sentence = "there's fuel running out under the car"
        screen = await call_started(pilot, sentence, "")
        assert "DANGER: Fuel runs out" in said(pilot, "#danger Static")
        assert "The tag looks like what the customer says" in said(pilot, "#says")
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await settled(pilot)
        assert screen.query_one("#words", Input).value == sentence
        assert screen.query_one("#tag", Input).value == ""
        screen.query_one("#tag", Input).value = "red van"
        await pilot.press("enter", "enter", "enter", "enter", "enter")
        await settled(pilot)
        assert screen.chosen == set()
        advice = said(pilot, "#danger Static"), said(pilot, "#says")
        assert "Is it the heating" not in advice[1]
        await pilot.press("f10")
        await settled(pilot)
        assert (said(pilot, "#danger Static"), said(pilot, "#says")) == advice
        await pilot.press("f9")
        await settled(pilot)
        told = said(pilot, "#danger Static")
        assert told.startswith(f"{NOT_DRIVEN} Told: Fuel runs out, or a smell of fuel. Stop")
        assert "Is it the heating" not in said(pilot, "#says")


def test_a_told_danger_is_on_the_sheet_and_what_was_not_so_is_not(shipped: Knowledge) -> None:
    """First on the sheet what is done; "no visit" is never said of such a car."""
    engine = compile_tables(build(shipped, "wind_noise", by_phone=True).tables)
    told = Case("wind_noise", (Warned("fuel_escapes", TOLD), Warned("red_lamp", ASKED)))
    sheet = booking_sheet(shipped, engine, told, cars=50)
    assert sheet.dangers == ((shipped.dangers["fuel_escapes"].name, shipped.dangers["fuel_escapes"].do),)
    assert sheet.visit
    assert document([sheet], "red van", "today").sections[0].heading == "DANGER, heard on the phone"
    assert sheet.safety[0].startswith("Fuel runs out, or a smell of fuel: Stop where it is safe, engine off")
    assert filed_kinds(told) == [("warned", "fuel_escapes", "told"), ("warned", "red_lamp", "asked")]


def filed_kinds(case: Case) -> list[tuple[str, str, str]]:
    """The entries as rows of the database."""
    return [row_of(entry) for entry in case.entries]


def test_a_danger_is_withdrawn_with_the_words_unless_the_desk_has_confirmed_it() -> None:
    """Never silently, never for good; a "not so" about earlier words does not settle the next ones."""
    smoke, fuel = Heard("smoke", True), Heard("fuel", True)
    heard_both = CallDangers().hearing((smoke, fuel))
    assert (heard_both.open, heard_both.sure) == ((smoke, fuel), ("smoke", "fuel"))
    gone = heard_both.hearing((fuel,))
    assert (gone.open, gone.withdrawn) == ((fuel,), ("smoke",))
    assert gone.hearing((smoke, fuel)).withdrawn == ()
    assert CallDangers().hearing((Heard("smoke", False),)).hearing(()).withdrawn == ()
    told = gone.were_told().hearing(())
    assert (told.told, told.unsaid, told.withdrawn) == (("fuel",), ("fuel",), ("smoke",))
    dropped = told.not_so()
    assert (dropped.settled, dropped.withdrawn) == ({}, ("smoke", "fuel"))
    assert dropped.hearing((fuel,)).open == (fuel,)
    asked = CallDangers().hearing((smoke,)).not_so()
    assert (asked.open, asked.settled, asked.sure) == ((), {"smoke": ASKED}, ())
    assert asked.hearing(()).hearing((smoke,)).open == (smoke,)


def test_a_danger_of_which_the_customer_is_not_sure_counts_as_being_so() -> None:
    """Who cannot say whether it hisses has not said no: it is told, and the car is not driven."""
    smoke, hiss = Heard("smoke", True), Heard("hiss", False)
    asked = CallDangers().hearing((smoke, hiss))
    assert asked.sure == ("smoke",)
    unsure = asked.not_sure()
    assert unsure.open == (smoke, Heard("hiss", True))
    assert unsure.sure == ("smoke", "hiss")
    assert asked.not_sure(["smoke"]).open == asked.open
    assert unsure.hearing((smoke, hiss)).sure == ("smoke", "hiss")
    assert unsure.hearing((smoke,)).hearing((smoke, hiss)).sure == ("smoke",)
    assert unsure.not_so(["hiss"]).sure == ("smoke",)
    assert unsure.were_told(["hiss"]).told == ("hiss",)


@pytest.mark.parametrize(
    ("typed", "tag", "words"),
    [
        ("red van, carpet is wet", "red van", "carpet is wet"),
        ("red van my carpet is wet", "red van", "my carpet is wet"),
        ("there's fuel running out under the car", "", "there's fuel running out under the car"),
        ("smoke from the dash", "", "smoke from the dash"),
        ("wet carpet, red van", "", "wet carpet, red van"),
    ],
)
def test_of_a_tag_with_a_complaint_in_it_the_name_of_the_car_is_left(
    shipped: Knowledge, typed: str, tag: str, words: str
) -> None:
    """Only what was said is moved; where no name can be told from it all of it was said."""
    assert tag_and_said(shipped, typed) == (tag, words)


async def test_with_danger_on_the_line_no_complaint_has_to_be_ticked(tmp_path: Path) -> None:
    """F9 when it was told, then F10: the inspection and the recovery, as the screen says."""
    async with at_desk(tmp_path, (100, 30)) as pilot:
        await call_started(pilot, "red van", "smoke comes from the dash")
        await pilot.press("f9")
        await settled(pilot)
        assert "a general inspection is booked. F10 goes on to it." in said(pilot, "#says")
        await pilot.press("f10")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        sheet = pilot.app.screen.query_one(MarkdownView)
        await until(pilot, lambda _: "and the recovery of the car" in sheet.source)


async def test_danger_is_shown_before_the_rest_is_worked_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until then it says that it looks, and never that the words are outside what is known."""
    go_on = threading.Event()

    def slow(knowledge: Knowledge, words: str, tag: str) -> Fitting:
        assert go_on.wait(60)
        return heard(knowledge, words, tag)

    async with at_desk(tmp_path, (100, 30)) as pilot:
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        await settled(pilot)
        monkeypatch.setattr("advisor.screens.desk.callstart.heard", slow)
        try:
            pilot.app.screen.query_one("#words", Input).value = "smoke comes from the dash"
            await until(pilot, lambda _: "DANGER: Smoke or fire" in said(pilot, "#danger Static"))
            assert said(pilot, "#says") == LOOKING
        finally:
            go_on.set()
        await settled(pilot)
        assert said(pilot, "#says").startswith("No complaint that the advisor knows fits")


async def test_a_call_that_is_half_entered_is_not_left_without_asking(tmp_path: Path) -> None:
    """Escape meant as "back" loses nothing: neither the call, nor the program from the desk."""
    async with at_desk(tmp_path, (100, 30)) as pilot:
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        start = pilot.app.screen
        start.query_one("#tag", Input).value = "red van"
        await settled(pilot)
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await until(pilot, lambda screen: screen is start)
        assert start.query_one("#tag", Input).value == "red van"
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
