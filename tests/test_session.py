"""A case on the bench without a screen: what a person may ask for, what is saved, and what is refused."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from advisor.advice.advice import CandidateReading, outcome_effects
from advisor.advice.repair_or_test import remedies, repair_or_test
from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence, Situation, current_faults
from advisor.advice.waits import plan
from advisor.bench import session as sessions
from advisor.bench.customer import customer_sheet
from advisor.bench.handover import handover
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines, NotSo, Session, reopened
from advisor.bench.wording import entry_words
from advisor.case.entries import (
    Accounted,
    Acknowledged,
    Cancelled,
    Checked,
    Closed,
    Ended,
    Entry,
    Known,
    Measured,
    Prepared,
    Reopened,
    Repaired,
    Replayed,
    Seen,
    Skipped,
    Stated,
    TakenBack,
)
from advisor.case.typed import NotUnderstood, fields, understand
from advisor.checks.lint import checked
from advisor.knowledge.knowledge import Knowledge
from advisor.model.observation import Measurement
from advisor.papers.document import Paper, html, markdown
from advisor.papers.format import percent
from advisor.policy import DEFAULT
from advisor.screens.bench.card import card
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Starts
from advisor.simulate.rollout import LookAhead, RepairCosts
from advisor.store.store import Store
from tests.test_bench import GAS, HUM
from tests.test_screens import DOOR

NOON = datetime(2030, 1, 15, 12, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store at a fixed time."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}", clock=lambda: NOON)
    yield store
    store.close()


@pytest.fixture(scope="module")
def hum(module_known: Callable[[str], Knowledge]) -> Engines:
    """An invented knowledge that waits, warns and mends, and its engines."""
    return Engines(
        module_known(
            HUM.replace("cautions:\n  hot:", GAS, 1).replace("cautions: [hot, ", "cautions: [hot, gas, ")
        )
    )


@pytest.fixture(scope="module")
def module_known(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Knowledge]:
    """Makes knowledge of a text as the program does, with everything checked."""

    def made(text: str) -> Knowledge:
        file = tmp_path_factory.mktemp("knowledge") / "made.yaml"
        file.write_text(text, encoding="utf-8")
        return checked([file])

    return made


@pytest.fixture
def bench(hum: Engines, store: Store) -> Session:
    """A new job on the bench."""
    return opened(hum, store)


def opened(engines: Engines, store: Store, *entries: Entry, without: frozenset[str] = frozenset()) -> Session:
    """A job with entries on the bench."""
    filed = store.open_case("bay 2", "hum", engines.knowledge.version)
    return Session.opened(engines, store, store.append(filed, *entries), Workshop(without=without))


def stored(session: Session) -> tuple[Entry, ...]:
    """What is in the store of the job."""
    filed = session.store.case(session.filed.number)
    assert filed is not None
    assert filed == session.filed
    return filed.case.entries


def proposal(session: Session, reading: str) -> CandidateReading:
    """The proposal of a reading."""
    return next(one for one in session.advice.proposals if one.reading == reading)


# --------------------------------------------------------------------------------------------- opening


def test_what_is_remembered_for_everybody_is_there_when_a_job_is_opened(hum: Engines, store: Store) -> None:
    """Units, the ranking and what is off the trolley come with the job, for whoever opens it."""
    first = opened(hum, store)
    assert (first.ranking, first.off_trolley, first.preferences) == ("bits for the time", frozenset(), {})
    first.ranked("quick looks").prefers("temperature", "°F").prefers("pressure", "psi")
    second = opened(hum, store)
    assert second.ranking == "quick looks"
    assert second.preferences == {"temperature": "°F", "pressure": "psi"}
    third = second.with_trolley(iter(["camera"]))
    assert (third.ranking, third.off_trolley) == ("on the trolley", {"camera"})
    again = opened(hum, store)
    assert (again.ranking, again.off_trolley) == ("on the trolley", {"camera"})
    assert again.knowledge is hum.knowledge
    assert (again.engines, again.store) == (hum, store)


def test_the_reading_that_tells_most_is_named_beside_the_usual_order(hum: Engines, store: Store) -> None:
    """Where that begins with a quicker one; not beside another reading, nor in an order by bits."""
    session = opened(hum, store, Seen("click", "silent"))
    first, most = session.proposals[0], session.advice.by_bits[0]
    assert (first.reading, most.reading) == ("glow", "hiss")
    assert session.tells_more(first) == most
    assert session.tells_more(most) is None
    by_bits = session.ranked("bits")
    assert by_bits.proposals[0] == most
    assert by_bits.tells_more(most) is None


def test_an_unknown_remembered_ranking_falls_back_to_the_usual_one(hum: Engines, store: Store) -> None:
    """An older or newer program may have remembered another word: the usual ranking holds."""
    store.set_to(sessions.RANKING, "by the moon")
    assert opened(hum, store).ranking == "bits for the time"


def test_what_a_person_changes_for_one_job_is_on_the_session_that_comes_back(bench: Session) -> None:
    """Units and trolley: the session in hand stays as it was, the one returned has the change."""
    after = bench.prefers("temperature", "°F")
    assert bench.preferences == {}
    assert after.preferences == {"temperature": "°F"}
    assert after.ranked("bits for the time").ranking == "bits for the time"
    assert after.filed is bench.filed
    fresh = after.refreshed()
    assert fresh == after
    assert fresh is not after


# ----------------------------------------------------------------------------------- what a person does


@pytest.mark.parametrize(
    ("act", "entries"),
    [
        (lambda job: job.saw("glow", "glows", 0.9), [Seen("glow", "glows", 0.9)]),
        (lambda job: job.saw("glow", "dark"), [Seen("glow", "dark", 1.0)]),
        (lambda job: job.skipped("hiss", "no radio"), [Skipped("hiss", "no radio")]),
        (lambda job: job.prepared(["asleep"]), [Prepared("asleep", NOON.isoformat())]),
        (lambda job: job.ended("asleep", "door opened"), [Ended("asleep", "door opened")]),
        (
            lambda job: job.acknowledged(["hot", "gas"]),
            [Acknowledged("hot", NOON.isoformat()), Acknowledged("gas", NOON.isoformat())],
        ),
        (lambda job: job.repaired("lamp"), [Repaired("lamp", NOON.isoformat())]),
        (
            lambda job: job.repaired("lamp").checked(True),
            [Repaired("lamp", NOON.isoformat()), Checked("hum", "gone")],
        ),
        (
            lambda job: job.repaired("lamp").checked(False),
            [Repaired("lamp", NOON.isoformat()), Checked("hum", "still there")],
        ),
        (lambda job: job.closed("lamp", "bulb"), [Closed("lamp", "bulb")]),
        (lambda job: job.closed(""), [Closed("", "")]),
    ],
)
def test_each_act_is_one_entry_that_is_in_the_store(
    act: Callable[[Session], Session], entries: list[Entry], bench: Session
) -> None:
    """What is shown is what is stored, at the store's time and in the words that were given."""
    after = act(bench)
    assert list(stored(after)) == entries
    assert bench.case.entries == ()


