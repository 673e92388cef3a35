"""The list of jobs: groups by what can be done now, minutes or a time at each end, one job told whole."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from textual.content import Content
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from advisor.advice.rules import Workshop
from advisor.bench.handover import done_lines, handover, wait_of
from advisor.bench.session import Engines, Session
from advisor.bench.wording import closed_words, standing_words
from advisor.case.case import Case
from advisor.case.entries import (
    CUSTOMER,
    Booked,
    Cancelled,
    Closed,
    Confirmed,
    Entry,
    Known,
    Prepared,
    Repaired,
    SaidByCustomer,
    Seen,
    Warned,
)
from advisor.checks.lint import checked
from advisor.desk.call import has_begun
from advisor.screens.bench.jobs import JobLine, job_words
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.start import StartScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.store.store import Store
from tests.test_bench import hum, store
from tests.test_screens import KNOWLEDGE, door, listed, running, said, settled, text_of, until, words

__all__ = ["door", "hum", "store"]

SIZES = [(60, 20), (80, 24), (120, 40), (200, 60)]
WIDE = (120, 40)
TODAY = date.today()


def ago(minutes: float) -> str:
    """Return a time so many minutes ago."""
    return (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat()


def filled(store: Store) -> None:
    """Store a job of every kind."""
    store.append(store.draft("silver hatch", "hum"), Seen("glow", "glows"), Closed("lamp", ""))
    store.append(store.draft("blue coupe", "hum"), Cancelled("done elsewhere", ""))
    tomorrow = str(TODAY + timedelta(days=1))
    called = SaidByCustomer("phone", "it hums by itself"), Seen("hiss", "hisses", by=CUSTOMER)
    store.append(store.draft("green saloon", "hum"), *called, Booked(tomorrow, "8:30"))
    store.append(store.draft("black estate", "hum"), Warned("x", "told"), Booked(str(TODAY), "17:30"))
    store.append(store.draft("grey saloon", "hum"), Seen("click", "silent"), Prepared("asleep", ago(16)))
    store.append(store.draft("blue estate", "hum"), Seen("glow", "glows"))


def option_of(pilot: Pilot[None], key: str) -> str:
    """Return the words of a job in the list."""
    return " ".join(str(pilot.app.screen.query_one("#jobs", OptionList).get_option(key).prompt).split())


async def ready(pilot: Pilot[None]) -> StartScreen:
    """Wait for the list with where every job stands."""
    await until(pilot, listed)
    await settled(pilot)
    screen = pilot.app.screen
    assert isinstance(screen, StartScreen)
    return screen


async def test_jobs_stand_below_what_can_be_done_with_them(hum: Path, tmp_path: Path, store: Store) -> None:
    """Ready, waiting, coming by day, closed, cancelled; each line ends in minutes or a time."""
    filled(store)
    async with running(hum, tmp_path, (80, 40)) as pilot:
        screen = await ready(pilot)
        options = screen.query_one("#jobs", OptionList).options
        found = [(one.id or str(one.prompt).strip()) for one in options]
        assert found == [
            *("READY FOR YOU", "job 6"),
            *("WAITING", "job 5"),
            *("COMING", "job 4", "job 3"),
            *("CLOSED", "closed 1"),
            *("CANCELLED", "cancelled 2"),
        ]
        ends = {one.id: str(one.prompt).splitlines()[0] for one in options if one.id}
        assert re.search(r" \d+ min$", ends["job 6"])
        assert re.search(r" 24 min left$", ends["job 5"])
        assert "█" in ends["job 5"]
        assert ends["job 4"].endswith(" today, 17:30")
        assert ends["job 3"].endswith(" tomorrow, 8:30")
        assert all(re.search(r" \d\d:\d\d$", ends[key]) for key in ("closed 1", "cancelled 2"))
        assert said(pilot, "#title") == "Jobs: 1 ready, 1 waiting, 2 coming"
        assert "likely Lamp stays lit, 98 %, not proved" in option_of(pilot, "job 6")
        assert "Job 6 · Hums at night" in option_of(pilot, "job 6")
        assert "Car asleep meanwhile: Glow through the gap, 1 min and 1 more" in option_of(pilot, "job 5")
        assert option_of(pilot, "job 4").startswith("DANGER black estate")
        assert "customer" not in option_of(pilot, "job 4"), "the time on its day is no word of the customer"
        assert 'customer: "it hums by itself"' in option_of(pilot, "job 3")
        assert option_of(pilot, "closed 1").endswith("Job 1 · closed: Lamp stays lit, not proved")
        assert option_of(pilot, "cancelled 2").endswith("Job 2 · cancelled: done elsewhere")


async def test_enter_goes_on_with_the_job_gone_to(hum: Path, tmp_path: Path, store: Store) -> None:
    """The first that is ready is highlighted; headings are passed over."""
    filled(store)
    async with running(hum, tmp_path) as pilot:
        screen = await ready(pilot)
        jobs = screen.query_one("#jobs", OptionList)
        assert jobs.highlighted_option is not None
        assert jobs.highlighted_option.id == "job 6"
        await pilot.press("down")
        assert jobs.highlighted_option.id == "job 5"
        await pilot.press("enter")
        await until(pilot, lambda top: isinstance(top, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        assert task.session.filed.number == 5


@pytest.mark.parametrize("size", SIZES)
async def test_the_list_fits_every_size(
    size: tuple[int, int], hum: Path, tmp_path: Path, store: Store
) -> None:
    """No line is wider than the list, and the whole of one job stands beside it from 110 columns on."""
    filled(store)
    async with running(hum, tmp_path, size) as pilot:
        screen = await ready(pilot)
        jobs = screen.query_one("#jobs", OptionList)
        room = jobs.scrollable_content_region.width - 2
        rows = [row for one in jobs.options for row in str(one.prompt).splitlines()]
        assert max(map(len, rows)) <= room
        shown = words(pilot)
        assert ("WHERE IT STANDS" in shown) == (size[0] >= 110)
        assert "READY FOR YOU" in shown
        assert any(row.startswith(" blue estate ") for row in text_of(pilot).splitlines())
        assert "This is advice" in shown
        for key in ("down", "down", "slash", "x", "escape", "end"):
            await pilot.press(key)
            await settled(pilot)
        assert pilot.app.screen is screen


async def test_beside_the_list_a_job_is_handed_over(hum: Path, tmp_path: Path, store: Store) -> None:
    """Next, where it stands, the car now, what the customer said, what was done; another job once gone to."""
    filled(store)
    async with running(hum, tmp_path, WIDE) as pilot:
        await ready(pilot)
        shown = said(pilot, "#told")
        assert shown.startswith("blue estate · Hums at night Job 6, opened ")
        parts = ["NEXT", "WHERE IT STANDS", "WHAT WAS DONE"]
        places = [shown.index(part) for part in parts]
        assert places == sorted(places)
        assert "98 % ███████▉ Lamp stays lit" in shown
        assert "Glow through the gap: Glows ▲ Lamp stays lit" in shown
        await pilot.press("down")
        await settled(pilot)
        assert "THE CAR NOW Waiting: Car asleep, ready" in said(pilot, "#told")
        await pilot.press("down", "down")
        await settled(pilot)
        assert "THE CUSTOMER SAID “it hums by itself”" in said(pilot, "#told")
        await pilot.press("down")
        await settled(pilot)
        assert "Closed: Lamp stays lit, not proved" in said(pilot, "#told")


async def test_an_empty_list_says_how_to_begin(hum: Path, tmp_path: Path) -> None:
    """And the key works."""
    async with running(hum, tmp_path) as pilot:
        await ready(pilot)
        assert "No open job. n begins one." in text_of(pilot)
        await pilot.press("enter", "n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))


async def test_a_search_goes_over_everything(hum: Path, tmp_path: Path, store: Store) -> None:
    """Tag, number, complaint, cause, the customer's words, and how it ended."""
    filled(store)
    async with running(hum, tmp_path) as pilot:
        screen = await ready(pilot)
        jobs = screen.query_one("#jobs", OptionList)
        for typed, keys in (
            ("estate", ["job 6", "job 4"]),
            ("job 5", ["job 5"]),
            ("lit proved", ["job 6", "job 5", "closed 1"]),
            ("by itself", ["job 3"]),
            ("elsewhere", ["cancelled 2"]),
            ("hums silver", ["closed 1"]),
            ("neither", []),
        ):
            screen.query_one("#search", Input).value = typed
            await until(pilot, lambda _, keys=keys: [one.id for one in jobs.options if one.id] == keys)  # type: ignore[misc]
        assert "No job fits what is typed. Esc clears it." in text_of(pilot)
        await pilot.press("slash", "escape")
        await settled(pilot)
        assert len([one for one in jobs.options if one.id]) == 6
        assert jobs.has_focus


