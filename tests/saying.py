"""Every message that a person can get when something does not go as wished, found in the source itself.

Collected are the words given to the project's exceptions and `Problem`, to click's errors, to `notify` and to
what prints on standard error; and to every function that only hands its own words on to one of these. In a
template `{}` stands for what is filled in.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

PACKAGE = Path(__file__).parent.parent / "advisor"

SAYING = {"Problem", "UsageError", "BadParameter", "ClickException", "notify", "_fail", "fail", "show_news"}
SAYING |= {"failed", "_refused", "_written", "not_started", "note", "tell", "Wrong"}
"""Names whose calls say something to a person, besides the project's exceptions."""
TRANSLATED = {
    "ValueError": (
        "knowledge/knowledge.py",
        "knowledge/vocabulary.py",
        "knowledge/probability.py",
        "model/noisy.py",
    )
}
"""Exceptions of Python that become problems of the knowledge; elsewhere they are programming errors."""
GIVEN_OTHER_TEXTS = {"ask_for_unit", "_measured", "parse", "serve", "show"}
"""Names of functions that hand on a text of theirs, and are given units or the names of roles as well."""
HANDED_ON = re.compile(r"shares( \{\})+")
"""A problem whose words are put together elsewhere (as `Wrong`), and are found there."""
SILENT_ARGUMENTS = {"title", "severity", "timeout", "markup", "code", "err", "address", "encoding"}

SEVERITIES = ("weak", "error")

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True, order=True)
class Message:
    """A message, and the package of `advisor` that says it."""

    part: str
    template: str


@dataclass(frozen=True)
class Source:
    """A file of the package, parsed."""

    name: str
    tree: ast.Module

    @cached_property
    def returned(self) -> Mapping[str, list[ast.expr]]:
        """What functions return, by name."""
        return {
            node.name: [one.value for one in ast.walk(node) if isinstance(one, ast.Return) and one.value]
            for node in ast.walk(self.tree)
            if isinstance(node, Function)
        }

    @cached_property
    def calls(self) -> list[tuple[ast.Call, Function | None]]:
        """Every call, with the function it stands in."""
        return list(self._within(self.tree, None))

    def _within(self, node: ast.AST, function: Function | None) -> Iterator[tuple[ast.Call, Function | None]]:
        inside = node if isinstance(node, Function) else function
        if isinstance(node, ast.Call):
            yield node, function
        for child in ast.iter_child_nodes(node):
            yield from self._within(child, inside)


def sources(package: Path) -> list[Source]:
    """Every file of a package."""
    return [
        Source(file.relative_to(package).as_posix(), ast.parse(file.read_text(encoding="utf-8")))
        for file in sorted(package.rglob("*.py"))
    ]


def exceptions(files: list[Source]) -> set[str]:
    """The package's own exceptions, those that come from others of its own included."""
    bases = {
        node.name: {_name(base) for base in node.bases}
        for source in files
        for node in ast.walk(source.tree)
        if isinstance(node, ast.ClassDef)
    }
    found = {"Exception", "ValueError"}
    while more := {name for name, above in bases.items() if above & found} - found:
        found |= more
    return found - {"Exception", "ValueError"}


def messages(package: Path = PACKAGE) -> set[Message]:
    """Every message of the package."""
    files = sources(package)
    saying = SAYING | exceptions(files)
    calls = [(source, call, function) for source in files for call, function in source.calls]
    while True:
        handing_on = {
            function.name
            for source, call, function in calls
            if function is not None and _says(source, call, saying) and _hands_on(call, function)
        } - GIVEN_OTHER_TEXTS
        if handing_on <= saying:
            break
        saying |= handing_on
    return {
        Message(source.name.partition("/")[0].removesuffix(".py"), template)
        for source, call, function in calls
        if _says(source, call, saying)
        for template in _templates(source, call, function)
        if any(letter.isalpha() for letter in template) and not HANDED_ON.fullmatch(template)
    }


def _says(source: Source, call: ast.Call, saying: set[str]) -> bool:
    name = _name(call.func)
    if name == "__init__":
        return (
            isinstance(call.func, ast.Attribute) and _name(getattr(call.func.value, "func", None)) == "super"
        )
    if name in ("call_from_thread", "back"):
        return bool(call.args) and _name(call.args[0]) in saying
    if name == "update" and isinstance(call.func, ast.Attribute):
        return "says" in ast.unparse(call.func.value)
    on_error = name in ("echo", "say") and any(one.arg == "err" for one in call.keywords)
    return name in saying or source.name in TRANSLATED.get(name, ()) or on_error


def _hands_on(call: ast.Call, function: Function) -> bool:
    """Whether words of the call are texts that the function was given."""
    given = {one.arg: one.annotation for one in (*function.args.args, *function.args.kwonlyargs)}
    said = {one.id for one in _said(call) if isinstance(one, ast.Name)}
    return function.name != "__init__" and any(_name(given.get(name)) == "str" for name in said)


