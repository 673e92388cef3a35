"""The papers of a job: what a reader of the card finds, and what the customer is told."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from advisor.advice.rules import Workshop
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines, Session
from advisor.case.case import Case
from advisor.case.entries import (
    Accounted,
    Acknowledged,
    Booked,
    Checked,
    Closed,
    Ended,
    Entry,
    Known,
    Measured,
    Prepared,
    Repaired,
    Seen,
    Skipped,
    TakenBack,
)
from advisor.case.setups import minutes
from advisor.checks.lint import checked
from advisor.desk.call import INSPECTION
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge
from advisor.model.observation import Measurement
from advisor.papers.chart import HEIGHT, LEADING, LINES, Chart, Line, Point, chart_svg, spread
from advisor.papers.document import Paper, Paragraph, Section, html, markdown
from advisor.papers.format import age, percent, when
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.conftest import Ran

Advisor = Callable[..., Ran]

BEGUN = datetime(2030, 3, 4, 8, 5, tzinfo=UTC)
PRINTED = "2030-03-04T17:00:00+00:00"
HOSTILE = "<script>alert(1)</script> | [x](javascript:1) `a` *b* ~~c~~ </style> & &lt; www.a.b"


@dataclass
class Bench:
    """A store with a clock that is set by hand, and the shipped knowledge."""

    engines: Engines
    url: str
    store: Store = field(init=False)
    now: datetime = BEGUN

    def __post_init__(self) -> None:
        self.store = Store(self.url, lambda: self.now)

    def wait(self, minutes: float) -> None:
        """Let time pass."""
        self.now += timedelta(minutes=minutes)

    def opened(self, tag: str = "Grey estate", about: str = "flat_battery") -> StoredCase:
        """A new job, opened with the knowledge at hand."""
        return self.store.open_case(tag, about, self.engines.knowledge.version)

    def filed(self, *entries: Entry, tag: str = "Grey estate") -> StoredCase:
        """A new job with these entries, a minute between two of them; nothing asks whether they can be."""
        filed = self.opened(tag)
        for entry in entries:
            self.wait(1)
            filed = self.store.append(filed, entry)
        return filed

    def card(self, filed: StoredCase, **preferences: str) -> Paper:
        """The card of a job."""
        return job_card(self.engines.knowledge, self.engines.of, filed, preferences, PRINTED)

    def sheet(self, filed: StoredCase) -> Paper:
        """The customer's page of a job."""
        return customer_sheet(self.engines.knowledge, self.engines.of, filed, {}, PRINTED)


@pytest.fixture(scope="module")
def engines(shipped: Knowledge) -> Engines:
    """The engines of the shipped knowledge, made once."""
    return Engines(shipped)


@pytest.fixture
def bench(engines: Engines, tmp_path: Path) -> Iterator[Bench]:
    """A bench with an empty store."""
    made = Bench(engines, f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield made
    made.store.close()


def measured(reading: str, value: float, instrument: str, typed: str) -> Measured:
    """A quantity read directly."""
    return Measured(reading, (Measurement(reading, value, instrument, typed),))


DRAW = measured("sleeping_current", 430.0, "low_current_clamp", "0.43 A")


def boot_lamp(bench: Bench) -> StoredCase:
    """An invented job from complaint to close: a lamp in the boot, found by a number and a camera."""
    session = Session.opened(bench.engines, bench.store, bench.opened(), Workshop())
    session = session.knows({"battery_type": "agm", "battery_age": "two_to_five_years"})
    bench.wait(2)
    session = session.saw("flat_overnight", "one_night", 0.9)
    session = session.saw("short_trips", "little_use")
    bench.wait(1)
    session = session.taken_back(4, "Asked the wrong person")
    session = session.saw("short_trips", "regular")
    bench.wait(2)
    session = session.acknowledged(["battery_acid"]).prepared(["asleep"])
    bench.wait(75)
    clamp = {"sleeping_current": "low_current_clamp"}
    session = session.measured(session.understand("sleeping_current", {"sleeping_current": "0.43 A"}, clamp))
    session = session.skipped("unit_unplugged", "Trim has to stay in")
    session = session.accounted("dash adaptor", "21 mA", "low_current_clamp")
    bench.wait(12)
    camera = {"suspect_surface": "thermal_camera", "neighbour_surface": "thermal_camera"}
    warm = {"suspect_surface": "24.5", "neighbour_surface": "20.1"}
    session = session.measured(session.understand("warm_boot", warm, camera))
    session = session.ended("asleep", "Boot opened").repaired("boot_lamp")
    bench.wait(40)
    return session.checked(gone=True).closed("boot_lamp", "Striker was bent.").filed


def table(text: str, heading: str) -> list[list[str]]:
    """The rows of the first table below a heading, as cells."""
    lines = text.split(f"\n## {heading}\n", 1)[1].split("\n## ")[0].splitlines()
    rows = [line for line in lines if line.startswith("|")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]] for row in rows[2:]]


