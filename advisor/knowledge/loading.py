"""YAML text to knowledge, or every problem with its file, line and column."""

from __future__ import annotations

import hashlib
import os
import re
import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from stat import S_ISREG
from typing import Any, NoReturn, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from advisor.knowledge import knowledge as words
from advisor.knowledge.indentation import slips
from advisor.knowledge.knowledge import SECTIONS, Knowledge
from advisor.knowledge.pictures import FOLDER, Picture, parse_picture
from advisor.knowledge.probability import in_words
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.knowledge.replacing import ENDINGS, settle
from advisor.knowledge.vocabulary import Document, Standing
from advisor.text import nearest

LARGEST_FILE = 250_000
"""Bytes; larger files are refused unread."""
MOST_TRANSLATED = 300
"""How many problems of form are reported for one file; fix these first."""
DEEPEST = 12
"""Levels of nesting; the language needs 7."""
ID = re.compile(r"[a-z0-9][a-z0-9_]*")

Model = TypeVar("Model", bound=BaseModel)


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):  # type: ignore[misc]
    """Reads scalars by the core schema of YAML 1.2: `yes`, `on` and `12:30` are plain words."""

    yaml_implicit_resolvers: typing.ClassVar[dict[str, Any]] = {}


for _tag, _pattern, _first in (
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("int", r"[-+]?[0-9]+", "-+0123456789"),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", "-+.0123456789"),
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(f"(?:{_pattern})\\Z"), list(_first))


def knowledge_files(paths: Iterable[Path]) -> list[Path]:
    """Return the files meant: a folder stands for the .yaml files directly in it, sorted by name."""
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            files += sorted(one for one in path.iterdir() if one.suffix in ENDINGS and one.is_file())
        else:
            files.append(path)
    return list(dict.fromkeys(files))


def settled(paths: Iterable[Path]) -> list[str]:
    """Finish or undo a half-made change of these files; return sentences on what was done.

    Loading always does this; call it first to report it. Raises `ProblemsFound` if it is impossible.
    """
    return settle(Path(os.path.realpath(file)).parent for file in knowledge_files(paths))


def load(paths: Iterable[Path]) -> Knowledge:
    """Read the files and folders as one knowledge; raises `ProblemsFound` with all problems of form."""
    return load_with_digest(paths)[0]


def load_with_digest(paths: Iterable[Path]) -> tuple[Knowledge, str]:
    """Load, and return a digest of the texts too: equal digests have equal problems."""
    paths = list(paths)
    problems: list[Problem] = []
    sections: dict[str, Any] = {section: {} for section in SECTIONS}
    places: dict[words.Path, Place] = {}
    standings: dict[str, Standing] = {}
    owners: dict[str, Place] = {}
    digest = hashlib.sha256()
    settled(paths)
    files = knowledge_files(paths)
    if not files:
        where = Place(str(paths[0]) if paths else ".", 1, 1)
        problems.append(
            Problem(
                where,
                "no-knowledge",
                "There is no .yaml file here.",
                "",
                "Name a file or a folder with some.",
            )
        )
    for file in files:
        try:
            text = text_of(file)
            digest.update(hashlib.sha256(text.encode()).digest())
            document, found = parse(text, str(file), Document)
        except ProblemsFound as error:
            problems += error.problems
            continue
        if document.standing:
            standings[str(file)] = document.standing
        for section in SECTIONS:
            for name, item in getattr(document, section).items():
                where = found[(section, name)]
                if not ID.fullmatch(name) or name in owners:
                    problems.append(_bad_id(name, where, owners))
                owners.setdefault(name, where)
                sections[section][name] = item
        places.update(found)
    problems += _proofs_as_readings(sections, places, owners)
    pictures, used = _pictures(sections, places, problems)
    if problems:
        raise ProblemsFound(problems)
    for picture in pictures.values():
        digest.update(hashlib.sha256(picture.markup.encode()).digest())
    unused = tuple(Place(str(file), 1, 1) for file in picture_files(paths) if file not in used)
    knowledge = Knowledge(**sections, standings=standings, places=places)
    return replace(knowledge, pictures=pictures, unused_pictures=unused), digest.hexdigest()


def picture_files(paths: Iterable[Path]) -> list[Path]:
    """Return the drawings beside the files in these folders, sorted by name."""
    folders = [path / FOLDER for path in paths if path.is_dir()]
    return [file for folder in folders if folder.is_dir() for file in sorted(folder.glob("*.svg"))]


