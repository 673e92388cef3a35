"""Commands that open the technician's screens, in the terminal and in browsers."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from advisor.cli.errors import fail
from advisor.cli.options import (
    at_hand,
    begin_log,
    checked,
    chosen,
    flags,
    for_screens,
    knowledge_option,
    policy_of,
    remembers,
    store_option,
    without_option,
    workshop_option,
)
from advisor.cli.output import say


@click.command()
@knowledge_option
@without_option
@store_option
@workshop_option
def bench(
    paths: tuple[Path, ...], without: tuple[str, ...], store: str | None, workshop: Path | None
) -> None:
    """Open the technician's screens."""
    served = "TEXTUAL_DRIVER" in os.environ
    if not served and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise click.UsageError("The screens need a terminal. `advisor demo` plays a case as text.")
    from advisor.screens.app import AdvisorApp

    os.umask(0o077)  # papers saved from the screens are readable by their owner only
    begin_log("bench")
    app = AdvisorApp(
        for_screens(paths),
        frozenset(without),
        store,
        policy=policy_of(workshop),
        settings=chosen()[0],
        remember=None if served else remembers(workshop),  # one file serves the pages of all tablets
    )
    app.run()
    sys.exit(app.return_code or 0)


@click.command()
@knowledge_option
@without_option
@store_option
@workshop_option
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="The address to listen on; 0.0.0.0 is every address of this machine, so that others can connect.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8765,
    show_default=True,
    help="The port; 0 picks a free one.",
)
@click.option(
    "--token",
    envvar="ADVISOR_TOKEN",
    show_envvar=True,
    help="The secret a browser needs, at least 20 characters. Default: a new one, printed.",
)
def serve(
    paths: tuple[Path, ...],
    without: tuple[str, ...],
    store: str | None,
    workshop: Path | None,
    host: str,
    port: int,
    token: str | None,
) -> None:
    """Serve the technician's screens to browsers, such as tablets in the bays, up to 24 at a time.

    The printed address contains a token, without which nobody gets in. Nothing is encrypted: serve only
    on a network that you trust.
    """
    from advisor.web import server

    policy_of(workshop)  # a bad file is refused here, not in every browser
    at_hand(checked(paths), without)
    command = [sys.executable, "-m", "advisor", "bench"]
    given = flags()  # the screens read file and environment themselves, where no list of processes shows them
    command += [f"--knowledge={path}" for path in given.get("paths", ())]
    command += [f"--without={instrument}" for instrument in given.get("without", ())]
    command += [f"--store={given['store']}"] if "store" in given else []
    command += [f"--workshop={workshop}"] if workshop else []
    begin_log("serve")
    try:
        server.serve(command, host, port, token, say)
    except server.UnfitToken as error:
        fail([str(error)], 2)
    except server.CannotListen as error:
        fail([str(error)], 3)
