"""What a workshop may set: each value changes what it says, and a file that will not do is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from advisor.advice.advice import advise
from advisor.advice.conflict import disagreement
from advisor.advice.engines import Engines
from advisor.advice.proof import asks_for_proof, ending
from advisor.advice.repair_or_test import remedies, repair_or_test
from advisor.advice.rules import Workshop, bits_per_minute
from advisor.advice.situation import Situation
from advisor.advice.waits import plan
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Session
from advisor.case.case import Case
from advisor.case.entries import Entry, Prepared, Seen
from advisor.checks.informativeness import review
from advisor.desk.booking import BookingSheet, booking_sheet
from advisor.desk.bookingsheet import as_dict, document
from advisor.desk.call import Call
from advisor.desk.questions import next_question
from advisor.desk.schedule import evening_is_left
from advisor.evaluation.scenarios import play, read_scenarios
from advisor.evaluation.trials import TrialPlan, evaluate
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.knowledge.workshop_file import as_toml, read_policy
from advisor.papers.document import markdown
from advisor.policy import DEFAULT, Policy, parameters
from advisor.settings import CHOICES
from advisor.simulate.array_advice import compile_ranker, offers, rates
from advisor.simulate.jobs import starts_of
from advisor.store.store import Store
from tests.conftest import SCENARIOS, Ran

Advisor = Callable[..., Ran]
Made = Callable[[str], Knowledge]
AT = "2030-03-01T12:00:00+00:00"

DRIP = """\
complaints:
  drip: {name: Drips, family: made_up, any_of: {cap: 40, hose: 35, pump: 20, seal: 12}, unlisted: 3}
faults:
  cap: {name: Cap loose, remedy: Close it, remedy_minutes: 5, price: none, no_visit: Close it.}
  hose: {name: Hose leaks, remedy: Replace it, remedy_minutes: 30, price: low}
  pump: {name: Pump leaks, remedy: Replace it, remedy_minutes: 60, price: high}
  seal: {name: Seal leaks, remedy: Replace it, remedy_minutes: 50, price: middling}
instruments:
  dye: {name: Dye lamp}
  gauge: {name: Gauge}
setups:
  lifted: {name: On the lift, hands_on_minutes: 4, bay: Bay with a lift}
  cold: {name: Cold, hands_on_minutes: 2, waiting_minutes: 200, arrange: Bring it the evening before.}
readings:
  clicked:
    name: Cap clicks
    who: customer
    ask: Does the cap click?
    right_by_phone: 0.9
    minutes: 2
    outcomes: {clicks: "Yes", turns: "No"}
    noisy_or: {leak: 0.05, causes: {cap: 0.9}}
  glows:
    name: Dye at the hose
    minutes: 8
    instrument: dye
    setup: lifted
    outcomes: {dark: Dark, glows: Glows}
    noisy_or: {leak: 0.02, causes: {hose: 0.95}}
  held:
    name: Pressure held when cold
    who: certified
    minutes: 5
    instrument: gauge
    setup: cold
    outcomes: {holds: Holds, falls: Falls}
    noisy_or: {leak: 0.02, causes: {pump: 0.95, seal: 0.1}}
  damp:
    name: Damp at the seal when cold
    minutes: 5
    setup: cold
    outcomes: {dry: Dry, damp: Damp}
    noisy_or: {leak: 0.05, causes: {seal: 0.6}}
  drops:
    name: Drops below the pump
    minutes: 1
    outcomes: {dry: Dry, wet: Wet}
    noisy_or: {leak: 0.2, causes: {pump: 0.6, seal: 0.5}}