def section(text: str, heading: str) -> str:
    """What stands below a heading."""
    return text.split(f"\n## {heading}\n", 1)[1].split("\n## ")[0]


def row_of(rows: list[list[str]], step: int) -> list[str]:
    """The row of a step that counts."""
    return next(row for row in rows if row[0] == str(step))


class _Seen(HTMLParser):
    """The elements of a page with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Remember an element."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Remember text, with breaks for what keeps numbers and units together."""
        self.text += data.replace("\u00a0", " ")


# ----------------------------------------------------------------------------------------------- the card


def test_every_reading_stands_with_value_instrument_and_effect(bench: Bench) -> None:
    """In order: when and what was read, the number as typed and worked out, with what, and what moved."""
    filed = boot_lamp(bench)
    card = bench.card(filed)
    rows = table(markdown(card), "Readings and repairs, in order")
    assert row_of(rows, 3)[2:4] == [
        "Flat after a single night",
        "One night is enough, and more than once; 90 % sure",
    ]
    current = row_of(rows, 9)
    assert current[1] == when(filed.times[8], year=False)
    assert current[2:5] == [
        "Quiescent current",
        "0.43 A; = 430 mA ± 4.8 mA; High",
        "Low-current DC clamp, 1 mA",
    ]
    assert re.fullmatch(r"[▲▼] .+ \d+ % → \d+ %", current[5])
    warm = row_of(rows, 12)
    assert warm[3].endswith(
        "24.5 °C; Temperature beside it: 20.1 °C; = 4.4 K ± 0.24 K; Warmer than the trim around it"
    )
    assert re.fullmatch(r"▲ Boot lamp stays lit \d+ % → 6\d %", warm[5])
    steps = [int(row[0].strip("~")) for row in rows]
    assert steps == sorted(steps)
    text = _Seen(html(card)).text
    for cell in (*current[2:3], *current[4:], *warm[2:3], *warm[4:]):
        assert cell in text


def test_numbers_stand_in_the_preferred_unit(bench: Bench) -> None:
    """Who prefers Fahrenheit finds a temperature difference in it, its uncertainty too."""
    rows = table(markdown(bench.card(boot_lamp(bench), temperature="°F")), "Readings and repairs, in order")
    assert "= 7.92 Δ°F ± 0.44 Δ°F" in row_of(rows, 12)[3]


def test_a_step_taken_back_is_struck_through_with_its_reason(bench: Bench) -> None:
    """What no longer counts stays on the card, struck through, with when and why it was taken back."""
    card = bench.card(boot_lamp(bench))
    struck = next(row for row in table(markdown(card), "Readings and repairs, in order") if row[0] == "~~4~~")
    assert struck[2:4] == ["~~Short trips or weeks of standing~~", "~~Short trips, or weeks of standing~~"]
    assert re.fullmatch(r"Taken back in step 5, .+: Asked the wrong person", struck[5])
    assert html(card).count("<del>") == 5
    assert "<del>Short trips, or weeks of standing</del>" in html(card)


def test_an_answer_given_again_names_the_later_one(bench: Bench) -> None:
    """A reading answered twice shows that the first answer gave way; a number taken twice is averaged."""
    filed = bench.filed(Seen("bus_active", "busy"), DRAW, Seen("bus_active", "silent"), DRAW)
    rows = table(markdown(bench.card(filed)), "Readings and repairs, in order")
    assert row_of(rows, 1)[5].endswith("; Answered again in step 3")
    assert "from 2 takes" in row_of(rows, 4)[3]
    assert "Answered again" not in row_of(rows, 2)[5]


def test_a_repair_that_helped_is_told_at_the_top(bench: Bench) -> None:
    """Cause, remedy with its time, the complaint after it, and the remark stand at the top."""
    filed = boot_lamp(bench)
    result = section(markdown(bench.card(filed)), "Result")
    assert f"- **State:** Closed {when(filed.last_modified)}" in result
    assert "- **Cause:** Boot lamp stays lit" in result
    repair = next(entry for entry in filed.case.entries if isinstance(entry, Repaired))
    done = f"{when(repair.at)}: Boot lamp stays lit. Press the lamp switch by hand"
    assert done in result
    assert "- **Complaint after it:** Gone" in result
    assert "Striker was bent." in result


