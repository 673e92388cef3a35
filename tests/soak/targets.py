"""What is fuzzed: for each target some inputs to start from, ways to make others of them, and what must hold.

An input is bytes. A target takes one and raises nothing; what the project declares that it raises is caught
here, anything else is a finding. `tests/test_fuzz.py` plays a few, `tests/soak/fuzz.py` a million.
"""

from __future__ import annotations

import importlib
import io
import json
import os
import random
import re
import sqlite3
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

import click
import sqlalchemy as sa

from advisor import cli
from advisor.advice.situation import InconsistentEvidence
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines
from advisor.case.case import Case
from advisor.case.confirmed import gather
from advisor.case.entries import KINDS, Known, Measured, Seen
from advisor.case.typed import NotUnderstood, direct, understand
from advisor.checks import lint
from advisor.cli import options
from advisor.cli.program import COMMANDS, commands
from advisor.cli.replay import DEMO
from advisor.evaluation import comparison
from advisor.evaluation import trials as evaluation
from advisor.evaluation.scenarios import Scenario, play, read_scenarios
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load, parse
from advisor.knowledge.problems import ProblemsFound
from advisor.learning.recording import NotRecordable, scenario_text
from advisor.learning.track_record import judge
from advisor.measure.units import KNOWN, NotAQuantity, convert, show
from advisor.measure.units import parse as parsed
from advisor.papers.document import html, markdown
from advisor.store.errors import StoreError
from advisor.store.records import UNSURE
from advisor.store.store import Store
from advisor.web import server as serve

