"""Made-up cars played by several policies: what is counted, and that nothing but the seed decides it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from advisor.case.case import Case
from advisor.evaluation.bounds import told_of_single_faults
from advisor.evaluation.perturbation import disturbed_tables, off, tables_of_worse_proofs
from advisor.evaluation.policies import POLICY_TITLES, play_policy
from advisor.evaluation.scorecard import measured, scorecards
from advisor.evaluation.sensitivity import costs_of, most_costly, spreads_of, table_of
from advisor.evaluation.trials import EVERYTHING, Trial, TrialPlan, disturbed, evaluate, ranker_of
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.policy import DEFAULT
from advisor.simulate.jobs import Jobs, draw_cars, starts_of
from tests.conftest import HEAD, ROOT, Ran, complaint, faults

SMALL = """\
readings:
  loud:
    name: Hear it
    minutes: 1
    outcomes: {quiet: Quiet, loud: Loud}
    noisy_or: {leak: 0.1, causes: {a: 0.9}}
  wet:
    name: Feel it
    minutes: 2
    outcomes: {dry: Dry, wet: Wet}
    noisy_or: {leak: 0.05, causes: {b: 0.9}}
  far:
    name: Look from afar
    minutes: 30
    outcomes: {fine: Fine, odd: Odd}
    noisy_max: {leak: {odd: 0.02}, causes: {a: {odd: 0.5}, b: {odd: 0.6}}}
  table:
    name: Look it up
    minutes: 50
    outcomes: {no_: "No", yes_: "Yes"}
    table:
      - {when: {a: present}, gives: {yes_: 0.7}}
      - {otherwise: {yes_: 0.2}}
