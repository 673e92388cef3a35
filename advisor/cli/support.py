"""The command that packs what whoever is called for help needs to know, and nothing about a case."""

from __future__ import annotations

import platform
import re
import zipfile
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

import click

from advisor.cli.errors import fail
from advisor.cli.options import (
    checked,
    knowledge_option,
    store_option,
    without_option,
    workshop_file,
    workshop_option,
)
from advisor.cli.output import say
from advisor.cli.settings import settings_lines

USUAL = "advisor-support.zip"
PACKED = (
    "version.txt: the versions of advisor, Python, the system and the libraries",
    "settings.txt: every choice and where it comes from, without passwords",
    "knowledge.txt: the digest of the knowledge, or the places of its problems",
    "advisor.log and older ones: what was started, what failed and what was slow",
)


@click.command()
@workshop_option
@store_option
@knowledge_option
@without_option
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path(USUAL),
    show_default=True,
    help="The file to write.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
def support(workshop: Path | None, paths: tuple[Path, ...], output: Path, yes: bool, **_: object) -> None:
    """Pack version, settings without passwords and the log for whoever helps you; no job is among it."""
    if output.exists():
        fail([f"There is a file {output} already. Name another one with --output."], 2)
    say(f"These go into {output}, and nothing is sent anywhere:")
    for line in PACKED:
        say(f"  {line}")
    say("No job, tag, remark or word of a customer is among them.")
    if not yes and not click.confirm("Write it?", err=True):
        fail(["Nothing was written. Start again with --yes, or answer y."], 1)
    files = dict(_files(workshop, paths))
    with zipfile.ZipFile(output, "x", zipfile.ZIP_DEFLATED) as packed:
        output.chmod(0o600)
        for name, text in files.items():
            packed.writestr(name, text.replace(str(Path.home()), "~"))
    say(f"Written: {output}. Look into it before you hand it on.")


def _files(workshop: Path | None, paths: tuple[Path, ...]) -> Iterator[tuple[str, str]]:
    from advisor.knowledge.problems import ProblemsFound
    from advisor.knowledge.workshop_file import read_policy
    from advisor.logfile import NAME, OLDER_FILES, usual_file

    yield "version.txt", "\n".join(_versions()) + "\n"
    file = workshop_file(workshop)
    yield "settings.txt", "\n".join(settings_lines(read_policy(file), file)) + "\n"
    try:
        digest = f"version {checked(paths).version}"
    except ProblemsFound as error:
        digest = "\n".join(f"{one.place}: {one.severity}: {one.code}" for one in error.problems)
    yield "knowledge.txt", digest + "\n"
    for name in (NAME, *(f"{NAME}.{number}" for number in range(1, OLDER_FILES + 1))):
        log = usual_file().with_name(name)
        if log.exists():
            yield name, log.read_text(encoding="utf-8", errors="replace")


def _versions() -> Iterator[str]:
    yield f"advisor {version('advisor')}"
    yield f"Python {platform.python_version()} ({platform.python_implementation()})"
    yield f"System {platform.system()} {platform.release()} {platform.machine()}"
    for line in requires("advisor") or ():
        if "extra ==" in line:
            continue
        library = re.split(r"[^A-Za-z0-9_.-]", line, maxsplit=1)[0]
        try:
            yield f"{library} {version(library)}"
        except PackageNotFoundError:
            yield f"{library} is not installed"
