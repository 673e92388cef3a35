"""The fault tree on the screen: it can be read at every size, folds by hand, and leads to readings."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.cells import cell_len
from textual.content import Content
from textual.pilot import Pilot
from textual.widgets import Static

from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.faulttree import proof_words
from advisor.bench.session import Session
from advisor.knowledge.knowledge import Knowledge
from advisor.papers.format import percent
from advisor.screens.bench.faulttree import LEGEND, FaultTree, FaultTreeScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.store import Store
from tests.test_screens import (
    KNOWLEDGE,
    entered,
    listed,
    opened,
    running,
    said,
    settled,
    text_of,
    until,
    words,
)

SIZES = [(60, 20), (80, 24), (120, 40), (200, 60)]


async def on_tree(pilot: Pilot[None], session: Session) -> FaultTree:
    """The tree of a job, alone on the screen."""
    await until(pilot, listed)
    reading = session.proposals[0].reading if session.proposals else ""
    await pilot.app.push_screen(FaultTreeScreen(session.worked_out(), reading, {}))
    await settled(pilot)
    return pilot.app.screen.query_one(FaultTree)


def lines(tree: FaultTree) -> list[str]:
    """The text of each row in view, its lines joined."""
    return [str(option.prompt) for option in tree.options]


def has_all(text: str, title: str) -> bool:
    """Whether all words of a name are in the text of its row, in their order."""
    found = iter(text.translate(dict.fromkeys(map(ord, "│├└▾▸●▌:"), " ")).split())
    return all(word in found for word in title.replace(":", " ").split())


def open_all(tree: FaultTree) -> None:
    """Open every branch."""
    tree.by_hand.update({row.place: True for row in tree.rows if row.has_members})
    tree.draw(tree.rows[0].place)


@pytest.fixture(scope="module")
def engines(shipped: Knowledge) -> Engines:
    """The engines of the shipped knowledge."""
    return Engines(shipped)


@pytest.mark.parametrize("size", SIZES)
async def test_the_tree_of_every_complaint_can_be_read_at_every_size(
    engines: Engines, tmp_path: Path, size: tuple[int, int]
) -> None:
    """No line is wider than the screen, no name or figure is cut, and what a row is proved by fits below."""
    knowledge = engines.knowledge
    store = Store(f"sqlite:///{tmp_path / 'others.sqlite'}")
    try:
        async with running(KNOWLEDGE, tmp_path, size) as pilot:
            for complaint in knowledge.complaints:
                draft = store.draft("bay 2", complaint, knowledge.version)
                session = Session.opened(engines, store, draft, Workshop())
                tree = await on_tree(pilot, session)
                open_all(tree)
                await settled(pilot)
                assert len(tree.shown) == len(tree.rows)
                width = tree.scrollable_content_region.width
                says = pilot.app.screen.query_one("#says", Static).content_size
                for shown, text in zip(tree.shown, lines(tree), strict=True):
                    assert max(map(cell_len, text.split("\n"))) <= width, text
                    assert has_all(text, shown.row.title), text
                    assert percent(shown.row.probability) in text
                    assert not shown.row.excluded or shown.row.excluded in text
                    told = proof_words(knowledge, session.case, session.advice, shown.row)
                    assert Content(told).get_height({}, says.width) <= says.height, told
                await pilot.press("escape")
                await settled(pilot)
    finally:
        store.close()


async def test_the_key_opens_the_tree_at_the_leader_and_goes_back(tmp_path: Path) -> None:
    """The cursor stands on the leading cause, in view; t and escape go back."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        for leave in ("t", "escape"):
            await pilot.press("t")
            await until(pilot, lambda screen: isinstance(screen, FaultTreeScreen))
            await settled(pilot)
            tree = pilot.app.screen.query_one(FaultTree)
            assert tree.row is not None
            assert tree.row.node == task.session.advice.suspects[0].fault
            (line,) = [line for line in text_of(pilot).splitlines() if line.startswith("▌")]
            assert f"●{tree.row.title}" in line
            assert percent(tree.row.probability) in line
            assert LEGEND in text_of(pilot)
            await pilot.press(leave)
            await until(pilot, lambda screen: screen is task)


