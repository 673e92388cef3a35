"""Replace several files at once: if killed at any moment, all are old or all new at the next look.

The new texts are written beside the files, with a journal that lists them. Nothing has happened until one
rename gives the journal its final name; from then on the change will be finished, by this run or by the next
that looks at one of the folders (`settle`). If the files are in several folders, the journal is in the first
one and the others name that folder; without that, nothing is written there.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from stat import S_ISREG
from typing import Any

from advisor.knowledge.problems import Place, Problem, ProblemsFound

JOURNAL = ".advisor-change.json"
DRAFT = JOURNAL + ".part"
BESIDE = ".advisor-new"
"""Suffix of the file that is to replace another."""
ENDINGS = (".yaml", ".yml")
"""Files that may be replaced; a journal moves no others, wherever it came from."""
LARGEST_JOURNAL = 1_000_000
"""Bytes; a larger one was not written by this program."""


def replace_all(texts: Mapping[Path, bytes]) -> None:
    """Write texts into files, all or none; raises `OSError` if the disk refuses.

    The files' real names must have one of the `ENDINGS`.
    """
    files = {Path(os.path.realpath(file)): text for file, text in texts.items()}
    home = next(iter(files)).parent
    others = {file.parent for file in files} - {home}
    draft = home / DRAFT
    listed = {
        os.path.relpath(file, home): {"old": _digest(file.read_bytes()), "new": _digest(text)}
        for file, text in files.items()
    }
    try:
        for other in others:
            _write(other / JOURNAL, json.dumps({"journal": os.path.relpath(home, other)}).encode())
        _write(draft, json.dumps({"files": listed}).encode())
        for file, text in files.items():
            _write(_beside(file), text)
            shutil.copymode(file, _beside(file))
        draft.replace(home / JOURNAL)
    except OSError:
        draft.unlink(missing_ok=True)
        for file in files:
            _beside(file).unlink(missing_ok=True)
        for other in others:
            (other / JOURNAL).unlink(missing_ok=True)
        raise
    _sync(home)
    _finish(home)


def settle(folders: Iterable[Path]) -> list[str]:
    """Finish or undo what an interrupted run left in these folders; return sentences on what was done.

    Raises `ProblemsFound` if a file was edited since, which rules out both.
    """
    done = []
    for folder in dict.fromkeys(folders):
        said = _read(folder / JOURNAL)
        home = folder
        if said is not None and isinstance(said.get("journal"), str):
            home = (folder / said["journal"]).resolve()
            if _read(home / JOURNAL) is None and _read(home / DRAFT) is None:
                (folder / JOURNAL).unlink(missing_ok=True)
                continue
        if _read(home / JOURNAL) is not None:
            names = _finish(home)
            if names:
                done.append(f"A change that was stopped halfway is finished: {', '.join(names)}.")
        elif _read(home / DRAFT) is not None and os.access(home, os.W_OK):
            _undo(home)
            done.append("A change that was stopped before it began is undone: no file is another one.")
    return done


def _finish(home: Path) -> list[str]:
    """Carry out a journal; returns the names of the files that it has put in place."""
    entries = _entries(home, _read(home / JOURNAL))
    waiting = {file: said for file, said in entries.items() if _digest_of(file) != said["new"]}
    ready = [file for file, said in waiting.items() if _can_be_replaced(home, file, said)]
    old = [file for file, said in waiting.items() if _digest_of(file) == said["old"]]
    stuck = [file for file in waiting if file not in ready]
    if old and stuck:
        raise ProblemsFound(
            [
                Problem(
                    Place(str(stuck[0]), 1, 1),
                    "half-changed",
                    "`advisor learn --apply` was stopped halfway and cannot be finished: this file was "
                    f"edited since, or {_beside(stuck[0]).name} is gone, which was to take its place.",
                    "Nothing was written.",
                    f"Put it back as it was, or delete {home / JOURNAL} to keep all files as they are now.",
                )
            ]
        )
    for file in ready:
        with suppress(FileNotFoundError):  # another run was faster
            _beside(file).replace(file)
    for folder in dict.fromkeys(file.parent for file in entries):
        _sync(folder)
    (home / JOURNAL).unlink(missing_ok=True)
    _tidy(home, entries)
    return [file.name for file in ready]


def _undo(home: Path) -> None:
    """Remove what was written beside the files; the draft goes first, so that nobody acts on it."""
    entries = _entries(home, _read(home / DRAFT))
    (home / DRAFT).unlink(missing_ok=True)
    if not (home / JOURNAL).exists():
        _tidy(home, entries)


def _tidy(home: Path, entries: Iterable[Path]) -> None:
    for file in entries:
        if _is_ours(home, file):
            _beside(file).unlink(missing_ok=True)
            if file.parent != home:
                (file.parent / JOURNAL).unlink(missing_ok=True)


def _entries(home: Path, said: dict[str, Any] | None) -> dict[Path, dict[str, str]]:
    """Return the files that a journal lists, with the digests of their old and new texts."""
    files = (said or {}).get("files")
    return {
        (home / name).resolve(): digests
        for name, digests in (files if isinstance(files, dict) else {}).items()
        if isinstance(digests, dict) and {"old", "new"} <= digests.keys()
    }


def _can_be_replaced(home: Path, file: Path, said: Mapping[str, str]) -> bool:
    is_old = _digest_of(file) == said["old"]
    return is_old and _digest_of(_beside(file)) == said["new"] and _is_ours(home, file)


def _is_ours(home: Path, file: Path) -> bool:
    """Return whether a journal may write a file: knowledge in its own folder or one that names it."""
    if file.suffix not in ENDINGS:
        return False
    said = _read(file.parent / JOURNAL) or {}
    named = said.get("journal")
    return file.parent == home or (isinstance(named, str) and (file.parent / named).resolve() == home)


def _read(file: Path) -> dict[str, Any] | None:
    """Return what a journal says, or None if there is none to read or it was never finished."""
    try:
        stat = file.lstat()
        if not S_ISREG(stat.st_mode) or stat.st_size > LARGEST_JOURNAL:
            return None
        said = json.loads(file.read_bytes())
    except OSError:
        return (
            None  # nearly always it is not there; a folder that cannot be read is told by who reads its files
        )
    except (ValueError, RecursionError):
        return {}
    return said if isinstance(said, dict) else {}


def _write(file: Path, text: bytes) -> None:
    """Write a file and sync it to the disk."""
    with file.open("wb") as opened:
        opened.write(text)
        opened.flush()
        os.fsync(opened.fileno())


def _sync(folder: Path) -> None:
    """Sync renames in a folder to the disk, on systems where a folder can be opened."""
    if hasattr(os, "O_DIRECTORY"):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _beside(file: Path) -> Path:
    return file.with_name(file.name + BESIDE)


def _digest(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()


def _digest_of(file: Path) -> str | None:
    """Return the digest of a file's content, or None if there is no such file."""
    with suppress(FileNotFoundError):
        if file.is_file():
            return _digest(file.read_bytes())
    return None
