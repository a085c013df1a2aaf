"""A drive leaves and arrives: what is checked, written, compared, and what the receipt is worth."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rollproof.drives.system import system_drives
from rollproof.models.custody_results import HandoverResult, ReceiveResult
from rollproof.models.errors import ExitStatus, Interrupted, Refused, UsageProblem
from rollproof.models.requests import Cancel, HandoverRequest, Person, ReceiveRequest
from rollproof.models.volumes import Volume
from rollproof.records.receipt import read_receipt
from rollproof.station.context import Context
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from workflows.station import CLIPS, SMALL, Station, add_patterns, change_quietly, fill


class Courier:
    """One station that hands its drive over, and the other end of the way."""

    def __init__(self, station: Station, homes: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
        self.station = station
        self.drive = station.one
        self._homes = homes
        self._monkeypatch = monkeypatch

    def at(self, place: str) -> None:
        """Go to the cart or to the post house: each has a station folder of its own."""
        self._monkeypatch.setenv("ROLLPROOF_HOME", str(self._homes[place]))

    def hand_over(self, drive: Path | None = None, **given: Any) -> HandoverResult:
        """At the cart."""
        self.at("cart")
        wish = {"to": "post house", "person": Person("the wrangler", "data wrangler"), **given}
        request = HandoverRequest(os.fsencode(drive or self.drive), **wish)
        return handover(request, Context.of(emit=self.station.events.append, cancel=Cancel(), settings=SMALL))

    def receive(self, drive: Path | None = None, receipt: str | None = None) -> ReceiveResult:
        """At the post house."""
        self.at("post house")
        request = ReceiveRequest(os.fsencode(drive or self.drive), receipt, Person("the assistant", "assistant editor"))
        return receive(request, Context.of(emit=self.station.events.append, cancel=Cancel(), settings=SMALL))

    def records(self, place: str = "") -> list[dict[str, Any]]:
        """The drive's own records, in order."""
        folder = self.drive / place / "rollproof"
        return [json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))]


@pytest.fixture
def station(tmp_path: Path) -> Station:
    """Two rolls on two drives."""
    made = Station(tmp_path)
    fill(made.top / "B002", {"B002C001.mov": 9_000})
    assert made.offload(cards=(os.fsencode(made.card), os.fsencode(made.top / "B002"))).verdict == "proven"
    return made


@pytest.fixture
def courier(station: Station, tmp_path: Path, station_home: Path, monkeypatch: pytest.MonkeyPatch) -> Courier:
    """The drive `primary`, handed over by the station that made it."""
    other = tmp_path / "post-house"
    other.mkdir(mode=0o700)
    return Courier(station, {"cart": station_home, "post house": other}, monkeypatch)


def kinds(result: HandoverResult | ReceiveResult, severity: str = "error") -> set[str]:
    """Kinds of findings of a severity."""
    return {finding.kind for finding in result.findings if finding.severity == severity}


# --- leaving


def test_a_whole_drive_is_handed_over_with_a_record_a_receipt_and_a_sheet(courier: Courier) -> None:
    result = courier.hand_over(via="courier", note="keep dry")
    assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
    (record,) = courier.records()
    assert (record["kind"], record["to"], record["via"], record["note"]) == (
        "handover",
        "post house",
        "courier",
        "keep dry",
    )
    assert (record["checked"], record["receipt"]) == ("quick", result.receipt)
    assert [line["folder"] for line in record["rolls"]] == ["A003", "B002"]
    for line in record["rolls"]:
        (newest,) = (courier.drive / line["folder"] / "rollproof").glob("*.json")
        assert line["record"]["name"] == newest.name
    assert result.receipt is not None
    assert read_receipt(result.receipt) == result.receipt
    assert result.sheet is not None
    assert result.receipt in Path(result.sheet).read_text()


def test_nothing_but_the_drives_own_record_is_written_when_it_is_only_looked_at(courier: Courier) -> None:
    before = {path for path in courier.drive.rglob("*") if path.is_file()}
    courier.hand_over()
    new = {path.relative_to(courier.drive) for path in courier.drive.rglob("*") if path.is_file()} - {
        path.relative_to(courier.drive) for path in before
    }
    assert {path.parts[0] for path in new} == {"rollproof"}
    assert sorted(path.suffix for path in new) == [".json", ".sig"]


