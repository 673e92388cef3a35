"""The service desk: a customer on the phone, what to ask and to book, and the bench that goes on with it."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from advisor.bench.session import Engines
from advisor.case.entries import ASKED, CUSTOMER, NOT_KNOWN, Booked, Seen, Skipped
from advisor.desk.booking import NOT_DRIVEN, BookingSheet, SetupNeeded
from advisor.desk.bookingsheet import overview_lines
from advisor.desk.call import INSPECTION, Call, appointments, heard
from advisor.desk.questions import questions
from advisor.desk.schedule import overview, read_back
from advisor.knowledge.knowledge import Knowledge
from advisor.screens.app import AdvisorApp
from advisor.screens.bench.task import TaskScreen
from advisor.screens.desk.call import CallScreen
from advisor.screens.desk.callstart import CallStartScreen
from advisor.screens.desk.complaints import NONE_OF_THESE, ComplaintsScreen
from advisor.screens.desk.days import GO_TO_A_CAR, DeskScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.paper import MarkdownView, in_lines, place_kept
from advisor.screens.widgets.pick import Select
from advisor.screens.widgets.ticks import TickList
from advisor.screens.widgets.typing import LineScreen
from advisor.settings import Settings
from advisor.store.errors import StaleWrite
from advisor.store.store import Store
from tests.test_screens import KNOWLEDGE, NOTHING_SET, SMALL, listed, running, said, settled, text_of, until

NOON = datetime(2030, 1, 15, 12, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """The store that desk and bench share, at a fixed time."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}", clock=lambda: NOON)
    yield store
    store.close()


@pytest.fixture(scope="module")
def engines(shipped: Knowledge) -> Engines:
    """The shipped networks as the desk needs them."""
    return Engines(shipped, by_phone=True)


@pytest.fixture
def wet(engines: Engines, store: Store) -> Call:
    """A call about a wet carpet."""
    return Call.begun(engines, store, "red van", ["water_inside"])


def test_the_complaint_is_found_in_the_customers_words(shipped: Knowledge) -> None:
    """What people say leads to the complaint; several at once are found as well."""
    assert heard(shipped, "it is dead in the morning").complaints[0] == "flat_battery"
    assert heard(shipped, "my carpet is wet").complaints[0] == "water_inside"
    assert heard(shipped, "it whistles at speed").complaints[0] == "wind_noise"
    assert heard(shipped, "blows cold").complaints[0] == "no_heat"
    assert {"water_inside", "wind_noise"} <= set(heard(shipped, "wet carpet and whistles").complaints)


@pytest.mark.parametrize(
    ("words", "complaints"),
    [
        ("won't start in the morning", ("flat_battery",)),
        ("won't start every other morning, the battery is two years old", ("flat_battery",)),
        ("hissing air con", ("poor_cooling",)),
        ("the air con smells", ("smell",)),
    ],
)
def test_only_what_shares_a_meaningful_word_is_offered(
    shipped: Knowledge, words: str, complaints: tuple[str, ...]
) -> None:
    """Not misting glass for the morning, nor heat on one side for every other one (invented)."""
    assert heard(shipped, words).complaints == complaints


def test_the_family_is_asked_for_where_the_words_are_unclear(shipped: Knowledge) -> None:
    """Nothing fits: a short question for each family, and every complaint to tick."""
    found = heard(shipped, "it is broken")
    assert {one.family for one in found.ask} == {"drain", "ingress", "climate"}
    assert set(found.complaints) == set(shipped.complaints)


def test_what_is_normal_needs_no_booking(shipped: Knowledge) -> None:
    """Clear water under the car after cooling: what to tell, before anything is booked."""
    (found,) = heard(shipped, "clear water drips under the car").harmless
    assert "needs no visit" in shipped.harmless[found].tell
    assert heard(shipped, "wet carpet").harmless == ()


def test_an_answer_is_weaker_on_the_phone_and_replaced_at_the_car(wet: Call, shipped: Knowledge) -> None:
    """The desk's answer counts with its own likelihood; the technician's, taken again, replaces it."""
    question = wet.next.question
    assert question is not None
    outcome = list(question.answers)[-1]
    call = wet.answered(question.reading, outcome)
    (entry,) = call.jobs[0].case.entries
    assert isinstance(entry, Seen)
    assert (entry.by, entry.confidence) == (CUSTOMER, shipped.readings[question.reading].right_by_phone)
    filed = call.store.append(call.jobs[0], Seen(question.reading, outcome))
    assert filed.case.by_customer == frozenset()
    assert filed.case.outcomes == {question.reading: outcome}