"""
"""Invented. A cap needs no visit; what tells the pump from the rest stands behind a wait."""


@dataclass(frozen=True)
class Drip:
    """The knowledge with its engines, at the car and on the phone."""

    knowledge: Knowledge
    engine: InferenceEngine
    engines: Engines
    by_phone: Engines

    def situation(self, policy: Policy, **seen: str) -> Situation:
        """A case with these outcomes."""
        return Situation.of(self.knowledge, self.engine, case(**seen), policy)

    def worth(self, policy: Policy, **seen: str) -> list[str]:
        """The readings worth taking, in the usual order."""
        return [one.reading for one in advise(self.situation(policy, **seen)).worth_taking]

    def stop(self, policy: Policy, **seen: str) -> str:
        """Why the search ends, or ""."""
        found = advise(self.situation(policy, **seen)).stop
        return found.reason if found else ""

    def plan(self, policy: Policy) -> tuple[int, int] | None:
        """How many readings are named before and after the wait for the pressure."""
        situation = self.situation(policy)
        advice = advise(situation)
        found = plan(situation, advice, next(one for one in advice.proposals if one.reading == "held"))
        return (len(found.before), len(found.after)) if found else None

    def prices(self, policy: Policy) -> dict[str, float]:
        """Minutes of each remedy, its parts included."""
        return {
            one.name: one.minutes
            for one in remedies(self.knowledge, "drip", ["cap", "hose", "pump", "seal"], policy)
        }

    def acts(self, policy: Policy) -> bool:
        """Whether a remedy is tried before the pressure is read, where nothing else is worth taking."""
        situation = self.situation(policy, drops="wet")
        advice = advise(situation)
        first = next(one for one in advice.proposals if one.reading == "held")
        return repair_or_test(situation, replace(advice, worth_taking=(first,)), first) is not None

    def ends(self, policy: Policy, **seen: str) -> str:
        """What the search has come to."""
        return ending(self.knowledge, policy, self.situation(policy, **seen).posterior, frozenset()).kind

    def sheet(self, policy: Policy, **seen: str) -> BookingSheet:
        """The booking sheet."""
        one = self.by_phone.one(Case("drip"))
        return booking_sheet(self.knowledge, one, case(**seen), cars=200, policy=policy)

    def question(self, policy: Policy, minutes: float = 0.0) -> str:
        """The next question on the phone, or why there is none."""
        weighed = Situation.of(self.knowledge, self.by_phone.one(Case("drip")), Case("drip"), policy)
        found = next_question(self.knowledge, [weighed], minutes, policy)
        return found.question.reading if found.question else str(found.reason)


def case(**seen: str) -> Case:
    """A case about the drip with these outcomes."""
    return Case("drip", tuple(Seen(reading, outcome) for reading, outcome in seen.items()))


@pytest.fixture
def drip(known: Made) -> Drip:
    """The invented knowledge."""
    knowledge = known(DRIP)
    engines = Engines(knowledge)
    return Drip(knowledge, engines.of(Case("drip")), engines, Engines(knowledge, by_phone=True))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store at a fixed time."""
    return Store(f"sqlite:///{tmp_path / 'cases.sqlite'}", clock=lambda: datetime(2030, 3, 1, tzinfo=UTC))


def job(drip: Drip, store: Store, policy: Policy, *entries: Entry) -> Session:
    """A job on the bench."""
    filed = store.open_case("bay 2", "drip", drip.knowledge.version)
    filed = store.append(filed, *entries) if entries else filed
    return Session.opened(drip.engines, store, filed, Workshop(), policy)


def named(drip: Drip, store: Store, policy: Policy) -> bool:
    """Whether the page for the customer names the likeliest cause before any reading."""
    filed = store.open_case("bay 2", "drip", drip.knowledge.version)
    page = customer_sheet(drip.knowledge, drip.engines.of, filed, {}, AT, policy)
    return "So far most points to this" in markdown(page)


def _before(names: list[str], one: str, other: str) -> bool:
    return names.index(one) < names.index(other)