async def test_arrows_fold_and_open_and_the_job_remembers_it(tmp_path: Path) -> None:
    """Left folds or goes up, right opens or goes in; what was opened is open at the next visit too."""
    async with running(KNOWLEDGE, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        await pilot.press("t")
        await settled(pilot)
        tree = pilot.app.screen.query_one(FaultTree)
        at = next(at for at, one in enumerate(tree.shown) if one.hidden)
        folded = tree.shown[at].row
        tree.highlighted = at
        assert f"+{tree.shown[at].hidden}" in lines(tree)[at]
        await pilot.press("right")
        assert tree.row == folded
        assert tree.shown[at].is_open
        assert "+" not in lines(tree)[at]
        await pilot.press("right")
        assert tree.row is not None
        assert tree.row.place[:-1] == folded.place
        await pilot.press("left")
        assert tree.row == folded
        await pilot.press("left")
        assert tree.shown[at].hidden == folded.faults
        await pilot.press("right", "escape", "t")
        await settled(pilot)
        again = pilot.app.screen.query_one(FaultTree)
        assert again.shown[at].row.node == folded.node
        assert again.shown[at].is_open
        assert task.by_hand == {folded.place: True}
        again.highlighted = 0
        await pilot.press("left")
        assert len(again.shown) > 1


async def test_a_tap_folds_a_branch_and_asks_for_the_readings_of_a_cause(tmp_path: Path) -> None:
    """A finger does both without keys."""
    async with running(KNOWLEDGE, tmp_path, (120, 40)) as pilot:
        await opened(pilot)
        await pilot.press("t")
        await settled(pilot)
        tree = pilot.app.screen.query_one(FaultTree)
        tree.scroll_home(animate=False)
        await settled(pilot)
        before = len(tree.shown)
        assert tree.shown[1].row.has_members
        await pilot.click(FaultTree, offset=(10, 1))
        await settled(pilot)
        assert len(tree.shown) != before
        await pilot.click(FaultTree, offset=(10, 1))
        await settled(pilot)
        assert len(tree.shown) == before
        cause = next(at for at, one in enumerate(tree.shown) if not one.row.has_members)
        await pilot.click(FaultTree, offset=(10, cause))
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert tree.shown[cause].row.title in words(pilot)


async def test_enter_offers_the_readings_of_a_line_and_puts_one_on_the_card(tmp_path: Path) -> None:
    """Those that move it, with minutes and what is left after them; the one chosen is asked next."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("t")
        await settled(pilot)
        tree = pilot.app.screen.query_one(FaultTree)
        assert tree.row is not None
        expected = task.session.readings_about(tree.row.node)
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        choice = pilot.app.screen
        assert isinstance(choice, ChoiceScreen)
        assert [key for key, _ in choice.lines] == [one.reading.reading for one in expected]
        assert f"After it: {percent(expected[0].least)} to {percent(expected[0].most)}." in words(pilot)
        await pilot.press("2")
        await until(pilot, lambda screen: screen is task)
        await settled(pilot)
        assert task.proposal is not None
        assert task.proposal.reading == expected[1].reading.reading


async def test_a_line_that_nothing_tells_of_says_so(tmp_path: Path) -> None:
    """The complaint itself is certain; no empty list opens."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("t")
        await settled(pilot)
        await pilot.press("home", "enter")
        await until(pilot, lambda screen: "No reading that can be taken now" in words(pilot))
        assert isinstance(pilot.app.screen, FaultTreeScreen)


async def test_an_answer_is_told_with_what_was_before_it(tmp_path: Path) -> None:
    """The heading names the answer, and rows that it moved say what they were."""
    async with running(KNOWLEDGE, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        start = task.session.stages[-1]["battery_worn"]
        await entered(pilot, lambda: task.session.saw("quick_test", "good"))
        await pilot.press("t")
        await settled(pilot)
        tree = pilot.app.screen.query_one(FaultTree)
        open_all(tree)
        assert "after: Quick battery test" in said(pilot, "#head")
        (text,) = [
            text
            for shown, text in zip(tree.shown, lines(tree), strict=True)
            if shown.row.node == "battery_worn"
        ]
        now = percent(task.session.stages[-1]["battery_worn"])
        assert f"{now} was {percent(start).removesuffix(' %')}" in text


async def test_without_the_focus_the_tree_follows_the_leader(engines: Engines, tmp_path: Path) -> None:
    """Beside the card it has no cursor; shown anew it stands where the leader is now."""
    store = Store(f"sqlite:///{tmp_path / 'others.sqlite'}")
    try:
        async with running(KNOWLEDGE, tmp_path, (56, 40)) as pilot:
            draft = store.draft("bay 2", "flat_battery", engines.knowledge.version)
            session = Session.opened(engines, store, draft, Workshop())
            tree = await on_tree(pilot, session)
            pilot.app.screen.set_focus(None)
            await settled(pilot)
            assert not any(line.startswith("▌") for line in lines(tree))
            first = session.advice.suspects[0].fault
            later = session.saw("quick_test", "good").worked_out()
            leader = later.advice.suspects[0].fault
            assert leader != first
            tree.show(later.fault_tree())
            await settled(pilot)
            assert tree.row is not None
            assert tree.row.node == leader
            assert "% was" not in "".join(lines(tree))
    finally:
        store.close()
