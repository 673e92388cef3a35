"""Questions about the whole knowledge: each fires at its place, and stays silent on what is good."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from advisor.checks.lint import checked, problems
from advisor.checks.registry import CHECKS, REFERENCES
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.knowledge.problems import Problem, ProblemsFound
from tests.conftest import HEAD, SHIPPED, complaint, faults, text_at

GOOD = """\
language: 1
standing: estimate
complaints:
  rattle:
    name: Door rattles
    family: doors
    any_of: {strap: 60, trim: 50}
    unlisted: 5
branches:
  trim:
    name: Something loose behind the trim
    any_of: {cable: 60, speaker: 42}
    unlisted: rest
faults:
  strap: {name: Strap loose, remedy: Tighten it, remedy_minutes: 10, price: low}
  cable:
    name: Cable loose
    remedy: Clip it
    remedy_minutes: 20
    price: low
    given: {frame: {frameless: 2}}
    cautions: [airbag]
  speaker: {name: Speaker loose, remedy: Screw it, remedy_minutes: 30, price: low}
facts:
  frame: {name: Window frame, ask: Is there a frame?, values: {framed: 90, frameless: 10}}
states:
  moves:
    name: The door moves
    noisy_or:
      leak: 4 of 100
      causes: {strap: 85 of 100}
readings:
  quiet:
    name: Quiet when pressed
    ask: Does it stop when you press?
    who: customer
    minutes: 2
    outcomes: {noisy: Noisy, silent: Silent}
    noisy_or:
      leak: 8 of 100
      strengths: with_leak
      causes: {moves: 80 of 100}
  play:
    name: Play of the door
    minutes: 4
    instrument: gauge
    setup: shut
    quantity:
      unit: mm
      range: [0, 20]
      bands: {little: Little, some: Some, much: Much}
      limits: [0.5, {by: frame, framed: 1.5, frameless: 2.5}]
    noisy_max:
      leak: {some: 10 of 100, much: 2 of 100}
      causes:
        moves: {some: 40 of 100, much: 45 of 100}
  buzz:
    name: Buzz with bass
    minutes: 1
    cautions: [airbag]
    outcomes: {none: None, buzzes: Buzzes}
    table:
      - when: {speaker: present}
        gives: {none: 15 of 100, buzzes: 85 of 100}
      - when: {cable: present, frame: frameless}
        gives: {none: 60 of 100, buzzes: 40 of 100}
      - otherwise: {none: 95 of 100, buzzes: 5 of 100}
instruments:
  gauge: {name: Dial gauge}
setups:
  shut: {name: Door shut, hands_on_minutes: 1, needs: [clean]}
  clean: {name: Door clean, hands_on_minutes: 9}
cautions:
  airbag: {name: Side airbag, text: Do not strike near it, short: Do not strike near it}
