"""What is kept between runs: found only whole, ours and by its key; whatever goes wrong, work goes on."""

from __future__ import annotations

import errno
import os
import resource
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from advisor import diskcache as caches
from advisor.diskcache import Cache, this_program
from tests.conftest import ROOT

KEY = ("engine", "c")
PAYLOAD = bytes(range(256)) * 3


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    """A cache in a folder that does not exist yet, below one that does not either."""
    return Cache(tmp_path / "cache" / "advisor", "this program")


def files(cache: Cache) -> list[str]:
    """The names of all files in the folder, in order."""
    return sorted(one.name for one in cache.folder.iterdir())


# ------------------------------------------------------------------------------------------- what is found


def test_what_is_kept_is_found_by_its_key_alone(cache: Cache) -> None:
    """The same bytes come back; under another key, or one divided differently, there is nothing."""
    assert cache.find(*KEY) is None
    cache.keep(PAYLOAD, *KEY)
    cache.keep(b"", "nothing")
    assert cache.find(*KEY) == PAYLOAD
    assert cache.find("nothing") == b""
    assert [
        cache.find(*other) for other in [("engine",), ("enginec",), ("engine", "d"), ("eng", "inec")]
    ] == [None] * 4


def test_what_another_program_made_is_not_found(cache: Cache) -> None:
    """A version of this program or of a library that differs makes all keys differ."""
    cache.keep(PAYLOAD, *KEY)
    other = Cache(cache.folder, "another program")
    assert other.find(*KEY) is None
    other.file(*KEY).write_bytes(cache.file(*KEY).read_bytes())
    assert other.find(*KEY) is None