def test_a_contradicting_answer_is_refused_and_not_saved(
    known: Callable[[str], Knowledge], store: Store
) -> None:
    """A strap that is surely loose and cannot be: the second answer is refused, and the first is kept."""
    engines = Engines(known(DOOR.partition("standing: estimate\n")[2]))
    session = Session.opened(engines, store, store.open_case("bay 2", "rattle"), Workshop())
    session = session.saw("wiggle", "loose")
    with pytest.raises(InconsistentEvidence):
        session.saw("slam", "clack")
    assert stored(session) == (Seen("wiggle", "loose"),)
    clashing = store.append(session.filed, Seen("slam", "clack"), Seen("tap", "dull"))
    session = Session.opened(engines, store, clashing, Workshop())
    with pytest.raises(InconsistentEvidence):
        session.taken_back(3)
    assert stored(session.withdrawn(3))[-1] == TakenBack(3, "")
    assert handover(session).next_step == "open it to put it right"


def test_facts_that_are_known_already_are_not_entered_again(shipped: Knowledge, store: Store) -> None:
    """Only what is new or differs makes an entry."""
    engines = Engines(shipped)
    session = Session.opened(engines, store, store.open_case("bay", "no_heat"), Workshop())
    fact, said = next(iter(session.facts.items()))
    one, other = list(said.values)[:2]
    session = session.knows({fact: one})
    assert stored(session.knows({fact: one})) == (Known(fact, one),)
    assert stored(session.knows({fact: other})) == (Known(fact, one), Known(fact, other))


def test_a_number_read_before_the_wait_is_over_is_kept_as_a_guess(shipped: Knowledge, store: Store) -> None:
    """One minute into the hour: it is asked how much is left; kept are number and band, 70 % sure."""
    filed = store.open_case("bay", "flat_battery")
    began = (NOON - timedelta(minutes=1)).isoformat()
    filed = store.append(filed, Prepared("asleep", began))
    session = Session.opened(Engines(shipped), store, filed, Workshop())
    with pytest.raises(NotUnderstood, match=r"0\.2 mA or 0\.2 A"):
        session.accounted("lamp", "0.2", "general_clamp")
    left = round(session.setup_minutes("asleep")[1]) - 1
    assert f"{left} minutes are left" in session.early("sleeping_current")
    understood = session.understand(
        "sleeping_current", {"sleeping_current": "430"}, {"sleeping_current": "low_current_clamp"}
    )
    kept = session.guessed(understood)
    take = (Measurement("sleeping_current", 430.0, "low_current_clamp", "430 mA"),)
    (guess,) = stored(kept)[1:]
    assert guess == Seen("sleeping_current", "high", 0.7, take=take)
    assert kept.waiting["asleep"] == left
    assert kept.account is not None
    assert kept.account.total.value == pytest.approx(430)
    assert kept.account_instrument == "low_current_clamp"
    again = store.case(kept.filed.number)
    assert again is not None
    assert again.case.entries == kept.case.entries
    told = entry_words(shipped, kept.case, guess)
    assert told.startswith("Quiescent current: 430 mA (")
    assert told.endswith(", read too early: High (70 % sure)")
    assert kept.saw("sleeping_current", "raised").account is None


