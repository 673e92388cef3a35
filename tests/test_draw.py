"""A tree as a picture."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from advisor.checks.lint import checked
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.model.priors import tree_of
from advisor.papers.fault_tree import tree_svg

SVG = "{http://www.w3.org/2000/svg}"
HEAD = "language: 1\nstanding: estimate\n"
REMEDY = "remedy: Put right, remedy_minutes: 5, price: none"

WET = f"""{HEAD}
complaints:
  wet:
    name: Water inside
    family: ingress
    any_of: {{roof: 60, doors: 50}}
    unlisted: 5
branches:
  roof: {{name: Roof leaks, any_of: {{drain: 50, crack_in_rain: 30, seal: 40}}, unlisted: rest}}
  crack_in_rain: {{name: Rain meets a crack, all_of: [crack, rain]}}
  doors: {{name: Doors leak, at_least: 2, of: {{seal: 90, film: 80, crack_in_rain: 20, vent: 33.25}}}}
  vent: {{name: Vent leaks, exactly_one_of: {{flap: 40, frame: 60}}}}
faults:
  drain: {{name: Drain blocked, {REMEDY}}}
  seal: {{name: Seal worn, {REMEDY}}}
  film: {{name: Film loose, {REMEDY}}}
  crack: {{name: Glass cracked, prior: 0.02, {REMEDY}}}
  rain: {{name: Parked in rain, prior: 0.3, {REMEDY}}}
  flap: {{name: Flap bent, {REMEDY}}}
  frame: {{name: Frame bent, {REMEDY}}}
states:
  pool: {{name: Water stands in the channel, all_of: [drain, seal]}}
readings:
  hose:
    name: Hose over the whole length of the roof for five minutes
    minutes: 5
    outcomes: {{dry: Stays dry, wet: Drips}}
    noisy_or: {{leak: 0.1, causes: {{roof: 0.5, seal: 0.4, drain: 0.3}}}}
  splash:
    name: Splashing heard in bends
    who: customer
    minutes: 1
    outcomes: {{quiet: Quiet, splash: Splashes}}
    noisy_or: {{leak: 0.1, causes: {{pool: 0.5, "unlisted:roof": 0.2}}}}