ROOT = Path(__file__).parent.parent.parent
EXAMPLE = ROOT / "knowledge" / "example" / "door_rattle.yaml"
UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""What drives a terminal or turns the writing round: no message may hold it."""
LARGEST = 400_000
"""Bytes that an input grows to, where it grows."""
SWELLS = 400
"""One in so many YAML inputs is made large."""

HOSTILE = (
    "<script>alert(1)</script>", "[red]x[/red]", "[/]", "../../x", "'; DROP TABLE cases; --",
    "\x1b[31mred\x1b[0m",
    "\x1b]0;title\x07", "\x9b31m", "\u202etfel", "\u2066x", "a\nb", "a\r\nb", "\t", "\x00", "\ufeff",
    "\ud800",
    "😀" * 40, "́" * 30, "%s%n{0}", "${HOME}", "$(id)", "--", "-", "-1", "0", "1e999", "nan", "inf",
    "9" * 400, "",
    " ", "\u2028", "\x85", "Ω", "１２", "²", "&amp;", '"', "\\", "\\ud800", "|", "*", "`", "C:\\x",
    "/dev/null", "/dev/zero", "~", "true", "no such thing", "x" * 5000,
)  # fmt: skip
"""Texts that have broken programs."""


@dataclass(frozen=True)
class Target:
    """One thing to fuzz: `start` gives inputs to begin with, `other` makes one from one, `take` tries one."""

    start: Callable[[], Sequence[bytes]]
    other: Callable[[bytes, random.Random], bytes]
    take: Callable[[bytes], None]


def unseen(text: str) -> None:
    """Fail where a message holds what a terminal obeys."""
    found = UNSEEN.search(text)
    assert found is None, f"{found and found[0]!r} in a message"


# Files


@contextmanager
def walled(*folders: Path) -> Iterator[None]:
    """Nothing is written outside of these folders, no process started and no other machine spoken to.

    The first one is the current folder.
    """
    before, _wall.folders = _wall.folders, tuple(str(one.resolve()) + os.sep for one in folders)
    here = Path.cwd()
    os.chdir(folders[0])
    try:
        yield
    finally:
        os.chdir(here)
        _wall.folders = before


class _Wall:
    folders: tuple[str, ...] = ()
    built = False

    def __call__(self, event: str, given: tuple[Any, ...]) -> None:
        if not self.folders:
            return
        if event == "open":
            name, _, flags = given
            writes = flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND)
            if not isinstance(name, int) and writes and not self.inside(name):
                raise PermissionError(1, "The wall keeps this from being written", os.fsdecode(name))
        elif event == "sqlite3.connect" and not str(given[0]).startswith((":memory:", "file:")):
            if not self.inside(given[0]):
                raise PermissionError(1, "The wall keeps this from being opened", str(given[0]))
        elif event in ("os.remove", "os.rename", "os.rmdir", "os.chmod", "os.truncate", "shutil.rmtree"):
            if not self.inside(given[0]):
                raise PermissionError(1, "The wall keeps this from being changed", str(given[0]))
        elif event in ("socket.connect", "socket.getaddrinfo", "subprocess.Popen", "os.system", "os.exec"):
            raise PermissionError(1, f"The wall keeps us from {event}")

    def inside(self, name: Any) -> bool:
        """Whether a file lies in one of the folders."""
        try:
            return os.path.realpath(os.fsdecode(name)).startswith(self.folders)
        except ValueError:
            return True  # no file can have this name; opening it says so


_wall = _Wall()


def build_wall() -> None:
    """Python keeps such a hook until it ends, so it is made once and is idle outside of `walled`."""
    if not _wall.built:
        _wall.built = True
        sys.addaudithook(_wall)


# Quantities

_NUMBERS = (
    "0", "1", "12.4", "0,43", "1.234,5", "1,234", "1'000", "1 000", ".5", "5.", "-3", "−3", "+7", "1e9",
    "1e99",
    "1e-99", "1h20", "1 h 20 min", "2:30", "about 3", "ca. 3", "≈3", "OL", "1/2", "٣", "1.2.3", ",,,",
    "0" * 59,
)  # fmt: skip
_UNITS_TYPED = (
    *KNOWN,
    "C",
    "degF",
    "hPa",
    "psi",
    "bar",
    "barg",
    "kohm",
    "MOhm",
    "µA",
    "uA",
    "Δ°F",
    "K",
    "%rh",
    "m3/h",
)


def _quantities() -> list[bytes]:
    return [
        f"{at}\t{number} {unit}".encode()
        for at, unit in enumerate(KNOWN)
        for number in ("12.4", "1 h 20", "0,43")
    ]


def _other_quantity(data: bytes, drawn: random.Random) -> bytes:
    head, _, said = data.decode("utf-8", "surrogateescape").partition("\t")
    pieces = re.findall(r"\s+|[\d.,'-]+|[^\s\d.,'-]+", said)
    for _ in range(drawn.randint(1, 3)):
        at = drawn.randint(0, len(pieces))
        new = drawn.choice(
            (_NUMBERS, _UNITS_TYPED, HOSTILE, (" ", "", "e5", "°", ".", ","), (chr(drawn.randrange(0x3000)),))
        )
        if drawn.random() < 0.5 and at < len(pieces):
            pieces[at] = drawn.choice(new)
        else:
            pieces.insert(at, drawn.choice(new))
    if drawn.random() < 0.3:
        head = str(drawn.randrange(len(KNOWN)))
    return _bytes(f"{head}\t{''.join(pieces)[:300]}")


def _take_quantity(data: bytes) -> None:
    head, _, said = data.decode("utf-8", "surrogateescape").partition("\t")
    at = int(head) if head.isascii() and head.isdigit() and len(head) < 9 else 0
    unit = KNOWN[at % len(KNOWN)]
    try:
        value = parsed(said, unit)
        assert value - value == 0, "not finite"
        unseen(show(value, unit))
        for other in (KNOWN[(at + 1) % len(KNOWN)], KNOWN[len(said) % len(KNOWN)]):
            with suppress(NotAQuantity):
                convert(value, unit, other)
    except NotAQuantity as error:
        unseen(str(error))
    if at % 8 == 0:
        knowledge = small()
        for found in (
            lambda: direct(knowledge, "door_play", said, "dial_gauge"),
            lambda: understand(
                knowledge, Case("door_rattle"), "door_play", {"door_play": said}, {"door_play": head}, {}
            ),
        ):
            try:
                found()
            except NotUnderstood as error:
                unseen(str(error))


# YAML

_YAML = (
    "&a ", "*a", "!!python/object:os.system ", "!x ", "<<: *a", "? ", "- ", "[", "{", "]", "}", ": ", "|\n",
    ">-\n",
    "---\n", "...\n", "%YAML 1.1\n", "'", '"', "#", "\t", "\x00", "\ufeff", "\x85", "\u2028", '"\\e[31m"',
    '"\\ud800"',
    '"\\0"', '"\\x9b"', '"\\u202e"', "0x10", "0o7", "1_000", ".inf", ".nan", "-.INF", "1e999", "-0",
    "1e-320", "9" * 400,
    "1.", "2001-01-01", "12:30", "yes", "null", "~", "impossible", "present", "absent", "unlisted", "rest",
    "any_of",
    "all_of", "at_least", "exactly_one_of", "table", "noisy_or", "noisy_max", "otherwise", "when", "gives",
    "estimate",
    "derived", "formula", "door_rattle", "behind_trim", "striker_loose", "door_moves", "door_frame",
    "door_play",
    "[" * 40, "{a: " * 20, "[a, a]", "{a: 1}", "1 of 100", "100 of 1", "101 of 100", "-1 of 100", "0 of 0",
    "1 of 1e999",
    "probable", "[0, 0]", "[1, -1]", "[0, 1e308]", "[.5, .5]",
)  # fmt: skip


@cache
def _yaml_fragments() -> tuple[str, ...]:
    texts = [EXAMPLE.read_text(encoding="utf-8")]
    texts += [
        file.read_text(encoding="utf-8") for file in sorted((ROOT / "tests" / "mistakes").glob("*.yaml"))
    ]
    for file in sorted((ROOT / "knowledge").glob("*.yaml")):
        blocks = re.split(r"(?m)^(?=  \w+:)", file.read_text(encoding="utf-8"))
        texts += ["".join(blocks[at : at + 4])[:4000] for at in range(0, len(blocks), 12)]
    return tuple(texts)


def _yaml() -> list[bytes]:
    return [text.encode() for text in _yaml_fragments()]


def _other_text(text: str, drawn: random.Random, words: Sequence[str], fragments: Sequence[str]) -> str:
    lines = text.splitlines() or [""]
    for _ in range(drawn.randint(1, 4)):
        at = drawn.randrange(len(lines))
        match drawn.randrange(9):
            case 0 if len(lines) > 1:
                del lines[at]
            case 1:
                lines.insert(at, lines[at])
            case 2:
                lines.insert(drawn.randrange(len(lines)), lines.pop(at))
            case 3:
                lines[at] = "  " + lines[at] if drawn.random() < 0.5 else lines[at].removeprefix("  ")
            case 4:
                there = drawn.choice(fragments).splitlines() or [""]
                begin = drawn.randrange(len(there))
                lines[at:at] = there[begin : begin + drawn.randint(1, 12)]
            case 5:
                cut = drawn.randint(0, len(lines[at]))
                lines[at] = lines[at][:cut] + drawn.choice(words) + lines[at][cut:]
            case _:
                found = list(re.finditer(r"[\w.]+", lines[at]))
                if found:
                    word = drawn.choice(found)
                    lines[at] = lines[at][: word.start()] + drawn.choice(words) + lines[at][word.end() :]
        lines = lines or [""]
    return "\n".join(lines[:400]) + "\n"


def _swollen(text: str, drawn: random.Random) -> str:
    """A text in which one line, one word or one number is repeated until it is large."""
    lines = text.splitlines() or [""]
    at = drawn.randrange(len(lines))
    size = drawn.choice((20_000, 100_000, LARGEST))
    match drawn.randrange(4):
        case 0:
            lines[at:at] = [lines[at]] * (size // (len(lines[at]) + 1))
        case 1:
            name = re.sub(r"\w+", "{}", lines[at], count=1)
            count = size // (len(name) + 8)
            lines[at:at] = [name.replace("{}", f"x{number}", 1) for number in range(count)]
        case 2:
            key = lines[at].partition(":")[0]
            word = drawn.choice(("a", "striker_loose", "1"))
            lines[at] = f"{key}: [{', '.join([word] * (size // (len(word) + 2)))}]"
        case _:
            lines[at] += drawn.choice(("9", "a", " ", "\u0301", "[", "'", "\\")) * size
    return "\n".join(lines)[:LARGEST] + "\n"


def _other_yaml(data: bytes, drawn: random.Random) -> bytes:
    if drawn.random() < 0.05:
        return _flipped(data, drawn)
    text = data[:20_000].decode("utf-8", "replace")
    if drawn.randrange(SWELLS) == 0:
        return _bytes(_swollen(text, drawn))
    return _bytes(_other_text(text, drawn, (*_YAML, *HOSTILE), _yaml_fragments()))


def _take_yaml(data: bytes) -> None:
    file = Path("fuzzed.yaml")
    file.write_bytes(data)
    try:
        found = lint.problems(load([file]))
    except ProblemsFound as error:
        found = list(error.problems)
    for problem in found:
        assert problem.place.line >= 1
        assert problem.place.column >= 1
        unseen(str(problem))


# The command line


MEASURED = """\
language: 1
standing: estimate
readings:
  window_draw:
    name: Draw of the window
    minutes: 5
    instrument: meter
    quantity: {unit: mA, range: [0, 30000], bands: {usual: Usual, high: High}, limits: [50], account: total}
    noisy_or: {leak: 5 of 100, causes: {cable_loose: 40 of 100}}
  window_fuse:
    name: Fuse of the window
    minutes: 5
    quantity:
      unit: mA
      range: [0, 30000]
      bands: {quiet: Quiet, flows: Flows}
      limits: [{by: door_frame, framed: 20, frameless: 30}]
      account: part
      derived: {formula: fuse_current, inputs: {drop_mv: drop, fuse: size, rating: rating}}
    noisy_or: {leak: 5 of 100, causes: {cable_loose: 60 of 100}}
