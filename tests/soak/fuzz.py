"""Fuzz the targets with coverage as the guide: `python -m tests.soak.fuzz`, with the library atheris.

A million inputs by default, shared out as `SHARE` says; `--inputs` for fewer, `--target` for one target. Each
target runs in a process of its own; Ctrl+C stops all. Every input is watched: an exception that
the project does not declare, more than `SECONDS`, or more than `MEGABYTES` above the start is a finding,
counted by its place and kept as a file to try again: `--again FILE --target NAME`. Exit code 1 with findings.
"""

from __future__ import annotations

import argparse
import faulthandler
import hashlib
import importlib.util
import json
import mmap
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

SHARE = {"quantity": 0.84, "yaml": 0.056, "command": 0.052, "case": 0.052}
"""How the inputs are shared out; an input of the first takes little time."""
SECONDS = 2.0
"""The longest that an input may take, in seconds of the processor: a busy machine counts for nothing."""
HUNG_SECONDS = 60
"""After this by the clock a process is ended: it waits for something, or hears no alarm."""
MEGABYTES = 300
"""The most memory above that at the start, once each target has been tried."""
EVERY_SECONDS = 20.0
"""How often it says how far it is."""


class TooLong(BaseException):
    """An input took longer than `SECONDS`."""


class Watch:
    """One target under watch: counts, findings, and the slowest input."""

    def __init__(self, name: str, inputs: int, kept: Path) -> None:
        from tests.soak.targets import TARGETS

        self.name, self.inputs, self.kept, self.target = name, inputs, kept, TARGETS[name]
        self.done, self.slowest = 0, 0.0
        self.found: dict[str, dict[str, Any]] = {}
        self.started = self.told = time.monotonic()
        self.memory = 0
        with (kept / f"{name}.now").open("w+b") as file:
            file.truncate(1 << 20)
            self.now = mmap.mmap(file.fileno(), 0)

    def take(self, data: bytes) -> None:
        """Try one input and write down what it does."""
        if self.done >= self.inputs:
            return
        self.done += 1
        kept = len(data).to_bytes(8, "big") + data
        self.now[: min(len(kept), len(self.now))] = kept[: len(self.now)]
        faulthandler.dump_traceback_later(HUNG_SECONDS, exit=True)
        if not self.tried(data):
            self.find(f"more than {SECONDS:g} s", data, "")
        faulthandler.cancel_dump_traceback_later()
        if self.done % 256 == 0:
            self.look(data)

    def tried(self, data: bytes) -> bool:
        """Whether the input was done with in time."""
        begun = time.process_time()
        try:
            signal.setitimer(signal.ITIMER_PROF, SECONDS)
            try:
                self.target.take(data)
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
        except TooLong:
            return False
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001 - finding any at all is the purpose
            frames = traceback.extract_tb(error.__traceback__)
            own = [one for one in frames if f"{os.sep}advisor{os.sep}" in one.filename] or frames
            where = f"{type(error).__name__} at {Path(own[-1].filename).name}:{own[-1].lineno}"
            self.find(where, data, "".join(traceback.format_exception(error)))
        seconds = time.process_time() - begun
        self.slowest = max(self.slowest, seconds)
        return seconds <= SECONDS

    def look(self, data: bytes) -> None:
        """Look at the memory, and say how far it is now and then."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        self.memory = self.memory or peak
        if peak - self.memory > MEGABYTES:
            self.find(f"more than {MEGABYTES} MB", data, "")
        now = time.monotonic()
        if now - self.told > EVERY_SECONDS:
            self.told = now
            rate = self.done / (now - self.started)
            left = (self.inputs - self.done) / rate / 60
            print(f"{self.name}: {self.done} of {self.inputs}, {rate:.0f}/s, {left:.0f} min to go, "
                  f"{len(self.found)} findings", flush=True)  # fmt: skip

    def find(self, where: str, data: bytes, story: str) -> None:
        """Write a finding down, each place once."""
        if where in self.found:
            self.found[where]["times"] += 1
            return
        file = self.kept / f"{self.name}-{hashlib.sha256(data).hexdigest()[:12]}"
        file.write_bytes(data)
        self.found[where] = {"times": 1, "file": str(file), "story": story}

    def summary(self) -> dict[str, Any]:
        """What came of it."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        return {
            "target": self.name,
            "inputs": self.done,
            "minutes": (time.monotonic() - self.started) / 60,
            "slowest_seconds": self.slowest,
            "megabytes_above_start": peak - (self.memory or peak),
            "findings": self.found,
        }


