"""Going back and correcting: nothing typed before is lost, and nothing is complained about before a try."""

from __future__ import annotations

from pathlib import Path

from textual.widgets import Input, OptionList

from advisor.advice.rules import Workshop
from advisor.bench.session import Engines, Session, reopened
from advisor.case.entries import CAME_BACK, Checked, Closed, Measured, Reopened, Repaired, TakenBack
from advisor.checks.lint import checked
from advisor.model.observation import Measurement
from advisor.screens.bench.entry import EntryScreen
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.pick import Select
from advisor.store.store import Store
from tests.test_screens import KNOWLEDGE, door, entered, listed, opened, running, said, settled, until

__all__ = ["door"]

AT = "2030-03-04T09:00:00+00:00"
FUSE = (
    Measurement("fuse_drop", 3.0, "millivoltmeter", "3 mV"),
    Measurement("fuse_size", "regular", "", "regular"),
    Measurement("fuse_rating", "10 A", "", "10 A"),
)


async def test_back_from_the_vehicle_goes_back_to_the_complaints(door: Path, tmp_path: Path) -> None:
    """The tag and the complaint chosen are kept; no bench comes up."""
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await pilot.press(*"bay", "enter", "enter", "down", "enter")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await settled(pilot)
        assert pilot.app.screen.query_one("#tag", Input).value == "bay"
        complaints = pilot.app.screen.query_one("#complaints", OptionList)
        assert complaints.has_focus
        assert complaints.highlighted == 0


async def test_leaving_a_job_without_an_answer_says_that_none_was_kept(door: Path, tmp_path: Path) -> None:
    """One line on the list of jobs."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot, "bay 7")
        await pilot.press("escape")
        await until(pilot, listed)
        await settled(pilot)
        assert "Nothing was answered on “bay 7”, so no job was kept." in said(pilot, "#says")


async def test_correcting_a_reading_begins_with_what_was_entered(tmp_path: Path) -> None:
    """Millivolts, size and rating stand there; only what is wrong is typed anew, in one step."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session._entered(Measured("fuse_audio", FUSE)))
        step = len(task.session.case.entries)
        task.measure("fuse_audio", instead_of=step)
        await until(pilot, lambda screen: isinstance(screen, EntryScreen) and screen.is_up)
        screen = pilot.app.screen
        field = screen.query_one("#field-0", Input)
        assert field.value == "3 mV"
        assert [one.value for one in screen.query(Select).results(Select)] == ["regular", "10 A"]
        await pilot.press("4")
        assert field.value == "4"
        assert "takes" not in said(pilot, "#says")
        await pilot.press("enter")
        await settled(pilot)
        *_, back, again = task.session.case.entries
        assert back == TakenBack(step, "corrected")
        assert isinstance(again, Measured)
        assert [one.value for one in again.take] == [4.0, "regular", "10 A"]


async def test_a_number_is_asked_for_before_it_is_missed(tmp_path: Path) -> None:
    """What is missing is a complaint only once somebody has tried to go on."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        task.measure("fuse_audio")
        await until(pilot, lambda screen: isinstance(screen, EntryScreen) and screen.is_up)
        await settled(pilot)
        assert said(pilot, "#says") == "Write what the meter shows; Enter goes on."
        await pilot.press("enter")
        await settled(pilot)
        assert said(pilot, "#says").startswith("Something is missing.")
        for _ in range(5):  # whatever Tab comes to, Enter never throws away what was typed
            await pilot.press("tab")
            assert getattr(pilot.app.screen.focused, "id", "") != "back"


def test_a_job_whose_complaint_came_back_is_not_asked_whether_it_is_gone(door: Path, tmp_path: Path) -> None:
    """The check has found it still there: readings are offered, and the suspicion is back."""
    knowledge = checked([door])
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.open_case("bay", "rattle")
        filed = store.append(filed, Repaired("strap", AT), Checked("rattle", "gone"), Closed("strap", ""))
        again = reopened(store, filed.number, CAME_BACK)
        assert again is not None
        assert [type(one) for one in again.case.entries[-2:]] == [Reopened, Checked]
        assert again.case.checked == "still there"
        session = Session.opened(Engines(knowledge), store, again, Workshop())
        assert session.advice.stop is None or session.advice.stop.reason not in ("check", "gone")
        assert session.advice.suspects[0].probability > 0.3
    finally:
        store.close()