"""

SLIPS: dict[str, tuple[str, str, str, str]] = {
    # what is asked: the words replaced, by what, the code, and the text at the place reported
    "a customer's answer said to show at rest": (
        "    who: customer\n    minutes: 2",
        "    who: customer\n    shows_at_rest: true\n    minutes: 2",
        "wrong-value",
        "shows_at_rest: true",
    ),
    "what a reading proves": (
        "    minutes: 4\n    instrument",
        "    minutes: 4\n    proof: look\n    proves: speaker\n    proved_by: much\n    instrument",
        "proof",
        "proves: speaker",
    ),
    "members of a complaint": ("strap: 60", "strapp: 60", "unknown-id", "strapp: 60"),
    "members of a branch": ("any_of: {cable: 60,", "any_of: {cabel: 60,", "unknown-id", "cabel: 60"),
    "causes of a state": ("causes: {strap: 85", "causes: {stap: 85", "unknown-id", "stap: 85"),
    "an instrument": ("instrument: gauge", "instrument: guage", "unknown-id", "instrument: guage"),
    "a setup": ("setup: shut", "setup: shot", "unknown-id", "setup: shot"),
    "causes of a noisy_or": ("causes: {moves: 80", "causes: {move: 80", "unknown-id", "move: 80"),
    "causes of a noisy_max": ("moves: {some: 40", "mooves: {some: 40", "unknown-id", "mooves: {some"),
    "causes in a table": ("when: {speaker:", "when: {speeker:", "unknown-id", "speeker: present"),
    "states in a table": ("speaker: present", "speaker: presnt", "unknown-id", "speaker: presnt"),
    "facts in a table": ("frame: frameless}", "frame: framless}", "unknown-id", "frame: framless}"),
    "outcomes in a table": ("15 of 100, buzzes: 85", "15 of 100, buzz: 85", "unknown-id", "buzz: 85"),
    "outcomes in a leak": ("leak: {some: 10", "leak: {somme: 10", "unknown-id", "somme: 10"),
    "what an outcome forbids": (
        "    cautions: [airbag]\n    outcomes",
        "    cautions: [airbag]\n    forbids: {buzzes: shout}\n    outcomes",
        "unknown-id",
        "buzzes: shout",
    ),
    "the normal outcome": ("    who: cust", "    normal: loud\n    who: cust", "unknown-id", "normal: loud"),
    "the order of outcomes": (
        "    noisy_max:",
        "    mildest_first: [little, some, most]\n    noisy_max:",
        "unknown-id",
        "most]",
    ),
    "facts of a fault": ("given: {frame:", "given: {frme:", "unknown-id", "frme: {"),
    "values of a fact": ("given: {frame: {frameless", "given: {frame: {framles", "unknown-id", "framles: 2"),
    "the fact of a limit": ("by: frame,", "by: frme,", "unknown-id", "by: frme"),
    "values of a limit": ("frameless: 2.5", "frameless: 2.5, none: 2", "unknown-id", "none: 2"),
    "limits for all values": (", frameless: 2.5", "", "limit", "{by: frame"),
    "cautions of a fault": ("[airbag]\n  speaker", "[airbags]\n  speaker", "unknown-id", "airbags]"),
    "cautions of a reading": ("cautions: [airbag]\n    out", "cautions: [a]\n    out", "unknown-id", "a]"),
    "needs of a setup": ("needs: [clean]", "needs: [cleen]", "unknown-id", "cleen]"),
    "a circle of branches": ("any_of: {cable: 60,", "any_of: {trim: 60,", "circle", "trim:\n"),
    "a circle of setups": ("on_minutes: 9", "on_minutes: 9, needs: [shut]", "circle", "clean: {name"),
    "a circle of states": ("causes: {strap: 85", "causes: {moves: 85", "circle", "moves:\n"),
    "a gate with one input": ("any_of: {strap: 60, trim: 50}", "any_of: {trim: 98}", "gate", "rattle:\n"),
    "a count out of reach": (
        "any_of: {cable: 60, speaker: 42}\n    unlisted: rest",
        "at_least: 3\n    of: [cable, speaker]",
        "gate",
        "at_least: 3",
    ),
    "values of 100 cars": ("90, frameless: 10}", "90, frameless: 9}", "sum", "values: {framed"),
    "a limit too few": (", {by: frame, framed: 1.5, frameless: 2.5}]", "]", "limit", "limits: [0.5]"),
    "limits that fall": ("framed: 1.5, frame", "framed: 0.4, frame", "limit", "limits: [0.5"),
    "limits out of range": ("range: [0, 20]", "range: [0, 2]", "limit", "limits: [0.5"),
    "noisy_or for three": ("{noisy: Noisy,", "{noisy: Noisy, faint: Faint,", "outcomes", "noisy_or:"),
    "an order without one": (
        "    noisy_max:",
        "    mildest_first: [little, much]\n    noisy_max:",
        "outcomes",
        "mildest_first",
    ),
    "an order from another": (
        "    noisy_max:",
        "    mildest_first: [some, little, much]\n    noisy_max:",
        "outcomes",
        "mildest_first",
    ),
    "more than all": ("some: 40 of 100, much: 45", "some: 40 of 100, much: 65", "sum", "moves: {some"),
    "less than all": ("none: 15 of 100, buzzes: 85", "none: 15 of 100, buzzes: 75", "sum", "gives: {none"),
    "rarer with a cause": ("causes: {moves: 80 of 100}", "causes: {moves: 7 of 100}", "rarer", "moves: 7 of"),
    "no last row": ("      - otherwise: {none: 95 of 100, buzzes: 5 of 100}\n", "", "rows", "table:\n"),
    "rows after the last": (
        "    table:\n",
        "    table:\n      - otherwise: {none: 1.0, buzzes: 0.0}\n",
        "rows",
        "otherwise: {none: 1.0",
    ),
    "a field with standing": (
        "}\nfacts",
        ", standing_of: {prize: estimate}}\nfacts",
        "unknown-id",
        "prize: est",
    ),
    "a question without words": ("    ask: Does it stop when you press?\n", "", "missing", "quiet:\n"),
    "a fact that leaves no car": (
        "{frame: {frameless: 2}}",
        "{frame: {framed: impossible, frameless: impossible}}",
        "ruled-out",
        "frame: {framed",
    ),
    "a share that leaves no car": (
        "strap: 60, trim: 50",
        "strap: {by: frame, framed: 0, frameless: impossible}, trim: 99",
        "ruled-out",
        "strap: {by",
    ),
    "numbers in a state's gate": (
        "    noisy_or:\n      leak: 4 of 100\n      causes: {strap: 85 of 100}\n",
        "    any_of: {strap: 60, speaker: 50}\n",
        "shares",
        "any_of: {strap: 60, speaker",
    ),
    "shares that cannot be": ("strap: 60, trim: 50", "strap: 60, trim: 30", "shares", "any_of: {strap"),
}

GLASS = faults("glass").removeprefix("faults:\n")

WEAK = {
    "an instrument in no reading": ("  gauge: {", "  torch: {name: Torch}\n  gauge: {", "unused", "torch: {"),
    "a fault in no gate": ("  speaker: {", GLASS + "  speaker: {", "unused", "glass: {"),
    "a fault in no reading": (
        "any_of: {cable: 60, speaker: 42}",
        "any_of: {cable: 60, speaker: 30, glass: 12}",
        "unseen",
        "glass: {",
    ),
    "a drawing that is not there": (
        "  quiet:\n    name: Quiet when pressed\n",
        "  quiet:\n    name: Quiet when pressed\n    picture: quiet.svg\n",
        "no-picture",
        "picture: quiet.svg",
    ),
}


MISTAKES = Path(__file__).parent / "mistakes"


def found_in(tmp_path: Path, text: str) -> list[Problem]:
    """What the checker says of a text."""
    file = tmp_path / "x.yaml"
    file.write_text(text, encoding="utf-8")
    return problems(load([file]))


def sentences(tmp_path: Path, text: str) -> list[str]:
    """What the checker says of a text, without the file's name."""
    return [str(problem).removeprefix(f"{tmp_path}/x.yaml:") for problem in found_in(tmp_path, text)]


