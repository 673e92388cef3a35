"""Killed at any moment: a short run of the soak, and that the soak would notice every kind of loss."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.databases import KINDS, Database, fresh
from tests.soak.kills import Figures, chapter, server_of_its_own
from tests.soak.pages import Sitting
from tests.soak.record import Deed, Part, Record, Stored, deeds, doing_now, stored, wrong

KILLS = 24
"""So many kills on each kind of database, before those of the writers that are left at the end."""


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_acknowledged_is_lost_and_nothing_is_torn(kind: str, tmp_path: Path) -> None:
    """Two dozen kills of writers, and on PostgreSQL of the server and its processes too."""
    figures = Figures()
    moments: list[str] = []
    with server_of_its_own(kind) as server, fresh(kind, tmp_path) as database:
        chapter(database, tmp_path, KILLS, random.Random(1), figures, moments.append, server)
    assert figures.problems == []
    assert len(moments) > KILLS
    assert any("server" in moment for moment in moments) is (kind == "postgresql")
    assert figures.stored > 0
    assert figures.acknowledged > 0


async def test_screens_and_their_server_are_killed_and_lose_nothing(tmp_path: Path) -> None:
    """A page is killed while somebody works on it, its job is opened in another, and then the server is."""
    told: list[tuple[str, list[str]]] = []

    def tell(moment: str, shown: int, there: int, problems: list[str]) -> None:
        assert there >= shown
        told.append((moment, problems))

    with fresh("sqlite", tmp_path) as database:
        await Sitting(database, random.Random(1), tell, pages_open=1, pages_killed=1).run(tmp_path)
    assert [problems for _, problems in told] == [[], []]
    assert "the page is killed" in told[0][0]
    assert "the server is killed" in told[1][0]


HEADS = {1: ("bay 1", "c"), 2: ("bay 1", "d")}
OPENED = Deed("opening", tag="bay 1", complaints=("c", "d"), cases=(1, 2), told="saved")
BOTH = Deed("answering on two jobs", (Part(1, 1, ("a", "b")), Part(2, 1, ("c",))), told="saved")
ALL = {(1, 1): "a", (1, 2): "b", (2, 1): "c"}
ERASED = Deed("erasing", cases=(2,), told="saved")


def cut_off(deed: Deed) -> Deed:
    """The same, but its writer was killed before it was told anything."""
    return Deed(deed.doing, deed.parts, deed.tag, deed.complaints, deed.cases if deed is ERASED else ())


@pytest.mark.parametrize(
    ("done", "there", "said"),
    [
        ([OPENED, BOTH], Stored(HEADS, ALL), []),
        ([OPENED, cut_off(BOTH)], Stored(HEADS, ALL), []),
        ([OPENED, cut_off(BOTH)], Stored(HEADS, {}), []),
        ([cut_off(OPENED)], Stored({}, {}), []),
        ([OPENED, BOTH, ERASED], Stored({1: HEADS[1]}, {(1, 1): "a", (1, 2): "b"}), []),
        ([OPENED, BOTH, cut_off(ERASED)], Stored(HEADS, ALL), []),
        ([OPENED, BOTH], Stored(HEADS, {(1, 1): "a", (1, 2): "b"}), ["lost"]),
        ([OPENED, cut_off(BOTH)], Stored(HEADS, {(1, 1): "a", (1, 2): "b"}), ["torn"]),
        ([OPENED], Stored({1: HEADS[1]}, {}), ["lost"]),
        ([cut_off(OPENED)], Stored({1: HEADS[1]}, {}), ["torn"]),
        ([OPENED], Stored({**HEADS, 3: HEADS[1]}, {}), ["opened twice"]),
        ([OPENED, OPENED], Stored(HEADS, {}), ["number given 2 times", "number given 2 times"]),
        ([OPENED, BOTH], Stored(HEADS, {**ALL, (2, 2): "c"}), ["stored 2 times"]),
        ([OPENED], Stored(HEADS, {(1, 1): "a"}), ["a stranger's"]),
        ([OPENED], Stored({**HEADS, 3: ("bay 3", "c")}, {}), ["a stranger's"]),
        ([OPENED, BOTH, ERASED], Stored(HEADS, ALL), ["still there though erased"]),
        (
            [OPENED, Deed("answering", (Part(1, 1, ("a",)),), told="refused")],
            Stored(HEADS, {(1, 1): "a"}),
            ["entered though refused"],
        ),
    ],
)
def test_the_soak_comparison_finds_every_kind_of_loss(
    done: list[Deed], there: Stored, said: list[str]
) -> None:
    """What is compared at the end finds every kind of loss, and takes nothing else for one; made up here."""
    assert [one.partition(":")[0] for one in wrong(done, there)] == said


def test_what_is_no_database_any_more_is_unreadable(tmp_path: Path) -> None:
    """A gap in the steps, and a file whose tables are gone."""
    database = Database(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    with database.opened() as store:
        filed = store.open_case("bay", "c")
    database.run(f"INSERT INTO entries VALUES ({filed.number}, 2, '2030-01-01T08:00:00', 'seen', 'a', 'b')")
    assert stored(database)[1] == [
        "unreadable: job 1 has a step 2 as number 1",
        "unreadable: 1 entries in the tables, 0 in the cases",
    ]
    database.run("DROP TABLE cases")
    assert any(one.startswith("unreadable: The database") for one in stored(database)[1])


def test_a_record_says_what_its_writer_was_doing(tmp_path: Path) -> None:
    """Before the first deed, in the middle of one, and after it; another writer's cases are kept with it."""
    file = tmp_path / "writer1.record"
    assert doing_now(file) == "starting"
    record = Record(file)
    record.line(doing="opening", tag="bay 1", complaints=("c", "d"))
    assert doing_now(file) == "opening"
    record.told("saved", 1, 2)
    assert doing_now(file) == "between two entries"
    assert deeds(file) == [OPENED]
    with file.open("a", encoding="utf-8") as half:
        half.write('{"doing": "answ')  # read while it is being written
    assert deeds(file) == [OPENED]
