"""Names that try to be markup, commands, paths or SQL stay names; nothing personal is readable by others.

Who gets in through `advisor serve` is in `test_serve.py`, markup on papers in `test_jobcard.py` and
`test_draw.py`, wrong YAML in `tests/mistakes` and `test_loading.py`.
"""

from __future__ import annotations

import json
import os
import re
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from advisor.bench.session import Engines
from advisor.case.case import Case
from advisor.case.entries import Closed, Known, Seen, Skipped
from advisor.checks.lint import checked
from advisor.cli.program import commands
from advisor.desk.booking import booking_sheet
from advisor.desk.bookingsheet import document as booking_paper
from advisor.knowledge.loading import parse
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.knowledge.vocabulary import Document
from advisor.papers.document import html, markdown
from advisor.store.records import in_one_line
from advisor.store.store import Store, default_url
from advisor.text import UNSEEN, clean, visible
from advisor.web import server as serve
from tests.conftest import HEAD, ROOT, SHIPPED, Ran, form_problems
from tests.databases import KINDS, fresh
from tests.test_screens import running, settled, text_of, until

Runs = Callable[..., Ran]

EXAMPLE = SHIPPED / "example" / "door_rattle.yaml"

NAMES = (
    "<script>alert(1)</script>",
    "[red]x[/red] [/]",
    "../../x",
    "'; DROP TABLE cases; --",
    "\x1b[31mred\x1b[0m\x1b]0;title\x07",
    "\x9b31m c1",
    "\u202etfel \u2066x",
    "a\nb\rc",
    "{0} %s $(id)",
)
"""Texts that have been taken for more than text, each somewhere."""
POSIX = pytest.mark.skipif(os.name != "posix", reason="other systems have no such permissions")


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """The example, with everything that it names named by one of `NAMES`."""
    names = iter(NAMES * 20)
    text = re.sub(
        r"(?m)^( +(?:name|remedy|ask|customer|text): )[^#\n]+$(?:\n      come first\.)?",
        lambda found: f"{found[1]}{json.dumps(next(names))}",
        EXAMPLE.read_text(encoding="utf-8"),
    )
    file = tmp_path / "hostile.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def mode(file: Path) -> int:
    """Who may read and write a file."""
    return stat.S_IMODE(file.stat().st_mode)


# -------------------------------------------------------------------------------------------------- YAML


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("a: &x [1]\nb: *x\n", "anchor"),
        ("a: !!python/object/apply:os.system ['id']\n", "tag"),
        ("a: !!binary aGk=\n", "tag"),
        ("<<: {language: 1}\n", "unknown-word"),
        ("a: " + "[" * 20 + "]" * 20 + "\n", "too-deep"),
        ("a: " + "{b: " * 20 + "}" * 20 + "\n", "too-deep"),
        ("a: b\x00c\n", "yaml"),
        ('a: "\\ud800"\n', "yaml"),
        ("language: 1\n---\nlanguage: 1\n", "second-document"),
    ],
)
def test_only_plain_yaml_is_read(text: str, code: str) -> None:
    """Nothing is built, linked, unfolded or merged; half letters and NUL are no text."""
    assert code in [one.split()[-1] for one in form_problems(text)]


@pytest.mark.parametrize("number", ["9" * 5000, "-" + "9" * 5000, "1e999", "-1e999", "9" * 400 + "e9"])
def test_numbers_beyond_all_measure_are_refused(number: str) -> None:
    """Neither a long count nor an overflow: a problem with its place."""
    with pytest.raises(ProblemsFound):
        parse(
            HEAD + f"complaints:\n  c: {{name: C, family: f, any_of: {{a: {number}}}}}\n", "x.yaml", Document
        )


# ---------------------------------------------------------------------------------------------- the terminal


def test_what_drives_a_terminal_is_shown_and_not_sent() -> None:
    """Every control character but line end and tab, and every mark that turns the writing round."""
    for code in (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xD800):
        letter = chr(code)
        assert visible(f"a{letter}b") == (f"a{letter}b" if letter in "\n\t" else "a\ufffdb"), hex(code)
    assert visible("a\r\nb ä 😀") == "a\nb ä 😀"
    assert clean(" a\n b\x1b ") == "a b\ufffd"


def test_a_problem_is_one_line_whatever_it_quotes() -> None:
    """Editors read problems line by line."""
    said = str(Problem(Place("a\nb", 1, 2), "code", "x\x1b[1m", "", "y\r\n"))
    assert said == "a b:1:2: code: x\ufffd[1m y "


