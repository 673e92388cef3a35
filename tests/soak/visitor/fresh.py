"""Every stored job as a fresh start of the program finds it: opened, advised on, its papers made.

`python -m tests.soak.visitor.fresh URL TIME KNOWLEDGE…` does it in a process of its own and prints JSON.
"""

from __future__ import annotations

import json
import re
import sys
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

from advisor.advice.rules import Workshop
from advisor.bench.session import Engines, Session
from advisor.case.confirmed import gather
from advisor.checks.lint import checked
from advisor.desk.call import INSPECTION, Inspection
from advisor.knowledge.knowledge import Knowledge
from advisor.store.records import StoredCase, row_of
from advisor.store.store import Store
from tests.soak.visitor.ways import ODD_NUMBERS, ODD_WORDS

PERCENT = re.compile(r"(?<![\w.,])(-?[\d.]+|nan|inf|None) ?%")
PAPERS = 4
"""Papers that are made of a job: two, each as a page and as text."""
NONSENSE = re.compile(r"Traceback \(most recent|\[Errno \d+\]|\bnan\b|\b-?inf\b|<[\w.]+ object at 0x")


def most_percent(knowledge: Knowledge) -> float:
    """The largest share that can be meant: there is no end where readings are shares themselves."""
    units = [one.quantity.unit for one in knowledge.readings.values() if one.quantity]
    return inf if any(one is not None and "%" in one for one in units) else 100.0


def wrong_in(words: str, most: float = 100.0) -> str:
    """What in some words no person should ever read, or ""; no share is larger than `most` percent."""
    found = NONSENSE.search(words)
    if found:
        return f"'{found[0]}' stands there"
    for number in PERCENT.findall(words):
        try:
            share = float(number)
        except ValueError:
            return f"{number} % stands there"
        if not (0 <= share <= most or (share < 0 and most == inf)):
            return f"{number} % stands there"
    return ""


def without_typed(words: str) -> str:
    """What the program says of its own, without what a visitor has typed in earnest or for fun."""
    for one in (*ODD_NUMBERS, *ODD_WORDS):
        if len(one.strip()) > 2:
            words = words.replace(one, "").replace(one.strip(), "")
    return words


def advised(session: Session) -> dict[str, Any]:
    """What a job comes to, to be compared."""
    advice = session.advice
    return {
        "entries": [list(row_of(one)) for one in session.case.entries],
        "suspects": {one.fault: one.probability for one in advice.suspects},
        "proposals": [one.reading for one in advice.proposals],
        "bits": [one.expected_information_bits for one in advice.proposals],
        "stop": [advice.stop.reason, advice.stop.fault] if advice.stop else None,
    }


def differ(one: dict[str, Any], other: dict[str, Any], waits: bool = False) -> str:
    """Where two accounts of a job differ, or ""; with `waits` what hangs on the time is left out."""
    if one.keys() != other.keys():
        return f"{sorted(one)} and {sorted(other)}"
    for name in ("entries", *(() if waits or "stop" not in one else ("stop", "proposals"))):
        if one[name] != other[name]:
            return f"{name}: {one[name]} and {other[name]}"
    suspects, others = one.get("suspects", {}), other.get("suspects", {})
    if suspects.keys() != others.keys():
        return "suspects: other ones"
    for fault, chance in suspects.items():
        if not abs(chance - others[fault]) <= 1e-9:
            return f"the probability of {fault}: {chance!r} and {others[fault]!r}"
    return ""


def told(engines: Engines, store: Store, filed: StoredCase) -> tuple[dict[str, Any], list[str]]:
    """What a stored job comes to and what is wrong with that or its papers, opened as the program does."""
    account: dict[str, Any]
    if filed.case.complaint == INSPECTION:
        sheet = Inspection.of(engines.knowledge, store, filed).sheet
        account = {"entries": [list(row_of(one)) for one in filed.case.entries]}
        return account, wrong_on_papers({"booking sheet": sheet}, filed.tag, most_percent(engines.knowledge))
    session = Session.opened(engines, store, filed, Workshop())
    account, wrong = advised(session), []
    if not all(0 <= chance <= 1 for chance in account["suspects"].values()):
        wrong.append(f"no probability: {account['suspects']}")
    if not all(0 <= bits < 100 for bits in account["bits"]):
        wrong.append(f"no information: {account['bits']}")
    papers = {
        "job card": partial(session.job_card, customer=False),
        "customer page": partial(session.job_card, customer=True),
    }
    wrong += wrong_on_papers(papers, filed.tag, most_percent(session.knowledge))
    session.worked_out()
    return account, wrong


def wrong_on_papers(papers: Mapping[str, Callable[[Any], str]], tag: str, most: float) -> list[str]:
    """What is wrong on papers; each is made as a page and as text."""
    wrong = []
    for name, made in papers.items():
        page, card = made("html"), made("markdown")
        if not card.strip() or "</html>" not in page:
            wrong.append(f"an empty {name}")
        found = wrong_in(without_typed(card.replace(tag, "")), most)
        if found:
            wrong.append(f"{found} on the {name}")
    return wrong


def counted_twice(knowledge: Knowledge, filed: Iterable[StoredCase]) -> list[str]:
    """Jobs that learning takes for more or fewer than they are."""
    jobs = list(filed)
    gathered = gather(knowledge, [one.case for one in jobs])
    if len(gathered.findings) + sum(gathered.excluded.values()) != len(jobs):
        return ["learning counts another number of jobs than there are"]
    closed = sum(one.case.closed is not None for one in jobs)
    if len(gathered.findings) > closed:
        return [f"learning counts {len(gathered.findings)} of {closed} closed jobs"]
    return []


def look(
    engines: Engines, store: Store, numbers: Sequence[int] | None = None
) -> tuple[dict[int, dict[str, Any]], list[str]]:
    """Open the stored jobs, or those with these numbers, and make their papers; what is wrong comes last."""
    accounts, wrong = {}, []
    jobs = store.cases()
    for filed in jobs:
        if numbers is not None and filed.number not in numbers:
            continue
        try:
            accounts[filed.number], found = told(engines, store, filed)
        except Exception:  # noqa: BLE001  # whatever it is, it is told
            found = [traceback.format_exc()]
        wrong += [f"job {filed.number}: {one}" for one in found]
    return accounts, wrong + counted_twice(engines.knowledge, jobs)


def main() -> int:
    """Look at all jobs of a database; prints what they come to and what is wrong."""
    url, time, *paths = sys.argv[1:]
    now = datetime.fromisoformat(time)
    store = Store(url, lambda: now)
    try:
        accounts, wrong = look(Engines(checked([Path(one) for one in paths])), store)
    finally:
        store.close()
    print(json.dumps({"accounts": accounts, "wrong": wrong}))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
