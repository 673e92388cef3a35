"""A technician's work on one case at a time: what the screens ask for, and what they may do.

It ties knowledge, engines and store together, so that screens hold no rules. Every change is in the
store before it counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import Literal, get_args

import numpy as np

from advisor import logfile
from advisor.advice.advice import (
    Advice,
    Answer,
    CandidateReading,
    advise,
    least_single_fault_probability,
    outcome_effects,
    single_fault_probability,
)
from advisor.advice.conflict import Disagreement, disagreement
from advisor.advice.engines import Engines
from advisor.advice.proof import asks_for_proof, shown_by_proof
from advisor.advice.repair_or_test import RepairFirst, mending_at_once, remedies, repair_or_test
from advisor.advice.rules import Workshop
from advisor.advice.situation import (
    InconsistentEvidence,
    Situation,
    Situations,
    current_faults,
    posterior_history,
)
from advisor.advice.turning import Turning, turning
from advisor.advice.waits import WaitPlan, plan
from advisor.bench.customer import customer_sheet
from advisor.bench.drawings import how_to_page, pictured
from advisor.bench.faulttree import TellingReading, TreeRow, last_telling_step, readings_about, tree_rows
from advisor.bench.jobcard import job_card
from advisor.bench.whynot import WhyNot, why_not
from advisor.bench.wording import entry_words, forbidden_lines, outcome_words
from advisor.case.case import Case, read_before
from advisor.case.condition import Present, contradicted_by, ended_since, moves, present, to_put_back
from advisor.case.current_draw import Account, account
from advisor.case.entries import (
    BENCH,
    CAME_BACK,
    CORRECTED,
    CORRECTION,
    CUSTOMER,
    GONE,
    NOT_PRESENT,
    NOT_TRIED,
    NOT_WAITED_FOR,
    SEEN_TODAY,
    STILL_THERE,
    Accounted,
    Acknowledged,
    Cancelled,
    Checked,
    Closed,
    Confirmed,
    Ended,
    Entry,
    Finished,
    Guessed,
    Known,
    Measured,
    Noted,
    Prepared,
    Ready,
    Reopened,
    Repaired,
    Replayed,
    SaidByCustomer,
    Seen,
    Skipped,
    Stated,
    TakenBack,
    Warned,
)
from advisor.case.typed import (
    Field,
    NotUnderstood,
    Understood,
    ask_for_unit,
    fields,
    figure_of_the_day,
    known_with,
    likeliest_band,
    possible_bands,
    since_when,
    understand,
)
from advisor.inference.engine import Engine, InferenceEngine
from advisor.knowledge.conditions import Way, minutes_for, not_on, wanted_by, way_to, way_to_reading
from advisor.knowledge.dangers import heard_dangers
from advisor.knowledge.knowledge import Knowledge, answers_of, setups_of, tellers, worst_first
from advisor.knowledge.unlisted import is_unlisted, owner_of, unlisted_of
from advisor.knowledge.vocabulary import ByFact, Complaint, Fact, LimitByFact, Reading
from advisor.measure import refrigerants as saturation
from advisor.measure.formulas import FORMULAS
from advisor.measure.units import NotAQuantity, convert, parse, show
from advisor.model.observation import Measurement
from advisor.papers.document import html, markdown, under
from advisor.papers.format import clock_words, duration, percent
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Starts, starts_of
from advisor.simulate.rollout import LookAhead, RepairCosts, ToEnd, look_ahead, to_the_end
from advisor.simulate.same_decision import SameDecision, decides, same_decision
from advisor.simulate.turned import Tried, try_ways
from advisor.store.records import StoredCase
from advisor.store.store import Store

LARGEST_PART_MA = 100_000.0
"""Above this a part of a sleeping car's draw is a slip of the finger."""
REPAIR_OFFERED_FROM = 0.5
"""From this probability on the card offers to repair the leading cause at once: more likely than not."""
LONGEST_CAUSE = 120
"""Letters of a cause in words."""
STEPS_WITH_ROOM = 6
"""So many steps, with the names of their setups, have room on one card at 80 by 24."""
LOOK_AHEAD_SEED, LOOK_AHEAD_CARS, QUIET_CARS, TO_END_CARS = 20_300_101, 200, 100, 50
EnteredWait = Literal["as entered", "over", "not waited"]
"""What a person says of a wait that nobody entered: nothing, that it is over, or that nobody waited."""
MOST_EARLIER = 3
"""So many entries at most are offered that an answer may have been read before."""


class NotSo(Exception):
    """What somebody says of the car contradicts what was entered on its job."""


WRONG_COMPLAINT = "wrong complaint"
"""Why a job is cancelled in whose place one with another complaint is opened."""

BY_MISTAKE = "entered by mistake"
"""Why the beginning of a setup is taken back that was never made."""

STOP_STEPS = {
    "sure": "do the remedy",
    "nothing-left": "do the remedy of the likeliest cause",
    "unlisted": "ask somebody senior",
    "not-present": "look for the complaint again, or close it: no fault found",
    "check": "look for the complaint again",
    "gone": "close the job",
}
"""What comes next where the search is over, by the reason of the stop."""

RANKING = "ranking"
"""The setting under which the ranking is remembered."""
Ranking = Literal["bits for the time", "bits", "quick looks", "on the trolley"]
USUAL_RANKING: Ranking = "bits for the time"
"""How readings are ordered where nobody has chosen otherwise."""


def preload(knowledge: Knowledge) -> None:
    """Load what takes seconds to import and cases will need; best done while a person reads.

    What would hold up every thread of this process for long, refrigerants, gets ready in another one
    meanwhile, where a formula goes by them.
    """
    quantities = [reading.quantity for reading in knowledge.readings.values()]
    formulas = {one.derived.formula for one in quantities if one and one.derived}
    if any("refrigerant" in FORMULAS[name].choices for name in formulas):
        saturation.beside()
    convert(1.0, "°C", "°F")


