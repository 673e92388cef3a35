"""The project's own rules: style, types and the direction of imports."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

COMMANDS = {
    "style": [sys.executable, "-m", "ruff", "check", "."],
    "layout": [sys.executable, "-m", "ruff", "format", "--check", "."],
    "types": [sys.executable, "-m", "mypy"],
    "direction of imports": [str(Path(sys.executable).with_name("lint-imports"))],
}


@pytest.mark.parametrize("rule", COMMANDS)
def test_the_code_keeps_the_rule(rule: str) -> None:
    """Style, layout, types and imports are as pyproject.toml says."""
    done = subprocess.run(COMMANDS[rule], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
