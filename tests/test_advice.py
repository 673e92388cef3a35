"""What to read next, why, and when to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from advisor.advice import (
    Advice,
    Contradiction,
    Proposal,
    StopRule,
    Workshop,
    advise,
    setups_of,
    suspicion,
    what_answers_do,
)
from advisor.case import Case, Known, Seen, Skipped
from advisor.engine import Engine, compile_tables
from advisor.knowledge import Knowledge
from advisor.network import build
from advisor.report import remedy_lines, stop_sentence, why
from tests.conftest import complaint, faults

DOOR = """\
complaints:
  rattle: {name: Door rattles, family: doors, any_of: {strap: 60, glass: 45}, unlisted: 5}
faults:
  strap:
    name: Strap loose
    remedy: Tighten the strap
    remedy_minutes: 10
    price: low
    cautions: [airbag]
  glass:
    name: Glass loose
    remedy: Reseat the glass
    remedy_minutes: 40
    price: middling
    given: {frame: {framed: impossible}}
facts:
  frame: {name: Window frame, ask: Is there a frame?, values: {framed: 40, frameless: 60}}
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 5
    setup: open_wide
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 2 of 100, causes: {strap: 90 of 100}}
  look:
    name: Look at the strap
    minutes: 1
    setup: open_wide
    outcomes: {tight: Tight, slack: Slack}
    noisy_or: {leak: 20 of 100, causes: {strap: 70 of 100}}
  tap:
    name: Tap the glass
    minutes: 2
    instrument: mallet
    outcomes: {dull: Dull, rings: Rings}
    table:
      - when: {glass: present}
        gives: {dull: 0.0, rings: 1.0}
      - otherwise: {dull: 0.9, rings: 0.1}
  seat:
    name: Glass in its seat
    minutes: 30
    who: certified
    outcomes: {seated: Seated, off: Off its seat}
    table:
      - when: {glass: present}
        gives: {seated: 0.05, off: 0.95}
      - otherwise: {seated: 1.0, off: 0.0}
  colour:
    name: Colour of the door
    minutes: 1
    outcomes: {red: Red, blue: Blue}
    noisy_or: {leak: 50 of 100, causes: {strap: 0.0, glass: 0.0}}
instruments:
  mallet: {name: Rubber mallet}
setups:
  open_wide: {name: Door wide open, hands_on_minutes: 2, waiting_minutes: 4, needs: [room, unlocked]}
  room: {name: Room beside the car, hands_on_minutes: 10, needs: [unlocked]}
  unlocked: {name: Car unlocked, hands_on_minutes: 1}
cautions:
  airbag: {name: Side airbag, text: Do not strike near it.}
"""


@dataclass(frozen=True)
class Bench:
    """Knowledge with its engine, and the advice on a case of it."""

    knowledge: Knowledge
    engine: Engine
    complaint: str

    def case(self, *entries: Known | Seen | Skipped) -> Case:
        """A case with these entries."""
        return Case(self.complaint, entries)

    def advise(
        self,
        *entries: Known | Seen | Skipped,
        workshop: Workshop | None = None,
        rule: StopRule | None = None,
    ) -> Advice:
        """The advice on a case with these entries."""
        return advise(self.knowledge, self.engine, self.case(*entries), workshop, rule)


def bench(knowledge: Knowledge, name: str) -> Bench:
    """A bench with the engine of a complaint."""
    return Bench(knowledge, compile_tables(build(knowledge, name).tables), name)


@pytest.fixture
def door(known: Callable[[str], Knowledge]) -> Bench:
    """A door that rattles, by its strap or its glass."""
    return bench(known(DOOR), "rattle")


def named(proposals: tuple[Proposal, ...]) -> list[str]:
    """The readings in their order."""
    return [proposal.reading for proposal in proposals]


def of(advice: Advice, reading: str) -> Proposal:
    """What is proposed about one reading."""
    return next(proposal for proposal in advice.proposals if proposal.reading == reading)


# --------------------------------------------------------------------------------------------- what to read


def test_readings_stand_by_what_they_tell(door: Bench) -> None:
    """The reading that tells most about the faults comes first; each figure is the engine's."""
    advice = door.advise()
    told = door.engine.outlook(door.case().evidence(door.knowledge, door.engine)).information_bits
    assert named(advice.proposals) == sorted(named(advice.proposals), key=lambda name: -told[name])
    assert {one.reading: one.information_bits for one in advice.proposals} == {
        name: bits for name, bits in told.items() if bits > 0
    }