@pytest.mark.parametrize(
    "words",
    [
        ("check", "{file}"),
        ("next", "--knowledge", "{file}", "--complaint", "door_rattle"),
        (
            "prescreen",
            "--knowledge",
            "{file}",
            "--complaint",
            "door_rattle",
            "--sheet",
            "--tag",
            "\x1b[31m\u202e",
        ),
        ("draw", "door_rattle", "--knowledge", "{file}"),
        ("evaluate", "--knowledge", "{file}", "--cars", "2", "--jobs", "1"),
        ("report", "1", "--knowledge", "{file}", "--store", "{store}"),
        ("report", "1", "--customer", "--knowledge", "{file}", "--store", "{store}"),
        ("report", "1", "--format", "html", "--knowledge", "{file}", "--store", "{store}"),
        ("report", "99", "--knowledge", "{file}", "--store", "{store}"),
        ("case", "scenario", "1", "--knowledge", "{file}", "--store", "{store}"),
        ("track", "--knowledge", "{file}", "--store", "{store}"),
        ("next", "--complaint", "\x1b[31m\u202e"),
        ("draw", "\x9b31m"),
        ("\x1b]0;title\x07",),
        ("next", "--fact", "\x1b[31m"),
        ("check", "\x1b[31m.yaml"),
        ("report", "1", "--store", "\x1b[31m://"),
    ],
    ids=lambda words: " ".join(words[:2]).encode("ascii", "replace").decode(),
)
def test_no_command_sends_what_drives_a_terminal(
    hostile: Path, advisor: Runs, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """Names in knowledge and database, and what stands on the command line, come out as letters."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    store = Store(url)
    for name in NAMES:
        filed = store.open_case(name, "door_rattle")
        store.append(
            filed, Known("door_frame", "framed"), Skipped("tap_trim", name), Closed("seal_flat", name)
        )
    store.close()
    ran = advisor(*(word.format(file=hostile, store=url) if "{" in word else word for word in words))
    said = ran.out + ran.err
    assert said
    assert UNSEEN.search(said.replace("\ufffd", "")) is None
    assert "Traceback" not in said


def test_json_says_everything_word_for_word_in_escapes(advisor: Runs, tmp_path: Path) -> None:
    """What is exported is the same when read, and safe to look at on a terminal."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    store = Store(url)
    for number, name in enumerate(NAMES, start=1):
        store.open_case(name, "door_rattle")
        ran = advisor("case", "export", number, "--store", url)
        assert json.loads(ran.out)["tag"] == in_one_line(name)
        assert UNSEEN.search(ran.out) is None
    store.close()


async def test_screens_send_no_control_character(hostile: Path, tmp_path: Path) -> None:
    """Tags, names and remarks on the list of jobs and on the bench: no markup, nothing for the terminal."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    for name in NAMES:
        filed = store.open_case(name, "door_rattle")
        store.append(
            filed, Known("door_frame", "framed"), Seen("bass_buzz", "silent"), Skipped("tap_trim", name)
        )
    store.close()
    async with running(hostile, tmp_path, (120, 50)) as pilot:
        await settled(pilot)
        listed = text_of(pilot)
        assert "<script>alert(1)</script>" in listed
        assert "[red]x[/red]" in listed
        assert "[31mred" in listed
        assert UNSEEN.search(listed) is None
        jobs = pilot.app.screen.query_one("#jobs")
        for at in range(1, 4):
            jobs.focus()
            jobs.highlighted = at  # type: ignore[attr-defined]
            await pilot.press("enter")
            await until(pilot, lambda screen: type(screen).__name__ == "TaskScreen")
            await settled(pilot)
            assert UNSEEN.search(text_of(pilot)) is None
            await pilot.press("escape")
            await until(pilot, lambda screen: type(screen).__name__ == "StartScreen")


# ------------------------------------------------------------------------------------ papers and the database


def test_a_booking_sheet_and_a_picture_take_names_for_text(hostile: Path, advisor: Runs) -> None:
    """As HTML there is no element of theirs, as Markdown none either, and the picture is sound XML."""
    knowledge = checked([hostile])
    case = Case("door_rattle")
    sheet = booking_sheet(knowledge, Engines(knowledge, by_phone=True).one(case), case)
    paper = booking_paper([sheet], NAMES[0], "today")
    page, text = html(paper), markdown(paper)
    assert "<script" not in page
    assert "<" not in text
    assert UNSEEN.search((page + text).replace("\ufffd", "")) is None
    picture = advisor("draw", "door_rattle", "--knowledge", hostile, "--probabilities").out
    assert {one.tag.rpartition("}")[2] for one in ElementTree.fromstring(picture).iter()}.isdisjoint(
        {"script", "a", "image", "foreignObject"}
    )


def test_the_proof_page_takes_names_for_text(hostile: Path, advisor: Runs, tmp_path: Path) -> None:
    """Its plots too."""
    file = tmp_path / "proof.html"
    words = ("--knowledge", hostile, "--cars", 20, "--jobs", 1, "--costly", 3, "--html", file)
    assert advisor("evaluate", *words).code == 0
    page = file.read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert UNSEEN.search(page.replace("\ufffd", "")) is None


@pytest.mark.parametrize("kind", KINDS)
def test_texts_are_values_and_no_commands_to_the_database(kind: str, tmp_path: Path) -> None:
    """Tags, ids and remarks come back as they are; the tables and the other jobs are still there."""
    with fresh(kind, tmp_path) as database, database.opened() as store:
        tables = database.tables
        for name in NAMES:
            filed = store.append(store.open_case(name, name), Known(name, name), Skipped(name, name))
            found = store.case(filed.number)
            assert found == filed
            store.prefer(name[:20], name[:20])
            store.leave_off_trolley([name])
            assert store.off_trolley() == {name}
        assert len(store.cases()) == len(NAMES)
        assert database.tables == tables


def test_no_file_is_named_after_a_tag_or_an_id(
    hostile: Path, advisor: Runs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tag of `../../x` leads nowhere: papers go where `--output` says, or to standard output."""
    inside = tmp_path / "one" / "two"
    inside.mkdir(parents=True)
    monkeypatch.chdir(inside)
    before = sorted(tmp_path.rglob("*"))
    store = Store("sqlite:///cases.sqlite")
    store.open_case("../../x", "door_rattle")
    store.close()
    for words in (("report", 1), ("report", 1, "--customer"), ("case", "export", 1)):
        options = () if words[0] == "case" else ("--knowledge", hostile)
        assert advisor(*words, *options, "--store", "sqlite:///cases.sqlite").code == 0
    made = set(tmp_path.rglob("*")) - set(before)
    assert {one.name.removesuffix("-wal").removesuffix("-shm") for one in made} == {"cases.sqlite"}


# ---------------------------------------------------------------------------------------------- who may read


@POSIX
def test_the_data_folder_and_its_database_are_the_owners_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However careless the umask is."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    before = os.umask(0)
    try:
        store = Store(default_url())
        store.open_case("bay", "flat_battery")
        made = {one.name: mode(one) for one in (tmp_path / "data" / "advisor").iterdir()}
        store.close()
    finally:
        os.umask(before)
    assert mode(tmp_path / "data" / "advisor") == 0o700
    assert made["cases.sqlite"] == 0o600
    assert set(made.values()) == {0o600}


@POSIX
@pytest.mark.parametrize("words", [("report", 1), ("report", 1, "--customer"), ("case", "export", 1)])
def test_papers_of_a_job_are_the_owners_alone(
    advisor: Runs, tmp_path: Path, words: tuple[str | int, ...]
) -> None:
    """A new file is, and one that was there with wider permissions is narrowed."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    store = Store(url)
    store.append(store.open_case("bay", "door_rattle"), Closed("seal_flat", ""))
    store.close()
    options = () if words[:2] == ("case", "export") else ("--knowledge", EXAMPLE)
    new, old = tmp_path / "new", tmp_path / "old"
    old.touch()
    old.chmod(0o644)
    for file in (new, old):
        assert advisor(*words, "--store", url, "--output", file, *options).code == 0
        assert file.stat().st_size > 0
    assert (mode(new), mode(old)) == (0o600, 0o600)


# ----------------------------------------------------------------------------------------------- the network


def test_serve_is_for_this_machine_alone_unless_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without options it binds to a loopback address, and has its token made."""
    asked: list[tuple[str, int, str | None]] = []
    monkeypatch.setattr(serve, "serve", lambda _, host, port, token, __: asked.append((host, port, token)))
    monkeypatch.delenv("ADVISOR_TOKEN", raising=False)
    assert CliRunner().invoke(commands, ["serve"]).exit_code == 0
    ((host, _, token),) = asked
    assert serve.is_loopback(host)
    assert token is None


ALONE = """
import sys
from pathlib import Path
from advisor.cli import main

spoken = []

def heard(event, given):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto",
                 "socket.bind", "subprocess.Popen", "os.system"):
        spoken.append((event, str(given)))
        raise OSError(f"no network here: {event}")

sys.addaudithook(heard)
for line in Path(sys.argv[1]).read_text(encoding="utf-8").splitlines():
    sys.argv = ["advisor", *line.split()]
    try:
        main()
    except SystemExit as left:
        assert left.code in (0, None), (line, left.code)
assert not spoken, spoken
"""
"""Runs commands in a process that hears of every way to the network, and closes it."""


def test_no_command_speaks_to_the_network(tmp_path: Path) -> None:
    """Nothing is reported or fetched: each command gives its answer with every way out closed."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    store = Store(url)
    store.append(store.open_case("bay", "door_rattle"), Closed("seal_flat", ""))
    store.close()
    some = "--knowledge knowledge/example"
    lines = [
        "--help",
        "schema",
        f"check {EXAMPLE}",
        "demo",
        "replay scenarios/drain/01_boot_lamp.yaml",
        f"next {some} --complaint door_rattle --saw bass_buzz=buzzes",
        f"prescreen {some} --complaint door_rattle --sheet",
        f"draw door_rattle {some} --probabilities --output {tmp_path / 'tree.svg'}",
        f"export {some} --complaint door_rattle --output {tmp_path / 'net.bif'}",
        f"evaluate {some} --cars 5 --jobs 1 --html {tmp_path / 'page.html'}",
        f"report 1 {some} --store {url} --format html --output {tmp_path / 'card.html'}",
        f"case export 1 --store {url}",
        f"case scenario 1 {some} --store {url}",
        f"learn {some} --store {url} --no-replay",
        f"track {some} --store {url}",
        f"case erase 1 --yes --store {url}",
    ]
    (tmp_path / "lines.txt").write_text("\n".join(lines), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", ALONE, str(tmp_path / "lines.txt")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr[-2000:]