def work(name: str, inputs: int, seed: int, kept: Path, again: Path | None) -> None:
    """Fuzz one target in this process; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["advisor"]):
        from tests.soak import targets
    sys.setrecursionlimit(1000)

    def alarm(*_: object) -> None:
        raise TooLong

    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        targets.prepare(folder)
        watch = Watch(name, inputs, kept)
        signal.signal(signal.SIGPROF, alarm)
        targets.build_wall()
        with targets.walled(folder, kept):
            start = watch.target.start()
            for data in start[:40]:  # what is made once and kept is no input's fault
                watch.target.take(data)
            if again is not None:
                watch.take(again.read_bytes())
                finish(watch)
            corpus = folder / "corpus"
            corpus.mkdir()
            for number, data in enumerate(start):
                (corpus / str(number)).write_bytes(data)

            def other(data: bytes, most: int, seed: int) -> bytes:
                return watch.target.other(data, random.Random(seed))[:most]

            def one(data: bytes) -> None:
                watch.take(data)
                if watch.done >= inputs:
                    finish(watch)

            flags = [f"-seed={seed}", "-runs=-1", "-timeout=3600", "-rss_limit_mb=0", "-max_len=500000"]
            atheris.Setup(["fuzz", *flags, str(corpus)], one, custom_mutator=other)
            try:
                atheris.Fuzz()
            finally:  # a failing fuzzer hangs where it should end
                traceback.print_exc()
                os._exit(1)


def finish(watch: Watch) -> None:
    """Write down what came of it, and end the process: the fuzzer itself knows no end."""
    (watch.kept / f"{watch.name}.json").write_text(json.dumps(watch.summary()), encoding="utf-8")
    os._exit(0)


def main() -> int:
    """Fuzz every target, or one; print what came of it."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--inputs", type=int, default=1_000_000)
    asked.add_argument("--target", choices=SHARE)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--jobs", type=int, default=2, help="Targets at the same time.")
    asked.add_argument("--kept", type=Path, default=Path("fuzz-findings"), help="Where findings are put.")
    asked.add_argument("--again", type=Path, help="Try one kept input of the target again.")
    asked.add_argument("--worker", action="store_true", help=argparse.SUPPRESS)
    said = asked.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print(
            "This needs the library atheris: pip install -e '.[fuzz]'. Nothing was fuzzed.", file=sys.stderr
        )
        return 2
    kept = said.kept.resolve()
    kept.mkdir(parents=True, exist_ok=True)
    if said.worker:
        work(said.target, said.inputs, said.seed, kept, said.again)
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, signal.default_int_handler)
    names: Sequence[str] = [said.target] if said.target else list(SHARE)
    total = sum(SHARE[name] for name in names)
    counts = {name: round(said.inputs * SHARE[name] / total) for name in names}
    waiting, failed = sorted(names, key=lambda name: SHARE[name]), False
    running: dict[str, subprocess.Popen[bytes]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < said.jobs:
                name = waiting.pop(0)
                running[name] = worker(name, counts[name], said, kept)
            for name, process in list(running.items()):
                if process.poll() is not None:
                    del running[name]
                    failed |= not told(name, process.returncode, kept)
            time.sleep(0.2)
    except KeyboardInterrupt:
        print("Stopped; what was found so far is in the files.", file=sys.stderr)
        failed = True
    finally:
        for process in running.values():
            process.kill()
    return 1 if failed else 0


def worker(name: str, inputs: int, said: argparse.Namespace, kept: Path) -> subprocess.Popen[bytes]:
    """A process that fuzzes one target."""
    (kept / f"{name}.json").unlink(missing_ok=True)
    words = [
        "--worker",
        "--target",
        name,
        "--inputs",
        str(inputs),
        "--seed",
        str(said.seed),
        "--kept",
        str(kept),
    ]
    words += ["--again", str(said.again.resolve())] if said.again else []
    with (kept / f"{name}.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.soak.fuzz", *words],
            stderr=log,
            env={**os.environ, "PYTHONHASHSEED": "0"},
        )


def told(name: str, code: int, kept: Path) -> bool:
    """Print what a target came to; whether it is free of findings."""
    file = kept / f"{name}.json"
    if not file.exists():
        now = (kept / f"{name}.now").read_bytes()
        last = kept / f"{name}-last"
        last.write_bytes(now[8 : 8 + int.from_bytes(now[:8], "big")])
        print(f"{name}: the process ended with {code} on the input in {last}")
        return False
    found = json.loads(file.read_text(encoding="utf-8"))
    print(
        f"{name}: {found['inputs']} inputs in {found['minutes']:.1f} min, "
        f"slowest {found['slowest_seconds']:.2f} s, "
        f"{found['megabytes_above_start']} MB above the start, {len(found['findings'])} findings"
    )
    for where, one in found["findings"].items():
        print(f"  {where}, {one['times']} times: {one['file']}\n{one['story']}")
    return not found["findings"]


if __name__ == "__main__":
    sys.exit(main())