def test_readings_stand_by_what_they_tell_a_minute(door: Bench) -> None:
    """By the minute a short look without setups comes before a thorough reading with them."""
    advice = door.advise()
    rates = [one.information_bits / one.minutes for one in advice.per_minute]
    assert rates == sorted(rates, reverse=True)
    assert rates == [one.information_bits_per_minute for one in advice.per_minute]
    assert named(advice.proposals)[0] == "seat"
    assert named(advice.per_minute)[0] == "tap"


def test_a_reading_that_tells_nothing_is_never_proposed(door: Bench) -> None:
    """The colour of the door hangs on no fault: it is in no list, not even at the end."""
    advice = door.advise()
    assert "colour" in door.engine.readings
    assert "colour" not in [*named(advice.proposals), *named(advice.per_minute)]
    assert "colour" not in [proposal.reading for proposal, _ in advice.left_out]


def test_a_reading_taken_is_not_proposed_again(door: Bench) -> None:
    """What was seen is seen."""
    assert "tap" not in named(door.advise(Seen("tap", "rings")).proposals)


def test_a_reading_that_tells_too_little_is_not_worth_its_minutes(door: Bench) -> None:
    """Below the least bits a reading is still listed, and never asked for by the minute."""
    advice = door.advise(rule=StopRule(least_bits=0.3))
    small = {one.reading for one in advice.proposals if one.information_bits < 0.3}
    assert "look" in small
    assert small.isdisjoint(named(advice.per_minute))


def test_much_work_has_to_tell_more(door: Bench) -> None:
    """What is worth a look is not worth an hour: bits count for hands-on time, and waiting for none.

    Those worth taking are listed first, each kind by its bits.
    """
    advice = door.advise(rule=StopRule(least_bits=0, least_bits_per_hour=1.5))
    worth = {one.reading for one in advice.per_minute}
    assert worth == {
        one.reading for one in advice.proposals if one.information_bits >= 1.5 / 60 * one.hands_on_minutes
    }
    wiggle = of(advice, "wiggle")
    assert (wiggle.hands_on_minutes, wiggle.minutes) == (18, 22)
    assert 0 < len(worth) < len(advice.proposals)
    asked = [(one.reading in worth, one.information_bits) for one in advice.proposals]
    assert asked == sorted(asked, reverse=True)


def test_setups_are_charged_once(door: Bench) -> None:
    """Until a reading that needs it is taken a setup costs its minutes, hands-on and waiting; then none."""
    before = door.advise()
    assert of(before, "wiggle").minutes == 5 + 1 + 10 + 6
    assert of(before, "wiggle").setups == ("unlocked", "room", "open_wide")
    after = door.advise(Seen("look", "slack"))
    assert of(after, "wiggle").minutes == 5
    assert of(after, "wiggle").setups == ()


def test_setups_are_charged_again_once_the_reading_is_taken_back(door: Bench) -> None:
    """Undoing the reading undoes what it paid for."""
    case = door.case(Seen("look", "slack")).undone()
    assert of(advise(door.knowledge, door.engine, case), "wiggle").minutes == 22


def test_a_skipped_reading_pays_for_no_setup(door: Bench) -> None:
    """Who could not take a reading has not set the car up for it."""
    assert of(door.advise(Skipped("look", "too dark")), "wiggle").minutes == 22


def test_what_a_setup_needs_comes_first(door: Bench) -> None:
    """Each setup stands once, after everything that it needs."""
    assert setups_of(door.knowledge, "wiggle") == ("unlocked", "room", "open_wide")
    assert setups_of(door.knowledge, "tap") == ()


def test_needs_of_the_shipped_setups_come_first(shipped: Knowledge) -> None:
    """The day's standing comes after charging and resting."""
    assert setups_of(shipped, "standing_loss") == ("charged", "charged_and_rested", "disconnected_a_day")


