"""What the program is built on: exactly the pinned versions, as they were published, under known licences.

Known weaknesses of them are not looked up here: that takes a service, and the tests need none.
"""

from __future__ import annotations

import base64
import hashlib
import re
import tomllib
from importlib.metadata import Distribution, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.conftest import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def pins(name: str) -> dict[str, str]:
    """What a file of `.ci` pins; every line that is no comment is a name and a version, and no address."""
    lines = (ROOT / ".ci" / name).read_text(encoding="utf-8").splitlines()
    pinned = [re.fullmatch(r"([A-Za-z0-9._-]+)==([A-Za-z0-9.]+)", line) for line in lines if line[:1] != "#"]
    assert all(pinned), name
    return {canonicalize_name(one[1]): one[2] for one in pinned if one}


PINS, LOWEST = pins("constraints.txt"), pins("lowest.txt")
ALLOWED = re.compile(
    r"(MIT|BSD|0BSD|Apache|PSF|Python Software Foundation|MPL|Mozilla Public|LGPL|Zlib|CC0|HPND)",
    re.IGNORECASE,
)
FORBIDDEN = re.compile(
    r"(?<!L)GPL|GNU General|Affero|Commons Clause|Business Source|Proprietary", re.IGNORECASE
)


def needed() -> dict[str, Distribution]:
    """Every library that the program and its tests need, directly or by way of another, as installed."""
    waiting = [Requirement(one) for one in PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"]]
    seen: set[tuple[str, frozenset[str]]] = set()
    found: dict[str, Distribution] = {}
    while waiting:
        wanted = waiting.pop()
        key = (canonicalize_name(wanted.name), frozenset(wanted.extras))
        if key in seen:
            continue
        seen.add(key)
        found[key[0]] = installed = distribution(wanted.name)
        for line in installed.requires or ():
            other = Requirement(line)
            if other.marker is None or any(
                other.marker.evaluate({"extra": extra}) for extra in ("", *wanted.extras)
            ):
                waiting.append(other)
    return found


NEEDED = needed()


def test_every_library_is_pinned_and_every_pin_is_needed() -> None:
    """Nothing comes in by chance, and nothing is left over from before."""
    assert set(NEEDED) == set(PINS)


def test_the_installed_versions_are_the_pinned_ones() -> None:
    """What was tested is what the commands of README.md install."""
    assert {name: one.version for name, one in NEEDED.items()} == PINS


@pytest.mark.parametrize("name", sorted(NEEDED))
def test_files_are_as_they_were_published(name: str) -> None:
    """Every file that the library's own record names has the hash that it had when it was packed."""
    checked = 0
    for file in NEEDED[name].files or ():
        if file.hash is None or file.suffix == ".pyc":
            continue
        digest = hashlib.new(file.hash.mode, Path(str(file.locate())).read_bytes()).digest()
        assert base64.urlsafe_b64encode(digest).decode().rstrip("=") == file.hash.value, file
        checked += 1
    assert checked


@pytest.mark.parametrize("name", sorted(NEEDED))
def test_licences_are_known_and_let_us(name: str) -> None:
    """Each states one that allows use beside a program under MIT; another has to be thought about first."""
    said = NEEDED[name].metadata.json
    classifiers = [one for one in said.get("classifier", ()) if one.startswith("License")]
    stated = " ".join(
        [str(said.get("license_expression", "")), str(said.get("license", ""))[:200], *classifiers]
    )
    assert ALLOWED.search(stated), stated
    assert not FORBIDDEN.search(stated), stated


EXTRAS = PROJECT["optional-dependencies"]
LOWER = [Requirement(one) for one in PROJECT["dependencies"] + EXTRAS["postgresql"] + EXTRAS["test"]]


@pytest.mark.parametrize("wanted", [one for one in LOWER if one.specifier], ids=lambda wanted: wanted.name)
def test_the_lowest_version_that_is_allowed_is_one_that_ran(wanted: Requirement) -> None:
    """It is the one that `.ci/lowest.txt` pins; of tools that it lacks, the one that everything runs with."""
    name = canonicalize_name(wanted.name)
    (lowest,) = (Version(one.version) for one in wanted.specifier if one.operator == ">=")
    assert lowest == Version(LOWEST.get(name) or PINS[name])


def test_all_that_the_program_needs_is_among_the_lowest() -> None:
    """So that nothing newer is tried in its place."""
    assert {canonicalize_name(Requirement(one).name) for one in PROJECT["dependencies"]} <= set(LOWEST)
    assert "-r .ci/lowest.txt" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_source_archive_holds_what_the_commands_of_the_readme_name() -> None:
    """Installing by README.md works from an unpacked archive as in a checkout, and so does `.ci/run`."""
    said = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    included = [one.strip("/") for one in said["tool"]["hatch"]["build"]["targets"]["sdist"]["include"]]
    commands = [(ROOT / name).read_text(encoding="utf-8") for name in ("README.md", ".ci/run")]
    named = {one for text in commands for one in re.findall(r"\.ci/[\w.-]+\w", text)}
    assert {".ci/constraints.txt", ".ci/run", ".ci/lowest.txt"} <= named
    for name in named:
        assert (ROOT / name).is_file()
        assert any(name == one or name.startswith(one + "/") for one in included), name
