"""Audits of small productions: reading again, going on, what is written where, and every way it can end."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from audit.production import InventedDrives, Made, ToShoot, any_kind
from rollproof.models.audit_results import AuditResult
from rollproof.models.errors import ExitStatus, Interrupted, UsageProblem
from rollproof.models.events import Event, Moved
from rollproof.models.requests import AuditRequest, Cancel
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.storage.io import Io
from rollproof.storage.system import system_io
from rollproof.workflows.audit import audit
from rollproof.workflows.audit.drives import LOOKING
from workflows.station import SMALL, change_quietly, tree

ROLLS = (ToShoot("A001", 1, "main"), ToShoot("A002", 1, "main"), ToShoot("S001", 1, "main"))
MAIN = ("MAIN_1", "MAIN_2", "SHUTTLE")


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Three rolls on three drives."""
    production = Made(tmp_path / "drives", station_signer())
    production.top.mkdir()
    production.build(ROLLS)
    shutil.rmtree(production.top / "ARCHIVE")
    return production


def look(made: Made, *names: str, drives: Any = None, io: Io | None = None, **given: Any) -> AuditResult:
    """An audit of these drives."""
    emit: Callable[[Event], None] = given.pop("emit", lambda event: None)
    cancel = given.pop("cancel", None) or Cancel()
    now = given.pop("now", None)
    request = AuditRequest(tuple(os.fsencode(made.top / name) for name in names or MAIN), **given)
    return audit(
        request, Context.of(emit=emit, cancel=cancel, drives=drives or made.now, io=io, settings=SMALL, now=now)
    )


def states(result: AuditResult) -> dict[tuple[str, str], str]:
    """The state of each copy, by roll and drive."""
    return {(roll.name, result.drives[copy.drive].name): copy.state for roll in result.rolls for copy in roll.copies}


def kinds(result: AuditResult, severity: str) -> set[str]:
    """Kinds of findings of a severity."""
    return {finding.kind for finding in result.findings if finding.severity == severity}


def verifies(made: Made) -> int:
    """How many verify records lie on the drives."""
    return len(list(made.top.rglob("*_verify_*.json")))


# --- by listing


@pytest.mark.path
def test_an_audit_by_listing_writes_nothing_on_any_drive(made: Made) -> None:
    before = tree(made.top, own=True)
    result = look(made)
    assert (result.verdict, result.basis, result.status) == ("complete", "listing", ExitStatus.DONE)
    assert tree(made.top, own=True) == before


def test_what_only_a_hash_can_see_is_not_seen_by_a_listing_and_is_by_reading(made: Made) -> None:
    change_quietly(made.at("MAIN_2", ROLLS[0]) / "CLIP/A001C001.mov", at=3)
    assert look(made).findings == []
    result = look(made, reread=True)
    assert states(result)["A001", "MAIN_2"] == "damaged"
    assert any_kind(result) == {("differs", "A001")}
    assert (result.verdict, result.status) == ("not complete", ExitStatus.ANSWER_IS_NO)


def test_two_drives_that_are_one_device_count_once(tmp_path: Path) -> None:
    made = Made(tmp_path / "drives", station_signer())
    made.top.mkdir()
    made.then.one_device = made.now.one_device = ("MAIN_1", "MAIN_2")
    made.build(ROLLS)
    result = look(made, "MAIN_1", "MAIN_2")
    assert kinds(result, "error") == {"too-few-copies"}
    assert kinds(result, "warning") == {"same-device"}
    assert {roll.copies_counted for roll in result.rolls} == {1}
    assert look(made).verdict == "complete"  # the third drive is another device


def test_drives_that_records_name_and_that_were_not_looked_at_are_one_note(made: Made) -> None:
    result = look(made, "MAIN_1", "MAIN_2")
    assert result.verdict == "complete"
    (note,) = result.findings
    assert (note.kind, note.severity, note.drive) == ("not-looked-at", "note", "SHUTTLE")
    assert "3 rolls" in note.detail


def test_one_roll_folder_is_audited_by_itself(made: Made) -> None:
    folders = [os.path.relpath(made.at(drive, ROLLS[0]), made.top) for drive in MAIN]
    result = look(made, *folders)
    assert [roll.name for roll in result.rolls] == ["A001"]
    assert result.verdict == "complete"


def test_a_folder_named_twice_and_a_folder_inside_another_add_nothing(made: Made) -> None:
    result = look(made, "MAIN_1", "MAIN_1", "MAIN_1/The Bell Foundry", "MAIN_2")
    assert [drive.name for drive in result.drives] == ["MAIN_1", "MAIN_2"]
    assert {len(roll.copies) for roll in result.rolls} == {2}