Look = Callable[[Drip, Store, Policy], object]
EFFECTS: dict[str, tuple[float, Look, object, object]] = {
    "sure_at": (0.7, lambda d, s, p: d.stop(p, clicked="turns"), "", "sure"),
    "settled_below": (
        0.001,
        lambda d, s, p: d.stop(replace(p, sure_at=0.7), clicked="turns"),
        "sure",
        "",
    ),
    "least_bits": (0.5, lambda d, s, p: "drops" in d.worth(p), True, False),
    "least_bits_per_hour": (30.0, lambda d, s, p: "glows" in d.worth(p), True, False),
    "weight_of_waiting": (
        0.0,
        lambda d, s, p: d.worth(p).index("held") < d.worth(p).index("glows"),
        False,
        True,
    ),
    "charge_minutes": (
        60.0,
        lambda d, s, p: _before(d.worth(p), "drops", "held"),
        True,
        False,
    ),
    "question_minutes": (0.0, lambda d, s, p: d.worth(replace(p, charge_minutes=60))[0], "clicked", "glows"),
    "question_bits": (5.0, lambda d, s, p: d.worth(replace(p, charge_minutes=60))[0], "clicked", "glows"),
    "proof_from_minutes": (4.0, lambda d, s, p: asks_for_proof(d.knowledge, p, "cap"), False, True),
    "likely_from": (0.94, lambda d, s, p: d.ends(p, clicked="turns"), "likely", "not found"),
    "low_price_minutes": (15.0, lambda d, s, p: d.prices(p)["hose"], 50.0, 55.0),
    "middling_price_minutes": (70.0, lambda d, s, p: d.prices(p)["seal"], 120.0, 130.0),
    "high_price_minutes": (300.0, lambda d, s, p: d.prices(p)["pump"], 310.0, 370.0),
    "escalation_minutes": (5.0, lambda d, s, p: d.acts(p), True, False),
    "long_wait_minutes": (500.0, lambda d, s, p: d.plan(p) is None, False, True),
    "asked_wait_minutes": (500.0, lambda d, s, p: job(d, s, p).not_waited_for("held"), ("cold",), ()),
    "most_before_wait": (1, lambda d, s, p: (d.plan(p) or (9, 9))[0], 3, 1),
    "most_after_wait": (1, lambda d, s, p: (d.plan(p) or (9, 9))[1], 2, 1),
    "least_bits_around_wait": (0.5, lambda d, s, p: (d.plan(p) or (9, 9))[0] < 3, False, True),
    "conflict_bits": (
        0.5,
        lambda d, s, p: disagreement(d.situation(p, held="falls", drops="dry", damp="dry")) is None,
        True,
        False,
    ),
    "hardly_one_cause": (
        1.0,
        lambda d, s, p: job(d, s, p, Seen("glows", "glows"), Seen("drops", "wet")).one_cause is None,
        True,
        False,
    ),
    "fairly_sure": (0.95, lambda d, s, p: job(d, s, p).policy.confidence["fairly sure"], 0.9, 0.95),
    "a_guess": (0.6, lambda d, s, p: job(d, s, p).policy.confidence["a guess"], 0.7, 0.6),
    "quick_look_minutes": (
        15.0,
        lambda d, s, p: "glows" in [one.reading for one in job(d, s, p).ranked("quick looks").proposals],
        False,
        True,
    ),
    "named_to_customer_from": (0.9, named, True, False),
    "interruption_minutes": (
        0.0,
        lambda d, s, p: "On the lift" in job(d, s, p, Prepared("lifted", AT)).interrupted,
        False,
        True,
    ),
    "shown_from": (
        0.9,
        lambda d, s, p: "no reading has shown it" in job(d, s, p, Seen("drops", "wet")).unsure_words("pump"),
        False,
        True,
    ),
    "phone_minutes": (1.0, lambda d, s, p: d.question(p), "clicked", "time"),
    "phone_bits": (1.0, lambda d, s, p: d.question(p), "clicked", "not-worth-it"),
    "covered": (0.9, lambda d, s, p: d.sheet(p, clicked="turns").total.upto, 12.0, 220.0),
    "used_in": (
        0.9,
        lambda d, s, p: [one.setup for one in d.sheet(p).setups],
        ["lifted", "cold"],
        ["lifted"],
    ),
    "no_visit_at": (
        0.95,
        lambda d, s, p: d.sheet(replace(p, no_visit_others_below=0.5), clicked="turns").visit,
        False,
        True,
    ),
    "no_visit_others_below": (
        0.5,
        lambda d, s, p: d.sheet(p, clicked="turns").visit,
        True,
        False,
    ),
    "causes_shown_from": (0.3, lambda d, s, p: len(d.sheet(p).causes), 4, 2),
    "most_causes_shown": (1, lambda d, s, p: len(d.sheet(p).causes), 4, 1),
    "half_day_minutes": (
        100.0,
        lambda d, s, p: d.sheet(replace(p, covered=0.9), clicked="turns").stay,
        None,
        "a whole day",
    ),
    "working_day_minutes": (
        200.0,
        lambda d, s, p: d.sheet(replace(p, covered=0.9, half_day_minutes=100.0), clicked="turns").stay,
        "a whole day",
        "overnight",
    ),
    "overnight_minutes": (100.0, lambda d, s, p: d.sheet(p).overnight, False, True),
    "closing_hour": (
        12.0,
        lambda d, s, p: evening_is_left(date(2030, 1, 16), datetime(2030, 1, 15, 13), p.closing_hour),
        True,
        False,
    ),
    "alike_bits": (
        0.9,
        lambda d, s, p: "alike" in {one.code for one in review(d.knowledge, p)},
        False,
        True,
    ),
}
"""Of each value: another one, what is looked at, what that is by default, and with the other value."""