def test_an_open_job_says_so(bench: Bench) -> None:
    """A job that is not closed is called open, with what is most suspected now and its probability."""
    result = section(markdown(bench.card(bench.filed(DRAW))), "Result")
    assert "- **State:** Still open" in result
    assert re.search(r"\*\*Most suspected now:\*\* .+, \d+ %; .+, \d+ %; .+, \d+ %", result)
    assert "- **Remedy done:** None" in result


@pytest.mark.parametrize(
    ("filmed", "searched", "told"),
    [
        (
            "burns",
            "This cause was proved before the repair",
            "We confirmed it on the car before we repaired anything.",
        ),
        (
            "dark",
            "This cause was not proved before the repair",
            "it was not confirmed beforehand",
        ),
    ],
)
def test_the_papers_say_whether_the_cause_was_proved(
    bench: Bench, filmed: str, searched: str, told: str
) -> None:
    """For the file what the search had come to before the repair, for the customer in plain words."""
    read: list[Entry] = [DRAW, Seen("warm_boot", "warm"), Seen("boot_filmed", filmed)]
    filed = bench.filed(*read, Repaired("boot_lamp", PRINTED), Closed("boot_lamp", ""))
    assert searched in section(markdown(bench.card(filed)), "Result")
    assert told in " ".join(section(markdown(bench.sheet(filed)), "What we found").split())


def test_a_repair_that_did_not_help_is_told(bench: Bench) -> None:
    """The complaint that came back after a remedy stands in the result; before the check that is said too."""
    repaired = bench.filed(DRAW, Repaired("boot_lamp", BEGUN.isoformat()))
    assert "- **Complaint after it:** Not looked for again yet" in markdown(bench.card(repaired))
    still = bench.store.append(repaired, Checked("flat_battery", "still there"))
    assert "- **Complaint after it:** Still there" in markdown(bench.card(still))
    assert "it is still there" in section(markdown(bench.sheet(still)), "Is it gone?")


def test_facts_versions_and_minutes_stand_on_the_card(bench: Bench) -> None:
    """Vehicle facts, the knowledge before and now, and the planned minutes with every setup counted once."""
    filed = boot_lamp(bench)
    job = section(markdown(bench.card(filed)), "The job")
    assert "- **Type of battery:** AGM" in job
    assert f"Opened with version {filed.knowledge}; This card weighed by version {filed.knowledge}" in job
    knowledge = bench.engines.knowledge
    taken = [minutes_for(knowledge, knowledge.readings[one].minutes, {}) for one in filed.case.taken]
    setups = [knowledge.setups[one] for one in ("meter_checked", "asleep")]
    hands_on = sum(minutes_for(knowledge, one.hands_on_minutes, {}) for one in setups)
    waiting = sum(minutes_for(knowledge, one.waiting_minutes, {}) for one in setups)
    assert minutes(knowledge, filed.case) == (sum(taken) + hands_on, waiting)
    assert "1 h waiting" in job


def test_what_was_skipped_prepared_and_cautioned_is_listed(bench: Bench) -> None:
    """Readings not taken with their reason, setups with their times, cautions with when they were read."""
    filed = boot_lamp(bench)
    text = markdown(bench.card(filed))
    assert "- Current when a suspect unit is unplugged: Trim has to stay in" in text
    name, begun, ended = table(text, "Setups")[0]
    assert name == "Car asleep, latches closed by hand"
    assert begun == when(filed.case.entries[7].at, year=False)  # type: ignore[union-attr]
    assert ended.endswith(": Boot opened")
    cautions = {row[0]: row[2] for row in table(text, "Cautions")}
    assert cautions["Battery acid and gas"].startswith("4 Mar")
    assert cautions["High-voltage vehicles"] == "Not noted"


def test_a_setup_that_nobody_noted_is_named_where_readings_needed_it(bench: Bench) -> None:
    """A number read of the sleeping car needs the setup, whether or not its beginning was entered."""
    rows = table(markdown(bench.card(bench.filed(DRAW))), "Setups")
    assert rows == [
        ["Clamp or meter checked", "Not noted, but needed", "Not noted"],
        ["Car asleep, latches closed by hand", "Not noted, but needed", "Not noted"],
    ]


def test_the_account_of_the_draw_stands_in_numbers(bench: Bench) -> None:
    """Total, parts and what is left are on the card once the total was measured, and not before."""
    account = section(markdown(bench.card(boot_lamp(bench))), "Account of the draw")
    assert "- **Total draw:** 430 mA ± 4.8 mA" in account
    assert "- **Found: dash adaptor:** 21 mA ± 4.1 mA" in account
    assert "there is another one" in account
    assert "Account" not in markdown(bench.card(bench.filed(Seen("bus_active", "busy"))))