def _pictures(
    sections: Mapping[str, Mapping[str, Any]], places: Mapping[words.Path, Place], problems: list[Problem]
) -> tuple[dict[tuple[str, str], Picture], set[Path]]:
    """Return the drawings by what they show, and their files; one that is missing is told by a check."""
    found: dict[tuple[str, str], Picture] = {}
    read: dict[Path, Picture | None] = {}
    named = (
        (section, name, item.picture)
        for section in ("readings", "setups")
        for name, item in sections[section].items()
        if item.picture
    )
    for section, name, picture in named:
        file = Path(places[(section, name, "picture")].file).parent / FOLDER / picture
        if file not in read and file.exists():
            try:
                read[file] = parse_picture(text_of(file), str(file))
            except ProblemsFound as error:
                problems += error.problems
                read[file] = None
        if drawn := read.get(file):
            found[(section, name)] = drawn
    return found, set(read)


def _proofs_as_readings(
    sections: dict[str, dict[str, Any]],
    places: dict[words.Path, Place],
    owners: dict[str, Place],
) -> Iterator[Problem]:
    """Enter the proof of each fault as the reading that it is, at the place where it was written."""
    for fault, said in list(sections["faults"].items()):
        for name, proof in said.proof.items():
            path: words.Path = ("faults", fault, "proof", name)
            if not ID.fullmatch(name) or name in owners:
                yield _bad_id(name, places[path], owners)
            owners.setdefault(name, places[path])
            sections["readings"][name] = proof.as_reading(fault, said.given)
    for there, place in list(places.items()):
        if there[:1] == ("faults",) and there[2:3] == ("proof",) and len(there) > 3:
            inside = there[4:]
            numbers = {"shows": ("noisy_or", "causes", there[1]), "without": ("noisy_or", "leak")}
            own = numbers.get(str(inside[0]), inside) if inside else inside
            places[("readings", there[3], *own)] = place


def _bad_id(name: str, place: Place, owners: Mapping[str, Place]) -> Problem:
    """Return what is wrong with an id: it has letters that ids do not have, or is used already."""
    if not ID.fullmatch(name):
        what, why = f"'{name}' cannot be an id.", "Ids stand in commands and files."
        return Problem(place, "bad-id", what, why, "Use small letters, digits and underscores.")
    what, why = (
        f"'{name}' is used already at {owners[name]}.",
        "An id names one thing in the whole knowledge.",
    )
    return Problem(place, "duplicate-id", what, why, "Give one of them another id.")


def readable(paths: Iterable[Path]) -> tuple[Knowledge, frozenset[str]] | None:
    """Return what is sound in files with problems of form, and the ids of what is not; None if YAML fails."""
    sections: dict[str, Any] = {section: {} for section in SECTIONS}
    places: dict[words.Path, Place] = {}
    broken: set[str] = set()
    for file in knowledge_files(paths):
        try:
            text = text_of(file)
            _refuse_tricks(text, str(file))
            root = yaml.compose(text, Loader=_Loader)
        except (ProblemsFound, yaml.YAMLError):
            return None
        data = _data(root, (), str(file), places, []) if root is not None else {}
        for section, items in data.items() if isinstance(data, dict) else ():
            for name, item in items.items() if isinstance(items, dict) else ():
                if section not in SECTIONS:
                    broken.add(name)
                    continue
                kind = typing.get_args(Document.model_fields[section].annotation)[1]
                try:
                    sections[section][name] = kind.model_validate(item)
                except ValidationError:
                    broken.add(name)
    for _ in _proofs_as_readings(sections, places, {}):
        pass  # problems of ids are told by `load`
    return Knowledge(**sections, places=places), frozenset(broken)


def read(file: Path, model: type[Model]) -> tuple[Model, dict[words.Path, Place]]:
    """Read one file as a model, with the place of everything in it; raises `ProblemsFound`."""
    return parse(text_of(file), str(file), model)


def text_of(file: Path) -> str:
    """Return the text of a file; raises `ProblemsFound` if it cannot or must not be read."""
    start = Place(str(file), 1, 1)
    try:
        stat = file.stat()
        if not S_ISREG(stat.st_mode):
            what = "This is no file: a device, a pipe or a folder."
            raise ProblemsFound(
                [Problem(start, "unreadable", what, "", "Name a file, or a folder of files.")]
            )
        if stat.st_size > LARGEST_FILE:
            raise ProblemsFound(
                [
                    Problem(
                        start,
                        "too-large",
                        f"The file is larger than {LARGEST_FILE // 1000} kB.",
                        "Nobody writes that much by hand.",
                        "Split it, or check what it is.",
                    )
                ]
            )
        return file.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise ProblemsFound(
            [
                Problem(
                    start,
                    "not-text",
                    f"The file is not UTF-8 text (byte {error.start + 1}).",
                    "",
                    "Save it as UTF-8.",
                )
            ]
        ) from error
    except OSError as error:
        raise ProblemsFound(
            [
                Problem(
                    start,
                    "unreadable",
                    f"The file cannot be read: {error.strerror or error}.",
                    "",
                    "Check the name and its permissions.",
                )
            ]
        ) from error


