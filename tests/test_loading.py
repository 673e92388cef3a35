"""YAML text to knowledge, or every problem with its line and column."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.checks.lint import problems
from advisor.evaluation.scenarios import Scenario
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import LARGEST_FILE, load, parse, read
from advisor.knowledge.probability import WORDS, in_words, parse_probability
from advisor.knowledge.problems import Place, ProblemsFound
from advisor.knowledge.vocabulary import Document
from advisor.text import nearest
from tests.conftest import HEAD, SHIPPED, complaint, faults, form_problems

EXAMPLE = (SHIPPED / "example" / "door_rattle.yaml").read_text(encoding="utf-8")

bounded = settings(derandomize=True, max_examples=250, deadline=None, database=None)


def sentences(text: str) -> list[str]:
    """Everything that is said about the form of a text, without the file's name."""
    with pytest.raises(ProblemsFound) as refused:
        parse(text, "x.yaml", Document)
    return [str(problem).removeprefix("x.yaml:") for problem in refused.value.problems]


def loaded(folder: Path, **files: str) -> Knowledge:
    """The knowledge in a folder of files with these names and texts."""
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return load([folder])


# ------------------------------------------------------------------------------- what is wrong, and where


def test_all_problems_of_a_file_are_reported_at_once_in_the_order_of_the_lines() -> None:
    """Nobody runs the checker once for each mistake; a problem says what is wrong and what would be right."""
    text = """\
language: 1
standing: estimate
faults:
  strap:
    name: Check strap loose
    remedy: Tighten the strap
    remedy_minutes: ten
    price: lowish
  glass: {nmae: Glass loose, remedy: Reseat it, remedy_minutes: 40, price: low}
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 2
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 2 off 100, causes: {strap: 88}}
"""
    probability = "Write '85 of 100', a number from 0 to 1, or a word such as 'probable'."
    assert sentences(text) == [
        "7:5: wrong-kind: Here stands 'ten'. Write a number.",
        "8:5: not-one-of: 'lowish' is not one of the words for 'price'. Did you mean 'low'?",
        "9:11: unknown-word: 'nmae' is not a word of the language. Did you mean 'name'?",
        f"15:16: wrong-value: '2 off 100' is no probability. {probability}",
        f"15:42: wrong-value: 88 is not between 0 and 1. {probability.replace('85', '88')}",
    ]


def test_a_misspelt_word_is_not_called_missing_as_well() -> None:
    """One slip is one problem; a word that nothing stands for is missing all the same."""
    text = "language: 1\nfaults:\n  strap: {name: Strap loose, remmedy: Tighten it, price: low}\n"
    assert sentences(text) == [
        "3:3: missing: 'remedy_minutes' is missing. Add 'remedy_minutes: …'.",
        "3:30: unknown-word: 'remmedy' is not a word of the language. Did you mean 'remedy'?",
    ]


@pytest.mark.parametrize(
    "line",
    ["    name: Strap: loose\n", "    {name: Strap: loose, price: low}\n", "    name: Strap: 5 mm: loose\n"],
)
def test_a_colon_inside_a_text_asks_for_quotes(line: str) -> None:
    """The words of the YAML library say nothing to somebody who wrote a sentence."""
    (said,) = sentences(f"language: 1\nfaults:\n  strap:\n{line}")
    assert said.endswith(": yaml: There is a colon inside a text. Put quotes round the whole text.")


def test_a_reading_without_answers_shows_a_form_to_copy() -> None:
    """What is written in the example can be read as it stands."""
    text = "language: 1\nreadings:\n  wiggle:\n    name: Wiggle it\n    minutes: 2\n"
    rest = "    noisy_or: {leak: 5 of 100, causes: {strap: 80 of 100}}\n"
    (said,) = sentences(text + rest)
    example = said.split("such as '")[1].removesuffix("'.")
    document, _ = parse(text + rest + f"    {example}\n", "x.yaml", Document)
    assert list(document.readings["wiggle"].answers) == ["firm", "loose"]


def test_every_word_that_an_entry_lacks_is_named() -> None:
    """Several missing words of one entry are several problems, not the first of them."""
    assert sentences("language: 1\nfaults:\n  strap: {name: Check strap loose, price: low}\n") == [
        "3:3: missing: 'remedy' is missing. Add 'remedy: …'.",
        "3:3: missing: 'remedy_minutes' is missing. Add 'remedy_minutes: …'.",
    ]