def test_readings_that_disagree_are_a_warning(bench: Bench) -> None:
    """Where readings speak against each other the card names the one to repeat, in both forms."""
    sleepy = measured("sleeping_current", 8.0, "low_current_clamp", "8 mA")
    filed = bench.filed(sleepy, *(Seen(one, "flows") for one in ("fuse_interior", "fuse_audio")))
    filed = bench.store.append(filed, Seen("relay_pulled", "falls"), Seen("night_log", "over"))
    card = bench.card(filed)
    assert "The readings disagree" in section(markdown(card), "Result")
    assert "Repeat “" in _Seen(html(card)).text


def test_local_rules_come_first(bench: Bench) -> None:
    """Every card ends by saying that it is advice, and what comes before it."""
    for text in (markdown(bench.card(bench.opened())), html(bench.card(bench.opened()))):
        assert "This card is advice" in text
        assert "licensed practice" in text


def test_what_the_knowledge_has_dropped_is_kept_and_said(bench: Bench) -> None:
    """A reading that is not in the knowledge any more stays on the card and counts for nothing."""
    filed = bench.filed(Seen("old_trick", "it_hums"), Skipped("older_trick", "No time"))
    text = markdown(bench.card(filed))
    row = row_of(table(text, "Readings and repairs, in order"), 1)
    assert row[2:] == ["old trick", "it hums", "", "Counts for nothing: not in this knowledge any more"]
    assert "- older trick: No time" in text
    assert "old trick: it hums" in markdown(bench.sheet(filed))


def test_evidence_that_clashes_leaves_a_card_without_beliefs(tmp_path: Path, clashing: Path) -> None:
    """The readings are all there, the clash is told in words, and no suspicion is shown."""
    bench = Bench(Engines(checked([clashing])), f"sqlite:///{tmp_path / 'cases.sqlite'}")
    filed = bench.store.append(bench.opened(about="c"), Seen("tap", "dull"), Seen("seat", "off"))
    text = markdown(bench.card(filed))
    assert "These answers contradict each other" in section(text, "Result")
    assert [row[2:4] for row in table(text, "Readings and repairs, in order")] == [
        ["Tap the glass", "Dull"],
        ["Glass in its seat", "Off its seat"],
    ]
    assert "Suspicion" not in text.replace("no suspicion", "")
    assert "→" not in text
    assert "does not fit together" in markdown(bench.sheet(filed))
    bench.store.close()


def test_of_equal_causes_the_customer_is_told_the_one_that_leads_on_the_screen(
    tmp_path: Path, clashing: Path
) -> None:
    """That is the first by id, here as everywhere."""
    clashing.write_text(
        clashing.read_text(encoding="utf-8").replace("strap: 60, glass: 45", "strap: 60, glass: 60"),
        encoding="utf-8",
    )
    bench = Bench(Engines(checked([clashing])), f"sqlite:///{tmp_path / 'cases.sqlite'}")
    filed = bench.opened(about="c")
    session = Session.opened(bench.engines, bench.store, filed, Workshop())
    assert [one.fault for one in session.advice.suspects[:2]] == ["glass", "strap"]
    assert "most points to this: Fault glass." in section(markdown(bench.sheet(filed)), "What we found")
    bench.store.close()


# ------------------------------------------------------------------------------------------ nothing gets out


def hostile(bench: Bench) -> StoredCase:
    """A job in which every text that people can type is hostile."""
    return bench.filed(
        Known("battery_type", HOSTILE),
        Seen(HOSTILE, HOSTILE),
        Measured("sleeping_current", (Measurement("sleeping_current", 430.0, HOSTILE, HOSTILE),)),
        Accounted(HOSTILE, Measurement("part", 21.0, HOSTILE, HOSTILE)),
        Skipped("bus_active", HOSTILE),
        Prepared(HOSTILE, HOSTILE),
        Ended(HOSTILE, HOSTILE),
        Acknowledged(HOSTILE, HOSTILE),
        Seen("first_time", "again"),
        TakenBack(9, HOSTILE),
        Repaired(HOSTILE, HOSTILE),
        Closed(HOSTILE, HOSTILE),
        tag=HOSTILE,
    )


