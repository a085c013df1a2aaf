"""A day or a whole production copied on in one go: the folder structure kept, histories nested, every hash checked."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import xxhash

from ascmhl.test_round_trip import _standards, _valid
from rollproof.hashing import text_of
from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.events import LegEnded
from rollproof.models.names import MARKER_NAME
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import OffloadResult
from rollproof.station.context import Context
from rollproof.workflows.offload import offload
from workflows.station import SMALL, Station, change_quietly, fill, tree

NS = "{urn:ASC:MHL:v2.0}"
FOUNDRY = "The Bell Foundry"
ROLLS = {"day_001/A003": "A003C001", "day_001/B002": "B002C001", "day_002/A004": "A004C001"}


class Foundry(Station):
    """Three rolls of two days on one drive, below the production's folder."""

    def __post_init__(self) -> None:
        for drive in (self.one, self.two):
            drive.mkdir()
        for place, clip in ROLLS.items():
            day, roll = place.split("/")
            card = self.top / "cards" / roll
            fill(card, {f"CLIP/{clip}.mov": 40_000, f"CLIP/{clip}.xml": 100})
            (card / "EMPTY").mkdir()
            (self.source / day).mkdir(parents=True, exist_ok=True)
            assert self.run(card, to=self.source / day).verdict == "proven"

    @property
    def source(self) -> Path:
        """The production on the first drive."""
        return self.one / FOUNDRY

    @property
    def copy(self) -> Path:
        """The production on the new one; where it is no drive's root, the folder that was named is kept."""
        return self.two / FOUNDRY

    def run(self, *sources: Path, to: Path | None = None, on_event: Any = None, **given: Any) -> OffloadResult:
        """The workflow."""
        request = OffloadRequest(
            cards=tuple(os.fsencode(source) for source in sources or (self.source,)),
            destinations=(os.fsencode(to or self.two),),
            working_folder=os.fsencode(self.top),
            **{key: value for key, value in given.items() if key != "cancel"},
        )
        cancel = given.get("cancel") or Cancel()
        return offload(
            request, Context.of(emit=on_event or self.events.append, cancel=cancel, settings=SMALL), look=False
        )


@pytest.fixture
def foundry(tmp_path: Path) -> Foundry:
    """The production before it is copied."""
    return Foundry(tmp_path)


def manifests(folder: Path) -> list[Path]:
    """The manifests of one data set, in order."""
    return sorted((folder / "ascmhl").glob("*.mhl"))


def test_a_production_is_copied_in_one_go_with_its_folders(foundry: Foundry) -> None:
    result = foundry.run()
    assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
    assert [roll.source_kind for roll in result.rolls] == ["copy"] * 3
    for place in ROLLS:
        assert tree(foundry.copy / place) == tree(foundry.source / place)
        assert (foundry.copy / place / "EMPTY").is_dir()


def test_the_outer_history_refers_to_every_inner_manifest_and_names_no_file(foundry: Foundry) -> None:
    foundry.run()
    (outer,) = manifests(foundry.copy)
    root = ElementTree.parse(outer).getroot()
    assert root.findall(f"{NS}hashes/{NS}hash") == []
    told = {
        reference.findtext(f"{NS}path"): reference.findtext(f"{NS}c4")
        for reference in root.iter(f"{NS}hashlistreference")
    }
    there = {
        str(path.relative_to(foundry.copy)): text_of("c4", hashlib.sha512(path.read_bytes()).digest())
        for place in ROLLS
        for path in manifests(foundry.copy / place)
    }
    assert len(there) == 6
    assert told == there


def folder_hashes(folder: Path) -> tuple[bytes, bytes]:
    """Content and structure of a folder by the standard, computed here from nothing but the files."""

    def digest(data: bytes) -> bytes:
        return xxhash.xxh3_128(data).digest()

    content: list[bytes] = []
    structure: list[bytes] = []
    for child in folder.iterdir():
        if child.name in ("ascmhl", "rollproof"):
            continue
        inside = folder_hashes(child) if child.is_dir() else (digest(child.read_bytes()),) * 2
        content.append(inside[0])
        structure.append(digest(os.fsencode(child.name) + inside[1]))
    return digest(b"".join(sorted(content))), digest(b"".join(sorted(structure)))


def test_every_folder_hash_of_the_outer_manifest_is_right(foundry: Foundry) -> None:
    foundry.run()
    root = ElementTree.parse(manifests(foundry.copy)[0]).getroot()
    named = {element.findtext(f"{NS}path"): element for element in root.iter(f"{NS}directoryhash")}
    assert named.keys() == {"day_001", "day_002", *ROLLS}
    top = root.find(f"{NS}processinfo/{NS}roothash")
    assert top is not None
    for path, element in [*named.items(), ("", top)]:
        content, structure = folder_hashes(foundry.copy / (path or ""))
        assert element.findtext(f"{NS}content/{NS}xxh128") == content.hex(), path
        assert element.findtext(f"{NS}structure/{NS}xxh128") == structure.hex(), path


def test_every_manifest_and_chain_validates_against_the_schemas(foundry: Foundry) -> None:
    schemas = _standards()
    if schemas is None or shutil.which("xmllint") is None:
        pytest.skip("the schemas or xmllint are not here")
    foundry.run(hashes=("md5", "c4"))
    found = sorted(foundry.copy.rglob("*.mhl"))
    assert len(found) == 7
    for path in found:
        assert _valid(schemas / "ASCMHL.xsd", path) == ""
    for path in foundry.copy.rglob("ascmhl_chain.xml"):
        assert _valid(schemas / "ASCMHLDirectory.xsd", path) == ""


