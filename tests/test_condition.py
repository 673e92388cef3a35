"""The condition of the car: what holds after each entry, and what a reading takes from there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.advice import advise
from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop, held_back
from advisor.advice.situation import Situation
from advisor.bench.session import Session
from advisor.case.case import Case
from advisor.case.condition import moves, present, to_put_back
from advisor.case.entries import (
    CUSTOMER,
    NOT_PRESENT,
    NOT_TRIED,
    SEEN_TODAY,
    Checked,
    Confirmed,
    Ended,
    Entry,
    Known,
    Noted,
    Prepared,
    Repaired,
    Seen,
    Stated,
    TakenBack,
)
from advisor.case.setups import minutes
from advisor.case.typed import NotUnderstood
from advisor.checks.lint import checked
from advisor.evaluation.scenarios import play, read_scenarios
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.conditions import UNKNOWN, OutOfReach, Way, minutes_for, way_to, way_to_reading
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Complaint, Fault, Reading, Setup
from advisor.model.network import build
from advisor.model.observation import Measurement
from advisor.screens.bench.card import card
from advisor.simulate.array_advice import PlayedRanking
from advisor.simulate.conditions import Conditions
from advisor.store.store import Store
from tests.conftest import SCENARIOS

MORNING = datetime(2030, 3, 4, 8, 0, tzinfo=UTC)

CAR = """\
complaints:
  c:
    name: It does not cool
    family: f
    any_of: {gas: 50, belt: 40, fuel: 20, coil: 15}
    unlisted: 5
    check_setup: hot
faults:
  gas: {name: Gas lost, remedy: Fill it, remedy_minutes: 40, price: low, restores: [filled]}
  belt: {name: Belt slips, remedy: New belt, remedy_minutes: 30, price: low, ends: [cold, hot]}
  fuel: {name: Wrong fuel, remedy: Drain the tank, remedy_minutes: 90, price: middling}
  coil: {name: Coil burnt, remedy: New coil, remedy_minutes: 60, price: middling}
facts:
  drive: {name: Drive, ask: What drives it?, values: {belt: 80, electric: 20}}
measurands:
  outside: {name: Temperature outside, ask: How warm is it outside?, unit: "°C", range: [-40, 60]}
setups:
  cold: {name: Engine cold, kind: temperature, hands_on_minutes: 1, waiting_minutes: 150}
  warming:
    name: Started from cold
    kind: temperature
    starts_from: [cold]
    ends: [asleep]
    hands_on_minutes: 2
    waiting_minutes: {by: drive, belt: 10, electric: 5}
  hot:
    name: Engine hot
    kind: temperature
    ends: [asleep]
    lasts_minutes: 30
    hands_on_minutes: 3
    waiting_minutes: 12
  cooling: {name: At full cooling, needs: [hot, filled], hands_on_minutes: 2, waiting_minutes: 8}
  asleep:
    name: Car asleep
    kind: sleep
    hands_on_minutes: 10
    waiting_minutes: 60
    put_back: Release the latches
  filled: {name: Circuit as it came, kind: circuit, on_arrival: true, hands_on_minutes: 0}
  empty:
    name: Circuit emptied
    kind: circuit
    starts_from: [filled]
    ends_for_good: [filled]
    hands_on_minutes: 8
    waiting_minutes: 25
    put_back: Fill the circuit
readings:
  level:
    name: Coolant level
    minutes: 3
    setup: cold
    outcomes: {full: Full, low: Low}
    noisy_or: {leak: 10 of 100, causes: {belt: 60 of 100}}
  vent:
    name: Vent temperature
    minutes: 5
    setup: cooling
    holds: {outside: [15, 35]}
    outcomes: {cold: Cold, warm: Warm}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100, coil: 70 of 100}}
  weighed:
    name: Gas recovered
    minutes: 10
    setup: empty
    outcomes: {all: All of it, little: Little}
    noisy_or: {leak: 5 of 100, causes: {gas: 95 of 100}}
  draw:
    name: Current asleep
    minutes: 15
    waiting_minutes: 5
    setup: asleep
    outcomes: {little: Little, much: Much}
    noisy_or: {leak: 10 of 100, causes: {coil: 60 of 100}}
  clutch:
    name: Clutch coil
    minutes: {by: drive, belt: 10, electric: 30}
    given: {drive: {electric: impossible}}
    ends: asleep
    outcomes: {good: Good, burnt: Burnt}
    noisy_or: {leak: 5 of 100, causes: {coil: 90 of 100}}
  tank:
    name: Fuel in the tank
    minutes: 4
    outcomes: {right: Right, wrong: Wrong}
    noisy_or: {leak: 3 of 100, causes: {fuel: 93 of 100}}
    forbids: {wrong: [hot, warming]}
