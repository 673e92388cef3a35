"""Drawings: what the loader refuses, what the checker says, and where a technician meets them."""

from __future__ import annotations

import re
import webbrowser
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from textual.pilot import Pilot

from advisor.bench.drawings import drawings
from advisor.bench.history import History, weighed
from advisor.bench.session import Engines
from advisor.case.case import Case
from advisor.case.entries import Entry, Prepared, Seen
from advisor.checks.lint import checked, problems
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.knowledge.pictures import LARGEST_PICTURE, parse_picture
from advisor.knowledge.problems import ProblemsFound
from advisor.papers.document import Drawing, Paper, Section, html, markdown
from advisor.screens import viewer
from advisor.screens.bench.task import TaskScreen
from advisor.store.records import StoredCase
from tests.conftest import HEAD, SHIPPED, Ran
from tests.test_screens import entered, opened, running, settled, until, words

HEADED = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 300">'
CLAMP = f"""{HEADED}
<!-- how the clamp sits -->
<g fill="none" stroke="black"><path d="M10 10 L90 90"/></g>
<text x="10" y="40" font-family="sans-serif">Jaws <tspan>shut</tspan></text>
</svg>
"""
AT = "2030-03-04T08:05:00+00:00"
RATTLE = (
    HEAD
    + """\
complaints:
  rattle: {name: Door rattles, family: doors, any_of: {strap: 60, glass: 45}, unlisted: 5}
faults:
  strap: {name: Check strap loose, remedy: Tighten it, remedy_minutes: 10, price: low}
  glass:
    name: Glass loose
    remedy: Reseat it
    remedy_minutes: 40
    price: low
    proof:
      glass_held:
        kind: isolate
        name: Glass held firmly
        minutes: 2
        picture: hold.svg
        shows: 90 of 100
        without: 5 of 100
setups:
  door_open: {name: Door open, hands_on_minutes: 1, picture: open.svg, steps: [Open it wide]}
cautions:
  fingers: {name: Fingers, short: Keep fingers clear., text: Keep fingers clear of the hinge.}
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 1
    setup: door_open
    picture: wiggle.svg
    steps: [Hold it in the middle, Push it up and down]
    cautions: [fingers]
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 5 of 100, causes: {strap: 90 of 100}}
  knock:
    name: Knock at the door
    minutes: 30
    outcomes: {dull: Dull, rings: Rings}
    noisy_or: {leak: 5 of 100, causes: {glass: 70 of 100}}
"""
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge and its three drawings."""
    made = tmp_path / "rattle"
    (made / "pictures").mkdir(parents=True)
    (made / "rattle.yaml").write_text(RATTLE, encoding="utf-8")
    for name in ("hold", "open", "wiggle"):
        drawing = CLAMP.replace("Jaws", name.capitalize())
        (made / "pictures" / f"{name}.svg").write_text(drawing, encoding="utf-8")
    return made


# ---------------------------------------------------------------------------------------- the loader


def test_a_drawing_is_written_out_afresh() -> None:
    """What a page holds is what was read and allowed; comments and the layout of the file are left behind."""
    drawn = parse_picture(CLAMP, "clamp.svg")
    assert "how the clamp sits" not in drawn.markup
    assert drawn.labels == ("Jaws shut",)
    assert [one.tag.rpartition("}")[2] for one in ET.fromstring(drawn.markup).iter()] == [
        *("svg", "g", "path", "text", "tspan"),
    ]
    file = drawn.markup.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"')
    assert parse_picture(file, "clamp.svg") == drawn


def test_what_looks_like_markup_in_a_label_stays_words() -> None:
    """A label is text, whatever it spells."""
    drawn = parse_picture(f"{HEADED}<text>&lt;script&gt; R &amp; D</text></svg>", "a.svg")
    assert drawn.labels == ("<script> R & D",)
    assert "<script" not in drawn.markup


INSIDE = {
    "a script": ("<script>alert(1)</script>", "'script' cannot stand in a drawing. A drawing runs nothing."),
    "a script by its prefix": ("<s:script/>", "'s:script' cannot stand in a drawing."),
    "a handler": ('<path onclick="x()"/>', "'onclick' cannot stand in a drawing. A drawing runs nothing."),
    "an image": ('<image href="a.png"/>', "'image' cannot stand in a drawing. A drawing loads nothing."),
    "a link": ('<a href="https://a.example"/>', "'a' cannot stand in a drawing. A drawing is made of"),
    "a page within": ("<foreignObject/>", "'foreignObject' cannot stand in a drawing."),
    "a use of elsewhere": ('<use xlink:href="b.svg#a"/>', "'use' cannot stand in a drawing."),
    "a reference on a path": ('<path href="b.svg"/>', "'href' cannot stand in a drawing. A drawing loads"),
    "a style sheet": ("<style>*{}</style>", "'style' cannot stand in a drawing."),
    "a style": ('<path style="fill:red"/>', "'style' cannot stand in a drawing."),
    "a movement": ('<animate attributeName="x"/>', "'animate' cannot stand in a drawing."),
    "a fill from elsewhere": ('<path fill="url(https://a.example)"/>', "cannot stand under 'fill'."),
    "a fill spelt by escapes": (r'<path fill="u\72l(x)"/>', "cannot stand under 'fill'."),
    "a font of one machine": ('<text font-family="Fancy">a</text>', "The font 'Fancy' is not on every"),
    "an instruction": ('<?xml-stylesheet href="a.css"?>', "'<?xml-stylesheet' cannot stand in a drawing."),
    "a drawing within": (HEADED + "</svg>", "A drawing is one svg element."),
    "words beside": ("loose words", "Words stand outside a text element."),
    "an open element": ("<g>", "The drawing cannot be read as XML: mismatched tag."),
}


@pytest.mark.parametrize(("inside", "said"), INSIDE.values(), ids=INSIDE.keys())
def test_what_could_do_more_than_show_is_refused_at_its_line(folder: Path, inside: str, said: str) -> None:
    """The drawing is named with the line, and the sentence says what would be right."""
    file = folder / "pictures" / "wiggle.svg"
    file.write_text(f"{HEADED}\n<g/>\n{inside}\n</svg>\n", encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        checked([folder])
    (problem,) = refused.value.problems
    assert (problem.place.file, problem.code, problem.severity) == (str(file), "picture", "error")
    assert problem.place.line == (4 if inside == "<g>" else 3)
    assert said in str(problem)
    assert problem.instead


WHOLE = {
    "no viewBox": (HEADED.replace(' viewBox="0 0 400 300"', "") + "</svg>", "1:1", "There is no viewBox."),
    "a viewBox in words": (HEADED.replace("400", "wide") + "</svg>", "1:1", "is no viewBox."),
    "another root": ("<html/>", "1:1", "'html' cannot stand in a drawing."),
    "no namespace": ('<svg viewBox="0 0 40 30"/>', "1:1", "The drawing does not say that it is SVG."),
    "a DOCTYPE": (f"<!DOCTYPE svg [<!ENTITY a 'b'>]>\n{HEADED}</svg>", "1:", "A drawing has no DOCTYPE."),
    "nothing": ("", "1:1", "The drawing cannot be read as XML: no element found."),
    "too many letters": (
        f"{HEADED}<desc>{'x' * LARGEST_PICTURE}</desc></svg>",
        "1:1",
        f"and {LARGEST_PICTURE} are allowed.",
    ),
}


@pytest.mark.parametrize(("text", "place", "said"), WHOLE.values(), ids=WHOLE.keys())
def test_what_is_no_drawing_is_refused(folder: Path, text: str, place: str, said: str) -> None:
    """It has to be SVG of a stated size, drawn by hand."""
    file = folder / "pictures" / "wiggle.svg"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        load([folder])
    (problem,) = refused.value.problems
    assert str(problem).startswith(f"{file}:{place}")
    assert said in str(problem)


@pytest.mark.parametrize("name", ["../wiggle.svg", "/etc/passwd", "wiggle.png", "Wiggle.svg", "a b.svg"])
def test_a_name_that_leads_elsewhere_is_refused(folder: Path, name: str) -> None:
    """A drawing lies in its folder; nothing else of the machine is ever read."""
    file = folder / "rattle.yaml"
    file.write_text(RATTLE.replace("wiggle.svg", name), encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        load([folder])
    (problem,) = refused.value.problems
    line = next(at for at, one in enumerate(file.read_text().splitlines(), start=1) if name in one)
    assert (problem.place.line, problem.code) == (line, "wrong-value")
    assert f"'{name}' cannot be the name of a drawing. Name an SVG file in the folder" in str(problem)


def test_the_version_is_another_one_once_a_line_is_drawn_differently(folder: Path) -> None:
    """Jobs say by which drawings they were worked; a comment in the file is nothing that anybody sees."""
    before = load([folder])
    file = folder / "pictures" / "hold.svg"
    file.write_text(file.read_text().replace("how the clamp sits", "where it sits"), encoding="utf-8")
    assert load([folder]).version == before.version
    file.write_text(file.read_text().replace("L90 90", "L90 80"), encoding="utf-8")
    assert load([folder]).version != before.version


def test_knowledge_without_drawings_is_the_version_that_it_was() -> None:
    """Open jobs of a workshop that has no drawings are not weighed anew (the version as made before)."""
    assert load([SHIPPED / "example"]).version == "9d7efb5539e0"


# ---------------------------------------------------------------------------------------- the checker


def found(paths: list[Path]) -> list[str]:
    """What the checker says of drawings."""
    return [str(one) for one in problems(load(paths)) if "picture" in one.code]


def test_a_drawing_that_is_not_there_is_weak_and_nothing_is_shown(folder: Path) -> None:
    """A missing sketch stops no job: it is named at its line, and the reading is taken as before."""
    (folder / "pictures" / "hold.svg").unlink()
    line = next(at for at, one in enumerate(RATTLE.splitlines(), start=1) if "hold.svg" in one)
    (said,) = found([folder])
    assert said.startswith(f"{folder}/rattle.yaml:{line}:9: no-picture: weak: There is no drawing 'hold.svg'")
    assert ("readings", "glass_held") not in checked([folder]).pictures


def test_a_drawing_that_nothing_names_is_weak(folder: Path) -> None:
    """It is told of where the folder is checked, not where one of its files is."""
    (folder / "pictures" / "old.svg").write_text(CLAMP, encoding="utf-8")
    (said,) = found([folder])
    assert said.startswith(f"{folder}/pictures/old.svg:1:1: unused-picture: weak: No reading or setup names")
    assert found([folder / "rattle.yaml"]) == []


def test_the_command_names_both(folder: Path, advisor: Callable[..., Ran]) -> None:
    """`advisor check` ends well, with two weak points."""
    (folder / "pictures" / "hold.svg").rename(folder / "pictures" / "holding.svg")
    ran = advisor("check", str(folder))
    assert ran.code == 0
    assert "no-picture" in ran.out
    assert "unused-picture" in ran.out


# ---------------------------------------------------------------------------------------- on paper


def card_of(knowledge: Knowledge, *entries: Entry) -> tuple[Drawing, ...]:
    """The drawings on the card of a job with these entries."""
    engines = Engines(knowledge)
    filed = StoredCase(1, "bay 2", AT, Case("rattle", entries), (AT,) * len(entries), knowledge.version)
    history = History(knowledge, filed, {}, weighed(knowledge, engines.of, filed.case))
    shown = tuple(drawings(history))
    assert all(isinstance(one, Drawing) for one in shown)
    return tuple(one for one in shown if isinstance(one, Drawing))


def test_the_card_shows_the_next_reading_and_those_taken_each_once(folder: Path) -> None:
    """The next one is marked; what was neither taken nor comes next is left out."""
    knowledge = checked([folder])
    first = [one.caption for one in card_of(knowledge)]
    assert first[-1].startswith("Next: ")
    taken = [one.caption for one in card_of(knowledge, Seen("wiggle", "firm"))]
    assert taken.count("Wiggle the strap") == taken.count("Door open") == 1
    assert "Door open" in [
        one.caption for one in card_of(knowledge, Prepared("door_open", "2030-03-04T08:05:00+00:00"))
    ]


def test_a_drawing_is_on_the_page_and_named_in_markdown(folder: Path) -> None:
    """On paper it is drawn, 8 cm wide; a terminal's page says where it is and what its labels are."""
    knowledge = checked([folder])
    picture = knowledge.pictures[("readings", "wiggle")]
    part = Drawing("Wiggle <the> strap", picture.markup, picture.labels)
    paper = Paper("Card", "", (Section("How it is done", (part,)),), (), "Card")
    page = html(paper)
    assert f"<figure>{picture.markup}<figcaption>Wiggle &lt;the&gt; strap</figcaption></figure>" in page
    assert "width:80mm" in page
    said = markdown(paper)
    assert "drawing, on the page to print: Wiggle shut" in said
    assert "<svg" not in said


# ---------------------------------------------------------------------------------------- at the bench


class Browser(webbrowser.BackgroundBrowser):
    """A browser with a window of its own, which only remembers."""

    def __init__(self) -> None:
        super().__init__("window")
        self.seen: list[str] = []

    def open(self, url: str, new: int = 0, autoraise: bool = True) -> bool:
        """Remember the page."""
        self.seen.append(url)
        return True


async def pressed_p(pilot: Pilot[None]) -> str:
    """Put the reading with drawings on the card, press its key, and return what is said of the file."""
    task = await opened(pilot, complaint="rattle")
    task.choose("wiggle")
    await settled(pilot)
    assert "p See how it is done" in words(pilot)
    await pilot.press("p")
    await until(pilot, lambda _: "Saved as" in words(pilot))
    return words(pilot)


async def test_key_p_writes_the_drawing_beside_papers_and_opens_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page has the drawings of the setup and of the reading, their steps, and what can hurt."""
    window = Browser()
    monkeypatch.setattr("advisor.store.store.user_downloads_path", lambda: tmp_path)
    monkeypatch.setattr(webbrowser, "get", lambda: window)
    async with running(folder, tmp_path, (110, 36)) as pilot:
        said = await pressed_p(pilot)
    file = tmp_path / "how-to-wiggle.html"
    assert window.seen == [file.as_uri()]
    assert "It is open in the browser." in said
    page = file.read_text(encoding="utf-8")
    assert page.count("<figure><svg") == 2
    for expected in (
        "Open it wide",
        "Push it up and down",
        "Keep fingers clear of the hinge.",
        "Local rules",
    ):
        assert expected in page


async def test_without_a_viewer_key_p_says_where_the_file_is(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser that runs in the terminal would take the screens' place: it counts as none."""

    def started(*_: object, **__: object) -> bool:
        raise AssertionError("it was started in the terminal")

    monkeypatch.setattr("advisor.store.store.user_downloads_path", lambda: tmp_path)
    monkeypatch.setattr(webbrowser.GenericBrowser, "open", started)
    monkeypatch.setattr(webbrowser, "get", lambda: webbrowser.GenericBrowser("text-only"))
    async with running(folder, tmp_path, (110, 36)) as pilot:
        said = await pressed_p(pilot)
    assert "There is no viewer here: open the file on a machine that has one." in said
    assert (tmp_path / "how-to-wiggle.html").is_file()


def test_no_browser_at_all_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library says so by an exception."""

    def none() -> webbrowser.BaseBrowser:
        raise webbrowser.Error("could not locate runnable browser")

    monkeypatch.setattr(webbrowser, "get", none)
    assert not viewer.opened(tmp_path)


async def test_a_reading_without_a_drawing_offers_none(folder: Path, tmp_path: Path) -> None:
    """Neither on the card nor among all that can be done, and the key does nothing."""
    async with running(folder, tmp_path, (110, 36)) as pilot:
        task = await opened(pilot, complaint="rattle")
        await entered(pilot, lambda: task.session.skipped("wiggle", "no key"))
        task.choose("knock")
        await settled(pilot)
        assert isinstance(pilot.app.screen, TaskScreen)
        assert "See how it is done" not in words(pilot)
        assert task.check_action("picture", ()) is False
        await pilot.press("p")
        await settled(pilot)
        assert "Saved as" not in words(pilot)


# ---------------------------------------------------------------------------------------- as shipped

DRAWN = sorted((SHIPPED / "pictures").glob("*.svg"))
LEAST_LETTER_MM = 2.8
"""8 points, the least that is read at arm's length by a lamp (common practice, no source)."""
WIDE_MM = 80


@pytest.mark.parametrize("file", DRAWN, ids=lambda file: file.stem)
def test_a_shipped_drawing_is_black_lines_with_few_words_that_can_be_read(file: Path) -> None:
    """At most three phrases and four labels, letters of 8 points at 8 cm, nothing that needs colour."""
    root = ET.fromstring(file.read_text(encoding="utf-8"))
    labels = parse_picture(file.read_text(encoding="utf-8"), str(file)).labels
    phrases = [label for label in labels if len(re.findall(r"[a-z]{2,}", label, re.IGNORECASE)) > 1]
    assert 1 <= len(phrases) <= 3
    assert len([label for label in labels if re.search(r"[a-z]{4,}", label)]) <= 4
    wide = float(root.attrib["viewBox"].split()[2])
    for one in root.iter():
        assert {one.attrib.get(paint, "none") for paint in ("fill", "stroke")} <= {"none", "black", "white"}
        if size := one.attrib.get("font-size"):
            assert float(size) * WIDE_MM / wide >= LEAST_LETTER_MM or one.text in ("LOW", "HIGH")


def test_twelve_drawings_are_shipped_and_every_one_is_shown(shipped: Knowledge) -> None:
    """All that lie there are named by readings or setups that exist."""
    assert len(DRAWN) == 12
    named = {item.picture for section in (shipped.readings, shipped.setups) for item in section.values()}
    assert named - {None} == {file.name for file in DRAWN}
    assert replace(shipped).unused_pictures == ()