"""

EMS = {"W": 0.989, "m": 0.974, "水": 1.0, "i": 0.278, "A": 0.684, "-": 0.361, " ": 0.318, "…": 1.0}
"""Advance widths of a common wide sans-serif font, in em."""

Area = tuple[float, float, float, float]


def written(folder: Path, text: str) -> Knowledge:
    """Knowledge from YAML text."""
    file = folder / "knowledge.yaml"
    file.write_text(text, encoding="utf-8")
    return load([file])


@pytest.fixture(scope="module")
def wet(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """A small tree with every kind of gate, a shared fault and a shared branch."""
    return written(tmp_path_factory.mktemp("wet"), WET)


@pytest.fixture(scope="module")
def shipped() -> Knowledge:
    """The shipped knowledge."""
    return checked([Path(__file__).parent.parent / "knowledge"])


def groups(picture: str, kind: str | None = None, node: str | None = None) -> list[Xml.Element]:
    """The groups of a picture that keep to an area of their own."""
    found = Xml.fromstring(picture).iter(f"{SVG}g")
    return [
        one for one in found if kind in (None, one.get("data-kind")) and node in (None, one.get("data-id"))
    ]


def words(group: Xml.Element) -> str:
    """What is written in a group, lines joined."""
    return " ".join(text.text or "" for text in group.iter(f"{SVG}text"))


def area(group: Xml.Element) -> Area:
    """Left, top, right and bottom of a group."""
    x, y, width, height = (float(one) for one in group.attrib["data-area"].split())
    return x, y, x + width, y + height


def inside(inner: Area, outer: Area) -> bool:
    """Whether an area lies within another."""
    return all(outer[at] <= inner[at] and inner[at + 2] <= outer[at + 2] for at in (0, 1))


def overlap(one: Area, other: Area) -> bool:
    """Whether two areas have a part in common, to a tenth of a pixel."""
    (left, top, right, bottom), (x0, y0, x1, y1) = one, other
    return x0 < right - 0.1 and left < x1 - 0.1 and y0 < bottom - 0.1 and top < y1 - 0.1


def collisions(picture: str) -> list[tuple[str, str]]:
    """Pairs of things in each other's way: areas that overlap, and lines that run across an area.

    A bar may lie in its box, and a line may end in what it leads to or pass under a gate.
    """
    found = [(f"{one.get('data-kind')} {one.get('data-id')}", area(one)) for one in groups(picture)]
    clashes = [
        (name, other)
        for (name, one), (other, two) in combinations(found, 2)
        if overlap(one, two) and not (other.startswith("probability") and inside(two, one))
    ]
    for line in Xml.fromstring(picture).iter(f"{SVG}polyline"):
        ends = [tuple(map(float, point.split(","))) for point in line.attrib["points"].split()]
        (x0, y0), (x1, y1) = sorted(ends)
        for name, (left, top, right, bottom) in found:
            passes = x0 < right and x1 > left and min(y0, y1) < bottom and max(y0, y1) > top
            if passes and not name.startswith("gate"):
                led_to = any(left - 0.2 <= x <= right + 0.2 and top <= y <= bottom for x, y in ends)
                clashes += [] if led_to else [(line.attrib["points"], name)]
    return clashes


def test_the_picture_is_valid_and_stands_alone(wet: Knowledge) -> None:
    """One svg root with a size; nothing is fetched and nothing runs."""
    picture = tree_svg(wet, "wet", {"seal": 0.4})
    root = Xml.fromstring(picture)
    assert root.tag == f"{SVG}svg"
    assert root.get("viewBox") == f"0 0 {root.get('width')} {root.get('height')}"
    assert picture.count("http") == 1
    assert not [one for one in root.iter() if one.tag in (f"{SVG}script", f"{SVG}image", f"{SVG}use")]


def test_everything_in_the_tree_is_drawn_with_its_name(shipped: Knowledge) -> None:
    """Every fault, branch, gate and unlisted share of a complaint has its place."""
    for complaint in shipped.complaints:
        drawn = groups(tree_svg(shipped, complaint))
        ids = {(str(one.get("data-kind")), str(one.get("data-id"))) for one in drawn}
        tree = tree_of(shipped, complaint)
        members = {member for gated in tree.values() for member in gated.gate.members}
        unlisted = {name for name in tree if getattr(tree[name], "unlisted", None)}
        assert {node for kind, node in ids if kind == "fault"} == members & set(shipped.faults)
        assert {node for kind, node in ids if kind == "branch"} == members & set(shipped.branches)
        assert {node for kind, node in ids if kind == "gate"} == set(tree)
        assert {node for kind, node in ids if kind == "unlisted"} == {f"unlisted:{name}" for name in unlisted}
        for one in drawn:
            if one.get("data-kind") in ("complaint", "branch", "fault"):
                assert words(one).split(" (brought in ")[0] == shipped.title(str(one.get("data-id")))


@pytest.mark.parametrize(
    ("node", "kind", "mark"),
    [
        ("roof", "any_of", "≥1"),
        ("crack_in_rain", "all_of", "&"),
        ("doors", "at_least", "2/4"),
        ("vent", "exactly_one_of", "=1"),
    ],
)
def test_each_kind_of_gate_has_its_symbol(wet: Knowledge, node: str, kind: str, mark: str) -> None:
    """A gate is told by what is written in it, and the legend says what that means."""
    picture = tree_svg(wet, "wet")
    (gate,) = groups(picture, "gate", node)
    assert gate.get("data-gate") == kind
    assert words(gate) == mark
    assert groups(picture, "legend", kind)


def test_gates_have_different_outlines(wet: Knowledge) -> None:
    """AND, OR and exclusive OR are also told by shape."""
    legend = [groups(tree_svg(wet, "wet"), "legend", kind)[0] for kind in ("any_of", "all_of")]
    drawn = [next(entry.iter(f"{SVG}path")).attrib["d"] for entry in legend]
    strokes = [[letter for letter in path if letter.isalpha()] for path in drawn]
    assert strokes[0] != strokes[1]
    (exclusive,) = groups(tree_svg(wet, "wet"), "gate", "vent")
    assert len(list(exclusive.iter(f"{SVG}path"))) == 2


def test_a_fault_is_a_circle_and_an_unlisted_cause_is_none(wet: Knowledge) -> None:
    """Basic and undeveloped events are told by shape."""
    picture = tree_svg(wet, "wet")
    assert all(list(one.iter(f"{SVG}circle")) for one in groups(picture, "fault"))
    assert not any(list(one.iter(f"{SVG}circle")) for one in groups(picture, "unlisted"))


@pytest.mark.parametrize(
    ("node", "said"),
    [
        ("roof", ["60 of 100"]),
        ("seal", ["40 of 100", "90 of 100"]),
        ("vent", ["33.25 of 100"]),
        ("unlisted:wet", ["5 of 100"]),
        ("unlisted:roof", ["the rest"]),
        ("crack", ["prior 0.02"]),
    ],
)
def test_edges_say_how_many_of_100(wet: Knowledge, node: str, said: list[str]) -> None:
    """The share stands at the edge as the author wrote it, at each place of the event."""
    assert [words(one) for one in groups(tree_svg(wet, "wet"), "share", node)] == said


def test_probabilities_are_shown_on_request(wet: Knowledge) -> None:
    """Who has a probability gets a bar of that length and a percentage; otherwise there are no bars."""
    picture = tree_svg(wet, "wet", {"film": 0.25, "roof": 0.999, "drain": 0.0})
    assert {str(one.get("data-id")): words(one) for one in groups(picture, "probability")} == {
        "film": "25 %",
        "roof": ">99 %",
        "drain": "0 %",
    }
    (film,) = groups(picture, "probability", "film")
    empty, full = (float(one.attrib["width"]) for one in film.iter(f"{SVG}rect"))
    assert full == pytest.approx(empty / 4)
    assert groups(picture, "legend", "probability")
    assert not groups(tree_svg(wet, "wet"), "probability")
    assert not groups(tree_svg(wet, "wet"), "legend", "probability")


def test_readings_hang_where_they_look(wet: Knowledge) -> None:
    """A reading with several causes stands with each: in full first, by its number and shorter after."""
    hose = groups(tree_svg(wet, "wet"), "reading", "hose")
    assert [words(one) for one in hose] == [
        "1 Hose over the whole length of the roof for five minutes",
        "1 Hose over the wh…",
        "1 Hose over the wh…",
    ]
    assert {one.findtext(f"{SVG}title") for one in hose} == {wet.readings["hose"].name}


def test_a_question_is_told_from_a_measurement(wet: Knowledge) -> None:
    """What the customer is asked carries a question mark, in the tree and in the legend."""
    picture = tree_svg(wet, "wet")
    assert all(words(one).startswith("? ") for one in groups(picture, "reading", "splash"))
    assert words(groups(picture, "legend", "asked")[0]).startswith("? Asked of the customer")


def test_a_state_stands_under_the_tree_with_its_causes_and_readings(wet: Knowledge) -> None:
    """A hidden state is marked with each cause, and explained once."""
    picture = tree_svg(wet, "wet")
    assert len(groups(picture, "state", "pool")) == 2
    (box,) = groups(picture, "state-box", "pool")
    assert "S1 Water stands in the channel" in words(box)
    assert "Follows where all are present: Drain blocked; Seal worn." in words(box)
    assert len(groups(picture, "reading", "splash")) == 2


def test_states_are_explained_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    """A state that follows from another one is numbered after it, however they are written."""
    text = WET.replace("states:\n", "states:\n  rust: {name: Rust, all_of: [stain]}\n").replace(
        "  pool:", "  stain: {name: Stain, any_of: [pool]}\n  pool:"
    )
    boxes = groups(tree_svg(written(tmp_path, text), "wet"), "state-box")
    assert [words(one).split(" Follows")[0] for one in boxes] == [
        "S1 Water stands in the channel",
        "S2 Stain",
        "S3 Rust",
    ]


def test_a_states_cause_outside_the_picture_is_said_to_be(wet: Knowledge) -> None:
    """A branch alone does not pretend that a state follows from what it shows only."""
    (box,) = groups(tree_svg(wet, "doors"), "state-box", "pool")
    assert "Drain blocked (not in this picture); Seal worn." in words(box)


def test_without_readings_only_the_tree_is_drawn(wet: Knowledge) -> None:
    """Readings and the states they depend on are left out, and the legend does not speak of them."""
    picture = tree_svg(wet, "wet", readings=False)
    for kind in ("reading", "state", "state-box"):
        assert not groups(picture, kind)
    assert not {"asked", "taken", "number", "state"} & {
        one.get("data-id") for one in groups(picture, "legend")
    }


def test_a_shared_fault_is_drawn_at_each_place_with_one_letter(wet: Knowledge) -> None:
    """A fault under two gates carries the standard's transfer triangle at both, its readings at the first."""
    picture = tree_svg(wet, "wet")
    assert len(groups(picture, "fault", "seal")) == 2
    marks = groups(picture, "transfer", "seal")
    assert [one.get("data-transfer") for one in marks] == ["out", "in"]
    assert len({words(one) for one in marks}) == 1
    assert not groups(picture, "transfer", "drain")
    assert groups(picture, "legend", "transfer")


