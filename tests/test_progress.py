"""What is said while a command works: one line on a terminal, nothing anywhere else."""

from __future__ import annotations

import io
import sys
import threading

import pytest

from advisor import cli
from advisor.cli import progress
from advisor.cli.progress import CLEARED, working


class Terminal(io.StringIO):
    """A terminal that tells when something was written that has these words."""

    def __init__(self, wanted: str) -> None:
        super().__init__()
        self.wanted, self.said = wanted, threading.Event()

    def isatty(self) -> bool:
        """Return that a person sits here."""
        return True

    def write(self, text: str) -> int:
        """Keep the text, and tell if the words have come."""
        count = super().write(text)
        if self.wanted in self.getvalue():
            self.said.set()
        return count


def test_long_work_says_how_far_it_is_and_how_to_stop_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The line fits a narrow terminal, and is gone when the work is done."""
    terminal = Terminal("40%")
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(progress, "FIRST_SAID_SECONDS", 0.0)
    monkeypatch.setattr(progress, "SAID_EVERY_SECONDS", 0.0)
    with working("Playing simulated cars") as told:
        told(2, 5)
        assert terminal.said.wait(60)
    *_, line, last = terminal.getvalue().split(CLEARED)
    assert line.startswith("Playing simulated cars: 40%, ")
    assert line.endswith(" s. Ctrl+C stops it.")
    assert len(line) < 80
    assert last == ""


def test_quick_work_and_work_without_a_terminal_say_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody reads a line that is gone at once, and a file of errors has no use for one."""
    monkeypatch.setattr(progress, "FIRST_SAID_SECONDS", 3600.0)
    terminal = Terminal("")
    monkeypatch.setattr(sys, "stderr", terminal)
    with working("Checking"):
        pass
    assert terminal.getvalue() == ""
    monkeypatch.setattr(progress, "FIRST_SAID_SECONDS", 0.0)
    before = threading.active_count()
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    with working("Checking") as told:
        told(1, 2)
        assert threading.active_count() == before
    assert stream.getvalue() == ""


def test_work_that_fails_ends_its_line_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is said next begins on a clean line."""
    terminal = Terminal("Checking")
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(progress, "FIRST_SAID_SECONDS", 0.0)

    def work() -> None:
        with working("Checking"):
            assert terminal.said.wait(60)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert terminal.getvalue().endswith(CLEARED)


@pytest.mark.parametrize("when", ["while the program starts", "while it works"])
def test_ctrl_c_ends_with_a_plain_word(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], when: str
) -> None:
    """No traceback, exit code 1."""

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    where = "advisor.cli.program.run" if "starts" in when else "advisor.cli.check._found"
    monkeypatch.setattr(where, interrupted)
    monkeypatch.setattr(sys, "argv", ["advisor", "check"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 1
    assert capsys.readouterr().err.split() == ["Stopped."]