FORMS: dict[str, tuple[str, list[str]]] = {
    "nothing at all": ("", ["1:1 missing"]),
    "only a comment": ("# nothing\n", ["1:1 missing"]),
    "a list at the top": ("- a\n", ["1:1 not-a-mapping"]),
    "a word at the top": ("knowledge\n", ["1:1 not-a-mapping"]),
    "another version of the language": ("language: 2\n", ["1:1 not-one-of"]),
    "a section that is empty": ("language: 1\nfaults:\n", ["2:1 wrong-kind"]),
    "a section that is a list": ("language: 1\nfaults: [a, b]\n", ["2:1 wrong-kind"]),
    "an entry that is empty": ("language: 1\nfaults:\n  a:\n", ["3:3 wrong-kind"]),
    "a key twice at the top": ("language: 1\nlanguage: 1\n", ["2:1 duplicate-key"]),
    "a key twice within braces": (
        "language: 1\ninstruments: {a: {name: A, name: B}}\n",
        ["2:28 duplicate-key"],
    ),
    "a tab before a key": ("language: 1\nfaults:\n\ta: 1\n", ["3:1 tab"]),
    "a tab after blanks": ("language: 1\nfaults:\n  a:\n  \tname: x\n", ["4:3 tab"]),
    "an anchor": ("language: &one 1\n", ["1:11 anchor"]),
    "an alias": ("language: *one\n", ["1:11 anchor"]),
    "an anchor on a mapping": ("language: 1\nfaults: &all {}\n", ["2:9 anchor"]),
    "a tag on a word": ("language: 1\nstanding: !!str estimate\n", ["2:11 tag"]),
    "a tag on a mapping": ("language: 1\nfaults: !!map {}\n", ["2:9 tag"]),
    "a tag on a list": ("language: 1\nfaults: !mine []\n", ["2:9 tag"]),
    "a tag on the whole file": ("--- !!map\nlanguage: 1\n", ["1:5 tag"]),
    "a tag that would run a program": (
        "language: 1\nfaults: !!python/object/apply:os.system [ls]\n",
        ["2:9 tag"],
    ),
    "brackets without end": ("language: " + "[" * 500, ["1:22 too-deep"]),
    "dashes without end": ("- " * 5000, ["1:25 too-deep"]),
    "a second document": ("language: 1\n---\nlanguage: 1\n", ["2:1 second-document"]),
    "a quote that is not closed": ("language: 1\nstanding: 'estimate\n", ["3:1 yaml"]),
    "a bracket that is not closed": ("language: 1\nfaults: [a\n", ["3:1 yaml"]),
    "an indentation out of place": ("language: 1\n standing: estimate\n", ["2:10 yaml"]),
    "a bell character": ("language: 1\nstanding: esti\x07mate\n", ["1:1 yaml"]),
    "a list for a key": ("language: 1\n? [a]\n: b\n", ["2:3 bad-key"]),
    "a mapping for a key": ("language: 1\n{a: 1}: b\n", ["2:1 bad-key"]),
    "capitals in a word": ("Language: 1\n", ["1:1 unknown-word"]),
}


@pytest.mark.parametrize("form", FORMS)
def test_a_file_of_the_wrong_form_is_refused_at_the_exact_place(form: str) -> None:
    """What is no file of the language at all ends in a code with line and column, both counted from 1."""
    text, found = FORMS[form]
    assert form_problems(text) == found


