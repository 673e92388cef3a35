"""What to read next, why, and when to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest

from advisor.advice.advice import (
    Advice,
    CandidateReading,
    Stop,
    advise,
    outcome_effects,
)
from advisor.advice.rules import Workshop, bits_per_minute
from advisor.advice.situation import InconsistentEvidence, Situation, Situations, posterior_history
from advisor.bench.why import why
from advisor.bench.wording import remedy_lines, stop_sentence
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.case.entries import Checked, Known, Measured, Prepared, Repaired, Seen, Skipped
from advisor.inference import cliquetree
from advisor.inference.bounded import compile_bounded
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.model.network import build
from advisor.model.observation import Measurement
from advisor.papers.format import percent
from advisor.policy import DEFAULT, Policy
from tests import oracle
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
        policy: Policy = DEFAULT,
    ) -> Advice:
        """The advice on a case with these entries."""
        return advise(Situation.of(self.knowledge, self.engine, self.case(*entries), policy), workshop)


def bench(knowledge: Knowledge, name: str) -> Bench:
    """A bench with the engine of a complaint."""
    return Bench(knowledge, compile_tables(build(knowledge, name).tables), name)


@pytest.fixture
def door(known: Callable[[str], Knowledge]) -> Bench:
    """A door that rattles, by its strap or its glass."""
    return bench(known(DOOR), "rattle")


def named(proposals: tuple[CandidateReading, ...]) -> list[str]:
    """The readings in their order."""
    return [proposal.reading for proposal in proposals]


def of(advice: Advice, reading: str) -> CandidateReading:
    """What is proposed about one reading."""
    return next(proposal for proposal in advice.proposals if proposal.reading == reading)


# --------------------------------------------------------------------------------------------- what to read


def test_readings_stand_by_what_they_tell(door: Bench) -> None:
    """The reading that tells most about the faults comes first; each figure is the engine's."""
    advice = door.advise()
    told = door.engine.query(door.case().evidence(door.knowledge, door.engine)).expected_information_bits
    assert named(advice.by_bits) == sorted(named(advice.by_bits), key=lambda name: -told[name])
    assert {one.reading: one.expected_information_bits for one in advice.proposals} == {
        name: bits for name, bits in told.items() if bits > 0
    }
    assert {one.reading: one.name for one in advice.proposals}["wiggle"] == "Wiggle the strap"


def test_readings_stand_by_what_they_tell_for_their_time(door: Bench) -> None:
    """A short look without setups comes before a thorough reading with them, which is named beside it.

    The time is work, a quarter of the waiting, and four minutes for turning to a reading.
    """
    advice = door.advise()
    rates = [
        one.expected_information_bits
        / (one.hands_on_minutes + 0.25 * (one.minutes - one.hands_on_minutes) + 4)
        for one in advice.worth_taking
    ]
    assert rates == sorted(rates, reverse=True)
    assert rates == pytest.approx([one.information_bits_per_minute for one in advice.worth_taking])
    assert advice.proposals[: len(advice.worth_taking)] == advice.worth_taking
    assert set(advice.proposals) == set(advice.by_bits)
    assert named(advice.by_bits)[0] == "seat"
    assert named(advice.proposals)[0] == "tap"
    assert advice.tells_more == advice.by_bits[0]
    assert door.advise(policy=Policy(least_bits=0.8)).tells_more is None  # worth taking is the seat alone


def test_a_reading_that_tells_nothing_is_never_proposed(door: Bench) -> None:
    """The colour of the door depends on no fault: it is in no list, not even at the end."""
    advice = door.advise()
    assert "colour" in door.engine.readings
    assert "colour" not in [*named(advice.proposals), *named(advice.by_bits)]
    assert "colour" not in [proposal.reading for proposal, _ in advice.unavailable]


def test_a_reading_taken_is_not_proposed_again(door: Bench) -> None:
    """What was seen is seen."""
    assert "tap" not in named(door.advise(Seen("tap", "rings")).proposals)