def test_two_complaints_are_asked_together_and_nothing_twice(engines: Engines, store: Store) -> None:
    """An answer goes to both cases where it bears on both; no question comes again."""
    call = Call.begun(engines, store, "red van", ["water_inside", "misting_glass"])
    asked = []
    while (question := call.next.question) is not None:
        asked.append(question.reading)
        call = call.answered(question.reading, next(iter(question.answers)))
    assert len(asked) == len(set(asked)) > 3
    shared = [one for one in asked if all(one in job.case.outcomes for job in call.jobs)]
    assert shared
    assert [job.case.complaint for job in store.cases()] == ["misting_glass", "water_inside"]


def test_undo_takes_back_the_last_answer_everywhere(engines: Engines, store: Store) -> None:
    """Both cases forget it, and keep the record; undoing nothing changes nothing."""
    call = Call.begun(engines, store, "red van", ["water_inside", "misting_glass"])
    assert call.undone() is call
    question = call.next.question
    assert question is not None
    after = call.answered(question.reading, next(iter(question.answers))).undone()
    assert after.asked == ()
    assert after.next == call.next
    assert max(len(job.case.entries) for job in after.jobs) == 2


def stopped_at(at: datetime) -> Callable[[], datetime]:
    """A clock that stands still."""
    return lambda: at


def test_undo_goes_by_the_order_of_the_answers_and_not_by_the_clock(engines: Engines, store: Store) -> None:
    """The clock is set back an hour between two answers: the second one is taken back all the same."""
    call = Call.begun(engines, store, "red van", ["water_inside", "misting_glass"])
    asked = []
    for at in (NOON, NOON - timedelta(hours=1)):
        store.clock = stopped_at(at)
        question = call.next.question
        assert question is not None
        asked.append(question.reading)
        call = call.answered(question.reading, next(iter(question.answers)))
    assert call.undone().asked == (asked[0],)


def test_an_answer_to_two_complaints_is_saved_on_both_or_none(engines: Engines, store: Store) -> None:
    """The bench has gone on with one job: nothing on the other either, until it is looked at again."""
    call = Call.begun(engines, store, "red van", ["water_inside", "misting_glass"])
    call = replace(call, jobs=store.append_each(*((job, ()) for job in call.jobs)))
    bench = store.append(call.jobs[1], Seen("musty_smell", "none"))
    with pytest.raises(StaleWrite):
        call.knows({"roof_glass": "opens"})
    assert [one.entries for one in store.cases()] == [1, 0]
    again = call.refreshed()
    assert again.jobs == (call.jobs[0], bench)
    assert [job.case.facts for job in again.knows({"roof_glass": "opens"}).jobs] == [
        {"roof_glass": "opens"}
    ] * 2


def test_an_unknown_answer_passes_over_the_question(wet: Call) -> None:
    """The question is passed over and not asked again."""
    question = wet.next.question
    assert question is not None
    call = wet.unknown(question.reading)
    assert call.jobs[0].case.entries == (Skipped(question.reading, NOT_KNOWN),)
    assert call.next.question is None or call.next.question.reading != question.reading


def test_cars_that_stand_overnight_come_the_evening_before(engines: Engines, store: Store) -> None:
    """A drain that needs a night of standing, booked for tomorrow: it comes this evening."""
    call = Call.begun(engines, store, "blue estate", ["flat_battery"])
    tomorrow = (NOON + timedelta(days=1)).date()
    call = call.booked(tomorrow.isoformat(), "")
    found = appointments(engines, store, NOON.date(), lambda: False)
    assert found is not None
    text = "\n".join(overview_lines(overview(found, NOON.date())))
    assert "Wednesday 16 January, tomorrow" in text
    assert "1 blue estate: Battery flat after standing" in text
    assert call.sheets[0].overnight
    assert "  Tue evening: 1 blue estate, stays the night, for Wed" in text


def test_the_sheet_for_a_booking_system_is_json(wet: Call) -> None:
    """Tag and one sheet for each complaint, minutes and all."""
    kept = json.loads(wet.sheet("json"))
    assert kept["tag"] == "red van"
    (sheet,) = kept["sheets"]
    assert sheet["complaint"] == "water_inside"
    assert sheet["minutes"]["total"]["p80"] >= sheet["minutes"]["total"]["expected"] * 0.5


