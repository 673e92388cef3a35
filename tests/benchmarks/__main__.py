"""The benchmarks of the engine, one after the other: a step, growth, many cases.

Run from the top of the project: python -m tests.benchmarks
"""

from __future__ import annotations

import runpy
import sys

PARTS = ("step", "growth", "batch")

if __name__ == "__main__":
    del sys.argv[1:]
    for part in PARTS:
        print(f"\n== {part}")
        runpy.run_module(f"tests.benchmarks.{part}", run_name="__main__")
