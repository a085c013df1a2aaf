"""Verify: what it reads, what it says, and what it appends."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus
from workflows.station import CLIPS, Station, change_quietly, fill


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    assert made.offload().verdict == "proven"
    return made


@pytest.mark.path
def test_untouched_copies_are_proven_and_both_histories_grow(station: Station) -> None:
    result = station.verify()
    assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
    assert [copy.files for copy in result.copies] == [len(CLIPS)] * 2
    assert [record["kind"] for record in station.records(station.one)] == ["offload", "verify"]
    assert len(list((station.roll(station.one) / "ascmhl").glob("*.mhl"))) == 2


def test_a_byte_changed_under_the_same_size_and_date_is_found(station: Station) -> None:
    change_quietly(station.roll(station.one) / "CLIP/A003C002_260514.mov")
    result = station.verify()
    assert (result.verdict, result.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert [copy.differ for copy in result.copies] == [["CLIP/A003C002_260514.mov"], []]
    assert station.records(station.one)[-1]["verdict"] == "not proven"


def test_a_failed_verify_withdraws_the_proof_until_a_clean_one(station: Station) -> None:
    victim = station.roll(station.one) / "CLIP/A003C002_260514.mov"
    change_quietly(victim)
    station.verify(station.one)
    change_quietly(victim)  # back as it was
    assert station.verify(station.one).verdict == "proven"


def test_missing_and_unknown_files_are_told_apart(station: Station) -> None:
    (station.roll(station.one) / "NOTES.TXT").unlink()
    (station.roll(station.one) / "CLIP/extra.mov").write_bytes(b"who put this here")
    copy = station.verify(station.one).copies[0]
    assert (copy.missing, copy.unknown, copy.differ) == (["NOTES.TXT"], ["CLIP/extra.mov"], [])
    assert copy.verdict == "not proven"


def test_an_unknown_file_alone_is_a_warning_and_strict_makes_it_an_error(station: Station) -> None:
    (station.roll(station.one) / "CLIP/extra.mov").write_bytes(b"who put this here")
    assert station.verify(station.one, strict=True).status is ExitStatus.ANSWER_IS_NO
    assert station.verify(station.one).status is ExitStatus.DONE


def test_a_file_of_another_size_differs(station: Station) -> None:
    (station.roll(station.one) / "NOTES.TXT").write_bytes(b"longer than it was before")
    assert station.verify(station.one).copies[0].differ == ["NOTES.TXT"]


def test_an_interrupted_offload_is_not_proven_whatever_is_there(station: Station) -> None:
    (station.roll(station.one) / "NOT-FINISHED.rollproof-partial").write_text("{}\n")
    result = station.verify(station.one)
    assert "not-finished" in station.kinds(result)
    assert result.verdict == "not proven"


def test_a_changed_manifest_a_missing_manifest_and_a_changed_record_are_told_apart(station: Station) -> None:
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    original = manifest.read_bytes()
    manifest.write_bytes(original.replace(b"A003C001", b"A003C00X", 1))
    assert "manifest-changed" in station.kinds(station.verify(station.one))


def test_a_record_with_a_wrong_signature_is_an_error_and_stays_one(station: Station) -> None:
    signature = next((station.roll(station.one) / "rollproof").glob("*.json.sig"))
    other = next((station.roll(station.two) / "rollproof").glob("*.json.sig"))
    signature.write_bytes(other.read_bytes())
    for _ in range(2):
        (copy,) = station.verify(station.one).copies
        assert copy.verdict == "not proven"
        assert [found.kind for found in copy.findings if found.severity == "error"] == ["signature-wrong"]
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        assert [copy.state for copy in ledger.copies_of(roll.id)] == ["failed", "proven"]


def test_a_record_without_a_signature_or_of_a_station_nobody_named_is_none_the_worse(
    station: Station, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    next((station.roll(station.one) / "rollproof").glob("*.json.sig")).unlink()
    monkeypatch.setenv("ROLLPROOF_HOME", str(tmp_path / "another station"))
    assert station.verify().verdict == "proven"


def test_a_manifest_that_is_gone_is_an_error(station: Station) -> None:
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    manifest.unlink()
    assert "manifest-missing" in station.kinds(station.verify(station.one))


def test_a_folder_without_history_cannot_be_verified(station: Station, tmp_path: Path) -> None:
    fill(tmp_path / "plain", CLIPS)
    result = station.verify(tmp_path / "plain")
    assert result.status is ExitStatus.ANSWER_IS_NO
    assert station.kinds(result) == {"no-history"}


def test_a_copy_that_only_the_open_standard_speaks_for_is_verified_by_it(station: Station) -> None:
    shutil.rmtree(station.roll(station.one) / "rollproof")
    assert station.verify(station.one).verdict == "proven"
    change_quietly(station.roll(station.one) / "CLIP/A003C002_260514.mov")
    assert station.verify(station.one).copies[0].differ == ["CLIP/A003C002_260514.mov"]


def test_a_whole_drive_is_searched_for_its_rolls(station: Station) -> None:
    other = station.top / "B002"
    fill(other, {"B002C001.mov": 9_000})
    station.offload(cards=(os.fsencode(other),))
    assert sorted(copy.roll for copy in station.verify(station.one).copies) == ["A003", "B002"]


def test_a_further_hash_is_added_from_the_same_read(station: Station) -> None:
    assert station.verify(station.one, add_hashes=("md5",)).verdict == "proven"
    newest = sorted((station.roll(station.one) / "ascmhl").glob("*.mhl"))[-1].read_text()
    assert '<md5 action="original"' in newest
    assert '<xxh128 action="verified"' in newest


def test_a_path_that_is_not_there_is_named(station: Station) -> None:
    assert station.kinds(station.verify(station.top / "nowhere")) == {"drive-missing"}
