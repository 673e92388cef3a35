"""The screen of all readings: one line each, ordered by keys, searched while typing, taken ones included."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from advisor.advice.rules import Workshop
from advisor.bench.readings import ReadingGroup, found, reading_groups
from advisor.bench.session import Engines, Session
from advisor.case.entries import Seen
from advisor.checks.lint import checked
from advisor.screens.bench.lookahead import LookAheadScreen
from advisor.screens.bench.readings import ReadingsScreen
from advisor.screens.bench.trolley import TrolleyScreen
from advisor.screens.help import HelpScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.errors import StoreError
from advisor.store.store import Store
from tests.test_bench import hum, store
from tests.test_screens import KNOWLEDGE, entered, opened, running, said, settled, text_of, until, words

__all__ = ["hum", "store"]

PROVES = "proof: look\n    proves: {cause}\n    proved_by: {shown}"
SIZES = [(60, 20), (80, 24), (120, 40), (200, 60)]


def session_of(folder: Path, store: Store, *entries: Seen) -> Session:
    """Return a job on the small invented knowledge."""
    knowledge = checked([folder])
    filed = store.open_case("bay 2", "hum")
    filed = store.append(filed, *entries) if entries else filed
    return Session.opened(Engines(knowledge), store, filed, Workshop())


def with_line(folder: Path, reading: str, line: str) -> None:
    """Add a line to a reading of the small invented knowledge."""
    file = folder / "hum.yaml"
    name = f"    name: {reading}\n"
    text = file.read_text(encoding="utf-8")
    assert name in text
    file.write_text(text.replace(name, f"{name}    {line}\n"), encoding="utf-8")


def names(groups: tuple[ReadingGroup, ...]) -> list[str]:
    """Return the readings listed, in order."""
    return [line.reading for group in groups for line in group.lines]


async def readings_of(pilot: Pilot[None]) -> ReadingsScreen:
    """Open the list of all readings from the card."""
    await pilot.press("o")
    await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
    screen = pilot.app.screen
    assert isinstance(screen, ReadingsScreen)
    await settled(pilot)
    return screen


def test_every_reading_stands_once_with_work_and_wait_apart(hum: Path, store: Store) -> None:
    """Minutes as the advice counts them; the bar of the most telling one is full."""
    session = session_of(hum, store)
    groups = reading_groups(session, session.proposals[0])
    assert sorted(names(groups)) == sorted(one.reading for one in session.advice.proposals)
    lines = {line.reading: line for group in groups for line in group.lines}
    assert (lines["current"].hands_on_minutes, lines["current"].waiting_minutes) == (11, 40)
    assert (lines["glow"].hands_on_minutes, lines["glow"].waiting_minutes) == (1, 0)
    most = max(session.proposals, key=lambda one: one.expected_information_bits)
    assert lines[most.reading].told == 1
    for one in session.proposals:
        share = one.expected_information_bits / most.expected_information_bits
        assert lines[one.reading].told == pytest.approx(share)


def test_the_proof_of_a_likely_cause_and_a_question_to_the_customer_are_marked(
    hum: Path, store: Store
) -> None:
    """Proofs of what is hardly likely carry no mark, but say in their details what they prove."""
    with_line(hum, "Glow through the gap", PROVES.format(shown="glows", cause="lamp"))
    with_line(hum, "Glow through the gap", "who: customer\n    ask: Does it glow?")
    with_line(hum, "Relay clicks", PROVES.format(shown="clicks", cause="relay"))
    with_line(hum, "Radio hisses", "who: customer\n    ask: Does it hiss?")
    session = session_of(hum, store, Seen("hiss", "hisses"), Seen("warm", "cold"))
    lines = {one.reading: one for group in reading_groups(session, None) for one in group.lines}
    beliefs = session.situation.beliefs
    assert beliefs["lamp"] > 0.1 > beliefs["relay"], beliefs
    assert (lines["glow"].mark, lines["click"].mark) == ("proof", "")
    assert any(one.startswith("Proves: Lamp stays lit (") for one in lines["glow"].details)
    assert "Ask the customer: “Does it glow?”" in lines["glow"].details
    assert any(one.startswith("Proves: Relay sticks (") for one in lines["click"].details)
    fresh = session_of(hum, store)
    asked = {one.reading: one for group in reading_groups(fresh, None) for one in group.lines}
    assert asked["hiss"].mark == "ask"


def test_while_a_wait_runs_what_leaves_it_alone_stands_first(hum: Path, store: Store) -> None:
    """Under a heading of its own, and said in its details."""
    session = session_of(hum, store).prepared(["asleep"])
    first, *_ = reading_groups(session, None)
    assert first.heading == "Do not disturb the wait that runs"
    assert [one.reading for one in first.lines] == [one.reading for one in session.meanwhile]
    assert all("Does not disturb the wait that runs." in one.details for one in first.lines)


def test_what_cannot_be_taken_stands_last_with_the_reason(hum: Path, store: Store) -> None:
    """As the advice gives it: skipped, no tool, not on this car."""
    session = session_of(hum, store).skipped("hiss", "no access")
    last = reading_groups(session, None)[-1]
    assert (last.kind, [(one.reading, one.remark) for one in last.lines]) == (
        "left out",
        [("hiss", "no access")],
    )


@pytest.mark.parametrize(
    ("typed", "reading"),
    [
        ("relay warm", "warm"),
        ("ASLEEP clamp", "current"),
        ("thermal", "warm"),
        ("stays lit", "glow"),
    ],
)
def test_a_search_goes_by_name_setup_tool_and_cause(
    hum: Path, store: Store, typed: str, reading: str
) -> None:
    """Every word typed has to fit, in any order and any case."""
    with_line(hum, "Glow through the gap", PROVES.format(shown="glows", cause="lamp"))
    session = session_of(hum, store)
    assert names(found(reading_groups(session, None), typed)) == [reading]


def test_readings_taken_are_found_by_searching_only(hum: Path, store: Store) -> None:
    """With their last answer; the list without a search holds what is still to be taken."""
    session = session_of(hum, store, Seen("hiss", "hisses"), Seen("hiss", "silent"))
    groups = reading_groups(session, None)
    assert "hiss" not in names(found(groups, ""))
    (group,) = found(groups, "hisses")
    assert group.kind == "taken"
    assert [one.remark for one in group.lines] == ["taken: Silent"]


@pytest.mark.parametrize("size", SIZES)
async def test_the_list_fits_every_size(size: tuple[int, int], tmp_path: Path) -> None:
    """Each reading on one line within the screen, the order and the search in view, room for several."""
    async with running(KNOWLEDGE, tmp_path, size) as pilot:
        await opened(pilot)
        screen = await readings_of(pilot)
        listed = screen.query_one("#readings", OptionList)
        lines = [one for one in listed.options if one.id in screen.shown]
        assert len(lines) == len(screen.shown) > 20
        assert {str(one.prompt).count("\n") for one in lines} == {0}
        assert max(len(str(one.prompt)) for one in lines) <= listed.scrollable_content_region.width - 2
        shown = text_of(pilot)
        for word in ("Most", "Tells", "Quick", "Trolley", "/ search: name, setup, tool, cause"):
            assert word in shown
        visible = listed.scrollable_content_region.height
        assert visible >= 7
        first, _ = next(iter(screen.shown.values()))
        assert first.name in shown
        detail = screen.query_one("#detail", Static)
        assert str(detail.content).startswith(first.name)
        assert "bits" not in "".join(str(one.prompt) for one in lines), "bits stand in the details"
        assert "bits)" in str(detail.content)
        for key in ("q", "p", "slash", "x", "y", "escape", "end"):
            await pilot.press(key)
            await settled(pilot)
        assert pilot.app.screen is screen


async def test_the_order_is_changed_in_the_list_and_named_at_its_top(hum: Path, tmp_path: Path) -> None:
    """By key and by finger; the card begins with the same order, and its headline names an unusual one."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        screen = await readings_of(pilot)
        assert "▸ p Most for the time" in said(pilot, "#order").replace("\xa0", " ")
        await pilot.press("i")
        await settled(pilot)
        assert "▸ i Tells most" in said(pilot, "#order").replace("\xa0", " ")
        assert task.session.ranking == "bits"
        offered = [line.reading for line, group in screen.shown.values() if group.kind == "open"]
        assert sorted(offered) == sorted(one.reading for one in task.session.advice.by_bits)
        at = text_of(pilot).splitlines()[1].index("q")
        await pilot.click("#order", offset=(at, 0))
        await settled(pilot)
        assert task.session.ranking == "quick looks"
        await pilot.press("escape")
        await until(pilot, lambda top: top is task)
        assert said(pilot, "#head").endswith("quick looks")


