"""The list of commands, and how the program ends.

Names and first sentences of the commands stand here, so that a module is imported only when called.
"""

from __future__ import annotations

import importlib
import io
import sys
from types import TracebackType
from typing import NamedTuple

import click

from advisor.cli.errors import fail, fail_with
from advisor.cli.output import say
from advisor.knowledge.problems import ProblemsFound


class Command(NamedTuple):
    """The module and name of a command in this package, and the first sentence of its help."""

    module: str
    name: str
    does: str


COMMANDS = {
    "backup": Command(
        "backup", "backup", "Write all jobs into one file; `advisor restore` brings them back."
    ),
    "bench": Command("bench", "bench", "Open the technician's screens."),
    "case": Command("jobs", "stored_case", "Export or erase everything that is stored about one job."),
    "check": Command(
        "check", "check", "Check knowledge files and print every problem with file, line and column."
    ),
    "compare": Command(
        "evaluate",
        "compare",
        "Compare two versions of the knowledge on the same simulated cars and scenarios.",
    ),
    "demo": Command("replay", "demo", "Play a shipped scenario as text, from complaint to cause."),
    "draw": Command(
        "write",
        "draw",
        "Draw the fault tree of a complaint or branch as SVG, with the gate symbols of IEC 61025.",
    ),
    "evaluate": Command(
        "evaluate",
        "evaluate",
        "Measure on simulated cars how well the advice finds causes, compared with other policies.",
    ),
    "export": Command("write", "export", "Write a complaint's network for other Bayesian-network programs."),
    "learn": Command(
        "learn",
        "learn",
        "Propose revised numbers from closed jobs, as a table and a patch to accept or reject.",
    ),
    "next": Command("next", "next_reading", "Say what to read next on a case, and how sure we are."),
    "prescreen": Command(
        "prescreen",
        "prescreen",
        "Open the service desk's screens; with --words or --complaint print what to ask and book.",
    ),
    "replay": Command(
        "replay",
        "replay",
        "Play scenario files to the end and say whether the true causes come out on top.",
    ),
    "report": Command(
        "jobs",
        "report_case",
        "Write the card of a job, or with --customer a page for the customer; CASE is the job's number.",
    ),
    "restore": Command("backup", "restore", "Bring all jobs back from a file that `advisor backup` wrote."),
    "schema": Command(
        "write",
        "print_schema",
        "Print the JSON Schema of knowledge files, for editors that complete and check by it.",
    ),
    "serve": Command(
        "bench",
        "serve",
        "Serve the technician's screens to browsers, such as tablets in the bays, up to 24 at a time.",
    ),
    "settings": Command(
        "settings",
        "settings",
        "Show each choice of the workshop, where it comes from and what it changes, or write a file to edit.",
    ),
    "support": Command(
        "support",
        "support",
        "Pack version, settings without passwords and the log for whoever helps you; no job is among it.",
    ),
    "track": Command(
        "learn",
        "track",
        "Show how often the confirmed causes of closed jobs came out first, over time.",
    ),
}
OLD_NAMES = {"policy": "settings"}
"""Commands by names that they had before."""


class Commands(click.Group):
    """A group that imports a command only when that is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands, in the order of the list."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command by its name and return it, or None if there is no such command."""
        where = COMMANDS.get(OLD_NAMES.get(cmd_name, cmd_name))
        if where is None:
            return None
        command = getattr(importlib.import_module(f"advisor.cli.{where.module}"), where.name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them."""
        lines = [click.Command(name, help=command.does) for name, command in COMMANDS.items()]
        click.Group(commands=lines).format_commands(ctx, formatter)


def unexpected(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Write an error of the program itself to the log, and say in one sentence where that is."""
    from importlib.metadata import version

    from advisor import logfile

    if sys.flags.dev_mode:
        sys.__excepthook__(kind, error, trace)
        return
    command = next((word for word in sys.argv[1:] if word in COMMANDS), "no command")
    no_log = logfile.begin(command, version("advisor"))
    logfile.log_error("an unexpected error ended the program", error)
    if no_log:
        say(f"{logfile.without_words(error)}\n{no_log}", err=True)
    say(logfile.sentence(), err=True)


def run() -> None:
    """Run the command line and turn every expected failure but a broken pipe into an exit code."""
    sys.excepthook = unexpected
    try:
        commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        fail(["Stopped."], 1)
    except click.ClickException as error:
        written = io.StringIO()
        error.show(file=written)
        fail([written.getvalue().rstrip("\n")], error.exit_code)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except ProblemsFound as error:
        fail_with(error.problems, 1)
    except BrokenPipeError:
        raise
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        fail(
            [
                f"Cannot read or write a file: {error.strerror or error}{where}. What was saved before is "
                "kept. Check the name, the permissions and the free space on the disk, then try again."
            ],
            3,
        )


@click.group(
    cls=Commands, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(package_name="advisor", message="%(package)s %(version)s")
@click.pass_context
def commands(context: click.Context) -> None:
    """Find the cause of a car's complaint with the most informative readings.

    Without a command the screens open; without a terminal, a shipped scenario is played as text.
    """
    if context.invoked_subcommand is None:
        name = "bench" if sys.stdin.isatty() and sys.stdout.isatty() else "demo"
        command = commands.get_command(context, name)
        assert command is not None
        context.invoke(command)