def desk_is_up(pilot: Pilot[None]) -> Callable[[object], bool]:
    """Whether the desk shows that nobody is booked yet."""
    return lambda screen: (
        isinstance(screen, DeskScreen)
        and any(words in text_of(pilot) for words in ("Nobody is booked", "Closed."))
    )


@asynccontextmanager
async def at_desk(
    tmp_path: Path, size: tuple[int, int] = SMALL, url: str = "", settings: Settings = NOTHING_SET
) -> AsyncIterator[Pilot[None]]:
    """The desk's screens on the shipped knowledge, their cases in a file or in another database."""
    url = url or f"sqlite:///{tmp_path / 'cases.sqlite'}"
    app = AdvisorApp([KNOWLEDGE], frozenset(), url, desk=True, settings=settings)
    async with app.run_test(size=size, notifications=True) as pilot:
        await until(pilot, desk_is_up(pilot))
        yield pilot


async def call_started(pilot: Pilot[None], tag: str, words: str) -> CallStartScreen:
    """The start of a new call, with tag and words filled in."""
    await pilot.press("n")
    await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
    screen = pilot.app.screen
    assert isinstance(screen, CallStartScreen)
    screen.query_one("#tag", Input).value = tag
    screen.query_one("#words", Input).value = words
    await settled(pilot)
    return screen


async def called(pilot: Pilot[None], tag: str, words: str) -> CallScreen:
    """A new call, as far as its first question."""
    start = await call_started(pilot, tag, words)
    start.query_one("#complaints").focus()
    await pilot.press("space", "f10")
    await until(pilot, lambda screen: isinstance(screen, CallScreen))
    screen = pilot.app.screen
    assert isinstance(screen, CallScreen)
    return screen


async def test_a_call_from_the_words_to_the_booking_and_the_bench(tmp_path: Path) -> None:
    """Three answers, the sheet, booked for tomorrow; the bench has it all and asks nothing twice."""
    async with at_desk(tmp_path) as pilot:
        screen = await called(pilot, "red van", "wet carpet")
        for key in ("1", "0", "2"):
            await pilot.press(key)
            await settled(pilot)
        asked = screen.call.asked
        assert len(asked) == 3
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        sheet = pilot.app.screen.query_one(MarkdownView)
        await until(pilot, lambda screen: "Times are from simulated cars" in " ".join(sheet.source.split()))
        await settled(pilot)
        assert said(pilot, "#booking").startswith("To book: red van · ")
        await pilot.press("m")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen) and "red van" in text_of(pilot))
        tomorrow = read_back(date.today() + timedelta(days=1), date.today())
        await settled(pilot)
        assert said(pilot, "#booked") == f"red van is booked for {tomorrow}."
    async with running(KNOWLEDGE, tmp_path, (110, 40)) as pilot:
        await until(pilot, listed)
        await pilot.press("slash", *"red", "enter")
        assert "tomorrow" in text_of(pilot)
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        await pilot.press("escape")
        await until(pilot, listed)
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        assert isinstance(list(task.session.case.counting.values())[-1], Booked)
        assert task.session.case.by_customer == set(asked) - set(task.session.case.skipped)
        assert not {one.reading for one in task.session.advice.proposals} & set(asked)
        assert "(customer, by phone)" in " ".join(text_of(pilot).split())


async def test_times_that_come_after_the_sheet_was_left_change_nothing(tmp_path: Path) -> None:
    """A sheet is closed while its cars are played; what comes of them then has nowhere to go."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        await called(pilot, "red van", "wet carpet")
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        sheet = pilot.app.screen
        assert isinstance(sheet, SheetScreen)
        pilot.app.pop_screen()
        await sheet.remove_children()
        await asyncio.to_thread(sheet.from_thread, sheet.worked_out)
        assert not isinstance(pilot.app.screen, SheetScreen)


async def test_a_car_is_booked_before_its_times_are_worked_out(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that needs no played cars is on the sheet at once, with a count where the times will be."""
    go_on = threading.Event()

    def slow(call: Call, progress: Callable[[int, int], None]) -> tuple[BookingSheet, ...]:
        progress(120, 400)
        assert go_on.wait(60)
        progress(121, 400)
        raise AssertionError("not ended")  # the sheet was left by then

    monkeypatch.setattr(Call, "played", slow)
    try:
        async with at_desk(tmp_path, (80, 24)) as pilot:
            await called(pilot, "red van", "wet carpet")
            await pilot.press("b")
            await until(pilot, lambda screen: isinstance(screen, SheetScreen))
            await until(pilot, lambda _: "120 of 400 cars" in said(pilot, "#booking"))
            sheet = pilot.app.screen.query_one(MarkdownView)
            await until(pilot, lambda _: "wet carpet" in sheet.source)
            assert "working out how long it takes" in sheet.source
            shown = pilot.app.screen
            assert isinstance(shown, SheetScreen)
            shown.book(shown.here_today)
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            assert "not worked out yet" in text_of(pilot)
            await pilot.press("2")
            await until(pilot, lambda screen: isinstance(screen, DeskScreen))
            go_on.set()
            assert store.cases()[0].case.booked is not None
            await until(pilot, lambda _: "red van is booked for" in said(pilot, "#booked"))
    finally:
        go_on.set()


