"""One vehicle's job: entries are added, never changed, and undoing goes back to the older case."""

from __future__ import annotations

import dataclasses
from typing import get_args

import numpy as np
import pytest

from advisor.case.case import Case
from advisor.case.entries import KINDS, Closed, Entry, Known, Seen, Skipped
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge


def test_adding_an_entry_leaves_the_case_as_it_was() -> None:
    """A case is a value: adding gives another one, and the entries stand in the order of entering."""
    empty = Case("flat_battery")
    one = empty.with_entry(Known("keyless", "none"))
    two = one.with_entry(Seen("bus_active", "busy"))
    assert empty.entries == ()
    assert one.entries == (Known("keyless", "none"),)
    assert two.entries == (Known("keyless", "none"), Seen("bus_active", "busy"))


def test_undoing_an_entry_gives_the_case_before_it() -> None:
    """After one entry and one undo the case is equal to what it was; undoing nothing changes nothing."""
    case = Case("flat_battery").with_entry(Seen("bus_active", "busy"))
    assert case.with_entry(Skipped("key_near", "no key here")).without_last() == case
    assert Case("flat_battery").without_last() == Case("flat_battery")


def test_a_case_cannot_be_changed() -> None:
    """Nobody can write into a case, by accident or otherwise."""
    case = Case("flat_battery", (Known("keyless", "none"),))
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.complaint = "rattle"  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.entries[0].value = "fitted"  # type: ignore[misc, union-attr]


def test_a_later_answer_on_the_same_thing_replaces_the_earlier() -> None:
    """A reading taken again, or a fact corrected, counts once; undoing brings the first answer back."""
    case = Case("flat_battery", (Seen("bus_active", "busy"), Known("keyless", "none")))
    again = case.with_entry(Seen("bus_active", "silent")).with_entry(Known("keyless", "fitted"))
    assert again.outcomes == {"bus_active": "silent"}
    assert again.facts == {"keyless": "fitted"}
    assert again.without_last().without_last().outcomes == {"bus_active": "busy"}


def test_a_reading_taken_after_all_is_no_longer_skipped() -> None:
    """A reason for not taking a reading holds until the reading is taken."""
    case = Case("flat_battery", (Skipped("bus_active", "no plug"), Skipped("key_near", "on the phone")))
    assert case.skipped == {"bus_active": "no plug", "key_near": "on the phone"}
    assert case.with_entry(Seen("bus_active", "silent")).skipped == {"key_near": "on the phone"}


def test_a_case_is_closed_by_its_last_entry() -> None:
    """A closed case says which fault it was; anything entered later opens it again, and so does undoing."""
    closed = Case("flat_battery").with_entry(Closed("boot_lamp", "striker bent"))
    assert closed.closed == Closed("boot_lamp", "striker bent")
    assert closed.without_last().closed is None
    assert closed.with_entry(Seen("bus_active", "busy")).closed is None
    assert Case("flat_battery").closed is None


def test_what_the_engine_is_told_is_the_complaint_and_the_answers_that_count(
    shipped: Knowledge, drain: Engine
) -> None:
    """Facts and readings become evidence; reasons and remarks do not, nor facts that bear on nothing."""
    case = Case(
        "flat_battery",
        (
            Known("keyless", "none"),
            Known("compressor_type", "fixed"),
            Seen("bus_active", "busy"),
            Seen("bus_active", "silent"),
            Skipped("key_near", "on the phone"),
            Closed("boot_lamp", ""),
        ),
    )
    evidence = case.evidence(shipped, drain)
    assert sorted(evidence) == ["bus_active", "flat_battery", "keyless"]
    np.testing.assert_array_equal(evidence["flat_battery"], [0, 1])
    np.testing.assert_array_equal(evidence["bus_active"], [1, 0])
    np.testing.assert_array_equal(evidence["keyless"], [1, 0])


def test_an_id_that_now_means_something_else_counts_for_nothing(shipped: Knowledge, drain: Engine) -> None:
    """A fact that was entered as a reading, and causes as a reading and as a fact: nobody has seen those."""
    entries = (Seen("keyless", "none"), Seen("boot_lamp", "present"), Known("relay_welded", "absent"))
    assert {"keyless", "boot_lamp", "relay_welded"} <= drain.outcomes.keys()
    assert list(Case("flat_battery", entries).evidence(shipped, drain)) == ["flat_battery"]


def test_every_kind_of_entry_has_a_word_of_its_own() -> None:
    """Databases tell the kinds by these words; those of the first version stay what they were."""
    assert len(KINDS) == len(get_args(Entry))
    assert {"known", "seen", "measured", "skipped", "taken back", "closed"} <= KINDS.keys()