"""
TEXT = complaint("any_of: {a: 55, b: 45}", 10) + faults("a", "b") + SMALL

Made = Callable[[str], Knowledge]


@pytest.fixture
def small(known: Made) -> Knowledge:
    """Two faults and four readings, the dear ones last."""
    return known(TEXT)


def played(knowledge: Knowledge, policy: str, cars: int = 200) -> Jobs:
    """Cars of the small complaint played by one policy."""
    ranker = ranker_of(knowledge, "c")
    starts = starts_of(ranker, [Case("c")])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(1))
    told = told_of_single_faults(ranker, "c")
    return play_policy(ranker, starts, drawn, policy, told, np.random.default_rng(2))


def same(one: Trial, other: Trial) -> bool:
    """Whether two trials are the same to the last bit."""
    return np.array_equal(one.present, other.present) and all(
        np.array_equal(record.beliefs, other.records[policy].beliefs)
        and np.array_equal(record.hands_on_minutes, other.records[policy].hands_on_minutes)
        for policy, record in one.records.items()
    )


def test_the_checklist_goes_by_the_order_written(small: Knowledge) -> None:
    """Whatever it takes, it takes in that order, and starts with the first."""
    order = list(small.readings)
    jobs = played(small, "checklist")
    for job in range(50):
        taken = [order.index(name) for name in jobs.readings(job)]
        assert taken == list(range(len(taken)))


def test_most_probable_first_goes_to_the_leading_suspect(small: Knowledge) -> None:
    """The reading that tells most about `a` alone comes first, as `a` leads at the start."""
    ranker = ranker_of(small, "c")
    told = told_of_single_faults(ranker, "c")
    best = ranker.readings[int(told[ranker.faults.index("a")].argmax())]
    assert {played(small, "probable").readings(job)[0] for job in range(50)} == {best}


def test_random_order_differs_from_car_to_car(small: Knowledge) -> None:
    """Each car has an order of its own."""
    jobs = played(small, "random")
    assert len({jobs.readings(job)[0] for job in range(50)}) > 1


@pytest.mark.parametrize("policy", list(POLICY_TITLES))
def test_every_policy_ends_where_the_advice_would(small: Knowledge, policy: str) -> None:
    """At the end a listed fault is sure and the others are settled, or nothing is worth reading."""
    jobs = played(small, policy)
    rule = DEFAULT
    sure = jobs.reason == 0
    beliefs = jobs.beliefs[sure]
    assert np.all(beliefs.max(axis=1) >= rule.sure_at)
    assert not np.any((beliefs > rule.settled_below) & (beliefs < rule.sure_at))
    assert set(np.unique(jobs.reason).tolist()) <= {0, 1, 2}


def test_what_a_single_fault_is_told_is_mutual_information(small: Knowledge) -> None:
    """Against the sum over the joint of one fault and one reading."""
    ranker = ranker_of(small, "c")
    engine = ranker.batch.engine
    given = {"c": engine.one_hot("c", "present")}
    before = engine.query(given)
    joint = np.zeros((2, 2))
    for at, outcome in enumerate(("quiet", "loud")):
        after = engine.query({**given, "loud": engine.one_hot("loud", outcome)}).beliefs["a"]
        joint[:, at] = np.array([1 - after, after]) * before.predictive["loud"][at]
    alone = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0)
    bits = float((joint * np.log2(joint / alone)).sum())
    told = told_of_single_faults(ranker, "c")
    assert told[ranker.faults.index("a"), ranker.readings.index("loud")] == pytest.approx(bits)


def test_nothing_beats_taking_every_reading(small: Knowledge) -> None:
    """The log score with every reading is the best of all policies, and takes all the minutes there are."""
    (trial,) = evaluate(small, TrialPlan(("c",), 2000, 3), cores=1)
    found = {policy: measured([trial], policy) for policy in trial.records}
    assert min(found, key=lambda policy: found[policy].log_loss) == EVERYTHING
    assert found[EVERYTHING].hands_on_minutes == 83
    assert found["advice"].hands_on_minutes < found["random"].hands_on_minutes < 83


def test_the_number_of_cores_changes_nothing(small: Knowledge) -> None:
    """One process and two give the same to the last bit, disturbances included; other seeds do not."""
    plan = TrialPlan(("c",), 600, 3, noises=(0.5,))
    (one,), (two,) = evaluate(small, plan, cores=1), evaluate(small, plan, cores=2)
    assert same(one, two)
    (other,) = evaluate(small, TrialPlan(("c",), 600, 4, noises=(0.5,)), cores=1)
    assert not same(one, other)


def test_progress_counts_cars(small: Knowledge) -> None:
    """It ends with all of them, and never goes back."""
    told: list[tuple[int, int]] = []
    evaluate(
        small,
        TrialPlan(("c",), 600, 3, policies=("advice",)),
        1,
        lambda done, count: told.append((done, count)),
    )
    assert told == [(250, 600), (500, 600), (600, 600)]


def test_scorecards_count_by_fault_and_by_mistake(small: Knowledge) -> None:
    """Cars with each fault add up, and mistakes are on cars with one cause only."""
    trials = evaluate(small, TrialPlan(("c",), 500, 3, policies=("advice",)), cores=1)
    families, (card,) = scorecards(small, trials)
    assert [one.name for one in families] == ["made_up"]
    assert {one.fault: one.cars for one in card.faults} == dict(
        zip(trials[0].faults, trials[0].present.sum(axis=0).tolist(), strict=True)
    )
    for one in card.faults:
        assert sum(count for _, count in one.mistaken) <= one.alone <= one.cars


def test_no_noise_changes_nothing(shipped: Knowledge) -> None:
    """Tables disturbed by nothing are those of the knowledge, effects given with the leak included."""
    plain = build(shipped, "smell").tables
    still = disturbed_tables(shipped, "smell", 0.0, np.random.default_rng(1))
    for one, other in zip(plain.tables, still.tables, strict=True):
        assert (one.child, one.parents) == (other.child, other.parents)
        np.testing.assert_allclose(one.values, other.values, atol=1e-12)


def test_noise_is_normal_in_the_log_odds() -> None:
    """Its mean and standard deviation are right, and what is impossible stays so."""
    random = np.random.default_rng(1)
    moved = np.array([off(np.array([0.7, 0.3]), 0.5, random, 0)[1] for _ in range(4000)])
    odds = np.log(moved / (1 - moved)) - np.log(0.3 / 0.7)
    assert odds.mean() == pytest.approx(0, abs=0.03)
    assert odds.std() == pytest.approx(0.5, abs=0.03)
    assert off(np.array([1.0, 0.0]), 1.0, random, 0).tolist() == [1.0, 0.0]


def test_worse_proofs_show_less_often_and_falsely_more_often(shipped: Knowledge) -> None:
    """10 of 100 cars fewer with the fault, three times as many without; an instrument's numbers follow."""
    plain = {table.child: table.values for table in build(shipped, "flat_battery").tables.tables}
    worse = {table.child: table.values for table in tables_of_worse_proofs(shipped, "flat_battery").tables}
    proof = shipped.readings["boot_filmed"]
    assert proof.proves == ("boot_lamp",)
    np.testing.assert_allclose(plain["boot_filmed"], [[0.99, 0.01], [0.07, 0.93]], atol=1e-12)
    np.testing.assert_allclose(worse["boot_filmed"], [[0.97, 0.03], [0.17, 0.83]], atol=1e-12)
    assert worse.keys() == plain.keys()
    for name, values in worse.items():
        np.testing.assert_allclose(values.sum(axis=-1), 1.0, atol=1e-9)
        if shipped.readings.keys() & {name} and not shipped.readings[name].proving_outcomes:
            assert values is plain[name] or np.array_equal(values, plain[name])
    number = "night_log@low_current_clamp"
    assert not np.allclose(worse[number], plain[number])


