"""What several tests share: the shipped knowledge and its engine, made once, and short ways to write YAML."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from textual.css.model import RuleSet
from textual.css.stylesheet import Stylesheet

from advisor.checks.lint import checked
from advisor.cli import main
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, Posterior
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import parse
from advisor.knowledge.problems import Place, ProblemsFound
from advisor.knowledge.vocabulary import Document
from advisor.model.network import Network, build

ROOT = Path(__file__).parent.parent
SHIPPED = ROOT / "knowledge"
SCENARIOS = ROOT / "scenarios"

HEAD = "language: 1\nstanding: estimate\n"

LONG = (
    "test_floors.py",
    "test_phone.py",
    "test_screens.py",
    "test_bench.py",
    "test_numbers.py",
    "test_store.py",
    "test_crash.py",
    "test_serve.py",
    "test_quality.py",
    "test_engines.py",
    "test_engine_properties.py",
    "test_attention.py",
    "test_cli.py",
    "test_small_screens.py",
    "test_visitor.py",
    "test_learning.py",
    "test_desk.py",
    "test_scenarios.py",
    "test_entangled.py",
    "test_bounded.py",
    "test_saturation.py",
    "test_car.py",
    "test_load.py",
    "test_condition.py",
    "test_player.py",
    "test_surroundings.py",
    "test_damage.py",
    "test_jobcard.py",
    "test_first_screen.py",
    "test_security.py",
    "test_evaluation.py",
    "test_dangers.py",
    "test_closing.py",
    "test_conflict.py",
    "test_fuzz.py",
)
"""The files that take longest, longest first: workers begin with them, so that none is left for the end."""


def pytest_configure(config: pytest.Config) -> None:
    """Have several workers take the files in the order collected, not those with most tests first."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the long files first, and leave the others in their order."""
    items.sort(key=lambda item: LONG.index(item.path.name) if item.path.name in LONG else len(LONG))


def faults(*names: str, **more: str) -> str:
    """A section of faults with all that an entry needs, and `more` on the one that is named."""
    lines = []
    for name in names:
        extra = f", {more[name]}" if name in more else ""
        said = f"{{name: Fault {name}, remedy: Mend it, remedy_minutes: 5, price: low{extra}}}"
        lines.append(f"  {name}: {said}\n")
    return "faults:\n" + "".join(lines)


def complaint(gate: str, unlisted: float = 5) -> str:
    """A section of one complaint `c` with a gate."""
    return f"complaints:\n  c: {{name: Complaint, family: made_up, {gate}, unlisted: {unlisted:g}}}\n"


def entangled(group: int = 6) -> str:
    """An invented knowledge too wide for one engine: readings of any two of four groups of six faults."""
    names = [f"f{number}" for number in range(4 * group)]
    shares = ", ".join(f"{name}: {30 / group:g}" for name in names)
    blocks = [names[at : at + group] for at in range(0, len(names), group)]
    pairs = [one + other for one, other in itertools.combinations(blocks, 2)]
    readings = "".join(
        f"  r{at}: {{name: Reading, minutes: 1, outcomes: {{n: No, y: Yes}}, "
        f"noisy_or: {{leak: 0.1, causes: {{{', '.join(f'{name}: 0.5' for name in pair)}}}}}}}\n"
        for at, pair in enumerate(pairs)
    )
    return HEAD + complaint(f"any_of: {{{shares}}}") + faults(*names) + "readings:\n" + readings


def given_complaint(knowledge: Knowledge, name: str = "c") -> tuple[Engine, Posterior]:
    """A complaint's engine, and what is believed when nothing but the complaint is known."""
    engine = compile_tables(build(knowledge, name).tables)
    return engine, engine.query({name: engine.one_hot(name, "present")})


def form_problems(text: str) -> list[str]:
    """What is wrong with the form of a text, as "line:column code" in the order printed."""
    try:
        parse(text, "x.yaml", Document)
    except ProblemsFound as error:
        return [f"{one.place.line}:{one.place.column} {one.code}" for one in error.problems]
    return []


def text_at(text: str, place: Place) -> str:
    """The text from a place on."""
    return text.splitlines()[place.line - 1][place.column - 1 :]