def test_a_reading_that_tells_too_little_is_not_worth_its_minutes(door: Bench) -> None:
    """Below the least bits a reading is still listed, and never asked for."""
    advice = door.advise(policy=Policy(least_bits=0.3))
    small = {one.reading for one in advice.proposals if one.expected_information_bits < 0.3}
    assert "look" in small
    assert small.isdisjoint(named(advice.worth_taking))


def test_much_work_has_to_tell_more(door: Bench) -> None:
    """What is worth a look is not worth an hour: bits count for hands-on time, and waiting for none.

    Those worth taking are listed first; by bits alone, each kind by its bits.
    """
    advice = door.advise(policy=Policy(least_bits=0, least_bits_per_hour=1.5))
    worth = {one.reading for one in advice.worth_taking}
    assert worth == {
        one.reading
        for one in advice.proposals
        if one.expected_information_bits >= 1.5 / 60 * one.hands_on_minutes
    }
    wiggle = of(advice, "wiggle")
    assert (wiggle.hands_on_minutes, wiggle.minutes) == (18, 22)
    assert 0 < len(worth) < len(advice.proposals)
    asked = [(one.reading in worth, one.expected_information_bits) for one in advice.by_bits]
    assert asked == sorted(asked, reverse=True)
    assert [one.reading in worth for one in advice.proposals] == [is_worth for is_worth, _ in asked]


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
    case = door.case(Seen("look", "slack")).without_last()
    assert of(advise(Situation.of(door.knowledge, door.engine, case)), "wiggle").minutes == 22


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
    assert {"tap", "seat"}.isdisjoint([*named(advice.proposals), *named(advice.by_bits)])
    assert [(one.reading, reason) for one, reason in advice.unavailable] == [
        ("seat", "needs a certified person"),
        ("tap", "no Rubber mallet"),
    ]
    assert [one.expected_information_bits for one, _ in advice.unavailable] == [
        of(with_all, "seat").expected_information_bits,
        of(with_all, "tap").expected_information_bits,
    ]


def test_questions_for_the_customer_need_the_customer(shipped: Knowledge, drain: Engine) -> None:
    """Once the customer has gone, what only they could answer is left out, and said to be."""
    workshop = Workshop(who=frozenset({"technician", "certified"}))
    advice = advise(Situation.of(shipped, drain, Case("flat_battery")), workshop)
    reasons = {proposal.reading: reason for proposal, reason in advice.unavailable}
    assert reasons["short_trips"] == "the customer is not here"
    assert "short_trips" not in named(advice.proposals)


def test_a_skipped_reading_is_left_out_with_its_reason(door: Bench) -> None:
    """What cannot be done on this car is not asked for again, and its reason stands with what it costs."""
    advice = door.advise(Skipped("tap", "glass is cracked"))
    assert [(one.reading, reason) for one, reason in advice.unavailable] == [("tap", "glass is cracked")]
    assert "tap" not in named(advice.proposals)


def test_a_skipped_reading_can_be_taken_after_all(door: Bench) -> None:
    """The answer counts, and the reason is forgotten."""
    assert door.advise(Skipped("tap", "no time"), Seen("tap", "rings")).unavailable == ()


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


def test_suspects_that_are_equally_likely_stand_by_id(known: Callable[[str], Knowledge]) -> None:
    """Twenty-four causes of four in a hundred each: round-off puts none of them before another."""
    names = [f"c{number:02d}" for number in range(24)]
    shares = ", ".join(f"{name}: 4" for name in names)
    knowledge = known(complaint(f"exactly_one_of: {{{shares}}}", 4) + faults(*names))
    engine = compile_tables(build(knowledge, "c").tables)
    found = [one.fault for one in advise(Situation.of(knowledge, engine, Case("c"))).suspects]
    assert found == [*names, "unlisted:c"]