def test_a_shared_branch_is_taken_apart_once(wet: Knowledge) -> None:
    """At its second place a branch refers to the first, under another letter than other shared events."""
    picture = tree_svg(wet, "wet")
    assert len(groups(picture, "branch", "crack_in_rain")) == 2
    assert len(groups(picture, "gate", "crack_in_rain")) == 1
    assert len(groups(picture, "fault", "crack")) == 1
    letters = [
        {words(one) for one in groups(picture, "transfer", node)} for node in ("crack_in_rain", "seal")
    ]
    assert letters == [{"A"}, {"B"}]


def test_a_branch_can_be_drawn_alone(wet: Knowledge) -> None:
    """Only what is under the branch is drawn; what it shares with others needs no mark there."""
    picture = tree_svg(wet, "doors")
    assert {one.get("data-id") for one in groups(picture, "fault")} == {
        "seal", "film", "crack", "rain", "flap", "frame",
    }  # fmt: skip
    assert not groups(picture, "complaint")
    assert not groups(picture, "transfer")
    assert Xml.fromstring(picture).findtext(f"{SVG}title") == "Doors leak"


@pytest.mark.parametrize("root", ["nothing", "seal", "pool"])
def test_an_unknown_root_is_a_key_error(wet: Knowledge, root: str) -> None:
    """Only complaints and branches have a tree."""
    with pytest.raises(KeyError, match=root):
        tree_svg(wet, root)