@pytest.mark.parametrize("paper", ["card", "sheet"])
def test_hostile_text_stays_text(bench: Bench, paper: str) -> None:
    """Whatever was typed for a tag, a remark or a reason is shown as it is and becomes no markup."""
    filed = hostile(bench)
    document = bench.card(filed) if paper == "card" else bench.sheet(filed)
    page, text = html(document), markdown(document)
    seen = _Seen(page)
    assert {tag for tag, _ in seen.tags}.isdisjoint({"script", "a", "img", "iframe", "link", "object"})
    assert page.count("</style>") == 1
    assert HOSTILE.split(" |")[0] in seen.text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; | [x](javascript:1)" in page
    assert "<" not in text
    assert r"&lt;script&gt;alert(1)&lt;/script&gt; \| \[x\](javascript:1) \`a\` \*b\* \~\~c\~\~" in text
    assert not re.search(r"(?<!\\)\[|(?<!\\)`|www\.", text)
    widths = {
        (at, len(row))
        for at in ("Setups", "Readings and repairs, in order")
        if paper == "card"
        for row in table(text, at)
    }
    assert widths in ({("Setups", 3), ("Readings and repairs, in order", 6)}, set())


@pytest.mark.parametrize(
    "text", ["# a", "- a", "+ a", "1. a", "1) a", "===", "---", "> a", "a\n# b", "_a_", "&amp;"]
)
def test_a_paragraph_is_never_a_heading_or_a_list(text: str) -> None:
    """Text that begins as Markdown's own marks do is escaped."""
    written = markdown(Paper("T", "", (Section("S", (Paragraph(text),)),), (), "")).splitlines()[-1]
    assert not re.match(r"#|[-+>] |\d+[.)] |=+$|-+$", written)
    assert not re.search(r"(?<!\\)(_|&a)", written)


@pytest.mark.parametrize(
    "entries",
    [
        (TakenBack(1, ""),),
        (TakenBack(2, ""), TakenBack(1, "")),
        (Measured("sleeping_current", (Measurement("sleeping_current", 430.0, "", "430 mA"),)),
         Measured("sleeping_current", ())),
    ],
    ids=["itself", "each other", "an empty take"],
)  # fmt: skip
def test_records_that_make_no_sense_still_give_a_card(bench: Bench, entries: tuple[Entry, ...]) -> None:
    """Steps that take back themselves or each other, and a take without a number, are told as they are."""
    case = replace(bench.opened(), case=Case("flat_battery", entries), times=(PRINTED,) * len(entries))
    assert "Grey estate" in markdown(bench.card(case))


def test_invisible_characters_are_made_visible() -> None:
    """Control characters, and those that turn the writing round, cannot disguise what was typed."""
    for write in (markdown, html):
        assert "a\ufffdb c\ufffdd" in write(Paper("a\u202eb\nc\x1bd", "", (), (), "a\u202eb"))


def test_the_page_loads_nothing(bench: Bench) -> None:
    """No address, no picture file, no font, no script: what is printed is what is in the file."""
    for document in (bench.card(boot_lamp(bench)), bench.sheet(hostile(bench))):
        page = html(document)
        assert not re.search(
            r"https?:|src\s*=|url\((?!data:)|@import|<link|<script|href", page, re.IGNORECASE
        )
        assert "http" not in page


# ---------------------------------------------------------------------------------------------- the picture


def test_the_picture_tells_its_lines_apart_without_colour(bench: Bench) -> None:
    """The leading causes have dash patterns and markers of their own, and are named at their ends."""
    page = html(bench.card(boot_lamp(bench)))
    picture = page[page.index("<svg") : page.index("</svg>")]
    lines = re.findall(r"<polyline[^>]*>", picture)
    dashes = [re.findall(r'stroke-dasharray="([^"]*)"', line) for line in lines]
    assert len(lines) == len({str(one) for one in dashes}) == len(LINES)
    assert "Boot lamp stays lit" in _Seen(picture).text
    colours = re.findall(r'(?:fill|stroke)="(#[0-9a-f]+)"', picture)
    assert all(len(set(colour[1:])) == 1 for colour in colours)


def test_the_numbers_of_the_picture_stand_in_a_table(bench: Bench) -> None:
    """In Markdown the suspicion is a table: a row for a step that moved something, a column for a cause."""
    filed = boot_lamp(bench)
    text = section(markdown(bench.card(filed)), "Suspicion over the steps")
    head = [cell.strip() for cell in text.strip().splitlines()[0].split("|")[1:-1]]
    assert head[:2] == ["Step", "What"]
    column = head.index("Boot lamp stays lit")
    rows = {row[0]: row[column] for row in table("\n## S\n" + text, "S")}
    stages = Session.opened(bench.engines, bench.store, filed, Workshop()).stages
    assert "7" not in rows  # the caution that was read
    for step in (3, 9, 12):
        assert rows[str(step)] == percent(stages[step]["boot_lamp"])