def parse(text: str, file: str, model: type[Model]) -> tuple[Model, dict[words.Path, Place]]:
    """Turn YAML text into a model, with the place of everything in it; raises `ProblemsFound`."""
    problems: list[Problem] = []
    places: dict[words.Path, Place] = {}
    try:
        _refuse_tricks(text, file)
        root = yaml.compose(text, Loader=_Loader)
        data = _data(root, (), file, places, problems) if root is not None else {}
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(file, mark.line + 1, mark.column + 1) if mark else Place(file, 1, 1)
        raise ProblemsFound([_syntax(place, error.problem or "", text)]) from error
    except yaml.YAMLError as error:  # unprintable characters carry no mark
        what = f"The text has a character that YAML does not allow ({str(error).splitlines()[0]})."
        raise ProblemsFound([Problem(Place(file, 1, 1), "yaml", what, "", "Remove it.")]) from error
    if not isinstance(data, dict):
        what, instead = "The file is no mapping.", "Start with 'language: 1'."
        raise ProblemsFound([Problem(Place(file, 1, 1), "not-a-mapping", what, "", instead), *problems])
    places[()] = Place(file, 1, 1)
    try:
        document = model.model_validate(data)
    except ValidationError as error:
        problems += _translated(error, data, model, places)
        raise ProblemsFound(problems) from error
    if problems:
        raise ProblemsFound(problems)
    return document, places


def values_of(text: str) -> Iterator[tuple[int, int]]:
    """Yield where each plain value of a text begins and ends, quotes included, from top to bottom.

    Keys are not values. The text must have been parsed without a problem.
    """

    def inside(node: yaml.Node | None) -> Iterator[tuple[int, int]]:
        if isinstance(node, yaml.ScalarNode):
            yield node.start_mark.index, node.end_mark.index
        elif isinstance(node, yaml.SequenceNode):
            for one in node.value:
                yield from inside(one)
        elif isinstance(node, yaml.MappingNode):
            for _, value in node.value:
                yield from inside(value)

    return inside(yaml.compose(text, Loader=_Loader))


def _syntax(place: Place, problem: str, text: str) -> Problem:
    lines = text.splitlines()
    line = lines[place.line - 1] if place.line <= len(lines) else ""
    if "\t" in line[: len(line) - len(line.lstrip())] or "'\\t'" in problem:
        return Problem(
            place,
            "tab",
            "There is a tab at the start of the line.",
            "YAML indents by spaces only.",
            "Replace it by spaces.",
        )
    before, at = line[: place.column - 1], line[place.column - 1 :]
    if at.startswith(":") and ": " in before and re.search("mapping values are|expected ',' or '}'", problem):
        return Problem(
            place, "yaml", "There is a colon inside a text.", "", "Put quotes round the whole text."
        )
    if line.strip() and (slip := _indented(place, problem, lines)):
        return Problem(place, "yaml", slip, "", "Begin it in the column of the line that it belongs beside.")
    return Problem(
        place,
        "yaml",
        f"This cannot be read as YAML: {problem}.",
        "",
        "Look at the indentation, colons and quotes of this line and the one above.",
    )


def _indented(place: Place, problem: str, lines: list[str]) -> str:
    """How a line is indented wrongly, where that is why it cannot be read; else nothing."""
    above = [one for one in lines[: place.line - 1] if one.strip() and not one.lstrip().startswith("#")]
    columns = [len(one) - len(one.lstrip()) + 1 for one in (*above, lines[place.line - 1])]
    if len(columns) < 2:
        return ""
    further = columns[-1] > columns[-2] and not above[-1].rstrip().endswith(":")
    if "mapping values are not allowed" in problem and further:
        return "This line is indented further than the one above, which has its value already."
    if "expected" in problem and columns[-1] not in columns[:-1]:
        return f"This line begins in column {columns[-1]}, and no line above it does."
    return ""


