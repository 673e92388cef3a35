"""Several files replaced at once: whenever the run is killed, the next one leaves all old or all new.

The kills are real: a process of its own ends itself by SIGKILL before its n-th act on the file system, for
every n until it gets through.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from advisor.knowledge.loading import load, settled
from advisor.knowledge.problems import ProblemsFound
from advisor.knowledge.replacing import BESIDE, DRAFT, JOURNAL, replace_all, settle
from tests.conftest import HEAD, ROOT, complaint, faults

KILLED_BEFORE = """\
import os, signal, sys
from pathlib import Path
left = int(sys.argv[1])
def act(event, said):
    global left
    writes = event == "open" and isinstance(said[1], str) and set(said[1]) & set("wxa")
    if writes or event in ("os.rename", "os.remove", "os.chmod"):
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
"""
REPLACES = (
    KILLED_BEFORE
    + """\
from advisor.knowledge.replacing import replace_all
files = [Path(one) for one in sys.argv[2:]]
sys.addaudithook(act)
replace_all({file: file.read_bytes().replace(b"old", b"new") for file in files})
"""
)
SETTLES = (
    KILLED_BEFORE
    + """\
from advisor.knowledge.replacing import settle
sys.addaudithook(act)
settle(list(dict.fromkeys(Path(one).parent for one in sys.argv[2:])))
"""
)
OLD, NEW = b"# old\n", b"# new\n"


def run(code: str, *words: object) -> int:
    """How a process with this code ends; below 0 where it was killed."""
    said = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.run(said, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False).returncode


def written(*files: Path) -> list[Path]:
    """The files, each with the old text."""
    for file in files:
        file.parent.mkdir(exist_ok=True, parents=True)
        file.write_bytes(OLD)
    return list(files)


def left_over(folder: Path) -> list[str]:
    """What lies there beside the files themselves."""
    return sorted(one.name for one in folder.rglob("*") if one.is_file() and one.suffix != ".yaml")


@pytest.mark.parametrize("names", [("a.yaml", "b.yaml"), ("one/a.yaml", "two/b.yaml")], ids=["one", "two"])
def test_a_killed_change_is_finished_or_undone(tmp_path: Path, names: tuple[str, ...]) -> None:
    """In one folder or two: all old or all new, nothing is left over, and the next run says which."""
    outcomes = []
    for act in range(1, 60):
        folder = tmp_path / str(act)
        files = written(*(folder / name for name in names))
        ended = run(REPLACES, act, *files)
        before = {file.read_bytes() for file in files}
        said = settle(file.parent for file in files)
        after = {file.read_bytes() for file in files}
        assert after in ({OLD}, {NEW}), f"killed before act {act}"
        assert left_over(folder) == []
        assert settle(file.parent for file in files) == []
        if ended == 0:
            assert (before, said) == ({NEW}, [])
            break
        if before == {OLD, NEW}:
            assert after == {NEW}
            assert "finished" in said[0]
        outcomes.append((len(before), after == {NEW}))
    else:
        pytest.fail("it never got through")
    assert {(1, False), (2, True), (1, True)} <= set(outcomes), (
        "kills at every stage, else this shows nothing"
    )


def test_a_change_is_finished_after_repeated_kills(tmp_path: Path) -> None:
    """Killed again and again, one act further each time, the last run still leaves all new."""
    for act in range(1, 30):
        files = written(tmp_path / str(act) / "one" / "a.yaml", tmp_path / str(act) / "two" / "b.yaml")
        stopped_halfway(*files)
        ended = run(SETTLES, act, *files)
        settle(file.parent for file in files)
        assert {file.read_bytes() for file in files} == {NEW}
        assert left_over(tmp_path / str(act)) == []
        if ended == 0:
            return
    pytest.fail("it never got through")


def stopped_halfway(*files: Path) -> None:
    """Leave what a run leaves that is killed after the first of its files was replaced."""
    for act in range(1, 60):
        run(REPLACES, act, *files)
        if [file.read_bytes() for file in files] == [NEW] + [OLD] * (len(files) - 1):
            return
        settle(file.parent for file in files)
        written(*files)
    pytest.fail("no such moment")


def test_loading_finishes_an_interrupted_change(tmp_path: Path) -> None:
    """Whoever reads the knowledge next reads all of it as it is after the change."""
    first, second = tmp_path / "a.yaml", tmp_path / "b.yaml"
    first.write_text(HEAD + complaint("any_of: {strap: 60}"), encoding="utf-8")
    second.write_text(HEAD + faults("strap"), encoding="utf-8")
    texts = {file: file.read_bytes() for file in (first, second)}
    longer = {
        file: text.replace(b"60", b"61").replace(b"minutes: 5", b"minutes: 6") for file, text in texts.items()
    }
    replace_all(longer)
    done = load([tmp_path])
    code = KILLED_BEFORE + (
        "from advisor.knowledge.replacing import replace_all\n"
        "import json\n"
        "sys.addaudithook(act)\n"
        "replace_all({Path(name): text.encode() for name, text in json.loads(sys.argv[2]).items()})\n"
    )
    for act in range(1, 60):
        for file, text in texts.items():
            file.write_bytes(text)
        run(code, act, json.dumps({str(file): text.decode() for file, text in longer.items()}))
        if first.read_bytes() != texts[first] and second.read_bytes() == texts[second]:
            break
    else:
        pytest.fail("no such moment")
    assert load([tmp_path]).version == done.version
    assert left_over(tmp_path) == []


def test_an_edit_since_is_not_written_over(tmp_path: Path) -> None:
    """Neither finished nor undone: the sentence says which file, and how to go on either way."""
    files = written(tmp_path / "a.yaml", tmp_path / "b.yaml", tmp_path / "c.yaml")
    stopped_halfway(*files)
    files[1].write_bytes(b"# mine\n")
    with pytest.raises(ProblemsFound, match="half-changed") as found:
        settled([tmp_path])
    (problem,) = found.value.problems
    assert problem.place.file == str(files[1])
    assert [file.read_bytes() for file in files] == [NEW, b"# mine\n", OLD]
    files[1].write_bytes(OLD)
    assert len(settled([tmp_path])) == 1
    assert {file.read_bytes() for file in files} == {NEW}


def test_a_lost_replacement_is_reported_and_changes_nothing(tmp_path: Path) -> None:
    """Then it is said, and the files stay as they are; without the journal they are read as they are."""
    files = written(tmp_path / "a.yaml", tmp_path / "b.yaml")
    stopped_halfway(*files)
    (tmp_path / ("b.yaml" + BESIDE)).unlink()
    with pytest.raises(ProblemsFound, match="is gone"):
        settled([tmp_path])
    (tmp_path / JOURNAL).unlink()
    assert settled([tmp_path]) == []
    assert [file.read_bytes() for file in files] == [NEW, OLD]


def test_a_journal_writes_nothing_elsewhere(tmp_path: Path) -> None:
    """One that came along with somebody's knowledge moves no file of another folder, and no notes."""
    other, notes = written(tmp_path / "mine" / "a.yaml", tmp_path / "theirs" / "notes.txt")
    for file in (other, notes):
        file.with_name(file.name + BESIDE).write_bytes(NEW)
    stopped_halfway(*written(tmp_path / "made" / "a.yaml", tmp_path / "made" / "b.yaml"))
    said = json.loads((tmp_path / "made" / JOURNAL).read_text())
    digests = next(iter(said["files"].values()))
    for name in ("../mine/a.yaml", "notes.txt"):
        (tmp_path / "theirs" / JOURNAL).write_text(json.dumps({"files": {name: digests}}))
        with pytest.raises(ProblemsFound):
            settle([tmp_path / "theirs"])
        assert (other.read_bytes(), notes.read_bytes()) == (OLD, OLD)


@pytest.mark.parametrize(
    "text", [b"", b"[", b"[]", b"\xff", b'{"files": 3}', b'{"files": {"a.yaml": 3}}', b"[" * 9999]
)
@pytest.mark.parametrize("name", [JOURNAL, DRAFT])
def test_a_damaged_journal_changes_nothing(tmp_path: Path, name: str, text: bytes) -> None:
    """It was never finished, so nothing was begun."""
    (file,) = written(tmp_path / "a.yaml")
    (tmp_path / name).write_bytes(text)
    settled([tmp_path])
    assert file.read_bytes() == OLD
    assert left_over(tmp_path) == []
