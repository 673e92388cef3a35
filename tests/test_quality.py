"""The project's own rules: style, types and the direction of imports."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

COMMANDS = {
    "style": [sys.executable, "-m", "ruff", "check", "."],
    "layout": [sys.executable, "-m", "ruff", "format", "--check", "."],
    "types": [sys.executable, "-m", "mypy"],
    "direction of imports": [str(Path(sys.executable).with_name("lint-imports"))],
}

KNOWN_BY = {
    "aiohttp": {"web.server"},
    "click": {"cli"},
    "CoolProp": {"measure.refrigerants"},
    "joblib": {"evaluation.trials"},
    "pgmpy": {"model.export"},
    "pint": {"measure.units"},
    "platformdirs": {"diskcache", "logfile", "knowledge.workshop_file", "store.store"},
    "psychrolib": {"measure.formulas.air"},
    "sqlalchemy": {"store.backup", "store.database", "store.store"},
    "textual": {"screens"},
    "textual_serve": {"web.server"},
    "yaml": {"knowledge.loading"},
}
"""The modules that may know an outside library; everything else asks them."""


def imported(file: Path) -> Iterator[str]:
    """The outside packages that a module imports, wherever in it."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name.partition(".")[0] for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.partition(".")[0]


def test_one_module_knows_each_outside_library() -> None:
    """A library that a module does not own is imported nowhere in it, not even inside a function."""
    package = ROOT / "advisor"
    strangers = []
    for file in sorted(package.rglob("*.py")):
        module = ".".join(file.relative_to(package).with_suffix("").parts)
        for library in sorted(set(imported(file)) & set(KNOWN_BY)):
            if not any(module == known or module.startswith(f"{known}.") for known in KNOWN_BY[library]):
                strangers.append(f"{module} imports {library}")
    assert strangers == []


@pytest.mark.parametrize("rule", COMMANDS)
def test_code_passes_each_static_check(rule: str) -> None:
    """Style, layout, types and imports are as pyproject.toml says."""
    done = subprocess.run(COMMANDS[rule], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