async def test_a_typed_day_waits_for_the_times_and_the_sheet_does_not_jump(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How a day is typed stands beside it; one that has to wait is booked by itself once all is known."""
    go_on = threading.Event()

    def slow(call: Call, progress: Callable[[int, int], None]) -> tuple[BookingSheet, ...]:
        progress(120, 400)
        assert go_on.wait(60)
        vars(call)["sheets"] = tuple(replace(one, is_worked_out=True) for one in call.sheets_at_once)
        return call.sheets

    monkeypatch.setattr(Call, "played", slow)
    try:
        async with at_desk(tmp_path, (80, 24)) as pilot:
            await called(pilot, "red van", "wet carpet")
            await pilot.press("b")
            await until(pilot, lambda screen: isinstance(screen, SheetScreen))
            sheet = pilot.app.screen.query_one(MarkdownView)
            await until(pilot, lambda _: "wet carpet" in sheet.source)
            assert "3 Dec, 03.12. or Friday" in said(pilot, "#says")
            await until(pilot, lambda _: sheet.max_scroll_y > 8)
            sheet.scroll_to(y=8, animate=False)
            await until(pilot, lambda _: sheet.scroll_offset.y == 8)
            at = sheet.lines[sheet.scroll_offset.y].text
            await pilot.press("d", *"7.30")
            await until(pilot, lambda _: "'7.30' is a time. Write the day" in said(pilot, "#says"))
            pilot.app.screen.query_one("#day", Input).value = "today at 7.30"
            await until(pilot, lambda _: "today, at 7:30: Enter books it." in said(pilot, "#says"))
            await pilot.press("enter")
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            pilot.app.screen.dismiss("wait")
            await until(pilot, lambda screen: isinstance(screen, SheetScreen))
            await until(pilot, lambda _: "is booked as soon as" in said(pilot, "#says"))
            assert sheet.scroll_offset.y
            assert sheet.lines[sheet.scroll_offset.y].text == at
            assert store.cases() == []
            go_on.set()
            await until(pilot, lambda screen: isinstance(screen, DeskScreen))
            booked = store.cases()[0].case.booked
            assert booked is not None
            assert (booked.day, booked.remark) == (str(date.today()), "at 7:30")
    finally:
        go_on.set()


def test_lines_that_come_above_do_not_move_what_is_read() -> None:
    """The first words in view stay where they were, whatever came before them; gone words move nothing."""
    before = in_lines("# A\n\nOne.\n\nTwo.\n\nThree.\n", 40)
    after = in_lines("# A\n\nOne.\n\nNew.\n\nNew too.\n\nTwo.\n\nThree.\n", 40)
    words = [[line.text.strip() for line in lines] for lines in (before, after)]
    at = words[0].index("Two.")
    assert place_kept(before, after, at) == words[1].index("Two.")
    assert place_kept(before, after, at - 1) == words[1].index("Two.") - 1
    assert place_kept(before, in_lines("Other.", 40), at) == at


async def test_a_car_that_comes_too_late_for_its_night_is_asked_about(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Today's evening before is over: a later day with an evening is offered, and booked by its digit."""
    night = SetupNeeded("cold", "Cold", 0.9, 600.0, None, "overnight")

    def at_once(call: Call, progress: Callable[[int, int], None]) -> tuple[BookingSheet, ...]:
        made = tuple(replace(one, setups=(night,), is_worked_out=True) for one in call.sheets_at_once)
        vars(call)["sheets"] = made
        return made

    monkeypatch.setattr(Call, "played", at_once)
    async with at_desk(tmp_path, (80, 24)) as pilot:
        await called(pilot, "red van", "wet carpet")
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        await until(
            pilot,
            lambda _: "until closing" in said(pilot, "#booking") or "Too late" in said(pilot, "#booking"),
        )
        await settled(pilot)
        await pilot.press("t")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "Too late for today" in " ".join(text_of(pilot).split())
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
        booked = store.cases()[0].case.booked
        assert booked is not None
        assert booked.day > str(date.today())


async def test_a_closed_day_is_refused_and_the_next_open_one_is_a_key_away(
    tmp_path: Path, store: Store
) -> None:
    """Today and tomorrow are closed: both are refused by name, and "m" says and books the day after."""
    today = date.today()
    days = tuple(str(today + timedelta(days=ahead)) for ahead in (0, 1))
    after = today + timedelta(days=2)
    async with at_desk(tmp_path, (80, 24), settings=Settings(closed_days=days)) as pilot:
        await called(pilot, "red van", "it whistles at speed")
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen) and screen.so_far is None)
        await settled(pilot)
        assert f"{after:%a} {after.day} {after:%b}" in text_of(pilot)
        await pilot.press("t")
        refused = f"The next open day is {read_back(after, today)}."
        await until(pilot, lambda _: refused in " ".join(said(pilot, "#says").split()))
        await pilot.press("d", *"tomorrow")
        assert refused in " ".join(said(pilot, "#says").split())
        await pilot.press("enter", "escape")
        assert store.cases() == []
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen) and screen.so_far is None)
        await pilot.press("m")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
        await settled(pilot)
        assert said(pilot, "#booked") == f"red van is booked for {read_back(after, today)}."