def test_every_value_has_an_effect_that_is_tested() -> None:
    """And every value says what it changes, in a sentence, with a range that holds its default."""
    assert list(EFFECTS) == list(parameters())
    for name, one in parameters().items():
        assert one.changes.endswith("."), name
        assert one.low <= DEFAULT.values[name] <= one.high, name
        assert all((one.unit, one.standing, one.heading)), name


@pytest.mark.parametrize("name", EFFECTS)
def test_each_policy_value_has_its_stated_effect(name: str, drip: Drip, store: Store) -> None:
    """By default it is as it always was; with another value it is not."""
    value, look, usual, other = EFFECTS[name]
    changed: dict[str, Any] = {name: value}
    assert look(drip, store, DEFAULT) == usual
    assert look(drip, store, replace(DEFAULT, **changed)) == other


def test_the_defaults_are_those_that_shipped_before_they_could_be_set() -> None:
    """The figures that the modules held by themselves until then."""
    assert dict(DEFAULT.values) == {
        "sure_at": 0.95,
        "settled_below": 0.15,
        "least_bits": 0.03,
        "least_bits_per_hour": 0.3,
        "weight_of_waiting": 0.25,
        "charge_minutes": 4.0,
        "question_minutes": 2.0,
        "question_bits": 0.1,
        "proof_from_minutes": 15.0,
        "likely_from": 0.5,
        "low_price_minutes": 10.0,
        "middling_price_minutes": 60.0,
        "high_price_minutes": 240.0,
        "escalation_minutes": 480.0,
        "long_wait_minutes": 10.0,
        "asked_wait_minutes": 2.0,
        "most_before_wait": 3,
        "most_after_wait": 4,
        "least_bits_around_wait": 0.05,
        "conflict_bits": 2.5,
        "hardly_one_cause": 0.2,
        "fairly_sure": 0.9,
        "a_guess": 0.7,
        "quick_look_minutes": 3.0,
        "named_to_customer_from": 0.3,
        "interruption_minutes": 90.0,
        "shown_from": 0.05,
        "phone_minutes": 10.0,
        "phone_bits": 0.15,
        "covered": 0.8,
        "used_in": 0.2,
        "no_visit_at": 0.8,
        "no_visit_others_below": 0.1,
        "causes_shown_from": 0.05,
        "most_causes_shown": 5,
        "half_day_minutes": 240.0,
        "working_day_minutes": 480.0,
        "overnight_minutes": 360.0,
        "closing_hour": 18.0,
        "alike_bits": 0.05,
    }


@pytest.mark.parametrize("weight", [1.0, 0.25, 0.0])
def test_waiting_counts_by_its_weight_for_one_case_as_for_many(weight: float, drip: Drip) -> None:
    """The reading behind the wait: 7 minutes of work, 200 of waiting; simulation charges the same."""
    policy = Policy(weight_of_waiting=weight)
    (held,) = (one for one in advise(drip.situation(policy)).proposals if one.reading == "held")
    assert (held.hands_on_minutes, held.minutes) == (7, 207)
    by_hand = held.expected_information_bits / (7 + weight * 200 + 4)
    assert held.information_bits_per_minute == pytest.approx(by_hand, rel=1e-12)
    ranker = compile_ranker(drip.knowledge, drip.engines.one(Case("drip")), "drip", policy=policy)
    start = starts_of(ranker, [Case("drip")])
    bits = ranker.posteriors(start.potentials)[1]
    found = rates(ranker, offers(ranker, start.potentials, bits, start.gone, start.condition, start.left))
    assert found[0, ranker.readings.index("held")] == pytest.approx(by_hand, rel=1e-9)


