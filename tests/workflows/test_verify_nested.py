"""Verifying histories inside one another: every one of them grows, and nothing in them is dropped unnoticed."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest

from ascmhl.test_round_trip import _standards, _valid
from rollproof.models.requests import AuditRequest, Cancel
from rollproof.station.context import Context
from rollproof.storage.station import station_home
from rollproof.workflows.audit import audit
from workflows.station import SMALL, change_quietly
from workflows.test_copies_of_productions import NS, ROLLS, Foundry, manifests

INNER = "FROM_SECOND"


@pytest.fixture
def foundry(tmp_path: Path) -> Foundry:
    """A production copied to a second drive, with a history around its rolls."""
    made = Foundry(tmp_path)
    made.run()
    return made


@pytest.fixture
def nested(tmp_path: Path) -> Path:
    """A roll as somebody else left it: files of its own, and in it a data set with a history of its own."""
    made = Foundry(tmp_path)
    outer = made.source / "day_001" / "B002"
    shutil.move(made.source / "day_001" / "A003", outer / INNER)
    for folder in (outer, outer / INNER):
        shutil.rmtree(folder / "rollproof")
    return outer


def paths(manifest: Path) -> list[str]:
    """The files a manifest records."""
    return [found.text or "" for found in ElementTree.parse(manifest).iterfind(f"{NS}hashes/{NS}hash/{NS}path")]


def references(manifest: Path) -> int:
    """How many inner manifests it refers to."""
    return len(list(ElementTree.parse(manifest).iter(f"{NS}hashlistreference")))


def follows_the_schema(manifest: Path) -> bool:
    """By the standard's own schema, where it is at hand."""
    schemas = _standards()
    return schemas is None or _valid(schemas / "ASCMHL.xsd", manifest) == ""


def test_verifying_the_outer_folder_appends_a_generation_to_every_history(foundry: Foundry) -> None:
    folders = [foundry.copy, *(foundry.copy / place for place in ROLLS)]
    before = {folder: len(manifests(folder)) for folder in folders}
    assert foundry.verify(foundry.copy).verdict == "proven"
    assert {folder: len(manifests(folder)) - count for folder, count in before.items()} == dict.fromkeys(folders, 1)
    newest = manifests(foundry.copy)[-1]
    assert references(newest) == sum(len(manifests(foundry.copy / place)) for place in ROLLS)
    assert paths(newest) == []
    assert follows_the_schema(newest)


def test_a_roll_that_was_dropped_is_an_error_now_and_the_next_time(foundry: Foundry) -> None:
    shutil.rmtree(foundry.copy / "day_002")
    for _ in range(2):
        result = foundry.verify(foundry.two)
        assert result.verdict == "not proven"
        (gone,) = result.findings
        assert (gone.kind, gone.path) == ("missing", "day_002/A004")
        assert gone.remedy
    assert len(manifests(foundry.copy)) == 1


def test_a_single_roll_is_verified_without_a_word_of_the_history_around_it(foundry: Foundry) -> None:
    assert foundry.verify(foundry.copy / "day_001/A003").verdict == "proven"
    assert len(manifests(foundry.copy)) == 1


def test_a_roll_with_its_own_files_and_a_history_inside_records_each_file_once(nested: Path, tmp_path: Path) -> None:
    result = Foundry.verify(_station(tmp_path), nested)
    assert (result.verdict, result.findings) == ("proven", [])
    assert {copy.path: (copy.verdict, copy.unknown) for copy in result.copies} == {
        str(nested): ("proven", []),
        str(nested / INNER): ("proven", []),
    }
    outer, inner = manifests(nested)[-1], manifests(nested / INNER)[-1]
    assert sorted(paths(outer)) == ["CLIP/B002C001.mov", "CLIP/B002C001.xml"]
    assert sorted(paths(inner)) == ["CLIP/A003C001.mov", "CLIP/A003C001.xml"]
    assert references(outer) == len(manifests(nested / INNER)) == 2
    assert follows_the_schema(outer)


def test_an_inner_set_that_was_dropped_from_a_roll_is_an_error_now_and_the_next_time(
    nested: Path, tmp_path: Path
) -> None:
    station = _station(tmp_path)
    station.verify(nested)
    shutil.rmtree(nested / INNER / "ascmhl")
    for _ in range(2):
        result = station.verify(nested)
        assert result.verdict == "not proven"
        assert "manifest-missing" in station.kinds(result)


def test_another_byte_in_the_inner_set_is_found_there(nested: Path, tmp_path: Path) -> None:
    change_quietly(nested / INNER / "CLIP/A003C001.mov")
    result = Foundry.verify(_station(tmp_path), nested)
    assert {copy.path: copy.differ for copy in result.copies} == {
        str(nested): [],
        str(nested / INNER): ["CLIP/A003C001.mov"],
    }


def test_an_audit_that_reads_again_does_so_too(nested: Path) -> None:
    (station_home() / "ledger.sqlite3").unlink()  # it remembers the records of the copies that these sets were made of
    request = AuditRequest((os.fsencode(nested),), reread=True)
    result = audit(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL))
    assert [copy.state for roll in result.rolls for copy in roll.copies] == ["reread"]
    assert {finding.kind for finding in result.findings}.isdisjoint({"unknown-file", "missing", "differs"})
    assert references(manifests(nested)[-1]) == 2


def _station(tmp_path: Path) -> Foundry:
    station = object.__new__(Foundry)
    station.top, station.events = tmp_path, []
    return station