# -------------------------------------------------------------------------------------- what cannot be read


def test_what_the_workshop_lacks_is_left_out_with_what_that_costs(door: Bench) -> None:
    """A reading without its instrument or its person is not proposed; reason and lost bits are said."""
    with_all = door.advise()
    workshop = Workshop(without=frozenset({"mallet"}), who=frozenset({"technician"}))
    advice = door.advise(workshop=workshop)
    assert {"tap", "seat"}.isdisjoint([*named(advice.proposals), *named(advice.per_minute)])
    assert [(one.reading, reason) for one, reason in advice.left_out] == [
        ("seat", "needs a certified person"),
        ("tap", "no Rubber mallet"),
    ]
    assert [one.information_bits for one, _ in advice.left_out] == [
        of(with_all, "seat").information_bits,
        of(with_all, "tap").information_bits,
    ]


def test_questions_for_the_customer_need_the_customer(shipped: Knowledge, drain: Engine) -> None:
    """Once the customer has gone, what only they could answer is left out, and said to be."""
    workshop = Workshop(who=frozenset({"technician", "certified"}))
    advice = advise(shipped, drain, Case("flat_battery"), workshop)
    reasons = {proposal.reading: reason for proposal, reason in advice.left_out}
    assert reasons["short_trips"] == "the customer is not here"
    assert "short_trips" not in named(advice.proposals)


def test_a_skipped_reading_is_left_out_with_its_reason(door: Bench) -> None:
    """What cannot be done on this car is not asked for again, and its reason stands with what it costs."""
    advice = door.advise(Skipped("tap", "glass is cracked"))
    assert [(one.reading, reason) for one, reason in advice.left_out] == [("tap", "glass is cracked")]
    assert "tap" not in named(advice.proposals)


def test_a_skipped_reading_can_be_taken_after_all(door: Bench) -> None:
    """The answer counts, and the reason is forgotten."""
    assert door.advise(Skipped("tap", "no time"), Seen("tap", "rings")).left_out == ()


# ------------------------------------------------------------------------------------------- who is suspected


def test_suspects_stand_by_probability_with_what_the_last_entry_did(door: Bench) -> None:
    """The likeliest first; `before` is the belief without the last entry."""
    advice = door.advise(Seen("tap", "rings"), Seen("wiggle", "firm"))
    earlier = {one.fault: one.probability for one in door.advise(Seen("tap", "rings")).suspects}
    assert [one.fault for one in advice.suspects] == ["glass", "strap", "unlisted:rattle"]
    assert {one.fault: one.before for one in advice.suspects} == pytest.approx(earlier, abs=1e-12)
    assert [one.name for one in advice.suspects] == [
        "Glass loose",
        "Strap loose",
        "Something not listed here",
    ]


def test_the_complaint_alone_suspects_as_the_author_wrote(door: Bench) -> None:
    """At the start the suspects have the shares of the knowledge."""
    start = {one.fault: one.probability for one in door.advise().suspects}
    assert start == pytest.approx({"strap": 0.6, "glass": 0.45, "unlisted:rattle": 0.05}, abs=1e-9)


@pytest.mark.parametrize("reading", ["wiggle", "tap", "seat", "look", "colour"])
def test_what_the_answers_do_averages_to_what_is_believed_now(door: Bench, reading: str) -> None:
    """Nobody can expect to be moved: beliefs after the answers, weighed by their chances, are those now."""
    case = door.case(Known("frame", "frameless"), Seen("look", "slack"))
    if reading == "look":
        case = case.undone()
    now = door.engine.outlook(case.evidence(door.knowledge, door.engine)).beliefs
    answers = what_answers_do(door.knowledge, door.engine, case, reading)
    assert sum(answer.probability for answer in answers) == pytest.approx(1, abs=1e-12)
    for fault, belief in now.items():
        average = sum(answer.probability * answer.after[fault] for answer in answers)
        assert average == pytest.approx(belief, abs=1e-12)