def test_any_line_of_source_and_any_version_makes_another_program(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The digest follows the source, not its version number alone, and the libraries that count with it."""
    source = tmp_path / "advisor"
    source.mkdir()
    (source / "cache.py").write_text("one = 1\n", encoding="utf-8")
    monkeypatch.setattr(caches, "__file__", str(source / "cache.py"))
    seen = [this_program.__wrapped__()]
    (source / "cache.py").write_text("one = 2\n", encoding="utf-8")
    seen.append(this_program.__wrapped__())
    (source / "other.py").write_text("", encoding="utf-8")
    seen.append(this_program.__wrapped__())
    monkeypatch.setattr(caches, "version", lambda library: "0.0" if library == "numpy" else "1.0")
    seen.append(this_program.__wrapped__())
    assert len(set(seen)) == 4
    assert None not in seen
    assert this_program.__wrapped__() == seen[-1]


def test_without_source_or_a_library_nothing_is_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where it cannot be told which program this is, nothing could be trusted."""
    with monkeypatch.context() as patch:
        patch.setattr(caches, "LIBRARIES", ("no_such_library_anywhere",))
        assert this_program.__wrapped__() is None
    monkeypatch.setattr(caches, "__file__", str(tmp_path / "elsewhere" / "cache.pyc"))
    assert this_program.__wrapped__() is None


# ----------------------------------------------------------------------------------------------- damage


@pytest.mark.parametrize("sixteenths", range(16))
def test_a_truncated_file_is_ignored_and_written_anew(cache: Cache, sixteenths: int) -> None:
    """Wherever a write was cut off, the file counts as not there."""
    cache.keep(PAYLOAD, *KEY)
    whole = cache.file(*KEY).read_bytes()
    cache.file(*KEY).write_bytes(whole[: len(whole) * sixteenths // 16])
    assert cache.find(*KEY) is None
    cache.keep(PAYLOAD, *KEY)
    assert cache.find(*KEY) == PAYLOAD


def test_any_flipped_bit_and_anything_behind_is_noticed(cache: Cache) -> None:
    """Format, digest and payload: one bit of any byte, or one byte more, and the file is not used."""
    cache.keep(PAYLOAD, *KEY)
    whole = cache.file(*KEY).read_bytes()
    for at in range(len(whole)):
        damaged = bytearray(whole)
        damaged[at] ^= 1 << at % 8
        cache.file(*KEY).write_bytes(damaged)
        assert cache.find(*KEY) is None, at
    cache.file(*KEY).write_bytes(whole + b"\0")
    assert cache.find(*KEY) is None
    cache.file(*KEY).write_bytes(whole)
    assert cache.find(*KEY) == PAYLOAD


def test_a_file_under_another_name_is_not_used(cache: Cache) -> None:
    """A sound file that was renamed to the name of another key is that of the wrong network."""
    cache.keep(PAYLOAD, "engine", "d")
    cache.file("engine", "d").rename(cache.file(*KEY))
    assert cache.find(*KEY) is None


def test_another_format_is_not_used(cache: Cache, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of an older form are not looked into."""
    with monkeypatch.context() as patch:
        patch.setattr(caches, "FORMAT", b"advisor cache 0\n")
        cache.keep(PAYLOAD, *KEY)
        assert cache.find(*KEY) == PAYLOAD
    assert cache.find(*KEY) is None


def test_a_link_is_not_followed_and_is_replaced(cache: Cache, tmp_path: Path) -> None:
    """Neither reading nor writing reaches what a link points to."""
    cache.keep(PAYLOAD, *KEY)
    elsewhere = tmp_path / "elsewhere"
    cache.file(*KEY).rename(elsewhere)
    cache.file(*KEY).symlink_to(elsewhere)
    before = elsewhere.read_bytes()
    assert cache.find(*KEY) is None
    cache.keep(b"other", *KEY)
    assert cache.find(*KEY) == b"other"
    assert elsewhere.read_bytes() == before
    assert not cache.file(*KEY).is_symlink()


@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_what_is_no_file_is_ignored(cache: Cache, kind: str) -> None:
    """A folder or a pipe of that name is not read from, and nothing waits for it."""
    cache.keep(PAYLOAD, *KEY)
    cache.file(*KEY).unlink()
    cache.file(*KEY).mkdir() if kind == "folder" else os.mkfifo(cache.file(*KEY))
    assert cache.find(*KEY) is None
    cache.keep(PAYLOAD, *KEY)
    assert files(cache) == [cache.file(*KEY).name]
    assert cache.find(*KEY) == (PAYLOAD if kind == "pipe" else None)


def test_what_others_may_write_or_own_is_not_used(cache: Cache, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that another user could have made, or has made, tells nothing."""
    cache.keep(PAYLOAD, *KEY)
    for mode in (0o620, 0o602):
        cache.file(*KEY).chmod(mode)
        assert cache.find(*KEY) is None
    cache.file(*KEY).chmod(0o600)
    assert cache.find(*KEY) == PAYLOAD
    another = os.geteuid() + 1
    monkeypatch.setattr(os, "geteuid", lambda: another)
    assert cache.find(*KEY) is None
    cache.keep(b"other", *KEY)
    monkeypatch.undo()
    assert cache.find(*KEY) == PAYLOAD


def test_an_unreadable_file_is_ignored(cache: Cache, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the system does not let us read counts as not there."""

    def refused(*_: Any) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    cache.keep(PAYLOAD, *KEY)
    monkeypatch.setattr(os, "open", refused)
    assert cache.find(*KEY) is None


# ------------------------------------------------------------------------------- folders that do not serve


def test_folder_and_files_are_for_their_owner_alone(cache: Cache) -> None:
    """Whatever the umask: 0700 and 0600; a folder that was open to others is closed."""
    before = os.umask(0)
    try:
        cache.keep(PAYLOAD, *KEY)
        assert stat.S_IMODE(cache.folder.stat().st_mode) == 0o700
        assert stat.S_IMODE(cache.file(*KEY).stat().st_mode) == 0o600
        cache.folder.chmod(0o777)
        cache.keep(PAYLOAD, *KEY)
        assert stat.S_IMODE(cache.folder.stat().st_mode) == 0o700
    finally:
        os.umask(before)


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.ENOSPC, errno.EDQUOT])
def test_a_folder_that_takes_nothing_stops_nothing(
    cache: Cache, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Read-only, not ours, full or over quota: what was kept is still found, and nothing is raised."""

    def refused(*_: Any, **__: Any) -> tuple[int, str]:
        raise OSError(number, os.strerror(number))

    cache.keep(PAYLOAD, *KEY)
    monkeypatch.setattr(tempfile, "mkstemp", refused)
    monkeypatch.setattr(os, "utime", refused)
    cache.keep(PAYLOAD, "another")
    assert cache.find("another") is None
    assert cache.find(*KEY) == PAYLOAD


@contextmanager
def files_of_at_most(size: int) -> Iterator[None]:
    """The system refuses to write past so many bytes of a file."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_write_that_breaks_off_leaves_what_was_there(cache: Cache) -> None:
    """Where the disk takes only the first part, the older file stays and no piece is left."""
    cache.keep(PAYLOAD, *KEY)
    with files_of_at_most(4096):
        cache.keep(bytes(100_000), *KEY)
        cache.keep(bytes(100_000), "another")
    assert cache.find(*KEY) == PAYLOAD
    assert files(cache) == [cache.file(*KEY).name]


def test_a_file_or_a_link_in_place_of_the_folder_stops_nothing(tmp_path: Path) -> None:
    """Nothing is kept there, and what lies there stays as it is."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    for folder in (tmp_path / "file", tmp_path / "file" / "below", tmp_path / "link", Path("/proc/advisor")):
        cache = Cache(folder, "this program")
        cache.keep(PAYLOAD, *KEY)
        assert cache.find(*KEY) is None
    assert (tmp_path / "file").read_text(encoding="utf-8") == "mine"
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_the_folder_may_be_deleted_at_any_time(cache: Cache) -> None:
    """It is made again with the next thing that is kept."""
    cache.keep(PAYLOAD, *KEY)
    cache.file(*KEY).unlink()
    cache.folder.rmdir()
    assert cache.find(*KEY) is None
    cache.keep(PAYLOAD, *KEY)
    assert cache.find(*KEY) == PAYLOAD


def test_what_was_not_used_for_longest_goes_first(cache: Cache, monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder does not grow without end; a piece that a killed writer left goes too, other files stay."""
    for age, name in enumerate(["a", "b", "c"]):
        cache.keep(PAYLOAD, name)
        os.utime(cache.file(name), (1e9 + age, 1e9 + age))
    (cache.folder / "left.part").write_bytes(PAYLOAD)
    os.utime(cache.folder / "left.part", (1e9, 1e9))
    (cache.folder / "note.txt").write_bytes(PAYLOAD)
    assert cache.find("a") == PAYLOAD
    monkeypatch.setattr(caches, "MOST_BYTES", 3 * cache.file("a").stat().st_size)
    cache.keep(PAYLOAD, "d")
    assert [name for name in "abcd" if cache.find(name)] == ["a", "c", "d"]
    assert "note.txt" in files(cache)
    assert "left.part" not in files(cache)


AT_ONCE = """
import sys
from pathlib import Path
from advisor.diskcache import Cache
cache = Cache(Path(sys.argv[1]), "this program")
whole = {size: bytes([size]) * size * 4000 for size in (1, 7)}
found = 0
for turn in range(150):
    for size, payload in whole.items():
        seen = cache.find(str(size))
        assert seen in (None, payload), (turn, size)
        found += seen is not None
        if turn % 3 == int(sys.argv[2]) % 3:
            cache.keep(payload, str(size))
        if turn % 50 == 49:
            cache.file(str(size)).unlink(missing_ok=True)
print(found)
"""


def test_programs_at_the_same_moment_see_whole_files_or_none(cache: Cache) -> None:
    """Four processes write, read and delete the same two keys."""
    command = [sys.executable, "-c", AT_ONCE, str(cache.folder)]
    running: list[subprocess.Popen[bytes]] = []
    try:
        for number in "0123":
            running.append(
                subprocess.Popen([*command, number], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
            )
        ended = [one.communicate(timeout=120) for one in running]
    finally:
        for one in running:
            one.kill()
            one.wait()
    assert [one.returncode for one in running] == [0] * 4, ended
    assert all(int(said) > 0 for said, _ in ended)
    assert not [name for name in files(cache) if not name.endswith(".kept")]
