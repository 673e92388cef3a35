"""Where the visitor walks: the knowledge there is, invented knowledge, and databases for its jobs."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.databases import fresh
from tests.postgresql import SERVER

ROOT = Path(__file__).parent.parent.parent.parent
KINDS = ("shipped", "example", "generated")

KNOWN = ("number", "phone", "words")
"""Kinds of reading that all invented knowledge has, so that every kind of screen is there to be walked on."""
WORDS = ("lamp", "pump", "relay", "hose", "seal", "fan", "switch", "strap", "clip", "valve", "fuse", "horn")


def generated(seed: int) -> str:
    """An invented knowledge, another one for each seed, with all that the screens have to show."""
    draw = random.Random(f"knowledge {seed}")
    faults = draw.sample(WORDS, draw.randint(3, 8))
    cautions = ["hot", "code", "gas"][: draw.randint(1, 3)]
    lines = ["language: 1", "standing: estimate", "complaints:"]
    for number in range(draw.randint(1, 3)):
        causes = draw.sample(faults, draw.randint(2, len(faults)))
        weights = [draw.uniform(1, 6) for _ in causes]
        shares = ", ".join(
            f"{one}: {100 * weight / sum(weights):.1f}" for one, weight in zip(causes, weights, strict=True)
        )
        lines += [
            f"  c{number}:",
            f"    name: Complaint {number} of a car",
            "    family: made_up",
            f"    customer: It does thing {number} again",
            f"    any_of: {{{shares}}}",
            f"    unlisted: {draw.randint(3, 15)}",
            f"    check: Look for thing {number} again",
            f"    check_minutes: {draw.randint(1, 40)}",
        ]
    lines.append("faults:")
    for one in faults:
        danger = f", cautions: [{draw.choice(cautions)}]" if draw.random() < 0.4 else ""
        fits = ", given: {roof: {open: 2}}" if draw.random() < 0.3 else ""
        lines.append(
            f"  {one}: {{name: The {one} is worn, remedy: Replace the {one}, "
            f"remedy_minutes: {draw.randint(2, 120)}, "
            f"price: {draw.choice(['none', 'low', 'middling', 'high'])}{danger}{fits}}}"
        )
    lines += [
        "facts:",
        "  roof: {name: Roof of the car, ask: Has it a roof that opens?, values: {shut: 80, open: 20}}",
        "instruments:",
        "  clamp: {name: Clamp meter, units: [mA, A]}",
        "  gauge: {name: Feeler gauge, units: [mm]}",
        "setups:",
        "  asleep: {name: Car asleep, hands_on_minutes: 4, waiting_minutes: 45, steps: [Lock it, Walk away]}",
        "  shut: {name: Doors shut, hands_on_minutes: 1, waiting_minutes: 0, steps: [Shut them]}",
        "cautions:",
    ]
    signals = {"hot": "warning", "code": "notice", "gas": "danger"}
    lines += [
        f"  {one}: {{name: Mind the {one}, signal: {signals[one]}, "
        f"text: Mind it. Local rules and licensed practice come first.}}"
        for one in cautions
    ]
    lines.append("readings:")
    for number in range(draw.randint(4, 12)):
        causes = draw.sample(faults, draw.randint(1, 3))
        lines += [f"  r{number}:", f"    name: Reading {number}", f"    minutes: {draw.randint(1, 25)}"]
        lines.append("    steps: [Go there, Look at it]")
        if draw.random() < 0.3:
            lines.append(f"    cautions: [{draw.choice(cautions)}]")
        if draw.random() < 0.5:
            lines.append(f"    setup: {draw.choice(['asleep', 'shut'])}")
        kind = KNOWN[number] if number < len(KNOWN) else draw.choice(["words", "words", "phone", "number"])
        if kind == "phone":
            lines += ["    who: customer", f"    ask: Is it so with thing {number}?"]
        chances = ", ".join(f"{one}: {draw.randint(55, 94)} of 100" for one in causes)
        if kind == "number":
            unit, clamp = draw.choice([("mA", "clamp"), ("mm", "gauge")])
            lines += [
                f"    instrument: {clamp}",
                "    quantity:",
                f"      unit: {unit}",
                "      range: [0, 900]",
                "      bands: {fine: Fine, far: Far off}",
                f"      limits: [{draw.randint(2, 60)}]",
                "    noisy_or:",
                f"      leak: {draw.randint(2, 9)} of 100",
                f"      causes: {{{chances}}}",
            ]
        else:
            lines += [
                "    outcomes: {still: Still as it was, moves: It moves}",
                "    noisy_or:",
                f"      leak: {draw.randint(2, 9)} of 100",
                f"      causes: {{{chances}}}",
            ]
    return "\n".join(lines) + "\n"


def knowledge(kind: str, seed: int, folder: Path) -> Path:
    """Where a kind of knowledge lies; invented knowledge is written into the folder."""
    if kind == "shipped":
        return ROOT / "knowledge"
    if kind == "example":
        return ROOT / "knowledge" / "example"
    place = folder / "generated"
    place.mkdir(parents=True, exist_ok=True)
    (place / "generated.yaml").write_text(generated(seed), encoding="utf-8")
    return place


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """The address of a new database."""
    with fresh(kind, folder) as made:
        yield made.url


def databases() -> tuple[str, ...]:
    """The kinds of database there are here."""
    return ("sqlite", "postgresql") if os.environ.get(SERVER) else ("sqlite",)