READING = """\
language: 1
readings:
  r:
    name: R
    minutes: 3
    quantity:
      unit: V
      range: [0, 16]
      bands: {low: Low, high: High}
      limits: [12]
    noisy_or:
      leak: 2 of 100
      causes: {a: 50 of 100}
"""


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("name: R", "name: ''", ["4:5 wrong-value"]),
        ("name: R", f"name: {'R' * 81}", ["4:5 wrong-value"]),
        ("name: R", "name: 12", ["4:5 wrong-kind"]),
        ("minutes: 3", "minutes: -3", ["5:5 wrong-value"]),
        ("minutes: 3", "minutes: yes", ["5:5 wrong-kind"]),
        ("minutes: 3", "minutes: .nan", ["5:5 wrong-kind"]),
        ("minutes: 3", "minutes: 1e999", ["5:5 wrong-value"]),
        ("minutes: 3", "minutes: 3\n    who: custmer", ["6:5 not-one-of"]),
        ("[0, 16]", "[0, sixteen]", ["8:18 wrong-kind"]),
        ("[0, 16]", "[0, 8, 16]", ["8:7 wrong-value"]),
        ("{low: Low, high: High}", "{low: Low}", ["9:7 wrong-value"]),
        ("[12]", "[twelve]", ["10:16 wrong-kind"]),
        ("leak: 2 of 100", "leak: 2", ["12:7 wrong-value"]),
        ("leak: 2 of 100", "leak: 2 of 1", ["12:7 wrong-value"]),
        ("leak: 2 of 100", "leak: [2, 100]", ["12:7 wrong-value"]),
        ("leak: 2 of 100", f"leak: {'9' * 400} of {'9' * 401}", ["12:7 wrong-value"]),
        ("leak: 2 of 100", "leke: 2 of 100", ["12:7 unknown-word"]),
        ("{a: 50 of 100}", "{}", ["13:7 wrong-value"]),
        ("noisy_or:", "noisy_max:", ["12:7 wrong-kind", "13:16 wrong-kind"]),
        ("    quantity:", "    outcomes: {yes: Yes, no: No}\n    quantity:", ["3:3 wrong-value"]),
    ],
)
def test_a_wrong_word_or_number_is_refused_where_it_stands(old: str, new: str, found: list[str]) -> None:
    """A value is reported at its key, or at itself within a list."""
    assert form_problems(READING) == []
    assert form_problems(READING.replace(old, new)) == found


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("standing: guess\n", ["2:1: not-one-of: 'guess' is not one of the words"]),
        (
            "standing: {sourc: EN}\n",
            [
                "2:12: unknown-word: 'sourc' is not a word of the language. Did you mean 'source'?",
            ],
        ),
        (
            "readings: {r: {name: R, minutes: 3, quantity: {unit: V, range: [0, 16], bands: {a: A, b: B},\n"
            "  limits: [{by: t, x: twelve}]}, noisy_or: {leak: 0.1, causes: {a: 0.5}}}}\n",
            ["3:20: wrong-kind: Here stands 'twelve'. Write a number."],
        ),
        (
            "readings: {r: {name: R, minutes: 3, outcomes: {a: A, b: B},\n"
            "  table: [{when: {x: present}, give: {a: 1}}]}}\n",
            ["3:32: unknown-word: 'give' is not a word of the language. Did you mean 'gives'?"],
        ),
        (
            "readings: {r: {name: R, minutes: 3, outcomes: {a: A, b: Wet, or green},\n"
            "  noisy_or: {leak: 0.1, causes: {a: 0.5}}}}\n",
            ["2:62: wrong-kind: Here stands nothing. Within { } a comma ends an entry: put words"],
        ),
    ],
    ids=["a standing", "a source", "a limit by a fact", "a row of a table", "a comma within braces"],
)
def test_a_slip_is_not_reported_as_the_lack_of_something_else(text: str, said: list[str]) -> None:
    """Where a word or a mapping may stand, nobody who wrote one of them is asked for the other."""
    found = sentences("language: 1\n" + text)
    assert [one[: len(start)] for one, start in zip(found, said, strict=False)] == said
    assert len(found) == len(said)


PROGRAMMERS_WORDS = re.compile(
    r"\b(float|tuple|dict|dictionary|str|string|int|integer|none|nonetype|null|validation|literal)\b", re.I
)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("name: R", "name: ''"),
        (
            "name: R",
            "name: A name that goes on and on, and then on and on, until nobody can read it on a screen",
        ),
        ("name: R", "name:"),
        ("minutes: 3", "minutes: -3"),
        ("minutes: 3", "minutes: 1e999"),
        ("minutes: 3", "minutes: [3]"),
        ("[0, 16]", "[0]"),
        ("[0, 16]", "[0, 8, 16]"),
        ("{low: Low, high: High}", "{low: Low}"),
        ("[12]", "[{by: t}]"),
        ("[12]", "{by: t, x: 12}"),
        ("{a: 50 of 100}", "{}"),
        ("{a: 50 of 100}", "{a: }"),
        ("noisy_or:", "table: []\n    noisy_or:"),
    ],
)
def test_messages_speak_the_language_of_the_file(old: str, new: str) -> None:
    """An author reads of numbers, texts, lists and mappings; never of what a program calls them."""
    for said in sentences(READING.replace(old, new)):
        assert not PROGRAMMERS_WORDS.search(said), said