@pytest.mark.parametrize(
    ("typed", "milliamps", "shown"),
    [("380", 380, "380 mA"), ("1,5 A", 1500, "1500 mA"), ("0", 0, "0 mA"), ("100 A", 100_000, "100000 mA")],
)
def test_a_part_of_the_draw_is_entered_in_milliamps(
    typed: str, milliamps: float, shown: str, bench: Session
) -> None:
    """A plain number is in mA; the instrument is the one that was named, and the text as it is shown."""
    (entry,) = stored(bench.accounted("glovebox lamp", typed, "clamp"))
    assert entry == Accounted("glovebox lamp", Measurement("part", milliamps, "clamp", shown))


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("200 A", "200000 mA is not plausible for a part of the draw. Read it again."),
        ("-1", "−1 mA is not plausible for a part of the draw. Read it again."),
        ("12 V", "'12 V' is a voltage. A current is wanted, for example 430 mA."),
    ],
)
def test_a_part_that_cannot_be_is_asked_again(typed: str, sentence: str, bench: Session) -> None:
    """A slip of the finger is no part of the draw; nothing is entered."""
    with pytest.raises(NotUnderstood) as caught:
        bench.accounted("lamp", typed, "clamp")
    assert str(caught.value) == sentence
    assert stored(bench) == ()


def test_a_number_is_asked_for_and_taken_as_the_preferences_and_the_workshop_have_it(
    shipped: Knowledge, store: Store
) -> None:
    """The session's own case, units and missing instruments go into what is asked and understood."""
    filed = store.open_case("bay", "flat_battery")
    session = Session.opened(Engines(shipped), store, filed, Workshop(frozenset(["low_current_clamp"])))
    session = session.prefers("temperature", "°F")
    asked = session.fields("sleeping_current")
    assert asked == fields(
        shipped, session.case, "sleeping_current", session.preferences, session.workshop.without
    )
    assert asked != fields(shipped, session.case, "sleeping_current", session.preferences, ())
    filled, with_what = {"sleeping_current": "430"}, {"sleeping_current": "general_clamp"}
    understood = session.understand("sleeping_current", filled, with_what)
    assert understood == understand(
        shipped, session.case, "sleeping_current", filled, with_what, session.preferences
    )
    entries = stored(session.measured(understood))
    assert entries == (*understood.facts, understood.measured)
    assert isinstance(understood.measured, Measured)


# ------------------------------------------------------------------------------------------ taking back


def test_a_step_is_taken_back_once_and_the_record_stays(bench: Session) -> None:
    """Whichever step it is, with its reason; a step that does not count, or none, changes nothing."""
    session = bench.saw("glow", "glows").saw("hiss", "silent").saw("click", "silent")
    assert session.undone().case.outcomes == {"glow": "glows", "hiss": "silent"}
    session = stored_session(session)
    back = session.taken_back(min(session.case.counting), "wrong car")
    assert back.case.entries[-1] == TakenBack(min(session.case.counting), "wrong car")
    assert stored(back)[: len(session.case.entries)] == session.case.entries
    assert back.taken_back(min(session.case.counting)) is back
    assert back.taken_back(99) is back


def stored_session(session: Session) -> Session:
    """The session with the job as the store has it by now."""
    newer = session.newer()
    return newer if newer is not None else session


def test_undoing_where_nothing_counts_changes_nothing(bench: Session) -> None:
    """A new job has nothing to take back."""
    assert bench.undone() is bench
    assert stored(bench) == ()


def test_a_step_is_taken_back_without_a_reason_given(bench: Session) -> None:
    """The reason is then empty, also where what is left cannot be so."""
    session = bench.saw("glow", "glows").saw("hiss", "silent")
    (first, second) = session.case.counting
    assert session.withdrawn(first).case.entries[-1] == TakenBack(first, "")
    session = stored_session(session)
    assert stored(session.taken_back(second))[-1] == TakenBack(second, "")


def test_what_others_entered_is_noticed(bench: Session) -> None:
    """None while nobody has; then the job as it is there, and None again for a job that was erased."""
    assert bench.newer() is None
    bench.saw("glow", "glows")
    newer = bench.newer()
    assert newer is not None
    assert newer.case.outcomes == {"glow": "glows"}
    assert newer.newer() is None
    bench.store.erase(bench.filed.number)
    assert newer.newer() is None


def test_a_job_that_is_not_stored_yet_has_nothing_newer(hum: Engines, store: Store) -> None:
    """Damaged rows that name no job lie under its number, 0: they are not taken for its own."""
    session = Session.opened(hum, store, store.draft("bay 2", "hum"), Workshop())
    with closing(sqlite3.connect(str(store._engine.url.database))) as past:
        past.execute("INSERT INTO entries VALUES (0, 1, '', 'seen', 'glow', 'glows')")
        past.commit()
    assert session.newer() is None


