"""Wrong knowledge files: each wrong line says in a comment which problem has to be reported there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from advisor.checks import cautions, conditions, phrases, references, room
from advisor.checks import consistency as plausible
from advisor.checks.lint import problems
from advisor.knowledge import indentation, loading
from advisor.knowledge.loading import load
from advisor.knowledge.problems import ProblemsFound
from advisor.model import priors

MISTAKES = sorted((Path(__file__).parent / "mistakes").glob("*.yaml"))
EXPECT = re.compile(r"#\s*expect:\s*(.+)")

NOT_IN_A_YAML_FILE = {"no-knowledge", "not-text", "too-large", "unreadable"}
"""Codes for what is no YAML text at all; test_loading.py has them."""


def expected(text: str) -> list[tuple[int, str]]:
    """The lines with the codes that their comments ask for."""
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        if match := EXPECT.search(line):
            found += [(number, code.strip()) for code in match[1].split(",")]
    return sorted(found)


def reported(file: Path) -> list[tuple[int, str]]:
    """The lines and codes of everything that the checker has to say about a file."""
    try:
        found = problems(load([file]))
    except ProblemsFound as error:
        found = list(error.problems)
    return sorted((problem.place.line, problem.code) for problem in found)


def codes_in(module: object) -> set[str]:
    """Every problem code that a module's source writes out."""
    source = Path(str(getattr(module, "__file__", ""))).read_text(encoding="utf-8")
    codes = set()
    for call in ast.walk(ast.parse(source)):
        if isinstance(call, ast.Call):
            name = getattr(call.func, "id", getattr(call.func, "attr", ""))
            at = {"Problem": 1, "_problem": 0, "say": 0, "refuse": 0}.get(name)
            if at is not None and at < len(call.args) and isinstance(code := call.args[at], ast.Constant):
                codes.add(str(code.value))
    return codes


@pytest.mark.parametrize("file", MISTAKES, ids=lambda file: file.stem)
def test_every_mistake_is_reported_on_its_line_and_nothing_else_is(file: Path) -> None:
    """A wrong line is reported with its code; lines without a comment are left in peace."""
    assert reported(file) == expected(file.read_text(encoding="utf-8"))


def test_every_code_has_a_mistake_that_shows_it() -> None:
    """A check that no wrong file triggers is a check that nobody has seen work."""
    shown = {code for file in MISTAKES for _, code in expected(file.read_text(encoding="utf-8"))}
    modules = (loading, indentation, references, plausible, cautions, phrases, conditions, room, priors)
    written = set().union(*(codes_in(module) for module in modules))
    assert len(written) > 25
    assert written - shown == NOT_IN_A_YAML_FILE
