"""What was remembered is what is known, and nothing more."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta, timezone

import pytest

from ledger.notes import (
    ELSEWHERE,
    HERE,
    MEDIUM,
    WHEN,
    WRANGLER,
    card,
    copy,
    file,
    files,
    identity,
    later,
    offload,
    permit,
    record,
)
from rollproof.ledger.entries import CardNote, ClipNote, CopyState
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.trouble import LedgerProblem
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.volumes import Evidence
from rollproof.proof.devices import count_devices


def test_an_offload_is_known_again_by_the_listing_of_its_card(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    found = ledger.find_by_listing("listing-1")
    assert [known.id for known in found] == [made.offload_id]
    known = found[0]
    assert (known.production, known.roll, known.files, known.size_bytes) == ("The Bell Foundry", "A003", 3, 15)
    assert known.card == card()
    assert known.ours
    assert known.written_at == WHEN
    assert ledger.find_by_listing("another listing") == []


def test_the_offset_of_the_station_is_kept_beside_the_moment(ledger: Ledger) -> None:
    local = WHEN.astimezone(timezone(timedelta(hours=2)))
    ledger.remember_offload(offload(written_at=local), files())
    assert ledger.find_by_listing("listing-1")[0].written_at.isoformat() == "2026-05-14T10:15:02+02:00"


def test_a_moment_without_an_offset_is_refused_and_nothing_is_remembered(ledger: Ledger) -> None:
    with pytest.raises(ValueError, match="offset"):
        ledger.remember_offload(offload(written_at=WHEN.replace(tzinfo=None)), files())
    assert ledger.rolls() == []


def test_files_are_known_by_their_content_whatever_their_name(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files(3))
    wanted = file("CLIPS/A003C0000001.mov")
    assert wanted.hash_text is not None
    found = ledger.find_files("xxh128", [wanted.hash_text, "0" * 32])
    assert [(known.path, known.size, known.offload_id) for known in found] == [(wanted.path, 5, made.offload_id)]
    assert found[0].hash_text == wanted.hash_text
    assert ledger.find_files("md5", [wanted.hash_text]) == []
    with pytest.raises(UntrustedInput):
        ledger.find_files("xxh128", ["no hash"])


def test_more_hashes_than_a_database_takes_at_once_are_looked_up(ledger: Ledger) -> None:
    ledger.remember_offload(offload(), files(4000))
    hashes = [known.hash_text for known in files(4000)]
    assert len(ledger.find_files("xxh128", [text for text in hashes if text])) == 4000


def test_every_file_of_a_run_comes_back_exactly_and_in_order(ledger: Ledger) -> None:
    odd = [
        file("a", path=b"CLIPS/\xff\xfe.mov", modified_ns=-1),
        file("b", path=b"CLIPS/\xffz", modified_ns=(1 << 60) * 1_000_000_000 + 7, size=(1 << 63) - 1),
        file("c", path=b"\xffz", hash_text=None),
    ]
    made = ledger.remember_offload(offload(), odd)
    back = list(ledger.files_of(made.offload_id))
    assert [(known.path, known.size, known.modified_ns, known.hash_text) for known in back] == [
        (note.path, note.size, note.modified_ns, note.hash_text) for note in odd
    ]
    assert [known.path for known in ledger.find_files_by_name([made.offload_id], [b"\xffz", b"nowhere"])] == [b"\xffz"]


def test_the_same_run_remembered_twice_adds_nothing(ledger: Ledger) -> None:
    first = ledger.remember_offload(offload(), files())
    again = ledger.remember_offload(offload(written_at=later(hours=1)), files())
    assert again == first
    assert len(list(ledger.files_of(first.offload_id))) == 3
    assert ledger.find_by_listing("listing-1")[0].written_at == later(hours=1)
    assert len(ledger.digests_of(first.copies[0])[1]) == 1


def test_a_run_with_other_files_stands_beside_the_first(ledger: Ledger) -> None:
    first = ledger.remember_offload(offload(), files(3))
    grown = ledger.remember_offload(offload(card=card("listing-2")), files(5))
    assert grown.roll_id == first.roll_id
    assert grown.offload_id != first.offload_id
    assert [known.files for known in ledger.offloads_of(first.roll_id)] == [5, 3]
    assert ledger.rolls()[0].files == 5


def test_two_cards_with_one_roll_name_are_two_rolls(ledger: Ledger) -> None:
    first = ledger.remember_offload(offload(), files())
    other = ledger.remember_offload(offload(card=card("listing-9", serial="9999-ABCD")), files(1))
    assert first.roll_id != other.roll_id
    assert [known.name for known in ledger.rolls()] == ["A003", "A003"]


def test_a_card_without_a_serial_is_told_by_its_listing(ledger: Ledger) -> None:
    first = ledger.remember_offload(offload(card=card(serial=None)), files())
    other = ledger.remember_offload(offload(card=card("listing-2", serial=None)), files(1))
    assert first.roll_id != other.roll_id


def test_copies_come_back_with_drive_state_and_who_saw_them(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    primary, backup = ledger.copies_of(made.roll_id)
    assert (primary.id, backup.id) == made.copies
    assert primary.drive.identity == identity("primary")
    assert (primary.state, primary.readback, primary.seen_at, primary.seen_here) == ("proven", MEDIUM, WHEN, True)
    assert primary.states == {made.offload_id: "proven"}
    assert primary.folder == b"The Bell Foundry/day 1/A003"


def test_the_newest_word_on_a_copy_decides_and_holds_for_all_its_files(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    copy_id = made.copies[0]
    broken = Finding(Kind.DIFFERS, Severity.ERROR, "CLIPS/A003C001.mov", "other bytes", "primary", "offload it again")
    bad = record(2, "verify", verdict="not proven")
    ledger.remember_verify(
        copy_id, state="unproven", readback=None, at=later(hours=2), why="it differs", record=bad, findings=[broken]
    )
    found = ledger.copies_of(made.roll_id)[0]
    assert (found.state, found.why, found.states) == ("unproven", "it differs", {made.offload_id: "unproven"})
    assert found.seen_at == later(hours=2)
    ledger.remember_verify(copy_id, state="proven", readback=MEDIUM, at=later(hours=3))
    found = ledger.copies_of(made.roll_id)[0]
    assert (found.state, found.states) == ("proven", {made.offload_id: "proven"})
    assert set(ledger.digests_of(copy_id)) == {1, 2}


def test_a_drive_seen_without_the_roll_withdraws_its_proof(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    ledger.remember_gone(made.copies[0], later(days=1))
    gone, other = ledger.copies_of(made.roll_id)
    assert (gone.state, gone.gone_at, gone.states) == ("unproven", later(days=1), {made.offload_id: "unproven"})
    assert other.state == "proven"
    ledger.remember_seen(made.copies[0], later(days=2))
    back = ledger.copies_of(made.roll_id)[0]
    assert (back.gone_at, back.state) == (None, "unproven")


def test_a_sibling_s_word_never_counts_as_seen_by_this_station(ledger: Ledger) -> None:
    note = offload(copies=(copy("primary"), copy("shuttle", seen_at=None)))
    made = ledger.remember_offload(note, files())
    shuttle = ledger.copies_of(made.roll_id)[1]
    assert (shuttle.state, shuttle.seen_at, shuttle.seen_here) == ("proven", None, False)


def test_a_sibling_s_word_never_lifts_a_copy_that_was_seen_and_may_withdraw_it(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    ledger.remember_verify(made.copies[0], state="unproven", readback=None, at=later(hours=1))
    praise = copy("primary", seen_at=None, record=record(3, "verify", written_at=later(hours=2)))
    assert ledger.remember_copy(made.roll_id, praise, offload_ids=[made.offload_id]) == made.copies[0]
    assert ledger.copies_of(made.roll_id)[0].state == "unproven"
    blame = replace(copy("backup", seen_at=None, record=record(3, "verify", written_at=later(hours=2))), state="failed")
    ledger.remember_copy(made.roll_id, blame, offload_ids=[made.offload_id])
    backup = ledger.copies_of(made.roll_id)[1]
    assert (backup.state, backup.states) == ("failed", {made.offload_id: "failed"})


def test_an_older_word_from_elsewhere_changes_nothing(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    old = replace(copy("backup", seen_at=None, record=record(3, written_at=later(days=-9))), state="failed")
    ledger.remember_copy(made.roll_id, old)
    assert ledger.copies_of(made.roll_id)[1].state == "proven"


@pytest.mark.parametrize("state", ["incomplete", "failed", "copied", "proven"])
@pytest.mark.parametrize("said_minutes", [-1, 0, 1])
@pytest.mark.parametrize("own_first", [True, False])
def test_a_drive_s_own_records_beat_what_a_sibling_says_of_it_in_whatever_order_and_however_dated(
    ledger: Ledger, own_first: bool, said_minutes: int, state: CopyState
) -> None:
    made = ledger.remember_offload(offload(copies=(copy("primary", seen_at=None),)), files())
    own = copy("backup", seen_at=None, state="copied", why="its own word")
    told = copy("backup", seen_at=None, state=state, record=None, said_at=later(minutes=said_minutes), why="hearsay")
    for note in (own, told) if own_first else (told, own):
        ledger.remember_copy(made.roll_id, note, offload_ids=[made.offload_id])
    backup = ledger.copies_of(made.roll_id)[1]
    assert (backup.state, backup.why, backup.states) == ("copied", "its own word", {made.offload_id: "copied"})
    assert backup.state_at == WHEN
    assert len(ledger.digests_of(backup.id)) == 1


def test_of_a_drive_that_is_known_from_siblings_alone_the_newest_of_them_decides(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(copies=(copy("primary", seen_at=None),)), files())
    for minutes, state in ((2, "copied"), (1, "incomplete"), (3, "failed")):
        told = copy("backup", seen_at=None, state=state, record=None, said_at=later(minutes=minutes))
        ledger.remember_copy(made.roll_id, told, offload_ids=[made.offload_id])
    assert ledger.copies_of(made.roll_id)[1].state == "failed"


def test_a_copy_that_was_neither_seen_nor_recorded_is_refused(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    with pytest.raises(ValueError, match="neither"):
        ledger.remember_copy(made.roll_id, copy("shuttle", seen_at=None, record=None))


def test_one_roll_folder_dragged_to_another_drive_is_another_copy(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(copies=(copy("primary"),)), files())
    ledger.remember_copy(made.roll_id, copy("shuttle", state="unproven"))
    assert [known.drive.drive for known in ledger.copies_of(made.roll_id)] == ["primary", "shuttle"]
    assert [known.roll_id for known in ledger.copies_on(identity("shuttle"))] == [made.roll_id]


def test_a_changed_record_leaves_both_digests_in_memory(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    ledger.remember_record(made.copies[0], record(1, sha256="f" * 64))
    assert len(ledger.digests_of(made.copies[0])[1]) == 2
    assert len(ledger.digests_of(made.copies[1])[1]) == 1


def test_two_drives_with_one_name_are_told_apart_by_device_and_volume(ledger: Ledger) -> None:
    ledger.remember_offload(offload(copies=(copy("primary"),)), files())
    clone = identity("clone", volume_serial="uuid-primary")
    found = ledger.drives_like(clone)
    assert [known.drive for known in found] == ["primary"]
    assert found[0].identity != clone
    ledger.remember_offload(offload(copies=(copy("clone", identity=clone, seen_at=later(days=1)),)), files())
    assert [known.identity for known in ledger.drives_like(identity("primary"))] == [identity("primary"), clone]
    assert [known.identity for known in ledger.drives_like(clone)] == [clone, identity("primary")]
    assert ledger.drives_like(identity("stranger")) == []


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (identity(), identity(volume_label="RENAMED", capacity_bytes=7), True),
        (identity(), identity(volume_serial="formatted"), False),
        (identity(device_key=None, boot_id="1"), identity(device_key=None, boot_id="2"), False),
        (identity(device_key=None, device_number=1), identity(device_key=None, device_number=2), False),
        (identity(device_key=None, kind="network"), identity(device_key=None, kind="network", boot_id="2"), True),
        (identity(device_key=None, kind="network", source="a"), identity(device_key=None, kind="network"), False),
    ],
)
def test_a_drive_is_one_to_the_ledger_only_when_that_is_certain(one: object, other: object, same: bool) -> None:
    assert (getattr(one, "text") == getattr(other, "text")) is same  # noqa: B009


def test_the_list_of_rolls_counts_devices_not_copies(ledger: Ledger) -> None:
    twice = copy("primary", folder=b"second/A003")
    ledger.remember_offload(offload(copies=(copy("primary"), twice)), files())
    line = ledger.rolls()[0]
    assert (line.copies, line.copies_proven, count_devices(line.proven_on)) == (2, 2, 1)


def test_all_devices_that_could_not_be_told_count_as_one(ledger: Ledger) -> None:
    unknown = [
        copy(name, identity=identity(name, device_key=None, device_number=number))
        for number, name in enumerate(("x", "y"))
    ]
    ledger.remember_offload(offload(copies=tuple(unknown)), files())
    assert count_devices(ledger.rolls()[0].proven_on) == 1


def test_the_list_of_rolls_says_what_a_person_asks_for_and_can_be_filtered(ledger: Ledger) -> None:
    ledger.remember_offload(offload(), files())
    ledger.remember_offload(offload("B007", camera="B", day="2", card=card("l2", serial="2"), copies=()), files(1))
    first, second = ledger.rolls()
    assert (first.name, first.clips, first.first_clip, first.last_clip) == ("A003", 2, "A003C001", "A003C002")
    assert (len(first.proven_on), first.permit, second.proven_on) == (2, None, ())
    assert [line.name for line in ledger.rolls(camera="B")] == ["B007"]
    assert [line.name for line in ledger.rolls(day="1")] == ["A003"]
    assert [line.name for line in ledger.rolls(unit="second")] == []
    assert [line.name for line in ledger.rolls(name="B007")] == ["B007"]


def test_a_permit_is_pending_until_it_is_settled(ledger: Ledger) -> None:
    made = ledger.remember_offload(offload(), files())
    number = ledger.remember_permit(permit((made.roll_id,), made.copies))
    assert ledger.permits_for("listing-1") == []
    assert ledger.rolls()[0].permit == "pending"
    ledger.settle_permit(number, "given")
    assert ledger.permits_for("listing-1") == [(later(hours=1), "data wrangler")]
    ledger.settle_permit(number, "withdrawn", reason="the backup drive was full")
    assert ledger.permits_for("listing-1") == []
    with pytest.raises(ValueError, match="no permit"):
        ledger.settle_permit(number, "given")
    with pytest.raises(ValueError, match="no permit"):
        ledger.settle_permit(99, "given")


def test_the_history_of_a_roll_is_a_timeline(ledger: Ledger) -> None:
    odd = Finding(Kind.EMPTY_FILE, Severity.NOTE, "x", "it is empty")
    made = ledger.remember_offload(offload(findings=(odd,), copies=(copy("primary"),)), files())
    number = ledger.remember_permit(permit((made.roll_id,)))
    ledger.settle_permit(number, "given")
    bad = record(2, "verify", written_at=later(hours=2), verdict="not proven")
    ledger.remember_verify(made.copies[0], state="unproven", readback=Evidence.CACHE, at=later(hours=2), record=bad)
    lines = ledger.history(made.roll_id)
    assert [line.what for line in lines] == ["offload", "finding", "permit", "verify"]
    assert [line.at for line in lines] == sorted(line.at for line in lines)
    assert lines[0].who == WRANGLER
    assert lines[0].drive == "primary"
    assert lines[3].verdict == "not proven"


def test_a_number_too_large_for_a_database_is_our_own_error(ledger: Ledger) -> None:
    with pytest.raises(LedgerProblem, match="number"):
        ledger.remember_offload(offload(card=card(device_number=1 << 70)), files())
    assert ledger.rolls() == []


def test_a_word_on_a_copy_nobody_knows_is_refused(ledger: Ledger) -> None:
    with pytest.raises(ValueError, match="no copy 7"):
        ledger.remember_record(7, record())


def test_one_roll_is_remembered_completely_or_not_at_all(ledger: Ledger) -> None:
    def failing() -> object:
        yield from files(2)
        raise RuntimeError("the drive went away")

    with pytest.raises(RuntimeError):
        ledger.remember_offload(offload(), failing())  # type: ignore[arg-type]
    assert ledger.rolls() == []
    assert ledger.find_by_listing("listing-1") == []
    assert ledger.drives_like(identity("primary")) == []


def test_an_offload_by_another_station_is_not_this_station_s_own(ledger: Ledger) -> None:
    ledger.remember_offload(offload(station=ELSEWHERE), files())
    assert not ledger.find_by_listing("listing-1")[0].ours
    ledger.remember_offload(offload("B007", station=HERE, card=card("l2")), files(2))
    assert ledger.find_by_listing("l2")[0].ours


def test_a_listing_of_a_card_without_clips_or_person_is_remembered_too(ledger: Ledger) -> None:
    bare = CardNote("", None, 0, "", None, None, b"", 0, None, "l3", ())
    note = replace(offload(card=bare), clips=(), production=None, person=replace(WRANGLER, name="", role=""))
    ledger.remember_offload(note, [])
    assert ledger.find_by_listing("l3")[0].production is None
    assert ledger.check() == []


def test_many_clips_are_one_roll_s_clips(ledger: Ledger) -> None:
    many = tuple(ClipNote(f"C{number:04}", 1, 5) for number in range(300))
    ledger.remember_offload(offload(clips=many), files())
    assert ledger.rolls()[0].clips == 300