"""


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> tuple[Knowledge, Engine]:
    """A car with every kind of rule."""
    file = tmp_path_factory.mktemp("car") / "car.yaml"
    file.write_text("language: 1\nstanding: estimate\n" + CAR, encoding="utf-8")
    knowledge = checked([file])
    return knowledge, compile_tables(build(knowledge, "c").tables)


def at(minutes: float) -> str:
    """A time so many minutes into the morning."""
    return (MORNING + timedelta(minutes=minutes)).isoformat()


def in_place(knowledge: Knowledge, *entries: Entry) -> set[str]:
    """The setups in place after entries."""
    return set(present(knowledge, Case("c", entries)).condition.in_place)


def reached(knowledge: Knowledge, reading: str, *entries: Entry) -> Way | OutOfReach:
    """The way to a reading after entries."""
    case = Case("c", entries)
    return way_to_reading(knowledge, present(knowledge, case).condition, reading, case.facts)


# ------------------------------------------------------------------------------------- what ends what


def test_a_car_of_which_nothing_was_entered_is_in_no_known_condition(car: tuple[Knowledge, Engine]) -> None:
    """Nothing is in place and nothing is over; the customer's answers on the phone say nothing of it."""
    assert present(car[0], Case("c")).condition == UNKNOWN
    assert present(car[0], Case("c", (Seen("level", "low", by=CUSTOMER),))).condition == UNKNOWN


def test_a_hot_engine_is_not_cold_any_more(car: tuple[Knowledge, Engine]) -> None:
    """What scalds: after the drive the coolant level costs the whole time of cooling down again."""
    knowledge, _ = car
    assert in_place(knowledge, Seen("level", "full")) == {"cold"}
    assert in_place(knowledge, Seen("level", "full"), Seen("vent", "cold")) == {"hot", "cooling", "filled"}
    way = reached(knowledge, "level", Seen("level", "full"), Seen("vent", "cold"))
    assert isinstance(way, Way)
    assert (way.made, way.waiting_minutes) == (("cold",), 150)


def test_what_it_starts_from_has_to_be_there_only_at_the_beginning(car: tuple[Knowledge, Engine]) -> None:
    """An engine started from cold is cold no more, and starting it again means cooling down again."""
    knowledge, _ = car
    way = way_to(knowledge, UNKNOWN, ["warming"], {"drive": "belt"})
    assert isinstance(way, Way)
    assert (way.made, way.after.in_place) == (("cold", "warming"), {"warming"})
    assert (way.hands_on_minutes, way.waiting_minutes) == (3, 160)


def test_minutes_depend_on_a_fact_and_are_the_average_while_it_is_unknown(
    car: tuple[Knowledge, Engine],
) -> None:
    """80 of 100 cars take 10 minutes and 20 take 5: 9 on average."""
    knowledge, engine = car
    waits = [
        way.waiting_minutes - 150
        for facts in ({}, {"drive": "belt"}, {"drive": "electric"})
        if isinstance(way := way_to(knowledge, UNKNOWN, ["warming"], facts), Way)
    ]
    assert waits == pytest.approx([9, 10, 5])
    (clutch,) = [one for one in advised(knowledge, engine).proposals if one.reading == "clutch"]
    assert clutch.hands_on_minutes == pytest.approx(0.8 * 10 + 0.2 * 30)


def test_a_reading_that_opens_a_door_wakes_the_car(car: tuple[Knowledge, Engine]) -> None:
    """The wait is over with it, also one that is still running."""
    knowledge, _ = car
    begun = Prepared("asleep", at(0))
    assert in_place(knowledge, begun) == {"asleep"}
    assert in_place(knowledge, begun, Seen("clutch", "good")) == set()
    assert in_place(knowledge, begun, Seen("tank", "right")) == {"asleep"}


def test_recovering_the_gas_ends_all_that_needs_it_until_the_remedy_has_filled_it(
    car: tuple[Knowledge, Engine],
) -> None:
    """An empty circuit cools nothing; the remedy restores it, and then there is nothing to put back."""
    knowledge, _ = car
    emptied = (Seen("vent", "warm"), Seen("weighed", "little"))
    assert in_place(knowledge, *emptied) == {"hot", "empty"}
    assert reached(knowledge, "vent", *emptied) == OutOfReach(over=("filled",))
    assert to_put_back(knowledge, Case("c", emptied)) == ("Fill the circuit",)
    filled = (*emptied, Repaired("gas", at(60)))
    assert in_place(knowledge, *filled) == {"filled"}
    assert isinstance(reached(knowledge, "vent", *filled), Way)
    assert to_put_back(knowledge, Case("c", filled)) == ()
    other = (*emptied, Repaired("belt", at(60)))
    assert in_place(knowledge, *other) == set(), "whoever works on a car leaves nothing as it was"
    assert reached(knowledge, "vent", *other) == OutOfReach(over=("filled",)), "but it fills no circuit"


def test_the_check_after_a_repair_needs_its_own_condition(car: tuple[Knowledge, Engine]) -> None:
    """Looked for again with the engine hot: it is not cold then."""
    assert in_place(car[0], Seen("level", "low"), Repaired("coil", at(9)), Checked("c", "gone")) == {"hot"}


def test_a_person_may_state_a_condition_with_its_beginning(car: tuple[Knowledge, Engine]) -> None:
    """Asleep all night: nobody has to wait, nothing is charged, and nothing has to be put back."""
    knowledge, _ = car
    case = Case("c", (Stated("asleep", at(-600)), Seen("draw", "much")))
    here = present(knowledge, case)
    assert here.condition.in_place == {"asleep"}
    assert here.waiting_minutes(MORNING) == {"asleep": 0}
    assert [move.made for move in moves(knowledge, case)] == [(), ()]
    assert to_put_back(knowledge, case) == ()
    just_now = present(knowledge, Case("c", (Stated("asleep", at(-20)),)))
    assert just_now.waiting_minutes(MORNING) == {"asleep": 40}