@pytest.mark.parametrize(("algorithm", "program"), [("md5", "md5sum"), ("sha1", "sha1sum")])
def test_an_algorithm_is_added_from_the_one_read_that_verifies_the_old_one(
    foundry: Foundry, algorithm: str, program: str
) -> None:
    result = foundry.run(foundry.source / "day_002" / "A004", hashes=(algorithm,))
    assert (result.verdict, result.rolls[0].source_reads) == ("proven", 1)
    (roll,) = foundry.two.glob("A004")
    for element in ElementTree.parse(manifests(roll)[-1]).getroot().iter(f"{NS}hash"):
        path = element.find(f"{NS}path")
        assert path is not None
        assert path.text
        actions = {child.tag.removeprefix(NS): child.get("action") for child in element if child.get("action")}
        assert actions == {algorithm: "original", "xxh128": "verified"}
        stock = subprocess.run([program, roll / path.text], capture_output=True, text=True, check=True).stdout
        assert element.findtext(f"{NS}{algorithm}") == stock.split()[0]


def test_verify_finds_the_rolls_and_no_roll_where_the_outer_history_lies(foundry: Foundry) -> None:
    foundry.run()
    verified = foundry.verify(foundry.two)
    assert (verified.verdict, verified.findings) == ("proven", [])
    assert sorted(copy.roll for copy in verified.copies) == ["A003", "A004", "B002"]
    assert not any(copy.unknown for copy in verified.copies)


def test_an_unfinished_roll_below_an_outer_history_is_not_overlooked(foundry: Foundry) -> None:
    foundry.run()
    unfinished = foundry.copy / "day_003" / "A005"
    unfinished.mkdir(parents=True)
    (unfinished / os.fsdecode(MARKER_NAME)).touch()
    assert foundry.verify(foundry.two).verdict == "not proven"


def test_running_it_again_reads_and_writes_nothing(foundry: Foundry) -> None:
    foundry.run()
    before = tree(foundry.two, own=True)
    result = foundry.run()
    assert result.verdict == "proven"
    assert [roll.source_reads for roll in result.rolls] == [0, 0, 0]
    assert tree(foundry.two, own=True) == before


def test_an_interrupted_run_says_what_was_not_begun_and_is_gone_on_with(foundry: Foundry) -> None:
    cancel = Cancel()

    def stop(event: object) -> None:
        if isinstance(event, LegEnded) and event.roll == "A003":
            cancel.set()

    result = foundry.run(cancel=cancel, on_event=stop)
    assert (result.status, result.not_begun) == (ExitStatus.INTERRUPTED, 2)
    assert not (foundry.copy / "ascmhl").exists()
    assert foundry.run().verdict == "proven"
    assert len(manifests(foundry.copy)) == 1


def test_one_changed_file_keeps_neither_the_other_rolls_nor_the_truth_back(foundry: Foundry) -> None:
    change_quietly(foundry.source / "day_001/B002/CLIP/B002C001.mov")
    result = foundry.run()
    assert {roll.roll: roll.verdict for roll in result.rolls} == {
        "A003": "proven", "B002": "not proven", "A004": "proven"
    }  # fmt: skip
    assert (result.verdict, result.status) == ("not proven", ExitStatus.ANSWER_IS_NO)
    assert not (foundry.copy / "day_001/B002/CLIP/B002C001.mov").exists()
    assert not (foundry.copy / "ascmhl").exists()
    assert "not-proven" in foundry.kinds(result, "warning")


def test_an_outer_history_of_the_source_is_carried_and_gone_on_with(foundry: Foundry) -> None:
    foundry.run()
    (carried,) = manifests(foundry.copy)
    third = foundry.top / "third"
    third.mkdir()
    result = foundry.run(foundry.copy, to=third)
    assert result.verdict == "proven"
    first, second = manifests(third / FOUNDRY)
    assert first.read_bytes() == carried.read_bytes()
    assert second.read_text().count("<hashlistreference>") == 9


def test_a_roll_that_the_outer_history_knows_and_that_is_gone_is_an_error(foundry: Foundry) -> None:
    foundry.run()
    shutil.rmtree(foundry.copy / "day_002")
    third = foundry.top / "third"
    third.mkdir()
    result = foundry.run(foundry.copy, to=third)
    assert result.verdict == "not proven"
    assert "manifest-missing" in foundry.kinds(result)
    assert [roll.verdict for roll in result.rolls] == ["proven", "proven"]


def test_footage_beside_the_rolls_is_an_error_and_papers_a_warning(foundry: Foundry) -> None:
    fill(foundry.source, {"stray.mov": 900, "call-sheet.pdf": 90})
    result = foundry.run()
    assert result.verdict == "not proven"
    told = {finding.path: finding.severity for finding in result.findings if finding.kind == "unknown-file"}
    assert told == {"stray.mov": "error", "call-sheet.pdf": "warning"}
    assert all(roll.verdict == "proven" for roll in result.rolls)


def test_a_card_with_a_folder_of_the_history_s_name_somewhere_stays_a_card(tmp_path: Path) -> None:
    station = Station(tmp_path)
    (station.card / "CLIP" / "ascmhl").mkdir()
    roll = station.offload_one()
    assert (roll.source_kind, roll.verdict) == ("card", "proven")


def test_what_a_camera_report_says_is_of_one_roll(foundry: Foundry) -> None:
    with pytest.raises(UsageProblem, match="holds 3 rolls"):
        foundry.run(expect_clips=1)


def test_the_ledger_knows_the_copies_as_copies_of_the_same_rolls(foundry: Foundry) -> None:
    foundry.run()
    with open_ledger() as ledger:
        assert {roll.name: (roll.copies, roll.copies_proven) for roll in ledger.rolls()} == {
            "A003": (2, 2), "A004": (2, 2), "B002": (2, 2)
        }  # fmt: skip
