"""The commands as a shell meets them: what is printed where, and with which exit code."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click
import pytest
from pgmpy.readwrite import BIFReader, XMLBIFReader

from advisor.cli import LIST_OF_COMMANDS
from advisor.cli.program import COMMANDS, commands
from advisor.inference import cliquetree
from advisor.knowledge.knowledge import Knowledge
from tests.conftest import HEAD, ROOT, SCENARIOS, SHIPPED, Ran, complaint, entangled, faults

Advisor = Callable[..., Ran]


def started(*words: str, timeout: float = 60, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The program as a process of its own, without a terminal."""
    return started_with("-m", "advisor", *words, timeout=timeout, **environment)


def started_with(*words: str, timeout: float = 60, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Python as a process of its own, without a terminal."""
    return subprocess.run(
        [sys.executable, *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        cwd=ROOT,
        env={**os.environ, **environment},
        timeout=timeout,
        check=False,
    )


# ------------------------------------------------------------------------------------- without a terminal


def test_without_a_terminal_a_scenario_is_played_to_its_end() -> None:
    """The bare command in a pipe tells a whole case, from complaint to cause, and ends with 0."""
    done = started()
    told = done.stdout.decode("utf-8")
    assert done.returncode == 0, done.stderr
    assert done.stderr == b""
    assert told.startswith("An invented car, from 01_boot_lamp.yaml: ")
    assert "Proved: Boot lamp stays lit." in told
    assert told.rstrip().splitlines()[-1].startswith("What was wrong with this car: Boot lamp stays lit.")


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_stream_that_knows_fewer_letters_is_no_failure(encoding: str) -> None:
    """Bars and arrows that a stream cannot show are replaced by something; nothing breaks off."""
    done = started(PYTHONIOENCODING=encoding, PYTHONUTF8="0")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"What was wrong with this car" in done.stdout


def test_the_screens_are_not_opened_without_a_terminal() -> None:
    """Asked for in a pipe they would wait for ever for a key: that is wrong use, and said so."""
    done = started("bench", timeout=10)
    assert done.returncode == 2
    assert b"terminal" in done.stderr


def test_help_comes_at_once() -> None:
    """`advisor --help` imports neither the model library nor the screens nor the database."""
    code = (
        "import sys\nsys.argv = ['advisor', '--help']\nfrom advisor.cli import main\n"
        "try:\n    main()\nexcept SystemExit as left:\n    assert not left.code\n"
        "print(sorted({'pgmpy', 'textual', 'sqlalchemy', 'scipy', 'numpy', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.startswith("Usage: ")
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_version_is_the_one_that_is_installed(advisor: Advisor) -> None:
    """On one line, and in the same words however the program was started."""
    assert advisor("--version") == Ran(0, f"advisor {version('advisor')}\n", "")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(advisor: Advisor, name: str) -> None:
    """Each command says in one sentence what it does, and each of its options what it is for."""
    ran = advisor(name, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Usage: ")
    command = commands.get_command(click.Context(commands), name)
    assert command is not None
    assert command.help
    assert command.help.rstrip().endswith(".")
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, option.name


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_of_a_command_what_its_help_says_first(name: str) -> None:
    """The list is written without importing commands; what stands there is each one's own first sentence."""
    command = commands.get_command(click.Context(commands), name)
    assert command is not None
    assert (command.name, (command.help or "").partition("\n")[0]) == (name, COMMANDS[name].does)


def test_the_list_is_the_one_that_click_would_write(advisor: Advisor) -> None:
    """The help of the bare command is the same as with every command imported."""
    context = click.Context(commands)
    whole = {name: command for name in COMMANDS if (command := commands.get_command(context, name))}
    usual = click.Group("advisor", whole, True, params=commands.params, help=commands.help)
    context = click.Context(usual, info_name="advisor", help_option_names=["-h", "--help"])
    written = usual.get_help(context) + "\n"
    assert advisor("--help").out == written == Path(LIST_OF_COMMANDS).read_text(encoding="utf-8")


@pytest.mark.parametrize("columns", ["", "wide", "60", "79", "80", "200"])
@pytest.mark.parametrize("option", ["-h", "--help"])
def test_the_list_is_the_same_whatever_the_width(columns: str, option: str) -> None:
    """Printed at once where it fits, by click where lines have to be shorter: nobody sees which."""
    by_click = "import sys; from advisor.cli.program import run; sys.argv = ['advisor', '-h']; run()"
    said = started(option, COLUMNS=columns)
    wanted = started_with("-c", by_click, COLUMNS=columns)
    assert (said.returncode, said.stderr) == (wanted.returncode, wanted.stderr) == (0, b"")
    assert said.stdout == wanted.stdout.replace(b"advisor", b"python -m advisor", 1)


def test_the_list_comes_without_click() -> None:
    """Importing click takes three times as long as starting Python."""
    code = "import sys\nsys.argv = ['advisor', '--help']\nfrom advisor.cli import main\ntry:\n    main()\n"
    code += "finally:\n    print('click' in sys.modules)"
    done = started_with("-c", code, COLUMNS="80")
    assert done.stdout.splitlines()[-1] == b"False"


# --------------------------------------------------------------------------------------------------- next

SAW = ("--fact", "battery_age=over_five_years", "--saw", "sleeping_current=high")


def answer(ran: Ran) -> dict[str, Any]:
    """The JSON on standard output."""
    assert (ran.code, ran.err) == (0, "")
    said: dict[str, Any] = json.loads(ran.out)
    return said


def test_json_has_exactly_this_shape(advisor: Advisor) -> None:
    """Scripts rely on these names, in this order, and on nothing else being there."""
    said = answer(advisor("next", "--complaint", "flat_battery", *SAW, "--json"))
    assert list(said) == ["complaint", "faults", "readings", "forbidden", "stop", "same_decision", "ending"]
    assert said["complaint"] == "flat_battery"
    assert said["stop"] is None
    assert said["ending"] is None
    assert {tuple(fault) for fault in said["faults"]} == {("id", "name", "probability")}
    assert {tuple(reading) for reading in said["readings"]} == {
        (
            *("id", "name", "information_bits", "minutes", "hands_on_minutes"),
            *("information_bits_per_minute", "worth_taking", "proof", "proves", "due", "opens"),
        )
    }
    first = said["faults"][0]
    assert (type(first["id"]), type(first["name"]), type(first["probability"])) == (str, str, float)


def test_json_is_ordered(advisor: Advisor, shipped: Knowledge) -> None:
    """Faults by probability; readings worth taking by bits for their time, the others after them by bits.

    Short questions to the customer that tell a tenth of a bit stand before the others that are worth taking.

    The time is work, a quarter of the waiting, and four minutes for turning to a reading.
    """
    said = answer(advisor("next", "--complaint", "flat_battery", *SAW, "--json"))
    probabilities = [round(fault["probability"], 12) for fault in said["faults"]]
    bits = [reading["information_bits"] for reading in said["readings"]]
    assert probabilities == sorted(probabilities, reverse=True)
    worth = [reading["worth_taking"] for reading in said["readings"]]
    count = worth.count(True)
    assert 0 < count < len(worth)
    assert worth == sorted(worth, reverse=True)
    rates = [reading["information_bits_per_minute"] for reading in said["readings"]]
    first = [
        shipped.readings[one["id"]].who == "customer" and one["information_bits"] >= 0.1
        for one in said["readings"][:count]
    ]
    asked = first.count(True)
    assert 0 < asked < count
    assert first == sorted(first, reverse=True)
    assert rates[:asked] == sorted(rates[:asked], reverse=True)
    assert rates[asked:count] == sorted(rates[asked:count], reverse=True)
    assert bits[:count] != sorted(bits[:count], reverse=True)
    assert bits[count:] == sorted(bits[count:], reverse=True)
    assert min(bits) > 0
    assert len(probabilities) >= 29
    for reading in said["readings"]:
        waiting = reading["minutes"] - reading["hands_on_minutes"]
        assert reading["information_bits_per_minute"] == pytest.approx(
            reading["information_bits"] / (reading["hands_on_minutes"] + waiting / 4 + 4), rel=1e-12
        )


def test_json_gives_back_the_shares_at_the_start(advisor: Advisor) -> None:
    """With the complaint alone the probabilities are those that the author's shares make."""
    said = answer(advisor("next", "--complaint", "flat_battery", "--json"))
    probability = {fault["id"]: fault["probability"] for fault in said["faults"]}
    assert probability["unlisted:flat_battery"] == pytest.approx(0.05, abs=1e-9)
    assert probability["battery_worn"] == pytest.approx(0.35 * 0.83, abs=1e-9)
    assert probability["boot_lamp"] == pytest.approx(0.31 * 0.35 * 0.22 * 0.48, abs=1e-9)


def test_json_says_when_to_stop(advisor: Advisor) -> None:
    """A search that is over gives the reason and the fault."""
    saw = (
        "sleeping_current=high",
        "unit_unplugged=stays",
        "open_message=none",
        "fuse_interior=flows",
        "warm_boot=warmer",
        "boot_filmed=burns",
    )
    words = [word for one in saw for word in ("--saw", one)]
    said = answer(advisor("next", "--complaint", "flat_battery", *words, "--json"))
    assert said["stop"] == {"reason": "sure", "fault": "boot_lamp"}


def test_standard_output_is_json_alone() -> None:
    """In a process of its own as well: libraries print nothing in between, on either stream."""
    done = started("next", "--complaint", "flat_battery", "--json")
    assert (done.returncode, done.stderr) == (0, b"")
    assert json.loads(done.stdout)["complaint"] == "flat_battery"


def test_the_last_answer_on_a_reading_counts(advisor: Advisor) -> None:
    """Saying a reading twice is correcting it."""
    words = ("next", "--complaint", "flat_battery", "--json", "--saw")
    again = answer(advisor(*words, "bus_active=busy", "--saw", "bus_active=silent"))
    once = answer(advisor(*words, "bus_active=silent"))
    assert again == once


def test_a_missing_instrument_takes_its_readings_out(advisor: Advisor) -> None:
    """What cannot be read here is not in the list; as text it is said what that costs."""
    words = ("next", "--complaint", "flat_battery", "--without", "battery_tester")
    assert "battery_test" not in [one["id"] for one in answer(advisor(*words, "--json"))["readings"]]
    assert "Battery test, charged: no Battery tester" in advisor(*words).out


def test_advice_as_text_names_causes_and_readings(advisor: Advisor) -> None:
    """Without --json people read names, bars and minutes."""
    ran = advisor("next", "--complaint", "flat_battery", *SAW)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Suspected causes\n")
    order = "bits for the time: hands on, 25 % of the waiting, and 4 min for turning to a reading"
    assert f"Readings in the usual order ({order})\n" in ran.out
    assert re.search(r"^   \d\.\d\d bits +\d+ min  \w", ran.out, re.MULTILINE)
    most = re.compile(r"^Tells most of all: “[^”]+” \([^)]+\), \d\.\d\d bits\.$", re.MULTILINE)
    assert most.search(advisor("next", "--complaint", "flat_battery").out)
    assert "Battery worn out" in ran.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["--complaint", "flat_batery"],
            ["There is no complaint 'flat_batery'. Did you mean 'flat_battery'?"],
        ),
        (["--complaint", "xyz"], ["There is no complaint 'xyz'. Known are: "]),
        (
            ["--complaint", "flat_battery", "--saw", "sleeping_curent=high"],
            ["There is no reading 'sleeping_curent'. Did you mean 'sleeping_current'?"],
        ),
        (
            ["--complaint", "flat_battery", "--saw", "sleeping_current=hihg"],
            ["There is no outcome of sleeping_current 'hihg'. Did you mean 'high'?"],
        ),
        (
            ["--complaint", "flat_battery", "--fact", "keyles=none"],
            ["There is no vehicle fact 'keyles'. Did you mean 'keyless'?"],
        ),
        (
            ["--complaint", "flat_battery", "--fact", "keyless=nome"],
            ["There is no value of keyless 'nome'. Did you mean 'none'?"],
        ),
        (
            ["--complaint", "flat_battery", "--without", "voltmetre"],
            ["There is no instrument 'voltmetre'. Did you mean 'voltmeter'?"],
        ),
        (
            ["--complaint", "flat_battery", "--fact", "keyles=none", "--saw", "bus_activ=busy"],
            [
                "There is no vehicle fact 'keyles'. Did you mean 'keyless'?",
                "There is no reading 'bus_activ'. Did you mean 'bus_active'?",
            ],
        ),
    ],
)
def test_an_unknown_word_is_refused_with_the_nearest(
    advisor: Advisor, words: list[str], said: list[str]
) -> None:
    """Every unknown word at once, on the stream for errors, with exit code 1; nothing on the other."""
    ran = advisor("next", *words, "--json")
    assert (ran.code, ran.out) == (1, "")
    assert len(ran.err.splitlines()) == len(said)
    for line, start in zip(ran.err.splitlines(), said, strict=True):
        assert line.startswith(start)