@pytest.mark.parametrize(
    "ends", [(0.0,) * 5, (1.0,) * 5, (0.5, 0.5, 0.49, 0.48, 0.5), (0.9, 0.05, 0.03, 0.01, 0.0)]
)
def test_names_at_the_line_ends_do_not_overlap(ends: tuple[float, ...]) -> None:
    """However close the lines end, every line of a name has its own height, within the picture."""
    long = "A cause with a name so long that it takes two lines of the picture, or nearly three of them"
    chart = Chart("x", (Point("start", ""), Point("1", "")), tuple(Line(long, (0.2, one)) for one in ends))
    names = re.findall(r'<text x="(\d+\.\d)" y="(\d+\.\d)"[^>]*text-anchor="start">', chart_svg(chart))
    heights = sorted(float(y) for _, y in names)
    assert len(heights) == 10
    assert all(two - one >= LEADING - 0.11 for one, two in pairwise(heights))
    assert heights[0] > LEADING / 2
    assert heights[-1] < HEIGHT


def test_names_stay_at_their_ends_where_there_is_room() -> None:
    """Names are moved only as far as the others need."""
    assert spread([10, 100, 200], [18, 18, 18], 0, 262) == [10, 100, 200]
    assert spread([240, 245, 250], [18, 18, 18], 0, 262) == [208, 226, 244]
    assert spread([0, 0, 0], [18, 32, 18], 0, 262) == [0, 18, 50]


# ------------------------------------------------------------------------------------------- the customer


def endless(bench: Bench) -> StoredCase:
    """A job with every reading of the complaint taken or skipped, several repairs, and long texts."""
    knowledge = bench.engines.knowledge
    engine = bench.engines.one(Case("flat_battery"))
    names = [name for name in engine.entries if name in knowledge.readings]
    seen = [Seen(name, next(iter(knowledge.readings[name].answers))) for name in names[:-8]]
    skipped = [Skipped(name, "No time for it today " * 6) for name in names[-8:]]
    repairs = [
        Repaired(one, BEGUN.isoformat()) for one in ("boot_lamp", "battery_worn", "door_latch", "belt_slip")
    ]
    return bench.filed(*seen, *skipped, *repairs, tag="W" * 80)


