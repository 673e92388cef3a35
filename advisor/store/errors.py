"""Errors of the database of cases, in words: what happened, what was kept, what to do."""

from __future__ import annotations

from typing import Literal


class StoreError(Exception):
    """The database cannot be reached, read or written: why, what was kept, and what to do."""


class Unreachable(StoreError):
    """The server of the database does not answer: what was to be saved is worth sending again."""


class CorruptRow(StoreError):
    """A row of a case holds what this program never writes; nothing was changed.

    `number` and `tag` say which case it is, as far as they can be read.
    """

    def __init__(self, number: int, tag: str, sentence: str) -> None:
        super().__init__(sentence)
        self.number, self.tag = number, tag


class StaleWrite(StoreError):
    """Somebody else has entered something on this case in the meantime; nothing was written."""


class Erased(StaleWrite):
    """Somebody else has erased this case in the meantime; nothing was written, and nothing can be."""


Doing = Literal["opened", "read", "written", "used", "copied", "restored"]

UNKNOWN = (
    "It is not known whether the last entry was saved: enter it again, it is not saved twice. "
    "What was saved before is kept."
)
"""What was kept, where a server does not answer any more."""
KEPT = {
    "opened": "Nothing was changed.",
    "read": "Nothing was changed.",
    "copied": "Nothing was changed.",
    "restored": "Nothing was changed.",
    "written": "Nothing of it was saved; what was saved before is kept.",
    "used": "What was saved before is kept in the file that was there; nothing was written since.",
}
DAMAGED = (
    "Keep a copy of the file and of those beside it; put back your last good copy, or save what can be read "
    "with `sqlite3 FILE .recover`."
)
MAKE_ROOM = "Make room on the disk and try again."
WAIT = "Another program is writing: wait for it or close it, and try again."
LET_WRITE = "Let this program write the file and in its folder, and try again."
SERVER = "Look whether the server of the database runs and can be reached, and try again."
WAYS_OUT = {
    "disk is full": MAKE_ROOM,
    "no space left": MAKE_ROOM,
    "disk i/o error": "Look whether the disk is full or failing, and try again.",
    "locked": WAIT,
    "lock timeout": WAIT,
    "readonly": LET_WRITE,
    "read-only": LET_WRITE,
    "permission denied": LET_WRITE,
    "unable to open": f"Look whether its folder is there. {LET_WRITE}",
    "no such file": "Make the folder, or name another file with --store.",
    "none was made": "Look at the name after --store, or begin a job with `advisor`.",
    "is a pipe": "Name a file with --store.",
    "is a directory": "Name a file with --store, not a folder.",
    "not a database": f"It is damaged, or no database of ours. {DAMAGED}",
    "malformed": f"It is damaged. {DAMAGED}",
    "utf-8": f"It is damaged. {DAMAGED}",
    "while it was open": "Put it back and try again, or start again to work with what is there now.",
    "password": "Name another user or password, and try again.",
    "connection": SERVER,
    "starting up": SERVER,
    "shutting down": SERVER,
    "recovery": SERVER,
}
"""What to do, by words of the reason; the first that fits."""
ELSE = "Put that right and try again."


def failure(doing: Doing, reason: str) -> StoreError:
    """Return the error for a database that cannot be used, by the reason it gave."""
    kind = Unreachable if _way_out(reason) == SERVER else StoreError
    return kind(sentence(doing, reason))


def sentence(doing: Doing, reason: str) -> str:
    """Return what happened, what was kept and what to do when the database cannot be used."""
    way_out = _way_out(reason)
    kept = UNKNOWN if doing == "written" and way_out == SERVER else KEPT[doing]
    return f"The database of cases cannot be {doing}: {reason}. {kept} {way_out}"


def _way_out(reason: str) -> str:
    folded = reason.casefold()
    return next((way for words, way in WAYS_OUT.items() if words in folded), ELSE)