def test_what_the_answers_do_averages_for_every_shipped_reading(shipped: Knowledge, drain: Engine) -> None:
    """The same for all readings of the flat battery, some way into a case."""
    case = Case("flat_battery", (Known("battery_age", "over_five_years"), Seen("sleeping_current", "raised")))
    now = drain.outlook(case.evidence(shipped, drain)).beliefs
    for reading in shipped.readings:
        if reading in drain.entries and reading not in case.seen:
            answers = what_answers_do(shipped, drain, case, reading)
            for fault, belief in now.items():
                average = sum(answer.probability * answer.after[fault] for answer in answers)
                assert average == pytest.approx(belief, abs=1e-12), (reading, fault)


def test_an_answer_does_what_was_said_that_it_would(door: Bench) -> None:
    """What is shown before an answer is what is believed after it."""
    said = {one.outcome: one for one in what_answers_do(door.knowledge, door.engine, door.case(), "tap")}
    after = {one.fault: one.probability for one in door.advise(Seen("tap", "dull")).suspects}
    assert said["dull"].words == "Dull"
    assert after == pytest.approx(dict(said["dull"].after), abs=1e-12)


def test_answers_that_cannot_come_are_not_offered(door: Bench) -> None:
    """With a frame the glass cannot be loose: it cannot be off its seat."""
    answers = what_answers_do(door.knowledge, door.engine, door.case(Known("frame", "framed")), "seat")
    assert [(one.outcome, one.probability) for one in answers] == [("seated", pytest.approx(1, abs=1e-12))]


def test_suspicion_is_told_for_every_step(door: Bench) -> None:
    """One stage more than there are entries: the start, and what was believed after each."""
    entries = (Known("frame", "frameless"), Seen("tap", "rings"))
    stages = suspicion(door.knowledge, lambda _: door.engine, door.case(*entries))
    assert len(stages) == 3
    for at, stage in enumerate(stages):
        believed = {one.fault: one.probability for one in door.advise(*entries[:at]).suspects}
        assert dict(stage) == pytest.approx(believed, abs=1e-12)


def test_why_a_reading_is_worth_taking_is_said_in_words(door: Bench) -> None:
    """The two suspects that its answers move apart, by name, and what it tells for its minutes."""
    advice = door.advise()
    tap = of(advice, "tap")
    answers = what_answers_do(door.knowledge, door.engine, door.case(), "tap")
    assert why(advice, answers, tap) == (
        f"Separates “Glass loose” from “Strap loose”: {tap.information_bits:.2f} bits for 2 min"
    )


# ------------------------------------------------------------------------------------------- when to stop


def test_the_search_goes_on_while_something_is_open(door: Bench) -> None:
    """At the start nobody is sure, and there is something to read."""
    assert door.advise().stop is None


def test_the_search_stops_when_one_is_sure_and_the_others_are_settled(door: Bench) -> None:
    """Sure enough of the first, and nothing else between 15 and 95 of 100."""
    advice = door.advise(Known("frame", "framed"), Seen("wiggle", "loose"))
    assert advice.stop is not None
    assert (advice.stop.reason, advice.stop.fault) == ("sure", "strap")
    assert advice.suspects[0].probability >= 0.95
    assert stop_sentence(door.knowledge, advice.stop) == "Sure enough: Strap loose."
    assert list(remedy_lines(door.knowledge, advice.stop)) == [
        "Remedy: Tighten the strap (10 min, price class low).",
        "WARNING, Side airbag: Do not strike near it.",
    ]


def test_a_second_cause_that_is_open_keeps_the_search_going(door: Bench) -> None:
    """Two causes at once are common: being sure of one is not the end while another may well be there."""
    advice = door.advise(Known("frame", "frameless"), Seen("seat", "off"))
    assert advice.suspects[0].probability == pytest.approx(1, abs=1e-12)
    assert 0.15 < advice.suspects[1].probability < 0.95
    assert advice.stop is None