def pages(page: str, folder: Path) -> int:
    """How many A4 pages a browser prints."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        if os.environ.get("CI") == "true":
            pytest.fail("There is no chromium here to print with.")
        pytest.skip("There is no chromium here to print with.")
    source, paper = folder / "page.html", folder / "page.pdf"
    source.write_text(page, encoding="utf-8")
    flags = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-sync "
        "--disable-background-networking --disable-component-update --no-pdf-header-footer"
    )
    command = [browser, *flags.split(), f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={paper}"]
    subprocess.run([*command, source.as_uri()], capture_output=True, timeout=120, check=True)
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", paper.read_bytes()))


@pytest.mark.parametrize("job", [boot_lamp, endless])
def test_the_customers_page_is_one_page(
    bench: Bench, tmp_path: Path, job: Callable[[Bench], StoredCase]
) -> None:
    """Printed on A4 the customer gets a single page, however long the job was."""
    filed = job(bench)
    assert pages(html(bench.sheet(filed)), tmp_path) == 1
    assert pages(html(bench.card(filed)), tmp_path) > 1


@pytest.mark.parametrize("job", [boot_lamp, endless])
def test_the_customer_reads_plain_words(bench: Bench, job: Callable[[Bench], StoredCase]) -> None:
    """No bits, no percentages, no ids; a difference of temperatures is so many degrees."""
    filed = job(bench)
    for text in (markdown(bench.sheet(filed)), _Seen(html(bench.sheet(filed))).text.split("}\n")[-1]):
        assert not re.search(r"\bbits?\b|%|probab|likelihood|[a-z]\\?_[a-z]|[0-9] K\b", text)


def test_the_customer_finds_what_was_told_checked_found_and_done(bench: Bench) -> None:
    """The page goes from the complaint to what was done and whether it is gone."""
    text = markdown(bench.sheet(boot_lamp(bench)))
    told = section(text, "What you told us")
    assert "Battery flat after standing" in told
    assert "“" not in told  # stock phrases of the knowledge are nobody's words
    assert "(not certain)" in section(text, "What you told us")
    assert "- Quiescent current: 0.43 A, at most 30 to 80 mA is usual (high)" in section(
        text, "What we checked"
    )
    assert "Boot lamp stays lit." in section(text, "What we found")
    assert "Boot lamp stays lit. We adjusted or replaced the boot lamp switch or its striker." in section(
        text, "What was done"
    )
    assert "it is gone" in section(text, "Is it gone?")
    assert "- Current when a suspect unit is unplugged" in section(text, "What was not checked")
    assert "Short trips, or weeks of standing" not in text


def test_a_number_read_before_and_after_the_repair_is_told_for_both(bench: Bench) -> None:
    """The number that shows the fault stands beside the one that shows it gone, on page and card."""
    found = measured("sleeping_current", 900.0, "low_current_clamp", "900 mA")
    mended = measured("sleeping_current", 22.0, "low_current_clamp", "22 mA")
    looked = Seen("bus_active", "busy"), Seen("bus_active", "silent")
    repaired = Repaired("boot_lamp", BEGUN.isoformat())
    filed = bench.filed(found, looked[0], repaired, mended, looked[1], Checked("flat_battery", "gone"))
    checks = section(markdown(bench.sheet(filed)), "What we checked")
    both = "before the repair 900 mA, after it 22 mA; at most 30 to 80 mA is usual"
    assert f"- Quiescent current: {both}\n" in checks
    said = bench.engines.knowledge.readings["bus_active"].answers
    assert f"before the repair: {said['busy']}; after it: {said['silent']}" in checks
    account = section(markdown(bench.card(filed)), "Account of the draw")
    assert "- **Before the repair:** 900 mA ± " in account
    assert "- **After the repair:** 22 mA ± " in account


def test_the_customer_reads_first_what_was_not_in_order(bench: Bench) -> None:
    """Answers and checks that point to something come first; of the rest the page says how many there are."""
    known = bench.engines.knowledge.readings
    asked = [name for name, one in known.items() if one.who == "customer" and one.ask][:4]
    normal = [Seen(name, known[name].normal_outcome, by="customer") for name in asked[:3]]
    told = next(one for one in known[asked[3]].answers if one != known[asked[3]].normal_outcome)
    fine, bad = (
        Seen("clamp_look", known["clamp_look"].normal_outcome),
        measured("sleeping_current", 300.0, "low_current_clamp", "300 mA"),
    )
    text = markdown(bench.sheet(bench.filed(*normal, Seen(asked[3], told, by="customer"), fine, bad)))
    said = section(text, "What you told us")
    assert f"- {known[asked[3]].ask} {known[asked[3]].answers[told]}" in said
    assert "Your other 3 answers are on the job card." in said
    assert said.count("?") == 1  # the other three questions are not told
    checks = [line for line in section(text, "What we checked").splitlines() if line.startswith("- ")]
    assert checks[0].startswith("- Quiescent current: 300 mA")
    assert checks[1].startswith(f"- {known['clamp_look'].name}")


def test_many_seconds_are_minutes_to_the_customer(bench: Bench) -> None:
    """300 s of pouring are 5 minutes."""
    poured = bench.filed(measured("sunroof_front_pour", 300.0, "stopwatch", "300 s"), tag="van")
    assert "5 min" in section(markdown(bench.sheet(poured)), "What we checked")


def test_every_shipped_remedy_says_to_the_customer_what_was_done(shipped: Knowledge) -> None:
    """In the past tense and to a customer, not as an order to a colleague."""
    for name, fault in shipped.faults.items():
        assert fault.done, name
        assert fault.done.startswith(
            ("We ", "A person trained ", "A technician trained ", "Trained people ", "The ")
        ), name


def test_the_customer_of_an_open_job_is_told_that_it_is_open(bench: Bench) -> None:
    """Nothing is promised: not finished, no cause, nothing repaired, nothing measured."""
    text = markdown(bench.sheet(bench.opened()))
    assert "not finished yet" in text
    assert "the cause is not certain yet" in section(text, "What we found")
    assert "Nothing has been measured on the car yet." in text
    assert "Nothing has been repaired on this job." in text


def test_a_second_cause_that_is_still_likely_is_named(bench: Bench) -> None:
    """Where another cause was not ruled out, the customer is told in plain words."""
    replace = (Seen("battery_test", "bad"), Seen("quick_test", "replace"), Seen("full_voltage", "low"))
    filed = bench.filed(
        *replace, DRAW, Seen("relay_pulled", "falls"), Repaired("battery_worn", BEGUN.isoformat())
    )
    closed = bench.store.append(filed, Closed("battery_worn", ""))
    assert "Still possible, and not ruled out: Relay" in section(
        markdown(bench.sheet(closed)), "What to watch"
    )
    assert "Still possible" not in markdown(bench.sheet(boot_lamp(bench)))


def test_no_cause_and_causes_outside_the_list_are_said_plainly(bench: Bench) -> None:
    """A job closed without a cause says so; one outside what is written is not given an id."""
    none = bench.filed(DRAW, Closed("", ""))
    assert "We found no fault." in markdown(bench.sheet(none))
    assert "- **Cause:** No fault found" in markdown(bench.card(none))
    outside = bench.filed(DRAW, Closed("unlisted:flat_battery", ""))
    assert "Something that is not on our usual list." in markdown(bench.sheet(outside))


# -------------------------------------------------------------------------------------------- the command


def test_the_command_writes_both_papers_in_both_forms(advisor: Advisor, bench: Bench, tmp_path: Path) -> None:
    """Markdown to standard output, HTML to a file; the card, or the customer's page."""
    boot_lamp(bench)
    ran = advisor("report", "1", "--store", bench.url)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("# Job 1: Grey estate\n")
    file = tmp_path / "card.html"
    ran = advisor("report", "1", "--store", bench.url, "--format", "html", "--customer", "--output", file)
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    assert file.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert "Your car: Grey estate" in file.read_text(encoding="utf-8")