async def test_which_lamp_it_is_may_be_answered_by_none_at_all(tmp_path: Path) -> None:
    """The caller looks, and nothing is lit: a line says so, and the danger is settled as asked."""
    async with at_desk(tmp_path, (120, 40)) as pilot:
        screen = await call_started(pilot, "red van", "there is a red light on")
        heard = [one.danger for one in screen.dangers.open]
        assert heard == ["red_lamp"]
        await pilot.press("f9")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        shown = pilot.app.screen
        assert isinstance(shown, ChoiceScreen)
        digit = next(str(at) for at, (_, line) in enumerate(shown.lines, 1) if "nothing is lit" in line)
        await pilot.press(digit)
        await until(pilot, lambda now: now is screen)
        await settled(pilot)
        assert screen.dangers.settled == {"red_lamp": ASKED}


async def test_nothing_that_is_typed_is_cut_without_a_word(tmp_path: Path) -> None:
    """A long tag is kept in its field and refused with its length; a full field says so in its label."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        long_tag, long_words = "blue-estate-" * 8, "wet carpet, " * 60
        screen = await call_started(pilot, "", long_words)
        tag, words = screen.query_one("#tag", Input), screen.query_one("#words", Input)
        tag.focus()
        await pilot.press(*long_tag)
        await settled(pilot)
        assert (tag.value, words.value) == (long_tag, long_words)
        screen.query_one("#complaints").focus()
        await pilot.press("space", "f10")
        await settled(pilot)
        assert pilot.app.screen is screen
        assert said(pilot, "#notice") == "The tag has 96 letters, and 80 fit. Shorten it."
        words.value = "w" * 1000
        await settled(pilot)
        assert "Full at 1000" in text_of(pilot)
        words.value = "wet"
        await settled(pilot)
        assert "Full at" not in text_of(pilot)


async def test_what_was_heard_of_the_car_is_asked_to_be_right_before_anything_else(tmp_path: Path) -> None:
    """In the sentence and in the tag; one key enters it, and nothing is asked that is not on such a car."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await called(pilot, "blue hybrid", "dead in the morning since they fitted a dash cam")
        shown = " ".join(text_of(pilot).split())
        assert "Is this right?" in shown
        assert said(pilot, "#words") == "“dead in the morning since they fitted a dash cam”"
        assert "Fuel type: Hybrid" in shown
        assert "Equipment added after the car was built: Camera or tracker" in shown
        assert "Ask: When you try to start" not in shown
        await pilot.press("1")
        await settled(pilot)
        known = {"powertrain": "hybrid", "added_equipment": "camera_or_tracker"}
        assert screen.call.jobs[0].case.facts == known
        left = {one.reading for one in questions(screen.call.knowledge, screen.call.weighed)}
        assert not left & {"click_or_slow", "lamps_dim", "accessory_work"}
        assert "pointless" not in text_of(pilot)