def test_a_list_that_is_too_short_is_not_asked_for_a_word() -> None:
    """What lacks in a list has no name: 'Add 1: …' would help nobody."""
    (said,) = sentences(READING.replace("[0, 16]", "[0]"))
    assert "'1'" not in said


@pytest.mark.parametrize(
    ("word", "choices", "said"),
    [
        ("sunroof_drane", ["sunroof_drain", "door_drain"], "Did you mean 'sunroof_drain'?"),
        ("xyz", ["b", "a"], "Known are: a, b."),
        ("xyz", "ihgfedcba", "Known are: a, b, c, d, e, f, g, h, …."),
        ("xyz", [], "There are none yet."),
    ],
)
def test_the_nearest_of_the_known_words_is_offered(word: str, choices: list[str], said: str) -> None:
    """A near miss is named; where nothing is near the known words are listed, eight at most."""
    assert nearest(word, choices) == said


# ------------------------------------------------------------------------------------- what is plain text


def test_yes_no_on_off_and_clock_times_stay_words() -> None:
    """Words that other programs read as true, false, 750 or a date are what the author wrote."""
    document, _ = parse(
        """\
language: 1
facts:
  on:
    name: 12:30
    ask: 2024-01-31
    values: {on: 40, off: 30, yes: 20, no: 10}
readings:
  r:
    name: off
    note: 1_000
    ask: yes
    minutes: 3
    outcomes: {no: No, yes: y}
    table:
      - when: {on: off}
        gives: {no: 10 of 100, yes: 90 of 100}
      - otherwise: {no: 1.0, yes: 0.0}
""",
        "x.yaml",
        Document,
    )
    fact, reading = document.facts["on"], document.readings["r"]
    assert (fact.name, fact.ask) == ("12:30", "2024-01-31")
    assert dict(fact.values) == {"on": 40, "off": 30, "yes": 20, "no": 10}
    assert (reading.name, reading.note, reading.ask) == ("off", "1_000", "yes")
    assert dict(reading.answers) == {"no": "No", "yes": "y"}
    assert reading.table is not None
    assert reading.table[0].when == {"on": "off"}


@pytest.mark.parametrize(
    ("said", "number"),
    [
        ("85 of 100", 0.85),
        ("3 of 20", 0.15),
        ("1 of 1", 1.0),
        ("0.2 of 0.5", 0.4),
        ("0.5 of 100", 0.005),
        ("  85   of 100 ", 0.85),
        ("100 of 100", 1.0),
        ("0 of 100", 0.0),
        (0.85, 0.85),
        (0, 0.0),
        (1, 1.0),
        ("certain", 0.99),
        ("probable", 0.85),
        ("expected", 0.75),
        ("fifty-fifty", 0.5),
        ("uncertain", 0.25),
        ("improbable", 0.15),
        ("impossible", 0.01),
    ],
)
def test_a_probability_is_said_in_three_ways(said: object, number: float) -> None:
    """Of so many cars, as a number, or as a word of the published scale."""
    assert parse_probability(said) == number


@pytest.mark.parametrize(
    "said",
    [
        "85",
        "85%",
        "85 off 100",
        "101 of 100",
        "1 of 0",
        "-1 of 100",
        "of 100",
        "maybe",
        "",
        1.01,
        -0.1,
        True,
        None,
        float("nan"),
        float("inf"),
        [0.5],
        {"of": 1},
    ],
)
def test_refuses_what_is_no_probability(said: object) -> None:
    """Anything else is a ValueError with the reason, never a guess and never 'not a number'."""
    with pytest.raises(ValueError, match=r"probability|between 0 and 1|more than all"):
        parse_probability(said)


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("85 off 100", "'85 off 100' is no probability"),
        ("101 of 100", "'101 of 100' is more than all of them"),
        ("0 of 0", "'0 of 0' is more than all of them"),
        ("1 of 1" + "0" * 400, "'1 of 100000000000000…' is no probability"),
        (True, "'true' is no probability"),
        (None, "nothing is no probability"),
        ([0.5], "a list is no probability"),
        (1.01, "1.01 is not between 0 and 1"),
    ],
)
def test_why_something_is_no_probability_is_said(said: object, sentence: str) -> None:
    """Each with what stands there; what is too long to read is cut."""
    with pytest.raises(ValueError, match=r".") as refused:
        parse_probability(said)
    assert str(refused.value) == sentence


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (None, "nothing"),
        ({"Of": 1}, "a mapping"),
        (["A"], "a list"),
        (("A",), "a list"),
        (False, "'false'"),
        ("Yes", "'Yes'"),
        (1.5, "'1.5'"),
    ],
)
def test_what_stands_in_a_file_is_called_as_its_author_would(said: object, words: str) -> None:
    """No word of the programming language: no None, dict or True."""
    assert in_words(said) == words