# --------------------------------------------------------------------------------------------- closing


def test_closing_says_beforehand_what_it_will_record(bench: Session) -> None:
    """A cause with or without its remedy, one in words, or none; of a job by its number and tag."""
    head = f"Close job {bench.filed.number}, bay 2?"
    tail = "It then stands among the closed jobs, where it can be reopened."
    lamp = "Recorded as found and repaired: Lamp stays lit."
    assert bench.closing_words("lamp") == f"{head} {lamp} No remedy was entered for it. {tail}"
    assert bench.repaired("lamp").closing_words("lamp").startswith(f"{head} {lamp} {tail}\nLeft to do before")
    nothing = (
        "No fault found is recorded. Nothing is learned from this job; its card says what was tested and "
        "when to come back."
    )
    assert bench.closing_words("") == f"{head} {nothing} {tail}"
    words = "This cause is recorded as written: a mouse. It is not listed, so nothing is counted."
    assert bench.closing_words("unlisted:hum", "a mouse") == f"{head} {words} {tail}"


def test_a_cause_in_words_is_kept_on_one_line_of_120_letters(bench: Session) -> None:
    """As the unlisted cause of the complaint."""
    closed = bench.closed_in_words("  a\n mouse " + "x" * 200).case.closed
    assert closed == Closed("unlisted:hum", "a mouse " + "x" * 112)


def test_a_cancelled_job_says_why(bench: Session) -> None:
    """It is open no more, and not closed either."""
    after = bench.cancelled("sold the car")
    assert stored(after) == (Cancelled("sold the car", ""),)
    assert (after.case.is_open, after.case.closed) == (False, None)


def test_a_closed_job_goes_on_and_an_open_one_stays(bench: Session) -> None:
    """By an entry at the store's time and without a reason; a job that is not there is None."""
    store, number = bench.store, bench.filed.number
    assert reopened(store, number) == bench.filed
    closed = bench.closed("lamp")
    again = reopened(store, number)
    assert again is not None
    assert again.case.entries == (*closed.case.entries, Reopened("", NOON.isoformat()))
    assert store.case(number) == again
    assert reopened(store, number) == again
    assert reopened(store, 77) is None


# --------------------------------------------------------------------------------------- what is known


def test_a_wait_is_over_when_its_minutes_are(hum: Engines, store: Store) -> None:
    """Forty minutes from when the car was locked; at once for a setup that nobody made."""
    at = (NOON - timedelta(minutes=15)).isoformat()
    session = opened(hum, store, Prepared("asleep", at))
    assert session.ready_at("asleep") == NOON + timedelta(minutes=25)
    assert opened(hum, store).ready_at("asleep") == NOON


def test_answers_plans_and_acts_are_those_of_the_case_and_worked_out_once(bench: Session) -> None:
    """What a screen asks for a reading is what the advice says of it; asked again it is the same object."""
    one = proposal(bench, "current")
    engine, case, knowledge = bench.engine, bench.case, bench.knowledge
    assert bench.answers("current") == outcome_effects(Situation.of(knowledge, engine, case), "current")
    assert bench.answers("current") is bench.answers("current")
    assert bench.answers("glow") == outcome_effects(Situation.of(knowledge, engine, case), "glow")
    assert bench.plan(one) == plan(Situation.of(knowledge, engine, case), bench.advice, one)
    assert bench.plan(one) is bench.plan(one)
    assert bench.plan(one) is not None
    assert bench.plan(proposal(bench, "glow")) is None
    for reading in ("hiss", "glow"):
        wanted = repair_or_test(
            Situation.of(knowledge, engine, case),
            bench.advice,
            proposal(bench, reading),
            bench.answers,
        )
        assert bench.repair_first(proposal(bench, reading)) == wanted
        assert bench.repair_first(proposal(bench, reading)) is bench.repair_first(proposal(bench, reading))


def test_a_remedy_is_tried_before_a_long_reading(hum: Engines, store: Store) -> None:
    """Five minutes for a lamp that is nearly sure, against ten for a reading of something else."""
    session = opened(hum, store, Seen("glow", "glows"), Seen("click", "silent"))
    found = {one.reading: session.repair_first(one) for one in session.advice.proposals}
    assert {one.fault for one in found.values() if one is not None} == {"lamp"}


def test_what_is_not_listed_is_never_offered_as_a_remedy_done(hum: Engines, store: Store) -> None:
    """Where it leads at the end a senior is asked; where a listed cause does, its remedy can be entered."""
    cleared = (
        *(Seen("glow", "dark"), Seen("hiss", "silent"), Seen("click", "silent")),
        *(Seen("warm", "cold"), Seen("current", "low")),
    )
    lamp = (Seen("glow", "glows"), Seen("hiss", "silent"), Seen("click", "silent"), Seen("current", "high"))
    for entries, reason, offered in ((cleared, "unlisted", []), (lamp, "sure", ["repaired lamp"])):
        session = opened(hum, store, *entries)
        assert session.advice.stop is not None
        assert session.advice.stop.reason == reason
        session = session.acknowledged(session.remedy_cautions(session.found))
        choices = [action for action, *_ in card(session, None, "certain").choices]
        assert [one for one in choices if one.startswith("repaired")] == offered
        assert "close" in choices