def test_a_drive_that_is_not_there_is_said_and_the_others_are_audited(made: Made) -> None:
    result = look(made, "MAIN_1", "MAIN_2", "NOWHERE")
    assert len(result.rolls) == 3
    assert kinds(result, "error") == {"drive-missing"}
    assert result.status is ExitStatus.ANSWER_IS_NO


def test_nothing_to_audit_is_not_complete(made: Made) -> None:
    (made.top / "EMPTY").mkdir()
    result = look(made, "EMPTY")
    assert (result.verdict, result.status) == ("not complete", ExitStatus.ANSWER_IS_NO)
    assert kinds(result, "error") == {"no-history"}


def test_more_copies_are_asked_for_by_the_production_file_than_by_the_records(made: Made, tmp_path: Path) -> None:
    file = tmp_path / "production.toml"
    file.write_text('name = "The Bell Foundry"\ncopies_required = 4\n', encoding="utf-8")
    result = look(made, against=os.fsencode(file))
    assert {roll.copies_required for roll in result.rolls} == {4}
    assert kinds(result, "error") == {"too-few-copies"}


def test_a_drive_of_the_production_file_that_was_not_looked_at_is_a_warning(made: Made, tmp_path: Path) -> None:
    file = tmp_path / "production.toml"
    drives = f'''
[[drives]]
role = "primary"
path = "{made.top}/MAIN_1"
[[drives]]
role = "backup"
volume = "UUID-main_2"
[[drives]]
role = "archive"
volume = "another"
'''
    file.write_text(f'name = "The Bell Foundry"\n{drives}', encoding="utf-8")
    result = look(made, against=os.fsencode(file))
    assert [(finding.kind, finding.drive) for finding in result.findings] == [("not-looked-at", "archive")]
    assert result.verdict == "complete"


def test_rolls_of_another_production_are_a_note(made: Made, tmp_path: Path) -> None:
    file = tmp_path / "production.toml"
    file.write_text('name = "The Other Film"\n', encoding="utf-8")
    assert kinds(look(made, against=os.fsencode(file)), "note") == {"other-production"}


def test_an_accepted_number_is_a_note_with_its_reason_and_no_gap(made: Made) -> None:
    made.offload(ToShoot("A005", 2, "main"))
    assert {finding.kind for finding in look(made).findings} == {"roll-gap", "no-sound-roll"}
    result = look(made, accepted=("A003", "A004"), reason="never used")
    notes = [found.detail for found in result.findings if (found.kind, found.severity) == ("accepted", "note")]
    assert len(notes) == 2
    assert all("never used" in note for note in notes)
    assert kinds(result, "error") == set()


def test_a_history_around_several_rolls_is_no_roll_and_is_checked_itself(made: Made) -> None:
    day = made.at("MAIN_1", ROLLS[0]).parent
    with made.opened(day) as handle:
        made.manifest(handle, day, ROLLS[0], {"report.pdf": b"report"}, 1)
    (day / "report.pdf").write_bytes(b"report")
    result = look(made)
    assert [roll.name for roll in result.rolls] == ["A001", "A002", "S001"]
    manifest = next((day / "ascmhl").glob("*.mhl"))
    manifest.write_bytes(manifest.read_bytes() + b"<!-- -->")
    assert kinds(look(made), "error") == {"manifest-changed"}


def test_many_strangers_are_few_findings(made: Made) -> None:
    for number in range(300):
        folder = made.top / "MAIN_1" / "office" / f"{number}"
        folder.mkdir(parents=True)
        (folder / "letter.txt").write_bytes(b"?")
        (made.at("MAIN_1", ROLLS[0]) / f"CLIP/{number}.tmp").write_bytes(b"?")
    (made.top / "MAIN_1" / "office" / "A009").mkdir()
    (made.top / "MAIN_1" / "office" / "A009" / "A009C001.mov").write_bytes(b"?")
    told = look(made).findings
    assert len(next(each for each in told if (each.kind, each.roll) == ("unknown-file", "A001")).others) == 200
    found = {(finding.kind, finding.roll): finding.count for finding in told}
    assert found == {("unknown-file", "A001"): 300, ("unknown-file", ""): 300, ("files-without-record", "A009"): 1}