def _refuse_tricks(text: str, file: str) -> None:
    """Refuse anchors, aliases, tags, deep nesting and a second document, before anything is built."""
    depth, documents = 0, 0

    def refuse(code: str, what: str, why: str, instead: str) -> NoReturn:
        mark = event.start_mark
        place = Place(file, mark.line + 1, mark.column + 1) if mark else Place(file, 1, 1)
        raise ProblemsFound([Problem(place, code, what, why, instead)])

    for event in yaml.parse(text, Loader=_Loader):
        depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        documents += isinstance(event, yaml.DocumentStartEvent)
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            what = "Anchors and aliases are not part of the language."
            refuse("anchor", what, "A reader should see each number where it counts.", "Write it out.")
        tag = getattr(event, "tag", None)
        if tag and tag != "!":
            refuse("tag", f"The tag {tag} is not part of the language.", "", "Leave it out.")
        if depth > DEEPEST:
            what = f"This is nested more than {DEEPEST} levels deep."
            refuse("too-deep", what, "", "Look at the indentation.")
        if documents > 1:
            refuse("second-document", "A second document starts here.", "", "Put it into a file of its own.")


def _data(
    node: yaml.Node, path: words.Path, file: str, places: dict[words.Path, Place], problems: list[Problem]
) -> Any:
    """Return the node's plain value; record the place of everything, and duplicate keys."""
    places.setdefault(path, Place(file, node.start_mark.line + 1, node.start_mark.column + 1))
    if isinstance(node, yaml.ScalarNode):
        kind = node.tag.rpartition(":")[2]
        if kind == "int":
            return int(node.value) if len(node.value) < 40 else float(node.value)
        if kind == "float":
            return float(node.value)
        if kind == "bool":
            return node.value.lower() == "true"
        return None if kind == "null" else node.value
    if isinstance(node, yaml.SequenceNode):
        return [_data(one, (*path, at), file, places, problems) for at, one in enumerate(node.value)]
    result: dict[str, Any] = {}
    for key, value in node.value:
        where = Place(file, key.start_mark.line + 1, key.start_mark.column + 1)
        if not isinstance(key, yaml.ScalarNode):
            problems.append(
                Problem(
                    where,
                    "bad-key",
                    "A list or mapping stands where a name is expected.",
                    "",
                    "Look at the '?', '[' or '{' before the colon.",
                )
            )
            continue
        if key.value in result:
            problems.append(
                Problem(
                    where,
                    "duplicate-key",
                    f"'{key.value}' stands twice here.",
                    "The second would silently replace the first.",
                    "Keep one.",
                )
            )
        places[(*path, key.value)] = where
        result[key.value] = _data(value, (*path, key.value), file, places, problems)
    return result


_SIZES = {
    "string_too_short": ("There is nothing here.", "Write some words."),
    "string_too_long": ("This is too long for the screens.", "Use {max_length} letters at most."),
    "too_short": ("There is too little here.", "Write {min_length} or more."),
    "too_long": ("There is too much here.", "Write {max_length} at most."),
}

_PLAIN = {
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_parsing": "a number",
    "float_type": "a number",
    "string_type": "text",
    "dict_type": "a mapping",
    "tuple_type": "a list",
    "list_type": "a list",
    "model_type": "a mapping",
    "model_attributes_type": "a mapping",
    "bool_parsing": "true or false",
}


def _translated(
    error: ValidationError, data: dict[str, Any], model: type[BaseModel], places: dict[words.Path, Place]
) -> list[Problem]:
    """Pydantic's findings in the author's words, each once; a slip of indentation for all that it causes."""
    details = error.errors(include_url=False)[:MOST_TRANSLATED]
    paths = [_path(detail["loc"], places) for detail in details]
    found: dict[tuple[Place, str, str], Problem] = {}
    slipped = slips(data, model, places)
    misspelt = {
        (path[:-1], word)
        for detail, path in zip(details, paths, strict=True)
        if detail["type"] == "extra_forbidden"
        for word in (one["loc"][-1] for one in details if one["type"] == "missing")
        if nearest(str(path[-1]), _fields(model, path[:-1])) == f"Did you mean '{word}'?"
    }
    for detail, path in zip(details, paths, strict=True):
        missed = detail["loc"][-1] if detail["type"] == "missing" else None
        slip = next((one for one in slipped if one.explains(path, missed)), None)
        if slip is not None:
            found.setdefault((slip.problem.place, slip.problem.code, slip.problem.what), slip.problem)
            continue
        if _said_better(detail, path, details, paths) or (path, missed) in misspelt:
            continue
        problem = _problem(detail, path, places[path], model)
        found.setdefault((problem.place, problem.code, problem.what), problem)
    return list(found.values())