AT_WORK = """\
complaints: {c: {name: It does not cool, family: f, any_of: {gas: 60, coil: 45}, unlisted: 5}}
faults:
  gas: {name: Gas lost, remedy: Fill it, remedy_minutes: 40, price: low}
  coil: {name: Coil burnt, remedy: New coil, remedy_minutes: 60, price: middling}
setups:
  cold: {name: Engine cold, kind: heat, hands_on_minutes: 1, waiting_minutes: 150}
  hot: {name: Engine hot, kind: heat, hands_on_minutes: 0}
  started: {name: Started, needs: [hot], starts_from: [cold], hands_on_minutes: 5, waiting_minutes: 10}
  gauges: {name: Gauges on, hands_on_minutes: 6}
  full: {name: At full cooling, kind: running, hands_on_minutes: 4, waiting_minutes: 10}
  settled: {name: Gauges settled, needs: [gauges, full], hands_on_minutes: 1, waiting_minutes: 1}
  glue: {name: Glue dry, hands_on_minutes: 5, waiting_minutes: 30}
  lamp: {name: Lamp warm, hands_on_minutes: 5, waiting_minutes: 20}
  both: {name: Lamp clear of the glue, needs: [glue], hands_on_minutes: 15}
readings:
  pressure:
    name: Pressure
    minutes: 3
    setup: settled
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100}}
  start:
    name: Start
    minutes: 3
    setup: started
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100}}
  glow:
    name: Glow
    minutes: 3
    setup: [glue, lamp]
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100}}
  clear:
    name: Clear
    minutes: 3
    setup: [both, lamp]
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100}}
"""


@pytest.mark.parametrize(
    ("reading", "hands_on", "waiting", "by_the_clock"),
    [
        pytest.param("pressure", 6 + 4 + 1, 10 + 1, 10 + 1 + 1, id="one builds on the wait of another"),
        pytest.param("start", 1 + 5, 150 + 10, 150 + 5 + 10, id="what it starts from is over by then"),
        pytest.param("glow", 5 + 5, 30, 30, id="waits that are independent run together"),
        pytest.param("clear", 5 + 15 + 5, 30, 30 + 15, id="work after a wait"),
    ],
)
def test_setups_begun_together_wait_as_long_as_is_charged_for_them(
    tmp_path: Path, reading: str, hands_on: float, waiting: float, by_the_clock: float
) -> None:
    """By hand: one person works; what builds on a wait is made after it, and the clock asks for just that.

    When the waits begin, what builds on none is made. Card, simulated cars and planned minutes agree.
    """
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_WORK, encoding="utf-8")
    knowledge = checked([tmp_path])
    way = way_to_reading(knowledge, UNKNOWN, reading, {})
    assert isinstance(way, Way)
    assert (way.hands_on_minutes, way.waiting_minutes) == (hands_on, waiting)
    case = Case("c", tuple(Prepared(setup, at(0)) for setup in way.made))
    assert max(present(knowledge, case).waiting_minutes(MORNING).values()) == by_the_clock
    late = MORNING + timedelta(minutes=by_the_clock)
    assert set(present(knowledge, case).waiting_minutes(late).values()) == {0}
    assert minutes(knowledge, case) == (hands_on, waiting)
    simulated = Conditions(knowledge, (reading,))
    ways = simulated.ways(simulated.number(UNKNOWN, {}))
    assert (ways.hands_on_minutes[0], ways.waiting_minutes[0]) == (hands_on + 3, waiting)
    proposal = next(one for one in advised_on(knowledge, case, 0).proposals if one.reading == reading)
    assert proposal.minutes == 3 + by_the_clock