@dataclass(frozen=True)
class Session:
    """The case on the bench. Every method that changes it saves first and returns a new session."""

    knowledge: Knowledge
    engines: Engines
    store: Store
    filed: StoredCase
    workshop: Workshop
    situations: Situations
    """The job's situations worked out so far, handed on from session to session."""
    ranking: Ranking = USUAL_RANKING
    off_trolley: frozenset[str] = frozenset()
    preferences: Mapping[str, str] = field(default_factory=dict)
    asked_about: str = ""
    """The cause that somebody asked last why it is not the one; or ""."""
    all_the_same: frozenset[str] = frozenset()
    """Readings that somebody wants to take now, although they end what others still need."""

    @classmethod
    def opened(
        cls,
        engines: Engines,
        store: Store,
        filed: StoredCase,
        workshop: Workshop,
        policy: Policy = DEFAULT,
    ) -> Session:
        """Return a case as it lies in the store, with what is remembered for everybody there."""
        preferences = store.preferences()
        known: tuple[Ranking, ...] = get_args(Ranking)
        chosen = store.setting(RANKING)
        ranking = next((one for one in known if one == chosen), USUAL_RANKING)
        return cls(
            engines.knowledge,
            engines,
            store,
            filed,
            workshop,
            Situations(engines.knowledge, engines.of, policy),
            ranking,
            store.off_trolley(),
            preferences,
        )

    # What is known

    @property
    def case(self) -> Case:
        """The case."""
        return self.filed.case

    @property
    def policy(self) -> Policy:
        """What this workshop has decided."""
        return self.situations.policy

    @property
    def situation(self) -> Situation:
        """The case as it stands, weighed; raises `InconsistentEvidence`."""
        return self.situations.of(self.case)

    @property
    def engine(self) -> InferenceEngine:
        """What the case as it stands is weighed by."""
        return self.engines.of(self.case)

    @property
    def at_hand(self) -> Workshop:
        """What there is to work with: without what is off the trolley, where only the trolley counts."""
        if self.ranking != "on the trolley":
            return self.workshop
        return replace(self.workshop, without=self.workshop.without | self.off_trolley)

    @cached_property
    def advice(self) -> Advice:
        """What to do next; raises `InconsistentEvidence` where new knowledge does not fit the entries."""
        before = self.stages[-2] if len(self.stages) > 1 else None
        now, wanted = self.store.clock(), self.all_the_same
        return advise(self.situation, self.at_hand, car=self.car, now=now, before=before, all_the_same=wanted)

    @cached_property
    def stages(self) -> tuple[Mapping[str, float], ...]:
        """Every fault's probability at the start and after each entry."""
        self.situation  # noqa: B018
        return posterior_history(self.situations, self.case)

    @cached_property
    def facts(self) -> Mapping[str, Fact]:
        """The vehicle facts that matter here: for faults, for limits, or for a formula of this complaint."""
        names = set(self.engine.outcomes)
        for reading in self.engine.readings:
            said = self.knowledge.readings.get(reading)
            names.update(said.given if said else ())
            for setup in setups_of(self.knowledge, reading) if said else ():
                made = self.knowledge.setups[setup]
                each = (made.hands_on_minutes, made.waiting_minutes)
                names.update(one.by for one in each if isinstance(one, ByFact))
            if said and said.quantity:
                names.update(limit.by for limit in said.quantity.limits if isinstance(limit, LimitByFact))
                names.update(map(str, said.quantity.derived.inputs.values() if said.quantity.derived else ()))
        return {name: fact for name, fact in self.knowledge.facts.items() if name in names}

    @cached_property
    def proposals(self) -> tuple[CandidateReading, ...]:
        """The readings that can be taken, by the ranking that was chosen."""
        if self.ranking == "bits":
            return self.advice.by_bits
        if self.ranking == "quick looks":
            longest = self.policy.quick_look_minutes
            return tuple(one for one in self.advice.proposals if one.minutes <= longest)
        return self.advice.proposals

    def tells_more(self, proposal: CandidateReading) -> CandidateReading | None:
        """Return the reading that tells most, where `proposal` comes first for its time."""
        if self.ranking != USUAL_RANKING or proposal not in self.proposals[:1]:
            return None
        return self.advice.tells_more

    @property
    def less_worth(self) -> frozenset[str]:
        """The proposals that are not worth their time, where others are."""
        worth = {one.reading for one in self.advice.worth_taking}
        rest = frozenset(one.reading for one in self.proposals) - worth
        return rest if len(rest) < len(self.proposals) else frozenset()

    @cached_property
    def car(self) -> Present:
        """What is true of the car now."""
        return present(self.knowledge, self.case, self.filed.times, self.store.clock())

    @cached_property
    def taken_for_granted(self) -> frozenset[str]:
        """The setups in place that cars arrive with and that nobody has made, stated or restored."""
        setups, said = self.knowledge.setups, set[str]()
        for move in moves(self.knowledge, self.case, self.filed.times):
            said.update(move.made)
            if isinstance(move.entry, Stated):
                said.add(move.entry.setup)
            elif isinstance(move.entry, Repaired):
                said.update(self.knowledge.faults[move.entry.fault].restores)
        return frozenset(one for one in self.waiting if setups[one].on_arrival and one not in said)

    @cached_property
    def waiting(self) -> Mapping[str, float]:
        """The setups in place, with the minutes that their waiting still takes."""
        return self.car.waiting_minutes(self.store.clock())

    @property
    def forbidden(self) -> tuple[str, ...]:
        """What must not be done to this car any more, as sentences."""
        return tuple(forbidden_lines(self.knowledge, self.case, self.car))

    def put_back_first(self, setups: Iterable[str]) -> tuple[str, ...]:
        """Return what has to be put back before setups are begun: what is still there for those they end.

        Of a reading without a setup, nobody has said when it has to be off the car: before the next setup.
        """
        ended = frozenset[str]().union(*(self.knowledge.setup_rules.ended_by[setup] for setup in setups))
        ended &= self.car.condition.in_place
        if not setups:
            return ()
        due: dict[str | None, None] = {}
        for name in self.case.taken:
            needed = setups_of(self.knowledge, name) if name in self.knowledge.readings else ("",)
            if not needed or ended.intersection(needed):
                due[self.knowledge.readings[name].put_back] = None
        made = {one for move in moves(self.knowledge, self.case, self.filed.times) for one in move.made}
        due |= dict.fromkeys(self.knowledge.setups[one].put_back for one in sorted(ended & made))
        still = to_put_back(self.knowledge, self.case)
        return tuple(words for words in due if words in still)

    @property
    def interrupted(self) -> str:
        """What was in place when this job was left a good while ago, as a sentence; else ""."""
        if not self.filed.times:
            return ""
        left_at = datetime.fromisoformat(self.filed.times[-1])
        minutes = (self.store.clock() - left_at).total_seconds() / 60
        made = [
            self.knowledge.setups[setup].name
            for setup, left in self.waiting.items()
            if left == 0 and not self.knowledge.setups[setup].on_arrival
        ]
        if minutes < self.policy.interruption_minutes or not made:
            return ""
        return (
            f"You were here {duration(minutes)} ago. In place then: {', '.join(made)}. The car may have "
            "woken or been used since: look first, and end what is no longer so (key z)."
        )

    def to_state(self, proposal: CandidateReading | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the setups that somebody may say to be so: a reading's, and others of the complaint.

        Those are what readings need that are still worth taking on this car, and looking for the complaint.
        """
        own = (*proposal.assumed, *proposal.setups) if proposal else ()
        complaint, knowledge = self.complaint, self.knowledge
        named = [*complaint.looked_for.setup, *complaint.check_after_repair.setup]
        wanted = {one for setup in named for one in knowledge.setup_rules.first_to_last(setup)}
        left_out = (one for one, _ in self.advice.unavailable)
        for one in (*self.advice.proposals, *left_out):
            cannot = one.reading in self.case.skipped or not_on(knowledge, one.reading, self.case.facts)
            if one.is_worth_taking(self.policy) and not cannot:
                wanted |= wanted_by(knowledge, one.reading)
        wanted -= {*own, *self.waiting}
        return own, tuple(one for one in knowledge.setups if one in wanted)

    @property
    def before_leaving(self) -> str:
        """What has still to be done to a car that was repaired, before it leaves; or ""."""
        due = (self.complaint.before_leaving or "") if self.case.repairs else ""
        return "" if self.case.finished is not None else due

    @property
    def left_to_do(self) -> tuple[str, ...]:
        """Everything that is left to do before the car leaves, in the order to do it."""
        check = self.complaint.check_after_repair
        unchecked = bool(self.case.repairs) and self.case.checked is None
        due = [f"Look for the complaint again ({duration(check.minutes)}): {check.how}"] if unchecked else []
        due += [f"Put back: {one}" for one in to_put_back(self.knowledge, self.case)]
        return (*due, *filter(None, (self.before_leaving,)))

    @property
    def check_setups(self) -> tuple[str, ...]:
        """The setups still to be made for the check after a repair, in order."""
        return self._to_make(self.complaint.check_after_repair.setup)

    @property
    def complaint(self) -> Complaint:
        """What the knowledge says of the complaint."""
        return self.knowledge.complaints[self.case.complaint]

    @property
    def confirm_is_due(self) -> bool:
        """Whether the complaint has still to be looked for at the car: nobody has read anything there yet.

        It is asked where the knowledge says how; "not tried yet" is an answer too. Short questions to the
        customer come before it, as it comes before anything that is measured.
        """
        if self.complaint.confirm is None or self.case.repairs or self.case.present_today is not None:
            return False
        if self.running or self._asks_first:  # what waits is not disturbed
            return False
        counting = list(self.case.counting.values())
        begun = 0
        for at, one in enumerate(counting):
            if isinstance(one, Reopened) and one.reason != CORRECTION:
                begun = at
        return not any(self._is_of_the_car(one) for one in counting[begun:])

    def _is_of_the_car(self, entry: Entry) -> bool:
        """Return whether an entry was read at the car, and not told by the customer, on the phone or here."""
        if not isinstance(entry, Seen | Measured) or (isinstance(entry, Seen) and entry.by == CUSTOMER):
            return False
        said = self.knowledge.readings.get(entry.reading)
        return said is None or said.who != CUSTOMER

    @property
    def _asks_first(self) -> bool:
        """Whether a short question to the customer comes next."""
        return self.advice.stop is None and any(one.asked_first for one in self.proposals[:1])

    @property
    def can_confirm(self) -> bool:
        """Whether somebody can say that the complaint is there: after a repair its check says so."""
        return not self.case.repairs or self.case.checked == STILL_THERE

    @property
    def confirm_setups(self) -> tuple[str, ...]:
        """The setups still to be made to look for the complaint, in order."""
        return self._to_make(self.complaint.looked_for.setup)

    @property
    def confirm_cautions(self) -> tuple[str, ...]:
        """Return the cautions of what has to be made to look for the complaint, the most severe first."""
        made = (self.knowledge.setups[setup] for setup in self.confirm_setups)
        return self._holding(caution for setup in made for caution in setup.cautions)

    def _holding(self, cautions: Iterable[str]) -> tuple[str, ...]:
        """Return the cautions that can hold for this car, the most severe first."""
        return worst_first(self.knowledge, cautions, self.case.facts)

    def _to_make(self, wanted: Iterable[str]) -> tuple[str, ...]:
        way = way_to(self.knowledge, self.car.condition, wanted, self.case.facts)
        return way.made if isinstance(way, Way) else ()

    def _relied_on(self, reading: str) -> frozenset[str]:
        """Return the setups in place that a reading needs, or that what is to be made for it begins from."""
        way = way_to_reading(self.knowledge, self.car.condition, reading, self.case.facts)
        return way.relied_on if isinstance(way, Way) else frozenset(self.needed(reading))

    def setup_minutes(self, setup: str) -> tuple[float, float]:
        """Minutes of a setup on this vehicle, hands on and waiting."""
        said = self.knowledge.setups[setup]
        return (
            minutes_for(self.knowledge, said.hands_on_minutes, self.case.facts),
            minutes_for(self.knowledge, said.waiting_minutes, self.case.facts),
        )

    @property
    def running(self) -> tuple[str, ...]:
        """The setups in place whose waiting is not over yet."""
        return tuple(setup for setup, left in self.waiting.items() if left > 0)

    @property
    def awaited(self) -> CandidateReading | None:
        """The reading that comes next, where a wait that has begun must end before it is taken; else None."""
        if self.advice.stop is not None or not self.proposals:
            return None
        first = self.proposals[0]
        return first if self._relied_on(first.reading).intersection(self.running) else None

    @cached_property
    def meanwhile(self) -> tuple[CandidateReading, ...]:
        """The readings that can be taken while a wait runs: they neither need it nor end it."""
        running = set(self.running)
        return tuple(
            one
            for one in self.proposals
            if not running.intersection((*self._relied_on(one.reading), *one.ends))
        )

    def ready_at(self, setup: str) -> datetime:
        """When the waiting of a setup in place is over."""
        return self.store.clock() + timedelta(minutes=self.waiting.get(setup, 0.0))

    def made_in(self, setup: str) -> float:
        """Minutes until what a setup builds on is in place, so that its own work can begin; 0 once it can."""
        return max(0.0, self.waiting.get(setup, 0.0) - sum(self.setup_minutes(setup)))

    def _shows_before_wait(self, reading: str, outcome: str) -> bool:
        """Return whether an outcome hangs on no wait of its reading's setups."""
        return outcome in self.knowledge.readings[reading].shows_before_wait

    def band_of(self, understood: Understood) -> str:
        """Return the band that a number most likely lies in."""
        return likeliest_band(self.knowledge, self._facts_with(understood), understood.measured)

    def _facts_with(self, understood: Understood) -> Mapping[str, str]:
        """Return what is known of the vehicle, with what was typed beside a number."""
        return {**self.case.facts, **{one.fact: one.value for one in understood.facts}}

    def early(self, reading: str, outcome: str = "") -> str:
        """Return what to ask where a reading is answered before its wait is over by the clock; else ""."""
        waits = self._still_waiting(self._relied_on(reading))
        if not waits or self._shows_before_wait(reading, outcome):
            return ""
        longest = max(waits, key=lambda setup: waits[setup])
        minutes = math.ceil(waits[longest])
        left = f"{minutes} minutes are left" if minutes > 1 else "1 minute is left"
        return (
            f"The wait is not over: {left} ({self.knowledge.setups[longest].name}). What is read now may not "
            "be what it will show then."
        )

    def _still_waiting(self, setups: Iterable[str]) -> dict[str, float]:
        """Return those of the setups whose waiting is not over by the clock, with the minutes left."""
        waiting = self.car.waiting_minutes(self.store.clock())
        return {setup: waiting[setup] for setup in setups if waiting.get(setup, 0.0) > 0}

    def not_waited_for(self, reading: str) -> tuple[str, ...]:
        """Return the setups of a reading that take a wait which nobody has entered, first to last.

        What is in place or waited for is not among them (`early`).
        """
        return self._not_waited_for(self.needed(reading))

    def _not_waited_for(self, setups: Iterable[str]) -> tuple[str, ...]:
        least = self.policy.asked_wait_minutes
        waits = ((setup, self.setup_minutes(setup)[1]) for setup in self._to_make(setups))
        return tuple(setup for setup, minutes in waits if minutes > 0 and minutes >= least)

    def not_waited_words(self, reading: str, outcome: str = "") -> str:
        """Return what to ask where a reading is answered and its wait was never entered; else ""."""
        setups = () if self._shows_before_wait(reading, outcome) else self.not_waited_for(reading)
        if setups:
            waits = " and ".join(
                f"{self.knowledge.setups[setup].name} ({duration(self.setup_minutes(setup)[1])} to wait)"
                for setup in setups
            )
            return (
                f"This reading needs: {waits}. Nobody has entered that wait. "
                "Was the car like this for that long?"
            )
        waiting = self.own_wait(reading)
        since = self._minutes_since_last_entry
        if waiting < self.policy.asked_wait_minutes or waiting <= since:
            return ""
        return (
            f"This reading takes {duration(waiting)} of waiting, and the last entry was "
            f"{f'{duration(since)} ago' if since >= 1 else 'just now'}. Was it waited for?"
        )

    def may_have_waited(self, reading: str) -> bool:
        """Return whether the times of the entries leave room for the waits that nobody has entered."""
        try:
            self._waited(self.not_waited_for(reading))
        except NotSo:
            return False
        return True

    def read_earlier(self, reading: str, out_of_reach: bool = False) -> tuple[tuple[int, str], ...]:
        """Return the steps that an answer may have been read before, as the car was right for it then.

        The last one comes first, each with what happened then and how long ago. With `out_of_reach` there are
        none unless the reading cannot be taken any more.
        """
        here = self.car.condition
        if out_of_reach and isinstance(way_to_reading(self.knowledge, here, reading, self.case.facts), Way):
            return ()
        now, case = self.store.clock(), self.case
        found: list[tuple[int, str]] = []
        for step in ended_since(self.knowledge, case, self.filed.times, reading)[:MOST_EARLIER]:
            minutes = (now - datetime.fromisoformat(self.filed.times[step - 1])).total_seconds() / 60
            ago = f"{duration(minutes)} ago" if minutes >= 1 else "just now"
            found.append((step, f"“{entry_words(self.knowledge, case, case.entries[step - 1])}”, {ago}"))
        return tuple(found)

    def read_before(self, step: int) -> int:
        """Return which step the answer of a step was read before, if somebody has said so; else 0."""
        return read_before(self.case.counting[step]) if step in self.case.counting else 0

    def own_wait(self, reading: str) -> float:
        """Minutes that a reading itself waits on this vehicle, its setups apart."""
        return minutes_for(self.knowledge, self.knowledge.readings[reading].waiting_minutes, self.case.facts)

    @property
    def _minutes_since_last_entry(self) -> float:
        """Minutes since anything was entered: what is being read now cannot have begun before."""
        last = self.filed.times[-1] if self.filed.times else self.filed.opened
        if not last:
            return math.inf
        return max(0.0, (self.store.clock() - datetime.fromisoformat(last)).total_seconds() / 60)

    @cached_property
    def _answers(self) -> dict[str, tuple[Answer, ...]]:
        return {}

    def answers(self, reading: str) -> tuple[Answer, ...]:
        """Return what each possible answer of a reading would do."""
        if reading not in self._answers:
            self._answers[reading] = outcome_effects(self.situation, reading)
        return self._answers[reading]

    @cached_property
    def _trees(self) -> dict[str, tuple[TreeRow, ...]]:
        return {}

    def fault_tree(self, reading: str = "") -> tuple[TreeRow, ...]:
        """Return the fault tree with what is believed now and was before the last step that could move it.

        What the reading on the card can move is marked.
        """
        if reading not in self._trees:
            history = self.situations.history(self.case)
            before = next(one for one in reversed(history[: last_telling_step(self.case) or 1]) if one)
            answers = self.answers(reading) if reading else ()
            self._trees[reading] = tree_rows(self.situation, before, answers)
        return self._trees[reading]

    @property
    def last_told(self) -> str:
        """The last step that could move the suspicion, in words; "" where there is none yet."""
        step = last_telling_step(self.case)
        return entry_words(self.knowledge, self.case, self.case.entries[step - 1]) if step else ""

    def readings_about(self, node: str) -> tuple[TellingReading, ...]:
        """Return the readings that can be taken and whose answer moves a fault or branch of the tree."""
        return readings_about(self.situation, self.advice.proposals, node)

    @cached_property
    def _plans(self) -> dict[str, WaitPlan | None]:
        return {}

    def plan(self, towards: CandidateReading) -> WaitPlan | None:
        """Return what to do before and after the wait that a reading stands behind, if it is a long one."""
        if towards.reading not in self._plans:
            self._plans[towards.reading] = plan(self.situation, self.advice, towards)
        return self._plans[towards.reading]

    @cached_property
    def _repairs_first(self) -> dict[str, RepairFirst | None]:
        return {}

    def repair_first(self, proposal: CandidateReading) -> RepairFirst | None:
        """Return the remedy that should be tried before a reading, if one should."""
        if proposal.reading not in self._repairs_first:
            self._repairs_first[proposal.reading] = repair_or_test(
                self.situation, self.advice, proposal, self.answers
            )
        return self._repairs_first[proposal.reading]

    @cached_property
    def mended_first(self) -> str | None:
        """The fault to mend now if nothing more is read, "" for asking somebody senior, None for neither.

        A remedy that needs a proof is no choice while one can be taken, nor is somebody senior before the
        unlisted cause leads.
        """
        plan = mending_at_once(self.situation, self.advice)
        if plan is None:
            return None
        if not plan.order:
            return "" if is_unlisted(self.advice.suspects[0].fault) else None
        fault = plan.order[0].name
        needs_proof = asks_for_proof(self.knowledge, self.policy, fault)
        return None if needs_proof and self.proof_of(fault) is not None else fault

    def look_ahead(
        self, progress: Callable[[int, int], None], stop: Callable[[], bool], cars: int = LOOK_AHEAD_CARS
    ) -> LookAhead | None:
        """Return the best readings played out to the end of the repair; None once `stop` says so.

        The same case gives the same figures: the simulated cars are drawn with a fixed seed.
        """
        causes = current_faults(dict.fromkeys(self.engine.targets, 0.0))
        known = remedies(self.knowledge, self.case.complaint, causes, self.policy)
        costs = RepairCosts(known, self.policy.escalation_minutes)
        ranker, start, random = self._as_simulated()
        found = look_ahead(ranker, start, costs, random, cars, progress=progress, stop=stop)
        first = self.proposals[0].reading if self.proposals else None
        if found is None or first not in {one.reading for one in found.candidates}:
            return found
        return replace(found, plain=first)

    @cached_property
    def _ranker(self) -> Ranker:
        """What chooses the readings of simulated cars."""
        engine = self.engines.one(self.case)
        return compile_ranker(self.knowledge, engine, self.case.complaint, self.at_hand, self.policy)

    def _as_simulated(self) -> tuple[Ranker, Starts, np.random.Generator]:
        """Return this job as simulated cars are played on it, with a fixed seed."""
        start = starts_of(self._ranker, [self.case], self.car.condition, self.waiting)
        return self._ranker, start, np.random.default_rng(LOOK_AHEAD_SEED)

    def to_end(self, stop: Callable[[], bool]) -> ToEnd | None:
        """Return how far the end is; None where nothing can be played, or once `stop` says so."""
        if not self.can_look_ahead or self.advice.stop is not None:
            return None
        return to_the_end(*self._as_simulated(), TO_END_CARS, stop)

    def same_decision(self, stop: Callable[[], bool]) -> SameDecision | None:
        """Return how probable it is that no reading left would change the decision at a stop.

        None where none is due or no cars can be played, and once `stop` says so.
        """
        if not self.can_look_ahead or not decides(self.advice):
            return None
        ranker, start, _ = self._as_simulated()
        return same_decision(ranker, start, stop=stop)

    def better_ahead(self, stop: Callable[[], bool]) -> LookAhead | None:
        """Look ahead on fewer cars, and return what comes of it where it clearly changes the advice.

        That is another reading, or to read no further where mending is a choice.
        """
        if not self.can_look_ahead or self.advice.stop is not None:
            return None
        found = self.look_ahead(lambda done, total: None, stop, QUIET_CARS)
        if found is None or found.changes_the_advice:
            return found
        return found if found.mending_saves_minutes and self.mended_first is not None else None

    def asking_about(self, cause: str) -> Session:
        """Return the same case with the cause that its job card explains beside the leader."""
        return replace(self, asked_about=cause)

    @property
    def other_causes(self) -> tuple[str, ...]:
        """Every cause of the complaint but the leading one, the most probable first."""
        return tuple(one.fault for one in self.advice.suspects[1:])

    def why_not(self, cause: str) -> WhyNot:
        """Return what speaks for and against a cause, beside the one that leads."""
        return why_not(self.knowledge, self.situations, self.filed, self.case, cause)

    def turning(self, why: WhyNot, stop: Callable[[], bool]) -> Turning | None:
        """Return what can be read here to turn it round; None once `stop` says so."""
        candidates, condition = self.advice.proposals, self.car.condition
        chosen, leader = why.chosen.cause, why.leader.cause
        return turning(self.situation, candidates, condition, self.waiting, chosen, leader, stop)

    def try_ways(self, found: Turning, stop: Callable[[], bool]) -> tuple[Tried, ...] | None:
        """Play the ways to turn it round on cars like this one; None once `stop` says so."""
        return try_ways(self.situation, self.engines.one(self.case), found, stop)

    @property
    def can_try_ways(self) -> bool:
        """Whether cars like this one can be played: the complaint is there, and one engine holds it all."""
        return self.plays_out and not self.case.is_at_rest

    @property
    def plays_out(self) -> bool:
        """Whether simulated cars can be played on this complaint: one engine holds it all."""
        return isinstance(self.engine, Engine)

    @property
    def can_look_ahead(self) -> bool:
        """Whether there is something to play out: readings left, the complaint there, no check still due."""
        due = bool(self.case.repairs) and self.case.checked != STILL_THERE
        due |= self.case.is_at_rest  # simulated cars have the complaint
        return self.plays_out and bool(self.advice.proposals) and not due

    def job_card(self, form: Literal["markdown", "html"], customer: bool) -> str:
        """Return the job card for the file, or the page for the customer, as it stands now."""
        said = (self.knowledge, self.engines.of, self.filed, self.preferences, self.store.now(), self.policy)
        if customer:
            paper = under(customer_sheet(*said), self.store.workshop.letterhead)
        else:
            paper = job_card(*said, self.asked_about)
        return html(paper) if form == "html" else markdown(paper)

    def pictured(self, reading: str, setups: Iterable[str]) -> tuple[tuple[str, str], ...]:
        """Return, as section and id, what of a task has a drawing."""
        return pictured(self.knowledge, reading, setups)

    def how_to(self, shown: tuple[tuple[str, str], ...]) -> str:
        """Return the drawings of a task as a page, with the steps and cautions."""
        known = self.knowledge
        said = [
            caution
            for section, name in shown
            for caution in (known.readings if section == "readings" else known.setups)[name].cautions
        ]
        paper = how_to_page(known, shown, self._holding(said))
        return html(under(paper, self.store.workshop.letterhead))

    def needed(self, reading: str) -> tuple[str, ...]:
        """Every setup of a reading, those that come first at the front."""
        return setups_of(self.knowledge, reading)

    @property
    def found(self) -> str:
        """The fault that the search has ended with, or "" where there is none."""
        return self.advice.stop.fault or "" if self.advice.stop else ""

    def remedy_cautions(self, fault: str) -> tuple[str, ...]:
        """Return the cautions of a fault's remedy, the most severe first; none for what is not listed."""
        listed = self.knowledge.faults.get(fault)
        return self._holding(listed.cautions) if listed else ()

    @property
    def instruments(self) -> tuple[str, ...]:
        """The instruments that readings of this complaint are taken with and that the workshop has."""
        readings = self.knowledge.readings
        used = {one for name in self.engine.readings if name in readings for one in readings[name].instrument}
        for name in self.engine.readings:
            quantity = readings[name].quantity if name in readings else None
            for source in quantity.derived.inputs.values() if quantity and quantity.derived else ():
                measurand = self.knowledge.measurands.get(str(source))
                used.update(measurand.instrument if measurand else ())
        return tuple(name for name in self.knowledge.instruments if name in used - self.workshop.without)

    @cached_property
    def account(self) -> Account | None:
        """The account of the draw, once its total was measured."""
        return account(self.knowledge, self.case)

    @property
    def account_fuses(self) -> tuple[tuple[str, str], ...]:
        """The parts of the draw that were measured as a reading, a fuse most often, with their names."""
        readings = self.knowledge.readings
        parts = [one for one in self.case.measured if one in readings]
        quantities = [(one, readings[one].quantity) for one in parts]
        return tuple((one, readings[one].name) for one, said in quantities if said and said.account == "part")

    @property
    def account_instrument(self) -> str:
        """What the total was measured with: parts are taken with the same instrument."""
        readings = self.knowledge.readings
        for entry in reversed(self.case.counting.values()):
            if not isinstance(entry, Seen | Measured) or entry.reading not in readings:
                continue
            if entry.take and _is_total(readings[entry.reading]):
                return entry.take[0].instrument
        return ""

    @cached_property
    def disagreement(self) -> Disagreement | None:
        """Readings that do not fit together, if any."""
        return disagreement(self.situation, self.situations.background(self.situation))

    @cached_property
    def one_cause(self) -> float | None:
        """The probability that one cause explains it all, where that is low enough to be said; else None."""
        unchecked = bool(self.case.repairs) and self.case.checked != STILL_THERE
        if len(self.case.taken) < 2 or unchecked:
            return None
        if self.advice.belief_error:
            return None  # what is very unlikely is no better known than that
        if least_single_fault_probability(self.situation) >= self.policy.hardly_one_cause:
            return None
        probability = single_fault_probability(self.situation)
        return probability if probability < self.policy.hardly_one_cause else None

    def to_acknowledge(self, cautions: Iterable[str]) -> tuple[str, ...]:
        """Those of the cautions that can hurt people and that nobody on this job has read yet."""
        return tuple(
            one
            for one in dict.fromkeys(cautions)
            if self.knowledge.cautions[one].hurts and one not in self.case.acknowledged
        )

    def cautions(self, proposal: CandidateReading) -> tuple[str, ...]:
        """Every caution of a reading and of the setups still to be made for it, the most severe first."""
        said = list(self.knowledge.readings[proposal.reading].cautions)
        for setup in proposal.setups:
            said += self.knowledge.setups[setup].cautions
        return self._holding(said)

    def may_begin(self, plan: WaitPlan, towards: CandidateReading) -> bool:
        """Whether a wait may begin: the cautions of its setups were read, and what decides it is known."""
        setups = self.knowledge.setups
        said = (one for setup in plan.setups for one in setups[setup].cautions)
        unread = self.to_acknowledge(self._holding(said))
        return not unread and not self.asks_before_wait(plan, towards)

    def to_prepare(self, proposal: CandidateReading) -> tuple[str, ...]:
        """Return the setups to make before the reading stands on the card: none, if all has room together.

        They are as many as have room on one card, at least one.
        """
        if not proposal.setups or proposal.asks:
            return ()
        setups, steps = self.knowledge.setups, len(self.knowledge.readings[proposal.reading].steps)
        lines = [1 + len(setups[setup].steps) for setup in proposal.setups]
        if self.plan(proposal) is None and sum(lines) + steps <= STEPS_WITH_ROOM:
            return ()
        together = 0
        for at, line_count in enumerate(lines):
            together += line_count
            if together > STEPS_WITH_ROOM and any(setups[one].steps for one in proposal.setups[:at]):
                return proposal.setups[:at]
        return proposal.setups

    def ended_by(self, making: Iterable[str]) -> tuple[str, ...]:
        """Return the names of what somebody has made and setups that are made now would end."""
        rules, setups = self.knowledge.setup_rules, self.knowledge.setups
        ended = frozenset[str]().union(*(rules.ended_by[setup] for setup in making))
        return tuple(setups[one].name for one in self.waiting if one in ended and not setups[one].on_arrival)

    def asks_before_wait(self, plan: WaitPlan, towards: CandidateReading) -> tuple[str, ...]:
        """Return what to ask before a wait begins: whether its reading applies, and how long it takes."""
        setups = (self.knowledge.setups[setup] for setup in plan.setups)
        minutes = [one for setup in setups for one in (setup.hands_on_minutes, setup.waiting_minutes)]
        facts = (one.by for one in minutes if isinstance(one, ByFact) and one.by not in self.case.facts)
        return tuple(dict.fromkeys((*towards.asks, *facts)))

    @property
    def knowledge_before(self) -> str | None:
        """The version of the knowledge this case was last weighed by, where that is another one."""
        versions = [entry.version for entry in self.case.entries if isinstance(entry, Replayed)]
        last = versions[-1] if versions else self.filed.knowledge
        return last if last and not self.knowledge.is_version(last) else None

    def meaningless(self) -> tuple[int, ...]:
        """Return the steps that count for nothing because this knowledge no longer has what they name."""
        return tuple(step for step, entry in self.case.counting.items() if not _means(self.knowledge, entry))

    @logfile.timed("weigh the answers of a job")
    def worked_out(self, chosen: str | None = None) -> Session:
        """Return the session with everything a screen shows worked out; best done off the event loop.

        That is with the first reading on the card, or another one that was chosen.
        """
        self.advice, self.disagreement, self.one_cause, self.account  # noqa: B018
        for proposal in [one for one in self.advice.proposals if one.reading == chosen] or self.proposals[:1]:
            self.answers(proposal.reading)
            self.plan(proposal)
            self.repair_first(proposal)
            self.fault_tree(proposal.reading)
        return self

    # What a person does

    def ranked(self, ranking: Ranking) -> Session:
        """Return the same case with another ranking, remembered for everybody at this store."""
        self.store.set_to(RANKING, ranking)
        return replace(self, ranking=ranking)

    def taking_all_the_same(self, reading: str) -> Session:
        """Return the same case with a reading offered now, although it ends what others still need."""
        return replace(self, all_the_same=self.all_the_same | {reading})

    def refreshed(self) -> Session:
        """Return the same case at the time it is now."""
        return replace(self)

    def with_trolley(self, off_trolley: Iterable[str]) -> Session:
        """With what is not on the trolley, remembered for everybody at this store."""
        left = frozenset(off_trolley)
        self.store.leave_off_trolley(left)
        self.store.set_to(RANKING, "on the trolley")
        return replace(self, off_trolley=left, ranking="on the trolley")

    def knows(self, facts: Mapping[str, str]) -> Session:
        """With new or changed facts; raises `InconsistentEvidence` and saves nothing if they clash."""
        changed = {fact: value for fact, value in facts.items() if self.case.facts.get(fact) != value}
        said = {**self.case.facts, **facts}
        new = (known_with(self.knowledge, said, fact, value) for fact, value in changed.items())
        return self._entered(*(one for entries in new for one in entries))

    def dangers_in(self, said: str) -> tuple[str, ...]:
        """Return the dangers that may be heard in what the customer said."""
        return tuple(one.danger for one in heard_dangers(self.knowledge, said)) if said else ()

    def told(self, words: str, dangers: Mapping[str, str]) -> Session:
        """With what the customer said at the bench, and what was done about each danger in it."""
        warned = (Warned(danger, how) for danger, how in dangers.items())
        return self._entered(*warned, *((SaidByCustomer(BENCH, words),) if words else ()))

    def asked_as(self, fact: str) -> tuple[str, tuple[tuple[str, str], ...]]:
        """Return the question by which a fact is asked, and its answers as (fact, value).

        Another fact that tells it is asked in its place, with what that one leaves open.
        """
        facts = self.knowledge.facts
        asked = {one: said for one, said in self.facts.items() if one not in self.case.facts}
        teller = tellers({**asked, fact: facts[fact]}).get(fact)
        if teller is not None:
            return facts[teller].ask, answers_of(facts, teller, [fact])
        return facts[fact].ask, answers_of(facts, fact, ())

    def without(self, step: int) -> Session:
        """Return the job as if a step were taken back already, to ask for it anew; nothing is saved."""
        if not step:
            return self
        case = self.case.with_entry(TakenBack(step, CORRECTED))
        return replace(self, filed=replace(self.filed, case=case))

    def saw(
        self,
        reading: str,
        outcome: str,
        confidence: float = 1.0,
        instead_of: int = 0,
        wait: EnteredWait = "as entered",
        before: int = 0,
    ) -> Session:
        """With a reading's outcome; raises `InconsistentEvidence` and saves nothing where it cannot be.

        It takes the place of the step `instead_of`, where one is given; it was read `before` another step.
        """
        seen = Seen(reading, outcome, confidence, before=before)
        return self._entered(*_back(instead_of), *self._with_wait(outcome, wait, seen))

    def prefers(self, kind: str, unit: str) -> Session:
        """With a preferred unit, remembered for everybody at this store."""
        self.store.prefer(kind, unit)
        return replace(self, preferences={**self.preferences, kind: unit})

    def fields(self, reading: str) -> tuple[Field, ...]:
        """Return what has to be filled in for a quantity reading."""
        return fields(self.knowledge, self.case, reading, self.preferences, self.workshop.without)

    def understand(
        self, reading: str, filled: Mapping[str, str], instruments: Mapping[str, str]
    ) -> Understood:
        """Understand what was filled in; raises `NotUnderstood` with a sentence."""
        return understand(self.knowledge, self.case, reading, filled, instruments, self.preferences)

    def measured(
        self,
        understood: Understood,
        instead_of: int = 0,
        wait: EnteredWait = "as entered",
        before: int = 0,
    ) -> Session:
        """With a quantity as measured; as `saw`."""
        answer = replace(understood.measured, before=before)
        measured = self._with_wait(self.band_of(understood), wait, answer)
        return self._entered(*_back(instead_of), *understood.facts, *measured)

    def guessed(self, understood: Understood, instead_of: int = 0) -> Session:
        """With a number read too early, and the band that it falls in as a guess."""
        guess = self._as_guess(understood)
        return self._entered(
            *_back(instead_of), *understood.facts, *self._with_wait(guess.outcome, "not waited", guess)
        )

    def _as_guess(self, understood: Understood) -> Seen:
        """Return a number as a guess at the band that it most likely lies in."""
        number = understood.measured
        return Seen(number.reading, self.band_of(understood), self.policy.a_guess, take=number.take)

    def _with_wait(self, outcome: str, wait: EnteredWait, answer: Seen | Measured) -> tuple[Entry, ...]:
        """Return an answer with what it says of the waits of its reading that nobody has entered.

        Either they were over, or the next reading cannot rely on them. What was read before an entry that
        ended them counts in full and says nothing of now; so does an outcome that hangs on none.
        """
        if answer.before:
            return (answer,)
        on_the_way = self._shows_before_wait(answer.reading, outcome)
        setups = () if wait == "as entered" and not on_the_way else self.not_waited_for(answer.reading)
        if wait == "over":
            return (*self._waited(setups), answer)
        return (answer, *(Ended(setup, NOT_WAITED_FOR) for setup in reversed(setups)))

    def _waited(self, setups: Iterable[str]) -> tuple[Stated, ...]:
        """Return setups as stated for as long as they wait; raises `NotSo` if the record says otherwise."""
        now = self.store.clock()
        return tuple(
            self._stated(setup, now - timedelta(minutes=self.setup_minutes(setup)[1])) for setup in setups
        )

    def _stated(self, setup: str, since: datetime) -> Stated:
        against = contradicted_by(self.knowledge, self.case, self.filed.times, setup, since)
        if against is not None:
            at = clock_words(datetime.fromisoformat(self.filed.times[against.step - 1]))
            raise NotSo(
                f"“{self.knowledge.setups[setup].name}” cannot have been so since {clock_words(since)}: at "
                f"{at} was entered “{entry_words(self.knowledge, self.case, against.entry)}”. It can be so "
                "from then on. If that entry is wrong, take it back first (key s)."
            )
        return Stated(setup, since.isoformat())

    def accounted(self, what: str, text: str, instrument: str, behind: str = "") -> Session:
        """With a part of the draw that was found by disconnecting; raises `NotUnderstood`.

        `behind` is the reading of the fuse that feeds it and that was measured, or "".
        """
        try:
            milliamps = parse(text, "mA")
        except NotAQuantity as error:
            raise NotUnderstood(str(error)) from error
        total = self.account.total.value if self.account else LARGEST_PART_MA
        ask_for_unit(self.knowledge, text, "mA", instrument, "mA", (0.0, LARGEST_PART_MA), total)
        if not 0 <= milliamps <= LARGEST_PART_MA:
            raise NotUnderstood(
                f"{show(milliamps, 'mA')} is not plausible for a part of the draw. Read it again."
            )
        measurement = Measurement("part", milliamps, instrument, show(milliamps, "mA"))
        return self._entered(Accounted(what, measurement, behind))

    @property
    def awaits_guess(self) -> bool:
        """Whether nobody has put down what they suspect, and it is not settled yet."""
        return self.case.is_open and self.case.guess is None and not self.case.repairs

    @property
    def guess_words(self) -> str:
        """What was put down before the bench showed its own suspicion, or when it can be."""
        guess = self.case.guess
        if guess is None:
            return (
                "A guess is put down before the bench shows what it suspects (guess_first in the settings)."
            )
        return f"Your guess on this job: {self.knowledge.title(guess.fault)}."

    @property
    def causes_by_name(self) -> tuple[tuple[str, str], ...]:
        """Every listed cause with its name, in the order of names: it tells nothing of what is likely."""
        listed = ((one.fault, one.name) for one in self.advice.suspects if not is_unlisted(one.fault))
        return tuple(sorted(listed, key=lambda cause: cause[1].casefold()))

    def suspects(self, fault: str) -> Session:
        """With the cause that somebody suspects by themselves, beside the one that leads."""
        return self._entered(Guessed(fault, self.advice.suspects[0].fault))

    def skipped(self, reading: str, reason: str) -> Session:
        """With a reading that cannot be taken on this car."""
        return self._entered(Skipped(reading, reason))

    def prepared(self, setups: Iterable[str]) -> Session:
        """With setups that were made now; their waiting begins."""
        at = self.store.now()
        return self._entered(*(Prepared(setup, at) for setup in setups))

    def stated(self, setup: str, minutes_ago: float) -> Session:
        """With a setup that somebody says to have been in place for so many minutes.

        Raises `NotSo`, and saves nothing, if a later entry says otherwise.
        """
        return self.stated_since(setup, self.store.clock() - timedelta(minutes=minutes_ago))

    def stated_since(self, setup: str, since: datetime) -> Session:
        """With a setup that somebody says to have been in place since a time; as `stated`."""
        return self._entered(self._stated(setup, since))

    def since_when(self, text: str) -> datetime:
        """Understand since when a setup is in place, as typed; raises `NotUnderstood`."""
        return since_when(text, self.store.clock())

    def noted(self, measurand: str, text: str) -> Session:
        """With a figure of the day as typed; raises `NotUnderstood`."""
        return self._entered(figure_of_the_day(self.knowledge, measurand, text, self.preferences))

    def ready_now(self, setup: str) -> Session:
        """With the wait of a setup over by now, sooner than planned."""
        return self._entered(Ready(setup, self.store.now()))

    def ended(self, setup: str, reason: str) -> Session:
        """With a setup that is no longer in place."""
        return self._entered(Ended(setup, reason))

    def never_begun(self, setup: str) -> Session:
        """With the beginning of a setup taken back, and of all built on it: it was entered by mistake.

        Nothing of it is left: no minutes, nothing to put back. What an answer has relied on is ended instead.
        """
        rules, last = self.knowledge.setup_rules, {}
        for step, entry in self.case.counting.items():
            if isinstance(entry, Prepared | Stated) and entry.setup in rules.with_built_on([setup]):
                last[entry.setup] = step
            elif isinstance(entry, Ended):
                last = {one: at for one, at in last.items() if one not in rules.with_built_on([entry.setup])}
        undone = tuple(TakenBack(step, BY_MISTAKE) for step in sorted(last.values(), reverse=True))
        case = self.case
        for entry in undone:
            case = case.with_entry(entry)
        still = present(self.knowledge, case, self.filed.times, self.store.clock()).condition.in_place
        return self._entered(*undone, *((Ended(setup, BY_MISTAKE),) if setup in still else ()))

    def acknowledged(self, cautions: Iterable[str]) -> Session:
        """With cautions that a person has read."""
        at = self.store.now()
        return self._entered(*(Acknowledged(caution, at) for caution in cautions))

    def repaired(self, fault: str, how: str = "") -> Session:
        """With the remedy of a fault done; `how` says what was done where the remedy leaves a choice."""
        return self._entered(Repaired(fault, self.store.now(), " ".join(how.split())[:LONGEST_CAUSE]))

    def remedy_choice(self, fault: str) -> str:
        """Return a fault's remedy, where it leaves open which of several things was done; or ""."""
        listed = self.knowledge.faults.get(fault)
        return listed.remedy if listed and " or " in listed.remedy else ""

    def unsure_words(self, fault: str) -> str:
        """Say that a remedy is about to be recorded for a cause that is neither sure nor proved; or "".

        One that costs no parts and takes a few minutes needs no proof.
        """
        listed, now = self.knowledge.faults.get(fault), self.stages[-1].get(fault, 0.0)
        needs_proof = asks_for_proof(self.knowledge, self.policy, fault)
        if listed is None or not needs_proof or now >= self.policy.sure_at:
            return ""
        sure = [
            step
            for step, entry in self.case.counting.items()
            if isinstance(entry, Measured) or (isinstance(entry, Seen) and entry.confidence == 1)
        ]
        least = self.policy.shown_from
        shown = [step for step in sure if self.stages[step][fault] - self.stages[step - 1][fault] >= least]
        why = "" if shown else "; no reading has shown it"
        proved = fault in shown_by_proof(self.knowledge, self.case)
        words = f"Not sure yet ({percent(now)}){self.rival_words(fault) if proved else ', not proved'}{why}"
        return f"{words}. The remedy costs parts. " if listed.price != "none" else f"{words}. "

    def rival_words(self, fault: str) -> str:
        """Return the likeliest other cause as still possible; "" where none is worth naming."""
        others = (one for one in self.advice.suspects if one.fault != fault)
        rival = next((one for one in others if one.probability >= self.policy.shown_from), None)
        return f"; {rival.name} is still possible ({percent(rival.probability)})" if rival else ""

    def repair_now_words(self) -> str:
        """Return the line that offers to repair the leading cause; "" while no reading points to one."""
        leading = self.advice.suspects[0]
        leads = leading.fault in self.knowledge.faults and leading.probability >= REPAIR_OFFERED_FROM
        if not leads or not self.case.taken:
            return ""
        return "Enough seen: repair now"

    def repair_now_effect(self) -> str:
        """Return how sure the leading cause is, and which it is."""
        leading = self.advice.suspects[0]
        return f"→ {self.sure_words(leading.fault)}: {leading.name}"

    def proof_of(self, fault: str) -> CandidateReading | None:
        """Return the reading to prove a fault by that tells most, or None where it is proved or none can."""
        if fault in shown_by_proof(self.knowledge, self.case):
            return None
        readings = self.knowledge.readings
        return next((one for one in self.advice.proposals if fault in readings[one.reading].proves), None)

    def sure_words(self, fault: str) -> str:
        """Return how sure a cause is, and that it is not proved where its remedy needs a proof."""
        proved = fault in shown_by_proof(self.knowledge, self.case)
        needs_proof = asks_for_proof(self.knowledge, self.policy, fault)
        return percent(self.stages[-1][fault]) + (", not proved" if needs_proof and not proved else "")

    def repair_words(self, fault: str) -> str:
        """Return what recording a remedy as done will enter."""
        listed, title = self.knowledge.faults.get(fault), self.knowledge.title(fault)
        done = f"“{listed.remedy}” ({title})" if listed else f"the remedy for {title}"
        again = fault in self.case.repaired
        head = f"{self.unsure_words(fault)}Record on {self.filed.name.lower()}, {self.filed.tag}, that {done}"
        return f"{head} was done just now" + (
            ", again? It was done before: the first did not hold." if again else "?"
        )

    @property
    def check_is_early(self) -> bool:
        """Whether the check after the last repair cannot have been made as it should, by the clock."""
        repairs = [entry for entry in self.case.counting.values() if isinstance(entry, Repaired)]
        if not repairs:
            return False
        now = self.store.clock()
        minutes = (now - datetime.fromisoformat(repairs[-1].at)).total_seconds() / 60
        check = self.complaint.check_after_repair
        waits = self.car.waiting_minutes(now).values()
        return minutes < check.minutes or any(left > 0 for left in waits)

    def shows_complaint(self, understood: Understood) -> bool | None:
        """Return whether a number shows the complaint, as it is not normal; None where it may be either."""
        reading = understood.measured.reading
        normal = self.knowledge.readings[reading].normal_outcome
        bands = possible_bands(self.knowledge, self._facts_with(understood), understood.measured)
        others = {one != normal for one in bands}
        return others.pop() if len(others) == 1 else None

    def limit_words(self, reading: str, there: bool) -> str:
        """Return what a number says of the complaint: within which limit it is normal."""
        said = self.knowledge.readings[reading]
        normal = outcome_words(self.knowledge, self.case, reading, said.normal_outcome, self.preferences)
        limit, _, words = normal.partition(": ")
        usual = f"{limit} ({words[:1].lower()}{words[1:]})" if words else normal
        return f"{said.name}: {'not there' if there else 'gone'} if it is {usual}."

    @property
    def confirm_reading(self) -> str:
        """The reading whose number says whether the complaint is there, before the search; or ""."""
        shown_by = self.complaint.looked_for.shown_by
        return shown_by if shown_by in self.engine.readings and shown_by not in self.case.taken else ""

    @property
    def check_reading(self) -> str:
        """The reading that gives this complaint a number, where the check is to keep one; or ""."""
        readings = self.knowledge.readings
        shown_by = self.complaint.check_after_repair.shown_by
        named = [shown_by] if shown_by in self.engine.readings else []
        totals = named or [
            one for one in self.engine.readings if one in readings and _is_total(readings[one])
        ]
        now = len(self.case.repairs)
        taken = {
            one.reading for _, era, one in self.case.by_era() if era == now and isinstance(one, Measured)
        }
        return "" if taken.intersection(totals) else next(iter(totals), "")

    def check_words(self, gone: bool) -> str:
        """Return what recording the check will enter; whether it was made, where it comes early."""
        check = self.complaint.check_after_repair
        found = "gone" if gone else "still there"
        early = ""
        if gone and self.check_is_early:
            early = (
                f"So soon? The check takes about {duration(check.minutes)} after the remedy: "
                f"{check.how}. Have you checked after the wait? "
            )
        return (
            f"{early}After the repair, was “{self.complaint.name}” looked for again and found {found}? "
            f"This is recorded on {self.filed.name.lower()}, {self.filed.tag}."
        )

    def checked(self, gone: bool, understood: Understood | None = None) -> Session:
        """With what the check after a repair found, and the number that it was seen by, if one was read."""
        number: tuple[Entry, ...] = (*understood.facts, understood.measured) if understood else ()
        return self._entered(*number, Checked(self.case.complaint, GONE if gone else STILL_THERE))

    def confirm_minutes_words(self) -> str:
        """Return how long looking for the complaint takes from here, what is to be waited for included."""
        wanted = self.complaint.looked_for.setup
        way = way_to(self.knowledge, self.car.condition, wanted, self.case.facts)
        waiting = (
            way.waiting_from(self.car.waiting_minutes(self.store.clock())) if isinstance(way, Way) else 0
        )
        wait = f", and {duration(waiting)} to wait" if waiting else ""
        return f"About {duration(self.complaint.looked_for.minutes)}{wait}"

    @property
    def _confirm_needed(self) -> tuple[str, ...]:
        """Every setup that the complaint is looked for in, those that come first at the front."""
        rules = self.knowledge.setup_rules
        wanted = self.complaint.looked_for.setup
        return tuple(dict.fromkeys(one for setup in wanted for one in rules.first_to_last(setup)))

    def confirm_early_words(self, found: str) -> str:
        """Return what to ask where the complaint cannot have been looked for as it should yet; else ""."""
        look = self.complaint.looked_for
        in_time = self._minutes_since_last_entry >= look.minutes
        waited = not self._not_waited_for(look.setup) and not self._still_waiting(self._confirm_needed)
        if found == NOT_TRIED or self.complaint.confirm is None or (in_time and waited):
            return ""
        return f"So soon? {self.confirm_minutes_words()}: {look.how}. Did you check it this way?"

    def confirmed(
        self,
        found: str,
        instead_of: int = 0,
        wait: EnteredWait = "as entered",
        understood: Understood | None = None,
    ) -> Session:
        """With whether the complaint was there when it was looked for, and the number it was seen by.

        Where it was not, only what somebody says of its setups counts: `wait` is "over" if they were made.
        """
        setups = self.complaint.looked_for.setup
        not_waited = self._not_waited_for(setups)
        said: tuple[Entry, ...] = (Confirmed(self.case.complaint, found),)
        if understood is not None:
            number = self._as_guess(understood) if wait == "not waited" else understood.measured
            # What was read while it was not there comes after that was said.
            said = (*said, number) if found == NOT_PRESENT else (number, *said)
            said = (*understood.facts, *said)
        if wait == "over":
            made = self.confirm_setups if found == NOT_PRESENT else not_waited
            said = (*self._waited(made), *said)
        elif wait == "not waited" and found == SEEN_TODAY:
            said = (*said, *(Ended(setup, NOT_WAITED_FOR) for setup in reversed(not_waited)))
        return self._entered(*_back(instead_of), *said)

    def replayed(self) -> Session:
        """With everything weighed by the present knowledge from here on."""
        return self._entered(Replayed(self.knowledge.version, self.knowledge_before or ""))

    def taken_back(self, step: int, reason: str = "") -> Session:
        """With one step taken back, whichever it is; the record of it stays."""
        if step not in self.case.counting:
            return self
        return self._entered(TakenBack(step, reason))

    def withdrawn(self, step: int) -> Session:
        """With one step taken back, even where what is left still cannot be so."""
        return replace(self, filed=self.store.append(self.filed, TakenBack(step, "")))

    def undone(self) -> Session:
        """With the last step that counts taken back."""
        return self.taken_back(max(self.case.counting)) if self.case.counting else self

    def closed(self, fault: str, remark: str = "") -> Session:
        """With the job done and the cause that was found, or "" for none."""
        return self._entered(Closed(fault, remark))

    def finished(self, reason: str = "") -> Session:
        """With what has to be done before the car leaves as done; or as not done, for a reason."""
        due = self.before_leaving
        return self._entered(Finished(due, " ".join(reason.split())[:LONGEST_CAUSE])) if due else self

    def closed_in_words(self, words: str) -> Session:
        """With the job done and a cause that is not listed, as it was written."""
        return self.closed(unlisted_of(self.case.complaint), " ".join(words.split())[:LONGEST_CAUSE])

    def closing_words(self, fault: str, words: str = "", not_done: str | None = None) -> str:
        """Return what closing with a fault, "" for none, or with a cause in words will record.

        `not_done` says why what has to be done before the car leaves was not; "" if it was.
        """
        head = f"Close {self.filed.name.lower()}, {self.filed.tag}?"
        if self.case.guess is not None and fault:
            right = "right" if fault == self.case.guess.fault else "not this"
            head += f" Your guess was {right}: {self.knowledge.title(self.case.guess.fault)}."
        if words:
            said = f"This cause is recorded as written: {words}. It is not listed, so nothing is counted."
        elif not fault:
            said = (
                "No fault found is recorded. Nothing is learned from this job; its card says what was "
                "tested and when to come back."
            )
        else:
            said = f"Recorded as found and repaired: {self.knowledge.title(fault)}."
            if fault not in self.case.repaired:
                said += " No remedy was entered for it."
        said += " It then stands among the closed jobs, where it can be reopened."
        if not_done and self.before_leaving:
            said += f" Not done before the car leaves, because: {not_done}: {self.before_leaving}."
        answered = () if not_done is None else (self.before_leaving,)
        left = "".join(f"\n• {one}." for one in self.left_to_do if one not in answered)
        return f"{head} {said}" + (f"\nLeft to do before the car leaves:{left}" if left else "")

    def cancelling_words(self, reason: str) -> str:
        """Return what calling the job off will record."""
        return (
            f"Cancel {self.filed.name.lower()}, {self.filed.tag}, because: {reason}? It then stands among "
            "the cancelled jobs, below the closed ones, where it can be reopened."
        )

    @property
    def has_answers(self) -> bool:
        """Whether more was entered than what is known of the vehicle and that cautions were read."""
        before = Known | Acknowledged | SaidByCustomer | Warned
        return not all(isinstance(entry, before) for entry in self.case.counting.values())

    @property
    def has_wrong_complaint(self) -> bool:
        """Whether the job was cancelled to choose another complaint for the same car."""
        return self.case.cancelled is not None and self.case.cancelled.reason == WRONG_COMPLAINT

    @property
    def parting_words(self) -> str:
        """What has to be said where the bench is left: what became of the job, if it is not simply open."""
        if self.case.cancelled:
            return f"{self.filed.name} cancelled. It stays on record."
        if not self.case.entries:
            return f"Nothing was answered on “{self.filed.tag}”, so no job was kept."
        return ""

    def cancelled(self, reason: str) -> Session:
        """With the job called off: out of the list of open jobs, kept in the record."""
        return self._entered(Cancelled(reason, ""))

    def newer(self) -> Session | None:
        """Return the case as others have left it meanwhile, or None where nobody entered anything."""
        if not self.filed.number or self.store.length(self.filed) == self.filed.entries:
            return None
        filed = self.store.case(self.filed.number)
        return replace(self, filed=filed) if filed else None

    def _entered(self, *entries: Entry) -> Session:
        if not entries:
            return self
        case = self.case
        for entry in entries:
            case = case.with_entry(entry)
        self.situations.of(case)  # raises where it cannot be, before anything is saved
        return replace(self, filed=self.store.append(self.filed, *entries))


def reopened(store: Store, number: int, reason: str = "") -> StoredCase | None:
    """Let a closed or cancelled job go on, as an entry of its own; one that is open stays as it is.

    Where the complaint has come back after a repair, that is what the check of it has found by now.
    """
    filed = store.case(number)
    if filed is None or filed.case.is_open:
        return filed
    entries: list[Entry] = [Reopened(reason, store.now())]
    if reason == CAME_BACK and filed.case.repairs:
        entries.append(Checked(filed.case.complaint, STILL_THERE))
    return store.append(filed, *entries)


def _back(step: int) -> tuple[TakenBack, ...]:
    """Return the taking back of a step that another answer replaces; nothing for step 0."""
    return (TakenBack(step, CORRECTED),) if step else ()


def _is_total(reading: Reading) -> bool:
    """Whether a reading is the number that its complaint is about: the whole of a draw."""
    return reading.quantity is not None and reading.quantity.account == "total"


def _means(knowledge: Knowledge, entry: Entry) -> bool:
    """Whether everything that an entry names is in the knowledge."""
    if isinstance(entry, Known):
        return entry.fact in knowledge.facts and entry.value in knowledge.facts[entry.fact].values
    if isinstance(entry, Seen):
        reading = knowledge.readings.get(entry.reading)
        return reading is not None and entry.outcome in reading.answers
    if isinstance(entry, Measured | Skipped):
        return entry.reading in knowledge.readings
    if isinstance(entry, Prepared | Stated | Ready | Ended):
        return entry.setup in knowledge.setups
    if isinstance(entry, Noted):
        return entry.measurand in knowledge.measurands
    if isinstance(entry, Acknowledged):
        return entry.caution in knowledge.cautions
    if isinstance(entry, Repaired | Closed):
        fault = owner_of(entry.fault)
        return not fault or fault in {**knowledge.faults, **knowledge.complaints, **knowledge.branches}
    return True


__all__ = ["Engines", "InconsistentEvidence", "NotUnderstood", "Ranking", "Session"]