_WORD_OR_NUMBER = ("literal_error", "float_type", "float_parsing")
_MAPPING = ("model_type", "model_attributes_type")


def _said_better(detail: Any, path: words.Path, details: list[Any], paths: list[words.Path]) -> bool:
    """Return whether a finding is about a form not meant, or follows from a problem further inside."""
    if detail["type"] not in ("too_short", *_WORD_OR_NUMBER, *_MAPPING):
        return False
    here = [one for one, there in zip(details, paths, strict=True) if there == path and one is not detail]
    inside = [there for there in paths if len(there) > len(path) and there[: len(path)] == path]
    if detail["type"] in ("too_short", *_WORD_OR_NUMBER) and isinstance(detail["input"], dict | list):
        return bool(inside) or any(one["type"] not in (*_WORD_OR_NUMBER, *_MAPPING) for one in here)
    return detail["type"] in _MAPPING and any(one["type"] in _WORD_OR_NUMBER for one in here)


def _path(steps: tuple[str | int, ...], places: dict[words.Path, Place]) -> words.Path:
    """Return the steps that occur in the file, without the names of the forms pydantic tried."""
    path: words.Path = ()
    for step in steps:
        if (*path, step) in places:
            path = (*path, step)
    return path


def _opening(shown: object) -> str:
    """Return an excerpt of a file as the opening of a sentence."""
    said = in_words(shown)[:60]
    return said[0].upper() + said[1:]


def _problem(detail: Any, path: words.Path, place: Place, model: type[BaseModel]) -> Problem:
    kind, last, shown = detail["type"], detail["loc"][-1] if detail["loc"] else "", detail["input"]
    context = detail.get("ctx", {})
    if kind == "missing" and isinstance(last, int):
        return Problem(place, "wrong-value", "This list is too short.", "", "Write all of its members.")
    if kind == "missing":
        return Problem(place, "missing", f"'{last}' is missing.", "", f"Add '{last}: …'.")
    if kind == "extra_forbidden":
        known = _fields(model, path[:-1])
        return Problem(
            place, "unknown-word", f"'{last}' is not a word of the language.", "", nearest(str(last), known)
        )
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", context["expected"]) or [context["expected"]]
        what = (
            f"{_opening(shown)} is not one of the words for '{last}'."
            if path and path[-1] == last
            else f"{_opening(shown)} is not one of the words here."
        )
        instead = "Write it without quotes." if str(shown) in allowed else nearest(str(shown), allowed)
        return Problem(place, "not-one-of", what, "", instead)
    if kind == "value_error":
        what, _, instead = str(context["error"]).partition(". ")
        if "probability" in what or "between 0 and 1" in what or "more than all" in what:
            percent = isinstance(shown, int | float) and 1 < shown <= 100
            said = f"{shown:g}" if percent else "85"
            instead = f"Write '{said} of 100', a number from 0 to 1, or a word such as 'probable'."
        return Problem(place, "wrong-value", what.rstrip(".") + ".", "", instead)
    if kind in _PLAIN:
        why = "Within { } a comma ends an entry: put words with a comma in quotes." if shown is None else ""
        return Problem(place, "wrong-kind", f"Here stands {in_words(shown)}.", why, f"Write {_PLAIN[kind]}.")
    if kind in _SIZES:
        what, limit = _SIZES[kind]
        return Problem(place, "wrong-value", what, "", limit.format(**context))
    return Problem(
        place,
        "wrong-value",
        f"{_opening(shown)} will not do: {detail['msg'].lower()}.",
        "",
        "Change it so that it fits.",
    )


def _fields(model: type[BaseModel], path: words.Path) -> list[str]:
    """Return the words that a model accepts at a path."""
    kinds: list[Any] = [model]
    for step in path:
        models = [one for one in kinds if isinstance(one, type) and issubclass(one, BaseModel)]
        if models and isinstance(step, str) and step in models[0].model_fields:
            kinds = _parts(models[0].model_fields[step].annotation)
        # Within a mapping or list of models, ids and positions do not change what is known.
    models = [one for one in kinds if isinstance(one, type) and issubclass(one, BaseModel)]
    return list(dict.fromkeys(name for one in models for name in one.model_fields))


def _parts(annotation: Any) -> list[Any]:
    inner = typing.get_args(annotation)
    return [annotation] if not inner else [part for one in inner for part in _parts(one)]