@pytest.mark.parametrize("folder", [SHIPPED, SHIPPED / "example"], ids=["shipped", "example"])
def test_nothing_is_wrong_or_weak_in_what_comes_along(folder: Path) -> None:
    """The knowledge that people start from gives no reason to doubt the checker."""
    assert problems(load([folder])) == []


def test_nothing_is_wrong_or_weak_in_good_knowledge(tmp_path: Path) -> None:
    """Knowledge that uses every part of the language as the guide says is left in peace."""
    assert sentences(tmp_path, GOOD) == []


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_one_problem_at_its_place(tmp_path: Path, slip: str) -> None:
    """One wrong word or number in good knowledge is one error, exactly where it stands."""
    old, new, code, at = SLIPS[slip]
    assert GOOD.count(old) == 1
    text = GOOD.replace(old, new)
    errors = [one for one in found_in(tmp_path, text) if one.severity == "error"]
    assert [one.code for one in errors] == [code]
    assert text_at(text, errors[0].place).startswith(at.rstrip("\n")), errors[0]


@pytest.mark.parametrize("point", WEAK)
def test_a_weak_point_is_told_and_keeps_nobody_from_working(tmp_path: Path, point: str) -> None:
    """What is written and never counts, or can never be seen, is said; it can be used all the same."""
    old, new, code, at = WEAK[point]
    text = GOOD.replace(old, new)
    if "glass" in new and "Fault glass" not in text:
        text = text.replace("  speaker: {", GLASS + "  speaker: {")
    found = found_in(tmp_path, text)
    assert (code, "weak") in [(one.code, one.severity) for one in found]
    assert {one.severity for one in found} == {"weak"}
    assert all(text_at(text, one.place).startswith(at) for one in found)
    assert "weak: " in str(found[0])
    assert isinstance(checked([tmp_path / "x.yaml"]), Knowledge)