async def test_the_trolley_and_playing_out_are_keys_of_the_list(hum: Path, tmp_path: Path) -> None:
    """What playing out is asked to take goes on the card."""
    async with running(hum, tmp_path, (100, 30)) as pilot:
        task = await opened(pilot)
        await readings_of(pilot)
        await pilot.press("t")
        await until(pilot, lambda screen: isinstance(screen, TrolleyScreen))
        await pilot.press("space", "f10")
        await settled(pilot)
        assert task.session.ranking == "on the trolley"
        await pilot.press("l")
        await until(pilot, lambda screen: isinstance(screen, LookAheadScreen))
        await until(pilot, lambda screen: "Expected minutes to the end" in text_of(pilot))
        await settled(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: screen is task)
        await settled(pilot)
        assert task.chosen is not None


@pytest.mark.parametrize("key", ["p", "i", "q", "t", "l"])
async def test_the_card_has_no_keys_for_orders(hum: Path, tmp_path: Path, key: str) -> None:
    """They would be pressed by mistake there, and its list of keys names none of them."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        tips = [one.tooltip for one in task._bindings.key_to_bindings.get(key, [])]
        assert not any("rder" in tip or "readings" in tip for tip in tips)
        screen = await readings_of(pilot)
        assert [one.tooltip for one in screen._bindings.key_to_bindings[key]]
        await pilot.press("question_mark")
        await until(pilot, lambda top: isinstance(top, HelpScreen))
        assert "Order: most told for the time, as usual" in words(pilot)


async def test_typing_filters_and_escape_leaves_the_search_then_the_list(hum: Path, tmp_path: Path) -> None:
    """Letters that are keys elsewhere go into the search; a digit there is text as well."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        screen = await readings_of(pilot)
        every = list(screen.shown)
        await pilot.press("slash", *"clip")
        await settled(pilot)
        assert screen.query_one("#search", Input).value == "clip"
        assert screen.shown == {}
        assert "No reading fits what is typed. Esc clears it." in words(pilot)
        await pilot.press("backspace", "backspace", "i", "c", "k")
        await settled(pilot)
        assert list(screen.shown) == ["open click"]
        await pilot.press("1")
        await settled(pilot)
        assert screen.shown == {}
        await pilot.press("escape")
        await settled(pilot)
        assert pilot.app.screen is screen
        assert list(screen.shown) == every
        await pilot.press("escape")
        await until(pilot, lambda top: top is task)
        assert task.session.case.taken == ()