def test_cars_with_worse_proofs_have_the_same_causes(advisor: Callable[..., Ran]) -> None:
    """Their searches end less often right where they end proved, and the figures stand beside the others."""
    ran = advisor(
        "evaluate", "--complaint", "no_air", "--cars", 100, "--jobs", 1, "--format", "json", "--worse-proofs"
    )
    assert ran.code == 0
    (card,) = json.loads(ran.out)["complaints"]
    worse = card["with_worse_proofs"]
    assert worse.keys() == {one for one in card if one in worse}
    assert worse["right_share_of_proved"] <= card["right_share_of_proved"]
    assert worse["proved_share"] < card["proved_share"]


def test_cars_with_one_fault_alone_can_be_tried(advisor: Callable[..., Ran]) -> None:
    """All of them have it, in the complaints that it can cause; how often it is found stands first."""
    words = ("evaluate", "--cars", 40, "--jobs", 1, "--fault")
    said = json.loads(advisor(*words, "blower_feed", "--complaint", "no_air", "--format", "json").out)
    assert said["fault"] == "blower_feed"
    (card,) = said["complaints"]
    assert {one["fault"]: one["cars"] for one in card["faults"]}["blower_feed"] == 40
    assert advisor(*words, "blower_feed", "--complaint", "wind_noise").code == 2
    assert advisor(*words, "blower_fed").code == 1


def test_wrong_numbers_cost_something(small: Knowledge) -> None:
    """With log-odds off by 2 the log score is clearly worse than with the numbers the cars come from."""
    (trial,) = evaluate(small, TrialPlan(("c",), 2000, 3, policies=("advice",), noises=(2.0,)), cores=1)
    assert measured([trial], disturbed(2)).log_loss > measured([trial], "advice").log_loss + 0.02


@pytest.mark.parametrize("name", ["smell", "wind_noise", "flat_battery"])
def test_tables_for_sensitivity_are_those_of_the_network(shipped: Knowledge, name: str) -> None:
    """Every reading's table, made of its spreads, is the network's."""
    tables = build(shipped, name).tables
    by_child = {table.child: table for table in tables.tables}
    for reading in (one for one in tables.readings if one in shipped.readings):
        table = by_child[reading]
        said = shipped.readings[reading]
        made = table_of(said, table.parents, tables.outcomes, spreads_of(said))
        np.testing.assert_allclose(made, table.values.reshape(made.shape), atol=1e-12)


def test_cost_of_a_number_is_the_fall_of_the_log_score(known: Made) -> None:
    """One reading, one fault against an unlisted cause: by hand, with Bayes' rule."""
    text = complaint("exactly_one_of: {a: 60, b: 25}", 15) + faults("a", "b")
    reading = "  r: {name: Read, minutes: 1, outcomes: {fine: Fine, odd: Odd}, noisy_or: "
    knowledge = known(text + "readings:\n" + reading + "{leak: 0.2, causes: {a: 0.5}}}\n")
    plan = TrialPlan(("c",), 400, 1)
    cost = costs_of(knowledge, "c", plan)["readings", "r", "noisy_or", "leak"]
    expected = 0.0
    for sign in (-1, 1):
        leak = 1 / (1 + 4 * np.exp(-sign))
        right, wrong = (
            np.array([1 - (1 - one) * 0.5, one]) for one in (0.2, leak)
        )  # P(odd | a), P(odd | not)
        for like, off_like in ((right, wrong), (1 - right, 1 - wrong)):
            joint = np.array([0.6, 0.4]) * like
            believed = joint / joint.sum()
            ratio = off_like / like
            gap = np.log(believed @ ratio) - believed @ np.log(ratio)
            expected += joint.sum() * gap / 2
    assert cost == pytest.approx(expected, rel=0.05)


def test_costly_numbers_are_named_with_their_line(shipped: Knowledge) -> None:
    """File and line are those of the number, and the costs fall."""
    found = most_costly(shipped, TrialPlan(("smell",), 100, 1), 10)
    assert len(found) == 10
    assert [one.cost_nats for one in found] == sorted((one.cost_nats for one in found), reverse=True)
    for one in found:
        line = Path(one.place.file).read_text(encoding="utf-8").splitlines()[one.place.line - 1]
        assert one.name.split()[-1] in line


class Outside(HTMLParser):
    """Gathers tags, and what a page would load."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Remember the tag, and anything with an address."""
        self.tags.append(tag)
        self.loads += [value or "" for name, value in attrs if name in ("src", "href", "data", "xlink:href")]


