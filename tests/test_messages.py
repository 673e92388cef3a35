"""Every message says what happened, what was kept and what to do: messages.txt lists them all, in form."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from advisor.measure.formulas import FORMULAS
from advisor.store.errors import ELSE, UNKNOWN, WAYS_OUT
from advisor.store.errors import KEPT as KEPT_THEN
from tests.saying import PACKAGE, Message, messages, sources

LISTED = [
    tuple(line.split(" | ", 2))
    for line in (Path(__file__).parent / "messages.txt").read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
PARTS = {"saving": 3, "web": 3, "typed": 2, "command": 2, "knowledge": 2, "part": 1, "news": 1, "inner": 1}
KEPT = re.compile(
    r"\b(kept|not entered|put back|Nothing (was|is) (lost|changed|erased|started|saved|written))\b",
    re.IGNORECASE,
)
DO = re.compile(
    r"(add|begin|change|check|choose|close|compare|draw|end|enter|fill|find|give|go|hang|keep|leave|let|look|lower|make|measure"
    r"|mend|name|open|probe|put|raise|read|remove|repeat|replace|rest|run|save|say|split|start|stick|switch|take|tell|tick"
    r"|treat|type|update|use|wait|warm|write|known are)\b|`advisor|\{\}",
    re.IGNORECASE,
)


def demanded(words: str) -> bool:
    """Whether some clause begins with what a person can do, and the last one ends."""
    clauses = re.split(r"(?<=[.:;,?])\s+", words)
    return any(DO.match(clause) for clause in clauses) and re.search(r"[.:?}…]$", words) is not None


def test_every_message_is_listed_and_every_listed_one_is_said() -> None:
    """A new message needs its line, with its parts marked; a line whose message is gone goes too."""
    listed = {Message(part, words.replace(" ¦ ", " ")) for _, part, words in LISTED}
    found = messages()
    assert {"new": sorted(found - listed), "gone": sorted(listed - found)} == {"new": [], "gone": []}
    assert len(LISTED) == len(listed)


@pytest.mark.parametrize(("kind", "part", "words"), LISTED)
def test_a_message_has_the_parts_of_its_kind(kind: str, part: str, words: str) -> None:
    """What happened first; what was kept, where something could have been lost; what to do last."""
    parts = words.split(" ¦ ")
    assert len(parts) == PARTS[kind]
    assert all(parts)
    if PARTS[kind] == 3:
        assert KEPT.search(parts[1])
    if PARTS[kind] > 1:
        assert demanded(parts[-1])


def test_no_sentence_has_two_spaces_between_its_words() -> None:
    """Where two parts of a literal meet, one of them has the space."""
    doubled = re.compile(r"[a-z.,;:]  [a-zA-Z]")
    found = [
        node.value
        for source in sources(PACKAGE)
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        if "\n" not in node.value and doubled.search(node.value)
    ]
    assert found == []


def test_every_formula_says_what_to_do_outside_its_range() -> None:
    """The last part of that message stands beside each of the formula's inputs."""
    demands = {one.instead for formula in FORMULAS.values() for one in formula.inputs.values()}
    assert [one for one in demands if not demanded(one)] == []


def test_every_trouble_with_the_database_says_what_was_kept_and_what_to_do() -> None:
    """Put together from tables: what was kept by what was tried, what to do by the reason."""
    assert [one for one in (*KEPT_THEN.values(), UNKNOWN) if not KEPT.search(one)] == []
    assert [one for one in (*WAYS_OUT.values(), ELSE) if not demanded(one)] == []


@pytest.mark.parametrize(
    "source",
    [
        "raise StoreError('Gone.')",
        "raise StaleWrite(f'Gone {one}.')",
        "self.notify('Gone.', timeout=3)",
        "what = 'Gone.'\n    raise NotUnderstood(what)",
        "click.echo('Gone.', err=True)",
        "self.app.call_from_thread(self.failed, 'Gone.', [str(error)])",
    ],
)
def test_the_collector_sees_each_way_to_say_something(tmp_path: Path, source: str) -> None:
    """The words of an exception, a notice, a name that stands for words, standard error, another thread."""
    (tmp_path / "x.py").write_text(
        "class StoreError(Exception): ...\nclass StaleWrite(StoreError): ...\n"
        f"class NotUnderstood(ValueError): ...\ndef f(self, one, error):\n    {source}\n"
    )
    assert [message.template.removesuffix(" {}") for message in messages(tmp_path)] in (
        ["Gone."],
        ["Gone {}."],
    )


def test_the_collector_sees_what_a_function_hands_on(tmp_path: Path) -> None:
    """A function that gives a text it was given to an exception says something itself."""
    (tmp_path / "x.py").write_text(
        "class Trouble(Exception): ...\ndef refuse(what: str):\n    raise Trouble(what)\n"
        "def f():\n    refuse('Too deep.')\n"
    )
    assert messages(tmp_path) == {Message("x", "Too deep.")}
