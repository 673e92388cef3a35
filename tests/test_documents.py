"""What README.md and DEVELOPERS.md say about the program is true of it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import yaml

from advisor.checks.lint import checked
from advisor.cli.program import COMMANDS
from advisor.knowledge.knowledge import Knowledge
from tests.conftest import ROOT, SHIPPED

README = (ROOT / "README.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    """Return the part of README.md below a heading."""
    return README.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def test_ci_runs_the_test_command_of_the_readme() -> None:
    """Each holds the whole line, so that either can be read alone; `.ci/run` runs the one it holds."""
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    given = re.search(r"<!-- test command -->\n```sh\n(.+)\n```", README)
    held = re.search(r"^test_command=.*<<'(\w+)'\n(.+)\n\1\n", run, re.MULTILINE)
    assert given
    assert held
    assert given[1] == held[2]
    assert 'bash -c "$test_command"' in run


def test_the_readme_names_commands_that_exist() -> None:
    """Each row of its table does; the list of all is a command as well."""
    rows = re.findall(r"^\| `advisor(?: ([a-z]+))?", section("The commands most people need"), re.MULTILINE)
    assert len(rows) == 8
    assert set(rows) - {""} <= set(COMMANDS)


@pytest.mark.parametrize("family", ["drain", "ingress", "climate"])
def test_the_readme_counts_faults_and_readings_as_shipped(family: str, shipped: Knowledge) -> None:
    """A family's numbers are those of its file, and its complaints as many as are listed."""
    row = re.search(rf"^\| {family} \| (.+) \| (\d+) \| (\d+) \|$", README, re.MULTILINE)
    assert row
    written = yaml.load((SHIPPED / f"{family}.yaml").read_text(encoding="utf-8"), yaml.BaseLoader)
    assert (int(row[2]), int(row[3])) == (len(written["faults"]), len(written["readings"]))
    complaints = [one for one in shipped.complaints.values() if one.family == family]
    assert len(row[1].split(", ")) == len(complaints)


def test_the_steps_to_a_new_fault_are_sound_knowledge(tmp_path: Path) -> None:
    """What the guide writes, put together in a copy, has no error; one of its readings has a number."""
    guide = (SHIPPED / "README.md").read_text(encoding="utf-8")
    steps = guide.split("\n## A new fault")[1].split("\n## ")[0]
    blocks = re.findall(r"```yaml\n(.+?)```", steps, re.DOTALL)
    parts = [one for one in blocks if "invented:" not in one and "branches:" not in one]
    (branch,) = [one for one in blocks if "branches:" in one]
    folder = tmp_path / "my_knowledge"
    shutil.copytree(SHIPPED, folder)
    for at, part in enumerate(parts):
        head = "" if "language:" in part else "language: 1\nstanding: estimate\n"
        (folder / f"heater_{at}.yaml").write_text(head + part, encoding="utf-8")
    drain = folder / "drain.yaml"
    text = drain.read_text(encoding="utf-8")
    shares = "    any_of: {camera_draw: 50, towing_alarm_draw: 20, camper_load: 29}"
    (new,) = [line for line in branch.splitlines() if "any_of" in line]
    assert text.count(shares) == 1
    drain.write_text(text.replace(shares, new), encoding="utf-8")
    knowledge = checked([folder])
    assert "heater_pump" in knowledge.faults
    assert knowledge.readings["heater_current"].quantity is not None


def test_pictures_and_pages_that_are_linked_exist() -> None:
    """In both documents."""
    for name in ("README.md", "DEVELOPERS.md"):
        links = re.findall(r"\]\(([^)#:]+)\)", (ROOT / name).read_text(encoding="utf-8"))
        assert links
        assert [link for link in links if not (ROOT / link).exists()] == []


@pytest.mark.parametrize(
    "page",
    [ROOT / "DEVELOPERS.md", *sorted((ROOT / "advisor").glob("*/DECISIONS.md"))],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_modules_that_engineers_are_sent_to_exist(page: Path) -> None:
    """Below the top, `advisor/`, the page's own package, or beside them."""
    named = set(re.findall(r"`([\w/]+\.(?:py|txt|toml))`", page.read_text(encoding="utf-8")))
    places = [ROOT, ROOT / "advisor", page.parent]
    missing = [name for name in named if not any((place / name).is_file() for place in places)]
    in_a_package = {file.name for file in (ROOT / "advisor").rglob("*.py")}
    assert [name for name in missing if name not in in_a_package] == []