def test_no_word_rules_anything_out_for_good() -> None:
    """The ends of the word scale never become 0 or 1, which no later reading could overturn."""
    assert all(0 < number < 1 for number in WORDS.values())


def test_a_fact_rules_a_fault_out_only_by_the_word_impossible_or_by_0(tmp_path: Path) -> None:
    """Under `given` the word impossible is a factor of exactly 0: such a car cannot have the fault."""
    text = HEAD + faults("a", a="given: {t: {u: impossible, v: 0, w: 2}}")
    fault = loaded(tmp_path, x=text).faults["a"]
    assert fault.given["t"] == {"u": 0.0, "v": 0.0, "w": 2.0}


# ------------------------------------------------------------------------------------- files and folders


def test_a_file_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    """Some editors put an invisible mark at the front; the author cannot see it and need not know."""
    (tmp_path / "x.yaml").write_bytes(b"\xef\xbb\xbf" + (HEAD + faults("a")).encode())
    assert list(load([tmp_path]).faults) == ["a"]


def test_lines_may_end_as_on_any_system() -> None:
    """Places are the same with the line ends of other systems."""
    text = HEAD + "faults:\n  a: {name: A, remedy: B, remedy_minutes: 5, price: lowish}\n"
    assert form_problems(text) == form_problems(text.replace("\n", "\r\n")) == ["4:46 not-one-of"]


def test_a_folder_stands_for_its_yaml_files_by_name_and_not_for_folders_below(tmp_path: Path) -> None:
    """Files of one folder are one knowledge; drafts in folders below and other files are left alone."""
    (tmp_path / "b.yml").write_text(HEAD + "instruments: {second: {name: B}}\n", encoding="utf-8")
    (tmp_path / "a.yaml").write_text(HEAD + "instruments: {first: {name: A}}\n", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("nothing", encoding="utf-8")
    (tmp_path / "drafts").mkdir()
    (tmp_path / "drafts" / "c.yaml").write_text("nothing", encoding="utf-8")
    assert list(load([tmp_path]).instruments) == ["first", "second"]


def test_a_file_named_twice_is_read_once(tmp_path: Path) -> None:
    """A folder and a file in it may both be named; that is no duplicate."""
    (tmp_path / "x.yaml").write_text(HEAD + faults("a"), encoding="utf-8")
    assert list(load([tmp_path, tmp_path / "x.yaml"]).faults) == ["a"]


def test_an_id_in_two_files_is_refused_with_both_places(tmp_path: Path) -> None:
    """The second use of an id says where the first is, whatever the sections."""
    with pytest.raises(ProblemsFound) as refused:
        loaded(tmp_path, a=HEAD + faults("strap"), b=HEAD + "instruments: {strap: {name: Strap wrench}}\n")
    assert [str(one) for one in refused.value.problems] == [
        f"{tmp_path}/b.yaml:3:15: duplicate-id: 'strap' is used already at {tmp_path}/a.yaml:4:3. "
        "An id names one thing in the whole knowledge. Give one of them another id."
    ]


def test_the_problems_of_all_files_are_reported_together(tmp_path: Path) -> None:
    """A file that cannot be read at all does not hide the problems of the next."""
    with pytest.raises(ProblemsFound) as refused:
        loaded(tmp_path, a="language: [\n", b="language: 2\n", c=HEAD)
    assert [(Path(one.place.file).name, one.code) for one in refused.value.problems] == [
        ("a.yaml", "yaml"),
        ("b.yaml", "not-one-of"),
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"language: 1\nname: T\xfcr\n", "not-text: The file is not UTF-8 text (byte 20). Save it as UTF-8."),
        (
            "language: 1\n".encode("utf-16"),
            "not-text: The file is not UTF-8 text (byte 1). Save it as UTF-8.",
        ),
        (
            b"#" * 3_000_000,
            "too-large: The file is larger than 250 kB. Nobody writes that much by hand. "
            "Split it, or check what it is.",
        ),
    ],
    ids=["another alphabet", "two bytes a letter", "3 MB"],
)
def test_what_is_no_text_or_too_much_of_it_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    """A file that nobody can have meant ends in one message."""
    file = tmp_path / "x.yaml"
    file.write_bytes(content)
    with pytest.raises(ProblemsFound) as refused:
        load([file])
    assert str(refused.value) == f"{file}:1:1: {said}"


