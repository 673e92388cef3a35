"""A case and its advice as plain text for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from advisor.advice.advice import Advice, CandidateReading, FaultPosterior, Stop
from advisor.advice.conflict import Disagreement
from advisor.advice.proof import Ending, SureGroup, was_seen
from advisor.advice.rules import most_probable_first
from advisor.case.case import Case, read_before
from advisor.case.condition import Present
from advisor.case.current_draw import Account
from advisor.case.entries import (
    CORRECTION,
    CUSTOMER,
    GONE,
    NOT_KNOWN,
    PHONE,
    TOLD,
    Accounted,
    Acknowledged,
    Booked,
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
from advisor.knowledge.knowledge import Knowledge, worst_first
from advisor.knowledge.unlisted import is_unlisted
from advisor.knowledge.vocabulary import LimitByFact
from advisor.measure.uncertainty import Estimate
from advisor.measure.units import convert, preferred, show
from advisor.model.observation import Measurement
from advisor.papers.format import bar, duration, percent, plain, when
from advisor.policy import DEFAULT, Policy
from advisor.simulate.rollout import LookAhead, ToEnd
from advisor.simulate.same_decision import SameDecision
from advisor.store.records import StoredCase
from advisor.text import counted

CLEARS_NOTHING = "The complaint was not there at this reading, so a normal result rules nothing out."
"""What is said of a reading that shows a fault only while the complaint is there."""
MOST_OF_A_GROUP = 3
"""So many of its faults are named where a group is sure and none of it."""
LIKELY_FROM = 0.5
"""From this probability on a leading cause is called likely: more so than not."""
LITTLE = 0.01
"""Where no cause moves by so much, an answer is said to change little (the project's choice)."""


def move(suspect: FaultPosterior) -> str:
    """Return what the last entry did to a suspect: ▲ or ▼ with percentage points, or nothing."""
    return change(suspect.before, suspect.probability, "▲", "▼")


def change(before: float, now: float, up: str, down: str) -> str:
    """Return by how many percentage points a probability went up or down, or nothing below half a point."""
    points = 100 * (now - before)
    return "" if abs(points) < 0.5 else f"{up if points > 0 else down} {abs(points):.0f}"


def minutes_words(proposal: CandidateReading) -> str:
    """Return what a reading takes from here, with its setups: in all, and what of it is waiting."""
    return ", ".join(filter(None, (duration(proposal.minutes), _of_it_to_wait(proposal))))


def _of_it_to_wait(proposal: CandidateReading) -> str:
    waiting = proposal.minutes - proposal.hands_on_minutes
    return f"{duration(waiting)} of it to wait" if waiting >= 0.5 else ""


def come_back_words(knowledge: Knowledge, complaint: str) -> str:
    """Say under which conditions the car should come back where no fault was found."""
    said = knowledge.complaints[complaint].come_back
    return (
        said or "As soon as it is there again, as it is then: do not clean, charge or change anything first."
    )


def off_by_words(belief_error: float) -> str:
    """Say that what is told is not exact, and how far it may be off."""
    return f"Too much hangs together to be exact: probabilities are off by at most {belief_error:.2g}."


def one_cause_words(suspects: Sequence[FaultPosterior], probability: float) -> str:
    """Say that one cause hardly explains what was seen, and which two would."""
    both = " and ".join(f"“{one.name}” ({percent(one.probability)})" for one in suspects[:2])
    hardly = "cannot explain" if probability == 0 else f"hardly explains ({percent(probability)})"
    return f"One cause alone {hardly} what was seen. Likely together: {both}."


def look_ahead_words(knowledge: Knowledge, found: LookAhead) -> str:
    """Return what looking ahead has found, against the plain advice and against mending at once."""
    words = (
        "Expected minutes to the end of the repair, on made-up cars like this one (± standard error). "
        f"Mending at once in the best order: {duration(found.repair_now_minutes)}. "
    )
    names = knowledge.readings
    if found.winner is None:
        return words + "No reading is worth its minutes any more: mend."
    if found.plain is None or found.winner == found.plain:
        return words + f"The plain advice stands: “{names[found.winner].name}”."
    return words + f"It changes the advice: “{names[found.winner].name}” before “{names[found.plain].name}”."


def better_ahead_words(knowledge: Knowledge, found: LookAhead) -> str:
    """Say that another reading than the plain advice's takes fewer minutes to the end."""
    best = found.candidates[0]
    plain = next(one for one in found.candidates if one.reading == found.plain)
    saved = duration(plain.expected_minutes - best.expected_minutes)
    name = knowledge.readings[best.reading].name
    return f"Looking ahead: “{name}” first saves about {saved} to the end (key o)."


def mending_ahead_words(remedy: str, sure: str, found: LookAhead) -> str:
    """Say that reading no further takes fewer minutes; without a remedy by asking somebody senior."""
    saved = duration(found.mending_saves_minutes)
    if not remedy:
        return f"Looking ahead: no reading is worth its time. Asking somebody senior now saves about {saved}."
    return (
        f"Looking ahead: mending now saves about {saved} to the end. Begin with “{remedy}” ({sure}; key e)."
    )


def to_end_words(found: ToEnd) -> str:
    """Say how far the end of the search is, as cars like this one were played: in half of them no further."""
    count = counted(max(1, round(found.readings)), "reading")
    wait = f" and {duration(found.waiting_minutes)} of waiting" if found.waiting_minutes >= 1 else ""
    more = "or fewer " if found.readings >= 2 else ""
    return f"About {duration(found.hands_on_minutes)} more{wait}: {count} {more}for half of such cars."


def skip_reasons(knowledge: Knowledge, proposal: CandidateReading) -> tuple[str, ...]:
    """Return why a reading may not be taken: the customer is asked, a tool is read, or somebody looks."""
    reading = knowledge.readings[proposal.reading]
    if reading.who == CUSTOMER:
        return (
            NOT_KNOWN,
            "the customer cannot be reached",
            "the customer does not want to say",
            "no time now",
        )
    tool = ("no instrument",) if reading.instrument else ()
    state = ("the car cannot be brought into that state now",) if proposal.setups else ()
    return (*tool, "no access", "not allowed here", *state, "no time now")


def same_decision_words(found: SameDecision) -> str:
    """Say how probable it is that the same cause would lead after everything that is left was read."""
    if found.is_exact and found.probability > 1 - 1e-9:
        return f"No reading left can change this: the same cause would lead after {_them_all(found)}."
    how = f"{_of_100(found.probability)} of 100 such cars"
    if not found.is_exact:
        low, high = _of_100(found.low), _of_100(found.high)
        how = f"about {how}" + ("" if low == high else f" ({low} to {high})")
    return f"In {how} the same cause would still lead after {_them_all(found)}."


def _of_100(probability: float) -> int:
    """Return so many of 100, and all of them only where none is left out."""
    return min(round(100 * probability), 100 if probability == 1 else 99)


def _them_all(found: SameDecision) -> str:
    return "the 1 reading that is left" if found.readings == 1 else f"all {found.readings} readings left"


def changed_lines(
    knowledge: Knowledge, filed: StoredCase, meaningless: Sequence[int], clash: str
) -> Iterator[str]:
    """Yield what other knowledge means for a case that was begun under an older one."""
    case = filed.case
    opened = filed.knowledge or "unknown"
    yield f"Job {filed.number}, {filed.tag}: the knowledge has changed since it was opened."
    yield f"Opened with version {opened}; this is version {knowledge.version}. Nothing entered is lost."
    for step in meaningless:
        words = entry_words(knowledge, case, case.entries[step - 1])
        yield f"Counts for nothing now, it is no longer in the knowledge: {step} {words}"
    if clash:
        yield f"By the new knowledge: {clash}"


def suspect_lines(suspects: Iterable[FaultPosterior], most: int = 6) -> Iterator[str]:
    """Yield the leading suspects as bars."""
    for suspect in list(suspects)[:most]:
        yield (
            f"  {percent(suspect.probability):>5} {bar(suspect.probability)} {suspect.name}  {move(suspect)}"
        ).rstrip()


def proposal_lines(proposals: Iterable[CandidateReading], most: int = 6) -> Iterator[str]:
    """Yield the leading readings with what they tell, and the minutes they take."""
    for proposal in list(proposals)[:most]:
        bits = f"{proposal.expected_information_bits:5.2f} bits"
        wait = _of_it_to_wait(proposal)
        yield f"  {bits}  {duration(proposal.minutes):>8}  {proposal.name}{f' ({wait})' if wait else ''}"


def order_words(policy: Policy) -> str:
    """Say what the usual order of the readings goes by."""
    return (
        f"bits for the time: hands on, {percent(policy.weight_of_waiting)} of the waiting, and "
        f"{duration(policy.charge_minutes)} for turning to a reading"
    )


def tells_more_words(knowledge: Knowledge, proposal: CandidateReading) -> str:
    """Name the reading that tells most, where the usual order begins with another one."""
    return f"Tells most of all: “{task_words(knowledge, proposal.reading)}” ({minutes_words(proposal)})"


def opens_words(knowledge: Knowledge, proposal: CandidateReading) -> str:
    """Say what a reading that tells nothing by itself is good for; "" for any other."""
    if not proposal.opens:
        return ""
    other = knowledge.readings[proposal.opens].name
    return f"“{proposal.name}” tells nothing by itself, but says how to read others, such as “{other}”."


def stop_sentence(knowledge: Knowledge, stop: Stop) -> str:
    """Why the search is over, and what follows."""
    if stop.reason == "unlisted":
        return (
            "What was seen points outside what is written here. "
            "Ask somebody senior before anything is replaced."
        )
    name = knowledge.title(stop.fault or "")
    if stop.reason == "check":
        return f"The remedy is done: {name}. Now look for the complaint again."
    if stop.reason == "gone":
        return "The complaint is gone after the repair."
    if stop.reason == "not-present":
        return (
            "The complaint is not there today, and no reading is left that shows its cause all the same. "
            "Replace nothing on suspicion."
        )
    kind = stop.ending.kind if stop.ending else ""
    if stop.reason == "sure":
        return f"Proved: {name}." if kind == "proved" else f"Sure enough: {name}."
    if stop.ending and kind == "group proved":
        group = knowledge.title(stop.ending.cause or "")
        which = f": {_odds(knowledge, stop.group)}." if stop.group else f". Most likely: {name}."
        return f"Proved: {group}. No reading left tells which of it{which}"
    if stop.group:
        group = f"{knowledge.title(stop.group.branch)} ({percent(stop.group.probability)})"
        which = _odds(knowledge, stop.group)
        return f"Sure enough: {group}. No reading left is worth its minutes to tell which of it: {which}."
    return f"No reading left is worth its minutes. Most likely: {name}."


def _odds(knowledge: Knowledge, group: SureGroup) -> str:
    """Return the likeliest faults of a group with their probabilities."""
    likely = group.members[:MOST_OF_A_GROUP]
    return ", ".join(f"{knowledge.title(fault)} {percent(probability)}" for fault, probability in likely)


def caution_words(knowledge: Knowledge, caution: str) -> str:
    """Return a caution under its signal word."""
    return f"{caution_name(knowledge, caution)}: {knowledge.cautions[caution].text}"


def caution_name(knowledge: Knowledge, caution: str) -> str:
    """Return the name of a caution behind its signal word."""
    said = knowledge.cautions[caution]
    return f"{said.signal.upper()}, {said.name}"


def remedy_lines(
    knowledge: Knowledge, stop: Stop, cautions: bool = True, facts: Mapping[str, str] | None = None
) -> Iterator[str]:
    """Yield the remedy of the cause that was found, with its cautions or without."""
    if stop.fault is None or is_unlisted(stop.fault) or stop.reason in ("check", "gone"):
        return
    fault = knowledge.faults[stop.fault]
    on_hearsay = stop.ending and stop.ending.kind == "not found" and fault.price != "none"
    if stop.ending and (stop.ending.unproved or on_hearsay):
        how = "By exclusion" if stop.ending.kind == "by exclusion" else "On suspicion"
        yield f"{how}, not proved: see the fault on the part itself before parts are ordered."
    yield f"Remedy: {fault.remedy} ({duration(fault.remedy_minutes)}, price class {fault.price})."
    for caution in worst_first(knowledge, fault.cautions, facts) if cautions else ():
        yield caution_words(knowledge, caution)


def forbidden_lines(knowledge: Knowledge, case: Case, car: Present) -> Iterator[str]:
    """Yield what must not be done to a car any more, a line for each answer that forbids it."""
    for reading, ids in car.ruled_out.items():
        names = [
            one.name for id_, one in (*knowledge.setups.items(), *knowledge.readings.items()) if id_ in ids
        ]
        if names:
            definition = knowledge.readings[reading]
            outcome = definition.answers.get(case.outcomes.get(reading, ""))
            answer = f"{definition.name}: {outcome}" if outcome else definition.name
            yield f"Not to be done any more: {', '.join(names)} ({answer}; another answer to it lifts this)."


def task_words(knowledge: Knowledge, reading: str) -> str:
    """Return the name of a reading in a list of things to do; what only the customer can say is marked."""
    said = knowledge.readings[reading]
    return f"{said.name} (ask the customer)" if said.who == CUSTOMER else said.name


def advice_lines(
    knowledge: Knowledge, advice: Advice, facts: Mapping[str, str], policy: Policy = DEFAULT
) -> Iterator[str]:
    """Yield the advice as text: suspects, readings, what cannot be taken, and whether to stop."""
    yield "Suspected causes"
    yield from suspect_lines(advice.suspects)
    if advice.belief_error or advice.bits_error:
        yield f"{off_by_words(advice.belief_error)[:-1]}, bits by at most {advice.bits_error:.2g}."
    if advice.stop:
        yield ""
        yield stop_sentence(knowledge, advice.stop)
        yield from remedy_lines(knowledge, advice.stop, facts=facts)
    if advice.proposals:
        yield ""
        yield f"Readings in the usual order ({order_words(policy)})"
        yield from proposal_lines(advice.proposals)
        if words := opens_words(knowledge, advice.proposals[0]):
            yield words
        more = advice.tells_more
        if more is not None:
            yield f"{tells_more_words(knowledge, more)}, {more.expected_information_bits:.2f} bits."
    if advice.unavailable:
        yield ""
        yield "Would tell something, but cannot be taken"
        for proposal, obstacle in advice.unavailable[:4]:
            yield f"  {proposal.expected_information_bits:5.2f} bits  {proposal.name}: {obstacle}"


def outcome_words(
    knowledge: Knowledge, case: Case, reading: str, outcome: str, preferences: Mapping[str, str]
) -> str:
    """Return an outcome in words; for a quantity with the limits for this vehicle, in preferred units."""
    said = knowledge.readings[reading]
    words = said.answers[outcome]
    if not said.quantity:
        return words
    limits = said.quantity.limits_for(case.facts)
    if limits is None:
        facts = {limit.by for limit in said.quantity.limits if isinstance(limit, LimitByFact)}
        names = ", ".join(knowledge.facts[fact].name.lower() for fact in sorted(facts))
        return f"{words} (limits depend on: {names})"
    at = list(said.answers).index(outcome)
    own, unit = said.quantity.unit, preferred(said.quantity.unit, preferences)
    shown = [show(convert(limit, own, unit), unit) for limit in limits]
    if at == 0:
        return f"under {shown[0]}: {words}"
    if at == len(limits):
        return f"over {shown[-1]}: {words}"
    return f"{shown[at - 1]} to {shown[at]}: {words}"


def usual_words(knowledge: Knowledge, case: Case, reading: str, preferences: Mapping[str, str]) -> str:
    """Return what is usual for a quantity on this vehicle, where the knowledge says it; or "".

    Where a limit depends on a fact that is not known, it is told from the lowest to the highest.
    """
    said = knowledge.readings[reading]
    if said.quantity is None or not (said.normal or said.noisy_or or said.noisy_max):
        return ""
    own, unit = said.quantity.unit, preferred(said.quantity.unit, preferences)
    limits = [_limit_words(limit, case.facts, own, unit) for limit in said.quantity.limits]
    at = list(said.answers).index(said.normal_outcome)
    if not limits:
        return ""
    if at == 0:
        return f"at most {limits[0]} is usual"
    return (
        f"at least {limits[-1]} is usual"
        if at == len(limits)
        else f"{limits[at - 1]} to {limits[at]} is usual"
    )


def _limit_words(limit: float | LimitByFact, facts: Mapping[str, str], own: str, unit: str) -> str:
    if isinstance(limit, LimitByFact):
        known = facts.get(limit.by, "")
        values = [limit.values[known]] if known in limit.values else sorted(set(limit.values.values()))
    else:
        values = [limit]
    first, last = (show(convert(value, own, unit), unit) for value in (values[0], values[-1]))
    return last if first == last else f"{first.removesuffix(unit).rstrip()} to {last}"


def entry_words(knowledge: Knowledge, case: Case, entry: Entry) -> str:  # noqa: C901 - one branch a kind
    """One entry of a case as a line of its story."""
    if isinstance(entry, Known):
        fact = knowledge.facts.get(entry.fact)
        return (
            f"{fact.name}: {fact.in_words(entry.value)}"
            if fact
            else f"{plain(entry.fact)}: {plain(entry.value)}"
        )
    if isinstance(entry, Closed):
        return f"Closed: {cause_words(knowledge, entry)}"
    if isinstance(entry, Reopened):
        ended = case.withdrawn_by(entry)
        if ended is not None and entry.reason == CORRECTION:
            return f"Reopened {CORRECTION}: withdrawn is “{cause_words(knowledge, ended)}”"
        return "Reopened" + (f" ({entry.reason})" if entry.reason else "")
    if isinstance(entry, Cancelled):
        return f"Cancelled: {entry.reason}"
    if isinstance(entry, Accounted):
        return f"Part of the draw: {entry.what}, {entry.measurement.typed}"
    if isinstance(entry, Seen | Measured | Skipped):
        return _reading_words(knowledge, entry) + read_before_words(entry)
    if isinstance(entry, Noted):
        measurand = knowledge.measurands.get(entry.measurand)
        return f"{measurand.name if measurand else plain(entry.measurand)}: {entry.measurement.typed}"
    if isinstance(entry, Prepared | Stated | Ready | Ended):
        setup = knowledge.setups.get(entry.setup)
        name = setup.name if setup else plain(entry.setup)
        if isinstance(entry, Stated):
            return f"In place since {when(entry.since, year=False)}, as stated: {name}"
        if isinstance(entry, Ready):
            return f"Ready sooner than planned: {name}"
        return f"Begun: {name}" if isinstance(entry, Prepared) else f"Ended: {name} ({entry.reason})"
    if isinstance(entry, Acknowledged):
        caution = knowledge.cautions.get(entry.caution)
        return f"Caution read: {caution.name if caution else plain(entry.caution)}"
    if isinstance(entry, Repaired):
        how = f" ({entry.how})" if entry.how else ""
        if case.was_done_before(entry):
            return f"Remedy done again, the first did not hold: {knowledge.title(entry.fault)}{how}"
        return f"Remedy done: {knowledge.title(entry.fault)}{how}"
    if isinstance(entry, Checked):
        return "Checked after the repair: " + (
            "the complaint is gone" if entry.found == GONE else "the complaint is still there"
        )
    if isinstance(entry, Confirmed):
        return f"Complaint, looked for at the car: {entry.found}"
    if isinstance(entry, Finished):
        return finished_words(entry)
    if isinstance(entry, Guessed):
        return f"Guessed before the bench said what it suspects: {knowledge.title(entry.fault)}"
    if isinstance(entry, Booked):
        return f"Booked for {entry.day}" + (f" ({entry.remark})" if entry.remark else "")
    if isinstance(entry, Warned):
        danger = knowledge.dangers.get(entry.danger)
        name = danger.name if danger else plain(entry.danger)
        return f"Danger heard: {name}" + (", the customer was told" if entry.how == TOLD else ", not so")
    if isinstance(entry, SaidByCustomer):
        return f"Customer{', by phone' if entry.where == PHONE else ''}: “{entry.words}”"
    if isinstance(entry, Replayed):
        return f"Weighed by knowledge version {entry.version} from here on ({entry.before} before)"
    taken = _step_words(knowledge, case, entry)
    return f"Taken back: {taken}" + (f" ({entry.reason})" if entry.reason else "")


def finished_words(entry: Finished) -> str:
    """Return whether what has to be done before the car leaves was done, or why it was not."""
    done = f"not done, because: {entry.reason}" if entry.reason else "done"
    return f"Before the car leaves: {entry.what}: {done}"


def cause_words(knowledge: Knowledge, closed: Closed) -> str:
    """Return the cause a job was closed with; one that is not listed in the words of whoever closed it."""
    if closed.in_words:
        return f"{closed.remark} (in words, not one of those listed)"
    return knowledge.title(closed.fault) if closed.fault else "no fault found"


def standing_words(cause: str, probability: float, proved: bool) -> str:
    """Return where an open search stands: its leading cause, and whether that is proved."""
    if proved:
        return f"proved: {cause}, {percent(probability)}"
    if probability >= LIKELY_FROM:
        return f"likely {cause}, {percent(probability)}, not proved"
    return f"still open: {cause} leads, {percent(probability)}"


def group_words(group: str, probability: float, proved: bool) -> str:
    """Return where a search stands that is sure of a group, and of none of its causes."""
    return f"{'proved' if proved else 'likely'}: {group}, {percent(probability)}, which of it is open"


def closed_words(knowledge: Knowledge, case: Case) -> str:
    """Return how a job ended: the cause and whether it was proved, or why it was cancelled."""
    closed, cancelled = case.closed, case.cancelled
    if closed is None:
        return f"cancelled: {cancelled.reason}" if cancelled else ""
    if case.complaint not in knowledge.complaints:
        return f"closed: {closed.remark}"
    how = ""
    if closed.fault in knowledge.faults:
        how = ", proved" if was_seen(knowledge, case, closed.fault) else ", not proved"
    return f"closed: {cause_words(knowledge, closed)}{how}"


def ending_words(knowledge: Knowledge, found: Ending) -> str:
    """Return what a search had come to before the repair: how sure the cause was, and by what."""
    cause = knowledge.title(found.cause) if found.cause else ""
    return {
        "proved": f"Proved: {cause}",
        "group proved": f"Proved: {cause}; which of it is not told",
        "by exclusion": f"By exclusion, not seen itself: {cause}",
        "likely": f"Likely, not proved: {cause}",
        "not found": "No cause stood out",
    }[found.kind]


def _step_words(knowledge: Knowledge, case: Case, entry: TakenBack) -> str:
    if not 1 <= entry.step <= len(case.entries):
        return f"step {entry.step}"
    meant = case.entries[entry.step - 1]
    if isinstance(meant, TakenBack):
        return f"step {entry.step}"
    return f"step {entry.step}, {entry_words(knowledge, case, meant)}"


def confidence_words(confidence: float) -> str:
    """How sure a person was of an answer, where not certain."""
    return "" if confidence == 1 else f" ({percent(confidence)} sure)"


def read_before_words(entry: Entry) -> str:
    """Return which step an answer was read before, where it was entered after it; else ""."""
    before = read_before(entry)
    return f" (read before step {before})" if before else ""


def _reading_words(knowledge: Knowledge, entry: Seen | Measured | Skipped) -> str:
    reading = knowledge.readings.get(entry.reading)
    name = reading.name if reading else plain(entry.reading)
    if isinstance(entry, Measured):
        return f"{name}: {_take_words(knowledge, entry.take)}"
    if isinstance(entry, Skipped):
        return f"{name}: not taken ({entry.reason})"
    answers = reading.answers if reading else {}
    said = answers.get(entry.outcome, plain(entry.outcome))
    by = " (customer, by phone)" if entry.by == CUSTOMER else confidence_words(entry.confidence)
    if entry.take:
        return f"{name}: {_take_words(knowledge, entry.take)}, read too early: {said}{by}"
    return f"{name}: {said}{by}"


def _take_words(knowledge: Knowledge, take: Sequence[Measurement]) -> str:
    """Return what was typed, and what it was taken with."""
    used = {one.instrument for one in take if one.instrument}
    names = [knowledge.instruments[one].name for one in sorted(used) if one in knowledge.instruments]
    return ", ".join(one.typed for one in take) + (f" ({', '.join(names)})" if names else "")


def account_line(found: Account) -> str:
    """Return the account of a draw in one line."""
    mended = f" ({show(found.put_right_ma, 'mA')} of it put right)" if found.put_right else ""
    total, parts = show(found.total.value, "mA"), show(found.found_ma, "mA")
    if found.larger:
        return f"{larger_words(found)} (Key d.)"
    early = EARLY if found.total_name in found.early else ""
    if found.verdict == "contradiction":
        return (
            f"Draw: {total}{early} in all, but {parts} found{mended}: "
            "the figures contradict each other (key d)."
        )
    left = f"{show(found.unexplained.value, 'mA')} unexplained, limit {show(found.limit_ma, 'mA')}"
    more = ": not the whole of it" if found.verdict == "another one" and found.found_ma else ""
    return f"Draw: {total}{early} in all, {parts} found{mended}, {left}{more} (key d)."


EARLY = " (read before the car was asleep)"
"""What is said of a current that was read too early."""


def larger_words(found: Account) -> str:
    """Say that one part carries more than the whole car, and which of the two to repeat."""
    what, part = found.larger[0]
    others = f", and so do {len(found.larger) - 1} more" if len(found.larger) > 1 else ""
    return (
        f"“{what}” carries {show(part.value, 'mA')}, more than the whole car "
        f"({show(found.total.value, 'mA')}){others}: that cannot be. Repeat “{found.repeat}” first."
    )


def account_lines(found: Account | None) -> Iterator[str]:
    """Yield the account of a draw as text."""
    if found is None:
        yield "The account begins with the quiescent current as a number: measure it first."
        return
    early = dict.fromkeys(found.early, EARLY)
    for what, part in found.before:
        yield f"  put right before this total: {what}: {_current(part)}"
    for total in found.earlier:
        yield f"Before the repair   {_current(total)}"
    total_draw = "After the repair" if found.earlier else "Total draw"
    yield f"{total_draw:20}{_current(found.total)}{early.get(found.total_name, '')}"
    for what, part in found.put_right:
        yield f"  found and repaired: {what}: {_current(part)}"
    for what, part in found.parts:
        yield f"  found: {what}: {_current(part)}{early.get(what, '')}"
    for what, behind, part in found.within:
        yield f"  counted already in {behind}: {what}: {_current(part)}"
    yield f"Still unexplained   {_current(found.unexplained)}"
    yield f"Limit               {show(found.limit_ma, 'mA')}"
    yield "For a battery of 60 Ah, left at 90 % and needing 50 % to start (common practice):"
    now, after = (_days(days) for days in (found.days_now, found.days_after))
    if not found.parts and not found.put_right:
        yield f"Days until flat     {now}"
        yield {
            "done": "The draw is within the limit: nothing has to be found.",
            "another one": "Nothing is found yet: measure over fuses, or disconnect one by one.",
            "cannot tell": "The draw may be within the limit or not: measure again, with a finer instrument.",
        }[found.verdict]
        return
    if found.verdict == "contradiction":
        yield f"Days until flat     {now} now"
        if found.larger:
            yield larger_words(found)
        else:
            yield "The figures contradict each other: the parts found are more than the total."
        yield "Check size and rating of each fuse, the meter's zero, and whether a part is counted twice."
        return
    yield f"Days until flat     {now} now, {after} with the parts found put right"
    yield {
        "done": "What is left is within the limit: that is the whole draw.",
        "another one": "What is left is over the limit: there is another one.",
        "cannot tell": "What is left may be within the limit or not: measure again after the repair, "
        "with a finer instrument.",
    }[found.verdict]
    if found.put_right:
        yield "Measure the quiescent current again: it was measured before the repair."


def _days(days: float | None) -> str:
    if days is None or days < 1:
        return "under 1"
    return f"{days:.1f}" if days < 10 else f"{days:.0f}"


def _current(estimate: Estimate) -> str:
    if not estimate.uncertainty:
        return show(estimate.value, "mA")
    return f"{show(estimate.value, 'mA')} ± {show(estimate.uncertainty, 'mA', 2)}"


def disagreement_words(knowledge: Knowledge, found: Disagreement) -> str:
    """Return what does not fit together, and what to repeat."""
    if found.rare_fault is not None:
        return (
            f"These readings rarely come together, but “{knowledge.title(found.rare_fault)}” explains them."
        )
    reading = knowledge.readings[found.repeat]
    return (
        f"The readings disagree. Repeat “{reading.name}”: if the rest is right, "
        f"it should have shown “{reading.answers[found.expected]}”."
    )


def largest_move(knowledge: Knowledge, before: Mapping[str, float], after: Mapping[str, float]) -> str:
    """Return what an entry did to the fault it moved most, in one line; empty where it moved none."""
    fault = max(after, key=lambda one: abs(after[one] - before[one]))
    if abs(after[fault] - before[fault]) < 0.005:
        return ""
    sign = "▲" if after[fault] > before[fault] else "▼"
    return f"{sign} {knowledge.title(fault)} {percent(before[fault])} → {percent(after[fault])}"


def lead_words(knowledge: Knowledge, before: Mapping[str, float], after: Mapping[str, float]) -> str:
    """Return what an entry did to the cause that leads after it, in the words of the bars; "" if nothing."""
    leading = most_probable_first(after)[0]
    led = most_probable_first(before)[0]
    moved = change(before[leading], after[leading], "up", "down")
    if leading == led and not moved:
        return ""
    words = f"{knowledge.title(leading)} {percent(before[leading])} → {percent(after[leading])}"
    overtaken = f"; {knowledge.title(led)} led, now {percent(after[led])}" if led != leading else ""
    return f"{words} ({moved}){overtaken}" if moved else f"{words}{overtaken}"


def effect_words(knowledge: Knowledge, before: Mapping[str, float], after: Mapping[str, float]) -> str:
    """Return what an answer would leave in the lead, or that it changes little."""
    if all(abs(after[one] - before[one]) < LITTLE for one in after):
        return "→ little changes"
    leading = max(after, key=lambda one: after[one])
    return f"→ {percent(after[leading])} {knowledge.title(leading)}"