def test_every_check_fires_on_some_slip_and_none_on_good_knowledge(tmp_path: Path) -> None:
    """Each check fires on at least one slip of this file or of the folder of mistakes."""
    quiet = {check.__name__ for check in (*REFERENCES, *CHECKS)}
    texts = [GOOD.replace(old, new) for old, new, _, _ in (*SLIPS.values(), *WEAK.values())]
    texts.append(GOOD.replace("standing: estimate\n", "", 1))
    texts += [file.read_text(encoding="utf-8") for file in sorted(MISTAKES.glob("*.yaml"))]
    for text in texts:
        file = tmp_path / "x.yaml"
        file.write_text(text, encoding="utf-8")
        try:
            knowledge = load([file])
        except ProblemsFound:
            continue  # Its slips are found before any check is asked.
        for check in REFERENCES:
            if any(check(knowledge)):
                quiet.discard(check.__name__)
                break
        else:
            quiet -= {check.__name__ for check in CHECKS if any(check(knowledge))}
    assert quiet == set()


def test_an_error_says_what_is_wrong_and_what_would_be_right(tmp_path: Path) -> None:
    """Whole sentences, as an author reads them."""
    assert sentences(tmp_path, GOOD.replace("setup: shut", "setup: shot")) == [
        "47:5: unknown-id: There is no setup 'shot'. Did you mean 'shut'?"
    ]
    assert sentences(tmp_path, GOOD.replace("some: 40 of 100, much: 45", "some: 40 of 100, much: 65")) == [
        "56:9: sum: The probabilities add up to 105 of 100. Every car shows exactly one outcome. "
        "Make them add up to 100, or leave the normal outcome out: it gets the rest."
    ]
    assert sentences(tmp_path, GOOD.replace("hands_on_minutes: 9", "hands_on_minutes: 9, needs: [shut]")) == [
        "72:3: circle: 'clean' depends on itself: clean → shut → clean. "
        "A consequence cannot be its own cause. "
        "Take one of them out of the circle."
    ]


@pytest.mark.parametrize(
    ("typed", "instead"),
    [
        ("ma", "Did you mean 'mA'?"),
        ("milliamp", "Did you mean 'mA'?"),
        ("mohm", "Write MΩ or mΩ."),
        ("bar", "Write 'bar g' for gauge pressure or 'bar abs' for absolute pressure."),
        ("kpa", "Write 'kPa g' for gauge pressure or 'kPa abs' for absolute pressure."),
    ],
)
def test_a_unit_as_people_type_it_is_told_as_knowledge_writes_it(
    tmp_path: Path, typed: str, instead: str
) -> None:
    """The spellings are those that may be typed as an answer; a bare pressure lacks its reference."""
    text = GOOD.replace("unit: mm", f"unit: {typed}")
    assert text != GOOD
    (said,) = [one for one in sentences(tmp_path, text) if "unit" in one]
    assert said.endswith(f"There is no unit '{typed}'. {instead}")