def test_the_page_stands_by_itself(advisor: Callable[..., Ran], tmp_path: Path) -> None:
    """Tables and plots, no script, nothing loaded; text on the terminal beside it."""
    file = tmp_path / "page.html"
    ran = advisor(
        "evaluate", "--complaint", "smell", "--cars", 60, "--jobs", 1, "--costly", 3, "--html", file
    )
    assert ran.code == 0
    assert "fixed checklist" in ran.out
    assert "of the ceiling" in ran.out
    assert "climate.yaml:" in ran.out
    page = Outside()
    page.feed(file.read_text(encoding="utf-8"))
    assert "svg" in page.tags
    assert "table" in page.tags
    assert "script" not in page.tags
    assert not page.loads


def test_json_is_alone_on_standard_output(advisor: Callable[..., Ran]) -> None:
    """Every policy with its figures, by family and complaint."""
    ran = advisor(
        "evaluate", "--complaint", "smell", "--cars", 60, "--jobs", 1, "--format", "json", "--disturb", 1
    )
    assert ran.code == 0
    said = json.loads(ran.out)
    (card,) = said["complaints"]
    assert set(card["ways"]) == {*POLICY_TITLES, EVERYTHING, "disturbed 1"}
    assert card["ways"]["advice"]["cars"] == 60


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--complaint", "smel"), 1),
        (("--without", "nose"), 1),
        (("--cars", "0"), 2),
        (("--disturb", "0"), 2),
        (("--disturb", "nan"), 2),
    ],
)
def test_refuses_unknown_ids_and_senseless_numbers(
    advisor: Callable[..., Ran], words: tuple[str, ...], code: int
) -> None:
    """Ids that are not there, and numbers that make no sense."""
    assert advisor("evaluate", *words).code == code


def test_evaluate_succeeds_where_no_reading_finds_the_cause(advisor: Callable[..., Ran]) -> None:
    """Where taking every reading does not find the cause either, all that can be reached is reached."""
    words = ("--knowledge", ROOT / "knowledge" / "example", "--cars", 1, "--seed", 2, "--jobs", 1)
    ran = advisor("evaluate", *words)
    assert ran.code == 0
    assert re.search(r"every reading taken \(the ceiling\)\n +0\.0 ", ran.out)
    assert "100.0% of the ceiling" in ran.out


def test_evaluate_tells_how_often_each_cause_is_found_within_80_letters(
    advisor: Callable[..., Ran], tmp_path: Path
) -> None:
    """Weakest first, with its cars; a cause that no car had is named as well, and no line wraps."""
    file = tmp_path / "x.yaml"
    rare = TEXT.replace("any_of: {a: 55, b: 45}", "any_of: {a: 55, b: 45, d: 0.01}").replace(
        "  b: {name: Fault b",
        "  d: {name: Fault d, remedy: Mend it, remedy_minutes: 5, price: low}\n  b: {name: Fault b",
    )
    file.write_text(HEAD + rare, encoding="utf-8")
    ran = advisor("evaluate", "--knowledge", file, "--cars", 200, "--jobs", 1)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert max(map(len, lines)) < 80
    start = next(at for at, line in enumerate(lines) if "each cause, weakest first" in line)
    end = lines.index("", start)
    rows = [line.split(maxsplit=5) for line in lines[start + 2 : end]]
    assert lines[end - 1].split(maxsplit=1) == ["0*", "Fault d"]
    found = [int(row[0].rstrip("%")) for row in rows[:-1]]
    assert found == sorted(found)
    assert {row[5] for row in rows[:-1]} == {"Fault a", "Fault b", "Something not listed here"}


def heed_interrupts() -> None:
    """Heed SIGINT also where whoever runs the tests ignores it, as a shell's background jobs do."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.parametrize("ignored_by_parent", [False, True])
def test_interrupt_ends_evaluate_without_a_result(ignored_by_parent: bool) -> None:
    """A message, exit code 1, and nothing that looks like a result."""
    command = [sys.executable, "-m", "advisor", "evaluate", "--complaint", "flat_battery"]
    command += ["--cars", "100000", "--jobs", "2"]
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if ignored_by_parent else None
    try:
        child = subprocess.Popen(
            command,
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            preexec_fn=heed_interrupts,
        )
    finally:
        if ignored_by_parent:
            signal.signal(signal.SIGINT, before)
    try:
        workers = Path(f"/proc/{child.pid}/task/{child.pid}/children")
        patience = time.monotonic() + 120
        while not workers.read_text():
            assert child.poll() is None, "it ended before its workers started"
            assert time.monotonic() < patience, "it started no workers"
            time.sleep(0.05)
        os.killpg(child.pid, signal.SIGINT)  # as a terminal does, to all that it runs
        out, err = child.communicate(timeout=60)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)
        child.wait(60)
    assert child.returncode == 1
    assert out == ""
    assert "Stopped." in err
    assert "Traceback" not in err