def test_the_complaint_alone_suspects_as_the_author_wrote(door: Bench) -> None:
    """At the start the suspects have the shares of the knowledge."""
    start = {one.fault: one.probability for one in door.advise().suspects}
    assert start == pytest.approx({"strap": 0.6, "glass": 0.45, "unlisted:rattle": 0.05}, abs=1e-9)


@pytest.mark.parametrize("reading", ["wiggle", "tap", "seat", "look", "colour"])
def test_what_the_answers_do_averages_to_what_is_believed_now(door: Bench, reading: str) -> None:
    """Nobody can expect to be moved: beliefs after the answers, weighed by their chances, are those now."""
    case = door.case(Known("frame", "frameless"), Seen("look", "slack"))
    if reading == "look":
        case = case.without_last()
    now = door.engine.query(case.evidence(door.knowledge, door.engine)).beliefs
    answers = outcome_effects(Situation.of(door.knowledge, door.engine, case), reading)
    assert sum(answer.probability for answer in answers) == pytest.approx(1, abs=1e-12)
    for fault, belief in now.items():
        average = sum(answer.probability * answer.after[fault] for answer in answers)
        assert average == pytest.approx(belief, abs=1e-12)


def test_what_the_answers_do_averages_for_every_shipped_reading(shipped: Knowledge, drain: Engine) -> None:
    """The same for all readings of the flat battery, some way into a case."""
    case = Case("flat_battery", (Known("battery_age", "over_five_years"), Seen("sleeping_current", "raised")))
    now = drain.query(case.evidence(shipped, drain)).beliefs
    for reading in shipped.readings:
        if reading in drain.entries and reading not in case.outcomes:
            answers = outcome_effects(Situation.of(shipped, drain, case), reading)
            for fault, belief in now.items():
                average = sum(answer.probability * answer.after[fault] for answer in answers)
                assert average == pytest.approx(belief, abs=1e-12), (reading, fault)


def test_an_answer_does_what_was_said_that_it_would(door: Bench) -> None:
    """What is shown before an answer is what is believed after it."""
    said = {
        one.outcome: one
        for one in outcome_effects(Situation.of(door.knowledge, door.engine, door.case()), "tap")
    }
    after = {one.fault: one.probability for one in door.advise(Seen("tap", "dull")).suspects}
    assert said["dull"].words == "Dull"
    assert after == pytest.approx(dict(said["dull"].after), abs=1e-12)


def test_answers_that_cannot_come_are_not_offered(door: Bench) -> None:
    """With a frame the glass cannot be loose: it cannot be off its seat."""
    answers = outcome_effects(
        Situation.of(door.knowledge, door.engine, door.case(Known("frame", "framed"))), "seat"
    )
    assert [(one.outcome, one.probability) for one in answers] == [("seated", pytest.approx(1, abs=1e-12))]


def test_suspicion_is_told_for_every_step(door: Bench) -> None:
    """One stage more than there are entries: the start, and what was believed after each."""
    entries = (Known("frame", "frameless"), Seen("tap", "rings"))
    stages = posterior_history(Situations(door.knowledge, lambda _: door.engine), door.case(*entries))
    assert len(stages) == 3
    for at, stage in enumerate(stages):
        believed = {one.fault: one.probability for one in door.advise(*entries[:at]).suspects}
        assert dict(stage) == pytest.approx(believed, abs=1e-12)
    assert posterior_history(Situations(door.knowledge, lambda _: door.engine), door.case()) == stages[:1]


def test_suspicion_goes_on_through_what_was_measured(meters: Bench) -> None:
    """15 V, by a meter that is hardly ever 3 V off, rules out what would leave less than 12 V."""
    measured = Measured("r", (Measurement("r", 15.0, "clear", "15 V"),))
    before, after = posterior_history(
        Situations(meters.knowledge, lambda _: meters.engine), Case("c", (measured,))
    )
    assert before["a"] == pytest.approx(0.6, abs=1e-9)
    assert after["a"] < 1e-9
    (suspect,) = (
        one
        for one in advise(
            Situation.of(meters.knowledge, meters.engine, Case("c", (measured, Seen("never", "yes"))))
        ).suspects
        if one.fault == "b"
    )
    assert suspect.before == pytest.approx(after["b"], abs=1e-12)
    (answer,) = outcome_effects(
        Situation.of(meters.knowledge, meters.engine, Case("c", (measured,))), "never"
    )
    assert (answer.outcome, answer.words, answer.probability) == ("yes", "Yes", 1.0)
    assert dict(answer.after) == pytest.approx(dict(after), abs=1e-12)