def test_answers_that_cannot_be_so_together_are_named(advisor: Advisor, clashing: Path) -> None:
    """Impossible evidence ends with exit code 1 and the pair that clashes, in words; never in a number."""
    ran = advisor(
        "next",
        "--knowledge",
        clashing,
        "--complaint",
        "c",
        "--json",
        "--saw",
        "tap=dull",
        "--saw",
        "seat=off",
    )
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        "These answers contradict each other: Tap the glass: Dull; Glass in its seat: Off its seat. "
        "Repeat one of them, or take it back.\n"
    )


# ---------------------------------------------------------------------------------------------- wrong use


@pytest.mark.parametrize(
    "words",
    [
        ["nxt"],
        ["--nonsense"],
        ["next"],
        ["next", "--complaint"],
        ["next", "--complaint", "flat_battery", "--saw", "sleeping_current"],
        ["next", "--complaint", "flat_battery", "--fact", "=none"],
        ["export", "--complaint", "flat_battery", "--format", "docx"],
        ["export", "--complaint", "flat_battery", "--output", "/"],
    ],
    ids=" ".join,
)
def test_wrong_use_ends_with_2(advisor: Advisor, words: list[str]) -> None:
    """A command that was not understood says what was not, and does nothing."""
    ran = advisor(*words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.splitlines()[-1].startswith("Error: ")


def test_a_disk_that_does_not_let_ends_with_3(advisor: Advisor, tmp_path: Path) -> None:
    """A file that cannot be written is neither wrong use nor wrong knowledge."""
    target = tmp_path / "no_such_folder" / "network.bif"
    ran = advisor("export", "--complaint", "flat_battery", "--output", target)
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        f"Cannot read or write a file: No such file or directory ({target}). What was saved before is "
        "kept. Check the name, the permissions and the free space on the disk, then try again.\n"
    )