async def test_what_is_found_is_taken_by_enter_or_by_its_digit(hum: Path, tmp_path: Path) -> None:
    """Enter in the search goes to what it found; the digits count what is listed then."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        for keys in (("enter", "enter"), ("down", "1")):
            await readings_of(pilot)
            await pilot.press("slash", *"hiss")
            await settled(pilot)
            await pilot.press(*keys)
            await until(pilot, lambda top: top is task)
            await settled(pilot)
            assert task.proposal is not None
            assert task.proposal.reading == "hiss"
            task.chosen = None


async def test_a_reading_that_was_taken_is_asked_for_again(hum: Path, tmp_path: Path) -> None:
    """Found by searching, with its answer; the second answer stands beside the first on record."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("hiss", "silent"))
        await readings_of(pilot)
        await pilot.press("slash", *"hiss")
        await settled(pilot)
        assert "taken: Silent" in text_of(pilot)
        await pilot.press("enter", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await until(pilot, lambda top: top is task)
        await settled(pilot)
        assert task.session.case.outcomes["hiss"] == "hisses"
        assert [one.outcome for one in task.session.case.entries if isinstance(one, Seen)] == [
            "silent",
            "hisses",
        ]


async def test_a_reading_left_out_is_not_put_on_the_card(hum: Path, tmp_path: Path) -> None:
    """Choosing it says why."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.skipped("hiss", "no access"))
        screen = await readings_of(pilot)
        await pilot.press("end", "enter")
        await settled(pilot)
        assert pilot.app.screen is screen
        assert "“Radio hisses” cannot be taken now: no access." in words(pilot)


async def test_an_order_that_cannot_be_saved_leaves_the_list_as_it_was(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reason is said in the list, and the next attempt works."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await readings_of(pilot)
        with monkeypatch.context() as broken:

            def set_to(*_: object) -> None:
                raise StoreError("The database of cases cannot be written: disk full.")

            broken.setattr(Store, "set_to", set_to)
            await pilot.press("i")
            await settled(pilot)
            assert "The order is as it was. The database of cases cannot be written" in words(pilot)
            assert task.session.ranking == "bits for the time"
        await pilot.press("i")
        await settled(pilot)
        assert task.session.ranking == "bits"


async def test_an_order_with_nothing_left_says_how_to_see_the_others(hum: Path, tmp_path: Path) -> None:
    """The card names the keys, and they work."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await readings_of(pilot)
        await pilot.press("q", "escape")
        await until(pilot, lambda top: top is task)
        await settled(pilot)
        await entered(
            pilot,
            lambda: task.session.skipped("glow", "no access"),
            lambda: task.session.skipped("click", "no access"),
        )
        assert "Key o, then p, lists all." in said(pilot, "#task")
        await readings_of(pilot)
        assert "No reading is left in this order. Key p lists all of them." in words(pilot)
        await pilot.press("p")
        await settled(pilot)
        assert task.session.proposals


async def test_a_tap_puts_a_reading_on_the_card(hum: Path, tmp_path: Path) -> None:
    """As Enter does."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        screen = await readings_of(pilot)
        line, _ = next(iter(screen.shown.values()))
        at = next(y for y, row in enumerate(text_of(pilot).splitlines()) if row.startswith(" 1 "))
        await pilot.click(offset=(8, at))
        await until(pilot, lambda top: top is task)
        await settled(pilot)
        assert task.proposal is not None
        assert task.proposal.reading == line.reading
