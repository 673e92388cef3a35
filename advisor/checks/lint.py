"""Questions about the whole knowledge, in the order in which they make sense.

A question about one file's form is asked in `loading`. What everything else relies on stands in
`references`, the rest in `consistency`; questions that need compiled networks stand in `informativeness`.
Every module of this package is imported here, so that a check is added by a function under
`@consistency_check` in one of them, or in a file of its own.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable, Iterator, Sequence
from importlib import import_module
from itertools import islice
from pathlib import Path

from advisor import checks
from advisor.checks.references import UNKNOWN, word_of
from advisor.checks.registry import CHECKS, REFERENCES, consistency_check
from advisor.diskcache import Cache
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load_with_digest, readable
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.model.priors import solve

MOST_TOLD = 300
"""Problems told of one question; whoever has more mends these first."""

for module in pkgutil.iter_modules(checks.__path__):
    import_module(f"{checks.__name__}.{module.name}")


def checked(paths: Iterable[Path], cache: Cache | None = None) -> Knowledge:
    """Load knowledge and make sure that it can be used; raises `ProblemsFound` with every error in it.

    Of files that lean on the rest of their folder that is said in one line.
    That texts had no error is remembered in the cache, so that the same ones are not asked again.
    """
    paths = list(paths)
    try:
        knowledge, digest = load_with_digest(paths)
    except ProblemsFound as error:
        raise ProblemsFound(with_unknown_ids(paths, error.problems)) from error
    if cache and cache.find("no error", digest) is not None:
        return knowledge
    errors = [problem for problem in problems(knowledge) if problem.severity == "error"]
    if errors:
        raise ProblemsFound(leaning(paths, errors))
    if cache:
        cache.keep(b"", "no error", digest)
    return knowledge


def problems(knowledge: Knowledge) -> list[Problem]:
    """Return what is wrong or weak, in the order of the files; at most `MOST_TOLD` problems a question."""
    found = [problem for check in REFERENCES for problem in islice(check(knowledge), MOST_TOLD)]
    if not found:
        found = [problem for check in CHECKS for problem in islice(check(knowledge), MOST_TOLD)]
    return sorted(found, key=lambda problem: (problem.place, problem.code, problem.what))


def with_unknown_ids(paths: Sequence[Path], found: Sequence[Problem]) -> list[Problem]:
    """Problems of form, with the ids that are misspelt in what can be read all the same: one round fewer.

    After a slip of indentation nobody knows what was meant to be an id.
    """
    read = None if any(one.code == "indentation" for one in found) else readable(paths)
    if read is None:
        return list(found)
    return [*found, *leaning(paths, _unknown_ids(*read))]


def _unknown_ids(knowledge: Knowledge, broken: frozenset[str]) -> list[Problem]:
    """Return the ids that name nothing, but for those of items that are there and cannot be read."""
    told = (one for check in REFERENCES for one in islice(check(knowledge), MOST_TOLD))
    return [one for one in told if one.code == UNKNOWN and word_of(one) not in broken]


def leaning(files: Sequence[Path], found: Sequence[Problem]) -> list[Problem]:
    """Return the problems of files that were checked by themselves, with the ids of their folder in one line.

    That is where all lie in one folder and the rest of it defines ids that they miss; else as found.
    """
    folders = {file.parent for file in files}
    missing = [one for one in found if one.code == UNKNOWN]
    if not missing or len(folders) != 1 or any(file.is_dir() for file in files):
        return list(found)
    (folder,) = folders
    read = readable([folder])
    if read is None:
        return list(found)
    whole, broken = read
    still = {(one.place, word_of(one)) for one in _unknown_ids(whole, broken)}
    defined = [one for one in missing if (one.place, word_of(one)) not in still]
    owners = {name: Path(whole.place(section, name).file).name for section, name, _ in whole.items()}
    others = sorted({owners[word_of(one)] for one in defined if word_of(one) in owners})
    if not others:
        return list(found)
    alone = files[0].name if len(files) == 1 else f"{files[0].name} and what was named with it"
    line = Problem(
        Place(str(files[0]), 1, 1),
        "leans",
        f"{alone} leans on the rest of its folder: {', '.join(others)}.",
        "",
        f"Check them together: `advisor check {folder}`.",
    )
    return [line, *(one for one in found if one not in defined)]


@consistency_check
def shares(knowledge: Knowledge) -> Iterator[Problem]:
    """Complaints whose numbers cannot be so together."""
    for name in knowledge.complaints:
        try:
            solve(knowledge, name)
        except ProblemsFound as error:
            yield from error.problems