def test_why_a_reading_is_worth_taking_is_said_in_words(door: Bench) -> None:
    """The two suspects that its answers move apart, by name."""
    advice = door.advise()
    tap = of(advice, "tap")
    answers = outcome_effects(Situation.of(door.knowledge, door.engine, door.case()), "tap")
    words = why(door.knowledge, door.case().complaint, advice, answers, tap)
    assert words.startswith("Tells “Glass loose” from “Strap loose”: “")


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
        "By exclusion, not proved: see the fault on the part itself before parts are ordered.",
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
    advice = door.advise(policy=Policy(sure_at=0.6 - 1e-9, settled_below=0.5))
    assert advice.stop is not None
    assert (advice.stop.reason, advice.stop.fault) == ("sure", "strap")


# -------------------------------------------------------------------------------------- what cannot be so


def test_answers_that_cannot_be_so_together_are_named_in_words(door: Bench) -> None:
    """The glass cannot be off its seat and sound dull: both are named as the technician gave them."""
    with pytest.raises(InconsistentEvidence) as refused:
        door.advise(Seen("wiggle", "loose"), Seen("tap", "dull"), Seen("seat", "off"))
    assert refused.value.clash == ("tap", "seat")
    assert str(refused.value) == (
        "These answers contradict each other: Tap the glass: Dull; Glass in its seat: Off its seat. "
        "Repeat one of them, or take it back."
    )