def test_the_search_stops_when_nothing_is_left_that_is_worth_it(door: Bench) -> None:
    """All readings taken or out of reach, and nobody sure: the likeliest is named all the same."""
    skips = [Skipped(reading, "no time") for reading in ("wiggle", "look", "seat")]
    advice = door.advise(*skips, Seen("tap", "rings"))
    assert advice.stop is not None
    assert (advice.stop.reason, advice.stop.fault) == ("nothing-left", advice.suspects[0].fault)
    assert stop_sentence(door.knowledge, advice.stop).startswith(
        "No reading left is worth its minutes. Most likely: "
    )


def test_the_search_stops_outside_of_what_is_written(door: Bench) -> None:
    """With the listed causes cleared the unlisted one rises, and somebody senior is asked."""
    advice = door.advise(Known("frame", "framed"), Seen("wiggle", "firm"), Seen("look", "tight"))
    assert advice.stop is not None
    assert (advice.stop.reason, advice.stop.fault) == ("unlisted", "unlisted:rattle")
    assert stop_sentence(door.knowledge, advice.stop) == (
        "What was seen points outside what is written here. Ask somebody senior before anything is replaced."
    )
    assert list(remedy_lines(door.knowledge, advice.stop)) == []


def test_the_figures_of_the_stop_rule_can_be_chosen(door: Bench) -> None:
    """Who is content with 60 of 100 stops at the start."""
    advice = door.advise(rule=StopRule(sure_at=0.6 - 1e-9, settled_below=0.5))
    assert advice.stop is not None
    assert (advice.stop.reason, advice.stop.fault) == ("sure", "strap")


# -------------------------------------------------------------------------------------- what cannot be so


def test_answers_that_cannot_be_so_together_are_named_in_words(door: Bench) -> None:
    """The glass cannot be off its seat and sound dull: both are named as the technician gave them."""
    with pytest.raises(Contradiction) as refused:
        door.advise(Seen("wiggle", "loose"), Seen("tap", "dull"), Seen("seat", "off"))
    assert refused.value.clash == ("tap", "seat")
    assert str(refused.value) == (
        "These cannot be so together: Tap the glass: Dull; Glass in its seat: Off its seat. "
        "Repeat one of them, or take it back."
    )


def test_a_fact_that_rules_a_reading_out_is_named_with_it(door: Bench) -> None:
    """With a frame the glass cannot be off its seat."""
    with pytest.raises(Contradiction) as refused:
        door.advise(Known("frame", "framed"), Seen("seat", "off"))
    assert set(refused.value.clash) == {"frame", "seat"}
    assert str(refused.value) == (
        "These cannot be so together: Window frame: framed; Glass in its seat: Off its seat. "
        "Repeat one of them, or take it back."
    )


def test_an_answer_that_can_never_be_is_named_alone(known: Callable[[str], Knowledge]) -> None:
    """Where a single answer is impossible whatever is broken, it is the only one named."""
    text = (
        complaint("any_of: {a: 60, b: 45}")
        + faults("a", "b")
        + (
            "readings:\n  r:\n    name: Reading\n    minutes: 1\n    outcomes: {yes: Yes, no: Never}\n"
            "    table: [{when: {a: present}, gives: {yes: 1.0}}, {otherwise: {yes: 1.0}}]\n"
        )
    )
    with pytest.raises(Contradiction) as refused:
        bench(known(text), "c").advise(Seen("r", "no"))
    assert str(refused.value) == (
        "This cannot be, by what is written here: Reading: Never. Take it back, or repeat it."
    )


def test_a_later_answer_that_takes_a_clash_away_is_accepted(door: Bench) -> None:
    """The reading was repeated, as the message asks: what it said before no longer counts."""
    advice = door.advise(Seen("tap", "dull"), Seen("seat", "off"), Seen("tap", "rings"))
    fresh = door.advise(Seen("seat", "off"), Seen("tap", "rings"))
    now, expected = ({one.fault: one.probability for one in each.suspects} for each in (advice, fresh))
    assert now == pytest.approx(expected, abs=1e-12)


def test_a_contradiction_does_no_harm(door: Bench) -> None:
    """After a refusal the same engine gives the same advice as before it."""
    before = door.advise(Seen("tap", "rings"))
    with pytest.raises(Contradiction):
        door.advise(Seen("tap", "dull"), Seen("seat", "off"))
    assert door.advise(Seen("tap", "rings")) == before
