"""Count how the sentences of callers are heard: `python -m tests.sentences.measure [--each]`.

Every file of this folder that ends in `.tsv` is measured by itself. A line is a class, a label and a
sentence; the sentences are invented. Five people wrote them who knew neither the program nor its words. A
label is the truth as a careful owner would see it (common practice, no source), and stays as written.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from advisor.checks.lint import checked
from advisor.desk.questions import fitting
from advisor.knowledge.knowledge import Knowledge

FOLDER = Path(__file__).parent
SHIPPED = FOLDER.parent.parent / "knowledge"
KILLS = frozenset(
    (
        "smoke_or_fire",
        "brakes_fail",
        "steering_fails",
        "fuel_escapes",
        "exhaust_inside",
        "somebody_hurt",
        "high_voltage_hurt",
        "boils_over",
        "battery_hurt",
    )
)
"""Labels of what can kill."""
AS_GRAVE = {
    "boils_over": ("lamp_temperature",),
    "red_lamp": ("lamp_oil", "lamp_temperature", "lamp_brake", "lamp_charge", "brakes_fail", "boils_over"),
    "belt_slips": ("lamp_charge",),
}
"""Dangers that are at least as grave as a label, and tell the caller to do what that one tells."""
COMPLAINTS = {
    "flat_battery": ("flat_battery",),
    "runs_down_driving": ("flat_battery",),
    "water_inside": ("water_inside",),
    "wind_noise": ("wind_noise",),
    "misting": ("misting_glass",),
    "poor_cooling": ("poor_cooling", "uneven_vents", "heat_one_side"),
    "poor_heating": ("no_heat",),
    "smell_in_air": ("smell",),
    "fan": ("no_air",),
}
"""The complaints that are right for a label of the class `plain`; cooling may differ from side to side."""


@dataclass(frozen=True)
class Sentence:
    """What somebody says, and what it means."""

    kind: str
    label: str
    words: str


@dataclass(frozen=True)
class Outcome:
    """How one sentence was heard: dangers that are sure and asked about, and the complaints offered."""

    sentence: Sentence
    sure: tuple[str, ...]
    asked: tuple[str, ...]
    complaints: tuple[str, ...]

    @property
    def meant(self) -> tuple[str, ...]:
        """Return the dangers that are right for the label."""
        return (self.sentence.label, *AS_GRAVE.get(self.sentence.label, ()))

    @property
    def raised(self) -> bool:
        """Whether the right danger is told or asked about, or which lamp it is."""
        lamps = ("lamp_unclear",) if self.sentence.label == "red_lamp" else ()
        return bool({*self.meant, *lamps}.intersection((*self.sure, *self.asked)))

    @property
    def told(self) -> bool:
        """Whether the right danger is told at once, without asking."""
        return bool(set(self.meant).intersection(self.sure))

    @property
    def right_complaint(self) -> bool:
        """Whether the complaint of the label is among those offered."""
        return bool(set(COMPLAINTS.get(self.sentence.label, ())).intersection(self.complaints))


@dataclass(frozen=True)
class Figures:
    """How many sentences of each class there are, and how many were heard wrongly."""

    kills: int
    kills_missed: int
    kills_asked_only: int
    others: int
    others_missed: int
    others_asked_only: int
    harmless: int
    false_alarms: int
    needlessly_asked: int
    negated: int
    negated_sure: int
    negated_silent: int
    outside: int
    outside_complaint: int
    plain: int
    plain_not_offered: int

    def lines(self) -> Iterator[str]:
        """Yield the figures as they are read."""
        kills = f"{self.kills_missed} of {self.kills} missed, {self.kills_asked_only} only asked about"
        yield f"can kill: {kills}"
        yield (
            f"other dangers: {self.others_missed} of {self.others} missed, "
            f"{self.others_asked_only} only asked about"
        )
        yield (
            f"plain and outside: {self.false_alarms} of {self.harmless} told of a danger, "
            f"{self.needlessly_asked} asked about one"
        )
        yield (
            f"negated: {self.negated_sure} of {self.negated} told of a danger, "
            f"{self.negated_silent} not asked about it"
        )
        yield f"outside: {self.outside_complaint} of {self.outside} taken for a complaint"
        yield f"plain: {self.plain_not_offered} of {self.plain} without the right complaint"


def sentences(file: Path) -> tuple[Sentence, ...]:
    """Return the sentences of a file."""
    lines = file.read_text(encoding="utf-8").splitlines()
    return tuple(Sentence(*line.split("\t")) for line in lines if line)


def outcomes(knowledge: Knowledge, file: Path) -> tuple[Outcome, ...]:
    """Return how each sentence of a file is heard."""
    return tuple(_outcome(knowledge, one) for one in sentences(file))


def _outcome(knowledge: Knowledge, sentence: Sentence) -> Outcome:
    found = fitting(knowledge, sentence.words)
    sure = tuple(one.danger for one in found.dangers if one.sure)
    asked = tuple(one.danger for one in found.dangers if not one.sure)
    return Outcome(sentence, sure, asked, found.complaints)


def figures(heard: tuple[Outcome, ...]) -> Figures:
    """Return how often sentences were heard wrongly.

    A danger is missed that is neither told nor asked about. Of a danger that is denied, or a word of danger
    meant otherwise, nothing may be told, and it is to be asked about.
    """
    of = {kind: [one for one in heard if one.sentence.kind == kind] for kind in KINDS}
    dangers = [*of["danger"], *of["misspelt"]]
    kills = [one for one in dangers if one.sentence.label in KILLS]
    others = [one for one in dangers if one.sentence.label not in KILLS]
    harmless = [*of["plain"], *of["outside"]]
    return Figures(
        kills=len(kills),
        kills_missed=sum(not one.raised for one in kills),
        kills_asked_only=sum(one.raised and not one.told for one in kills),
        others=len(others),
        others_missed=sum(not one.raised for one in others),
        others_asked_only=sum(one.raised and not one.told for one in others),
        harmless=len(harmless),
        false_alarms=sum(bool(one.sure) for one in harmless),
        needlessly_asked=sum(bool(one.asked) and not one.sure for one in harmless),
        negated=len(of["negated"]),
        negated_sure=sum(bool(one.sure) for one in of["negated"]),
        negated_silent=sum(not one.raised for one in of["negated"]),
        outside=len(of["outside"]),
        outside_complaint=sum(bool(one.complaints) for one in of["outside"]),
        plain=len(of["plain"]),
        plain_not_offered=sum(not one.right_complaint for one in of["plain"]),
    )


KINDS = ("danger", "misspelt", "negated", "plain", "outside")


def files() -> tuple[Path, ...]:
    """Return the files of sentences."""
    return tuple(sorted(FOLDER.glob("*.tsv")))


def wrong(one: Outcome) -> str:
    """Say what is wrong about how a sentence was heard; "" where nothing is."""
    kind = one.sentence.kind
    if kind in ("danger", "misspelt"):
        return "" if one.told else "asked" if one.raised else "MISSED"
    if one.sure:
        return "FALSE ALARM"
    if kind == "negated":
        return "" if one.raised else "silent"
    if kind == "outside" and one.complaints:
        return "not outside"
    if kind == "plain" and not one.right_complaint:
        return "not offered"
    return "asked needlessly" if one.asked else ""


def main() -> None:
    """Print the figures of every file, with `--each` every sentence that was heard wrongly before them."""
    knowledge = checked([SHIPPED])
    for file in files():
        heard = outcomes(knowledge, file)
        print(file.name)
        for one in heard if "--each" in sys.argv else ():
            if said := wrong(one):
                shown = (said, one.sentence.kind, one.sentence.label, one.sentence.words)
                print(
                    "  ",
                    "\t".join((*shown, ",".join(one.sure), ",".join(one.asked), ",".join(one.complaints))),
                )
        for line in figures(heard).lines():
            print("  ", line)


if __name__ == "__main__":
    main()