def test_no_parts_of_a_drawing_overlap(wet: Knowledge, shipped: Knowledge) -> None:
    """No two boxes, symbols, labels or tags overlap, and no line runs across one."""
    for knowledge, branches in ((wet, wet.branches), (shipped, {})):
        likely = dict.fromkeys([*knowledge.faults, *knowledge.branches, *knowledge.complaints], 0.5)
        for root in (*knowledge.complaints, *branches):
            assert collisions(tree_svg(knowledge, root)) == [], root
            assert collisions(tree_svg(knowledge, root, likely)) == [], root


def test_a_shared_branchs_mark_has_room_above_its_gate(tmp_path: Path) -> None:
    """The triangle over the gate of a branch with a single row stays clear of the line above it."""
    text = f"""{HEAD}
complaints:
  top: {{name: Top, family: drain, any_of: {{first: 40, one: 50, two: 60}}, unlisted: 5}}
branches:
  one: {{name: One, any_of: {{both: 100}}}}
  two: {{name: Two, any_of: {{both: 100}}}}
  both: {{name: Both, any_of: {{last: 100}}}}
faults:
  first: {{name: First, {REMEDY}}}
  last: {{name: Last, {REMEDY}}}
"""
    picture = tree_svg(written(tmp_path, text), "top")
    assert len(groups(picture, "transfer", "both")) == 2
    assert collisions(picture) == []