def test_what_a_screen_shows_first_is_worked_out_before_it_shows_it(
    bench: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The chosen reading, or else the first: nothing is left to be worked out on the screen's own time."""

    def late(*_: object) -> None:
        raise AssertionError("this was to be worked out beforehand")

    for chosen in (None, "click", "no such reading"):
        session = bench.refreshed().worked_out(chosen)
        first = proposal(session, chosen if chosen == "click" else session.proposals[0].reading)
        with monkeypatch.context() as patched:
            for name in ("outcome_effects", "plan", "repair_or_test", "advise", "disagreement", "account"):
                patched.setattr(sessions, name, late)
            session.answers(first.reading)
            session.plan(first)
            session.repair_first(first)
            assert session.advice.proposals
            assert session.disagreement is None
            assert session.account is None


def test_cautions_are_read_once_and_the_worst_comes_first(bench: Session) -> None:
    """Of a reading, of its setups and of a remedy; only those that can hurt have to be acknowledged."""
    current = proposal(bench, "current")
    assert bench.cautions(current) == ("gas", "hot", "radio_code")
    assert bench.cautions(proposal(bench, "click")) == ()
    assert bench.remedy_cautions("lamp") == ("hot",)
    assert bench.remedy_cautions("radio") == ()
    assert bench.remedy_cautions("unlisted:hum") == ()
    every = ["hot", "radio_code", "gas", "hot"]
    assert bench.to_acknowledge(every) == ("hot", "gas")
    assert bench.acknowledged(["hot"]).to_acknowledge(every) == ("gas",)


def test_a_setup_to_be_made_brings_its_own_cautions(known: Callable[[str], Knowledge], store: Store) -> None:
    """Once it is in place they have been read."""
    text = HUM.replace("waiting_minutes: 40,", "waiting_minutes: 40, cautions: [hot],").partition(
        "standing: estimate\n"
    )[2]
    session = opened(
        Engines(known(text.replace("cautions: [hot, radio_code]", "cautions: [radio_code]"))), store
    )
    assert session.cautions(proposal(session, "current")) == ("hot", "radio_code")
    session = session.prepared(["asleep"])
    assert session.cautions(proposal(session, "current")) == ("radio_code",)
    assert session.needed("current") == ("asleep",)
    assert session.needed("glow") == ()


def test_steps_that_mean_nothing_any_more_are_told(hum: Engines, store: Store) -> None:
    """Every kind of entry that names what this knowledge has not got, and none that it has."""
    gone: list[Entry] = [
        Known("frame", "framed"),
        Seen("whistle", "loud"),
        Seen("glow", "purple"),
        Measured("whistle", (Measurement("whistle", 1.0, "clamp", "1"),)),
        Skipped("whistle", ""),
        Prepared("upside_down", NOON.isoformat()),
        Ended("upside_down", ""),
        Acknowledged("dragon", NOON.isoformat()),
        Repaired("pump", NOON.isoformat()),
        Closed("pump", ""),
    ]
    there: list[Entry] = [
        Seen("hiss", "silent"),
        Skipped("click", ""),
        Prepared("asleep", NOON.isoformat()),
        Ended("asleep", ""),
        Acknowledged("hot", NOON.isoformat()),
        Repaired("lamp", NOON.isoformat()),
        Repaired("unlisted:hum", NOON.isoformat()),
        Checked("hum", "gone"),
        Replayed("x", "y"),
        Closed("", ""),
    ]
    for entry in gone:
        session = opened(hum, store, entry)
        assert session.meaningless() == tuple(session.case.counting), entry
        assert session.meaningless(), entry
    for entry in there:
        assert opened(hum, store, entry).meaningless() == (), entry


def test_other_knowledge_is_noticed_and_replayed_once(hum: Engines, store: Store) -> None:
    """The version that weighed the case last is named, and the new one is entered beside it."""
    filed = store.open_case("bay 2", "hum", "an older version")
    session = Session.opened(hum, store, filed, Workshop())
    assert session.knowledge_before == "an older version"
    after = session.replayed()
    assert stored(after) == (Replayed(hum.knowledge.version, "an older version"),)
    assert after.knowledge_before is None
    assert after.replayed().case.entries[-1] == Replayed(hum.knowledge.version, "")


# ----------------------------------------------------------------------------------- papers and playing


@pytest.mark.parametrize("form", ["markdown", "html"])
@pytest.mark.parametrize("customer", [True, False])
def test_a_paper_is_the_one_of_its_kind_and_form(
    form: str, customer: bool, bench: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Job card or customer's page, as Markdown or as a page, with this store's units and time."""
    session = bench.prefers("temperature", "°F").saw("glow", "glows")
    write = customer_sheet if customer else job_card
    paper = write(
        session.knowledge, session.engines.of, session.filed, session.preferences, session.store.now()
    )
    wanted = html(paper) if form == "html" else markdown(paper)
    handed: list[tuple[object, ...]] = []

    def kept(*words: Any) -> Paper:
        handed.append(words[3:])
        return write(*words)

    monkeypatch.setattr(sessions, "customer_sheet" if customer else "job_card", kept)
    assert session.job_card("html" if form == "html" else "markdown", customer) == wanted
    asked = () if customer else (session.asked_about,)
    assert handed == [({"temperature": "°F"}, NOON.isoformat(), session.policy, *asked)]


def test_playing_out_gives_the_same_figures_each_time_and_tells_how_far_it_is(bench: Session) -> None:
    """The simulated cars are drawn with a fixed seed; the plain advice is the first on the screen."""
    told: list[tuple[int, int]] = []
    session = bench.ranked("bits for the time")
    found = session.look_ahead(lambda *far: told.append(far), lambda: False, 20)
    assert found is not None
    assert found == session.look_ahead(lambda *_: None, lambda: False, 20)
    assert found != session.look_ahead(lambda *_: None, lambda: False, 40)
    assert found.plain == session.proposals[0].reading
    assert told
    assert told[-1][0] == told[-1][1]
    assert session.look_ahead(lambda *_: None, lambda: True, 20) is None


def test_playing_out_is_compared_with_what_stands_first_on_the_screen(bench: Session) -> None:
    """By whichever ranking; it need not be what the advice without a ranking would take."""
    plain = {}
    for ranking in ("bits", "bits for the time"):
        session = bench.ranked("bits" if ranking == "bits" else "bits for the time")
        found = session.look_ahead(lambda *_: None, lambda: False, 20)
        assert found is not None
        assert found.plain == session.proposals[0].reading
        plain[ranking] = found.plain
    assert plain["bits"] != plain["bits for the time"]


def test_playing_out_reckons_with_this_workshop_and_what_a_repair_takes(
    hum: Engines, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Instruments that are missing give no candidate; remedies, the call and the cars are handed on."""
    session = opened(hum, store, without=frozenset(["camera", "clamp"]))
    found = session.look_ahead(lambda *_: None, lambda: False, 20)
    assert found is not None
    assert not {"current", "warm"} & {one.reading for one in found.candidates}
    asked: list[tuple[object, ...]] = []

    def played(*words: object, progress: object, stop: object) -> LookAhead | None:
        asked.append((*words, progress, stop))
        return None

    monkeypatch.setattr(sessions, "look_ahead", played)
    progress, stop = (lambda *_: None), (lambda: False)
    assert session.look_ahead(progress, stop) is None
    ((ranker, start, costs, random, cars, *rest),) = asked
    engine = hum.one(session.case)
    assert type(ranker) is type(compile_ranker(hum.knowledge, engine, "hum", session.at_hand))
    assert isinstance(start, Starts)
    assert isinstance(ranker, Ranker)
    assert ranker.conditions.in_place(start.condition).sum() == len(session.car.condition.in_place)
    assert isinstance(costs, RepairCosts)
    causes = current_faults(dict.fromkeys(engine.targets, 0.0))
    assert costs == RepairCosts(remedies(hum.knowledge, "hum", causes), DEFAULT.escalation_minutes)
    assert isinstance(random, np.random.Generator)
    assert random.integers(1 << 62) == np.random.default_rng(sessions.LOOK_AHEAD_SEED).integers(1 << 62)
    assert cars == sessions.LOOK_AHEAD_CARS
    assert rest == [progress, stop]


def test_playing_out_reckons_with_the_wait_that_is_running(
    bench: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The car was put to sleep just now: all of the 40 minutes are left."""
    begun: list[tuple[Ranker, Starts]] = []

    def played(ranker: Ranker, start: Starts, *_: object, **__: object) -> None:
        begun.append((ranker, start))

    monkeypatch.setattr(sessions, "look_ahead", played)
    bench.prepared(["asleep"]).look_ahead(lambda *_: None, lambda: False)
    ((ranker, start),) = begun
    (left,) = start.left
    assert dict(zip(ranker.conditions.setups, left.tolist(), strict=True)) == {
        one: 40.0 if one == "asleep" else 0.0 for one in ranker.conditions.setups
    }


def test_a_quiet_look_ahead_speaks_only_where_it_changes_the_advice(
    bench: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It plays fewer cars, asks whether to stop, and keeps quiet where the plain advice is as good."""
    asked: list[tuple[Callable[[], bool], int]] = []
    answer: list[LookAhead | None] = [None]

    def played(
        self: Session, progress: Callable[[int, int], None], stop: Callable[[], bool], cars: int = 0
    ) -> LookAhead | None:
        progress(1, 2)
        asked.append((stop, cars))
        return answer[0]

    monkeypatch.setattr(Session, "look_ahead", played)
    stop = lambda: False  # noqa: E731
    assert bench.better_ahead(stop) is None
    assert asked == [(stop, sessions.QUIET_CARS)]
    for changes in (True, False):
        answer[0] = found = LookAhead((), 1.0, None)
        monkeypatch.setattr(LookAhead, "changes_the_advice", changes)
        assert bench.better_ahead(stop) is (found if changes else None)
    monkeypatch.setattr(LookAhead, "changes_the_advice", True)
    asked.clear()
    assert bench.repaired("lamp").better_ahead(stop) is None
    seen = {"glow": "glows", "current": "high", "hiss": "silent", "click": "silent"}
    sure = opened(bench.engines, bench.store, *(Seen(*one) for one in seen.items()))
    assert sure.advice.stop is not None
    assert sure.can_look_ahead
    assert sure.better_ahead(stop) is None
    assert asked == []


def test_what_takes_long_to_load_is_loaded_beforehand(
    shipped: Knowledge, hum: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The units are asked for once, the refrigerants' process where a quantity is computed from them."""
    asked: list[object] = []
    monkeypatch.setattr("advisor.bench.session.saturation.beside", lambda: asked.append("saturation"))
    monkeypatch.setattr(sessions, "convert", lambda *words: asked.append(words))
    sessions.preload(shipped)
    assert asked == ["saturation", (1.0, "°C", "°F")]
    asked.clear()
    sessions.preload(hum.knowledge)
    assert asked == [(1.0, "°C", "°F")]


# -------------------------------------------------------------------------------------- the list of jobs


@pytest.mark.parametrize(
    ("entries", "leading", "step"),
    [
        ((), "Lamp stays lit", None),
        ((Prepared("asleep", NOON.isoformat()),), "Lamp stays lit", "waiting: Car asleep"),
        ((Prepared("asleep", (NOON - timedelta(hours=1)).isoformat()),), "Lamp stays lit", None),
        ((Repaired("lamp", NOON.isoformat()),), None, "look for the complaint again"),
        ((Repaired("lamp", NOON.isoformat()), Checked("hum", "gone")), None, "close the job"),
        (
            (Seen("glow", "glows"), Seen("current", "high"), Seen("hiss", "silent"), Seen("click", "silent")),
            "Lamp stays lit",
            "do the remedy",
        ),
    ],
)
def test_a_job_in_the_list_says_what_leads_and_what_comes_next(
    entries: tuple[Entry, ...], leading: str | None, step: str | None, hum: Engines, store: Store
) -> None:
    """The next step is a wait that runs, what a stop asks for, or the first reading of the ranking."""
    session = opened(hum, store, *entries)
    found = handover(session)
    first = session.advice.suspects[0]
    assert (found.leading, found.probability) == (first.name, first.probability)
    assert leading is None or found.leading == leading
    assert found.next_step == (session.proposals[0].name if step is None else step)


def test_a_job_that_does_not_fit_the_knowledge_is_listed_all_the_same(
    bench: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says so in the place of a cause, without a probability, and where to put it right."""

    def clashes(*_: object, **__: object) -> None:
        raise InconsistentEvidence(("x",), "")

    monkeypatch.setattr(sessions, "advise", clashes)
    found = handover(bench)
    assert found.leading == "what was entered does not fit this knowledge"
    assert (found.probability, found.next_step) == (0.0, "open it to put it right")


# --------------------------------------------------------------------------------- repairs and their check


def test_who_has_seen_enough_can_repair_the_leading_cause(hum: Engines, store: Store) -> None:
    """On the next card, once a reading makes a cause likelier than not; and that it is not proved."""
    assert opened(hum, store).repair_now_words() == "", "nothing has been seen"
    session = opened(hum, store, Seen("hiss", "hisses", 0.8))
    leading = session.advice.suspects[0]
    assert 0.5 <= leading.probability < 0.95
    assert session.repair_now_words() == "Enough seen: repair now"
    assert session.repair_now_effect() == f"→ {percent(leading.probability)}, not proved: {leading.name}"
    shown = card(session, session.proposals[0], "certain").choices
    offered = [one for one in shown if one[0] == "remedy"]
    told = session.repair_first(session.proposals[0]) is None
    assert offered == (
        [("remedy", f"e {session.repair_now_words()}", session.repair_now_effect())] if told else []
    )


def test_a_remedy_that_costs_parts_for_an_unsure_cause_says_so(hum: Engines, store: Store) -> None:
    """How sure it is, and whether a reading has shown it; nothing of it once it is sure or costs nothing."""
    guess = opened(hum, store, Seen("hiss", "hisses", 0.7))
    assert ", not proved; no reading has shown it. The remedy costs parts." in guess.unsure_words("radio")
    assert guess.repair_words("radio").startswith("Not sure yet (")
    shown = opened(hum, store, Seen("current", "high"))
    belief = shown.stages[-1]["radio"]
    assert belief < 0.95
    assert (
        shown.unsure_words("radio")
        == f"Not sure yet ({percent(belief)}), not proved. The remedy costs parts. "
    )
    assert guess.unsure_words("lamp") == ""
    sure = opened(hum, store, Seen("click", "clicks"), Seen("warm", "warm"))
    assert sure.stages[-1]["relay"] > 0.95
    assert sure.unsure_words("relay") == ""


def test_a_check_sooner_than_it_takes_is_asked_about(hum: Engines, store: Store) -> None:
    """The check of 5 minutes right after the remedy, or while a wait runs: asked; later it is not."""
    soon = opened(hum, store, Repaired("lamp", NOON.isoformat()))
    assert soon.check_is_early
    assert soon.check_words(gone=True).startswith(
        "So soon? The check takes about 5 min after the remedy: Listen again at night. "
        "Have you checked after the wait?"
    )
    assert "So soon" not in soon.check_words(gone=False)
    before = (NOON - timedelta(minutes=6)).isoformat()
    later = opened(hum, store, Repaired("lamp", before))
    assert not later.check_is_early
    assert "So soon" not in later.check_words(gone=True)
    waiting = opened(hum, store, Repaired("lamp", before), Prepared("asleep", before))
    assert waiting.check_is_early


def test_the_check_of_a_draw_keeps_its_number_for_the_customer(shipped: Knowledge, store: Store) -> None:
    """The sleeping current after the repair is entered with the check, and stands on the page."""
    filed = store.append(store.open_case("bay", "flat_battery"), Repaired("boot_lamp", NOON.isoformat()))
    session = Session.opened(Engines(shipped), store, filed, Workshop())
    assert session.check_reading == "sleeping_current"
    understood = session.understand(
        "sleeping_current", {"sleeping_current": "12"}, {"sleeping_current": "low_current_clamp"}
    )
    session = session.checked(gone=True, understood=understood)
    assert [type(one) for one in stored(session)] == [Repaired, Measured, Checked]
    assert session.check_reading == ""
    page = session.job_card("markdown", customer=True)
    assert "Read after the repair: Quiescent current: 12 mA, at most 30 to 80 mA is usual" in page


def test_a_check_without_a_reading_says_that_nothing_was_measured(hum: Engines, store: Store) -> None:
    """The customer's page promises no more than was done."""
    session = opened(hum, store, Repaired("lamp", NOON.isoformat()), Checked("hum", "gone"))
    page = session.job_card("markdown", customer=True)
    assert "it is gone. We took no measurement then." in page


def test_what_was_done_of_a_remedy_with_a_choice_is_kept(shipped: Knowledge, store: Store) -> None:
    """The story and the customer's page say which of "update, repair or replace" it was."""
    filed = store.open_case("bay", "flat_battery")
    session = Session.opened(Engines(shipped), store, filed, Workshop())
    assert session.remedy_choice("radio_awake") == "Update, repair or replace the unit"
    assert session.remedy_choice("moisture_leak") == ""
    session = session.repaired("radio_awake", " Unit  updated ")
    (entry,) = stored(session)
    assert entry == Repaired("radio_awake", NOON.isoformat(), "Unit updated")
    assert entry_words(shipped, session.case, entry).endswith("(Unit updated)")
    page = session.job_card("markdown", customer=True)
    assert "Unit updated" in page
    assert "Update, repair or replace" not in page


def test_a_long_wait_that_nobody_entered_is_asked_about(shipped: Knowledge, store: Store) -> None:
    """Said to be over it counts and stays in place; as a guess the next reading cannot rely on it."""
    filed = store.open_case("bay", "flat_battery")
    session = Session.opened(Engines(shipped), store, filed, Workshop())
    assert session.early("sleeping_current") == ""
    assert "asleep" in session.not_waited_for("sleeping_current")
    assert "1 h to wait). Nobody has entered that wait." in session.not_waited_words("sleeping_current")
    understood = session.understand(
        "sleeping_current", {"sleeping_current": "900"}, {"sleeping_current": "low_current_clamp"}
    )
    guessed = session.guessed(understood)
    assert isinstance(stored(guessed)[0], Seen)
    assert stored(guessed)[1] == Ended("asleep", "not waited for")
    assert "asleep" not in guessed.waiting
    assert "asleep" in guessed.not_waited_for("sleeping_current")
    before = len(stored(guessed))
    assert guessed.may_have_waited("sleeping_current")
    over = guessed.measured(understood, wait="over")
    assert [type(one) for one in stored(over)[before:]] == [Stated, Measured]
    assert over.waiting["asleep"] == 0
    assert over.not_waited_words("sleeping_current") == ""


def test_work_done_before_the_last_entries_counts_in_full(shipped: Knowledge, store: Store) -> None:
    """Who enters everything afterwards is believed; but nothing is in place now for the next reading."""
    filed = store.open_case("bay", "flat_battery")
    session = Session.opened(Engines(shipped), store, filed, Workshop())
    session = session.saw("latch_data", next(iter(shipped.readings["latch_data"].answers)))
    assert not session.may_have_waited("bus_active")
    with pytest.raises(NotSo):
        session.saw("bus_active", "silent", wait="over")
    assert [step for step, _ in session.read_earlier("bus_active")] == [1]
    before = session.saw("bus_active", "silent", before=1)
    assert stored(before)[1:] == (Seen("bus_active", "silent", before=1),)
    assert "asleep" in before.not_waited_for("wake_pulses")