def test_with_a_production_the_record_lies_in_its_folder_and_belongs_to_it(courier: Courier) -> None:
    top = courier.station.top
    drives = "".join(
        f'[[drives]]\nrole = "{path.name}"\npath = "{path}"\nsystem_disk = true\n'
        for path in (courier.drive, courier.station.two)
    )
    (top / "production.toml").write_text(f'name = "The Bell Foundry"\n{drives}')
    fill(top / "C001", {"C001C001.mov": 4_000})
    done = courier.station.offload(cards=(os.fsencode(top / "C001"),), destinations=())
    assert done.verdict == "proven", done
    result = courier.hand_over()
    folders = {Path(handed.path).relative_to(courier.drive).as_posix(): handed for handed in result.handovers}
    assert set(folders) == {".", "The Bell Foundry"}
    assert folders["The Bell Foundry"].production == "The Bell Foundry"
    assert [roll.roll for roll in folders["The Bell Foundry"].rolls] == ["C001"]
    assert [record["production"] for record in courier.records("The Bell Foundry")] == ["The Bell Foundry"]
    assert result.receipt is None
    assert len({handed.receipt for handed in result.handovers}) == 2
    received = courier.receive()
    assert received.same is True
    assert [compared.production for compared in received.compared] == [None, "The Bell Foundry"]


def _remove(drive: Path) -> None:
    (drive / "A003/NOTES.TXT").unlink()


def _grow(drive: Path) -> None:
    (drive / "A003/NOTES.TXT").write_bytes(b"longer than it was before")


def _redate(drive: Path) -> None:
    os.utime(drive / "A003/NOTES.TXT", ns=(1, 1))


def _drop_manifest(drive: Path) -> None:
    next((drive / "A003/ascmhl").glob("*.mhl")).unlink()


def _break_record(drive: Path) -> None:
    (record,) = (drive / "A003/rollproof").glob("*.json")
    record.write_bytes(record.read_bytes()[:500])


def _unfinish(drive: Path) -> None:
    (drive / "A003/NOT-FINISHED.rollproof-partial").write_text("{}\n")