def test_a_wait_that_runs_is_counted_once_where_another_begins_beside_it(tmp_path: Path) -> None:
    """Ten minutes into the drying of the glue: the lamp warms meanwhile, the clearance is made after it."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_WORK, encoding="utf-8")
    knowledge = checked([tmp_path])
    told = {
        one.reading: one for one in advised_on(knowledge, Case("c", (Prepared("glue", at(0)),)), 10).proposals
    }
    assert told["glow"].minutes == 3 + 5 + max(30 - 10, 20)
    assert told["clear"].minutes == 3 + 5 + 15 + 20 + 20
    cooling = Case("c", (Prepared("cold", at(0)),))
    started = next(one for one in advised_on(knowledge, cooling, 10).proposals if one.reading == "start")
    assert started.minutes == 3 + (150 - 10) + 5 + 10


def advised_on(knowledge: Knowledge, case: Case, later: float) -> Any:
    """The advice on a case so many minutes into the morning."""
    engine = compile_tables(build(knowledge, "c").tables)
    return advise(Situation.of(knowledge, engine, case), now=MORNING + timedelta(minutes=later))


def test_what_lasts_only_so_long_is_unknown_afterwards(car: tuple[Knowledge, Engine]) -> None:
    """Half an hour after the last reading nobody can say that the engine is hot; it is not called cold."""
    knowledge, _ = car
    case = Case("c", (Seen("vent", "warm"), Seen("tank", "right")))
    times = (at(0), at(25))
    soon = present(knowledge, case, times, MORNING + timedelta(minutes=30))
    assert soon.condition.in_place == {"hot", "cooling", "filled"}
    late = present(knowledge, case, times, MORNING + timedelta(minutes=31))
    assert late.condition.in_place == {"filled"}
    assert "hot" not in late.condition.over
    assert present(knowledge, case).condition.in_place == {"hot", "cooling", "filled"}


def test_an_answer_forbids_what_would_do_harm_until_it_is_answered_otherwise(
    car: tuple[Knowledge, Engine],
) -> None:
    """Wrong fuel: the engine is not started, also where it is running; the right answer lifts it."""
    knowledge, engine = car
    assert reached(knowledge, "vent", Seen("tank", "wrong")) == OutOfReach(forbidden=("hot",))
    assert reached(knowledge, "vent", Seen("vent", "cold"), Seen("tank", "wrong", 0.7)) == OutOfReach(
        forbidden=("hot",)
    )
    assert isinstance(reached(knowledge, "level", Seen("tank", "wrong")), Way)
    assert isinstance(reached(knowledge, "vent", Seen("tank", "wrong"), Seen("tank", "right")), Way)
    reasons = {one.reading: why for one, why in advised(knowledge, engine, Seen("tank", "wrong")).unavailable}
    assert reasons["vent"] == "forbidden after “Fuel in the tank: Wrong”"


# ------------------------------------------------------------------------------------------ the advice


def advised(knowledge: Knowledge, engine: Engine, *entries: Entry, workshop: Workshop | None = None) -> Any:
    """The advice after entries."""
    return advise(Situation.of(knowledge, engine, Case("c", entries)), workshop)


def test_nothing_ends_for_good_what_a_reading_worth_taking_still_needs(
    car: tuple[Knowledge, Engine],
) -> None:
    """The gas is weighed last: once the vents were read, or cannot be."""
    knowledge, engine = car
    first = advised(knowledge, engine)
    assert "weighed" not in [one.reading for one in first.proposals]
    reasons = {one.reading: why for one, why in first.unavailable}
    assert reasons["weighed"] == "later: it ends “Circuit as it came”, which “Vent temperature” still needs"
    then = advised(knowledge, engine, Seen("vent", "warm"))
    assert "weighed" in [one.reading for one in then.proposals]
    forbidden = advised(knowledge, engine, Seen("tank", "wrong", 0.7))
    assert "weighed" in [one.reading for one in forbidden.proposals]


def test_two_readings_that_spoil_each_other_do_not_wait_for_ever() -> None:
    """By hand: each would end what the other needs, so neither has to wait; a third one that does has to."""
    worth = np.array([[True, True, False]])
    wanted = np.array([[True, False], [False, True], [False, False]])
    spends = np.array([[[False, True], [True, False], [True, False]]])
    assert held_back(worth, wanted, spends).tolist() == [[False, False, True]]
    assert held_back(np.array([[True, False, False]]), wanted, spends).tolist() == [[False, True, True]]
    itself = np.array([[[True, False], [False, False], [False, False]]])
    assert held_back(worth, wanted, itself).tolist() == [[False, False, False]]


def test_a_wait_that_runs_is_not_disturbed(car: tuple[Knowledge, Engine]) -> None:
    """What would wake the car has to wait as well; what leaves it asleep is offered."""
    knowledge, engine = car
    situation = Situation.of(knowledge, engine, Case("c", (Prepared("asleep", at(0)),)))
    during = advise(situation, now=MORNING + timedelta(minutes=10))
    assert {"draw", "tank", "level"} <= {one.reading for one in during.proposals}
    assert not {"clutch", "vent"} & {one.reading for one in during.proposals}
    draw = next(one for one in during.proposals if one.reading == "draw")
    assert (draw.hands_on_minutes, draw.minutes) == (15, 15 + 5 + 50)
    after = advise(situation, now=MORNING + timedelta(minutes=61))
    assert {"clutch", "vent"} <= {one.reading for one in after.proposals}
    clutch = next(one for one in after.proposals if one.reading == "clutch")
    assert clutch.ends == ("asleep",)


def test_a_reading_that_such_a_car_cannot_have_is_left_out(car: tuple[Knowledge, Engine]) -> None:
    """An unknown drive is asked first; on an electric one there is no clutch to test."""
    knowledge, engine = car
    clutch = next(one for one in advised(knowledge, engine).proposals if one.reading == "clutch")
    assert clutch.asks == ("drive",)
    known_drive = advised(knowledge, engine, Known("drive", "belt")).proposals
    assert next(one for one in known_drive if one.reading == "clutch").asks == ()
    left = {
        one.reading: why for one, why in advised(knowledge, engine, Known("drive", "electric")).unavailable
    }
    assert left["clutch"] == "not on this car (Drive: electric)"


def test_asking_a_fact_or_a_figure_of_the_day_takes_no_minutes_anywhere(
    car: tuple[Knowledge, Engine],
) -> None:
    """By hand: 3 + 2 + 5 at the vents and 12 + 8 of waiting, 8 of 10 cars with a belt at the clutch.

    So it is on the card, on simulated cars and in the planned minutes of the job.
    """
    knowledge, engine = car
    by_hand = {"vent": (10.0, 30.0), "clutch": (0.8 * 10 + 0.2 * 30,) * 2}
    told = {one.reading: one for one in advised(knowledge, engine).proposals}
    assert {name: told[name].asks for name in by_hand} == {"vent": ("outside",), "clutch": ("drive",)}
    simulated = Conditions(knowledge, tuple(by_hand))
    ways = simulated.ways(simulated.number(UNKNOWN, {}))
    for index, (name, (hands_on, total)) in enumerate(by_hand.items()):
        assert (told[name].hands_on_minutes, told[name].minutes) == pytest.approx((hands_on, total))
        assert ways.hands_on_minutes[index] == pytest.approx(hands_on)
        assert ways.hands_on_minutes[index] + ways.waiting_minutes[index] == pytest.approx(total)
    outside = Noted("outside", Measurement("outside", 20.0, "", "20 °C"))
    assert minutes(knowledge, Case("c", (Known("drive", "belt"), outside))) == (0, 0)
    assert minutes(knowledge, Case("c", (outside, Seen("vent", "warm")))) == (10, 20)


def test_limits_that_do_not_hold_on_such_a_day_are_refused(car: tuple[Knowledge, Engine]) -> None:
    """Asked once; from 15 to 35 °C the vents can be judged."""
    knowledge, engine = car

    def noted(value: float) -> Noted:
        return Noted("outside", Measurement("outside", value, "", f"{value:g} °C"))

    assert next(one for one in advised(knowledge, engine).proposals if one.reading == "vent").asks == (
        "outside",
    )
    mild = advised(knowledge, engine, noted(20.0)).proposals
    assert next(one for one in mild if one.reading == "vent").asks == ()
    left = {one.reading: why for one, why in advised(knowledge, engine, noted(5.0)).unavailable}
    assert left["vent"] == "its limits hold from 15 °C to 35 °C, and “Temperature outside” is 5 °C"


# --------------------------------------------------------------------------------------- properties


NAMES = ("a", "b", "c", "d", "e", "f")


@st.composite
def knowledges(draw: st.DrawFn) -> Knowledge:
    """Any setups over two kinds, with readings and a remedy; needs go back only, so there is no circle."""
    setups = {}
    for position, name in enumerate(NAMES):
        earlier, others = NAMES[:position], [one for one in NAMES if one != name]
        setups[name] = Setup(
            name=name,
            hands_on_minutes=draw(st.sampled_from([0, 3])),
            waiting_minutes=draw(st.sampled_from([0, 20])),
            kind=draw(st.sampled_from([None, "k", "l"])),
            needs=tuple(draw(st.sets(st.sampled_from(earlier), max_size=1))) if earlier else (),
            starts_from=tuple(draw(st.sets(st.sampled_from(earlier), max_size=1))) if earlier else (),
            ends=tuple(sorted(draw(st.sets(st.sampled_from(others), max_size=2)))),
            ends_for_good=tuple(sorted(draw(st.sets(st.sampled_from(others), max_size=1)))),
            on_arrival=draw(st.booleans()),
            lasts_minutes=draw(st.sampled_from([None, 30])),
        )
    readings = {
        f"read_{name}": Reading.model_validate(
            {
                "name": name,
                "minutes": 2,
                "setup": [name],
                "ends": draw(st.sets(st.sampled_from(NAMES), max_size=1)),
                "outcomes": {"no": "No", "yes": "Yes"},
                "forbids": {"yes": sorted(draw(st.sets(st.sampled_from(NAMES), max_size=1)))},
                "noisy_or": {"leak": 0.1, "causes": {"x": 0.5}},
            }
        )
        for name in NAMES
    }
    fault = Fault(
        name="x",
        remedy="x",
        remedy_minutes=1,
        price="low",
        ends=(draw(st.sampled_from(NAMES)),),
        restores=(draw(st.sampled_from(NAMES)),),
    )
    complaint = Complaint.model_validate(
        {
            "name": "c",
            "family": "f",
            "any_of": ["x"],
            "unlisted": 5,
            "confirm": {"how": "h", "minutes": 2, "setup": draw(st.sampled_from(NAMES))},
            "check": "h",
            "check_setup": draw(st.sampled_from(NAMES)),
        }
    )
    return Knowledge(complaints={"c": complaint}, faults={"x": fault}, setups=setups, readings=readings)


def entries(minute: int) -> st.SearchStrategy[Entry]:
    """Any entry that has to do with the condition."""
    names, time = st.sampled_from(NAMES), at(minute)
    return st.one_of(
        st.builds(Seen, names.map(lambda name: f"read_{name}"), st.sampled_from(["no", "yes"])),
        st.builds(Prepared, names, st.just(time)),
        st.builds(Stated, names, st.sampled_from([time, at(minute - 60)])),
        st.builds(Ended, names, st.just("a door was opened")),
        st.builds(Repaired, st.just("x"), st.just(time)),
        st.builds(Checked, st.just("c"), st.just("gone")),
        st.builds(Confirmed, st.just("c"), st.sampled_from([SEEN_TODAY, NOT_PRESENT, NOT_TRIED])),
    )


JOBS = st.lists(st.integers(0, 40), max_size=10).flatmap(
    lambda minutes: st.tuples(*(entries(sum(minutes[: count + 1])) for count in range(len(minutes))))
)


def kinds(knowledge: Knowledge, setups: frozenset[str]) -> list[str]:
    """The kinds of the setups that have one."""
    return [kind for name in setups if (kind := knowledge.setups[name].kind) is not None]


@settings(derandomize=True, max_examples=60, deadline=None, database=None)
@given(knowledge=knowledges(), job=JOBS, later=st.integers(-90, 90))
def test_whatever_is_entered_no_two_of_a_kind_are_true_and_no_minutes_are_negative(
    knowledge: Knowledge, job: tuple[Entry, ...], later: int
) -> None:
    """In every condition on the way and at the end, also where the knowledge contradicts itself."""
    case = Case("c", job)
    times = tuple(at(30 * count) for count in range(len(job)))
    for stage in [*(move.after for move in moves(knowledge, case, times)), present(knowledge, case, times)]:
        assert len(kinds(knowledge, stage.condition.in_place)) == len(
            set(kinds(knowledge, stage.condition.in_place))
        )
        assert not stage.condition.in_place & stage.condition.over
        assert stage.condition.for_good <= stage.condition.over
        waits = stage.waiting_minutes(MORNING + timedelta(minutes=later))
        assert set(waits) == stage.condition.in_place
        longest = 20 * len(NAMES) + 3 * len(NAMES)  # one after the other, with the work between them
        assert all(0 <= wait <= longest for wait in waits.values())
        for name in knowledge.readings:
            way = way_to_reading(knowledge, stage.condition, name, {})
            if isinstance(way, Way):
                assert min(way.hands_on_minutes, way.waiting_minutes) >= 0
                assert set(knowledge.setup_rules.first_to_last(name[-1])) <= way.after.in_place
                assert not set(way.made) & stage.condition.for_good
                assert not set(way.after.in_place) & stage.condition.forbidden & set(way.made)
                assert len(kinds(knowledge, way.after.in_place)) == len(
                    set(kinds(knowledge, way.after.in_place))
                )


@settings(derandomize=True, max_examples=60, deadline=None, database=None)
@given(knowledge=knowledges(), name=st.sampled_from(NAMES))
def test_what_is_begun_in_one_go_waits_by_the_clock_as_long_as_it_is_charged(
    knowledge: Knowledge, name: str
) -> None:
    """From a car of which nothing is known: work and wait together are the minutes until it is in place."""
    way = way_to(knowledge, UNKNOWN, [name], {})
    if not isinstance(way, Way) or way.assumed:
        return
    case = Case("c", tuple(Prepared(setup, at(0)) for setup in way.made))
    by_the_clock = max(present(knowledge, case).waiting_minutes(MORNING).values())
    assert minutes(knowledge, case) == (way.hands_on_minutes, way.waiting_minutes)
    assert way.waiting_minutes <= by_the_clock <= way.waiting_minutes + way.hands_on_minutes
    waits = [minutes_for(knowledge, knowledge.setups[setup].waiting_minutes, {}) for setup in way.made]
    assert max(waits) <= by_the_clock <= sum(waits) + way.hands_on_minutes


@settings(derandomize=True, max_examples=40, deadline=None, database=None)
@given(knowledge=knowledges(), job=JOBS, last=entries(400))
def test_taking_an_entry_back_gives_exactly_the_condition_before_it(
    knowledge: Knowledge, job: tuple[Entry, ...], last: Entry
) -> None:
    """Whatever it was, and as often as it is done and undone."""
    case = Case("c", job)
    done = case.with_entry(last)
    undone = done.with_entry(TakenBack(len(done.entries), "a slip of the finger"))
    assert present(knowledge, undone) == present(knowledge, case)
    again = undone.with_entry(last)
    assert present(knowledge, again) == present(knowledge, done)


@settings(derandomize=True, max_examples=60, deadline=None, database=None)
@given(
    knowledge=knowledges(),
    taken=st.lists(
        st.tuples(st.integers(0, len(NAMES) - 1), st.sampled_from(["no", "yes"])),
        max_size=8,
        unique_by=lambda one: one[0],
    ),
)
def test_simulated_cars_are_in_the_condition_of_the_bench_at_every_step(
    knowledge: Knowledge, taken: list[tuple[int, str]]
) -> None:
    """What every reading takes, makes and ends for good from there is the same, whatever was read."""
    readings = tuple(knowledge.readings)
    simulated, case = Conditions(knowledge, readings), Case("c")
    number = simulated.number(UNKNOWN, {})
    for position, outcome in taken:
        here = present(knowledge, case).condition
        for one, way in zip(readings, simulated.ways(number).to, strict=True):
            at_the_bench = way_to_reading(knowledge, here, one, {})
            assert isinstance(way, Way) == isinstance(at_the_bench, Way)
            if isinstance(way, Way) and isinstance(at_the_bench, Way):
                assert (way.made, way.assumed, way.spent) == (
                    at_the_bench.made,
                    at_the_bench.assumed,
                    at_the_bench.spent,
                )
                assert way.after.in_place == at_the_bench.after.in_place
                assert (way.hands_on_minutes, way.waiting_minutes) == (
                    at_the_bench.hands_on_minutes,
                    at_the_bench.waiting_minutes,
                )
        if isinstance(simulated.ways(number).to[position], Way):
            case = case.with_entry(Seen(readings[position], outcome))
            number = simulated.after(number, position, outcome)
    last = present(knowledge, case).condition
    assert [isinstance(way, Way) for way in simulated.ways(number).to] == [
        isinstance(way_to_reading(knowledge, last, one, {}), Way) for one in readings
    ]


def test_old_files_know_no_conditions_and_lose_none() -> None:
    """Without the new words setups stay in place until somebody ends them, as they always did."""
    first_knowledge = checked([Path(__file__).parent / "old" / "first"])
    rules = first_knowledge.setup_rules
    assert all(ended == frozenset() for ended in rules.ended_by.values())
    every = tuple(Seen(name, reading.normal_outcome) for name, reading in first_knowledge.readings.items())
    needed = {one for reading in first_knowledge.readings.values() for one in reading.setup}
    assert present(first_knowledge, Case("flat_battery", every)).condition.in_place >= needed


# ---------------------------------------------------------------------------------------- invented cars


HEATS = {"heat_full", "heat_outdoors", "warming_up", "ac_full", "engine_loaded", "humid_cooling"}
"""The shipped setups in which the engine runs (by hand, common practice, no source)."""
NEEDS_GAS = {"low_side", "high_side", "gas_ratio", "liquid_subcooling", "suction_superheat", "leak_search"}
AS_RECEIVED = {"resting_voltage", "quick_test"}
OPENS_A_DOOR = {
    *("accessory_live", "moisture_look", "clamp_look", "quick_test", "feed_drop", "start_data"),
    *("latch_data", "wake_memory", "battery_record", "link_open", "keys_at_the_reader", "feed_goes_dead"),
    "belt_cold_start",
    "belt_look",
}


Steps = Callable[[str, PlayedRanking], list[Any]]

RANKINGS = pytest.mark.parametrize("ranking", get_args(PlayedRanking))


@pytest.fixture
def steps_of(shipped: Knowledge, shipped_engine: Callable[[str], Engine]) -> Steps:
    """The readings of an invented car, in the order in which the advice asks for them; it ends right."""

    def steps(file: str, ranking: PlayedRanking) -> list[Any]:
        (scenario,) = read_scenarios([SCENARIOS / file], shipped).values()
        played = play(shipped, shipped_engine(scenario.complaint), scenario, ranking=ranking)
        assert played.right
        return [step.proposal for step in played.steps]

    return steps


@RANKINGS
def test_a_hot_engine_is_left_to_cool_before_its_coolant_is_opened(
    steps_of: Steps, ranking: PlayedRanking
) -> None:
    """Straight from the road: whatever needs it cold waits 150 minutes, unless it has cooled since."""
    cold = False
    for step in steps_of("climate/21_hot_from_the_road.yaml", ranking):
        if step.reading in ("tank_opened", "bleed_air", "matrix_flush"):
            assert cold or ("engine_cold" in step.setups and step.minutes >= 150)
        cold = (cold or "engine_cold" in step.setups) and not HEATS.intersection(step.setups)


@RANKINGS
def test_pressures_are_measured_before_the_circuit_is_emptied(
    steps_of: Steps, ranking: PlayedRanking
) -> None:
    """From the complaint to the cause, recovering never comes before a reading that needs the gas."""
    names = [step.reading for step in steps_of("climate/22_weighed_last.yaml", ranking)]
    emptied = names.index("recovered_charge") if "recovered_charge" in names else len(names)
    assert NEEDS_GAS.intersection(names[:emptied])
    assert not NEEDS_GAS.intersection(names[emptied:])


@RANKINGS
def test_a_charged_battery_is_not_measured_as_received(steps_of: Steps, ranking: PlayedRanking) -> None:
    """What its owner has charged all night tells nothing of how it came to be flat."""
    names = {step.reading for step in steps_of("drain/21_charged_by_the_owner.yaml", ranking)}
    assert not names & AS_RECEIVED


@RANKINGS
def test_a_car_that_was_woken_has_to_fall_asleep_again(
    shipped: Knowledge, steps_of: Steps, ranking: PlayedRanking
) -> None:
    """Asleep when the shift began: nothing is waited for until a door was opened, and an hour after that."""
    asleep = True
    for step in steps_of("drain/22_asleep_then_a_door.yaml", ranking):
        sleeps = {"asleep", "asleep_logged", "logged_overnight", "stood_overnight"}
        if sleeps.intersection(shipped.readings[step.reading].setup):
            assert asleep != ("asleep" in step.setups)
            asleep = True
        if step.reading in OPENS_A_DOOR or HEATS.union({"charged", "cranking_inhibited"}).intersection(
            step.setups
        ):
            asleep = False


@RANKINGS
def test_no_clutch_is_tested_on_an_electric_compressor(steps_of: Steps, ranking: PlayedRanking) -> None:
    """It has none, and high voltage instead."""
    names = [step.reading for step in steps_of("climate/23_no_clutch_to_test.yaml", ranking)]
    assert names
    assert "clutch_check" not in names


# -------------------------------------------------------------------------------------------- the bench


@pytest.fixture
def bench(car: tuple[Knowledge, Engine], tmp_path: Path) -> Iterator[Callable[..., Session]]:
    """Opens a job of the car after entries, at a time."""
    opened: list[Store] = []

    def at_the_bench(*entries: Entry, minutes: float = 0) -> Session:
        now = [MORNING]
        store = Store(f"sqlite:///{tmp_path / f'{len(opened)}.sqlite'}", clock=lambda: now[0])
        opened.append(store)
        filed = store.open_case("bay", "c")
        filed = store.append(filed, *entries) if entries else filed
        now[0] += timedelta(minutes=minutes)
        return Session.opened(Engines(car[0]), store, filed, Workshop())

    try:
        yield at_the_bench
    finally:
        for store in opened:
            store.close()


def text_of(session: Session, reading: str) -> str:
    """The card of a reading as text, with its choices."""
    proposal = next(one for one in session.advice.proposals if one.reading == reading)
    shown = card(session, proposal, "certain", was_made=True)
    return "\n".join(
        [*(line.plain for line in shown.lines), *(f"[{one[0]}] {one[1]}" for one in shown.choices)]
    )


def test_the_card_asks_first_what_decides_and_then_for_the_answer(bench: Callable[..., Session]) -> None:
    """What drives the compressor, then how warm it is; only then an answer is taken."""
    session = bench()
    assert "[known drive electric] 2 electric" in text_of(session, "clutch")
    assert "saw good" not in text_of(session, "clutch")
    assert "[saw good]" in text_of(session.knows({"drive": "belt"}), "clutch")
    assert "[figure outside] m Type it: How warm is it outside?" in text_of(session, "vent")
    warm = bench().noted("outside", "68 °F")
    figure = warm.case.remembered("outside")
    assert figure is not None
    assert figure.value == pytest.approx(20)
    assert "[saw warm]" in text_of(warm, "vent")
    with pytest.raises(NotUnderstood, match="not plausible"):
        bench().noted("outside", "300")


def test_the_card_says_what_is_taken_for_granted_and_what_a_reading_ends(
    bench: Callable[..., Session],
) -> None:
    """The circuit as it came; and the coolant level ends what the hot engine was needed for."""
    session = bench(Noted("outside", Measurement("outside", 20.0, "", "20 °C")))
    assert "Taken for granted (key z): Circuit as it came" in text_of(session, "vent")
    hot = session.saw("vent", "warm")
    assert "✓ In place: Engine cold" not in text_of(hot, "level")
    assert "Not entered as made: Engine cold" in text_of(hot, "level")
    assert "This ends: At full cooling; Engine hot" in text_of(hot, "level")


def test_a_condition_that_somebody_states_needs_no_waiting(bench: Callable[..., Session]) -> None:
    """Asleep all night: the current can be read at once; stated just now, the hour has still to pass."""
    session = bench()
    assert session.stated("asleep", 600).waiting["asleep"] == 0
    assert bench().stated("asleep", 20).waiting["asleep"] == 40


def test_who_comes_back_is_told_what_was_in_place(bench: Callable[..., Session]) -> None:
    """After a good while, and only where something was; what arrives with the car is not named."""
    asleep = Prepared("asleep", at(0))
    assert bench(asleep, minutes=70).interrupted == ""
    told = bench(asleep, minutes=120).interrupted
    assert told.startswith("You were here 2 h ago. In place then: Car asleep.")
    assert bench(Seen("tank", "right"), minutes=120).interrupted == ""


def test_closing_lists_what_has_to_be_put_back(bench: Callable[..., Session]) -> None:
    """Latches and an empty circuit; nothing once the remedy has filled it."""
    session = bench(Seen("draw", "much"), Seen("weighed", "little"))
    assert "• Put back: Release the latches.\n• Put back: Fill the circuit." in session.closing_words("gas")
    filled = bench(Seen("weighed", "little"), Repaired("gas", at(0)))
    assert "Put back" not in filled.closing_words("gas")


def test_a_store_of_before_reopens_with_nothing_invented(car: tuple[Knowledge, Engine]) -> None:
    """Facts, answers by phone and skipped readings say nothing of the condition of the car."""
    old = Case("c", (Known("drive", "belt"), Seen("level", "low", by=CUSTOMER)))
    assert present(car[0], old).condition == UNKNOWN


def test_the_check_after_a_repair_says_what_it_needs_first(bench: Callable[..., Session]) -> None:
    """The engine has to be hot for it; where somebody says that it still is, nothing has to be made."""
    lines = card(bench(Seen("level", "low"), Repaired("coil", at(0))), None, "certain").lines
    assert "Needs: Engine hot" in [line.plain for line in lines]
    repaired = (Seen("vent", "warm"), Repaired("coil", at(0)))
    assert bench(*repaired).check_setups == ("hot",)
    assert bench(*repaired, Stated("hot", at(0))).check_setups == ()
