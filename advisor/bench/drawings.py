"""Drawings of how readings are taken: for the job card, and as a page of their own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from advisor.bench.history import History
from advisor.bench.wording import caution_words
from advisor.case.setups import used_setups
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.knowledge.vocabulary import Reading, Setup
from advisor.papers.document import Bullets, Drawing, Paper, Paragraph, Part, Section

LOCAL_RULES = "Local rules, licensed practice and the figures of the vehicle at hand come first."


def pictured(knowledge: Knowledge, reading: str, setups: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Return, as section and id, what has a drawing: the setups that are made, and the reading."""
    about = [*(("setups", setup) for setup in setups), ("readings", reading)]
    return tuple(one for one in dict.fromkeys(about) if one in knowledge.pictures)


def how_to_page(knowledge: Knowledge, shown: Iterable[tuple[str, str]], cautions: Iterable[str]) -> Paper:
    """Return a page with drawings, the steps they belong to, and what can hurt."""
    sections, titles = [], []
    for section, name in shown:
        item = _item(knowledge, section, name)
        titles.append(item.name)
        sections.append(Section(item.name, (_drawing(knowledge, section, name), Bullets(item.steps))))
    warned = tuple(Paragraph(caution_words(knowledge, one), strong=True) for one in cautions)
    if warned:
        sections.insert(0, Section("First", warned))
    return Paper("How it is done", " · ".join(titles), tuple(sections), (LOCAL_RULES,), titles[-1])


def drawings(history: History) -> Iterator[Part]:
    """Yield the drawings of the next reading and of those taken, with their setups, each drawing once."""
    knowledge, case, found = history.knowledge, history.case, history.found
    upcoming = () if case.closed or found.stop else tuple(one.reading for one in found.left[:1])
    about: dict[str, tuple[str, str]] = {}
    for reading in (*upcoming, *case.taken):
        setups = setups_of(knowledge, reading) if reading in knowledge.readings else ()
        for section, name in pictured(knowledge, reading, setups):
            about.setdefault(knowledge.pictures[(section, name)].markup, (section, name))
    for setup in used_setups(knowledge, case):
        for section, name in pictured(knowledge, "", (setup,)):
            about.setdefault(knowledge.pictures[(section, name)].markup, (section, name))
    for section, name in about.values():
        yield _drawing(knowledge, section, name, "Next: " if name in upcoming else "")


def _drawing(knowledge: Knowledge, section: str, name: str, before: str = "") -> Drawing:
    picture = knowledge.pictures[(section, name)]
    caption = f"{before}{_item(knowledge, section, name).name}"
    return Drawing(caption, picture.markup, picture.labels)


def _item(knowledge: Knowledge, section: str, name: str) -> Reading | Setup:
    return knowledge.readings[name] if section == "readings" else knowledge.setups[name]