@pytest.mark.parametrize(
    ("harm", "kind"),
    [
        (_remove, "missing"),
        (_grow, "differs"),
        (_redate, "differs"),
        (_drop_manifest, "manifest-missing"),
        (_break_record, "bad-record"),
        (_unfinish, "not-finished"),
    ],
)
def test_what_a_look_can_see_is_seen_before_it_leaves(
    courier: Courier, harm: Callable[[Path], None], kind: str
) -> None:
    harm(courier.drive)
    result = courier.hand_over()
    assert (result.verdict, result.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert kind in kinds(result)
    (record,) = courier.records()
    assert {line["roll"]: line["state"] for line in record["rolls"]} == {"A003": "unproven", "B002": "proven"}


def test_a_roll_that_was_copied_on_the_drive_itself_does_not_leave_as_proven(courier: Courier) -> None:
    shutil.copytree(courier.drive / "A003", courier.drive / "A003 again", copy_function=shutil.copy2)
    result = courier.hand_over()
    (record,) = courier.records()
    assert {line["folder"]: line["state"] for line in record["rolls"]} == {
        "A003": "proven", "A003 again": "unproven", "B002": "proven"
    }  # fmt: skip
    assert result.verdict != "proven"


def test_only_reading_again_finds_bytes_that_changed_under_the_same_size_and_date(courier: Courier) -> None:
    change_quietly(courier.drive / "A003/CLIP/A003C002_260514.mov")
    assert courier.hand_over().verdict == "proven"
    result = courier.hand_over(reread=True)
    assert (result.verdict, result.checked) == ("not proven", "reread")
    assert "differs" in kinds(result)


def test_after_a_reread_the_handover_names_the_records_of_the_reading(courier: Courier) -> None:
    result = courier.hand_over(reread=True)
    (record,) = courier.records()
    assert all("_verify_" in line["record"]["name"] for line in record["rolls"])
    assert (record["copy"]["readback"], result.verdict) == ("medium", "proven")


def test_a_roll_that_lost_records_since_the_last_handover_is_found(courier: Courier) -> None:
    courier.station.verify(courier.drive)
    courier.hand_over()
    for path in (courier.drive / "A003/rollproof").glob("0002_*"):
        path.unlink()
    result = courier.hand_over()
    assert result.verdict == "not proven"
    assert "record-missing" in kinds(result)


def test_a_drive_without_rolls_or_without_a_folder_is_refused_and_nothing_is_written(
    courier: Courier, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    for drive, kind in ((tmp_path / "empty", "no-history"), (tmp_path / "nowhere", "drive-missing")):
        with pytest.raises(Refused) as refused:
            courier.hand_over(drive)
        assert [finding.kind for finding in refused.value.findings] == [kind]
    assert list((tmp_path / "empty").iterdir()) == []


def test_one_roll_is_no_drive(courier: Courier) -> None:
    with pytest.raises(UsageProblem, match="one roll"):
        courier.hand_over(courier.drive / "A003")
    with pytest.raises(UsageProblem, match="one roll"):
        courier.receive(courier.drive / "A003")


@pytest.mark.parametrize("given", [{"to": "  "}, {"to": "x" * 501}, {"note": "x" * 501}])
def test_words_that_make_no_sense_are_refused(courier: Courier, given: dict[str, Any]) -> None:
    with pytest.raises(UsageProblem):
        courier.hand_over(**given)
    assert courier.records() == []


def test_a_sheet_is_never_written_over_another_file_and_nothing_else_is_done_then(
    courier: Courier, tmp_path: Path
) -> None:
    wanted = tmp_path / "sheet.html"
    assert courier.hand_over(sheet=os.fsencode(wanted)).sheet == str(wanted)
    before = wanted.read_bytes()
    with pytest.raises(UsageProblem, match="there already"):
        courier.hand_over(sheet=os.fsencode(wanted))
    assert wanted.read_bytes() == before
    assert len(courier.records()) == 1


def test_two_handovers_in_one_second_have_two_sheets(courier: Courier) -> None:
    sheets = {courier.hand_over().sheet for _ in range(3)}
    assert len(sheets) == 3
    assert all(sheet is not None and Path(sheet).exists() for sheet in sheets)


def test_a_key_that_cannot_sign_is_a_warning_and_no_obstacle(courier: Courier, station_home: Path) -> None:
    (station_home / "station_key").chmod(0o644)
    result = courier.hand_over()
    assert (result.verdict, result.status, result.station_key) == ("proven", ExitStatus.DONE, "")
    assert "could-not-sign" in kinds(result, "warning")
    assert list((courier.drive / "rollproof").glob("*.sig")) == []


# --- arriving


def test_the_same_drive_gives_the_same_receipt(courier: Courier) -> None:
    handed = courier.hand_over()
    received = courier.receive(receipt=handed.receipt)
    assert (received.verdict, received.same, received.status) == ("proven", True, ExitStatus.DONE)
    assert received.receipt == handed.receipt
    assert [record["kind"] for record in courier.records()] == ["handover", "receive"]
    last = courier.records()[-1]
    assert last["handover"]["sequence"] == 1
    assert (last["verdict"], last["receipt"], last["copy"]["readback"]) == ("proven", handed.receipt, "medium")


@pytest.mark.path
def test_every_roll_that_was_received_was_read_again_and_says_so_in_its_own_chain(courier: Courier) -> None:
    courier.hand_over()
    courier.receive()
    assert [record["kind"] for record in courier.station.records(courier.drive)] == ["offload", "verify"]


def test_receiving_twice_gives_the_same_receipt_because_only_its_own_records_are_new(courier: Courier) -> None:
    handed = courier.hand_over()
    courier.receive()
    again = courier.receive()
    assert (again.receipt, again.same, again.verdict) == (handed.receipt, True, "proven")
    assert "records-added" in kinds(again, "note")


def test_a_drive_that_goes_on_is_handed_over_and_received_again(courier: Courier) -> None:
    first = courier.hand_over()
    courier.receive()
    second = courier.hand_over(to="archive")
    assert second.receipt != first.receipt
    received = courier.receive()
    assert (received.same, received.verdict) == (True, "proven")
    assert received.compared[0].to == "archive"


def _add_roll(courier: Courier) -> None:
    shutil.copytree(courier.station.two / "B002", courier.drive / "B003")


def _drop_roll(courier: Courier) -> None:
    shutil.rmtree(courier.drive / "B002")


def _rename_roll(courier: Courier) -> None:
    (courier.drive / "B002").rename(courier.drive / "B009")


def _change_record(courier: Courier) -> None:
    (record,) = (courier.drive / "A003/rollproof").glob("*.json")
    record.write_bytes(record.read_bytes().replace(b'"proven": true', b'"proven":  true', 1))


def _add_record(courier: Courier) -> None:
    courier.at("cart")
    courier.station.verify(courier.drive / "A003")


def _add_unsigned_record(courier: Courier) -> None:
    _add_record(courier)
    *_, newest = sorted((courier.drive / "A003/rollproof").glob("*.json"))
    newest.with_name(newest.name + ".sig").unlink()


def _swap_records(courier: Courier) -> None:
    names = {roll: next((courier.drive / roll / "rollproof").glob("*.json")) for roll in ("A003", "B002")}
    content = {roll: path.read_bytes() for roll, path in names.items()}
    names["A003"].write_bytes(content["B002"])
    names["B002"].write_bytes(content["A003"])


def _exchange_roll(courier: Courier) -> None:
    """Footage and records of another day under the same name, consistent in themselves."""
    shutil.rmtree(courier.drive / "A003")
    fill(courier.station.card, {"CLIP/A003C001_260514.mov": 300_000}, salt=b"another day")
    courier.station.offload(destinations=(os.fsencode(courier.drive),))


@pytest.mark.parametrize(
    ("harm", "kind"),
    [
        (_add_roll, "roll-added"),
        (_drop_roll, "roll-missing"),
        (_rename_roll, "roll-missing"),
        (_change_record, "other-receipt"),
        (_add_record, "records-added"),
        (_add_unsigned_record, "records-added"),
        (_swap_records, "other-receipt"),
        (_exchange_roll, "chain-broken"),
    ],
)
def test_whatever_happened_to_the_records_on_the_way_changes_the_receipt_and_is_named(
    courier: Courier, harm: Callable[[Courier], None], kind: str
) -> None:
    handed = courier.hand_over()
    harm(courier)
    received = courier.receive()
    assert received.receipt != handed.receipt
    assert (received.same, received.verdict, received.status) == (False, "not proven", ExitStatus.ANSWER_IS_NO)
    assert {kind, "other-receipt"} <= kinds(received)
    assert courier.records()[-1]["verdict"] == "not proven"


def test_a_clip_that_changed_on_the_way_is_found_although_the_receipt_is_the_same(courier: Courier) -> None:
    handed = courier.hand_over()
    change_quietly(courier.drive / "A003/CLIP/A003C002_260514.mov")
    received = courier.receive()
    assert (received.receipt, received.same) == (handed.receipt, True)
    assert (received.verdict, received.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert "differs" in kinds(received)
    assert {roll.roll: roll.state for roll in received.compared[0].rolls} == {"A003": "unproven", "B002": "proven"}


def test_a_handover_that_was_rewritten_to_fit_is_only_seen_by_the_receipt_on_the_phone(courier: Courier) -> None:
    handed = courier.hand_over()
    shutil.rmtree(courier.drive / "B002")
    shutil.rmtree(courier.drive / "rollproof")
    courier.hand_over()  # somebody with all the means of the first station
    assert courier.receive().verdict == "proven"
    received = courier.receive(receipt=handed.receipt)
    assert (received.verdict, received.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert "other-receipt" in kinds(received)


def test_a_handover_record_that_was_edited_is_told_by_its_signature_and_by_itself(courier: Courier) -> None:
    handed = courier.hand_over()
    (path,) = (courier.drive / "rollproof").glob("*.json")
    assert handed.receipt is not None
    path.write_text(path.read_text().replace(handed.receipt, "2222-2222-2222-2222-22"))
    received = courier.receive()
    assert {"signature-wrong", "bad-record", "other-receipt"} <= kinds(received)
    assert received.compared[0].signature is not None
    assert received.compared[0].signature.state == "wrong"


@pytest.mark.parametrize("folder", ["../../etc", "/etc", "A003", "a\\u0000b"])
def test_a_handover_record_with_a_hostile_list_is_a_finding_and_never_followed(courier: Courier, folder: str) -> None:
    courier.hand_over()
    (path,) = (courier.drive / "rollproof").glob("*.json")
    path.write_text(path.read_text().replace('"folder": "B002"', f'"folder": "{folder}"'))
    received = courier.receive()
    assert "bad-record" in kinds(received)
    assert received.verdict == "not proven"


def test_a_drive_that_was_never_handed_over_is_read_and_has_a_receipt(courier: Courier) -> None:
    received = courier.receive()
    assert (received.verdict, received.same) == ("proven", None)
    assert "no-handover" in kinds(received, "warning")
    assert [record["kind"] for record in courier.records()] == ["receive"]
    assert received.receipt is not None


def test_a_drive_with_nothing_on_it_is_not_received(courier: Courier, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    received = courier.receive(tmp_path / "empty")
    assert (received.verdict, received.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert kinds(received) == {"no-history"}
    assert list((tmp_path / "empty").iterdir()) == []


def test_a_misheard_receipt_is_said_before_anything_is_read(courier: Courier) -> None:
    handed = courier.hand_over()
    assert handed.receipt is not None
    wrong = re.sub("^.", "2" if handed.receipt[0] != "2" else "3", handed.receipt)
    with pytest.raises(UsageProblem, match="misheard"):
        courier.receive(receipt=wrong)
    assert [record["kind"] for record in courier.records()] == ["handover"]


def test_a_drive_that_lost_all_its_rolls_says_which(courier: Courier) -> None:
    courier.hand_over()
    for roll in ("A003", "B002"):
        shutil.rmtree(courier.drive / roll)
    received = courier.receive()
    assert received.verdict == "not proven"
    assert [(roll.roll, roll.compared) for roll in received.compared[0].rolls] == [
        ("A003", "missing"),
        ("B002", "missing"),
    ]
    assert received.compared[0].rolls[0].files == len(CLIPS)


# --- drives that cannot be written to


class WriteProtected:
    """The machine's drives, all of them read-only."""

    def __init__(self) -> None:
        self._real = system_drives()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def volume_of(self, path: bytes) -> Volume:
        """The volume, with its switch on."""
        return replace(self._real.volume_of(path), read_only=True)


class Full(LinuxIo):
    """A machine whose drives take no record of a handover or a receive, and no signature of one."""

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        """As the system does, but for those records."""
        if b"_handover_" in name or b"_receive_" in name:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().create(name, folder, direct=direct)


def test_a_write_protected_drive_is_not_handed_over(courier: Courier) -> None:
    request = HandoverRequest(os.fsencode(courier.drive), "post house")
    with pytest.raises(Refused) as refused:
        handover(request, Context.of(emit=print, cancel=Cancel(), drives=WriteProtected(), settings=SMALL))
    assert [finding.kind for finding in refused.value.findings] == ["read-only"]
    assert courier.records() == []


def test_a_write_protected_drive_is_received_without_a_record(courier: Courier) -> None:
    handed = courier.hand_over()
    request = ReceiveRequest(os.fsencode(courier.drive), handed.receipt)
    received = receive(request, Context.of(emit=print, cancel=Cancel(), drives=WriteProtected(), settings=SMALL))
    assert (received.verdict, received.same) == ("proven", True)
    assert "read-only" in kinds(received, "note")
    assert received.compared[0].record is None
    assert len(courier.records()) == 1


def test_a_drive_that_takes_no_record_is_not_handed_over_and_nothing_is_left_on_it(courier: Courier) -> None:
    request = HandoverRequest(os.fsencode(courier.drive), "post house")
    result = handover(request, Context.of(emit=print, cancel=Cancel(), io=Full(), settings=SMALL))
    assert (result.verdict, result.status) == ("not proven", ExitStatus.NOT_FINISHED)
    assert (result.handovers, result.sheet, result.receipt) == ([], None, None)
    assert "drive-failed" in kinds(result)
    assert list(courier.drive.rglob("rollproof/*handover*")) == []


def test_a_receive_that_could_not_be_written_is_not_finished(courier: Courier) -> None:
    courier.hand_over()
    request = ReceiveRequest(os.fsencode(courier.drive))
    received = receive(request, Context.of(emit=print, cancel=Cancel(), io=Full(), settings=SMALL))
    assert (received.verdict, received.status) == ("not proven", ExitStatus.NOT_FINISHED)


def test_who_asks_for_the_end_gets_it_and_nothing_is_written(courier: Courier) -> None:
    cancel = Cancel()
    cancel.set()
    with pytest.raises(Interrupted):
        handover(
            HandoverRequest(os.fsencode(courier.drive), "post house"),
            Context.of(emit=print, cancel=cancel, settings=SMALL),
        )
    with pytest.raises(Interrupted):
        receive(ReceiveRequest(os.fsencode(courier.drive)), Context.of(emit=print, cancel=cancel, settings=SMALL))
    assert courier.records() == []


def test_an_ignore_pattern_in_the_papers_hides_no_recorded_file_from_a_handover(courier: Courier) -> None:
    roll = courier.drive / "A003"
    add_patterns(roll, ["*.mov"])
    sorted(roll.glob("CLIP/*.mov"))[0].write_bytes(b"cut short")
    result = courier.hand_over()
    assert result.status is ExitStatus.ANSWER_IS_NO
    assert "differs" in courier.station.kinds(result)  # type: ignore[arg-type]


def test_a_thousand_ignore_patterns_do_not_keep_a_drive_from_being_looked_at(courier: Courier) -> None:
    add_patterns(courier.drive / "A003", [f"*.{number}" for number in range(1000)])
    result = courier.hand_over()
    assert result.status is ExitStatus.ANSWER_IS_NO  # the record beside it knows the manifest as it was
    assert "ignored" in courier.station.kinds(result, "warning")  # type: ignore[arg-type]