@pytest.fixture
def known(tmp_path: Path) -> Callable[[str], Knowledge]:
    """Makes knowledge of a text as the program does, with everything checked; the head is added."""

    def made(text: str) -> Knowledge:
        file = tmp_path / "x.yaml"
        file.write_text(HEAD + text, encoding="utf-8")
        return checked([file])

    return made


CLASHING = (
    complaint("any_of: {strap: 60, glass: 45}")
    + faults("strap", "glass")
    + """\
readings:
  tap:
    name: Tap the glass
    minutes: 2
    outcomes: {dull: Dull, rings: Rings}
    table: [{when: {glass: present}, gives: {dull: 0.0, rings: 1.0}}, {otherwise: {rings: 10 of 100}}]
  seat:
    name: Glass in its seat
    minutes: 9
    outcomes: {seated: Seated, off: Off its seat}
    table: [{when: {glass: present}, gives: {seated: 0.05, off: 0.95}}, {otherwise: {seated: 1.0, off: 0.0}}]
"""
)


@pytest.fixture
def clashing(tmp_path: Path) -> Path:
    """A file of knowledge in which two answers contradict each other."""
    file = tmp_path / "clashing.yaml"
    file.write_text(HEAD + CLASHING, encoding="utf-8")
    return file


@pytest.fixture(scope="session")
def shipped() -> Knowledge:
    """The shipped knowledge."""
    return checked([SHIPPED])


@pytest.fixture(scope="session")
def knowledge(shipped: Knowledge) -> Knowledge:
    """The shipped knowledge, where it is the only one."""
    return shipped


@pytest.fixture(scope="session")
def shipped_engine(shipped: Knowledge) -> Callable[[str], Engine]:
    """The engine of each shipped complaint, made when it is first asked for."""
    return cache(lambda complaint: compile_tables(build(shipped, complaint).tables))


@pytest.fixture(scope="session")
def drain_network(shipped: Knowledge) -> Network:
    """The network of the shipped complaint."""
    return build(shipped, "flat_battery")


@pytest.fixture(scope="session")
def drain(drain_network: Network) -> Engine:
    """The engine of the shipped complaint."""
    return compile_tables(drain_network.tables)


@pytest.fixture(scope="session")
def rattle() -> tuple[Knowledge, Network]:
    """The small example that authors copy, and its network."""
    knowledge = checked([SHIPPED / "example"])
    return knowledge, build(knowledge, "door_rattle")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests, and the programs they start, keep engines in one folder of this run, shared by its workers.

    Nor do they read or write the cases, the workshop's file and the log of whoever runs them.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "cache"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(folder))
        patch.setenv("XDG_DATA_HOME", str(folder.with_name("data")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _looks_often_whether_idle() -> Iterator[None]:
    """Textual looks every 20 ms whether a program under test has come to rest: half of a suite was that wait.

    A look every 5 ms asks for the same share of the time to be idle.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("textual._wait.SLEEP_GRANULARITY", 0.005)
        patch.setattr("textual._wait.SLEEP_IDLE", 0.005 / 20)
        yield


@pytest.fixture(scope="session", autouse=True)
def _parses_a_style_once() -> Iterator[None]:
    """Textual parses the styles of widgets twice in each program that starts; here a process does it once."""
    parse = Stylesheet._parse_rules
    parsed: dict[Any, list[RuleSet]] = {}

    def rules(sheet: Stylesheet, *words: Any, **named: Any) -> list[RuleSet]:
        asked = (words, frozenset(named.items()), frozenset(sheet._variables.items()))
        if asked not in parsed:
            parsed[asked] = parse(sheet, *words, **named)
        return parsed[asked]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Stylesheet, "_parse_rules", rules)
        yield


@pytest.fixture(autouse=True)
def _keys_count_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Screens in this process take keys as fast as they come, but where a test is about just that."""
    monkeypatch.setattr("advisor.screens.widgets.attention.PAUSE_SECONDS", 0.0)


@dataclass(frozen=True)
class Ran:
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str


@pytest.fixture
def advisor(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Runs a command as `advisor …` does, in this process."""

    def run(*words: str | Path) -> Ran:
        monkeypatch.setattr("sys.argv", ["advisor", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        printed = capsys.readouterr()
        return Ran(int(left.value.code or 0), printed.out, printed.err)

    return run