def test_a_history_inside_a_roll_is_a_part_of_it(made: Made) -> None:
    roll = ToShoot("B001", 1, "main")
    folder = made.top / "MAIN_1" / roll.folder
    modified_ns = made.lay_out(folder, roll, {**roll.files(), "card.xml": b"<card/>"})
    inner = folder / "CLIP"
    with made.opened(inner) as handle:
        files = {path.removeprefix("CLIP/"): data for path, data in roll.files().items()}
        made.manifest(handle, inner, roll, files, modified_ns, folders=())
    with made.opened(folder) as handle:
        made.manifest(handle, folder, roll, {"A.mov": b"picture", "card.xml": b"<card/>"}, modified_ns)
    (folder / "A.mov").write_bytes(b"picture")
    os.utime(folder / "A.mov", ns=(modified_ns, modified_ns))
    (found,) = [roll for roll in look(made).rolls if roll.name == "B001"]
    assert (found.files, [copy.state for copy in found.copies]) == (6, ["copied"])
    (inner / "B001C001.mov").unlink()
    assert ("missing", "B001") in any_kind(look(made))


@pytest.mark.parametrize("junk", [b"", b"{", b"\xff" * 100, b'{"format": "rollproof-record/1"}'])
def test_rubbish_in_place_of_a_record_is_a_finding_and_never_a_mistake(made: Made, junk: bytes) -> None:
    next((made.at("MAIN_2", ROLLS[0]) / "rollproof").glob("0001*.json")).write_bytes(junk)
    for path in (made.at("SHUTTLE", ROLLS[1]) / "ascmhl").iterdir():
        path.write_bytes(junk)
    result = look(made)
    assert result.status is ExitStatus.ANSWER_IS_NO
    assert {finding.roll for finding in result.findings if finding.severity == "error"} <= {"A001", "A002"}


def test_a_roll_copied_beside_itself_on_its_own_drive_does_not_count_there(made: Made) -> None:
    shutil.rmtree(made.at("MAIN_2", ROLLS[0]))
    shutil.rmtree(made.at("SHUTTLE", ROLLS[0]))
    shutil.copytree(made.at("MAIN_1", ROLLS[0]), made.top / "MAIN_1" / "by hand" / "A001")
    (roll,) = [roll for roll in look(made).rolls if roll.name == "A001"]
    assert (roll.state, [copy.state for copy in roll.copies]) == ("too few copies", ["proven", "copied"])


# --- reading again


def test_reading_again_appends_to_every_history_and_the_next_listing_knows_it(made: Made) -> None:
    result = look(made, reread=True)
    assert (result.verdict, result.basis, result.copies_reread) == ("complete", "reread", 9)
    assert set(states(result).values()) == {"reread"}
    assert verifies(made) == 9
    assert len(list(made.top.rglob("0002_*.mhl"))) == 9
    assert set(states(look(made)).values()) == {"proven"}


def test_a_copy_of_another_tool_counts_once_it_was_read_again_here(tmp_path: Path) -> None:
    made = Made(tmp_path / "drives", station_signer())
    made.top.mkdir()
    made.build(ROLLS)
    only = ("MAIN_1", "ARCHIVE")
    before = look(made, *only)
    assert kinds(before, "error") == {"too-few-copies"}
    assert states(before)["A001", "ARCHIVE"] == "copied"
    assert look(made, *only, reread=True).verdict == "complete"
    after = look(made, *only)
    assert (after.verdict, states(after)["A001", "ARCHIVE"]) == ("complete", "reread")


def test_on_a_read_only_drive_nothing_is_appended_and_it_is_said(made: Made) -> None:
    drives = InventedDrives(made.top, read_only=("SHUTTLE",))
    result = look(made, reread=True, drives=drives)
    (note,) = result.findings
    assert (note.kind, note.severity, note.drive) == ("read-only", "note", "SHUTTLE")
    assert result.verdict == "complete"
    assert verifies(made) == 6


def stop_after(count: int, cancel: Cancel) -> Callable[[Event], None]:
    """Ask for the end when so many files were read again."""
    seen = [0]

    def emit(event: Event) -> None:
        if isinstance(event, Moved) and event.roll != LOOKING:
            seen[0] += event.files
            if seen[0] >= count:
                cancel.set()

    return emit


def test_a_stopped_audit_goes_on_where_it_was_and_ends_with_the_same_answer(made: Made) -> None:
    cancel = Cancel()
    with pytest.raises(Interrupted) as stopped:
        look(made, reread=True, cancel=cancel, emit=stop_after(17, cancel))
    assert stopped.value.status is ExitStatus.INTERRUPTED
    done = verifies(made)
    assert 0 < done < 9
    assert f"{done} of 9 copies" in stopped.value.message
    result = look(made, reread=True)
    assert (result.copies_read_before, result.copies_reread) == (done, 9 - done)
    assert verifies(made) == 9
    assert (result.verdict, set(states(result).values())) == ("complete", {"reread"})
    # it came to its end: the next one begins anew
    assert look(made, reread=True).copies_reread == 9


