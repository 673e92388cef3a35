"""The pages for authors against the program: every code is explained, and what they show is true."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import pytest
import yaml

from advisor.checks import cautions, conditions, lint, phrases, pictures, published, references, room
from advisor.checks import consistency as plausible
from advisor.checks import informativeness as review
from advisor.checks.lint import problems
from advisor.evaluation import scenarios as simulation
from advisor.evaluation.scenarios import read_scenarios
from advisor.inference.compiler import compile_tables
from advisor.knowledge import indentation, loading, replacing
from advisor.knowledge import pictures as drawings
from advisor.knowledge.loading import load
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.measure.formulas import FORMULAS
from advisor.model import priors
from advisor.model.network import build
from tests.test_mistakes import NOT_IN_A_YAML_FILE, codes_in

PAGE = Path(__file__).parent.parent / "knowledge" / "checks.md"
NOT_IN_ONE_FILE = NOT_IN_A_YAML_FILE | {"half-changed", "leans", "picture", "unused-picture"}
"""Codes that no text by itself can show; test_replacing.py, test_cli.py and test_pictures.py have them."""
HEAD = "language: 1\nstanding: estimate\n"
SECTION = re.compile(r"^## (\S+)$", re.MULTILINE)
SEVERITY = re.compile(r"^\*\*(Error|Weak)\.\*\* ", re.MULTILINE)
EXAMPLE = re.compile(r"^(Wrong|Right)(, as a scenario)?:\n\n```yaml\n(.*?)^```$", re.MULTILINE | re.DOTALL)
BASE = re.compile(r"^```yaml\n(.*?)^```$", re.MULTILINE | re.DOTALL)


class Example(NamedTuple):
    """An example of the page: the section it stands in, what it is said to be, and its text."""

    code: str
    label: str
    scenario: bool
    text: str


def sections() -> list[tuple[str, str]]:
    """The codes of the page with what is written about them, in the order of the page."""
    parts = SECTION.split(PAGE.read_text(encoding="utf-8"))
    return list(zip(parts[1::2], parts[2::2], strict=True))


def base() -> str:
    """The small file that every example is put beside."""
    found = BASE.search(SECTION.split(PAGE.read_text(encoding="utf-8"))[0])
    assert found is not None
    return found[1]


def examples(label: str) -> list[Example]:
    """All examples that the page calls wrong, or right."""
    return [
        Example(code, said, bool(scenario), text)
        for code, body in sections()
        for said, scenario, text in EXAMPLE.findall(body)
        if said == label
    ]


def defined(text: str) -> set[str]:
    """The ids that a knowledge text defines; none where it cannot be read."""
    try:
        whole = next(yaml.safe_load_all(text), None)
    except yaml.YAMLError:
        return set()
    sections = whole.values() if isinstance(whole, dict) else ()
    return {name for items in sections if isinstance(items, dict) for name in items}


def without(text: str, ids: set[str]) -> str:
    """A knowledge text less the items that have these ids; the rest as it was written."""
    root = yaml.compose(text)
    assert isinstance(root, yaml.MappingNode)
    for _, items in root.value:
        if isinstance(items, yaml.MappingNode):
            items.value = [(key, item) for key, item in items.value if key.value not in ids]
    return yaml.serialize(root, allow_unicode=True)


def beside(folder: Path, text: str) -> None:
    """Write the base and a knowledge example as two files; what the example defines leaves the base."""
    head = "" if text.startswith(("language:", "- ")) else HEAD
    (folder / "base.yaml").write_text(without(base(), defined(text)), encoding="utf-8")
    (folder / "example.yaml").write_text(head + text, encoding="utf-8")


def found_in(folder: Path, example: Example) -> list[Problem]:
    """Everything that the program says of an example, errors and weak points."""
    beside(folder, "" if example.scenario else example.text)
    try:
        knowledge = load([folder])
        found = problems(knowledge)
        if any(problem.severity == "error" for problem in found):
            return found
        if example.scenario:
            (folder / "played").mkdir()
            (folder / "played" / "scenario.yaml").write_text(example.text, encoding="utf-8")
            read_scenarios([folder / "played"], knowledge)
        return [*found, *review.review(knowledge)]
    except ProblemsFound as error:
        return list(error.problems)


def said(found: list[Problem]) -> list[str]:
    """What was found, as it prints: an assertion then shows the whole line."""
    return [str(problem) for problem in found]


def named(found: list[Example]) -> list[object]:
    """The examples as test parameters, each named for its section."""
    return [pytest.param(one, id=f"{one.code}{'-scenario' if one.scenario else ''}") for one in found]


def test_every_code_of_the_program_has_its_section_and_no_section_is_of_anything_else() -> None:
    """Who sees a code finds it on the page, and the page explains nothing that is never printed."""
    written = set().union(
        *(
            codes_in(module)
            for module in (
                lint,
                loading,
                indentation,
                references,
                replacing,
                plausible,
                cautions,
                phrases,
                published,
                pictures,
                drawings,
                conditions,
                room,
                priors,
                review,
                simulation,
            )
        )
    )
    assert {code for code, _ in sections()} == written


def test_sections_stand_in_the_order_of_the_alphabet() -> None:
    """A code is found without searching, and stands once."""
    codes = [code for code, _ in sections()]
    assert codes == sorted(set(codes))


def test_every_section_has_both_examples_unless_no_yaml_could_show_the_problem() -> None:
    """What is no YAML text at all has no example; everything else has one wrong and one right, in turn."""
    for code, body in sections():
        labels = [label for label, _, _ in EXAMPLE.findall(body)]
        assert body.count("```") == 2 * len(labels), code
        assert labels == ["Wrong", "Right"] * (len(labels) // 2), code
        assert bool(labels) == (code not in NOT_IN_ONE_FILE), code


def test_every_section_says_whether_its_problem_is_an_error_or_weak() -> None:
    """A section opens with the word, then says what the code means."""
    assert [code for code, body in sections() if not SEVERITY.match(body.lstrip())] == []


def test_the_guide_for_authors_links_the_page() -> None:
    """Who reads the guide gets to the page of codes."""
    assert "(checks.md)" in (PAGE.parent / "README.md").read_text(encoding="utf-8")


def test_the_small_file_of_the_page_has_nothing_wrong_or_weak(tmp_path: Path) -> None:
    """What an example shows comes from the example."""
    assert said(found_in(tmp_path, Example("", "Right", False, ""))) == []


@pytest.mark.parametrize("example", named(examples("Wrong")))
def test_a_wrong_example_has_its_problem_and_no_other(tmp_path: Path, example: Example) -> None:
    """The program prints the section's code, and nothing that would draw the reader's eye elsewhere."""
    found = found_in(tmp_path, example)
    meant = {example.code}
    assert {problem.code for problem in found} == meant, said(found)
    stated = SEVERITY.match(dict(sections())[example.code].lstrip())
    assert stated is not None
    assert {problem.severity for problem in found} == {stated[1].lower()}


@pytest.mark.parametrize("example", named(examples("Right")))
def test_a_right_example_has_nothing_wrong_or_weak(tmp_path: Path, example: Example) -> None:
    """What is called right can be copied."""
    assert said(found_in(tmp_path, example)) == []


def walk() -> list[str]:
    """The YAML texts of the walk at the head of the guide, in order."""
    guide = (PAGE.parent / "README.md").read_text(encoding="utf-8")
    return BASE.findall(guide.split("\n## ")[1])


def test_the_walk_at_the_head_of_the_guide_ends_with_a_checked_fault_that_is_found(tmp_path: Path) -> None:
    """Who copies the guide's new fault into the shipped knowledge has nothing to mend, and sees it found."""
    *texts, scenario = walk()
    new = set().union(*map(defined, texts))
    for file in PAGE.parent.glob("*.yaml"):
        (tmp_path / file.name).write_text(without(file.read_text("utf-8"), new), encoding="utf-8")
    for at, text in enumerate(texts):
        head = "" if text.startswith("language:") else HEAD
        (tmp_path / f"new_{at}.yaml").write_text(head + text, encoding="utf-8")
    knowledge = load([tmp_path])
    found = problems(knowledge)
    mine = [one for one in found if one.severity == "error" or "new_" in Path(one.place.file).name]
    assert said(mine) == []
    (tmp_path / "cars").mkdir()
    (tmp_path / "cars" / "new.yaml").write_text(scenario, encoding="utf-8")
    (car,) = read_scenarios([tmp_path / "cars"], knowledge).values()
    engine = compile_tables(build(knowledge, car.complaint).tables)
    assert simulation.play(knowledge, engine, car).right


def test_the_guide_lists_every_formula_with_its_unit_and_inputs() -> None:
    """Who writes a computed quantity need not read the program."""
    guide = (PAGE.parent / "README.md").read_text(encoding="utf-8")
    rows = {row.split("`")[1]: row for row in guide.splitlines() if row.startswith("| `")}
    assert sorted(set(FORMULAS) - set(rows)) == [], "rows that the table of knowledge/README.md lacks"
    for name, formula in FORMULAS.items():
        assert f"{formula.title}, {formula.unit} |" in rows[name]
        for wanted, unit in formula.input_units.items():
            assert f"`{wanted}` {unit}" in rows[name]
        assert [word for word in formula.choices if f"`{word}`" not in rows[name]] == []
