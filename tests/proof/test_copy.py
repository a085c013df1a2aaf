"""What one recorded copy is worth: every reason alone, every reason before those after it, and what is still owed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from rollproof.models.volumes import Evidence
from rollproof.proof.copy import CopyVerdict, bad_news, judge_copy, looks_to_wipe
from rollproof.proof.copy_facts import (
    Against,
    Answer,
    ContentFacts,
    CopyFacts,
    DriveFacts,
    ListingFacts,
    Look,
    MemoryFacts,
    Paths,
    RecordFacts,
)
from rollproof.proof.policy import Rules
from rollproof.proof.readings import Agreement, Unsettled

RULES = Rules()
ALL = looks_to_wipe(Rules(reread_copies=True))
RECORDS = RecordFacts("proven", "Proven by 0001, read back from the medium.", readback=Evidence.MEDIUM)
MEMORY = MemoryFacts("proven", readback=Evidence.MEDIUM, age=timedelta(hours=1))
LISTING = ListingFacts(3, 3, strangers=0)
GOOD = CopyFacts(
    True,
    "shuttle",
    MEMORY,
    records=RECORDS,
    listing=LISTING,
    answer=DriveFacts(Answer.TAKES),
    content=ContentFacts(Agreement.HOLDS),
)
AWAY = CopyFacts(False, "shuttle", MEMORY)
ONE = Paths(1, "A003C001.mov")
BAD_READING = Unsettled(datetime(2026, 5, 14, tzinfo=UTC), "verify", "A003C001.mov differs", "")
BEGUN = replace(BAD_READING, why="")


def records(**changes: Any) -> dict[str, Any]:
    return {"records": replace(RECORDS, **changes)}


def memory(**changes: Any) -> dict[str, Any]:
    return {"memory": replace(MEMORY, **changes)}


def listing(**changes: Any) -> dict[str, Any]:
    return {"listing": replace(LISTING, **changes)}


def content(agreement: Agreement | None, **changes: Any) -> dict[str, Any]:
    return {"content": ContentFacts(agreement, **changes)}


FAULTS: tuple[tuple[dict[str, Any], str, str, str | None], ...] = (
    # what is found, the state, a part of why, what this station remembers of it; in the order in which they are said
    ({"silent_seconds": 30.0}, "away", "has not answered for 30 seconds", "unproven"),
    ({"not_opened": "no such folder"}, "away", "the roll is not where it was (no such folder)", None),
    ({"unreadable": "input/output error"}, "unproven", "cannot be read (input/output error)", "unproven"),
    ({"bad_records": "cut off"}, "unproven", "its records cannot be read: cut off", "unproven"),
    ({"locked": True}, "incomplete", "another offload or verify is at work on it", None),
    ({"unfinished": True}, "incomplete", "its offload was not finished", "incomplete"),
    (records(state="unproven", finished=False, why="Not this copy."), "incomplete", "not this copy", "unproven"),
    (listing(recorded=0, here=0), "empty", "nothing in it", "unproven"),
    (listing(here=0, missing=Paths(3, "A")), "record only", "names 3 files, and nothing", "unproven"),
    (records(foreign=Against("0001 is another", "keep it")), "records broken", "0001 is another", "unproven"),
    (memory(lost="Record 2 is missing here."), "records broken", "remembers: record 2 is missing here", "unproven"),
    (listing(here=2, missing=replace(ONE, said="no such file")), "incomplete", "not there (no such file)", "unproven"),
    (listing(differ=ONE), "damaged", "A003C001.mov is not as recorded", "unproven"),
    (
        records(state="unproven", withdrawn=True, why="0002 found it changed."),
        "damaged",
        "found it changed",
        "unproven",
    ),
    (records(failed_in_manifest=2), "damaged", "2 files were not as recorded", "unproven"),
    (records(state="unproven", whole=False, needs_newer=True, why="A newer version."), "copied", "newer", "unproven"),
    (records(state="unproven", whole=False, why="0001 was changed."), "records broken", "0001 was changed", "unproven"),
    (records(broken_beside=True), "records broken", "cannot be relied on", "unproven"),
    (records(state="unproven", why="It was moved."), "unproven", "it was moved", "unproven"),
    (records(state="unproven", offloaded=False, why="No offload."), "unproven", "no offload", "unproven"),
    (memory(bad=True, why="it was torn"), "unproven", "this station last found: it was torn", None),
    (memory(gone=True), "unproven", "its drive was seen without it", None),
    (memory(unsettled=(BAD_READING,)), "unproven", "this station last found: A003C001.mov differs", None),
    (records(state="copied", why="Read back from the cache."), "copied", "read back from the cache", "copied"),
    (listing(redated=ONE), "unproven", "A003C001.mov is not as recorded in size or date", "unproven"),
    ({"on_card": None}, "unproven", "the card's device cannot be told", None),
    ({"on_card": True}, "unproven", "on the card's own device", None),
    ({"answer": DriveFacts(Answer.FULL)}, "unproven", "the drive is full", None),
    ({"answer": DriveFacts(Answer.TURNED_READ_ONLY)}, "unproven", "turned read-only by itself", "unproven"),
    ({"answer": DriveFacts(Answer.REFUSES, "EIO")}, "unproven", "does not take a small file now (EIO)", "unproven"),
    ({"answer": DriveFacts(Answer.RECORDS_DIFFER)}, "unproven", "are not those read a moment ago", "unproven"),
    ({"answer": DriveFacts(Answer.RECORDS_NOT_SHOWN)}, "unproven", "cannot be shown to come from", "unproven"),
    (content(None, unhashed="A"), "unproven", "A has no hash this tool knows", None),
    (content(Agreement.DIFFERS), "damaged", "it is not what was recorded", "failed"),
    (content(Agreement.UNREAD), "damaged", "not all of it could be read", "failed"),
    (content(Agreement.HOLDS, unremembered=Against("not kept", "look")), "unproven", "not kept", None),
    (content(Agreement.NOT_SHOWN), "unproven", "could not be shown to come from the drive", None),
    ({"doubts": (Against("a sibling knows more", "verify"), Against("later", ""))}, "unproven", "a sibling", None),
)

AWAY_FAULTS = (
    (memory(device_here=True), "its device is attached, and the volume with the roll is not on it"),
    (memory(gone=True), "its drive was last seen without this roll"),
    (memory(age=None), "this station has not seen it itself"),
    (memory(bad=True, state="failed"), "this station last found: failed"),
    (memory(unsettled=(BAD_READING,)), "this station last found: A003C001.mov differs"),
    (memory(unsettled=(BEGUN,)), "was not finished"),
    (memory(seen_here=False), "this station has not seen it itself"),
    (memory(state="copied"), "was last copied"),
    (memory(readback=Evidence.CACHE), "was last proven"),
    (memory(age=timedelta(seconds=-1)), "in the future"),
    (memory(age=timedelta(hours=25)), "more than 24 h ago"),
    (memory(files_known=False), "does not remember its files"),
    ({"memory": None}, "has not seen it itself"),
    ({"on_card": None}, "the card's device cannot be told"),
    ({"on_card": True}, "on the card's own device"),
    ({"doubts": (Against("seen elsewhere since", "attach it"),)}, "seen elsewhere since"),
)


def judge(facts: CopyFacts) -> CopyVerdict:
    return judge_copy(facts, RULES, ALL)


def test_a_copy_that_nothing_speaks_against_is_proven() -> None:
    verdict = judge(GOOD)
    assert (verdict.state, verdict.remembered, verdict.owed, verdict.counts) == ("proven", "proven", None, True)
    assert verdict.why == RECORDS.why
    assert judge(AWAY).counts


@pytest.mark.parametrize(("changes", "state", "why", "remembered"), FAULTS)
def test_each_reason_alone(changes: dict[str, Any], state: str, why: str, remembered: str | None) -> None:
    verdict = judge(replace(GOOD, **changes))
    assert (verdict.state, verdict.remembered, verdict.counts) == (state, remembered, False)
    assert why in verdict.why
    assert verdict.remedy
    assert verdict.owed is None


@pytest.mark.parametrize(("changes", "why"), AWAY_FAULTS)
def test_each_reason_against_an_absent_copy_alone(changes: dict[str, Any], why: str) -> None:
    verdict = judge(replace(AWAY, **changes))
    assert (verdict.counts, verdict.remembered) == (False, None)
    assert why in verdict.why
    assert verdict.remedy


@pytest.mark.parametrize("place", range(len(FAULTS)))
def test_the_first_reason_is_said_whatever_comes_after_it(place: int) -> None:
    """Where two faults are of one fact only the first of them can be told anyhow."""
    changes, _, why, _ = FAULTS[place]
    later: dict[str, Any] = {}
    for other, _, _, _ in reversed(FAULTS[place + 1 :]):
        later |= other
    assert why in judge(replace(GOOD, **later | changes)).why


@pytest.mark.parametrize("look", sorted(ALL))
def test_what_was_not_looked_at_does_not_count_and_is_owed(look: Look) -> None:
    field = {Look.LISTING: "listing", Look.DRIVE: "answer", Look.CONTENT: "content"}[look]
    changes: dict[str, Any] = {field: None}
    verdict = judge(replace(GOOD, **changes))
    assert (verdict.counts, verdict.owed, verdict.remembered) == (False, look, None)


def test_the_dear_looks_come_last_and_only_where_nothing_else_speaks_against_a_copy() -> None:
    facts = CopyFacts(True, "shuttle", MEMORY, records=RECORDS)
    assert judge(facts).owed is Look.LISTING
    assert judge(replace(facts, listing=LISTING)).owed is Look.DRIVE
    assert judge(replace(facts, listing=LISTING, answer=DriveFacts(Answer.TAKES))).owed is Look.CONTENT
    assert judge(replace(facts, locked=True)).owed is None
    assert judge(replace(facts, listing=replace(LISTING, differ=ONE))).owed is None
    # nothing is written to the card's own device
    assert judge(replace(facts, listing=LISTING, on_card=True)).owed is None


def test_a_copy_of_which_nothing_is_known_does_not_count() -> None:
    assert not judge_copy(CopyFacts(True, "shuttle"), RULES, frozenset()).counts
    assert not judge_copy(CopyFacts(False, "shuttle"), RULES, frozenset()).counts


def test_todays_evidence_judges_an_absent_copy() -> None:
    facts = replace(AWAY, memory=replace(MEMORY, readback=Evidence.SERVER))
    assert judge_copy(facts, RULES, ALL).counts
    assert not judge_copy(facts, Rules(accepted=(Evidence.MEDIUM,)), ALL).counts


@pytest.mark.parametrize("changes", [{"bad": True}, {"gone": True}])
def test_a_newer_record_answers_the_last_word_and_not_bad_news_of_a_reading(changes: dict[str, Any]) -> None:
    facts = replace(GOOD, memory=replace(MEMORY, **changes, newer_word=True))
    assert judge(facts).counts
    assert not bad_news(facts)
    assert not judge(replace(facts, memory=replace(MEMORY, unsettled=(BAD_READING,), newer_word=True))).counts


def test_a_reading_that_saw_an_older_record_says_nothing_against_a_newer_one() -> None:
    seen = replace(BAD_READING, newest_record="older")
    facts = replace(GOOD, memory=replace(MEMORY, unsettled=(seen,)), records=replace(RECORDS, newest_word="newer"))
    assert judge(facts).counts
    assert not judge(replace(facts, records=replace(RECORDS, newest_word="older"))).counts


def test_older_bad_news_is_not_written_over_by_a_smaller_fault() -> None:
    facts = replace(GOOD, memory=replace(MEMORY, bad=True, why="it was torn"))
    assert judge(replace(facts, listing=replace(LISTING, differ=ONE))).remembered is None
    assert judge(replace(facts, memory=replace(MEMORY, bad=True, lost="Record 2 is missing."))).remembered == "unproven"


def test_a_history_of_others_that_was_read_again_here_counts_as_such() -> None:
    never = replace(RECORDS, state="unproven", offloaded=False, read_again=True)
    assert judge_copy(replace(GOOD, records=never), RULES).state == "reread"
    late = replace(GOOD, records=never, listing=replace(LISTING, redated=ONE))
    assert judge_copy(late, RULES).state == "unproven"
