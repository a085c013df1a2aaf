"""What a reading does to the proof of a copy: every case, and what is left of it while the copy is away."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from rollproof.models.findings import Kind
from rollproof.models.volumes import Evidence
from rollproof.proof.readings import (
    ADDING,
    Agreement,
    Effect,
    ReadingFacts,
    Unsettled,
    against_absent,
    agreement,
    effect_of,
    has_something_to_lose,
    must_be_read_anew,
    speaks_against_a_copy,
    speaks_against_memory,
    trouble_is_an_error,
    withdrawn_by,
)

ACCEPTED = frozenset((Evidence.MEDIUM, Evidence.SERVER))
MEDIUM, SERVER, CACHE = Evidence.MEDIUM, Evidence.SERVER, Evidence.CACHE
THEN = datetime(2026, 5, 14, 15, 28, tzinfo=UTC)


@pytest.mark.parametrize(
    ("finished", "bad", "everything", "evidence", "effect"),
    [
        # what differs withdraws, whatever its evidence, and however the reading ended
        (True, True, True, MEDIUM, Effect.WITHDRAWS),
        (True, True, True, CACHE, Effect.WITHDRAWS),
        (True, True, False, None, Effect.WITHDRAWS),
        (False, True, False, CACHE, Effect.WITHDRAWS),
        # what was not read to its end settles nothing
        (False, False, False, None, Effect.UNFINISHED),
        (False, False, True, MEDIUM, Effect.UNFINISHED),
        # what agrees settles as a whole and from the medium only
        (True, False, True, MEDIUM, Effect.SETTLES),
        (True, False, True, SERVER, Effect.SETTLES),
        (True, False, True, CACHE, Effect.NOTHING),
        (True, False, False, MEDIUM, Effect.NOTHING),
        (True, False, True, None, Effect.NOTHING),
    ],
)
def test_what_a_reading_does(
    finished: bool, bad: bool, everything: bool, evidence: Evidence | None, effect: Effect
) -> None:
    assert effect_of(ReadingFacts(finished, bad, everything, evidence), ACCEPTED) is effect


def test_a_stricter_policy_does_not_take_a_server_s_word() -> None:
    assert effect_of(ReadingFacts(True, False, True, SERVER), {MEDIUM}) is Effect.NOTHING


@pytest.mark.parametrize(
    ("differs", "unread", "evidences", "answer"),
    [
        (True, True, {CACHE}, Agreement.DIFFERS),
        (True, False, {MEDIUM}, Agreement.DIFFERS),
        (False, True, {CACHE}, Agreement.UNREAD),
        (False, False, {MEDIUM, CACHE}, Agreement.NOT_SHOWN),
        (False, False, {MEDIUM, SERVER}, Agreement.HOLDS),
        (False, False, set(), Agreement.HOLDS),
    ],
)
def test_what_files_read_again_show(differs: bool, unread: bool, evidences: set[Evidence], answer: Agreement) -> None:
    assert agreement(differs=differs, unread=unread, evidences=evidences, accepted=ACCEPTED) is answer


def begun(why: str = "", newest: str = "record 1") -> Unsettled:
    return Unsettled(THEN, "verify", why, newest)


@pytest.mark.parametrize(
    ("readings", "newest", "why"),
    [
        ([], "record 1", ""),
        ([begun()], "record 1", ""),
        ([begun("a differs")], "record 1", "a differs"),
        ([begun("a differs")], "record 2", ""),
        ([begun("a differs"), begun("b differs", "record 2")], "record 2", "b differs"),
        ([begun("the drive died", "")], "record 2", "the drive died"),
    ],
)
def test_bad_news_stands_until_a_word_that_the_reading_had_not_seen(
    readings: list[Unsettled], newest: str, why: str
) -> None:
    assert withdrawn_by(readings, newest) == why


def test_a_copy_that_is_away_does_not_count_after_a_reading_that_was_only_begun() -> None:
    assert against_absent([]) == ""
    assert "verify" in against_absent([begun()])
    assert "was not finished" in against_absent([begun()])
    assert against_absent([begun(), begun("a differs")]) == "this station last found: a differs"


@pytest.mark.parametrize(
    ("is_touched", "is_recorded", "is_known", "expected"),
    [
        (False, True, True, False),  # a record proves everything: nothing is read
        (True, False, False, False),  # a fresh copy counts for nothing until its record is down
        (True, True, False, True),
        (True, False, True, True),  # known here, and deleted on the drive
        (True, True, True, True),
    ],
)
def test_what_an_offload_must_remember_while_it_runs(
    is_touched: bool, is_recorded: bool, is_known: bool, expected: bool
) -> None:
    assert has_something_to_lose(is_touched=is_touched, is_recorded=is_recorded, is_known=is_known) is expected


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ((), False),
        ((Unsettled(THEN, ADDING, "", ""),), False),  # it did not read what the records prove
        ((Unsettled(THEN, ADDING, "the drive went away", ""),), True),
        ((Unsettled(THEN, "offload", "", ""),), True),
        ((Unsettled(THEN, "verify", "", ""),), True),
        ((Unsettled(THEN, ADDING, "", ""), Unsettled(THEN, "verify", "", "")), True),
    ],
)
def test_after_which_readings_an_offload_trusts_no_record(readings: tuple[Unsettled, ...], expected: bool) -> None:
    assert must_be_read_anew(readings) is expected


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (Kind.DRIVE_GONE, True),
        (Kind.DRIVE_FAILED, True),
        (Kind.DRIVE_HANGS, True),
        (Kind.BAD_RECORD, True),
        (Kind.DRIVE_FULL, False),
        (Kind.LOCKED, False),
    ],
)
def test_which_ends_of_the_work_on_a_drive_are_bad_news(kind: Kind, expected: bool) -> None:
    assert speaks_against_a_copy(kind) is expected


@pytest.mark.parametrize(
    ("effect", "was_begun", "expected"),
    [
        (Effect.WITHDRAWS, True, True),
        (Effect.WITHDRAWS, False, True),
        (Effect.SETTLES, True, False),  # it stays noted as not finished
        (Effect.NOTHING, True, False),
        (Effect.SETTLES, False, True),  # killed, it would have left no trace
        (Effect.NOTHING, False, True),
    ],
)
def test_when_it_is_an_error_that_nothing_could_be_remembered(effect: Effect, was_begun: bool, expected: bool) -> None:
    assert trouble_is_an_error(effect, was_begun=was_begun) is expected


@pytest.mark.parametrize(
    ("state", "readings", "expected"),
    [
        ("proven", (), False),
        ("proven", (Unsettled(THEN, "verify", "", ""),), True),
        ("copied", (Unsettled(THEN, "offload", "", ""),), True),
        ("failed", (Unsettled(THEN, "verify", "", ""),), False),  # it has its own reason
        ("unproven", (Unsettled(THEN, "verify", "it hangs", ""),), False),
    ],
)
def test_what_a_reading_says_against_a_remembered_state(
    state: str, readings: tuple[Unsettled, ...], expected: bool
) -> None:
    assert speaks_against_memory(state, readings).endswith(": not counted") is expected