async def test_a_fact_in_the_sentence_is_offered_and_the_question_stays(tmp_path: Path) -> None:
    """Left open it is still marked on the form, entered with F10 only, and the question does not change."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await called(pilot, "red van", "dead in the morning, the battery is two years old")
        assert "Age of battery: Two to five years" in " ".join(text_of(pilot).split())
        await pilot.press("0")
        await settled(pilot)
        question = screen.call.next.question
        assert question is not None
        assert "Heard, not confirmed: age of battery: two to five years. f to confirm." in " ".join(
            said(pilot, "#causes").split()
        )
        assert "So far: Too early to say: it can be several things; the workshop measures." in " ".join(
            text_of(pilot).split()
        )
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        shown = " ".join(text_of(pilot).split())
        assert "The customer said: “dead in the morning, the battery is two years old”" in shown
        assert "heard: Two to five years, right?" in shown
        assert screen.call.jobs[0].case.facts == {}
        await pilot.press("f10")
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        await settled(pilot)
        assert screen.call.jobs[0].case.facts == {"battery_age": "two_to_five_years"}
        assert screen.call.next.question is not None
        assert screen.call.next.question.reading == question.reading
        assert "Heard, not" not in text_of(pilot)
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        form = pilot.app.screen
        assert isinstance(form, FactsScreen)
        assert form.known == {"battery_age": "two_to_five_years"}  # and may be put right


async def test_the_list_of_a_field_begins_at_what_is_chosen_so_far(tmp_path: Path) -> None:
    """Marked in words as well, not by colour alone; Enter keeps it, ↓ and Enter take the next one."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await called(pilot, "red van", "dead in the morning, the battery is two years old")
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        field = pilot.app.screen.query_one("#fact-battery_age", Select)
        field.focus()
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await settled(pilot)
        assert "3 Two to five years  ← so far" in text_of(pilot)
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        assert field.value == "two_to_five_years"
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await settled(pilot)
        await pilot.press("down", "enter", "f10")
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        await settled(pilot)
        assert screen.call.jobs[0].case.facts == {"battery_age": "over_five_years"}


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40)])
async def test_another_complaint_is_chosen_in_a_call(
    tmp_path: Path, store: Store, size: tuple[int, int]
) -> None:
    """By a key that is shown; the answers stay and the first job is open no more."""
    async with at_desk(tmp_path, size) as pilot:
        screen = await called(pilot, "red van", "wet carpet")
        await pilot.press("1")
        await settled(pilot)
        asked = screen.call.asked
        await pilot.press("c")
        await until(pilot, lambda screen: isinstance(screen, ComplaintsScreen))
        ticks = pilot.app.screen.query_one(TickList)
        assert ticks.ticked == {"water_inside"}
        await pilot.press("space", "f10")
        await until(pilot, lambda _: "No complaint is ticked. Tick one." in said(pilot, "#says"))
        ticks.highlighted = ticks.get_option_index("misting_glass")
        await pilot.press("space", "f10")
        await until(pilot, lambda now: now is screen and screen.call.jobs[0].case.complaint != "water_inside")
        await settled(pilot)
        assert screen.call.knowledge.complaints["misting_glass"].name in " ".join(text_of(pilot).split())
        assert set(screen.call.asked) <= set(asked)
        assert {job.case.complaint: job.case.is_open for job in store.cases()} == {
            "misting_glass": True,
            "water_inside": False,
        }