def test_a_fact_that_rules_a_reading_out_is_named_with_it(door: Bench) -> None:
    """With a frame the glass cannot be off its seat."""
    with pytest.raises(InconsistentEvidence) as refused:
        door.advise(Known("frame", "framed"), Seen("seat", "off"))
    assert set(refused.value.clash) == {"frame", "seat"}
    assert str(refused.value) == (
        "These answers contradict each other: Window frame: framed; Glass in its seat: Off its seat. "
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
    with pytest.raises(InconsistentEvidence) as refused:
        bench(known(text), "c").advise(Seen("r", "no"))
    assert str(refused.value) == (
        "This does not fit any listed fault: Reading: Never. Take it back, or repeat it."
    )


def test_a_later_answer_that_takes_a_clash_away_is_accepted(door: Bench) -> None:
    """The reading was repeated, as the message asks: what it said before no longer counts."""
    advice = door.advise(Seen("tap", "dull"), Seen("seat", "off"), Seen("tap", "rings"))
    fresh = door.advise(Seen("seat", "off"), Seen("tap", "rings"))
    now, expected = ({one.fault: one.probability for one in each.suspects} for each in (advice, fresh))
    assert now == pytest.approx(expected, abs=1e-12)


def test_advice_is_unchanged_after_a_refused_contradiction(door: Bench) -> None:
    """After a refusal the same engine gives the same advice as before it."""
    before = door.advise(Seen("tap", "rings"))
    with pytest.raises(InconsistentEvidence):
        door.advise(Seen("tap", "dull"), Seen("seat", "off"))
    assert door.advise(Seen("tap", "rings")) == before


# -------------------------------------------------------------------------------------- by hand, at the edge


def proposal(bits: float, minutes: float, hands_on: float) -> CandidateReading:
    """A proposal with these figures."""
    rate = bits_per_minute(DEFAULT, bits, minutes, hands_on)
    return CandidateReading("r", "Reading", bits, rate, minutes, hands_on, (), None, None, bits)


def test_a_reading_is_worth_taking_at_exactly_the_least(door: Bench) -> None:
    """0.03 bits, and 0.3 bits for an hour of hands-on time; waiting does not count."""
    rule = DEFAULT
    assert proposal(0.03, 900, 4).is_worth_taking(rule)
    assert not proposal(0.0299, 1, 0).is_worth_taking(rule)
    assert proposal(0.3, 900, 60).is_worth_taking(rule)
    assert not proposal(0.299, 60, 60).is_worth_taking(rule)


def test_a_reading_of_no_time_is_charged_for_turning_to_it() -> None:
    """0.3 bits in no time count as in 4 minutes; with 8 minutes of waiting as in 6."""
    assert proposal(0.3, 0, 0).information_bits_per_minute == pytest.approx(0.075)
    assert proposal(0.3, 8, 0).information_bits_per_minute == pytest.approx(0.05)


def test_sure_is_at_the_figure_and_settled_is_at_the_other_one(door: Bench) -> None:
    """With exactly the figure the leading cause is sure, and a second one at the lower figure is settled."""
    first, second, *_ = door.advise().suspects
    at = Policy(sure_at=first.probability, settled_below=second.probability)
    stop = door.advise(policy=at).stop
    assert stop is not None
    assert (stop.reason, stop.fault) == ("sure", "strap")
    assert door.advise(policy=replace(at, sure_at=first.probability + 1e-9)).stop is None
    assert door.advise(policy=replace(at, settled_below=second.probability - 1e-9)).stop is None


def test_nothing_left_may_point_outside_of_what_is_written(door: Bench) -> None:
    """Where nothing is worth taking and an unlisted cause leads, unsure as it is, that is what is said."""
    advice = door.advise(
        Known("frame", "framed"),
        Seen("wiggle", "firm"),
        Seen("look", "tight"),
        policy=Policy(sure_at=1.0, least_bits=9),
    )
    assert advice.suspects[0].fault == "unlisted:rattle"
    assert advice.stop == Stop("unlisted", "unlisted:rattle")


def test_a_sure_cause_outside_of_what_is_written_is_said_whatever_is_left_to_read(
    known: Callable[[str], Knowledge],
) -> None:
    """The strap is as good as ruled out: with figures that call that settled, it is no listed cause."""
    door = bench(known(DOOR.replace("unlisted: 5", "unlisted: 40")), "rattle")
    entries = (Known("frame", "framed"), Seen("wiggle", "firm"))
    first, second, *_ = door.advise(*entries).suspects
    advice = door.advise(*entries, policy=Policy(sure_at=first.probability, settled_below=second.probability))
    assert advice.worth_taking
    assert advice.stop == Stop("unlisted", "unlisted:rattle")


TWINS = (
    complaint("any_of: {b: 50, a: 50}")
    + faults("b", "a")
    + "readings:\n"
    + "".join(
        f"  {name}: {{name: Reading {name}, minutes: {minutes}, outcomes: {{no: No, yes: Yes}}, "
        f"noisy_or: {{leak: 0.1, causes: {{{cause}: 0.8}}}}}}\n"
        for name, minutes, cause in (("slow", 9, "a"), ("quick", 1, "a"), ("late", 4, "b"), ("early", 4, "b"))
    )
)


def test_what_is_alike_stands_by_minutes_and_then_by_name(known: Callable[[str], Knowledge]) -> None:
    """Equal suspects by name; of readings that tell the same the shorter one first, then by name."""
    twins = bench(known(TWINS), "c")
    advice = twins.advise()
    assert [one.fault for one in advice.suspects] == ["a", "b", "unlisted:c"]
    told = {one.reading: one.expected_information_bits for one in advice.proposals}
    assert told["slow"] == told["quick"]
    assert told["late"] == told["early"]
    order = named(advice.proposals)
    assert order.index("quick") < order.index("slow")
    assert order.index("early") < order.index("late")
    assert named(advice.worth_taking)[0] == "quick"
    assert named(advice.worth_taking)[1:3] == ["early", "late"]
    skipped = twins.advise(*(Skipped(name, "no time") for name in ("slow", "quick", "late", "early")))
    assert [one.reading for one, _ in skipped.unavailable] == ["quick", "early", "late", "slow"]
    assert {reason for _, reason in skipped.unavailable} == {"no time"}


METERS = (
    complaint("any_of: {a: 60, b: 45}")
    + faults("a", "b")
    + """\
instruments:
  clear: {name: Fine meter, units: [V], accuracy: {V: {absolute: 0.1}}}
  rough: {name: Coarse meter, units: [V], accuracy: {V: {absolute: 3}}}
readings:
  r:
    name: Volts
    minutes: 2
    instrument: [rough, clear]
    quantity: {unit: V, range: [0, 20], bands: {low: Low, full: Full}, limits: [12]}
    table: [{when: {a: present}, gives: {low: 1.0}}, {otherwise: {full: 1.0}}]
  never:
    name: Never
    minutes: 1
    who: customer
    ask: Ever?
    outcomes: {yes: Yes, no: Never}
    table: [{when: {a: present}, gives: {yes: 1.0}}, {otherwise: {yes: 1.0}}]
"""
)


@pytest.fixture
def meters(known: Callable[[str], Knowledge]) -> Bench:
    """A voltage that either of two meters shows."""
    return bench(known(METERS), "c")


def test_a_reading_is_worth_what_the_best_meter_at_hand_tells(meters: Bench) -> None:
    """Without the fine meter the coarse one's bits count, and the fine one's are said beside them."""
    told = meters.engine.query({"c": meters.engine.one_hot("c", "present")}).expected_information_bits
    assert told["r"] > told["r@clear"] > told["r@rough"] > 0
    best = ("clear", told["r@clear"])
    both = of(meters.advise(), "r")
    assert (both.instrument, both.expected_information_bits) == ("clear", told["r@clear"])
    assert (both.best_instrument, both.best_bits) == best
    one = of(meters.advise(workshop=Workshop(frozenset({"clear"}))), "r")
    assert (one.instrument, one.expected_information_bits) == ("rough", told["r@rough"])
    assert (one.best_instrument, one.best_bits) == best
    (left,) = meters.advise(workshop=Workshop(frozenset({"clear", "rough"}))).unavailable
    assert left[1] == "no Coarse meter or Fine meter"
    assert (left[0].reading, left[0].expected_information_bits) == ("r", told["r@clear"])


def test_what_is_written_after_a_reading_that_tells_nothing_is_proposed(
    known: Callable[[str], Knowledge],
) -> None:
    """Meters, and a question with one answer only, stand before it in the file."""
    later = (
        "  s: {name: S, minutes: 1, outcomes: {no: No, yes: Yes}, noisy_or: {leak: 0.1, causes: {b: 0.8}}}\n"
    )
    assert set(named(bench(known(METERS + later), "c").advise().proposals)) == {"r", "s"}


def test_a_reading_without_an_instrument_names_none(door: Bench) -> None:
    """Its bits are the exact ones."""
    look = of(door.advise(), "look")
    assert (look.instrument, look.best_instrument) == (None, None)
    assert look.expected_information_bits == look.best_bits


def test_a_technicians_reading_waits_for_a_technician(door: Bench) -> None:
    """With the customer alone at the car what somebody has to do there is left out, and said to be."""
    advice = door.advise(workshop=Workshop(who=frozenset({"customer"})))
    assert {reason for _, reason in advice.unavailable} == {"needs a technician", "needs a certified person"}
    assert advice.proposals == ()


def test_waiting_that_is_left_is_charged_with_the_work_between(door: Bench) -> None:
    """Room is made once the car is unlocked: 3, 10 and 7 minutes; one that is missing adds its own."""
    start = datetime(2030, 1, 1, 18, 0, tzinfo=UTC)
    setups = dict(door.knowledge.setups)
    for setup, minutes in (("unlocked", 3.0), ("room", 7.0)):
        setups[setup] = setups[setup].model_copy(update={"waiting_minutes": minutes})
    knowledge = replace(door.knowledge, setups=setups)
    begun = Case("rattle", tuple(Prepared(setup, start.isoformat()) for setup in ("unlocked", "room")))
    advice = advise(Situation.of(knowledge, door.engine, begun), now=start)
    wiggle = of(advice, "wiggle")
    assert (wiggle.setups, wiggle.hands_on_minutes) == (("open_wide",), 7)
    assert wiggle.minutes == 7 + (3 + 10 + 7) + 4


# ----------------------------------------------------------------------------------- before and after


def test_a_case_is_tried_before_it_is_kept(door: Bench, meters: Bench) -> None:
    """A case that can be is weighed; one that cannot names what clashes."""
    Situation.of(door.knowledge, door.engine, door.case(Seen("tap", "rings"), Seen("seat", "off")))
    volts = Measured("r", (Measurement("r", 15.0, "clear", "15 V"),))
    Situation.of(meters.knowledge, meters.engine, Case("c", (volts,)))
    with pytest.raises(InconsistentEvidence) as refused:
        Situation.of(door.knowledge, door.engine, door.case(Seen("tap", "dull"), Seen("seat", "off")))
    assert refused.value.clash == ("tap", "seat")
    assert str(refused.value) == (
        "These answers contradict each other: Tap the glass: Dull; Glass in its seat: Off its seat. "
        "Repeat one of them, or take it back."
    )


def test_a_clash_with_the_complaint_names_it_and_what_was_typed(known: Callable[[str], Knowledge]) -> None:
    """A voltage that no cause of the complaint leaves, typed in two goes, stands as it was typed."""
    rows = "".join(f"{{when: {{{one}: present}}, gives: {{low: 1.0}}}}, " for one in ("b", "'unlisted:c'"))
    meters = bench(known(METERS.replace("{otherwise: {full: 1.0}}", rows + "{otherwise: {full: 1.0}}")), "c")
    takes = [Measured("r", (Measurement("r", 15.0, "", typed),)) for typed in ("15 V", "15.0")]
    with pytest.raises(InconsistentEvidence) as refused:
        advise(Situation.of(meters.knowledge, meters.engine, Case("c", tuple(takes))))
    assert set(refused.value.clash) == {"c", "r"}
    assert "Volts: 15 V, 15.0" in str(refused.value)
    assert "the complaint Complaint" in str(refused.value)


def test_beliefs_are_compared_with_what_is_given_and_never_with_a_clash(door: Bench) -> None:
    """What the caller had counts; where the last entry took a clash away nothing is compared."""
    earlier = dict.fromkeys(("strap", "glass", "unlisted:rattle"), 0.25)
    case = door.case(Seen("tap", "rings"))
    advice = advise(Situation.of(door.knowledge, door.engine, case), before=earlier)
    assert {one.before for one in advice.suspects} == {0.25}
    cleared = door.advise(Seen("tap", "dull"), Seen("seat", "off"), Seen("tap", "rings"))
    assert all(one.before == one.probability for one in cleared.suspects)


def test_suspicion_stands_still_while_entries_clash(door: Bench) -> None:
    """The stage of a clash repeats the one before it; once it is taken away suspicion goes on."""
    entries = (Seen("wiggle", "loose"), Seen("tap", "dull"), Seen("seat", "off"), Seen("tap", "rings"))
    stages = posterior_history(Situations(door.knowledge, lambda _: door.engine), door.case(*entries))
    assert stages[3] == stages[2] != stages[1]
    believed = {one.fault: one.probability for one in door.advise(*entries).suspects}
    assert dict(stages[-1]) == pytest.approx(believed, abs=1e-12)


def test_suspicion_goes_on_through_a_repair(door: Bench) -> None:
    """Each stage is counted by the engine of its repairs, and tells of the car as it is then."""
    repaired = Repaired("strap", "2030-01-01T10:00:00+00:00")
    case = Case("rattle", (Seen("tap", "rings"), repaired, Checked("rattle", "still there")))

    def engine_of(stage: Case) -> Engine:
        return compile_tables(build(door.knowledge, "rattle", stage.repairs).tables)

    stages = posterior_history(Situations(door.knowledge, engine_of), case)
    assert [set(stage) for stage in stages] == [{"strap", "glass", "unlisted:rattle"}] * 4
    assert stages[2]["strap"] < 0.1 < stages[1]["strap"]
    advice = advise(Situation.of(door.knowledge, engine_of(case), case))
    assert dict(stages[3]) == pytest.approx(
        {one.fault: one.probability for one in advice.suspects}, abs=1e-12
    )
    just_repaired = Case("rattle", case.entries[:2])
    told = advise(Situation.of(door.knowledge, engine_of(just_repaired), just_repaired))
    assert all(one.before == one.probability for one in told.suspects)
    assert told.stop == Stop("check", "strap")


def test_a_setup_that_the_knowledge_no_longer_has_waits_for_nothing(door: Bench) -> None:
    """One begun under older knowledge is nowhere; those that are known run by the clock alone.

    What a setup needs is in place with it.
    """
    start = datetime(2030, 1, 1, 18, 0, tzinfo=UTC)
    case = Case("rattle", tuple(Prepared(name, start.isoformat()) for name in ("gone", "open_wide")))

    def waits(knowledge: Knowledge, case: Case, now: datetime) -> dict[str, float]:
        return present(knowledge, case).waiting_minutes(now)

    left = waits(door.knowledge, case, start + timedelta(minutes=1))
    assert left == {"open_wide": 3.0, "room": 0.0, "unlocked": 0.0}
    used = case.with_entry(Seen("look", "slack"))
    assert waits(door.knowledge, used, start)["open_wide"] == 4.0
    other = case.with_entry(Seen("tap", "rings"))
    assert waits(door.knowledge, other, start)["open_wide"] == 4.0
    again = used.with_entry(Prepared("open_wide", (start + timedelta(hours=1)).isoformat()))
    assert waits(door.knowledge, again, start + timedelta(hours=1))["open_wide"] == 4.0


WIDE = """\
readings:
  r:
    name: R
    minutes: 2
    outcomes: {usual: Usual, odd: Odd}
    noisy_or: {leak: 0.02, causes: {a: 0.9, b: 0.8, d: 0.02}}
  s:
    name: S
    minutes: 2
    outcomes: {usual: Usual, odd: Odd}
    noisy_or: {leak: 0.02, causes: {a: 0.7, b: 0.02, d: 0.6}}
"""


def test_advice_that_is_not_exact_says_how_far_it_may_be_off(
    known: Callable[[str], Knowledge], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for two of a reading's three causes no number is further from enumeration."""
    knowledge = known(complaint("any_of: {a: 40, b: 40, d: 30}") + faults("a", "b", "d") + WIDE)
    tables = build(knowledge, "c").tables
    case = Case("c", (Seen("r", "odd"),))
    whole = compile_tables(tables)
    exact = oracle.enumerate_answers(tables, case.evidence(knowledge, whole))
    assert advise(Situation.of(knowledge, whole, case)).belief_error == 0.0
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 6)
    advice = advise(Situation.of(knowledge, compile_bounded(tables), case))
    assert 0 < advice.belief_error < 0.05
    assert advice.bits_error > 0
    for suspect in advice.suspects:
        truth = exact.marginals[suspect.fault][1]
        assert suspect.probability == pytest.approx(truth, abs=advice.belief_error + 1e-9)
    for one in advice.proposals:
        truth = exact.expected_information_bits[one.reading]
        assert one.expected_information_bits == pytest.approx(truth, abs=advice.bits_error + 1e-9)


def test_round_off_shows_no_other_percentage() -> None:
    """The same probability worked out in two ways reads the same."""
    assert percent(0.6049999999999999) == percent(0.6050000000000001)
