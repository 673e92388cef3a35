"""Bytes kept on disk between runs, found again by what they were made from.

A file is used only if it is this user's own, whole, and made by this very program with these very libraries;
anything else counts as not there and is written anew. Whatever the folder does not let us do is left undone:
work goes on without. All of it can be deleted at any time.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from stat import S_ISDIR, S_ISREG

from platformdirs import user_cache_path

FORMAT = b"advisor cache 1\n"
"""At the head of every file; changed with the form of files, or of what is kept in them."""
LIBRARIES = ("CoolProp", "networkx", "numpy", "pgmpy", "pint", "psychrolib", "pydantic", "PyYAML", "scipy")
"""What is kept was computed with these: other versions make it anew."""
MOST_BYTES = 64_000_000
"""All files together; the shipped knowledge needs 2 MB. What was not used for longest goes first."""
SUFFIX, UNFINISHED = ".kept", ".part"
UNFINISHED_SECONDS = 600.0
"""What is half-written for longer than this was left by a writer that was killed."""
GUARDED = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
"""Flags with which opening follows no link and waits for no pipe."""


@dataclass(frozen=True)
class Cache:
    """A folder of files, each named by its key. `made_by` is part of every key (see `this_program`)."""

    folder: Path
    made_by: str

    def find(self, *key: str) -> bytes | None:
        """Return what was kept under the key, or None."""
        path = self.file(*key)
        try:
            with open(path, "rb", opener=lambda name, flags: os.open(name, flags | GUARDED)) as file:
                stat = os.fstat(file.fileno())
                if not S_ISREG(stat.st_mode) or not _is_ours(stat) or stat.st_mode & 0o022:
                    return None
                said = file.read(MOST_BYTES)
        except OSError:
            return None
        with suppress(OSError):
            os.utime(path)  # so that it is not the next to go
        at = len(FORMAT) + hashlib.sha256().digest_size
        return said[at:] if said[:at] == self._head(key, said[at:]) else None

    def keep(self, payload: bytes, *key: str) -> None:
        """Keep bytes under a key, if the folder lets us: whole or not at all, readable by this user only."""
        try:
            self._make_folder()
            descriptor, unfinished = tempfile.mkstemp(UNFINISHED, dir=self.folder)
            try:
                with os.fdopen(descriptor, "wb") as file:
                    file.write(self._head(key, payload) + payload)
                Path(unfinished).replace(self.file(*key))
            finally:
                Path(unfinished).unlink(missing_ok=True)
            self._drop_oldest()
        except OSError:
            return  # a full disk, a folder that is read-only or not ours

    def tidy(self) -> None:
        """Delete what killed writers have left half-written; a writer at work takes milliseconds."""
        try:
            stat = self.folder.lstat()
            if not S_ISDIR(stat.st_mode) or not _is_ours(stat):
                return
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    age = time.time() - entry.stat(follow_symlinks=False).st_mtime
                    if entry.name.endswith(UNFINISHED) and age > UNFINISHED_SECONDS:
                        Path(entry.path).unlink(missing_ok=True)
        except OSError:
            return  # there is no folder yet, or it does not let us

    def file(self, *key: str) -> Path:
        """Where the bytes of a key lie."""
        return self.folder / (hashlib.sha256(self._whole(key)).hexdigest() + SUFFIX)

    def _whole(self, key: Iterable[str]) -> bytes:
        return json.dumps([self.made_by, *key]).encode()

    def _head(self, key: Iterable[str], payload: bytes) -> bytes:
        """Return what has to stand before the payload, naming the format, the key and the payload."""
        return FORMAT + hashlib.sha256(hashlib.sha256(self._whole(key)).digest() + payload).digest()

    def _make_folder(self) -> None:
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        stat = self.folder.lstat()
        if not S_ISDIR(stat.st_mode) or not _is_ours(stat):
            raise PermissionError(f"{self.folder} is no folder of this user")
        if stat.st_mode & 0o077:
            self.folder.chmod(0o700)

    def _drop_oldest(self) -> None:
        known = []
        with os.scandir(self.folder) as entries:
            for entry in entries:
                if entry.name.endswith((SUFFIX, UNFINISHED)):
                    known.append((entry.stat(follow_symlinks=False), entry.path))
        total = 0
        for stat, path in sorted(known, key=lambda one: one[0].st_mtime_ns, reverse=True):
            total += stat.st_size
            if total > MOST_BYTES:
                Path(path).unlink(missing_ok=True)


def _is_ours(stat: os.stat_result) -> bool:
    """Whether this user is the owner, where there are owners."""
    return sys.platform == "win32" or stat.st_uid == os.geteuid()


@cache
def this_program() -> str | None:
    """Return a digest of this program's source, of Python and of the libraries' versions.

    None where one of them cannot be told: then nothing is kept.
    """
    package = Path(__file__).parent
    digest = hashlib.sha256(repr((sys.version, sys.platform, sys.byteorder, sys.maxsize)).encode())
    try:
        digest.update(repr([(library, version(library)) for library in LIBRARIES]).encode())
        source = sorted(package.rglob("*.py"))
        for file in source:
            said = file.read_bytes()
            digest.update(f"{file.relative_to(package)} {len(said)}\n".encode() + said)
    except (PackageNotFoundError, OSError):
        return None
    return digest.hexdigest() if source else None


def of_this_user() -> Cache | None:
    """Return the cache in the user's folder for such things; None where it could not be trusted."""
    made_by = this_program()
    if made_by is None:
        return None
    cache = Cache(user_cache_path("advisor"), made_by)
    cache.tidy()
    return cache