def _said(call: ast.Call) -> list[ast.expr]:
    """The arguments that can be words."""
    said = [*call.args, *(one.value for one in call.keywords if one.arg not in SILENT_ARGUMENTS)]
    return [one for one in said if _name(one) not in ("param", "ctx")]


def _templates(source: Source, call: ast.Call, function: Function | None) -> Iterator[str]:
    """What a call can say; where several parts have a choice of words, each choice by itself."""
    parts = [_words(one, _Names(source, function, call.lineno)) for one in _said(call)]
    if sum(len(choices) > 1 for choices in parts) > 1:
        yield from (_joined([one]) for choices in parts if len(choices) > 1 for one in choices)
    else:
        yield from (_joined(chosen) for chosen in itertools.product(*parts))


def _joined(words: Sequence[str]) -> str:
    """The parts as one text, without what comes before the first words."""
    said = [one for one in words if one not in SEVERITIES]
    return " ".join(" ".join(itertools.dropwhile(lambda one: one == "{}", said)).split())


@dataclass(frozen=True)
class _Names:
    """What names stand for at a line of a function."""

    source: Source
    function: Function | None
    line: int
    depth: int = 0

    def of(self, name: str) -> list[ast.expr]:
        """What a name can stand for, if it was assigned."""
        return _assigned(self.function, name, self.line) or _assigned(self.source.tree, name, 10**9)

    def returned(self, name: str) -> list[ast.expr]:
        """What a function of this file returns."""
        return self.source.returned.get(name, []) if self.depth < 2 else []

    def deeper(self) -> _Names:
        """The same one call further in."""
        return _Names(self.source, None, self.line, self.depth + 1)


def _words(node: ast.expr, names: _Names) -> list[str]:
    """What an expression can come to as text, "{}" where that depends on the case."""
    if isinstance(node, ast.Constant):
        return [node.value if isinstance(node.value, str) else ""]
    if isinstance(node, ast.JoinedStr):
        parts = [
            _words(one, names) if isinstance(one, ast.Constant) else _filled(one, names)
            for one in node.values
        ]
        return ["".join(chosen) for chosen in itertools.product(*parts)]
    if isinstance(node, ast.IfExp):
        return [*_words(node.body, names), *_words(node.orelse, names)]
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        both = itertools.product(_words(node.left, names), _words(node.right, names))
        return [one + other for one, other in both]
    if isinstance(node, ast.List):
        return [" ".join(chosen) for chosen in itertools.product(*(_words(one, names) for one in node.elts))]
    if isinstance(node, ast.Name):
        said = [words for value in names.of(node.id) for words in _words(value, names.deeper())]
        return list(dict.fromkeys(said)) or ["{}"]
    if isinstance(node, ast.Call):
        said = [
            words for value in names.returned(_name(node.func)) for words in _words(value, names.deeper())
        ]
        return list(dict.fromkeys(said)) or ["{}"]
    return ["{}"]


def _filled(node: ast.expr, names: _Names) -> list[str]:
    """What is filled in: spelt out where it is one of several texts."""
    value = node.value if isinstance(node, ast.FormattedValue) else node
    return _words(value, names) if isinstance(value, ast.IfExp) else ["{}"]


def _assigned(within: ast.AST | None, name: str, line: int) -> list[ast.expr]:
    """What a name was last assigned before a line, by the branches that the line can be reached through."""
    found: list[ast.expr] = []
    for statement in getattr(within, "body", []):
        if statement.lineno > line:
            break
        value = _value(statement, name)
        if value is not None:
            found = [value]
            continue
        branches = [getattr(statement, part, []) for part in ("body", "orelse", "finalbody")]
        branches += [handler.body for handler in getattr(statement, "handlers", [])]
        if isinstance(statement, Function | ast.ClassDef):
            continue
        around = (statement.end_lineno or 0) >= line
        for branch in filter(None, branches):
            last = max(one.end_lineno or 0 for one in branch)
            if around and not branch[0].lineno <= line <= last:
                continue
            if not around and isinstance(branch[-1], ast.Return | ast.Raise | ast.Continue | ast.Break):
                continue
            inner = _assigned(ast.Module(branch, []), name, line)
            found = inner if around and inner else [*found, *inner]
    return found


def _value(statement: ast.stmt, name: str) -> ast.expr | None:
    """What a statement assigns to a name, by itself or side by side with others."""
    if not isinstance(statement, ast.Assign):
        return None
    target = statement.targets[0]
    if isinstance(target, ast.Tuple) and isinstance(statement.value, ast.Tuple):
        pairs = zip(target.elts, statement.value.elts, strict=True)
        return next((value for one, value in pairs if _name(one) == name), None)
    return statement.value if isinstance(target, ast.Name) and target.id == name else None


def _name(node: ast.AST | None) -> str:
    """The last part of a name: "fail" of self.fail."""
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Subscript):
        return _name(node.value)
    return node.id if isinstance(node, ast.Name) else ""
