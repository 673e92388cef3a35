"""Engines that an earlier run has made: the same to the last bit, and only for the same knowledge."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy import sparse

from advisor.advice import engines as making
from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.session import Session
from advisor.case.case import Case
from advisor.case.entries import Checked, Repaired, Seen
from advisor.checks.lint import checked
from advisor.diskcache import Cache, of_this_user
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, Posterior
from advisor.inference.serialize import packed, unpacked
from advisor.knowledge.knowledge import SECTIONS, Knowledge
from advisor.knowledge.loading import load_with_digest
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.model.network import build
from advisor.store.store import Store
from tests.conftest import HEAD, ROOT, Ran, complaint, faults

READING = """\
readings:
  tap:
    name: Tap the glass
    minutes: 2
    outcomes: {rings: Rings, dull: Dull}
    table: [{when: {glass: present}, gives: {dull: 70 of 100}}, {otherwise: {dull: 10 of 100}}]
  pull:
    name: Pull of the strap
    minutes: 5
    steps: [Key on, Read]
    quantity: {unit: V, range: [0, 10], bands: {low: Low, high: High}, limits: [4]}
    noisy_or: {leak: 0.1, causes: {strap: 0.9}}
"""
SMALL = HEAD + complaint("any_of: {strap: 60, glass: 45}") + faults("strap", "glass") + READING

FAMILIES = {"drain": "flat_battery", "ingress": "wind_noise", "climate": "poor_cooling"}


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    """A cache of its own for a test."""
    return Cache(tmp_path / "kept", "this program")


def made_twice(knowledge: Knowledge, cache: Cache, case: Case, by_phone: bool = False) -> list[Engine]:
    """An engine as it was compiled, without any cache, and the same as a later run finds it."""
    plain = Engines(knowledge, by_phone).one(case)
    Engines(knowledge, by_phone, cache).one(case)
    return [plain, Engines(knowledge, by_phone, cache).one(case)]


def bits(posterior: Posterior) -> bytes:
    """Everything that an outlook says, as the bytes of its numbers in their order."""
    said = (posterior.marginals, posterior.predictive, posterior.beliefs, posterior.expected_information_bits)
    names = "\n".join(itertools.chain.from_iterable(said))
    numbers = [np.atleast_1d(one) for mapping in said for one in mapping.values()]
    return names.encode() + np.concatenate([*numbers, [posterior.log2_evidence]]).tobytes()


def cars(engine: Engine, complaint: str, count: int) -> list[dict[str, Any]]:
    """What was seen on simulated cars: the complaint, and some readings with sure and unsure outcomes."""
    random = np.random.default_rng(5)
    seen = []
    for _ in range(count):
        names = random.choice(engine.readings, random.integers(0, 6), replace=False).tolist()
        seen.append({complaint: engine.one_hot(complaint, "present")})
        seen[-1] |= {name: random.uniform(0.05, 1.0, len(engine.outcomes[name])) for name in names}
    return seen


# ------------------------------------------------------------------------------------------ the same numbers


@pytest.mark.parametrize("complaint", FAMILIES.values(), ids=FAMILIES)
def test_an_engine_from_disk_thinks_the_same_to_the_last_bit(
    shipped: Knowledge, cache: Cache, complaint: str
) -> None:
    """One case at a time and many at once; pgmpy and the compiler are not asked again."""
    plain, kept = made_twice(shipped, cache, Case(complaint))
    assert kept is not plain
    seen = cars(plain, complaint, 20)
    for one in seen:
        assert bits(kept.query(one)) == bits(plain.query(one))
    assert [*map(bits, kept.query_batch(seen))] == [*map(bits, plain.query_batch(seen))]
    assert kept.log2_evidence_probability(seen).tobytes() == plain.log2_evidence_probability(seen).tobytes()
    assert (kept.outcomes, kept.targets, kept.readings) == (plain.outcomes, plain.targets, plain.readings)


def test_engines_of_the_phone_and_after_repairs_are_kept_apart(shipped: Knowledge, cache: Cache) -> None:
    """What customers say, and what was repaired after which readings, are parts of the key."""
    start = Case("flat_battery")
    fault = next(iter(Engines(shipped).of(start).targets))
    repaired = start.with_entry(Repaired(fault, "2030-01-01T10:00:00+00:00"))
    read = start.with_entry(Seen("sleeping_current", "high")).with_entry(
        Repaired(fault, "2030-01-01T10:00:00+00:00")
    )
    again = repaired.with_entry(Checked("flat_battery", "present")).with_entry(
        Repaired(fault, "2030-01-01T11:00:00+00:00")
    )
    for case, by_phone in ((start, False), (start, True), (repaired, False), (read, False), (again, False)):
        plain, kept = made_twice(shipped, cache, case, by_phone)
        (one,) = cars(plain, "flat_battery", 1)
        assert bits(kept.query(one)) == bits(plain.query(one))
    assert len(list(cache.folder.iterdir())) == 5


def test_a_damaged_engine_is_compiled_anew(
    shipped: Knowledge, cache: Cache, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is compiled once more, and the file is sound again."""
    compiled = []

    def counted(*said: Any) -> Engine:
        compiled.append(said)
        return compile_tables(*said)

    monkeypatch.setattr(making, "compile_tables", counted)
    Engines(shipped, cache=cache).of(Case("no_air"))
    (file,) = cache.folder.iterdir()
    sound = file.read_bytes()
    for damaged in (sound[: len(sound) // 2], sound[:-9] + b"\0" * 9, b""):
        file.write_bytes(damaged)
        before = len(compiled)
        Engines(shipped, cache=cache).of(Case("no_air"))
        Engines(shipped, cache=cache).of(Case("no_air"))
        assert (len(compiled), file.read_bytes()) == (before + 1, sound)


# ----------------------------------------------------------------------------------------- the same knowledge


@dataclass(frozen=True)
class Change:
    """One edit of the small knowledge."""

    old: str
    new: str


CHANGES = {
    "a share": Change("strap: 60", "strap: 61"),
    "a likelihood": Change("70 of 100", "70.000001 of 100"),
    "minutes": Change("minutes: 2", "minutes: 3"),
    "a name": Change("Tap the glass", "Tap the glas"),
    "an id": Change("tap:", "tapping:"),
    "the order of a gate": Change("{strap: 60, glass: 45}", "{glass: 45, strap: 60}"),
    "the order of outcomes": Change(
        "{rings: Rings, dull: Dull}", "{dull: Dull, rings: Rings}\n    normal: rings"
    ),
    "the order of the rows of a table": Change(
        "{when: {glass: present}, gives: {dull: 70 of 100}}, {otherwise: {dull: 10 of 100}}",
        "{otherwise: {dull: 10 of 100}}, {when: {glass: present}, gives: {dull: 70 of 100}}",
    ),
    "the order of bands": Change("{low: Low, high: High}", "{high: High, low: Low}"),
    "limits": Change("limits: [4]", "limits: [6]"),
    "the order of steps": Change("steps: [Key on, Read]", "steps: [Read, Key on]"),
    "an outcome more": Change("dull: Dull}", "dull: Dull, hums: Hums}"),
    "a share for the rest": Change("unlisted: 5", "unlisted: 6"),
    "what a remedy costs": Change("remedy_minutes: 5", "remedy_minutes: 6"),
}


def read(folder: Path, text: str) -> tuple[Knowledge, str]:
    """Knowledge from a text, and the digest of that."""
    (folder / "x.yaml").write_text(text, encoding="utf-8")
    return load_with_digest([folder / "x.yaml"])


@pytest.mark.parametrize("name", CHANGES)
def test_any_change_of_the_knowledge_changes_the_key(tmp_path: Path, cache: Cache, name: str) -> None:
    """Numbers, words and order: what could make another network makes another file."""
    change = CHANGES[name]
    assert change.old in SMALL
    before, text_before = read(tmp_path, SMALL)
    again, _ = read(tmp_path, SMALL)
    after, text_after = read(tmp_path, SMALL.replace(change.old, change.new))
    assert before.digest == again.digest != after.digest
    assert before.version == again.version != after.version
    assert text_before != text_after
    for knowledge in (before, again, after):
        Engines(knowledge, cache=cache).of(Case("c"))
    assert len(list(cache.folder.iterdir())) == 2


def test_the_order_of_files_counts_too(tmp_path: Path) -> None:
    """Faults of the second file come second among the suspects."""
    first, second = tmp_path / "a.yaml", tmp_path / "b.yaml"
    first.write_text(HEAD + faults("strap"), encoding="utf-8")
    second.write_text(HEAD + faults("glass"), encoding="utf-8")
    one, other = load_with_digest([first, second]), load_with_digest([second, first])
    assert one[0].digest != other[0].digest
    assert one[1] != other[1]


def test_the_digest_is_the_same_in_every_run(shipped: Knowledge) -> None:
    """It depends on no order that Python draws anew each time, else nothing would ever be found again."""
    code = "from pathlib import Path; from advisor.knowledge.loading import load; "
    code += "print(load([Path('knowledge')]).digest)"
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.strip() == shipped.digest


def old_version(knowledge: Knowledge) -> str:
    """What programs stated before order counted and without the words the language has got since."""
    written = {
        section: {
            name: {
                word: said
                for word, said in item.model_dump(mode="json").items()
                if word not in item.later | item.no_part_of_version
            }
            for name, item in knowledge.section(section).items()
        }
        for section in SECTIONS
    }
    text = json.dumps(written, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


@pytest.mark.parametrize(
    ("name", "stated", "other"),
    [
        ("the order of bands", "now", True),
        ("the order of outcomes", "now", True),
        ("limits", "now", True),
        ("limits", "earlier", True),
        (None, "now", False),
        (None, "earlier", False),
    ],
)
def test_a_job_begun_under_other_knowledge_says_so(
    tmp_path: Path, name: str | None, stated: str, other: bool
) -> None:
    """Order counts; a job of an earlier program, whose version left it out, is not told of a change."""
    knowledge, _ = read(tmp_path, SMALL)
    version = {"now": knowledge.version, "earlier": old_version(knowledge)}[stated]
    assert (stated == "now") == (version == knowledge.version)
    if name:
        knowledge, _ = read(tmp_path, SMALL.replace(CHANGES[name].old, CHANGES[name].new))
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.open_case("bay 1", "c", version)
        session = Session.opened(Engines(knowledge), store, filed, Workshop())
        assert session.knowledge_before == (version if other else None)
        assert session.replayed().knowledge_before is None
    finally:
        store.close()


# --------------------------------------------------------------------------------------------------- checks


def test_texts_without_error_are_not_asked_again(
    tmp_path: Path, cache: Cache, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same texts are loaded and no more; any other text is checked."""
    file = tmp_path / "x.yaml"
    file.write_text(SMALL, encoding="utf-8")
    first = checked([file], cache)
    asked: list[Knowledge] = []

    def problems(knowledge: Knowledge) -> list[Problem]:
        asked.append(knowledge)
        return []

    monkeypatch.setattr("advisor.checks.lint.problems", problems)
    assert checked([file], cache) == first
    assert asked == []
    file.write_text(SMALL + "# a remark\n", encoding="utf-8")
    checked([file], cache)
    assert len(asked) == 1


def test_an_error_is_found_again_despite_the_cache(tmp_path: Path, cache: Cache) -> None:
    """Only that there was none is remembered; also of a text that means the same to all but the checks."""
    file = tmp_path / "x.yaml"
    file.write_text(SMALL, encoding="utf-8")
    checked([file], cache)
    said = SMALL.replace("    minutes: 2\n", "    minutes: 2\n    right_by_phone: 0.9\n")
    file.write_text(said, encoding="utf-8")
    for _ in range(2):
        with pytest.raises(ProblemsFound, match="right_by_phone"):
            checked([file], cache)


# ------------------------------------------------------------------------------------------------- commands

AFTERWARDS = """
import sys
sys.argv = ["advisor", *sys.argv[1:]]
from advisor.cli import main
try:
    main()
finally:
    heavy = {"pgmpy", "networkx", "pandas", "sqlalchemy", "pint", "CoolProp", "textual", "scipy.optimize"}
    print(sorted(heavy & set(sys.modules)), file=sys.stderr)
"""


@pytest.mark.parametrize("complaint", FAMILIES.values(), ids=FAMILIES)
def test_the_second_run_of_next_imports_nothing_heavy(tmp_path: Path, complaint: str) -> None:
    """It prints the same as the first, without the model library, the database, units or substances."""
    runs = [
        subprocess.run(
            [sys.executable, "-c", AFTERWARDS, "next", "--complaint", complaint],
            cwd=ROOT,
            env={**os.environ, "XDG_CACHE_HOME": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        for _ in range(2)
    ]
    assert runs[0].stdout == runs[1].stdout
    assert "networkx" in runs[0].stderr
    assert "pgmpy" not in runs[0].stderr
    assert runs[1].stderr == "[]\n"


@pytest.mark.parametrize("folder", ["/dev/null", "/proc"])
def test_commands_work_where_nothing_can_be_kept(
    advisor: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch, folder: str
) -> None:
    """A cache folder that cannot be is no reason to say anything."""
    usual = advisor("next", "--complaint", "no_air")
    monkeypatch.setenv("XDG_CACHE_HOME", folder)
    assert advisor("next", "--complaint", "no_air") == usual
    assert (usual.code, usual.err) == (0, "")


def test_commands_use_the_folder_of_the_user(advisor: Callable[..., Ran]) -> None:
    """Engines lie where README.md says, so that whoever wants to can delete them."""
    advisor("next", "--complaint", "no_air")
    cache = of_this_user()
    assert cache is not None
    assert cache.folder == Path(os.environ["XDG_CACHE_HOME"]) / "advisor"
    assert list(cache.folder.glob("*.kept"))
    assert "~/.cache/advisor" in (ROOT / "README.md").read_text(encoding="utf-8")


# -------------------------------------------------------------------------------------------------- packing


@dataclass(frozen=True, eq=False)
class Thing:
    """A dataclass for packing."""

    name: str
    inside: Any


PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | st.text()
ARRAYS = arrays.arrays(
    st.sampled_from([np.float64, np.intp, np.bool_]), arrays.array_shapes(min_dims=1, min_side=0)
)
VALUES = st.recursive(
    PLAIN | ARRAYS | ARRAYS.map(np.transpose) | st.builds(slice, st.integers(0), st.integers(0)),
    lambda inner: (
        st.lists(inner).map(tuple) | st.dictionaries(st.text(), inner) | st.builds(Thing, st.text(), inner)
    ),
    max_leaves=12,
)


def same(one: Any, other: Any) -> bool:
    """Whether two values are of the same kinds and bits, in arrays in the same order in memory."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        alike = (one.dtype, one.shape, one.flags.c_contiguous, one.flags.f_contiguous)
        return alike == (other.dtype, other.shape, other.flags.c_contiguous, other.flags.f_contiguous) and (
            one.tobytes() == other.tobytes()
        )
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, Thing):
        return same((one.name, one.inside), (other.name, other.inside))
    return repr(one) == repr(other)


@given(VALUES)
def test_what_is_packed_comes_back_the_same(value: Any) -> None:
    """Plain values, arrays in either order, slices, tuples, mappings and dataclasses, in one another."""
    assert same(unpacked(packed(value), [Thing]), value)


def test_sparse_matrices_come_back_with_their_numbers_in_the_same_order() -> None:
    """Sums over a row are rounded in the order in which its numbers lie."""
    matrix = sparse.csr_matrix((np.array([0.1, 0.2, 0.3]), np.array([2, 0, 1]), np.array([0, 3, 3])), (2, 4))
    again = unpacked(packed((matrix, sparse.csr_matrix((0, 0)))), [])
    assert [one.shape for one in again] == [(2, 4), (0, 0)]
    for part in ("data", "indices", "indptr"):
        assert same(getattr(again[0], part), getattr(matrix, part))


def test_functions_and_objects_are_not_packed() -> None:
    """Only what can be read back without running anything is written."""
    for value in (len, {"a": object()}, np.array([len]), hashlib.sha256(), Thing):
        with pytest.raises(TypeError):
            packed(value)


def test_only_the_kinds_that_are_named_are_made() -> None:
    """A packed text cannot ask for another class."""
    with pytest.raises(KeyError):
        unpacked(packed(Thing("a", 1)), [])


def test_what_the_network_gives_is_what_the_engine_reads(shipped: Knowledge, cache: Cache) -> None:
    """An engine by way of the network, as other modules make it, is the one that is kept."""
    plain = compile_tables(build(shipped, "smell").tables)
    _, kept = made_twice(shipped, cache, Case("smell"))
    assert packed(kept) == packed(plain)