measurands:
  drop: {name: Drop, ask: Millivolts across the fuse, unit: mV, range: [0, 30], each_time: true}
  size: {name: Size, ask: Size of the fuse, choices: [mini, regular, maxi], each_time: true}
  rating: {name: Rating, ask: Rating of the fuse, choices: [5 A, 7.5 A, 10 A], each_time: true}
instruments:
  meter: {name: Meter, units: [mA, mV]}
"""
"""Added to the example, which has no reading that is computed and no draw to account for."""


@cache
def small() -> Knowledge:
    """The example that authors copy, with more to measure."""
    return lint.checked([Path("knowledge")])


@cache
def _engines() -> Engines:
    return Engines(small())


_SCENARIO = """\
language: 1
invented: true
name: A loose speaker
complaint: door_rattle
story: It rattles.
facts: {door_frame: framed}
causes: [speaker_loose]
shows: {tap_trim: answers, door_play: "0.2 mm"}
without: [dial_gauge]
"""


def prepare(folder: Path) -> None:
    """Put knowledge, a scenario and a database with hostile names where the commands find them."""
    (folder / "knowledge").mkdir()
    (folder / "scenarios" / "drain").mkdir(parents=True)
    (folder / "knowledge" / EXAMPLE.name).write_bytes(EXAMPLE.read_bytes())
    (folder / "knowledge" / "measured.yaml").write_text(MEASURED, encoding="utf-8")
    (folder / "scenarios" / DEMO).write_text(_SCENARIO, encoding="utf-8")
    (folder / "odd.yaml").write_text(_SCENARIO.replace("speaker", "spaeker"), encoding="utf-8")
    store = Store(f"sqlite:///{folder / 'cases.sqlite'}")
    for tag in HOSTILE:
        filed = store.open_case(tag, "door_rattle")
        store.append(filed, Known("door_frame", "framed"), Seen("tap_trim", tag), Measured("door_play", ()))
    store.close()


_VALID = (
    "door_rattle", "behind_trim", "window_draw=430 mA", "window_fuse=0.1 A", "door_frame=framed",
    "tap_trim=answers", "door_play=0.2 mm",
    "bass_buzz=buzzes", "quiet_when_pressed", "quiet_when_pressed=quiet", "dial_gauge", "1", "2", "7", "10",
    "90", "json",
    "html", "text", "markdown", "bif", "xmlbif", "month", "year", "knowledge", "scenarios", "odd.yaml", ".",
    "out.txt",
    "sqlite:///cases.sqlite", "sqlite:///", "sqlite://", "postgresql+psycopg://127.0.0.1:1/x", "nonsense://",
    "rattle",
    "0.5", "1e5", "-5", "cases.sqlite", "no/such", "127.0.0.1",
)  # fmt: skip


@cache
def _commands() -> tuple[tuple[tuple[str, ...], click.Command], ...]:
    found: list[tuple[tuple[str, ...], click.Command]] = []

    def walk(path: tuple[str, ...], command: click.Command) -> None:
        found.append((path, command))
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                one = command.get_command(context, name)
                assert one is not None
                walk((*path, name), one)

    walk((), commands)
    return tuple(found)


def _command_lines() -> list[bytes]:
    drawn = random.Random(1)
    return [_line(path, command, drawn) for path, command in _commands() for _ in range(6)]


def _line(path: tuple[str, ...], command: click.Command, drawn: random.Random) -> bytes:
    words = list(path)
    for one in command.params:
        often = 0.95 if one.required or isinstance(one, click.Argument) else 0.3
        while drawn.random() < often:
            value = drawn.choice(_VALID if drawn.random() < 0.8 else HOSTILE)
            if isinstance(one, click.Option):
                words.append(drawn.choice(one.opts))
                if one.is_flag:
                    break
            words.append(value)
            often = 0.3
    return _bytes("\x00".join(word.replace("\x00", "") for word in words))


def _other_line(data: bytes, drawn: random.Random) -> bytes:
    if drawn.random() < 0.4:
        return _line(*drawn.choice(_commands()), drawn)
    words = data.decode("utf-8", "surrogateescape").split("\x00")
    for _ in range(drawn.randint(1, 3)):
        at = drawn.randint(0, len(words))
        new = drawn.choice(
            (_VALID, HOSTILE, ("--help", "--output", "--store", "--format", "--fact", "--saw"))
        )
        match drawn.randrange(4):
            case 0 if at < len(words):
                del words[at]
            case 1 if at < len(words):
                words[at] = drawn.choice(new)
            case 2 if at < len(words):
                cut = drawn.randint(0, len(words[at]))
                words[at] = words[at][:cut] + drawn.choice(new) + words[at][cut:]
            case _:
                words.insert(at, drawn.choice(new))
    return _bytes("\x00".join(words)[:20_000])


@contextmanager
def _shipped_from(folder: Path) -> Iterator[None]:
    """The commands take knowledge and scenarios that come along from this folder."""
    with ExitStack() as patches:
        names = {one.module for one in COMMANDS.values()}
        for module in (options, *(importlib.import_module(f"advisor.cli.{name}") for name in names)):
            if hasattr(module, "shipped"):
                patches.enter_context(mock.patch.object(module, "shipped", lambda name: folder / name))
        yield


@contextmanager
def _no_server() -> Iterator[None]:
    """The driver of PostgreSQL is not there, so that no hostile address is spoken to."""
    before = sys.modules.get("psycopg")
    sys.modules["psycopg"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if before is None:
            del sys.modules["psycopg"]
        else:
            sys.modules["psycopg"] = before


def _take_line(data: bytes) -> None:
    words = [
        word
        for word in data.decode("utf-8", "surrogateescape").split("\x00")
        if "--w" not in word[:4] or word == "--without"
    ]
    real_evaluate, real_compare, real_checked = evaluation.evaluate, comparison.compare, lint.checked
    here, known = Path.cwd(), small()

    def few(knowledge: Knowledge, plan: evaluation.TrialPlan, _: int, progress: Any) -> Any:
        return real_evaluate(knowledge, replace(plan, cars=2, noises=plan.noises[:1]), 1, progress)

    def compared(old: Knowledge, new: Knowledge, _: int, *rest: Any) -> Any:
        return real_compare(old, new, 2, *rest)

    def checked(paths: Any, _: Any = None) -> Knowledge:
        meant = list(paths)
        return known if [one.resolve() for one in meant] == [here / "knowledge"] else real_checked(meant)

    printed = io.BytesIO(), io.BytesIO()
    out, err = (io.TextIOWrapper(one, encoding="utf-8", write_through=True) for one in printed)
    with (
        mock.patch.object(evaluation, "evaluate", few),
        mock.patch.object(comparison, "compare", compared),
        mock.patch.object(lint, "checked", checked),
        _shipped_from(here),
        mock.patch.object(serve, "serve", return_value=None),
        mock.patch.object(sys, "argv", ["advisor", *words]),
        mock.patch.object(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"1\n"))),
        _no_server(),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            cli.main()
        except SystemExit as left:
            assert left.code in (0, 1, 2, 3), left.code
    for one in printed:
        said = one.getvalue().decode("utf-8")
        unseen(said)
        assert "Traceback" not in said


# Stored cases and scenario files

_IDS = (
    "door_frame", "framed", "tap_trim", "answers", "door_play", "dial_gauge", "quiet_when_pressed",
    "speaker_loose",
    "striker_loose", "door_rattle", "side_airbag", "door_shut_window_down", "gone", "still there", "1", "2",
    "99",
    "2030-01-01T08:00:00+00:00", "2030-13-99", "2030-01-01", "abc123", "window_draw", "window_fuse", "drop",
    "rating",
)  # fmt: skip
_TAKE = '[{"measurand": "door_play", "value": 0.2, "instrument": "dial_gauge", "typed": "0.2 mm"}]'
_FUSE = (
    '[{"measurand": "drop", "value": 4.0, "instrument": "meter", "typed": "4"}, '
    '{"measurand": "size", "value": "mini", "instrument": "", "typed": "mini"}, '
    '{"measurand": "rating", "value": "5 A", "instrument": "", "typed": "5 A"}]'
)
_DRAW = _TAKE.replace("door_play", "window_draw").replace("0.2", "430")
_SAID = (
    _FUSE, _FUSE.replace("mini", "huge"), _FUSE.replace("4.0", "4e5"), _FUSE.replace('"5 A"', "7"),
    _FUSE.replace("drop", "drip"),
    _DRAW, _DRAW.replace("430", "-430"), _DRAW.replace("430", "4e300"), _DRAW.replace("430", '"x"'),
    _TAKE, _TAKE[1:-1], '["answers", 0.9, "customer"]', '["answers", 7, "nobody"]', '["answers", NaN, ""]',
    "[]", "{}", "[[]]",
    "null", "1e999", '["answers"]', '[["answers"], "0.5", []]', "[" * 3000, '{"a": ' * 3000,
    _TAKE.replace("0.2,", "1e400,"),
    _TAKE.replace("0.2,", "NaN,"), _TAKE.replace("0.2,", '"0.2",'), _TAKE.replace("door_play", "no_such"),
    _TAKE.replace("typed", "x"),
    _TAKE.replace('"dial_gauge"', "null"), _TAKE.replace("0.2,", "-1e300,"), _TAKE.replace("0.2,", "true,"),
    "9" * 5000,
)  # fmt: skip
_STORED_KINDS = (*KINDS, UNSURE, "no such kind", "")


def _cases() -> list[bytes]:
    at = "2030-01-01T08:00:00+00:00"
    rows = [
        [at, "known", "door_frame", "framed"],
        [at, "seen", "tap_trim", "answers"],
        [at, "unsure", "quiet_when_pressed", '["quiet", 0.9, "customer"]'],
        [at, "measured", "door_play", _TAKE],
        [at, "measured", "window_draw", _DRAW],
        [at, "measured", "window_fuse", _FUSE],
        [at, "accounted", "lamp", _DRAW[1:-1]],
        [at, "skipped", "bass_buzz", "no radio"],
        [at, "prepared", "door_shut_window_down", at],
        [at, "acknowledged", "side_airbag", at],
        [at, "taken back", "2", "wrong"],
        [at, "booked", "2030-01-02", "early"],
        [at, "repaired", "speaker_loose", at],
        [at, "checked", "door_rattle", "gone"],
        [at, "closed", "speaker_loose", "done"],
    ]
    jobs = [
        {"tag": "bay 2", "complaint": "door_rattle", "opened": at, "rows": rows[:n]}
        for n in range(len(rows) + 1)
    ]
    return [*(json.dumps(job).encode() for job in jobs), _SCENARIO.encode(), _a_file()]


@cache
def _a_file() -> bytes:
    """A small database file as the program writes it."""
    file = Path("made.sqlite")
    store = Store(f"sqlite:///{file}")
    store.append(
        store.open_case("bay 2", "door_rattle"), Known("door_frame", "framed"), Seen("tap_trim", "answers")
    )
    store.close()
    with closing(sqlite3.connect(file)) as made:
        made.execute("PRAGMA journal_mode=DELETE")
    return file.read_bytes()


def _other_case(data: bytes, drawn: random.Random) -> bytes:
    if data.startswith(b"SQLite"):
        return _flipped(data, drawn)
    if not data.startswith(b"{"):
        fragments = [_SCENARIO, *(one for one in (*_VALID, *HOSTILE) if one)]
        return _bytes(
            _other_text(data.decode("utf-8", "replace"), drawn, (*_YAML, *_VALID, *HOSTILE), fragments)
        )
    try:
        job = json.loads(data)
    except ValueError:
        return _cases()[-3]
    rows = job["rows"]
    for _ in range(drawn.randint(1, 3)):
        word = drawn.choice(drawn.choice((_IDS, HOSTILE, _SAID, _STORED_KINDS)))
        if drawn.random() < 0.1:
            job[drawn.choice(("tag", "complaint", "opened"))] = word
        if rows and drawn.random() < 0.8:
            row = rows[drawn.randrange(len(rows))]
            at = drawn.randrange(4)
            row[at] = drawn.choice((_IDS, _STORED_KINDS, _IDS, _SAID)[at]) if drawn.random() < 0.7 else word
        else:
            new = [
                drawn.choice(_IDS),
                drawn.choice(_STORED_KINDS),
                drawn.choice(_IDS),
                drawn.choice((*_SAID, *_IDS)),
            ]
            rows.insert(drawn.randint(0, len(rows)), new)
        if rows and drawn.random() < 0.1:
            del rows[drawn.randrange(len(rows))]
    del rows[40:]
    return json.dumps(job).encode()


def _take_case(data: bytes) -> None:
    if data.startswith(b"{"):
        try:
            job = json.loads(data)
        except ValueError:
            return
        _take_rows(job)
    elif data.startswith(b"SQLite"):
        for beside in Path().glob("fuzzed.sqlite*"):
            beside.unlink()
        Path("fuzzed.sqlite").write_bytes(data)
        try:
            store = Store("sqlite:///fuzzed.sqlite")
            try:
                for filed in store.cases():
                    store.append(filed, Seen("tap_trim", "answers"))
            finally:
                store.close()
        except StoreError as error:
            unseen(str(error))
    else:
        file = Path("fuzzed_scenario.yaml")
        file.write_bytes(data)
        try:
            for scenario in read_scenarios([file], small()).values():
                play(small(), _engines().of(Case(scenario.complaint)), scenario)
        except (ProblemsFound, InconsistentEvidence) as error:
            unseen(str(error).replace("\n", " "))


@cache
def _memory() -> Store:
    return Store(f"sqlite:///{Path('rows.sqlite').absolute()}")


def _take_rows(job: dict[str, Any]) -> None:
    """Rows as no program of ours has written them, read by everything that reads jobs."""
    store = _memory()

    def plain(one: Any) -> str:
        return one if isinstance(one, str) else json.dumps(one)

    words = tuple(plain(job.get(name, "")) for name in ("tag", "complaint", "opened"))
    rows = [(number, *map(plain, row)) for number, row in enumerate(job.get("rows", ()), start=1)]
    with store._engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM entries")
        connection.exec_driver_sql("DELETE FROM cases")
        try:
            connection.exec_driver_sql(
                "INSERT INTO cases (id, tag, complaint, opened) VALUES (1, ?, ?, ?)", words
            )
            if rows:
                connection.exec_driver_sql("INSERT INTO entries VALUES (1, ?, ?, ?, ?, ?)", rows)
        except (UnicodeEncodeError, sa.exc.SQLAlchemyError):
            return  # no database holds this
    try:
        filed = store.case(1)
    except StoreError as error:
        unseen(str(error))
        store.export(1)
        return
    assert filed is not None
    knowledge, of = small(), _engines().of
    gather(knowledge, [filed.case])
    with suppress(NotRecordable):
        parse(scenario_text(knowledge, filed), "recorded.yaml", Scenario)
    often = (len(filed.case.entries) + len(filed.tag)) % 8  # what follows takes long
    if often == 0:
        judge(knowledge, of, [filed], checklist=False)
    elif often in (1, 2) and filed.case.complaint in knowledge.complaints:
        write = job_card if often == 1 else customer_sheet
        paper = write(knowledge, of, filed, {}, "2030-01-03T08:00:00+00:00")
        unseen(markdown(paper))
        unseen(html(paper))


def _flipped(data: bytes, drawn: random.Random) -> bytes:
    """With a few bytes changed, put in or cut out."""
    found = bytearray(data[:LARGEST] or b" ")
    for _ in range(drawn.randint(1, 8)):
        at = drawn.randrange(len(found))
        match drawn.randrange(4):
            case 0:
                found[at] = drawn.randrange(256)
            case 1:
                found[at : at + drawn.choice((1, 4, 64))] = bytes(drawn.choice((1, 4, 64)))
            case 2:
                del found[at : at + drawn.choice((1, 4, 512))]
            case _:
                found[at:at] = drawn.choice(
                    (b"\xff", b"\xed\xa0\x80", b"\x00", b"\xf4\x90\x80\x80", b"\xc0\xaf")
                )
        found = found or bytearray(b" ")
    return bytes(found)


def _bytes(text: str) -> bytes:
    try:
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")


TARGETS = {
    "quantity": Target(_quantities, _other_quantity, _take_quantity),
    "yaml": Target(_yaml, _other_yaml, _take_yaml),
    "command": Target(_command_lines, _other_line, _take_line),
    "case": Target(_cases, _other_case, _take_case),
}
"""By name; each is to be taken inside `walled` in a folder that `prepare` has filled."""