def test_simulated_jobs_end_where_the_policy_says(drip: Drip) -> None:
    """A workshop that is content sooner takes fewer readings; the evaluation is played by its policy."""
    usual = TrialPlan(("drip",), 200, 1, policies=("advice",))
    content = replace(usual, workshop_policy=Policy(sure_at=0.6, settled_below=0.4))
    (before,), (after,) = (evaluate(drip.knowledge, one, 1) for one in (usual, content))
    assert after.records["advice"].readings.mean() < before.records["advice"].readings.mean()


def test_a_scenario_is_played_by_the_policy(shipped: Knowledge) -> None:
    """With every reading a crumb the search ends at once."""
    (scenario,) = read_scenarios([SCENARIOS / "drain/01_boot_lamp.yaml"], shipped).values()
    engine = Engines(shipped).of(Case(scenario.complaint))
    assert play(shipped, engine, scenario).steps
    assert not play(shipped, engine, scenario, Policy(least_bits=10)).steps


def test_a_call_goes_by_the_policy_and_its_sheet_names_it(drip: Drip, store: Store) -> None:
    """What differs from the default stands on the paper and in the JSON; by default nothing does."""
    policy = Policy(covered=0.9)
    call = Call.begun(drip.by_phone, store, "red van", ["drip"], policy)
    assert call.sheets[0].policy == policy
    assert "Set by this workshop: covered = 0.9." in call.sheet("markdown")
    assert json.loads(call.sheet("json"))["sheets"][0]["policy"] == {"covered": 0.9}
    usual = drip.sheet(DEFAULT)
    assert "Set by this workshop" not in markdown(document([usual], "van", "today"))
    assert as_dict(usual)["policy"] == {}


def test_a_job_card_names_what_the_workshop_has_set(drip: Drip, store: Store) -> None:
    """And says nothing where nothing is set."""
    filed = store.open_case("bay 2", "drip", drip.knowledge.version)

    def card(policy: Policy) -> str:
        paper = job_card(drip.knowledge, drip.engines.of, filed, {}, AT, policy)
        return markdown(paper).replace("\\", "")

    assert "Set by this workshop: sure_at = 0.9, most_causes_shown = 3." in card(
        Policy(sure_at=0.9, most_causes_shown=3)
    )
    assert "Set by this workshop" not in card(DEFAULT)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"sure_at": 1.2}, "from 0.5 to 1"),
        ({"sure_at": float("nan")}, "from 0.5 to 1"),
        ({"most_causes_shown": 2.5}, "whole number"),
        ({"low_price_minutes": 100.0}, "rising order"),
        ({"a_guess": 0.95}, "rising order"),
    ],
)
def test_a_policy_out_of_range_is_refused(values: dict[str, Any], words: str) -> None:
    """Whoever makes one in Python hears what would be right."""
    with pytest.raises(ValueError, match=words):
        replace(DEFAULT, **values)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A workshop's file."""
    return tmp_path / "workshop.toml"


def test_a_file_sets_what_it_names_and_nothing_else(file: Path) -> None:
    """The rest stays at the default; an empty file sets nothing."""
    file.write_text("# ours\nsure_at = 0.9\nmost_causes_shown = 3\n", encoding="utf-8")
    assert read_policy(file) == Policy(sure_at=0.9, most_causes_shown=3)
    file.write_text("", encoding="utf-8")
    assert read_policy(file) == read_policy(None) == DEFAULT


REFUSED = {
    "sure_at = 1.5\n": "1:1: wrong-value: sure_at cannot be 1.5.",
    "\n  sure_at = '0.9'\n": "2:3: wrong-value: sure_at cannot be '0.9'.",
    "sure_at = true\n": "1:1: wrong-value: sure_at cannot be True.",
    "sure_at = nan\n": "1:1: wrong-value: sure_at cannot be nan.",
    "covered = 0.9\nsure_att = 0.9\n": "2:1: unknown-value: There is no value 'sure_att'. Did you mean",
    "[stop]\nsure_at = 0.9\n": "1:2: section: 'stop' is a section.",
    "most_causes_shown = 2.5\n": "1:1: wrong-value: most_causes_shown cannot be 2.5.",
    "sure_at 0.9\n": "1:9: not-toml: This is not TOML:",
    "sure_at = 0.9\nsure_at = 0.8\n": "2:",
    "covered = 0.9\nlow_price_minutes = 90\n": "2:1: wrong-order: low_price_minutes (90) is above",
}