def test_all_lies_within_the_page(wet: Knowledge, shipped: Knowledge) -> None:
    """Nothing is cut off at the edge, and every shipped complaint fits a wide screen."""
    roots = [(wet, "wet"), (wet, "vent"), *((shipped, complaint) for complaint in shipped.complaints)]
    for knowledge, root in roots:
        picture = tree_svg(knowledge, root, dict.fromkeys(knowledge.faults, 0.5))
        page = Xml.fromstring(picture)
        width, height = float(page.attrib["width"]), float(page.attrib["height"])
        assert width <= 2400
        assert all(inside(area(one), (0, 0, width, height)) for one in groups(picture))


@pytest.mark.parametrize("name", ["W" * 80, "mm " * 26 + "mm", "水" * 80, "i" * 80, "A-" * 40])
def test_a_long_name_is_wrapped_in_its_box(tmp_path: Path, name: str) -> None:
    """Names of any 80 characters stay whole and within their boxes and tags."""
    text = WET
    for said in ("Seal worn", "Roof leaks", "Splashing heard in bends", "Water stands in the channel"):
        text = text.replace(said, name)
    picture = tree_svg(written(tmp_path, text), "wet")
    assert collisions(picture) == []
    for group in (*groups(picture, "fault", "seal"), *groups(picture, "branch", "roof")):
        assert words(group).replace(" ", "") == name.replace(" ", "")
    for group in groups(picture):
        left, top, right, bottom = area(group)
        for line in group.iter(f"{SVG}text"):
            letters = line.text or ""
            if set(letters) <= set(name):
                css = line.get("class", "").split()
                size = (12 if "name" in css else 11) * (1.12 if "strong" in css else 1)
                wide = size * sum(EMS[letter] for letter in letters)
                assert left <= float(line.attrib["x"]) <= float(line.attrib["x"]) + wide <= right
                assert top <= float(line.attrib["y"]) <= bottom


def test_names_are_text_whatever_is_in_them(tmp_path: Path) -> None:
    """Markup, quotes and characters that XML cannot carry neither break nor enter the picture."""
    hostile = "<script>alert('1')</script> & \\\"x\\\" ]]> \\x07"
    text = WET
    for said in (
        "Water inside",
        "Seal worn",
        "Roof leaks",
        "Splashing heard in bends",
        "Water stands in the channel",
    ):
        text = text.replace(f"name: {said}", f'name: "{hostile}"')
    picture = tree_svg(written(tmp_path, text), "wet", {"seal": 0.5})
    assert "<script" not in picture
    assert not [one for one in Xml.fromstring(picture).iter() if one.tag == f"{SVG}script"]
    said = words(groups(picture, "fault", "seal")[0])
    assert said == "<script>alert('1')</script> & \"x\" ]]> \ufffd"
    assert collisions(picture) == []


def test_the_same_knowledge_gives_the_same_picture(shipped: Knowledge) -> None:
    """A picture in version control changes only where the knowledge does."""
    likely = {"boot_lamp": 0.3, "relay_coil": 0.1}
    again = dict(reversed(likely.items()))
    assert tree_svg(shipped, "flat_battery", likely) == tree_svg(shipped, "flat_battery", again)


def test_text_is_large_enough(shipped: Knowledge) -> None:
    """No text is set under 11 px."""
    style = Xml.fromstring(tree_svg(shipped, "flat_battery")).findtext(f"{SVG}style") or ""
    sizes = [float(part.split("px")[0]) for part in style.split("font-size:")[1:]]
    assert sizes
    assert min(sizes) >= 11
    assert "font-size" not in tree_svg(shipped, "flat_battery").split("</style>")[1]