async def test_a_call_turns_out_to_fit_no_complaint(tmp_path: Path, store: Store) -> None:
    """It is an inspection with the words; a new complaint beside "None of these" is refused."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        await called(pilot, "red van", "wet carpet")
        await pilot.press("c")
        await until(pilot, lambda screen: isinstance(screen, ComplaintsScreen))
        ticks = pilot.app.screen.query_one(TickList)
        await settled(pilot)
        assert "None of these" in str(ticks.options[-1].prompt)
        ticks.highlighted = ticks.option_count - 1
        await pilot.press("space", "up", "space", "f10")
        assert "beside a new complaint" in " ".join(said(pilot, "#says").split())
        await pilot.press("space", "f10")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen) and screen.so_far is None)
        await settled(pilot)
        await pilot.press("m")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
        (job,) = store.cases()
        assert (job.case.complaint, job.case.customer_words) == (INSPECTION, ("wet carpet",))


async def test_escape_leaves_the_warnings_in_full_for_the_question(tmp_path: Path) -> None:
    """The second one leaves the call."""
    async with at_desk(tmp_path, (80, 24)) as pilot:
        screen = await called(pilot, "red van", "dead in the morning")
        await pilot.press("1")
        await settled(pilot)
        told = screen.query_one("#told")
        await pilot.press("w")
        await settled(pilot)
        assert told.has_class("whole")
        await pilot.press("escape")
        await settled(pilot)
        assert pilot.app.screen is screen
        assert not told.has_class("whole")
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))


async def test_a_long_sentence_is_shown_whole(tmp_path: Path) -> None:
    """Over several lines below its field, on a small screen as well."""
    sentence = " ".join(["the carpet is wet behind the driver and it smells"] * 3) + " every morning"
    async with at_desk(tmp_path, (80, 24)) as pilot:
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        words = pilot.app.screen.query_one("#words", Input)
        whole = pilot.app.screen.query_one("#whole")
        words.value = "wet"
        await settled(pilot)
        assert not whole.display
        words.value = sentence
        await settled(pilot)
        assert sentence in " ".join(text_of(pilot).split())


async def test_the_customer_is_warned_at_once(tmp_path: Path) -> None:
    """What may be dangerous is on the screen as soon as the answer is given."""
    async with at_desk(tmp_path, (100, 30)) as pilot:
        screen = await called(pilot, "red van", "dead in the morning")
        screen.change(lambda: screen.call.answered("charge_lamp", "noticed"))
        await settled(pilot)
        assert "⚠ Tell at once:" in text_of(pilot)
        said = str(screen.query_one("#warn", Static).content)
        assert screen.call.knowledge.readings["charge_lamp"].warn["noticed"] in said


async def test_the_desk_is_a_key_away_from_the_jobs(tmp_path: Path) -> None:
    """One program for bays and desks: key p on the first screen, escape back."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("p")
        await until(pilot, desk_is_up(pilot))
        await pilot.press("escape")
        await until(pilot, listed)


async def test_ticks_are_letters(tmp_path: Path) -> None:
    """What is ticked reads [x], what is not [ ]: colour alone would not tell."""
    async with at_desk(tmp_path) as pilot:
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        complaints = pilot.app.screen.query_one("#complaints", OptionList)
        complaints.focus()
        await pilot.press("space", "down", "enter")
        await settled(pilot)
        shown = text_of(pilot)
        assert shown.count("[x]") == 2
        assert shown.count("[ ]") == 9


async def test_a_call_begins_with_what_is_ticked_and_is_kept_once_answered(
    tmp_path: Path, store: Store
) -> None:
    """F10 with nothing ticked says so; a call that is left without an answer leaves nothing."""
    async with at_desk(tmp_path) as pilot:
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        await pilot.press(*"red van", "f10")
        await settled(pilot)
        assert isinstance(pilot.app.screen, CallStartScreen)
        assert "No complaint is ticked" in text_of(pilot)
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await until(pilot, desk_is_up(pilot))
        await called(pilot, "red van", "wet carpet")
        await pilot.press("enter")
        await settled(pilot)
        await pilot.press("escape")
        await until(pilot, desk_is_up(pilot))
        assert store.cases() == []
        screen = await called(pilot, "red van", "wet carpet")
        await pilot.press("1")
        await settled(pilot)
        assert store.cases() == list(screen.call.jobs)