def test_each_item_says_where_its_numbers_come_from(tmp_path: Path) -> None:
    """Without a standing at the head, everything that has numbers and none of its own is named."""
    why = (
        "A reader must be able to tell a measured figure from a guess. "
        "Write 'standing: estimate' at the head of the file, or a source here."
    )
    text = (
        HEAD.replace("standing: estimate\n", "")
        + complaint("any_of: {a: 60, b: 45}")
        + faults("a", "b", a="standing: {source: EN 50342-1}")
    )
    assert [said for said in sentences(tmp_path, text) if "standing" in said.split()[1]] == [
        f"3:3: standing: Nothing says where the numbers of 'c' come from. {why}",
        f"6:3: standing: Nothing says where the numbers of 'b' come from. {why}",
    ]


def test_sense_is_asked_for_only_where_references_hold(tmp_path: Path) -> None:
    """An unknown id is reported alone: what follows from it would only confuse."""
    text = GOOD.replace("strap: 60", "strapp: 60").replace("much: 45", "much: 95")
    assert [one.code for one in found_in(tmp_path, text)] == ["unknown-id"]


def test_the_first_use_of_knowledge_is_refused_with_every_error(tmp_path: Path) -> None:
    """`checked` is the checker that raises: the same errors, without the weak points."""
    text = (
        GOOD.replace("much: 45", "much: 95")
        .replace("moves: 80", "moves: 7")
        .replace("  gauge: {", "  torch: {name: Torch}\n  gauge: {")
    )
    found = found_in(tmp_path, text)
    assert [one.code for one in found] == ["rarer", "sum", "unused"]
    with pytest.raises(ProblemsFound) as refused:
        checked([tmp_path / "x.yaml"])
    assert list(refused.value.problems) == found[:2]


def test_a_knot_of_branches_is_untied_in_one_message(tmp_path: Path) -> None:
    """Branches that all depend on each other are a few problems, not one for each of 2365 ways round."""
    names = [f"b{number}" for number in range(7)]
    branches = "branches:\n" + "".join(
        f"  {name}: {{name: Branch, any_of: [{', '.join(one for one in names if one != name)}]}}\n"
        for name in names
    )
    text = HEAD + complaint("any_of: {b0: 60, a: 50}") + branches + faults("a")
    assert 1 <= len(found_in(tmp_path, text)) <= len(names)


def test_a_state_is_never_rarer_with_a_cause_than_without(tmp_path: Path) -> None:
    """A noisy state is held to the same rule as a reading: it would otherwise stop the program later."""
    text = GOOD.replace("leak: 4 of 100\n", "leak: 20 of 100\n      strengths: with_leak\n")
    text = text.replace("causes: {strap: 85 of 100}", "causes: {strap: 10 of 100}")
    assert [one.code for one in found_in(tmp_path, text)] == ["rarer"]


def test_check_in_a_file_of_its_own_is_asked(tmp_path: Path) -> None:
    """A new file in `checks` is all it takes; nothing else lists its check."""
    (tmp_path / "extra.py").write_text(
        "from advisor.checks.registry import consistency_check\n"
        "@consistency_check\n"
        "def never_content(knowledge):\n"
        "    yield from ()\n",
        encoding="utf-8",
    )
    code = (
        "import sys, advisor.checks; advisor.checks.__path__.append(sys.argv[1])\n"
        "import advisor.checks.lint; from advisor.checks.registry import CHECKS\n"
        "print(*(check.__name__ for check in CHECKS))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert "never_content" in done.stdout.split(), done.stderr