def test_an_inspection_has_no_card_and_the_program_says_so(advisor: Advisor, bench: Bench) -> None:
    """Not that some other knowledge would help; closed or still open."""
    filed = bench.store.append(bench.store.draft("red van", INSPECTION, "v"), Booked("2030-01-16", ""))
    ran = advisor("report", "1", "--store", bench.url)
    assert ran.code == 1
    assert "Job 1 is a general inspection, still open: no complaint was looked into" in ran.err
    bench.store.append(filed, Closed("", "general inspection done"))
    assert "general inspection, closed" in advisor("report", "1", "--store", bench.url).err


def test_a_job_that_does_not_exist_lists_the_open_ones(advisor: Advisor, bench: Bench) -> None:
    """Who mistypes the number sees the newest open jobs with their tags, and exit code 1."""
    bench.filed(Closed("", ""), tag="Long done")
    for tag in ("Red van", "Blue hatch\x1b[31m"):
        bench.filed(DRAW, tag=tag)
    ran = advisor("report", "77", "--store", bench.url)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.splitlines()[0] == "There is no job 77. Name one of these, the newest first:"
    assert [line.split()[:2] for line in ran.err.splitlines()[1:]] == [["3", "Blue"], ["2", "Red"]]
    assert "\x1b" not in ran.err


def test_an_empty_store_has_no_open_job(advisor: Advisor, bench: Bench) -> None:
    """Where nothing is open there is nothing to list."""
    assert (
        advisor("report", "1", "--store", bench.url).err
        == "There is no job 1. No job is open: begin one first.\n"
    )


def test_a_database_that_cannot_be_read_is_exit_code_3(advisor: Advisor, tmp_path: Path) -> None:
    """Trouble with the database ends in its sentence."""
    broken = tmp_path / "broken.sqlite"
    broken.write_text("This is no database. " * 100, encoding="utf-8")
    ran = advisor("report", "1", "--store", f"sqlite:///{broken}")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err.startswith("The database of cases cannot be ")


def test_a_complaint_that_the_knowledge_lacks_is_exit_code_1(
    advisor: Advisor, bench: Bench, clashing: Path
) -> None:
    """Other knowledge than the job's is refused in a sentence."""
    bench.filed(DRAW)
    ran = advisor("report", "1", "--store", bench.url, "--knowledge", clashing)
    assert (ran.code, ran.out) == (1, "")
    assert "'flat_battery', which is not in this knowledge" in ran.err


def test_a_clash_does_not_stop_the_command(advisor: Advisor, bench: Bench, clashing: Path) -> None:
    """The card of a job that the present knowledge contradicts is written all the same."""
    bench.store.append(bench.opened(about="c"), Seen("tap", "dull"), Seen("seat", "off"))
    ran = advisor("report", "1", "--store", bench.url, "--knowledge", clashing)
    assert (ran.code, ran.err) == (0, "")
    assert "These answers contradict each other" in ran.out


def test_a_file_that_cannot_be_written_is_exit_code_3(advisor: Advisor, bench: Bench, tmp_path: Path) -> None:
    """A folder that is not there is told by name."""
    bench.filed(DRAW)
    ran = advisor("report", "1", "--store", bench.url, "--output", tmp_path / "none" / "card.md")
    assert ran.code == 3
    assert "card.md" in ran.err


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (-90, "just now"),
        (-3 * 24 * 60, "just now"),
        (0.9, "just now"),
        (1, "1 min ago"),
        (75, "1 h 15 ago"),
        (23 * 60, "23 h ago"),
        (24 * 60, "1 day ago"),
        (35 * 60, "1 day ago"),
        (37 * 60, "2 days ago"),
        (3 * 24 * 60, "3 days ago"),
    ],
)
def test_how_long_ago_is_said_in_minutes_hours_or_days(minutes: float, words: str) -> None:
    """A clock that was set back since makes nothing negative."""
    since = datetime(2030, 1, 3, 8, 0, tzinfo=UTC)
    assert age(since.isoformat(), since + timedelta(minutes=minutes)) == words
