"""A PostgreSQL server of one's own on a free port, without its password and gone afterwards; Debian's layout.

python3 -m tests.postgresql COMMAND… runs a command with such a server named in ADVISOR_TEST_POSTGRESQL. Only
the standard library is needed.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

SERVER = "ADVISOR_TEST_POSTGRESQL"
"""The environment variable that names the server: a URL, of a user that may make schemas and end sessions."""
PROGRAMS = Path("/usr/lib/postgresql")


def installed() -> Path | None:
    """The folder with the programs of the newest PostgreSQL there is."""
    found = [one.parent for one in PROGRAMS.glob("*/bin/initdb")]
    return max(found, key=lambda one: int(re.sub(r"\D", "", one.parent.name) or 0), default=None)


@dataclass(frozen=True)
class Server:
    """A server in a folder, at a port."""

    folder: Path
    port: int

    @property
    def url(self) -> str:
        """Where it is."""
        return f"postgresql+psycopg://advisor@127.0.0.1:{self.port}/postgres"

    def run(self, program: str, *words: str) -> None:
        """Run one of PostgreSQL's programs in the folder; the server refuses to be root."""
        programs = installed()
        assert programs is not None, "PostgreSQL is not installed"
        root = os.geteuid() == 0
        done = subprocess.run(
            [programs / program, *words],
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            user="postgres" if root else None,
            group="postgres" if root else None,
            extra_groups=[] if root else None,
        )
        log = self.folder / "log"
        assert done.returncode == 0, done.stderr + (log.read_text()[-2000:] if log.exists() else "")

    def start(self) -> None:
        """Start it, and wait until it can be used."""
        settings = (
            f"-c listen_addresses=127.0.0.1 -c port={self.port} -c unix_socket_directories={self.folder}"
        )
        self.run("pg_ctl", "-D", "data", "-w", "-l", "log", "-o", settings, "start")

    def stop(self) -> None:
        """Stop it at once, as a power cut would: what was going on is rolled back when it starts again."""
        self.run("pg_ctl", "-D", "data", "-w", "-m", "immediate", "stop")


@contextmanager
def started() -> Iterator[Server]:
    """A new server; stopped and deleted afterwards."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    folder = Path(tempfile.mkdtemp(prefix="postgresql"))
    server = Server(folder, port)
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres")
        server.run(
            "initdb",
            *("-D", "data", "-U", "advisor", "--encoding=UTF8", "--locale=C"),
            *("--auth-host=trust", "--auth-local=reject"),
        )
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main() -> int:
    """Run the command, and end as it ends; the server is gone too where this is terminated."""
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    with started() as server:
        return subprocess.run(sys.argv[1:], env={**os.environ, SERVER: server.url}, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