def test_a_copy_that_was_touched_since_is_read_again_by_a_resumed_audit(made: Made) -> None:
    cancel = Cancel()
    with pytest.raises(Interrupted):
        look(made, reread=True, cancel=cancel, emit=stop_after(17, cancel))
    record = next(made.top.rglob("*_verify_*.json"))
    roll, drive = record.parents[1], record.relative_to(made.top).parts[0]
    clip = next(path for path in (roll / "CLIP").iterdir() if path.suffix in (".mov", ".wav"))
    clip.write_bytes(b"another content")
    assert states(look(made, reread=True))[roll.name, drive] == "damaged"


def test_since_says_from_when_a_reading_counts(made: Made) -> None:
    look(made, reread=True)
    now = datetime.now().astimezone()
    assert look(made, reread=True, since=now - timedelta(hours=1)).copies_reread == 0
    assert look(made, reread=True, since=now + timedelta(hours=1)).copies_reread == 9


def test_an_audit_that_was_stopped_long_ago_is_begun_anew(made: Made) -> None:
    cancel = Cancel()
    with pytest.raises(Interrupted):
        look(made, reread=True, cancel=cancel, emit=stop_after(17, cancel), now=datetime(2026, 1, 1, tzinfo=UTC))
    assert look(made, reread=True).copies_reread == 9


# --- drives that fail


class Failing:
    """The system's calls, of which those on one drive fail from a moment on."""

    def __init__(self, top: Path, name: str) -> None:
        self._io = system_io()
        self._device = os.fsencode(top / name)
        self._inside: set[int] = set()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._io, name)

    def open_root(self, path: bytes) -> int:
        """Fails for roll folders of the drive."""
        if path.startswith(self._device + b"/"):
            raise OSError(5, "Input/output error")
        return self._io.open_root(path)


def test_a_drive_that_fails_ends_with_its_own_status_and_the_others_are_audited(made: Made) -> None:
    io: Any = Failing(made.top, "MAIN_2")
    result = look(made, io=io)
    assert result.status is ExitStatus.NOT_FINISHED
    assert "drive-failed" in kinds(result, "error")
    assert states(result)["A001", "MAIN_1"] == "proven"
    assert result.verdict == "not complete"


class Hanging(Failing):
    """One drive answers nothing any more."""

    def open_root(self, path: bytes) -> int:
        """Never comes back for roll folders of the drive."""
        import threading  # noqa: PLC0415

        if path.startswith(self._device + b"/"):
            threading.Event().wait(30)
        return self._io.open_root(path)


def test_a_drive_that_hangs_keeps_nobody_waiting(made: Made) -> None:
    io: Any = Hanging(made.top, "MAIN_2")
    request = AuditRequest(tuple(os.fsencode(made.top / name) for name in MAIN))
    settings = replace(SMALL, stall_seconds=0.5)
    result = audit(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, io=io, settings=settings)
    )
    assert result.status is ExitStatus.NOT_FINISHED
    assert "drive-hangs" in kinds(result, "error")
    assert len(result.rolls) == 3