@pytest.mark.parametrize("text", REFUSED)
def test_a_file_that_will_not_do_is_refused_with_its_line(text: str, file: Path) -> None:
    """File, line and column, what is wrong and what would be right."""
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ProblemsFound) as caught:
        read_policy(file)
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{file}:{REFUSED[text]}")
    assert problem.instead


def test_every_wrong_line_of_a_file_is_named_at_once(file: Path) -> None:
    """So that it is put right in one go."""
    file.write_text("covered = 2\nwho = 'me'\nsure_at = 0\n", encoding="utf-8")
    with pytest.raises(ProblemsFound) as caught:
        read_policy(file)
    assert [one.place.line for one in caught.value.problems] == [1, 2, 3]


def test_what_the_command_prints_is_a_file_that_sets_the_same(file: Path, advisor: Advisor) -> None:
    """Also with every # taken away; what is set stands there without one."""
    file.write_text("sure_at = 0.9\n", encoding="utf-8")
    done = advisor("policy", "--workshop", str(file))
    assert (done.code, done.err) == (0, "")
    assert "\nsure_at = 0.9\n" in done.out
    assert "\n# covered = 0.8\n" in done.out
    file.write_text(done.out, encoding="utf-8")
    assert read_policy(file) == Policy(sure_at=0.9)
    bare = [line.removeprefix("# ") if " = " in line else line for line in done.out.splitlines()]
    file.write_text("\n".join(line for line in bare if "===" not in line), encoding="utf-8")
    assert read_policy(file) == Policy(sure_at=0.9)
    assert as_toml(DEFAULT, None).count("\n# ") > len(parameters())


def test_the_command_lists_the_values_for_programs(advisor: Advisor) -> None:
    """Every value with its unit, range, standing and effect."""
    done = advisor("policy", "--format", "json")
    said = {one["name"]: one for one in json.loads(done.out)}
    assert list(said) == [*CHOICES, *parameters()]
    assert said["sure_at"]["changes"] == parameters()["sure_at"].changes


def test_next_goes_by_the_file_and_says_so(file: Path, advisor: Advisor) -> None:
    """As text and as JSON; without a file nothing is said."""
    file.write_text("least_bits = 10\n", encoding="utf-8")
    given = ("next", "--complaint", "flat_battery")
    done = advisor(*given, "--json", "--workshop", str(file))
    assert json.loads(done.out)["policy"] == {"least_bits": 10}
    assert json.loads(done.out)["stop"]["reason"] == "nothing-left"
    assert "Set by this workshop: least_bits = 10." in advisor(*given, "--workshop", str(file)).out
    usual = advisor(*given, "--json")
    assert "policy" not in json.loads(usual.out)
    assert json.loads(usual.out)["stop"] is None


def test_the_file_in_the_data_folder_applies_by_itself(
    tmp_path: Path, advisor: Advisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It lies beside the cases; --workshop names another one."""
    monkeypatch.setattr("advisor.knowledge.workshop_file.user_data_path", lambda name: tmp_path / name)
    assert advisor("policy").out.startswith("# Nothing is set")
    (tmp_path / "advisor").mkdir()
    (tmp_path / "advisor" / "workshop.toml").write_text("sure_at = 0.9\n", encoding="utf-8")
    assert "\nsure_at = 0.9\n" in advisor("policy").out
    (tmp_path / "other.toml").write_text("", encoding="utf-8")
    assert "\nsure_at" not in advisor("policy", "--workshop", str(tmp_path / "other.toml")).out


@pytest.mark.parametrize("command", ["policy", "next", "prescreen", "serve", "evaluate", "check"])
def test_a_command_refuses_a_file_that_will_not_do(command: str, file: Path, advisor: Advisor) -> None:
    """With its line, before anything else is done."""
    file.write_text("sure_at = 2\n", encoding="utf-8")
    more = {"next": ["--complaint", "flat_battery"], "prescreen": ["--words", "flat"]}
    done = advisor(command, "--workshop", str(file), *more.get(command, []))
    assert f"{file}:1:1: wrong-value" in done.err
    assert done.code in (1, 2)


def test_bits_per_minute_never_divide_by_nothing() -> None:
    """A reading of no minutes is charged for turning to it."""
    assert bits_per_minute(Policy(charge_minutes=2), 1.0, 0.0, 0.0) == 0.5