def test_a_complaint_too_entangled_for_one_engine_is_answered(
    advisor: Advisor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is exact where only readings not seen are in the way, else it says by how much it may be off.

    What needs one engine refuses in a sentence that names what to change.
    """
    file = tmp_path / "x.yaml"
    file.write_text(entangled(group=4), encoding="utf-8")
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 2**13)
    ran = advisor("next", "--knowledge", file, "--complaint", "c", "--saw", "r0=y", "--json")
    assert (ran.code, ran.err) == (0, "")
    answer = json.loads(ran.out)
    assert {one["id"] for one in answer["readings"]} == {f"r{at}" for at in range(1, 6)}
    assert "off_by_at_most" not in answer
    refused = advisor("prescreen", "--knowledge", file, "--complaint", "c")
    assert (refused.code, refused.out) == (1, "")
    assert refused.err.startswith(f"{file}:")
    assert " too-wide: " in refused.err
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 2**7)
    bounded = json.loads(
        advisor("next", "--knowledge", file, "--complaint", "c", "--saw", "r0=y", "--json").out
    )
    assert 0 < bounded["off_by_at_most"]["probability"] <= 1
    assert 0 < bounded["off_by_at_most"]["information_bits"] <= 1
    shown = advisor("next", "--knowledge", file, "--complaint", "c", "--saw", "r0=y").out
    assert "Too much hangs together to be exact: probabilities are off by at most 0." in shown


# -------------------------------------------------------------------------------------------- other commands


def test_wrong_knowledge_is_told_with_file_line_and_column(advisor: Advisor, tmp_path: Path) -> None:
    """Each problem is one line on the stream for errors, and the exit code is 1, whatever was asked for."""
    file = tmp_path / "x.yaml"
    file.write_text(
        "language: 1\nstandin: estimate\nfaults:\n  a: {name: A, remedy: B, remedy_minutes: 5, price: lo}\n"
    )
    expected = (
        f"{file}:2:1: unknown-word: 'standin' is not a word of the language. Did you mean 'standing'?\n"
        f"{file}:4:46: not-one-of: 'lo' is not one of the words for 'price'. Did you mean 'low'?\n"
    )
    checked = advisor("check", file)
    assert (checked.code, checked.out, checked.err) == (
        1,
        expected,
        "2 errors. More is checked once these are mended.\n",
    )
    for words in (
        ["next", "--knowledge", file, "--complaint", "c"],
        ["replay", "--knowledge", file],
    ):
        ran = advisor(*words)
        assert (ran.code, ran.out, ran.err) == (1, "", expected + "More is checked once these are mended.\n")


def test_slips_of_spelling_are_told_in_one_run(advisor: Advisor, tmp_path: Path) -> None:
    """A word, a value and ids at once; an id whose item cannot be read yet is not called unknown."""
    file = tmp_path / "x.yaml"
    text = complaint("any_of: {a: 60, bb: 45}") + faults("a", "b", "d").replace("price: low", "prise: low", 1)
    text += (
        "readings:\n"
        "  r: {name: R, minuts: 2, outcomes: {n: N, y: Y}, noisy_or: {leak: 0.1, causes: {a: 0.9}}}\n"
        "  s: {name: S, minutes: 2, setup: shot, outcomes: {n: N, y: Y}, "
        "noisy_or: {leak: 0.1, causes: {a: 0.9, dd: 0.5}}}\n"
        "setups: {shut: {name: Shut, hands_on_minutes: 1}}\n"
    )
    file.write_text(HEAD + text, encoding="utf-8")
    for command in (["check", file], ["next", "--knowledge", file, "--complaint", "c"]):
        ran = advisor(*command)
        told = (ran.out or ran.err).splitlines()
        assert ran.code == 1
        words = [line.split("'")[1] for line in told if "unknown-" in line]
        assert sorted(words) == ["bb", "dd", "minuts", "prise", "shot"]


def test_check_prints_problems_of_sense_and_counts_them(advisor: Advisor, tmp_path: Path) -> None:
    """The problems were asked for, so they are on standard output; the count is on the other stream."""
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + complaint("any_of: {a: 60, b: 30}") + faults("a", "b"), encoding="utf-8")
    ran = advisor("check", file)
    assert ran.code == 1
    assert [" ".join(line.split(": ")[:2]) for line in ran.out.splitlines()] == [
        f"{file}:4:41 shares",
        f"{file}:6:3 unseen",
        f"{file}:7:3 unseen",
    ]
    counts = "1 complaint, 2 faults, 0 readings: 1 error, 2 weak points."
    assert ran.err == f"{counts} More is checked once this is mended.\n"


def test_check_is_content_with_what_comes_along(advisor: Advisor) -> None:
    """The shipped knowledge is checked where nothing is named."""
    ran = advisor("check")
    assert (ran.code, ran.out) == (0, "")
    counts, looked_over = ran.err.splitlines()
    assert counts.endswith(" readings: 0 errors, 0 weak points.")
    assert re.fullmatch(r"Of (\d+) items: \1 drafted\.", looked_over)


@pytest.mark.parametrize("name", ["drain", "climate", "ingress"])
def test_check_of_one_file_says_what_it_leans_on(advisor: Advisor, name: str) -> None:
    """One line instead of an unknown id for each word of the workshop, with what to type."""
    ran = advisor("check", SHIPPED / f"{name}.yaml")
    (line,) = ran.out.splitlines()
    assert line.startswith(f"{SHIPPED}/{name}.yaml:1:1: leans: {name}.yaml leans on the rest of its folder: ")
    assert "workshop.yaml" in line
    assert line.endswith(f"Check them together: `advisor check {SHIPPED}`.")
    assert ran.code == 1
    assert ran.err.endswith(": 1 error. More is checked once this is mended.\n")


@pytest.mark.parametrize("command", ["next", "export", "evaluate"])
def test_other_commands_say_too_what_one_file_leans_on(advisor: Advisor, command: str) -> None:
    """The same one line as that of `check`, not one for each word of the workshop."""
    file = SHIPPED / "drain.yaml"
    (line,) = advisor("check", file).out.splitlines()
    ran = advisor(command, "--knowledge", file, "--complaint", "flat_battery")
    assert (ran.code, ran.out, ran.err) == (1, "", f"{line}\nMore is checked once this is mended.\n")


def test_check_says_what_a_share_comes_to_per_100_complaints(advisor: Advisor, tmp_path: Path) -> None:
    """Shares multiply on the way up: 60 of 100 of 40 of 100 are 24 of 100 (by hand)."""
    file = tmp_path / "x.yaml"
    tree = (
        complaint("any_of: {x: 40, y: 0.5, a: 65}")
        + "branches:\n  x: {name: X, any_of: {b: 60, d: 41}, unlisted: rest}\n"
        + "  y: {name: Y, any_of: {e: 60, f: 40}, unlisted: rest}\n"
        + faults("a", "b", "d", "e", "f")
    )
    file.write_text(HEAD + tree, encoding="utf-8")
    ran = advisor("check", file, "--share", "b", "--share", "e", "--share", "a")
    assert ran.code == 0
    assert [line for line in ran.out.splitlines() if "x.yaml" not in line] == [
        "b: 24 of 100 cars with c (60 of 100 with x, itself 40 of 100 with c).",
        "  For 1 of 100 cars with c write 2.5 under x.",
        "e: 0.3 of 100 cars with c (60 of 100 with y, itself 0.5 of 100 with c).",
        "  All cars with y are 0.5 of 100 with c.",
        "a: 65 of 100 cars with c.",
    ]
    assert "There is no fault or branch 'aa'." in advisor("check", file, "--share", "aa").err
    assert advisor("check", file, "--share", "a", "--format", "json").code == 2
    plain = tree.replace("a: 65", "a: ").replace("Fault a,", "Fault a, prior: 0.3,")
    file.write_text(HEAD + plain, encoding="utf-8")
    assert advisor("check", file, "--share", "a").out.endswith(
        "a has no share of a complaint or of a branch that has one.\n"
    )


def test_a_slip_in_a_file_that_leans_on_others_is_told_too(advisor: Advisor, tmp_path: Path) -> None:
    """An id that is nowhere in the folder is still named with its line."""
    (tmp_path / "one.yaml").write_text(HEAD + complaint("any_of: {strap: 60, glas: 45}"), "utf-8")
    (tmp_path / "two.yaml").write_text(HEAD + faults("strap", "glass"), "utf-8")
    lines = advisor("check", tmp_path / "one.yaml").out.splitlines()
    assert [line.split(": ")[1] for line in lines] == ["leans", "unknown-id"]
    assert "two.yaml." in lines[0]
    assert "'glas'" in lines[1]


def test_a_file_that_stands_alone_is_checked_as_ever(advisor: Advisor, tmp_path: Path) -> None:
    """What lies beside it is not looked at, broken or not."""
    (tmp_path / "one.yaml").write_text(
        HEAD + complaint("any_of: {strap: 60, glas: 45}") + faults("strap"), "utf-8"
    )
    (tmp_path / "two.yaml").write_text(HEAD + faults("other"), "utf-8")
    (line,) = advisor("check", tmp_path / "one.yaml").out.splitlines()
    assert "unknown-id: There is no fault or branch 'glas'." in line
    assert advisor("check", SHIPPED / "example" / "door_rattle.yaml").code == 0


def test_check_lets_weak_points_pass(advisor: Advisor, tmp_path: Path) -> None:
    """A weak point is printed, and the exit code stays 0."""
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + "instruments: {torch: {name: Torch}}\n", encoding="utf-8")
    ran = advisor("check", file)
    assert ran.code == 0
    assert ran.out == f"{file}:3:15: unused: weak: Nothing uses 'torch'. Use it, or take it out.\n"


@pytest.mark.parametrize(("command", "stream"), [("check", "out"), ("replay", "err")])
def test_a_path_that_is_not_there_is_told(advisor: Advisor, command: str, stream: str) -> None:
    """A wrong path is a problem with the path in front, like any other."""
    ran = advisor(command, "no/such/file.yaml")
    assert ran.code == 1
    assert getattr(ran, stream).startswith(
        "no/such/file.yaml:1:1: unreadable: The file cannot be read: No such file or directory."
    )


def test_replay_says_for_each_car_whether_it_was_found(advisor: Advisor) -> None:
    """One line a car; 0 where all were found."""
    ran = advisor(
        "replay", SCENARIOS / "drain" / "01_boot_lamp.yaml", SCENARIOS / "drain" / "06_parking_camera.yaml"
    )
    assert (ran.code, ran.err) == (0, "")
    assert [line.split()[0] for line in ran.out.splitlines()] == ["found", "found"]
    assert "01_boot_lamp.yaml: " in ran.out.splitlines()[0]


def test_replay_tells_a_car_step_by_step(advisor: Advisor) -> None:
    """With --story each reading, its answer and the suspects after it."""
    ran = advisor("replay", "--story", SCENARIOS / "drain" / "01_boot_lamp.yaml")
    assert ran.code == 0
    assert "    Complaint: Battery flat after standing" in ran.out
    assert "\n    1. " in ran.out
    assert "\n       → " in ran.out


def test_replay_fails_where_a_car_was_not_found(advisor: Advisor, tmp_path: Path) -> None:
    """A car whose cause does not come out on top is told in full, and the exit code is 1."""
    car = (SCENARIOS / "drain" / "01_boot_lamp.yaml").read_text(encoding="utf-8")
    file = tmp_path / "car.yaml"
    car = car.replace("shows:", "shows:\n  boot_filmed: burns\n  glovebox_filmed: dark")
    file.write_text(car.replace("causes: [boot_lamp]", "causes: [glovebox_lamp]"), encoding="utf-8")
    ran = advisor("replay", file)
    assert ran.code == 1
    assert ran.out.startswith("NOT FOUND")
    assert ran.err == "1 scenario did not end with the true causes on top. Look at the steps above.\n"


def test_replay_tells_a_car_that_cannot_have_its_cause(advisor: Advisor, tmp_path: Path) -> None:
    """A car without keyless entry whose keyless system is to blame is told with its file, like any slip."""
    file = tmp_path / "car.yaml"
    file.write_text(
        "language: 1\ninvented: true\nname: A car\ncomplaint: flat_battery\ncauses: [keyless_polling]\n"
        "facts: {keyless: none}\nstory: It cannot be.\n",
        encoding="utf-8",
    )
    ran = advisor("replay", file)
    assert (ran.code, ran.out) == (1, "")
    clash, last = ran.err.splitlines()
    assert clash.startswith(f"{file}:1:1: clash: ")
    assert last == "1 scenario could not be played. Change what is told above."


def test_replay_tells_a_car_whose_answers_clash(advisor: Advisor, tmp_path: Path) -> None:
    """A car that shows what cannot be so together is told with its file and the answers."""
    knowledge, file = tmp_path / "knowledge.yaml", tmp_path / "car.yaml"
    knowledge.write_text(
        HEAD
        + complaint("any_of: {a: 70, b: 80}")
        + faults("a", "b")
        + "readings:\n  first: {name: First, minutes: 1, outcomes: {no: No, yes: Yes}, "
        "table: [{when: {a: present}, gives: {yes: 1.0}}, {otherwise: {no: 1.0}}]}\n"
        "  second: {name: Second, minutes: 1, outcomes: {none: None, some: Some, much: Much}, "
        "table: [{when: {a: present, b: present}, gives: {none: 0.0, some: 0.3, much: 0.7}}, "
        "{when: {a: present}, gives: {none: 0.0, some: 0.7, much: 0.3}}, "
        "{otherwise: {none: 0.4, some: 0.3, much: 0.3}}]}\n",
        encoding="utf-8",
    )
    file.write_text(
        "language: 1\ninvented: true\nname: A car\ncomplaint: c\ncauses: [a]\n"
        "shows: {first: yes, second: none}\nstory: It cannot be.\n",
        encoding="utf-8",
    )
    ran = advisor("replay", "--knowledge", knowledge, file)
    assert ran.code == 1
    assert "car.yaml" in ran.out + ran.err
    assert "First: Yes; Second: None" in ran.out + ran.err


@pytest.mark.parametrize(("form", "reader"), [("bif", BIFReader), ("xmlbif", XMLBIFReader)])
def test_export_writes_what_another_program_reads(
    advisor: Advisor, tmp_path: Path, form: str, reader: type[BIFReader]
) -> None:
    """To a file or to standard output, the same text; nothing else is printed."""
    file = tmp_path / f"network.{form}"
    words = ("export", "--complaint", "flat_battery", "--format", form)
    to_file = advisor(*words, "--output", file)
    to_screen = advisor(*words)
    assert (to_file.code, to_file.out, to_file.err) == (0, "", "")
    assert (to_screen.code, to_screen.err) == (0, "")
    assert to_screen.out.strip() == file.read_text(encoding="utf-8").strip()
    assert "flat_battery" in reader(str(file)).get_model().nodes


# ----------------------------------------------------------------------------------------- never a traceback


TWO = complaint("any_of: {a: 60, b: 45}")

WRONG = {
    "nothing": "",
    "a character of no text": "\x00",
    "brackets": "[" * 100,
    "a fault that no car can have": HEAD
    + TWO
    + faults("a", "b", a="given: {t: {u: impossible, v: impossible}}")
    + "facts: {t: {name: T, ask: Which?, values: {u: 50, v: 50}}}\n",
    "a branch more common than it can be": HEAD
    + complaint("any_of: {x: 20, b: 90}")
    + "branches: {x: {name: X, all_of: [d, e]}}\n"
    + faults("b", "d", "e", d="prior: 0.0001"),
    "a state rarer with a cause than without": HEAD
    + TWO
    + faults("a", "b")
    + "states: {s: {name: S, noisy_or: {leak: 0.2, strengths: with_leak, causes: {a: 0.1}}}}\n"
    + "readings:\n  r: {name: R, minutes: 1, outcomes: {n: N, y: Y}, noisy_or: {leak: 0, causes: {s: 1}}}\n",
}


@pytest.mark.parametrize("what", WRONG)
def test_no_knowledge_ends_in_a_traceback(advisor: Advisor, tmp_path: Path, what: str) -> None:
    """Whatever is in the file, the program ends with a sentence and exit code 1."""
    file = tmp_path / "x.yaml"
    file.write_text(WRONG[what], encoding="utf-8")
    ran = advisor("next", "--knowledge", file, "--complaint", "c", "--json")
    assert "Traceback" not in ran.err
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.strip()