# --- the document


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Where documents go."""
    place = tmp_path / "documents"
    place.mkdir()
    yield place


def test_the_document_holds_the_whole_answer(made: Made, folder: Path) -> None:
    (made.at("MAIN_1", ROLLS[0]) / "CLIP/A001C001.mov").unlink()
    page, data = folder / "wrap.html", folder / "wrap.json"
    result = look(made, out=os.fsencode(page))
    text = page.read_text(encoding="utf-8")
    assert "Not complete" in text
    assert all(f">{roll.name}</th>" in text for roll in result.rolls)
    assert "A001C001.mov is recorded and not there" in text
    assert "http" not in text.replace("http-equiv", "")
    told = json.loads(look(made, out=os.fsencode(data)).model_dump_json())
    written = json.loads(data.read_text(encoding="utf-8"))
    assert written["rolls"] == told["rolls"]
    assert written["findings"] == told["findings"]


def test_the_document_never_replaces_a_file(made: Made, folder: Path) -> None:
    taken = folder / "wrap.html"
    taken.write_text("mine", encoding="utf-8")
    for out in (taken, folder / "none" / "wrap.html", folder / "wrap.txt"):
        with pytest.raises(UsageProblem):
            look(made, out=os.fsencode(out))
    assert taken.read_text(encoding="utf-8") == "mine"


def test_markup_in_names_is_text_in_the_document(made: Made, folder: Path) -> None:
    (made.at("MAIN_1", ROLLS[0]) / "CLIP/<script>alert(1)<").write_bytes(b"?")
    page = folder / "wrap.html"
    look(made, out=os.fsencode(page))
    assert "<script" not in page.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in page.read_text(encoding="utf-8")


# --- records of a later version


def test_a_record_of_a_later_version_is_said_to_need_it_and_calls_nothing_damaged(made: Made) -> None:
    folder = made.at("MAIN_2", ROLLS[0]) / "rollproof"
    newest = max(folder.glob("*.json"))
    text = newest.read_text().replace("rollproof-record/1", "rollproof-record/7")
    (folder / "0003_relabel_2026-06-01T080000Z.json").write_text(text.replace('"sequence": 2', '"sequence": 3'))
    result = look(made, "MAIN_1", "MAIN_2")
    assert kinds(result, "error") == {"newer-version", "too-few-copies"}
    assert states(result)["A001", "MAIN_2"] == "copied"
    (copy,) = [copy for roll in result.rolls for copy in roll.copies if roll.name == "A001" and copy.drive == 1]
    assert "newer version" in copy.why
    before = tree(folder)
    again = look(made, "MAIN_1", "MAIN_2", reread=True)
    assert states(again)["A001", "MAIN_2"] == "copied"
    assert kinds(again, "error") == {"newer-version", "too-few-copies"}
    assert tree(folder) == before  # nothing is put behind what is not known


# --- strangers


def test_a_file_that_no_offload_brought_stays_a_stranger_whatever_reads_it(made: Made) -> None:
    stranger = made.at("MAIN_2", ROLLS[0]) / "CLIP/notes.txt"
    stranger.write_text("whose is this?")
    for _ in range(2):
        read = look(made, reread=True)
        assert (read.verdict, kinds(read, "warning")) == ("complete", {"unknown-file"})
    seen = look(made)
    assert (seen.verdict, any_kind(seen)) == ("complete", {("unknown-file", "A001")})
    stranger.write_text("something else now")
    assert kinds(look(made, reread=True), "error") == set()
    assert look(made).verdict == "complete"
    stranger.unlink()
    assert look(made).findings == []
    assert look(made, reread=True).findings == []


def test_a_stray_link_is_a_finding_about_itself_and_is_forgotten_when_it_is_gone(made: Made) -> None:
    link = made.at("MAIN_2", ROLLS[0]) / "CLIP/elsewhere.mov"
    link.symlink_to("A001C001.mov")
    read = look(made, reread=True)
    assert states(read)["A001", "MAIN_2"] == "reread"
    assert any_kind(read) == {("link", "A001")}
    link.unlink()
    seen = look(made)
    assert seen.verdict == "complete" and states(seen)["A001", "MAIN_2"] in ("proven", "reread")


def test_a_renamed_file_names_its_new_name_probably_by_listing_and_surely_by_reading(made: Made) -> None:
    roll = made.at("MAIN_2", ROLLS[0])
    (roll / "CLIP/A001C001.mov").rename(roll / "CLIP/best take.mov")
    (gone,) = [finding for finding in look(made).findings if finding.kind == "missing"]
    assert gone.path == "CLIP/A001C001.mov"
    assert "probably it is called CLIP/best take.mov now" in gone.detail
    assert states(look(made))["A001", "MAIN_2"] == "incomplete"
    (gone,) = [finding for finding in look(made, reread=True).findings if finding.kind == "missing"]
    assert "it is called CLIP/best take.mov now, which was read and has its content" in gone.detail
    # the advice: its recorded name again, and a verify
    (roll / "CLIP/best take.mov").rename(roll / "CLIP/A001C001.mov")
    assert kinds(look(made, reread=True), "error") == set()


def test_another_content_of_the_same_size_and_date_is_no_new_name_once_it_was_read(made: Made) -> None:
    roll = made.at("MAIN_2", ROLLS[0])
    (roll / "CLIP/A001C001.mov").rename(roll / "CLIP/best take.mov")
    change_quietly(roll / "CLIP/best take.mov", at=3)
    (gone,) = [finding for finding in look(made).findings if finding.kind == "missing"]
    assert "probably" in gone.detail
    (gone,) = [finding for finding in look(made, reread=True).findings if finding.kind == "missing"]
    assert "best take" not in gone.detail