def test_a_file_that_would_unfold_to_a_billion_laughs_is_refused_unread() -> None:
    """Aliases of aliases are refused at the first anchor, before anything is built."""
    lines = ['a: &a ["ha","ha","ha","ha","ha","ha","ha","ha","ha"]']
    for this, before in zip("bcdefghi", "abcdefgh", strict=True):
        lines.append(f"{this}: &{this} [{','.join([f'*{before}'] * 9)}]")
    assert form_problems("\n".join(lines)) == ["1:4 anchor"]


@pytest.mark.parametrize("start", ["[", "{", "- ", "? ", "a: {", '"', "|\n"])
def test_a_file_of_nothing_but_beginnings_is_refused(start: str) -> None:
    """As many brackets, dashes or quotes as a file may have are one message, and take no stack."""
    assert len(form_problems("language: 1\nnote: " + start * (LARGEST_FILE // len(start)))) == 1


def test_a_long_file_of_nonsense_below_the_limit_ends_in_problems() -> None:
    """As many unknown words as a file may have are a list of problems."""
    text = "language: 1\n" + "".join(f"word_{number}: {number}\n" for number in range(15_000))
    assert LARGEST_FILE - 10_000 < len(text) < LARGEST_FILE
    assert len(form_problems(text)) == 300


@pytest.mark.parametrize("member", ["a", "a{}"], ids=["one name", "many names"])
def test_as_many_members_as_a_file_may_have_are_read_or_refused(member: str) -> None:
    """Looking for those that stand twice takes no minutes."""
    members = ", ".join(member.format(number) for number in range(30_000))
    text = f"{HEAD}complaints:\n  c: {{name: C, family: f, any_of: [{members}], unlisted: 5}}\n"
    assert LARGEST_FILE / 3 < len(text) < LARGEST_FILE
    assert form_problems(text) == ([] if "{" in member else ["4:27 wrong-value"])


def test_as_many_dangling_names_as_a_file_may_have_are_a_list_of_problems(tmp_path: Path) -> None:
    """Each with the name that was probably meant; the list ends where nobody would read on."""
    members = ", ".join(f"fault_{number}x: 0.01" for number in range(4_000))
    text = f"complaints:\n  c: {{name: C, family: f, any_of: {{{members}}}, unlisted: 5}}\n"
    text += faults(*(f"fault_{number}" for number in range(1_500)))
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + text, encoding="utf-8")
    found = problems(load([file]))
    assert [one.code for one in found] == ["unknown-id"] * 300
    assert found[0].instead == "Did you mean 'fault_0'?"


@pytest.mark.parametrize(
    ("name", "code"), [("missing.yaml", "unreadable"), ("empty", "no-knowledge")], ids=["file", "folder"]
)
def test_a_file_or_folder_without_knowledge_is_named(tmp_path: Path, name: str, code: str) -> None:
    """A missing file and a folder without YAML are problems like any other."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(ProblemsFound) as refused:
        load([tmp_path / name])
    assert [(one.place.file, one.code) for one in refused.value.problems] == [(str(tmp_path / name), code)]


def test_every_key_and_member_keeps_its_place(tmp_path: Path) -> None:
    """A place is known for each key and each member of a list; within them the nearest around counts."""
    knowledge = loaded(tmp_path, x=HEAD + complaint("any_of: [a, b]") + faults("a", "b"))
    file = str(tmp_path / "x.yaml")
    assert knowledge.place("complaints", "c", "any_of", 1) == Place(file, 4, 53)
    assert knowledge.place("faults", "b", "price") == Place(file, 7, 58)
    assert knowledge.place("faults", "b", "given", "t") == Place(file, 7, 3)


def test_a_scenario_file_is_read_by_the_same_rules(tmp_path: Path) -> None:
    """Other kinds of file have the same messages; a scenario that does not say it is invented is refused."""
    file = tmp_path / "x.yaml"
    file.write_text(
        "language: 1\nname: A car\ncomplaint: c\nstory: It broke.\ncauses: [a]\nshow: {}\n", encoding="utf-8"
    )
    with pytest.raises(ProblemsFound) as refused:
        read(file, Scenario)
    assert [str(one) for one in refused.value.problems] == [
        f"{file}:1:1: missing: 'invented' is missing. Add 'invented: …'.",
        f"{file}:6:1: unknown-word: 'show' is not a word of the language. Did you mean 'shows'?",
    ]


# --------------------------------------------------------------------------------- whatever is in the file

ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)
YAML_TEXT = st.lists(
    st.sampled_from(
        [
            "language: 1\n",
            "faults:",
            "readings:",
            "\n",
            "\n  ",
            "\n    ",
            "- ",
            ": ",
            "a",
            "? ",
            "[",
            "]",
            "{",
            "}",
            ",",
            "'",
            '"',
            "#",
            "|\n",
            ">-\n",
            "&a ",
            "*a",
            "!x ",
            "%",
            "@",
            "`",
            "---\n",
            "...\n",
            "~",
            "1",
            "1e9",
            "\t",
            "\ufeff",
            "\x85",
            "\u2028",
            "é",
            "😀",
            "<<: ",
        ]
    ),
    max_size=40,
).map("".join)


@bounded
@given(st.one_of(ANY_TEXT, YAML_TEXT))
def test_any_text_is_parsed_or_refused_with_problems(text: str) -> None:
    """Whatever is in a file, it becomes a document or problems with places within the text."""
    try:
        parse(text, "x.yaml", Document)
    except ProblemsFound as error:
        lines = re.split("\r\n|[\n\r\x85\u2028\u2029]", text)
        for problem in error.problems:
            assert 1 <= problem.place.line <= len(lines) + 1, problem
            assert problem.place.column >= 1


@bounded
@given(st.binary(max_size=300))
def test_any_bytes_are_loaded_or_refused_with_problems(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    """A file of any bytes ends in a document or in problems."""
    file = tmp_path_factory.getbasetemp() / "any_bytes.yaml"
    file.write_bytes(content)
    try:
        load([file])
    except ProblemsFound as error:
        assert error.problems


WORD = re.compile(r"[\w.]+")
REPLACEMENTS = st.sampled_from(
    [
        "",
        "0",
        "1",
        "-1",
        "100",
        "1e999",
        "yes",
        "impossible",
        "~",
        "[]",
        "{}",
        "[a, a]",
        "{a: 1}",
        "present",
        "absent",
        "striker_loose",
        "behind_trim",
        "door_moves",
        "door_frame",
        "unlisted",
        "any_of",
        "all_of",
        "exactly_one_of",
        "table",
        "noisy_or",
        "estimate",
        "9" * 400,
    ]
)


@st.composite
def mutations(draw: st.DrawFn) -> str:
    """The example with a few lines or words removed, repeated, moved or replaced."""
    lines = EXAMPLE.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["drop", "repeat", "move", "indent", "word", "word", "word"])):
            case "drop" if len(lines) > 1:
                del lines[at]
            case "repeat":
                lines.insert(at, lines[at])
            case "move":
                lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
            case "indent":
                lines[at] = "  " + lines[at]
            case "word":
                words = list(WORD.finditer(lines[at].partition("#")[0]))
                if words:
                    match = draw(st.sampled_from(words))
                    lines[at] = lines[at][: match.start()] + draw(REPLACEMENTS) + lines[at][match.end() :]
    return "\n".join(lines) + "\n"


@settings(bounded, max_examples=400)
@given(mutations())
def test_a_good_file_with_slips_in_it_is_used_or_refused(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    """Slips of the pen in a good file end in problems of form or of sense, in words, and in nothing else."""
    file = tmp_path_factory.getbasetemp() / "slips.yaml"
    file.write_text(text, encoding="utf-8")
    try:
        found = problems(load([file]))
    except ProblemsFound as error:
        found = list(error.problems)
    for problem in found:
        assert 1 <= problem.place.line <= len(text.splitlines()) + 1
        assert problem.what
        assert problem.what.endswith((".", "…"))