async def test_time_passes_in_the_list(
    hum: Path, tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wait gets shorter without anybody's doing; once it is over the job is ready, still highlighted."""
    later = datetime.now(UTC) + timedelta(minutes=20)
    filled(store)
    async with running(hum, tmp_path) as pilot:
        screen = await ready(pilot)
        await pilot.press("down")
        monkeypatch.setattr(screen.store, "clock", lambda: later)
        screen.pass_time()
        await settled(pilot)
        assert " 4 min left" in option_of(pilot, "job 5")
        later += timedelta(minutes=30)
        screen.pass_time()
        await settled(pilot)
        options = screen.query_one("#jobs", OptionList).options
        assert [one.id for one in options][:3] == [None, "job 6", "job 5"]
        assert "WAITING" not in text_of(pilot)
        assert screen.query_one("#jobs", OptionList).highlighted == 2
        assert "Warm relay while asleep" in option_of(pilot, "job 5") or " min" in option_of(pilot, "job 5")


@pytest.mark.parametrize(
    ("entries", "begun"),
    [
        ((), False),
        ((Booked("2030-01-16", ""), SaidByCustomer("phone", "hums")), False),
        ((Known("trim", "van"), Seen("hiss", "hisses", by=CUSTOMER), Warned("x", "told")), False),
        ((Booked("2030-01-16", ""), Confirmed("hum", "seen today")), True),
        ((Seen("hiss", "hisses"),), True),
        ((Prepared("asleep", "2030-01-16T08:00:00+00:00"),), True),
    ],
)
def test_a_job_has_begun_once_somebody_at_the_car_has_entered_something(
    entries: tuple[Entry, ...], begun: bool
) -> None:
    """What was said and booked on the phone comes before."""
    assert has_begun(Case("hum", entries)) is begun


def test_likely_proved_and_open_are_never_mixed_up() -> None:
    """From one in two on a cause is likely; proved is only what a proof has shown."""
    assert standing_words("Lamp", 0.8, proved=False) == "likely Lamp, 80 %, not proved"
    assert standing_words("Lamp", 0.8, proved=True) == "proved: Lamp, 80 %"
    assert standing_words("Lamp", 0.49, proved=False) == "still open: Lamp leads, 49 %"


def test_a_closed_job_says_how_it_ended(hum: Path, store: Store) -> None:
    """A cause that no proof has shown is not proved; one in words is neither; no fault, a cancelled job."""
    knowledge = checked([hum])
    assert closed_words(knowledge, Case("hum", (Closed("lamp", ""),))) == "closed: Lamp stays lit, not proved"
    assert closed_words(knowledge, Case("hum", (Closed("", ""),))) == "closed: no fault found"
    assert closed_words(knowledge, Case("hum", (Cancelled("mistake", ""),))) == "cancelled: mistake"
    assert closed_words(knowledge, Case("hum")) == ""


def test_the_time_left_of_a_wait_is_that_of_the_clock(hum: Path, store: Store) -> None:
    """16 of its 40 minutes are over: as the session counts it."""
    knowledge = checked([hum])
    filed = store.append(store.draft("bay 2", "hum"), Prepared("asleep", ago(16)))
    session = Session.opened(Engines(knowledge), store, filed, Workshop())
    found = wait_of(knowledge, filed, store.clock())
    assert found is not None
    assert found.name == "Car asleep"
    assert found.minutes_left == pytest.approx(session.waiting["asleep"], abs=0.1)
    assert found.share_over == pytest.approx(16 / 40, abs=0.01)
    assert wait_of(knowledge, store.draft("bay 3", "hum"), store.clock()) is None


def test_what_has_to_be_undone_and_the_next_danger_are_handed_over(hum: Path, store: Store) -> None:
    """As the card of the job says them."""
    file = hum / "hum.yaml"
    text = file.read_text(encoding="utf-8")
    undo = "put_back: Release the door latch, "
    text = text.replace("asleep: {name: Car asleep, ", f"asleep: {{name: Car asleep, {undo}")
    file.write_text(text, encoding="utf-8")
    knowledge = checked([hum])
    filed = store.append(store.draft("bay 2", "hum"), Prepared("asleep", ago(60)))
    session = Session.opened(Engines(knowledge), store, filed, Workshop())
    told = handover(session)
    assert told.put_back == ("Release the door latch",)
    assert told.car == ("In place: Car asleep.",)
    assert told.minutes == session.proposals[0].minutes
    assert [one.words for one in told.done] == ["Begun: Car asleep"]


def test_after_a_repair_the_repair_is_what_is_told(hum: Path, store: Store) -> None:
    """Next comes its check, with its minutes; what leads otherwise is no news."""
    filed = store.append(store.draft("bay 2", "hum"), Seen("glow", "glows"), Repaired("lamp", ago(1)))
    session = Session.opened(Engines(checked([hum])), store, filed, Workshop())
    told = handover(session)
    assert (told.next_step, told.minutes) == ("look for the complaint again", 5)
    assert told.standing == "repaired: Lamp stays lit"
    assert len(list(done_lines(session.knowledge, filed, store.clock()))) == 2


@pytest.mark.parametrize("tag", ["bay 2", "a tag of eighty letters " * 3 + "and so on", "x" * 80])
@pytest.mark.parametrize("width", [57, 77, 110])
def test_a_line_keeps_the_tag_whole_and_ends_at_the_right(tag: str, width: int) -> None:
    """Whatever the tag; what comes next gives way first."""
    line = JobLine(tag, "Unplug what was added, watch the current, then the next", "1 h 30", ("Job 7",), True)
    shown = job_words(line, width)
    assert isinstance(shown, Content)
    rows = shown.plain.splitlines()
    assert max(map(len, rows)) == width
    assert tag.replace(" ", "") in shown.plain.replace("\n", "").replace(" ", "")
    assert any(row.endswith(" 1 h 30") for row in rows)
    assert rows[0].startswith("DANGER ")
    assert rows[-1] == "  Job 7"


@pytest.mark.parametrize("size", SIZES)
async def test_the_vehicle_page_names_car_and_complaint(
    size: tuple[int, int], door: Path, tmp_path: Path
) -> None:
    """As the form before it does; every question is in view or scrolled to, and the way on is."""
    async with running(door, tmp_path, size) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        shown = words(pilot)
        for part in ("New job", "Tag", "Door rattles", "Back"):
            assert part in shown
        await pilot.press(*"bay 2", "enter", "enter", "down", "enter")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        await settled(pilot)
        assert said(pilot, "#title") == "The vehicle · bay 2 · Door rattles"
        shown = words(pilot)
        for part in ("Has the glass a frame?", "not known", "Go on", "nothing is assumed"):
            assert part in shown


@pytest.mark.parametrize("size", SIZES)
async def test_the_form_of_a_new_job_shows_what_can_be_chosen(size: tuple[int, int], tmp_path: Path) -> None:
    """With the shipped complaints: the tag, the first complaints and the way back are in view."""
    async with running(KNOWLEDGE, tmp_path, size) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await settled(pilot)
        shown = text_of(pilot)
        assert "Which car?" in shown
        assert "Back" in shown
        complaints = pilot.app.screen.query_one("#complaints", OptionList)
        assert str(complaints.options[0].prompt).split("  ")[0] in shown
        box = pilot.app.screen.query_one("#box")
        assert box.region.height <= size[1]