async def test_a_danger_outside_the_knowledge_is_booked_found_again_and_closed(tmp_path: Path) -> None:
    """No untrue tick; listed at the desk with what is done, on the first screen with its day."""
    async with at_desk(tmp_path, (120, 40)) as pilot:
        screen = await call_started(pilot, "red van", "the brake pedal is spongy")
        ticks = screen.query_one(TickList)
        assert ticks.get_option_at_index(0).id == NONE_OF_THESE
        ticks.focus()
        await pilot.press("f9", "space", "f10")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        day = pilot.app.screen.query_one("#day", Input)
        day.value = "2020-01-31"
        await settled(pilot)
        assert "Friday 31 January 2020 is past." in said(pilot, "#says")
        day.value = "tomorrow"
        day.focus()
        await settled(pilot)
        tomorrow = read_back(date.today() + timedelta(days=1), date.today())
        assert said(pilot, "#says") == f"{tomorrow}: Enter books it."
        await pilot.press("enter")
        await until(
            pilot, lambda screen: isinstance(screen, DeskScreen) and "DANGER, 1 red van" in text_of(pilot)
        )
        shown = " ".join(text_of(pilot).split())
        assert 'General inspection, "the brake pedal is spongy"' in shown
        assert f"{NOT_DRIVEN} DANGER Brakes fail: Tell whoever recovers it" in shown
        assert "Nobody is booked." in shown  # today
        await settled(pilot)
        await pilot.press("down", "down", "enter")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
    async with running(KNOWLEDGE, tmp_path, (120, 40)) as pilot:
        await until(pilot, listed)
        assert "DANGER red van" in text_of(pilot)
        assert "tomorrow" in text_of(pilot)
        assert "Job 1 · General inspection" in text_of(pilot)
        assert "May be driven: no." in text_of(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await until(pilot, lambda screen: listed(screen) and "CLOSED" in text_of(pilot))
        assert "COMING" not in text_of(pilot)


async def test_a_call_left_half_way_is_listed_and_goes_on_also_by_its_tag(tmp_path: Path) -> None:
    """At the desk as begun and not booked; the same tag again says so and offers it."""
    async with at_desk(tmp_path, (120, 40)) as pilot:
        screen = await called(pilot, "red van", "wet carpet")
        await pilot.press("1")
        await settled(pilot)
        asked = screen.call.asked
        await pilot.press("escape")
        await until(
            pilot, lambda screen: isinstance(screen, DeskScreen) and "Begun, not booked" in text_of(pilot)
        )
        await settled(pilot)
        await pilot.press("tab")
        await settled(pilot)
        await pilot.press("r")
        await settled(pilot)
        assert pilot.app.screen.query_one("#overview", OptionList).highlighted is not None
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        again = pilot.app.screen
        assert isinstance(again, CallScreen)
        assert again.call.answered_readings == asked
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, DeskScreen))
        await settled(pilot)
        start = await call_started(pilot, "Red Van", "no heat")
        start.query_one("#complaints").focus()
        await pilot.press("space", "f10")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        shown = " ".join(text_of(pilot).split())
        assert "An open job has this tag already" in shown
        assert "Go on with 1 red van: Water inside the car, not booked" in shown
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, CallScreen))
        third = pilot.app.screen
        assert isinstance(third, CallScreen)
        assert third.call.answered_readings == asked


async def test_no_message_about_a_car_stays_once_one_is_gone_to(tmp_path: Path, store: Store) -> None:
    """And the sheet names the car while it is worked out."""
    store.append(store.draft("red van", INSPECTION), Booked(str(date.today()), ""))
    async with at_desk(tmp_path) as pilot:
        await until(pilot, lambda _: "1 red van" in text_of(pilot))
        await settled(pilot)
        await pilot.press("b")
        assert said(pilot, "#says") == GO_TO_A_CAR
        await pilot.press("down")
        await settled(pilot)
        assert "This is advice" in said(pilot, "#says")
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))
        assert "Booking sheet of red van" in text_of(pilot)


async def test_a_sheet_is_saved_under_a_path_that_is_typed(tmp_path: Path, store: Store) -> None:
    """A folder keeps the name; it says where it was saved; one that is there is not written over."""
    store.append(store.draft("red van", INSPECTION), Booked(str(date.today()), ""))
    folder = tmp_path / "sheets"
    folder.mkdir()
    async with at_desk(tmp_path) as pilot:
        await until(pilot, lambda _: "1 red van" in text_of(pilot))
        await settled(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, SheetScreen))

        async def saved_as(path: Path) -> None:
            await pilot.press("o")
            await until(pilot, lambda screen: isinstance(screen, LineScreen))
            pilot.app.screen.query_one("#line", Input).value = str(path)
            await pilot.press("enter")
            await until(pilot, lambda screen: isinstance(screen, SheetScreen))
            await settled(pilot)

        await saved_as(folder)
        await until(pilot, lambda _: f"Saved as {folder}/booking-1.html." in said(pilot, "#says"))
        assert "General inspection" in (folder / "booking-1.html").read_text(encoding="utf-8")
        await saved_as(folder)
        assert "already. Nothing was saved. Give it another name." in said(pilot, "#says")
        await saved_as(tmp_path / "nowhere" / "sheet.html")
        assert said(pilot, "#says").startswith(f"There is no folder {tmp_path / 'nowhere'}.")
    assert [one.name for one in folder.iterdir()] == ["booking-1.html"]


async def test_ctrl_c_says_how_the_desk_is_left(tmp_path: Path) -> None:
    """Whoever tries to leave as in other programs is told the key, and nothing ends."""
    async with at_desk(tmp_path) as pilot:
        await settled(pilot)
        await pilot.press("ctrl+c")
        await settled(pilot)
        assert "Ctrl+Q leaves the program; everything is saved." in " ".join(text_of(pilot).split())
